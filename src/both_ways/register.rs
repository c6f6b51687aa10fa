//! Lays B's axis on A's: shift and scale from the ends and all matched events.

use crate::measure::Look;
use crate::units::{Length, Loss, Measured, Position};

use super::link::Registration;

/// Standard deviation of the group-index ratio before anything is matched: a header
/// may carry the index of another fibre or wavelength, 0.1 % apart.
const SCALE_DOUBT: f64 = 1e-3;

/// Standard error of a link end that no event marks: cords are nominal, 1 %.
const STATED_DOUBT: f64 = 0.01;

/// Standard error of a length that is given rather than seen: 0.1 % of it.
const KNOWN_DOUBT: f64 = 1e-3;

/// Standard errors within which two events are the same.
const SAME: f64 = 4.0;

/// B's axis on A's: z = offset − scale·x, z from A's first connector, x from B's port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axis {
    /// Place of B's port, metres on A's axis.
    pub offset_m: f64,
    /// Metres of A's axis per metre of B's.
    pub scale: f64,
    /// Variances of offset and scale and their covariance.
    pub variance: [f64; 3],
    /// Pairs of places used.
    pub matched: usize,
}

impl Axis {
    /// Place on A's axis of a place seen from B's port.
    pub fn place(&self, x_m: f64) -> f64 {
        self.offset_m - self.scale * x_m
    }

    /// Standard error of that place.
    pub fn error(&self, x_m: f64) -> f64 {
        let [o, s, c] = self.variance;
        (o + s * x_m * x_m - 2.0 * c * x_m).max(0.0).sqrt()
    }

    /// Distance from B's port of a place on A's axis.
    pub fn from_b(&self, z_m: f64) -> f64 {
        (self.offset_m - z_m) / self.scale
    }
}

/// One place seen in both traces.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Matched {
    /// Metres on A's axis, by A alone.
    pub z_m: f64,
    /// Metres from B's port, by B alone.
    pub x_m: f64,
    /// Variance of their difference.
    pub variance: f64,
}

/// Registers B on A; a `known_length` serves where neither trace shows both ends;
/// `index_ratio` = `n_B/n_A` of the headers, the scale that true
/// indices would give. None when neither ends nor events tie the two together.
///
/// Weighted least squares of z = offset − scale·x over the link's ends and all
/// events seen in both, with the header's index ratio as one more observation
/// of standard deviation 0.1 %; pairs are sought anew after every fit, within
/// four standard errors of their own places and of the axis there.
pub fn register(
    a: &Look,
    b: &Look,
    index_ratio: f64,
    known_length: Option<Length>,
) -> Option<Axis> {
    let anchors = anchors(a, b, known_length);
    let mut axis = if anchors.is_empty() {
        by_pattern(a, b, index_ratio)?
    } else {
        fit(&anchors, index_ratio)
    };
    for _ in 0..6 {
        let mut pairs = anchors.clone();
        pairs.extend(matched(a, b, &axis, &anchors));
        if pairs.is_empty() {
            break;
        }
        let next = fit(&pairs, index_ratio);
        let moved = (next.offset_m - axis.offset_m).abs()
            + (next.scale - axis.scale).abs() * b.eye.metres(b.eye.len() as f64);
        let same = next.matched == axis.matched;
        axis = next;
        if same && moved < 1e-3 * a.eye.spacing_m {
            break;
        }
    }
    Some(axis)
}

/// The axis by what was found in both traces together, `found` placed by each view alone,
/// and the ends where nothing was found; `axis` is where the search began.
///
/// What lies beyond four standard errors of both is left out: an echo beside a joint, or
/// two events that one view took for one.
pub(super) fn register_again(
    (a, b): (&Look, &Look),
    axis: &Axis,
    index_ratio: f64,
    known_length: Option<Length>,
    found: &[Matched],
) -> Axis {
    let least = least_variance(a, b);
    let mut axis = *axis;
    let mut kept = Vec::new();
    for _ in 0..6 {
        let next: Vec<Matched> = found
            .iter()
            .map(|m| Matched {
                variance: m.variance + least,
                ..*m
            })
            .filter(|m| {
                let reach = SAME * (m.variance + axis.error(m.x_m).powi(2)).sqrt();
                (axis.place(m.x_m) - m.z_m).abs() <= reach
            })
            .collect();
        if next == kept {
            break;
        }
        kept = next;
        let mut pairs = kept.clone();
        pairs.extend(anchors(a, b, known_length).into_iter().filter(|end| {
            let apart = |m: &Matched| (m.z_m - end.z_m).abs() > a.eye.spacing_m;
            kept.iter().all(apart)
        }));
        if pairs.is_empty() {
            break;
        }
        axis = fit(&pairs, index_ratio);
    }
    axis
}

/// The link's two ends, where both traces show them or their cords place them.
fn anchors(a: &Look, b: &Look, known_length: Option<Length>) -> Vec<Matched> {
    let pair = |z_m: f64, az: Option<f64>, x_m: f64, bx: Option<f64>, cord: f64| {
        let stated = (STATED_DOUBT * cord).powi(2);
        Matched {
            z_m,
            x_m,
            variance: az.map_or(stated, |e| e * e) + bx.map_or(stated, |e| e * e),
        }
    };
    let mut anchors = Vec::new();
    if let Some(b_far) = b.far {
        anchors.push(pair(
            0.0,
            a.near.std_error_m,
            b_far.own_m,
            b_far.std_error_m,
            a.near.own_m,
        ));
    }
    if let Some(a_far) = a.far {
        anchors.push(pair(
            a_far.own_m - a.near.own_m,
            a_far.std_error_m,
            b.near.own_m,
            b.near.std_error_m,
            b.near.own_m,
        ));
    }
    if let (true, Some(length)) = (anchors.is_empty(), known_length) {
        anchors.push(Matched {
            z_m: length.m(),
            x_m: b.near.own_m,
            variance: (KNOWN_DOUBT * length.m()).powi(2),
        });
    }
    anchors
}

/// Events of A and B that fall on each other, apart from the link's ends.
fn matched(a: &Look, b: &Look, axis: &Axis, anchors: &[Matched]) -> Vec<Matched> {
    let least = least_variance(a, b);
    let mut pairs = Vec::new();
    for mark in &a.marks {
        let z_m = mark.z_m - a.near.own_m;
        let nearest = b.marks.iter().min_by(|p, q| {
            (axis.place(p.z_m) - z_m)
                .abs()
                .total_cmp(&(axis.place(q.z_m) - z_m).abs())
        });
        let Some(other) = nearest else { continue };
        let (Some(u), Some(v)) = (finite(mark.std_error_m), finite(other.std_error_m)) else {
            continue;
        };
        if mark.reflective.iter().any(|r| *r) != other.reflective.iter().any(|r| *r)
            && u.max(v) < a.eye.spacing_m
        {
            // A peak here and none there is not the same event (an echo, perhaps).
            continue;
        }
        let variance = u * u + v * v + least;
        let reach = SAME * (variance + axis.error(other.z_m).powi(2)).sqrt();
        let is_anchor = anchors
            .iter()
            .any(|p| (p.z_m - z_m).abs() < a.eye.spacing_m);
        if (axis.place(other.z_m) - z_m).abs() <= reach && !is_anchor {
            pairs.push(Matched {
                z_m,
                x_m: other.z_m,
                variance,
            });
        }
    }
    pairs
}

/// Least variance of the difference of two places, square metres: a hundredth of a
/// sample in each trace, since no shape is known better.
fn least_variance(a: &Look, b: &Look) -> f64 {
    1e-4 * (a.eye.spacing_m.powi(2) + b.eye.spacing_m.powi(2))
}

fn finite(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.is_finite())
}

/// Weighted least squares for offset and scale with the prior on the scale.
fn fit(pairs: &[Matched], index_ratio: f64) -> Axis {
    let doubt = (SCALE_DOUBT * index_ratio).powi(2);
    let (mut s0, mut sx, mut sz) = (0.0, 0.0, 0.0);
    for p in pairs {
        let w = 1.0 / p.variance;
        s0 += w;
        sx += w * p.x_m;
        sz += w * p.z_m;
    }
    let (mx, mz) = (sx / s0, sz / s0);
    let mut sxx = 1.0 / doubt;
    let mut sxz = -index_ratio / doubt;
    for p in pairs {
        let w = 1.0 / p.variance;
        sxx += w * (p.x_m - mx).powi(2);
        sxz += w * (p.x_m - mx) * (p.z_m - mz);
    }
    let scale = -sxz / sxx;
    let scale_variance = 1.0 / sxx;
    Axis {
        offset_m: mz + scale * mx,
        scale,
        variance: [
            1.0 / s0 + scale_variance * mx * mx,
            scale_variance,
            scale_variance * mx,
        ],
        matched: pairs.len(),
    }
}

/// The shift that lays most events of B on events of A, for two traces of which
/// neither sees the far end; at least four must fall together, and two more than at
/// any other shift: a wrong one would make every number wrong.
fn by_pattern(a: &Look, b: &Look, index_ratio: f64) -> Option<Axis> {
    let count = |offset: f64| -> (usize, f64) {
        let mut hits = 0;
        let mut square = 0.0;
        for mark in &a.marks {
            let z = mark.z_m - a.near.own_m;
            let best = b
                .marks
                .iter()
                .map(|m| {
                    let d = offset - index_ratio * m.z_m - z;
                    let e = finite(mark.std_error_m).unwrap_or(a.eye.spacing_m).powi(2)
                        + finite(m.std_error_m).unwrap_or(b.eye.spacing_m).powi(2)
                        + a.eye.spacing_m.powi(2)
                        + (SCALE_DOUBT * m.z_m).powi(2);
                    d * d / e
                })
                .fold(f64::INFINITY, f64::min);
            if best < SAME * SAME {
                hits += 1;
                square += best;
            }
        }
        (hits, square)
    };
    let mut shifts: Vec<(usize, f64, f64)> = Vec::new();
    for mark in &a.marks {
        for other in &b.marks {
            let offset = mark.z_m - a.near.own_m + index_ratio * other.z_m;
            let (hits, square) = count(offset);
            shifts.push((hits, square, offset));
        }
    }
    shifts.sort_by(|p, q| q.0.cmp(&p.0).then(p.1.total_cmp(&q.1)));
    let best = *shifts.first()?;
    let reach_m = a.eye.pulse_samples * a.eye.spacing_m
        + SAME * SCALE_DOUBT * b.eye.metres(b.eye.len() as f64);
    let rival = shifts
        .iter()
        .find(|s| (s.2 - best.2).abs() > reach_m)
        .map_or(0, |s| s.0);
    (best.0 >= 4 && rival + 2 <= best.0).then(|| Axis {
        offset_m: best.2,
        scale: index_ratio,
        variance: [reach_m.powi(2), (SCALE_DOUBT * index_ratio).powi(2), 0.0],
        matched: 0,
    })
}

/// The registration as it goes into the result, counted from the first connector at
/// `zero_m`; `slope_change_db_per_m` is the greatest difference of two neighbouring
/// sections' slopes.
pub(super) fn describe(
    axis: &Axis,
    zero_m: f64,
    end_m: f64,
    slope_change_db_per_m: f64,
) -> Registration {
    let ends = [axis.from_b(zero_m), axis.from_b(end_m)];
    let error = ends.iter().map(|x| axis.error(*x)).fold(0.0, f64::max);
    Registration {
        offset: Measured {
            value: Position::from_m(axis.offset_m - zero_m),
            std_error: Some(Length::from_m(axis.variance[0].sqrt())),
        },
        scale: Measured {
            value: axis.scale,
            std_error: Some(axis.variance[1].sqrt()),
        },
        matched: axis.matched,
        position_error: Length::from_m(error),
        // B's two lines meet at a place off by the error: their difference moves by
        // the error times the change of slope, the mean by half of that.
        loss_error: Loss::from_db(0.5 * error * slope_change_db_per_m),
    }
}
