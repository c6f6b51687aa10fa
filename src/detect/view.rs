//! One or two directions on a common axis.

use super::eye::Eye;
use super::sums::Line;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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
    /// Samples before and after.
    pub samples: (usize, usize),
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

    /// Level lines before and after an event whose leading edge is at index `x`,
    /// each over at most `window` samples inside `span`.
    pub fn lines(&self, x: f64, span: Span, window: usize) -> Option<(Line, Line, (usize, usize))> {
        let edge = before(x)?;
        let left_hi = (edge + 1).min(span.hi);
        let left_lo = span.lo.max(left_hi.saturating_sub(window));
        let right_lo = (edge + 1 + self.eye.hidden_samples()).max(span.lo);
        let right_hi = span.hi.min(right_lo.saturating_add(window));
        if left_hi < left_lo + FEWEST || right_hi < right_lo + FEWEST {
            return None;
        }
        Some((
            self.eye.sums.line(left_lo, left_hi)?,
            self.eye.sums.line(right_lo, right_hi)?,
            (left_hi - left_lo, right_hi - right_lo),
        ))
    }

    /// Step at index `x`, both lines drawn to the middle of the pulse's ramp: there
    /// a difference of the two slopes moves the step least, and not at all in the mean.
    pub fn step(&self, x: f64, span: Span, window: usize) -> Option<Step> {
        let (left, right, samples) = self.lines(x, span, window)?;
        let middle = x + self.eye.response.middle();
        Some(Step {
            loss_db: left.at(middle) - right.at(middle),
            variance: left.variance_at(middle) + right.variance_at(middle),
            samples,
        })
    }
}

/// Last sample at or before an index; none outside the trace.
pub(crate) fn before(x: f64) -> Option<usize> {
    (0.0..1e9).contains(&x).then_some(x as usize)
}
