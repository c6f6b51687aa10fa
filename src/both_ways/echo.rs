//! Peaks that reflections elsewhere make.

use crate::detect::{DB_PER_NEPER, Mark, View};

use super::joint::Joint;

/// Decibels (10·log10) by which an echo may miss the strength that its three
/// reflections predict: they are known to about 0.5 dB each, and the detour may
/// pass joints that the straight way does not.
const STRENGTH: f64 = 5.0;

/// A peak explained by reflections elsewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Echo {
    /// Index of the mark among those it was found with.
    pub mark: usize,
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
}

/// Names what may be echoes among the marks: a peak in one direction only, where light reflected at j, back at i and again at k comes home
/// (x = `x_j` − `x_i` + `x_k` with `x_i` before both), as strong as the three predict.
///
/// # Source
/// Position 2·z2 − z1 and missing step and partner: common rules of reading
/// traces; strength `R_i` + `R_j` + `R_k` against the local backscatter: derived for
/// equal attenuation.
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
            let Some(own) = strength(view, mark, v) else {
                continue;
            };
            let own_error = mark.std_error_m.filter(|e| e.is_finite()).unwrap_or(0.0);
            if let Some((near, far)) = explained(&reflectors, x_m, own_error, own.0, view) {
                echoes.push(Echo {
                    mark: m,
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

/// All reflections of a view: the port, and every reflective mark it sees.
fn reflectors(joint: &Joint, v: usize) -> Vec<Reflector> {
    let views = joint.views();
    let view = &views[v];
    let mut list: Vec<Reflector> = joint
        .marks
        .iter()
        .filter(|m| m.reflective[v])
        .filter_map(|m| {
            let (strength_db, is_bound) = strength(view, m, v)?;
            Some(Reflector {
                x_m: view.eye.metres(view.index(m.z_m)),
                strength_db,
                is_bound,
            })
        })
        .collect();
    // The port's own reflection is hidden in the pulse: anything up to a mirror.
    list.push(Reflector {
        x_m: 0.0,
        strength_db: f64::NEG_INFINITY,
        is_bound: true,
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
        });
    }
    list
}

/// Mean of a peak over the backscatter under it in 10·log10, and whether it is a bound.
///
/// The line before it is drawn on: over the length of a pulse the fibre's own fall is
/// more than a weak echo's height.
fn strength(view: &View<'_>, mark: &Mark, v: usize) -> Option<(f64, bool)> {
    let eye = view.eye;
    let (lo, _) = mark.blocks[v]?;
    let x = view.index(mark.z_m);
    let top_from = (x.max(0.0) as usize + 1).min(eye.len());
    let top_to = ((x + eye.pulse_samples) as usize + 1).clamp(top_from, eye.len());
    let middle = f64::midpoint(top_from as f64, top_to as f64) - 0.5;
    let before = lo.saturating_sub(LINE_BEFORE.max(2 * (top_to - top_from)));
    let line = eye.sums.line(before, lo)?;
    let base = ((line.at(middle) + eye.trend.0 + eye.trend.1 * middle) / DB_PER_NEPER).exp();
    let top = eye.power.value.get(top_from..top_to)?;
    let top = top.iter().sum::<f64>() / top.len().max(1) as f64;
    let clipped = eye.is_clipped(top_from, top_to);
    (base > 0.0 && top > base).then(|| (10.0 * (top / base - 1.0).log10(), clipped))
}

/// Fewest samples of the line that is drawn on under a peak.
const LINE_BEFORE: usize = 32;

/// The nearest and farthest reflection of a path that comes home at `x_m`.
fn explained(
    list: &[Reflector],
    x_m: f64,
    own_error_m: f64,
    own_db: f64,
    view: &View<'_>,
) -> Option<(f64, f64)> {
    // Three places of about a third of a sample each, the slow rise of a receiver,
    // and three standard errors of the echo's own place.
    let reach = (2.0 + 0.1 * view.eye.pulse_samples) * view.eye.spacing_m + 3.0 * own_error_m;
    // A reflectance is the strength plus the backscatter of one pulse; three of
    // them against one leave it twice: about 2·(B1 + 10·log10 W), which depends
    // on the fibre only weakly.
    let unit = usual_pulse_db(view);
    let mut best: Option<(f64, (f64, f64))> = None;
    for i in list {
        for j in list.iter().filter(|j| j.x_m > i.x_m && j.x_m < x_m) {
            for k in list.iter().filter(|k| k.x_m > i.x_m && k.x_m < x_m) {
                let miss = (j.x_m - i.x_m + k.x_m - x_m).abs();
                if miss > reach {
                    continue;
                }
                let bound = i.is_bound || j.is_bound || k.is_bound;
                let known = |r: &Reflector| {
                    if r.strength_db.is_finite() {
                        r.strength_db
                    } else {
                        // A port or an open end: not more than glass to air, −14.4 dB.
                        -14.4 - unit
                    }
                };
                let predicted = known(i) + known(j) + known(k) + 2.0 * unit;
                let fits = if bound {
                    own_db < predicted + STRENGTH
                        || [i, j, k]
                            .iter()
                            .any(|r| r.is_bound && r.strength_db.is_finite())
                } else {
                    (own_db - predicted).abs() < STRENGTH
                };
                let far = j.x_m.max(k.x_m);
                if fits && best.is_none_or(|b| miss < b.0) {
                    best = Some((miss, (i.x_m, far)));
                }
            }
        }
    }
    best.map(|b| b.1)
}

/// Backscatter of one pulse against the launched power, 10·log10: −82 dB for 1 ns
/// at 1550 nm (from memory, 1 dB either way) times the pulse.
fn usual_pulse_db(view: &View<'_>) -> f64 {
    // 0.102 m of fibre answer per nanosecond.
    let ns = view.eye.pulse_samples * view.eye.spacing_m / 0.102;
    -82.0 + 10.0 * ns.log10()
}
