//! What a trace shows all along in windows of one length: worked out once for all the gaps
//! between events in which those windows lie whole.

use std::sync::{Arc, Mutex, PoisonError};

use super::eye::Eye;
use super::row::Row;
use super::sums::{Lines, SomeLines};
use super::view::{Span, View, before};

/// Edges whose greatest square is kept, and places of a row that are left out together by it: with
/// more, noise leaves few of them quiet.
pub(super) const BLOCK: usize = 16;

/// Edges of which the lines are worked out at once: so many stay in the nearest cache.
const LINES: usize = 512;

/// One view's squared statistic at every so many edges.
#[derive(Debug, PartialEq)]
pub(super) struct Sweep {
    /// Samples of the line on each side of an event.
    window: usize,
    /// Samples between the edge and the line behind it: those hidden, and up to a stride more.
    hidden: usize,
    /// Samples between the line before and the edge, at most.
    early: usize,
    /// Samples from one edge to the next.
    stride: usize,
    /// The square of every edge, from the trace's beginning; 0 where no line fits.
    squares: Vec<f32>,
    /// The greatest of every [`BLOCK`] of them.
    greatest: Vec<f32>,
}

/// What a sweep looks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Swept {
    /// Steps in windows of so many samples, at every so many edges.
    Steps(usize, usize),
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
            Swept::Steps(window, stride) => Sweep::steps(eye, window, stride, span),
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
    /// Steps of the level: at each edge the square of the step between the lines beside it.
    fn steps(eye: &Eye, window: usize, stride: usize, bound: Span) -> Self {
        let middle = eye.response.middle();
        let square = |first, before: SomeLines<'_>, after: SomeLines<'_>, squares: &mut [f64]| {
            for (k, square) in squares.iter_mut().enumerate() {
                let x = place(first, middle, k * stride);
                let ((level, u), (behind, v)) = (before.at(k, x), after.at(k, x));
                *square = (level - behind) * (level - behind) / (u + v);
            }
        };
        Self::of(eye, (window, stride), bound, square)
    }

    /// Reflections: at each edge the square of the mean over `top` samples behind it above
    /// the lines beside it, 0 where it lies below.
    #[expect(
        clippy::needless_bitwise_bool,
        reason = "without a branch several are worked out at once"
    )]
    fn peaks(eye: &Eye, window: usize, top: usize, bound: Span) -> Self {
        let sums = &eye.sums;
        let stride = (top / LOOKS_PER_TOP).max(1);
        let middle = 0.5 * (1.0 + top as f64);
        let square = |first, before: SomeLines<'_>, after: SomeLines<'_>, squares: &mut [f64]| {
            let n = squares.len();
            let (mut weight, mut sum) = ([0.0; LINES], [0.0; LINES]);
            let tops = (first + 1..).step_by(stride);
            for ((weight, sum), lo) in weight.iter_mut().zip(&mut sum).zip(tops).take(n) {
                [*weight, *sum, ..] = sums.of_window(lo, lo + top);
            }
            let (weight, sum) = (&weight[..n], &sum[..n]);
            for (k, square) in squares.iter_mut().enumerate() {
                let x = place(first, middle, k * stride);
                let ((level, u), (behind, v)) = (before.at(k, x), after.at(k, x));
                // Of mean and variance, both times the weight.
                let above = sum[k] - 0.5 * (level + behind) * weight[k];
                let is_above = (weight[k] > 0.0) & (above > 0.0);
                let found = above * above / (weight[k] * (1.0 + weight[k] * (0.25 * (u + v))));
                *square = if is_above { found } else { 0.0 };
            }
        };
        Self::of(eye, (window, stride), bound, square)
    }

    /// `square` fills in what many edges show, from the first of them on, by the lines before
    /// and behind each.
    fn of(
        eye: &Eye,
        (window, stride): (usize, usize),
        bound: Span,
        square: impl Fn(usize, SomeLines<'_>, SomeLines<'_>, &mut [f64]),
    ) -> Self {
        let hidden = eye.hidden_samples();
        let early = eye.response.early.max(0.0).ceil() as usize;
        // The line behind one edge is the one before another: it begins so many edges on.
        let apart = (window + early + hidden).div_ceil(stride);
        let mut squares = vec![0.0_f32; bound.hi.div_ceil(stride)];
        let from = (bound.lo + window + early)
            .saturating_sub(1)
            .div_ceil(stride);
        let to = (bound.hi + early)
            .saturating_sub(apart * stride)
            .div_ceil(stride);
        let mut lines = Lines::default();
        let mut found = [0.0; LINES];
        for first in (from..to).step_by(LINES) {
            let count = LINES.min(to - first);
            let lo = first * stride + 1 - window - early;
            eye.sums
                .lines(window, (lo, stride), count + apart, &mut lines);
            let found = &mut found[..count];
            let [before, after] = [0, apart].map(|k| lines.from(k, count).first(found.len()));
            square(first * stride, before, after, found);
            for (slot, found) in squares[first..].iter_mut().zip(found) {
                *slot = *found as f32;
            }
        }
        let greatest_of = |block: &[f32]| block.iter().fold(0.0, |m: f32, s| m.max(*s));
        Self {
            window,
            hidden: apart * stride - window - early,
            early,
            stride,
            greatest: squares.chunks(BLOCK).map(greatest_of).collect(),
            squares,
        }
    }

    /// Edges beside the places between two indices, by their numbers; none where the span's ends
    /// shorten a window of theirs.
    fn beside(&self, (x, y): (f64, f64), span: Span) -> Option<(usize, usize)> {
        let (first, last) = (
            before(x.min(y))? / self.stride,
            before(x.max(y))? / self.stride + 1,
        );
        let (lo, hi) = (first * self.stride, last * self.stride);
        let is_whole = lo + 1 >= span.lo + self.window + self.early
            && hi + 1 + self.hidden + self.window <= span.hi;
        is_whole.then_some((first, last))
    }

    /// The greater square of the edges beside an index; none where the span's ends shorten a
    /// window.
    fn at(&self, x: f64, span: Span) -> Option<f64> {
        let (first, last) = self.beside((x, x), span)?;
        let squares = self.squares.get(first..=last)?;
        Some(f64::from(squares.iter().fold(0.0, |m: f32, s| m.max(*s))))
    }

    /// The greatest between two indices, or more; none where the span's ends shorten a
    /// window.
    fn most(&self, ends: (f64, f64), span: Span) -> Option<f64> {
        let (first, last) = self.beside(ends, span)?;
        let blocks = self.greatest.get(first / BLOCK..=last / BLOCK)?;
        Some(f64::from(blocks.iter().fold(0.0, |m: f32, s| m.max(*s))))
    }
}

/// Index so far behind an edge, counted from another edge so many samples before it.
#[inline]
fn place(first: usize, behind: f64, samples: usize) -> f64 {
    // From 32 bits several indices are turned into numbers at once.
    first as f64 + behind + f64::from(samples as u32)
}

/// Edges looked at per length of a reflection's top: half a third off one of them, a reflection
/// has two thirds of its square left.
const LOOKS_PER_TOP: usize = 3;

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
    fn shows_the_statistic_of_every_edge() {
        // Second computation: the statistic of the view at each edge by itself, with as many
        // samples more hidden as the line behind begins later to be one that lies before another
        // edge. Rounding to 32 bits.
        for (early, stride) in [(0.0, 1), (0.6, 3), (2.0, 4)] {
            let eye = eye(early);
            let (window, span) = (32, Span { lo: 20, hi: 560 });
            let sweep = Sweep::steps(&eye, window, stride, span);
            let reach = window + early.ceil() as usize + eye.hidden_samples();
            let mut wider = eye.clone();
            wider.settling += reach.next_multiple_of(stride) - reach;
            let view = View::own(&wider);
            let mut compared = 0;
            for edge in (0..560_u32).step_by(stride) {
                let x = f64::from(edge);
                let exact = |x: f64| view.square_at_most(x, span, window);
                let (Some(here), Some(next)) = (exact(x), exact(x + stride as f64)) else {
                    continue;
                };
                let Some(seen) = sweep.at(x, span) else {
                    continue;
                };
                approx::assert_relative_eq!(seen, here.max(next), max_relative = 1e-5);
                let most = sweep.most((x - 3.0, x + 3.0), span);
                assert!(most.is_none_or(|most| most >= seen));
                compared += 1;
            }
            assert!(compared > 400 / stride, "{compared} edges");
        }
    }

    #[test]
    fn leaves_out_no_place_where_a_step_shows() {
        let eye = eye(0.0);
        let view = View::own(&eye);
        let span = Span { lo: 20, hi: 560 };
        let stride = 4;
        let sweeps = [Arc::new(Sweep::steps(&eye, 32, stride, span))];
        let (from_m, to_m) = (2.0 * 25.0, 2.0 * 550.0);
        let row = Row::new(from_m, to_m, 2.0);
        let least = 100.0;
        let kept: Vec<f64> = worth_a_look(&[view], &[span], &sweeps, row, least).collect();
        let square = |k: usize| view.square_at_most(view.index(row.place(k)), span, 32);
        let is_kept = |k: &usize| kept.iter().any(|z| (z - row.place(*k)).abs() < 1e-9);
        // Of a step that shows at a place the places about the nearest edges are kept.
        for k in stride..row.count - stride {
            let near = k - stride..=k + stride;
            let shows = near
                .clone()
                .all(|k| square(k).is_some_and(|s| s >= 1.3 * least));
            assert!(!shows || is_kept(&k), "{} is left out", row.place(k));
        }
        let shown = (0..row.count).filter(|&k| square(k).is_some_and(|s| s >= least));
        assert!(shown.count() > 20);
        assert!(kept.len() < 400, "{} of 526 places are kept", kept.len());
    }
}
