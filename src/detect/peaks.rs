//! Looks for weak reflections: the pulse's mean above the lines around it.

use std::sync::Arc;

use super::eye::DB_PER_NEPER;
use super::row::Row;
use super::scan::{Candidate, apart};
use super::sweep::{Sweep, Swept, worth_a_look};
use super::view::{Span, View, before};

/// How one view looks for peaks.
#[derive(Debug)]
struct Shape {
    /// Samples of the top, and of the line on each side.
    top: usize,
    window: usize,
}

/// Where in the views peaks could be at all, whatever the neighbouring events.
#[derive(Debug)]
pub(super) struct Tops {
    shapes: Vec<Shape>,
    /// What each view shows where whole windows lie inside its bounds.
    sweeps: Vec<Arc<Sweep>>,
    /// The longest pulse in samples.
    pulse: f64,
}

impl Tops {
    /// For views with the sweep of each, as [`Self::swept`] says.
    pub(super) fn new(views: &[View<'_>], sweeps: Vec<Arc<Sweep>>) -> Self {
        Self {
            shapes: (0..views.len()).map(|v| Shape::of(views, v)).collect(),
            sweeps,
            pulse: longest_pulse(views),
        }
    }

    /// What one of the views is swept for.
    pub(super) fn swept(views: &[View<'_>], v: usize) -> Swept {
        let shape = Shape::of(views, v);
        Swept::Peaks(shape.window, shape.top)
    }
}

impl Shape {
    fn of(views: &[View<'_>], v: usize) -> Self {
        let own = views.get(v).map_or(1.0, |view| view.eye.pulse_samples);
        Self {
            top: (own.floor() as usize).max(1),
            window: (4.0 * longest_pulse(views)).ceil().max(16.0) as usize,
        }
    }
}

/// The longest pulse of the views in samples.
fn longest_pulse(views: &[View<'_>]) -> f64 {
    let pulses = views.iter().map(|v| v.eye.pulse_samples);
    pulses.fold(1.0, f64::max)
}

/// Samples that a peak with its edge at `x` would fill, inside `span`.
fn top(shape: &Shape, x: f64, span: Span) -> Option<(usize, usize)> {
    let lo = before(x)? + 1;
    Some((lo, (lo + shape.top).min(span.hi)))
}

/// Excess of the mean over one pulse above the mean of the two lines beside it, and
/// its variance.
fn excess(view: &View<'_>, x: f64, span: Span, shape: &Shape) -> Option<(f64, f64)> {
    let eye = view.eye;
    let (lo, hi) = top(shape, x, span)?;
    // None outside the span, where there may be no samples to take a mean of.
    let (left, right) = view.lines(x, span, shape.window)?;
    let (mean, variance) = eye.sums.mean(lo, hi)?;
    let middle = f64::midpoint(lo as f64, hi as f64) - 0.5;
    let lines = f64::midpoint(left.at(middle), right.at(middle));
    let line_variance = 0.25 * (left.variance_at(middle) + right.variance_at(middle));
    Some((mean - lines, variance + line_variance))
}

/// Weak peaks between two places, each above the squared threshold `square` for one
/// view or two and the strongest within its own pulse; strongest first.
///
/// The statistic is Σ max(T, 0)² over the views: a reflection only ever adds light.
pub(super) fn weak_peaks(
    views: &[View<'_>],
    spans: &[Span],
    tops: &Tops,
    square: [f64; 2],
    spacing_m: f64,
    (from_m, to_m): (f64, f64),
) -> Vec<Candidate> {
    let row = Row::new(from_m, to_m, spacing_m);
    let mut found: Vec<Candidate> =
        worth_a_look(views, spans, &tops.sweeps, row, BETWEEN * square[0])
            .filter_map(|z_m| weak_peak(views, spans, tops, square, z_m))
            .collect();
    found.sort_by(|a, b| b.square.total_cmp(&a.square));
    apart(found, (tops.pulse + 1.0) * spacing_m)
}

/// Share of its square that a reflection has left at an edge of a sweep, a sixth of its top beside
/// it: five sixths of its height, and what the two have not in common is 0.55 of a standard error. Of
/// those at a threshold of five standard errors that lie worst one in eight is lost. Smaller is only
/// time.
const BETWEEN: f64 = 0.5;

/// The weak peak with its edge at one place.
fn weak_peak(
    views: &[View<'_>],
    spans: &[Span],
    tops: &Tops,
    square: [f64; 2],
    z_m: f64,
) -> Option<Candidate> {
    let mut sum = 0.0;
    let mut directions = 0_usize;
    for ((view, &span), shape) in views.iter().zip(spans).zip(&tops.shapes) {
        if let Some((db, variance)) = excess(view, view.index(z_m), span, shape) {
            directions += 1;
            sum += db.max(0.0).powi(2) / variance;
        }
    }
    let threshold = square[directions.clamp(1, 2) - 1];
    (directions > 0 && sum > threshold).then_some(Candidate {
        z_m,
        square: sum,
        threshold,
        window: tops.shapes[0].window,
    })
}

/// Height of a peak over the backscatter in dB from its relative power.
pub fn height_db(relative_power: f64) -> f64 {
    DB_PER_NEPER * relative_power.max(0.0).ln_1p()
}
