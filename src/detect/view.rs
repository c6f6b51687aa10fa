//! One or two directions on a common axis.

use super::eye::Eye;
use super::sums::{Line, Sums};

/// Fewest samples of a line: below this its scatter cannot be told.
pub(crate) const FEWEST: usize = 6;

/// An eye on the common axis, metres from wherever the caller counts.
///
/// Index = `at_zero` + `per_metre`·z; `per_metre` is negative for the direction
/// that travels against the axis.
#[derive(Debug, Clone, Copy)]
pub struct View<'a> {
    /// The direction.
    pub eye: &'a Eye,
    /// Sample index at the axis's zero.
    pub at_zero: f64,
    /// Samples per metre of the axis, signed.
    pub per_metre: f64,
}

/// The samples of one view that two neighbouring events leave to what lies
/// between them, in the view's own travel: `lo..hi`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Span {
    /// First sample.
    pub lo: usize,
    /// One past the last sample.
    pub hi: usize,
}

/// Step of the level at a place, from one line before and one after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Loss in dB: positive when the level falls.
    pub loss_db: f64,
    /// Its variance in dB².
    pub variance: f64,
    /// How fast loss over standard error changes with the place: fall of its
    /// correlation per sample.
    pub change: f64,
}

impl Step {
    /// Loss over its standard error, squared.
    pub fn square(&self) -> f64 {
        self.loss_db * self.loss_db / self.variance
    }
}

impl<'a> View<'a> {
    /// The view of an eye whose own metres from the port are the axis.
    pub fn own(eye: &'a Eye) -> Self {
        Self {
            eye,
            at_zero: eye.index(0.0),
            per_metre: 1.0 / eye.spacing_m,
        }
    }

    /// Sample index of a place on the axis.
    pub fn index(&self, z_m: f64) -> f64 {
        self.at_zero + self.per_metre * z_m
    }

    /// Place on the axis of a sample index.
    pub fn place(&self, index: f64) -> f64 {
        (index - self.at_zero) / self.per_metre
    }

    /// Whether the light travels along the axis.
    pub fn is_forward(&self) -> bool {
        self.per_metre > 0.0
    }

    /// Samples before and after an event whose leading edge is at index `x`, at most
    /// `window` on each side inside `span`; none where a side has fewer than `FEWEST`.
    pub fn sides(&self, x: f64, span: Span, window: usize) -> Option<(Span, Span)> {
        let edge = before(x)?;
        let last = before(x - self.eye.response.early)?;
        let left_hi = (last + 1).min(span.hi);
        let left_lo = span.lo.max(left_hi.saturating_sub(window));
        let right_lo = (edge + 1 + self.eye.hidden_samples()).max(span.lo);
        let right_hi = span.hi.min(right_lo.saturating_add(window));
        if left_hi < left_lo + FEWEST || right_hi < right_lo + FEWEST {
            return None;
        }
        let side = |lo, hi| Span { lo, hi };
        Some((side(left_lo, left_hi), side(right_lo, right_hi)))
    }

    /// Level lines before and after an event whose leading edge is at index `x`,
    /// each over at most `window` samples inside `span`.
    pub fn lines(&self, x: f64, span: Span, window: usize) -> Option<(Line, Line)> {
        let (left, right) = self.sides(x, span, window)?;
        let sums = &self.eye.sums;
        Some((sums.line(left.lo, left.hi)?, sums.line(right.lo, right.hi)?))
    }

    /// Step at index `x`, both lines drawn to the middle of the pulse's ramp: there
    /// a difference of the two slopes moves the step least, and not at all in the mean.
    pub fn step(&self, x: f64, span: Span, window: usize) -> Option<Step> {
        let beside = Beside::of(self, x, span, window)?;
        let Beside {
            left,
            right,
            before,
            after,
            middle,
        } = beside;
        let variance = beside.strained_variance();
        let pulls = [(&before, left.hi - 1), (&after, right.lo)]
            .map(|(line, edge)| self.pull(line, edge, middle));
        Some(Step {
            loss_db: beside.loss_db(),
            variance,
            change: change(pulls, (right.lo - left.hi) as f64, variance),
        })
    }

    /// The square of [`Self::step`].
    pub(super) fn square(&self, x: f64, span: Span, window: usize) -> Option<f64> {
        let beside = Beside::of(self, x, span, window)?;
        Some(beside.loss_db().powi(2) / beside.strained_variance())
    }

    /// The most that [`Self::square`] can be: without what strain adds to its variance.
    pub(super) fn square_at_most(&self, x: f64, span: Span, window: usize) -> Option<f64> {
        let beside = Beside::by(self, x, span, window, Sums::line_alone)?;
        let variance =
            beside.before.variance_at(beside.middle) + beside.after.variance_at(beside.middle);
        Some(beside.loss_db().powi(2) / variance)
    }

    /// What one standard error of sample `i` does to a line's level at `x`.
    fn pull(&self, line: &Line, i: usize, x: f64) -> f64 {
        let lever = line.slope_variance * (x - line.centre) * (i as f64 - line.centre);
        self.eye.weight[i].sqrt() * (line.level_variance + lever)
    }
}

/// Two lines beside a place.
struct Beside {
    left: Span,
    right: Span,
    before: Line,
    after: Line,
    /// Index of the middle of the pulse's ramp.
    middle: f64,
}

impl Beside {
    #[inline]
    fn of(view: &View<'_>, x: f64, span: Span, window: usize) -> Option<Self> {
        Self::by(view, x, span, window, Sums::line)
    }

    /// The same by lines without what is not asked for.
    #[inline]
    fn by(
        view: &View<'_>,
        x: f64,
        span: Span,
        window: usize,
        line: impl Fn(&Sums, usize, usize) -> Option<Line>,
    ) -> Option<Self> {
        let (left, right) = view.sides(x, span, window)?;
        let sums = &view.eye.sums;
        Some(Self {
            left,
            right,
            before: line(sums, left.lo, left.hi)?,
            after: line(sums, right.lo, right.hi)?,
            middle: x + view.eye.response.middle(),
        })
    }

    fn loss_db(&self) -> f64 {
        self.before.at(self.middle) - self.after.at(self.middle)
    }

    fn strained_variance(&self) -> f64 {
        let side = |line: &Line, side: Span| {
            line.variance_at(self.middle) * strain(line, side.hi - side.lo)
        };
        side(&self.before, self.left) + side(&self.after, self.right)
    }
}

/// How much more than its noise the samples scatter about a line, as a factor on its
/// variance: the tail of a strong reflection is no line, and a bend of it is no step. One
/// unless the scatter is beyond three standard errors of what chance makes of it.
fn strain(line: &Line, samples: usize) -> f64 {
    let freedom = samples.saturating_sub(2).max(1) as f64;
    (line.chi_square / freedom / (1.0 + 3.0 * (2.0 / freedom).sqrt())).max(1.0)
}

/// Fall of the correlation at which the rate of false events is counted: a maximum
/// above u is decided where the correlation has fallen by 1.5/u², with u about 5. A
/// change of u from 4 to 6 moves the rate by less than a fifth.
const DECIDED: f64 = 0.06;

/// Fall per sample of the correlation of a step statistic with itself moved on: with
/// b₁ and b₂ the pulls of the two edge samples, g samples hidden between them and E
/// the variance, moving by k > g samples changes it by (g·(b₁² + b₂²) + (k − g)·(b₁ + b₂)²)/2E,
/// by k·(b₁² + b₂²)/2E before; taken at the k that gives [`DECIDED`].
fn change(pulls: [f64; 2], gap: f64, variance: f64) -> f64 {
    let apart = pulls[0] * pulls[0] + pulls[1] * pulls[1];
    let together = (pulls[0] + pulls[1]).powi(2);
    let twice = 2.0 * variance;
    if DECIDED * twice <= gap * apart {
        apart / twice
    } else {
        let lag = (DECIDED * twice + gap * (together - apart)) / together.max(f64::MIN_POSITIVE);
        DECIDED / lag.max(1e-9)
    }
}

/// Last sample at or before an index; none outside the trace.
pub(crate) fn before(x: f64) -> Option<usize> {
    (0.0..1e9).contains(&x).then_some(x as usize)
}
