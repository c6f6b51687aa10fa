//! The reflections of one view, and how strong the echoes are that they make.

use crate::detect::{DB_PER_NEPER, Mark, Span, View};

use super::joint::Joint;

/// Decibels (10·log10) by which an echo may miss the strength that its three
/// reflections predict: they are known to about 0.5 dB each, and the backscatter
/// coefficient, which enters twice, to 2 dB where a file does not state it.
pub(super) const STRENGTH: f64 = 5.0;

/// Reflectance of glass to air, 10·log10: no port or connector reflects more.
const GLASS_TO_AIR_DB: f64 = -14.4;

/// One reflection as a view sees it.
pub(super) struct Reflector {
    /// Metres from the port.
    pub(super) x_m: f64,
    /// Peak power over the local backscatter, 10·log10; where clipped, at least; minus
    /// infinity where it is hidden.
    pub(super) strength_db: f64,
    /// What it is at most: the same where it was measured.
    pub(super) at_most_db: f64,
    /// Backscatter before it, 5·log10, the trend of the eye taken out.
    pub(super) level_db: f64,
}

/// All paths (i, j, k) of light reflected at j, back at i before both, and again at k.
pub(super) fn paths(
    list: &[Reflector],
) -> impl Iterator<Item = (&Reflector, &Reflector, &Reflector)> {
    list.iter().flat_map(move |i| {
        let behind = move |r: &&Reflector| r.x_m > i.x_m;
        let pair = move |j: &'_ Reflector, k: &Reflector| j.x_m <= k.x_m;
        list.iter().filter(behind).flat_map(move |j| {
            list.iter()
                .filter(behind)
                .filter(move |k| pair(j, k))
                .map(move |k| (i, j, k))
        })
    })
}

/// Strength of the echo of a path (i, j, k) over the backscatter of detrended level
/// `level_db` where it comes home, 10·log10, with `unit` the backscatter of one pulse.
///
/// With S the backscatter, s a reflection's strength over it and u the unit, light that
/// goes to j, back to i, to k and home has passed the fibre to j and to k both ways, less
/// that to i: `R_i·R_j·R_k·S_j·S_k/(S_i·u)`, where R = s·u; twice that where j and k are
/// two, since light that goes to k first comes home at the same time. In a uniform fibre
/// the four S cancel; joints on the way leave their losses.
pub(super) fn echo_db(
    [i, j, k]: [&Reflector; 3],
    level_db: f64,
    unit: f64,
    strength_db: impl Fn(&Reflector) -> f64,
) -> f64 {
    let passed_db = 2.0 * (j.level_db + k.level_db - i.level_db - level_db);
    let ways_db = if std::ptr::eq(j, k) {
        0.0
    } else {
        10.0 * 2.0_f64.log10()
    };
    strength_db(i) + strength_db(j) + strength_db(k) + 2.0 * unit + passed_db + ways_db
}

/// Lowers what hidden and clipped reflections are at most to what the echoes allow that
/// each makes with others: none adds more light where it comes home than is there.
///
/// Without this a port that hides in its own pulse would be a mirror, and echoes off it
/// be expected where there are none.
fn bound_by_echoes(view: &View<'_>, bound: Span, unit: f64, list: &mut [Reflector]) {
    let tightened: Vec<f64> = (list.iter())
        .map(|r| {
            if r.at_most_db <= r.strength_db {
                return r.at_most_db;
            }
            let with_it = paths(list).filter(|(i, j, k)| [i, j, k].iter().any(|p| same(p, r)));
            let allowed = with_it.filter_map(|(i, j, k)| {
                let x = view.eye.index(j.x_m - i.x_m + k.x_m);
                let inside = x > bound.lo as f64 && x < bound.hi as f64;
                let most_db = if inside {
                    rise_db(view, x, 2.0)?
                } else {
                    return None;
                };
                let times = [i, j, k].iter().filter(|p| same(p, r)).count();
                let others = |p: &Reflector| if same(p, r) { 0.0 } else { p.strength_db };
                let others_db = echo_db([i, j, k], view.eye.level_near(x), unit, others);
                Some((most_db - others_db) / times as f64)
            });
            let least = allowed.fold(r.at_most_db, f64::min);
            least.max(r.strength_db)
        })
        .collect();
    for (r, at_most_db) in list.iter_mut().zip(tightened) {
        r.at_most_db = at_most_db;
    }
}

fn same(one: &Reflector, other: &Reflector) -> bool {
    std::ptr::eq(one, other)
}

/// What a peak with its edge at index `x` adds to the backscatter there, 10·log10: what the
/// mean over its pulse lies above the darkest of the fibre's pulses around it, and so many
/// standard errors more, at least one: less is not told from nothing. None where samples
/// are clipped or missing, and in what is darker than all around it.
pub(super) fn rise_db(view: &View<'_>, x: f64, errors: f64) -> Option<f64> {
    let eye = view.eye;
    let samples = (eye.pulse_samples.floor() as usize).max(1);
    let edge = x as usize;
    if eye.is_clipped(edge, edge + 1 + samples) {
        return None;
    }
    // Power as it would be at x on a fibre that falls as the whole trace does.
    let mean = |start: usize| {
        let power = eye.power.value.get(start..start + samples)?;
        let middle = start as f64 + 0.5 * samples as f64 - x;
        let fallen = (eye.trend.1 * middle / DB_PER_NEPER).exp();
        Some(power.iter().sum::<f64>() / samples as f64 / fallen)
    };
    let behind = edge + 2 + eye.hidden_samples();
    let around = (0..PULSES_AROUND).flat_map(|k| {
        let before = edge.checked_sub((k + 1) * samples);
        [before, Some(behind + k * samples)]
    });
    let base = around
        .filter_map(|start| mean(start?))
        .fold(f64::INFINITY, f64::min);
    let error = (2.0 * eye.noise.density(base.max(0.0)) / samples as f64).sqrt();
    let rise = mean(edge + 1)? - base;
    if rise < -2.0 * error {
        return None;
    }
    let rise = (rise + errors * error).max(error);
    let height = rise / risen(view, x, edge + 1, edge + 1 + samples);
    (base > 0.0 && base.is_finite()).then(|| 10.0 * (height / base).log10())
}

/// Pulses on each side among which one is free of other echoes, where they take up to a
/// quarter of a trace: all eight have one in a hundred thousand cases.
const PULSES_AROUND: usize = 4;

/// Mean share of a reflection's full height, with its edge at index `x`, that the receiver
/// gives over the samples `lo..hi` of its pulse.
pub(super) fn risen(view: &View<'_>, x: f64, lo: usize, hi: usize) -> f64 {
    let shares = (lo..hi).map(|i| view.eye.response.peak(i as f64 - x));
    (shares.sum::<f64>() / (hi - lo).max(1) as f64).clamp(LEAST_RISEN, 1.0)
}

/// Least share of its height that a reflection has come up to over its pulse: that of a
/// receiver with a time constant of the pulse itself is 0.37.
const LEAST_RISEN: f64 = 0.3;

/// All reflections of a view: the port, and every reflective mark it sees.
pub(super) fn reflectors(joint: &Joint, v: usize) -> Vec<Reflector> {
    let views = joint.views();
    let view = &views[v];
    let mut list: Vec<Reflector> = joint
        .marks
        .iter()
        .filter(|m| m.reflective[v])
        .filter_map(|m| reflector(view, m, v))
        .collect();
    let unit = joint.pulse_db[v];
    let mirror = GLASS_TO_AIR_DB - unit;
    list.extend(covered(joint, v));
    // The port's own reflection is hidden in the pulse.
    list.push(Reflector {
        x_m: 0.0,
        strength_db: f64::NEG_INFINITY,
        at_most_db: f64::INFINITY,
        level_db: view.eye.level_near(joint.bounds[v].lo as f64),
    });
    // The fibre's end beyond the link reflects as well.
    if let Some(peak) = view
        .eye
        .peaks
        .last()
        .filter(|p| p.edge + 2 >= joint.bounds[v].hi)
    {
        list.push(Reflector {
            x_m: view.eye.metres(peak.edge as f64 + 0.5),
            strength_db: f64::NEG_INFINITY,
            at_most_db: f64::INFINITY,
            level_db: view.eye.level_near(joint.bounds[v].hi as f64),
        });
    }
    for r in &mut list {
        r.at_most_db = r.at_most_db.min(mirror.max(r.strength_db));
    }
    bound_by_echoes(view, joint.bounds[v], unit, &mut list);
    list
}

/// Reflections that this view shows only as a part of another peak, begun before them, as
/// the other view measures them.
fn covered(joint: &Joint, v: usize) -> Vec<Reflector> {
    let views = joint.views();
    let (view, other) = (&views[v], &views[1 - v]);
    let units_db = joint.pulse_db[1 - v] - joint.pulse_db[v];
    let is_hidden = |i: usize| view.eye.weight.get(i).is_some_and(|w| *w <= 0.0);
    let only_other = |m: &&Mark| m.reflective[1 - v] && !m.reflective[v];
    let seen = joint.marks.iter().filter(only_other);
    seen.filter_map(|m| {
        let x = view.index(m.z_m);
        let edge = x.max(0.0) as usize;
        let of_other = reflector(other, m, 1 - v)?;
        let is_measured = of_other.at_most_db <= of_other.strength_db;
        (is_measured && is_hidden(edge) && is_hidden(edge + 1)).then(|| Reflector {
            x_m: view.eye.metres(x),
            strength_db: of_other.strength_db + units_db,
            at_most_db: of_other.strength_db + units_db,
            level_db: view.eye.level_near(x),
        })
    })
    .collect()
}

/// A reflection with the height of its peak over the backscatter under it: the mean over
/// the pulse, by the share of the height that the receiver comes up to.
///
/// The line before it is drawn on: over the length of a pulse the fibre's own fall is
/// more than a weak echo's height.
pub(super) fn reflector(view: &View<'_>, mark: &Mark, v: usize) -> Option<Reflector> {
    let eye = view.eye;
    let (lo, _) = mark.blocks[v]?;
    let x = view.index(mark.z_m);
    let top_from = (x.max(0.0) as usize + 1).min(eye.len());
    let top_to = ((x + eye.pulse_samples) as usize + 1).clamp(top_from, eye.len());
    let middle = f64::midpoint(top_from as f64, top_to as f64) - 0.5;
    let before = lo.saturating_sub(LINE_BEFORE.max(2 * (top_to - top_from)));
    let is_plain = (before..lo).all(|i| eye.weight[i] > 0.0);
    // Close behind another reflection no line is left: the level near by serves.
    let level_db = match eye.sums.line(before, lo).filter(|_| is_plain) {
        Some(line) => line.at(middle),
        None => eye.level_near(lo as f64),
    };
    let base = ((level_db + eye.trend.0 + eye.trend.1 * middle) / DB_PER_NEPER).exp();
    let top = eye.power.value.get(top_from..top_to)?;
    let top = top.iter().sum::<f64>() / top.len().max(1) as f64;
    let clipped = eye.is_clipped(top_from, top_to);
    let height = (top / base - 1.0) / risen(view, x, top_from, top_to);
    let strength_db = 10.0 * height.log10();
    (base > 0.0 && top > base).then(|| Reflector {
        x_m: eye.metres(x),
        strength_db,
        at_most_db: if clipped { f64::INFINITY } else { strength_db },
        level_db,
    })
}

/// Fewest samples of the line that is drawn on under a peak.
const LINE_BEFORE: usize = 32;
