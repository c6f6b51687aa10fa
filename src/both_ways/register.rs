//! Lays B's axis on A's: shift and scale from the ends and all matched events.

use crate::detect::End;
use crate::measure::{LinkEnd, Look};
use crate::units::{Length, Loss, Measured, Position};

use super::link::Registration;

/// Standard deviation of the group-index ratio where a header carries the index of
/// another fibre or wavelength: 0.1 %.
pub(super) const SCALE_DOUBT: f64 = 1e-3;

/// Standard error of a link end that no event marks: cords are nominal, 1 %.
const STATED_DOUBT: f64 = 0.01;

/// Standard error of a cord that both files state alike and whose far connector does not
/// show in one of the traces, as a share of it: it hardly is another one.
const UNSEEN_DOUBT: f64 = 0.0025;

/// Standard error of a length that is given rather than seen: 0.1 % of it.
const KNOWN_DOUBT: f64 = 1e-3;

/// Standard error of where an instrument puts its port: some tenths of a metre (from memory).
const PORT_DOUBT_M: f64 = 0.5;

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

/// What is known of a link besides its traces.
#[derive(Debug, Clone, Copy, Default)]
pub struct Known {
    /// Its length.
    pub length: Option<Length>,
    /// Both files state both cords, each the same: the cords stayed on.
    pub cords_stayed: bool,
}

/// Registers B on A; a known length serves where neither trace shows both ends, and where
/// the cords stayed on, each port is the other trace's end of light;
/// `index_ratio` = `n_B/n_A` of the headers, the scale that true
/// indices would give. None when no end ties the two together.
///
/// Weighted least squares of z = offset − scale·x over the link's ends and all
/// events seen in both, with the header's index ratio as one more observation
/// (see `fit`); pairs are sought anew after every fit, within
/// four standard errors of their own places and of the axis there.
pub fn register(a: &Look, b: &Look, index_ratio: f64, known: Known) -> Option<Axis> {
    let anchors = anchors(a, b, known.length);
    if anchors.is_empty() {
        return None;
    }
    let ports = ports(a, b, index_ratio, known);
    let tied: Vec<Matched> = anchors.iter().chain(&ports).copied().collect();
    let mut axis = fit(&tied, index_ratio);
    for _ in 0..6 {
        let mut pairs = tied.clone();
        pairs.extend(matched(a, b, &axis, &anchors));
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
    known: Known,
    found: &[Matched],
) -> Axis {
    let least = least_variance(a, b);
    let ports = ports(a, b, index_ratio, known);
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
        pairs.extend(anchors(a, b, known.length).into_iter().filter(|end| {
            let apart = |m: &Matched| (m.z_m - end.z_m).abs() > a.eye.spacing_m;
            kept.iter().all(apart)
        }));
        pairs.extend(&ports);
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

/// Each trace's port and the end of light in the other, where the cords stayed on and both
/// traces agree on how long they are: a far connector may be lost in the noise of a trace
/// while the end of its cord reflects a thousand times more.
fn ports(a: &Look, b: &Look, index_ratio: f64, known: Known) -> Vec<Matched> {
    let end_m = |look: &Look| match look.end {
        End::Drop { edge, error, .. } => Some((look.eye.metres(edge), error * look.eye.spacing_m)),
        End::Faded { .. } | End::BeyondRange => None,
    };
    let port = |look: &Look| look.eye.spacing_m.powi(2) / 12.0 + PORT_DOUBT_M.powi(2);
    // What the cord may be longer by in one trace than in the other: none where its length
    // between far connector and end of light is not that between port and near connector.
    let cord = |end: (f64, f64), far: Option<LinkEnd>, near: LinkEnd, ratio: f64| {
        let far = far.filter(|far| far.has_cord && near.has_cord)?;
        let off = (end.0 - far.own_m) * ratio - near.own_m;
        let Some(error) = finite(far.std_error_m) else {
            let stated = off.abs() <= SAME * STATED_DOUBT * near.own_m;
            return stated.then_some((UNSEEN_DOUBT * near.own_m).powi(2));
        };
        let variance = end.1.powi(2)
            + error.powi(2)
            + finite(near.std_error_m)?.powi(2)
            + PORT_DOUBT_M.powi(2);
        (off.abs() <= SAME * variance.sqrt()).then_some(0.0)
    };
    let mut pairs = Vec::new();
    if !known.cords_stayed {
        return pairs;
    }
    if let Some(end) = end_m(b)
        && let Some(doubt) = cord(end, b.far, a.near, index_ratio)
    {
        pairs.push(Matched {
            z_m: -a.near.own_m,
            x_m: end.0,
            variance: end.1.powi(2) + port(a) + doubt,
        });
    }
    if let Some(end) = end_m(a)
        && let Some(doubt) = cord(end, a.far, b.near, 1.0 / index_ratio)
    {
        pairs.push(Matched {
            z_m: end.0 - a.near.own_m,
            x_m: 0.0,
            variance: end.1.powi(2) + port(b) + doubt,
        });
    }
    pairs
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

/// What the headers' index ratio may be off by, one standard deviation, each as likely
/// as the others before the events are seen: nothing, where both traces were taken with
/// one clock or two good ones; what two instruments' clocks differ by, 2·10⁻⁵ (from
/// memory); or a thousandth, where a header holds another fibre's index.
const SCALE_DOUBTS: [f64; 3] = [1e-7, 2e-5, SCALE_DOUBT];

/// Offset and scale by weighted least squares, the mean over what the scale may be off by:
/// each doubt counts by how likely it makes the scale that the pairs show.
///
/// So a ratio that the pairs bear out is kept as it is, which places far from A gain by,
/// and one that they contradict is left.
pub(super) fn fit(pairs: &[Matched], index_ratio: f64) -> Axis {
    let line = Line::through(pairs);
    let fits: Vec<(f64, Axis)> = SCALE_DOUBTS
        .iter()
        .map(|doubt| line.with(doubt * index_ratio, index_ratio))
        .collect();
    let most = fits.iter().fold(f64::NEG_INFINITY, |m, f| m.max(f.0));
    let weights: Vec<f64> = fits.iter().map(|f| (f.0 - most).exp()).collect();
    let total: f64 = weights.iter().sum();
    let mean = |of: &dyn Fn(&Axis) -> f64| -> f64 {
        let parts = weights.iter().zip(&fits).map(|(w, f)| w * of(&f.1));
        parts.sum::<f64>() / total
    };
    let (offset_m, scale) = (mean(&|a| a.offset_m), mean(&|a| a.scale));
    let off = |a: &Axis| (a.offset_m - offset_m, a.scale - scale);
    Axis {
        offset_m,
        scale,
        variance: [
            mean(&|a| a.variance[0] + off(a).0.powi(2)),
            mean(&|a| a.variance[1] + off(a).1.powi(2)),
            mean(&|a| a.variance[2] + off(a).0 * off(a).1),
        ],
        matched: pairs.len(),
    }
}

/// Weighted sums of pairs of places.
struct Line {
    weight: f64,
    mean_x: f64,
    mean_z: f64,
    sxx: f64,
    sxz: f64,
    count: usize,
}

impl Line {
    fn through(pairs: &[Matched]) -> Self {
        let weight: f64 = pairs.iter().map(|p| 1.0 / p.variance).sum();
        let mean = |of: fn(&Matched) -> f64| {
            pairs.iter().map(|p| of(p) / p.variance).sum::<f64>() / weight
        };
        let (mean_x, mean_z) = (mean(|p| p.x_m), mean(|p| p.z_m));
        let product = |of: fn(f64, f64) -> f64| -> f64 {
            let one = |p: &Matched| of(p.x_m - mean_x, p.z_m - mean_z) / p.variance;
            pairs.iter().map(one).sum()
        };
        Self {
            weight,
            mean_x,
            mean_z,
            sxx: product(|x, _| x * x),
            sxz: product(|x, z| x * z),
            count: pairs.len(),
        }
    }

    /// The axis where the scale is `ratio` with a standard deviation of `doubt`, and the
    /// logarithm of how likely that makes the pairs, but for what all doubts share.
    fn with(&self, doubt: f64, ratio: f64) -> (f64, Axis) {
        let prior = doubt.powi(-2);
        let scale_variance = 1.0 / (self.sxx + prior);
        let scale = (ratio * prior - self.sxz) * scale_variance;
        // The pairs' own scale −sxz/sxx, of variance 1/sxx, against the prior's.
        let evidence = if self.sxx > 0.0 {
            let variance = 1.0 / self.sxx + doubt * doubt;
            let off = -self.sxz / self.sxx - ratio;
            -0.5 * (off * off / variance + variance.ln())
        } else {
            0.0
        };
        let axis = Axis {
            offset_m: self.mean_z + scale * self.mean_x,
            scale,
            variance: [
                1.0 / self.weight + scale_variance * self.mean_x * self.mean_x,
                scale_variance,
                scale_variance * self.mean_x,
            ],
            matched: self.count,
        };
        (evidence, axis)
    }
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
