//! Looks for weak reflections: the pulse's mean above the lines around it.

use super::eye::DB_PER_NEPER;
use super::scan::{Candidate, apart};
use super::view::{Span, View, before};

/// Samples that a peak with its edge at `x` would fill, inside `span`.
fn top(view: &View<'_>, x: f64, span: Span) -> Option<(usize, usize)> {
    let lo = before(x)? + 1;
    let hi = (lo + (view.eye.pulse_samples.floor() as usize).max(1)).min(span.hi);
    Some((lo, hi))
}

/// Excess of the mean over one pulse above the mean of the two lines beside it, and
/// its variance.
fn excess(view: &View<'_>, x: f64, span: Span, window: usize) -> Option<(f64, f64)> {
    let eye = view.eye;
    let (lo, hi) = top(view, x, span)?;
    let (mean, variance) = eye.sums.mean(lo, hi)?;
    let (left, right) = view.lines(x, span, window)?;
    let middle = f64::midpoint(lo as f64, hi as f64) - 0.5;
    let lines = f64::midpoint(left.at(middle), right.at(middle));
    let line_variance = 0.25 * (left.variance_at(middle) + right.variance_at(middle));
    Some((mean - lines, variance + line_variance))
}

/// The same against the lower of the two mean levels beside it, over the variance of
/// the peak's mean alone: never less than what [`excess`] gives but for noise.
fn rough_square(view: &View<'_>, x: f64, span: Span, window: usize) -> Option<f64> {
    let eye = view.eye;
    let (lo, hi) = top(view, x, span)?;
    let (mean, variance) = eye.sums.mean(lo, hi)?;
    let (left, right) = view.sides(x, span, window)?;
    let (before, _) = eye.sums.mean(left.lo, left.hi)?;
    let (after, _) = eye.sums.mean(right.lo, right.hi)?;
    Some((mean - before.min(after)).max(0.0).powi(2) / variance)
}

/// Weak peaks between two places, each above the squared threshold `square` for one
/// view or two and the strongest within its own pulse; strongest first.
///
/// The statistic is Σ max(T, 0)² over the views: a reflection only ever adds light.
pub(super) fn weak_peaks(
    views: &[View<'_>],
    spans: &[Span],
    square: [f64; 2],
    spacing_m: f64,
    (from_m, to_m): (f64, f64),
) -> Vec<Candidate> {
    let pulse = views
        .iter()
        .map(|v| v.eye.pulse_samples)
        .fold(1.0, f64::max);
    let window = (4.0 * pulse).ceil().max(16.0) as usize;
    let looks = ((to_m - from_m) / spacing_m).max(0.0) as usize;
    let mut found: Vec<Candidate> = Vec::new();
    for k in 0..=looks {
        let z_m = from_m + k as f64 * spacing_m;
        let rough: f64 = views
            .iter()
            .zip(spans)
            .filter_map(|(view, &span)| rough_square(view, view.index(z_m), span, window))
            .sum();
        if rough < square[0] {
            continue;
        }
        let mut sum = 0.0;
        let mut directions = 0_usize;
        for (view, &span) in views.iter().zip(spans) {
            if let Some((db, variance)) = excess(view, view.index(z_m), span, window) {
                directions += 1;
                sum += db.max(0.0).powi(2) / variance;
            }
        }
        if directions == 0 {
            continue;
        }
        let threshold = square[directions.min(2) - 1];
        if sum > threshold {
            found.push(Candidate {
                z_m,
                square: sum,
                threshold,
                window,
            });
        }
    }
    found.sort_by(|a, b| b.square.total_cmp(&a.square));
    apart(found, (pulse + 1.0) * spacing_m)
}

/// Height of a peak over the backscatter in dB from its relative power.
pub fn height_db(relative_power: f64) -> f64 {
    DB_PER_NEPER * relative_power.max(0.0).ln_1p()
}
