//! Peaks that reflections elsewhere make.

use crate::detect::{DB_PER_NEPER, Mark, Span, View};

use super::joint::Joint;

/// Decibels (10·log10) by which an echo may miss the strength that its three
/// reflections predict: they are known to about 0.5 dB each, and the backscatter
/// coefficient, which enters twice, to 2 dB where a file does not state it.
const STRENGTH: f64 = 5.0;

/// A peak explained by reflections elsewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Echo {
    /// Index of the mark among those it was found with; none where only the reflections
    /// that make it tell of it.
    pub mark: Option<usize>,
    /// View that shows it: 0 from A, 1 from B.
    pub view: usize,
    /// Place on A's axis, metres.
    pub z_m: f64,
    /// Places on A's axis of the reflection nearest to the instrument and of the
    /// farthest one that make it.
    pub made_by: (f64, f64),
}

/// One reflection as a view sees it.
struct Reflector {
    /// Metres from the port.
    x_m: f64,
    /// Peak power over the local backscatter, 10·log10; a bound where clipped.
    strength_db: f64,
    is_bound: bool,
    /// Backscatter before it, 5·log10, the trend of the eye taken out.
    level_db: f64,
}

/// Names what may be echoes among the marks: a peak in one direction only, where light
/// reflected at j, back at i and again at k comes home (x = `x_j` − `x_i` + `x_k` with
/// `x_i` before both), as strong as the three predict.
///
/// # Source
/// Position 2·z2 − z1 and missing step and partner: common rules of reading
/// traces; the strength: derived, see [`echo_db`].
pub(super) fn find_echoes(joint: &Joint) -> Vec<Echo> {
    let views = joint.views();
    let mut echoes = Vec::new();
    for (v, view) in views.iter().enumerate() {
        let reflectors = reflectors(joint, v);
        for (m, mark) in joint.marks.iter().enumerate() {
            let lone = mark.reflective[v] && !mark.reflective[1 - v];
            if !lone {
                continue;
            }
            let x_m = view.eye.metres(view.index(mark.z_m));
            let Some(own) = reflector(view, mark, v) else {
                continue;
            };
            let own_error = mark.std_error_m.filter(|e| e.is_finite()).unwrap_or(0.0);
            let unit = joint.pulse_db[v];
            if let Some((near, far)) = explained(&reflectors, x_m, own_error, &own, (view, unit)) {
                echoes.push(Echo {
                    mark: Some(m),
                    view: v,
                    z_m: mark.z_m,
                    made_by: (
                        view.place(view.eye.index(near)),
                        view.place(view.eye.index(far)),
                    ),
                });
            }
        }
    }
    echoes
}

/// Echoes that the reflections of a view must make, strong enough to show, where no
/// reflection seen from the other end stands: each would spoil a joint beside it.
///
/// Empty where they would hide more than [`MOST_HIDDEN`] of the fibre.
pub(super) fn predicted(joint: &Joint) -> Vec<Echo> {
    let views = joint.views();
    let mut echoes = Vec::new();
    for (v, view) in views.iter().enumerate() {
        let bound = joint.bounds[v];
        let unit = joint.pulse_db[v];
        let list = reflectors(joint, v);
        let mut of_view: Vec<Echo> = Vec::new();
        for (i, j, k) in paths(&list) {
            let x = view.eye.index(j.x_m - i.x_m + k.x_m);
            let z_m = view.place(x);
            let pulse_m = view.eye.pulse_samples * view.eye.spacing_m;
            let seen_elsewhere =
                |m: &Mark| m.reflective[1 - v] && (m.z_m - z_m).abs() < reach(view) + pulse_m;
            let inside = x > bound.lo as f64 && x + 2.0 < bound.hi as f64;
            if !inside || joint.marks.iter().any(seen_elsewhere) {
                continue;
            }
            let level_db = view.eye.level_near(x);
            let height = 10.0_f64.powf(echo_db([i, j, k], level_db, unit) / 10.0);
            let weight = view.eye.weight[x as usize] * view.eye.pulse_samples;
            if height * DB_PER_NEPER > SHOWS / weight.max(f64::MIN_POSITIVE).sqrt() {
                of_view.push(Echo {
                    mark: None,
                    view: v,
                    z_m,
                    made_by: (
                        view.place(view.eye.index(i.x_m)),
                        view.place(view.eye.index(j.x_m.max(k.x_m))),
                    ),
                });
            }
        }
        let hidden = of_view.len() * (view.eye.hidden_samples() + 4);
        if hidden as f64 <= MOST_HIDDEN * (bound.hi - bound.lo) as f64 {
            echoes.extend(of_view);
        }
    }
    echoes
}

/// Share of a trace that predicted echoes may hide.
const MOST_HIDDEN: f64 = 0.1;

/// Standard errors of a mean over the pulse from which an echo shows.
const SHOWS: f64 = 3.0;

/// All paths (i, j, k) of light reflected at j, back at i before both, and again at k.
fn paths(list: &[Reflector]) -> impl Iterator<Item = (&Reflector, &Reflector, &Reflector)> {
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

/// Strength of a reflection against the backscatter of one pulse, or what it is at most:
/// that of glass to air, −14.4 dB, for a port or an open end.
fn known(reflector: &Reflector, unit: f64) -> f64 {
    if reflector.strength_db.is_finite() {
        reflector.strength_db
    } else {
        -14.4 - unit
    }
}

/// Strength of the echo of a path (i, j, k) over the backscatter of detrended level
/// `level_db` where it comes home, 10·log10, with `unit` the backscatter of one pulse.
///
/// With S the backscatter, s a reflection's strength over it and u the unit, light that
/// goes to j, back to i, to k and home has passed the fibre to j and to k both ways, less
/// that to i: `R_i·R_j·R_k·S_j·S_k/(S_i·u)`, where R = s·u; twice that where j and k are
/// two, since light that goes to k first comes home at the same time. In a uniform fibre
/// the four S cancel; joints on the way leave their losses.
fn echo_db([i, j, k]: [&Reflector; 3], level_db: f64, unit: f64) -> f64 {
    let passed_db = 2.0 * (j.level_db + k.level_db - i.level_db - level_db);
    let ways_db = if std::ptr::eq(j, k) {
        0.0
    } else {
        10.0 * 2.0_f64.log10()
    };
    known(i, unit) + known(j, unit) + known(k, unit) + 2.0 * unit + passed_db + ways_db
}

/// Metres by which an echo may miss the place that three reflections give it: three
/// places of about a third of a sample each, and the slow rise of a receiver.
fn reach(view: &View<'_>) -> f64 {
    (2.0 + 0.1 * view.eye.pulse_samples) * view.eye.spacing_m
}

/// Whether a peak stands at a predicted echo between the lines beside it.
pub(super) fn shows(view: &View<'_>, echo: &Echo, span: Span) -> bool {
    let eye = view.eye;
    let x = view.index(echo.z_m);
    let Some((before, after)) = view.lines(x, span, usize::MAX) else {
        return false;
    };
    let from = x.max(0.0) as usize + 1;
    let to = ((x + eye.pulse_samples) as usize + 1).clamp(from, eye.len());
    let (mut sum, mut variance) = (0.0, 0.0);
    for i in from..to {
        let at = i as f64;
        let line = f64::midpoint(before.at(at), after.at(at)) + eye.trend.0 + eye.trend.1 * at;
        let power = (line / DB_PER_NEPER).exp();
        sum += eye.power.value[i] / power - 1.0;
        variance += eye.noise.density(power) / (power * power);
    }
    sum > NAMED * variance.sqrt()
}

/// Standard errors from which a predicted echo is named: one in 30,000 by chance.
const NAMED: f64 = 4.0;

/// All reflections of a view: the port, and every reflective mark it sees.
fn reflectors(joint: &Joint, v: usize) -> Vec<Reflector> {
    let views = joint.views();
    let view = &views[v];
    let mut list: Vec<Reflector> = joint
        .marks
        .iter()
        .filter(|m| m.reflective[v])
        .filter_map(|m| reflector(view, m, v))
        .collect();
    // The port's own reflection is hidden in the pulse: anything up to a mirror.
    list.push(Reflector {
        x_m: 0.0,
        strength_db: f64::NEG_INFINITY,
        is_bound: true,
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
            is_bound: true,
            level_db: view.eye.level_near(joint.bounds[v].hi as f64),
        });
    }
    list
}

/// A reflection with the mean of its peak over the backscatter under it.
///
/// The line before it is drawn on: over the length of a pulse the fibre's own fall is
/// more than a weak echo's height.
fn reflector(view: &View<'_>, mark: &Mark, v: usize) -> Option<Reflector> {
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
    (base > 0.0 && top > base).then(|| Reflector {
        x_m: eye.metres(x),
        strength_db: 10.0 * (top / base - 1.0).log10(),
        is_bound: clipped,
        level_db,
    })
}

/// Fewest samples of the line that is drawn on under a peak.
const LINE_BEFORE: usize = 32;

/// The nearest and farthest reflection of a path that comes home at `x_m`.
fn explained(
    list: &[Reflector],
    x_m: f64,
    own_error_m: f64,
    own: &Reflector,
    (view, unit): (&View<'_>, f64),
) -> Option<(f64, f64)> {
    let reach = reach(view) + 3.0 * own_error_m;
    let mut best: Option<(f64, (f64, f64))> = None;
    for (i, j, k) in paths(list).filter(|(_, j, k)| j.x_m < x_m && k.x_m < x_m) {
        let miss = (j.x_m - i.x_m + k.x_m - x_m).abs();
        if miss > reach {
            continue;
        }
        let all = [i, j, k];
        let predicted = echo_db(all, own.level_db, unit);
        let fits = if all.iter().any(|r| r.is_bound) {
            own.strength_db < predicted + STRENGTH
                || all.iter().any(|r| r.is_bound && r.strength_db.is_finite())
        } else {
            (own.strength_db - predicted).abs() < STRENGTH
        };
        if fits && best.is_none_or(|b| miss < b.0) {
            best = Some((miss, (i.x_m, j.x_m.max(k.x_m))));
        }
    }
    best.map(|b| b.1)
}
