//! The most that a trace can show at every place, in windows of one length: worked out
//! once for all the gaps between events in which those windows lie whole.

use std::sync::{Arc, Mutex, PoisonError};

use super::eye::Eye;
use super::row::Row;
use super::sums::{Lines, SomeLines};
use super::view::{Span, View, before};

/// Edges whose greatest square is kept.
pub(super) const BLOCK: usize = 8;

/// Edges of which the lines are worked out at once: so many stay in the nearest cache.
const LINES: usize = 512;

/// Share by which a square is kept too great: more than rounding to 32 bits takes off.
const ROUNDED: f64 = 1.0 + 1e-6;

/// At every edge, the most that one view's squared statistic can be up to the next one.
#[derive(Debug, PartialEq)]
pub(super) struct Sweep {
    /// Samples of the line on each side of an event.
    window: usize,
    /// Samples between the edge and the line behind it.
    hidden: usize,
    /// Samples between the line before and the edge, at most.
    early: usize,
    /// The square of every edge; 0 where no line fits.
    squares: Vec<f32>,
    /// The greatest of every [`BLOCK`] of them.
    greatest: Vec<f32>,
}

/// What a sweep looks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Swept {
    /// Steps in windows of so many samples.
    Steps(usize),
    /// Reflections by lines and tops of so many samples.
    Peaks(usize, usize),
}

/// Sweeps of one eye, kept for whoever asks for the same again.
#[derive(Debug, Default)]
pub(super) struct Sweeps(Mutex<Vec<Kept>>);

/// A sweep with what it was made for.
#[derive(Debug)]
struct Kept {
    what: Swept,
    /// Samples looked through, samples that an event hides, and those before its edge.
    of: (Span, usize, f64),
    sweep: Arc<Sweep>,
}

impl Sweeps {
    /// The sweep over the samples of a span.
    pub(super) fn of(eye: &Eye, what: Swept, span: Span) -> Arc<Sweep> {
        let of = (span, eye.hidden_samples(), eye.response.early);
        let mut kept = (eye.sweeps.0.lock()).unwrap_or_else(PoisonError::into_inner);
        if let Some(same) = kept.iter().find(|k| k.what == what && k.of == of) {
            return Arc::clone(&same.sweep);
        }
        let sweep = Arc::new(match what {
            Swept::Steps(window) => Sweep::steps(eye, window, span),
            Swept::Peaks(window, top) => Sweep::peaks(eye, window, top, span),
        });
        kept.push(Kept {
            what,
            of,
            sweep: Arc::clone(&sweep),
        });
        sweep
    }
}

impl Sweep {
    /// Steps of the level: at each edge the most that
    /// [`View::square_at_most`](super::view::View) can be up to the next edge.
    pub(super) fn steps(eye: &Eye, window: usize, bound: Span) -> Self {
        let middle = eye.response.middle();
        Self::of(eye, window, bound, |first, before, after, squares| {
            let (before, after) = (before.first(squares.len()), after.first(squares.len()));
            for (k, square) in squares.iter_mut().enumerate() {
                // From 32 bits several indices are turned into numbers at once.
                let x = first as f64 + middle + f64::from(k as u32);
                let y = x + 1.0;
                let here = before.level[k] + before.slope[k] * (x - before.centre[k])
                    - (after.level[k] + after.slope[k] * (x - after.centre[k]));
                let next = here + (before.slope[k] - after.slope[k]);
                let (here, next) = (here * here, next * next);
                let most = if next > here { next } else { here };
                // Both parabolas are least at the place between x and y next to their centres.
                let least = |lines: &SomeLines<'_>| {
                    let centre = lines.centre[k];
                    let from = if centre < x { x } else { centre };
                    let off = if from > y { y } else { from } - centre;
                    lines.level_variance[k] + lines.slope_variance[k] * off * off
                };
                *square = most / (least(&before) + least(&after));
            }
        })
    }

    /// Reflections: at each edge the square of the mean over `top` samples behind it above
    /// the lines beside it, 0 where it lies below.
    #[expect(
        clippy::needless_bitwise_bool,
        reason = "without a branch several are worked out at once"
    )]
    pub(super) fn peaks(eye: &Eye, window: usize, top: usize, bound: Span) -> Self {
        let sums = &eye.sums;
        Self::of(eye, window, bound, |first, before, after, squares| {
            let n = squares.len();
            let (before, after) = (before.first(n), after.first(n));
            let near = sums.running(first + 1, n).iter().rev();
            let far = sums.running(first + 1 + top, n).iter().rev();
            let (mut weight, mut sum) = ([0.0; LINES], [0.0; LINES]);
            for ((weight, sum), (near, far)) in weight.iter_mut().zip(&mut sum).zip(near.zip(far)) {
                (*weight, *sum) = (near[0] - far[0], near[1] - far[1]);
            }
            let (weight, sum) = (&weight[..n], &sum[..n]);
            for (k, square) in squares.iter_mut().enumerate() {
                let middle = first as f64 + 0.5 * (1.0 + top as f64) + f64::from(k as u32);
                let (x, y) = (middle - before.centre[k], middle - after.centre[k]);
                let lines = 0.5
                    * (before.level[k]
                        + before.slope[k] * x
                        + (after.level[k] + after.slope[k] * y));
                // Of mean and variance, both times the weight.
                let above = sum[k] - lines * weight[k];
                let of_lines = before.level_variance[k]
                    + before.slope_variance[k] * x * x
                    + (after.level_variance[k] + after.slope_variance[k] * y * y);
                let is_above = (weight[k] > 0.0) & (above > 0.0);
                let found = above * above / (weight[k] * (1.0 + weight[k] * (0.25 * of_lines)));
                *square = if is_above { found } else { 0.0 };
            }
        })
    }

    /// `square` fills in what many edges show, from the first of them on, by the lines before
    /// and behind each.
    fn of(
        eye: &Eye,
        window: usize,
        bound: Span,
        square: impl Fn(usize, SomeLines<'_>, SomeLines<'_>, &mut [f64]),
    ) -> Self {
        let hidden = eye.hidden_samples();
        // The line before ends at a sample that depends on where between two the edge lies.
        let ahead = eye.response.early.max(0.0);
        let (least, most) = (ahead.floor() as usize, ahead.ceil() as usize);
        let mut squares = vec![0.0_f32; bound.hi];
        let from = (bound.lo + window + most).saturating_sub(1);
        let to = bound.hi.saturating_sub(hidden + window);
        let mut lines = Lines::default();
        let (mut found, mut other) = ([0.0; LINES], [0.0; LINES]);
        for first in (from..to).step_by(LINES) {
            let count = LINES.min(to - first);
            let lo = first + 1 - window - most;
            let hi = first + count + hidden + window;
            eye.sums.lines(window, lo, hi, &mut lines);
            let before = |ahead: usize| lines.from(most - ahead, count);
            let after = lines.from(first + 1 + hidden - lo, count);
            let found = &mut found[..count];
            square(first, before(least), after, found);
            if most > least {
                let other = &mut other[..count];
                square(first, before(most), after, other);
                for (found, other) in found.iter_mut().zip(other) {
                    *found = found.max(*other);
                }
            }
            for (slot, found) in squares[first..].iter_mut().zip(found) {
                *slot = (*found * ROUNDED) as f32;
            }
        }
        let greatest_of = |block: &[f32]| block.iter().fold(0.0, |m: f32, s| m.max(*s));
        Self {
            window,
            hidden,
            early: most,
            greatest: squares.chunks(BLOCK).map(greatest_of).collect(),
            squares,
        }
    }

    /// Whether the windows of all edges from `lo` to `hi` lie whole inside a span.
    fn is_whole(&self, lo: usize, hi: usize, span: Span) -> bool {
        lo + 1 >= span.lo + self.window + self.early
            && hi + 1 + self.hidden + self.window <= span.hi
    }

    /// The square at an index; none where the span's ends shorten a window.
    fn at(&self, x: f64, span: Span) -> Option<f64> {
        let edge = before(x)?;
        let whole = self.is_whole(edge, edge, span);
        whole.then(|| f64::from(self.squares.get(edge).copied().unwrap_or(0.0)))
    }

    /// The greatest between two indices, or more; none where the span's ends shorten a
    /// window.
    fn most(&self, (x, y): (f64, f64), span: Span) -> Option<f64> {
        let (lo, hi) = (before(x.min(y))?, before(x.max(y))?);
        let most = |b: &[f32]| f64::from(b.iter().fold(0.0, |m: f32, s| m.max(*s)));
        self.is_whole(lo, hi, span).then(|| {
            let blocks = self.greatest.get(lo / BLOCK..=hi / BLOCK);
            blocks.map_or(0.0, most)
        })
    }
}

/// The places of a row at which the sweeps of all views together leave room for a statistic of
/// `least` and more.
pub(super) fn worth_a_look(
    views: &[View<'_>],
    spans: &[Span],
    sweeps: &[Arc<Sweep>],
    row: Row,
    least: f64,
) -> impl Iterator<Item = f64> {
    let each = move || views.iter().zip(spans).zip(sweeps);
    let is_quiet = move |first: usize, last: usize| {
        let most = each().map(|((view, &span), sweep)| {
            let ends = (view.index(row.place(first)), view.index(row.place(last)));
            sweep.most(ends, span)
        });
        most.sum::<Option<f64>>().is_some_and(|most| most < least)
    };
    let is_quiet_at = move |z_m: f64| {
        let squares = each().map(|((view, &span), sweep)| sweep.at(view.index(z_m), span));
        squares
            .sum::<Option<f64>>()
            .is_some_and(|most| most < least)
    };
    let last = row.count - 1;
    (0..row.count)
        .step_by(BLOCK)
        .map(move |first| (first, (first + BLOCK - 1).min(last)))
        .filter(move |&(first, last)| !is_quiet(first, last))
        .flat_map(move |(first, last)| (first..=last).map(move |k| row.place(k)))
        .filter(move |z_m| !is_quiet_at(*z_m))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::trace::{Header, Trace};
    use crate::units::{GroupIndex, PulseWidth, Wavelength};
    use ndarray::Array1;

    /// Falling levels with a step, a peak and a wobble that stands in for noise.
    pub(in crate::detect) fn eye(early: f64) -> Eye {
        eye_of(early, 100.0)
    }

    /// The same with a pulse of so many nanoseconds.
    pub(in crate::detect) fn eye_of(early: f64, pulse_ns: f64) -> Eye {
        let levels = (0..600).map(|i| {
            let wobble = f64::from((i * 7919) % 1000) * 2e-6;
            let step = if i > 250 { 0.2 } else { 0.0 };
            let peak = if (400..408).contains(&i) { 0.1 } else { 0.0 };
            -10.0 - 4e-4 * f64::from(i) - step + peak + wobble
        });
        let header = Header {
            wavelength: Some(Wavelength::from_nm(1550.0)),
            pulse_width: Some(PulseWidth::from_ns(pulse_ns)),
            group_index: Some(GroupIndex::from_ratio(1.468)),
            ..Header::default()
        };
        let distances = Array1::from_iter((0..600).map(|i| f64::from(i) * 2.0));
        let trace = Trace::new(header, distances, levels.collect()).unwrap();
        let mut eye = Eye::new(&trace);
        eye.response.early = early;
        eye
    }

    /// A view of an eye against the axis, a little off its samples and their spacing.
    pub(in crate::detect) fn turned(eye: &Eye) -> View<'_> {
        View {
            eye,
            at_zero: 598.3,
            per_metre: -0.4997,
        }
    }

    #[test]
    fn never_less_than_the_statistic_and_hardly_more() {
        // Second computation: the statistic of the view, place by place. Between two edges it
        // changes by what a sample moves it, so the bound may be above by a part of that.
        for early in [0.0, 0.6, 2.0] {
            let eye = eye(early);
            let view = View::own(&eye);
            let span = Span { lo: 20, hi: 560 };
            let sweep = Sweep::steps(&eye, 32, span);
            let mut close = 0;
            for k in 0..2_000 {
                let x = 80.0 + 0.2 * f64::from(k);
                let Some(exact) = view.square_at_most(x, span, 32) else {
                    continue;
                };
                let bound = sweep.at(x, span).unwrap();
                assert!(
                    bound >= exact,
                    "{bound} below {exact} at {x}, early {early}"
                );
                let ends = (x - 3.0, x + 3.0);
                assert!(sweep.most(ends, span).unwrap() >= bound);
                close += usize::from(bound < 1.2 * exact + 1.0);
            }
            assert!(close > 1_000, "only {close} of 2,000 bounds are of use");
        }
    }

    #[test]
    fn leaves_out_only_places_that_cannot_matter() {
        let eye = eye(0.0);
        let view = View::own(&eye);
        let span = Span { lo: 20, hi: 560 };
        let sweeps = [Arc::new(Sweep::steps(&eye, 32, span))];
        let (from_m, to_m) = (2.0 * 25.0, 2.0 * 550.0);
        let least = 100.0;
        let row = Row::new(from_m, to_m, 2.0);
        let kept: Vec<f64> = worth_a_look(&[view], &[span], &sweeps, row, least).collect();
        for k in 0..=525 {
            let z_m = from_m + 2.0 * f64::from(k);
            let square = view.square_at_most(view.index(z_m), span, 32);
            let matters = square.is_some_and(|s| s >= least);
            let is_kept = kept.iter().any(|z| (z - z_m).abs() < 1e-9);
            assert!(is_kept || !matters, "{z_m} is left out");
        }
        assert!(kept.len() < 400, "{} of 526 places are kept", kept.len());
    }
}
