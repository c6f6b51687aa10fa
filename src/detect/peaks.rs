//! Looks for weak reflections: the pulse's mean above the lines around it.

use super::eye::DB_PER_NEPER;
use super::scan::{Candidate, apart};
use super::view::{Span, View, before};

/// How one view looks for peaks.
#[derive(Debug)]
struct Shape {
    /// Samples of the top, and of the line on each side.
    top: usize,
    window: usize,
    /// Samples from the edge to the line behind it.
    hidden: usize,
}

/// Where in the views peaks could be at all, whatever the neighbouring events.
#[derive(Debug)]
pub(super) struct Tops {
    shapes: Vec<Shape>,
    /// Per view, the [`rough_square`] of every edge with whole windows inside its bounds.
    squares: Vec<Vec<f32>>,
    /// The greatest of every [`BLOCK`] of them.
    greatest: Vec<Vec<f32>>,
    /// The longest pulse in samples.
    pulse: f64,
}

/// Edges whose greatest statistic is kept.
const BLOCK: usize = 8;

impl Tops {
    /// For views of which the samples in `bounds` are looked through.
    pub(super) fn new(views: &[View<'_>], bounds: &[Span]) -> Self {
        let pulse = views
            .iter()
            .map(|v| v.eye.pulse_samples)
            .fold(1.0, f64::max);
        let shapes: Vec<Shape> = views
            .iter()
            .map(|view| Shape {
                top: (view.eye.pulse_samples.floor() as usize).max(1),
                window: (4.0 * pulse).ceil().max(16.0) as usize,
                hidden: view.eye.hidden_samples(),
            })
            .collect();
        let squares: Vec<Vec<f32>> = views
            .iter()
            .zip(bounds)
            .zip(&shapes)
            .map(|((view, bound), shape)| rough_squares(view.eye.sums.running(), *bound, shape))
            .collect();
        let greatest_of = |block: &[f32]| block.iter().fold(0.0, |m: f32, s| m.max(*s));
        let greatest = squares
            .iter()
            .map(|squares| squares.chunks(BLOCK).map(greatest_of).collect())
            .collect();
        Self {
            shapes,
            squares,
            greatest,
            pulse,
        }
    }

    /// The rough square of view `v` at an index; none where the span's ends shorten a
    /// window.
    fn rough(&self, v: usize, x: f64, span: Span) -> Option<f64> {
        let edge = before(x)?;
        let whole = self.shapes[v].is_whole(edge, edge, span);
        whole.then(|| f64::from(self.squares[v].get(edge).copied().unwrap_or(0.0)))
    }

    /// The most that the rough squares between two indices of view `v` can be; none where
    /// the span's ends shorten a window.
    fn most(&self, v: usize, (x, y): (f64, f64), span: Span) -> Option<f64> {
        let shape = &self.shapes[v];
        let (lo, hi) = (before(x.min(y))?, before(x.max(y))?);
        let blocks = self.greatest[v].get(lo / BLOCK..=hi / BLOCK);
        let most = |b: &[f32]| f64::from(b.iter().fold(0.0, |m: f32, s| m.max(*s)));
        shape
            .is_whole(lo, hi, span)
            .then(|| blocks.map_or(0.0, most))
    }
}

impl Shape {
    /// Whether the windows of all edges from `lo` to `hi` lie inside a span.
    fn is_whole(&self, lo: usize, hi: usize, span: Span) -> bool {
        lo + 1 >= span.lo + self.window && hi + 1 + self.hidden + self.window <= span.hi
    }
}

/// The [`rough_square`] of every edge with whole windows inside `bound`, else 0.
fn rough_squares(sums: &[[f64; 2]], bound: Span, shape: &Shape) -> Vec<f32> {
    let &Shape {
        top,
        window,
        hidden,
    } = shape;
    let mut squares = vec![0.0; sums.len()];
    let from = (bound.lo + window).saturating_sub(1);
    let to = bound.hi.saturating_sub(hidden + window);
    if from >= to || to + hidden + window >= sums.len() {
        return squares;
    }
    let at = |offset: usize| &sums[from + 1 + offset..=to + offset];
    let left = &sums[from + 1 - window..=to - window];
    let (edge, top) = (at(0), at(top));
    let (near, far) = (at(hidden), at(hidden + window));
    for (k, square) in squares[from..to].iter_mut().enumerate() {
        let mean = |p: &[f64; 2], q: &[f64; 2]| ((p[1] - q[1]) / (p[0] - q[0]), p[0] - q[0]);
        let (level, weight) = mean(&edge[k], &top[k]);
        let (before, w) = mean(&left[k], &edge[k]);
        let (after, v) = mean(&near[k], &far[k]);
        let height = (level - before.min(after)).max(0.0);
        if weight > 0.0 && w > 0.0 && v > 0.0 {
            *square = (height * height * weight) as f32;
        }
    }
    squares
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
    let (mean, variance) = eye.sums.mean(lo, hi)?;
    let (left, right) = view.lines(x, span, shape.window)?;
    let middle = f64::midpoint(lo as f64, hi as f64) - 0.5;
    let lines = f64::midpoint(left.at(middle), right.at(middle));
    let line_variance = 0.25 * (left.variance_at(middle) + right.variance_at(middle));
    Some((mean - lines, variance + line_variance))
}

/// The same against the lower of the two mean levels beside it, over the variance of
/// the peak's mean alone: never less than what [`excess`] gives but for noise.
fn rough_square(view: &View<'_>, x: f64, span: Span, shape: &Shape) -> Option<f64> {
    let eye = view.eye;
    let (lo, hi) = top(shape, x, span)?;
    let (mean, variance) = eye.sums.mean(lo, hi)?;
    let (left, right) = view.sides(x, span, shape.window)?;
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
    tops: &Tops,
    square: [f64; 2],
    spacing_m: f64,
    (from_m, to_m): (f64, f64),
) -> Vec<Candidate> {
    let looks = ((to_m - from_m) / spacing_m).max(0.0) as usize;
    let place = |k: usize| from_m + k as f64 * spacing_m;
    let mut found: Vec<Candidate> = Vec::new();
    for first in (0..=looks).step_by(BLOCK) {
        let last = (first + BLOCK - 1).min(looks);
        let most = views
            .iter()
            .zip(spans)
            .enumerate()
            .map(|(v, (view, &span))| {
                tops.most(v, (view.index(place(first)), view.index(place(last))), span)
            });
        if most
            .sum::<Option<f64>>()
            .is_some_and(|most| most < square[0])
        {
            continue;
        }
        for z_m in (first..=last).map(place) {
            found.extend(weak_peak(views, spans, tops, square, z_m));
        }
    }
    found.sort_by(|a, b| b.square.total_cmp(&a.square));
    apart(found, (tops.pulse + 1.0) * spacing_m)
}

/// The weak peak with its edge at one place.
fn weak_peak(
    views: &[View<'_>],
    spans: &[Span],
    tops: &Tops,
    square: [f64; 2],
    z_m: f64,
) -> Option<Candidate> {
    let each = || views.iter().zip(spans).zip(&tops.shapes);
    let mut rough = 0.0;
    for (v, ((view, &span), shape)) in each().enumerate() {
        let x = view.index(z_m);
        let square = tops
            .rough(v, x, span)
            .or_else(|| rough_square(view, x, span, shape));
        rough += square.unwrap_or(0.0);
    }
    if rough < square[0] {
        return None;
    }
    let mut sum = 0.0;
    let mut directions = 0_usize;
    for ((view, &span), shape) in each() {
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
