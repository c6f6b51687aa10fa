//! A quick look that is enough to lay two traces on each other.

use std::cell::RefCell;
use std::collections::HashMap;

use super::expected::Expected;
use super::find::Finder;
use super::mark::Mark;
use super::scan::shortest_window;
use super::view::Span;

/// A glance begins with eight times the shortest window (doubled so often), but with no more
/// than a part of the trace: of two events nearer to each other than that it may see neither.
const GLANCE_DOUBLED: usize = 3;

/// Least number of windows of a glance's first length in a trace.
const GLANCE_PARTS: usize = 64;

/// Standard errors of what noise leaves of samples about a line from which it is more than noise:
/// one gap in seven hundred by chance.
const BEYOND_NOISE: f64 = 3.0;

impl Finder<'_> {
    /// Finds the steps that long windows show: those far from their neighbours. It starts
    /// from `known` marks and takes a small part of the time of [`Self::find`]; enough to
    /// lay two traces on each other.
    pub fn glance(&self, known: Vec<Mark>) -> Vec<Mark> {
        self.glance_where(known, |_| true)
    }

    /// [`Self::glance`] at what is left where the `known` marks hold those of the expected events
    /// that show for sure: it looks where another is expected, and where a line through the
    /// samples leaves more than noise.
    pub(crate) fn glance_beside(&self, known: Vec<Mark>, expected: &[Expected]) -> Vec<Mark> {
        let open = self.unmarked(expected, &known);
        let is_in = |spans: &[Span], z_m: f64| {
            let mut views = self.views.iter().zip(spans);
            views.any(|(v, s)| (s.lo as f64..s.hi as f64).contains(&v.index(z_m)))
        };
        let holds_one = |spans: &[Span]| open.iter().any(|e| is_in(spans, e.z_m));
        // The same in windows of any length.
        let judged: RefCell<HashMap<Vec<Span>, bool>> = RefCell::default();
        self.glance_where(known, |spans| {
            let mut judged = judged.borrow_mut();
            let judge = |spans: &Vec<Span>| holds_one(spans) || self.is_uneven(spans);
            *judged.entry(spans.to_vec()).or_insert_with_key(judge)
        })
    }

    fn glance_where(&self, known: Vec<Mark>, may: impl Fn(&[Span]) -> bool) -> Vec<Mark> {
        let most = self.longest() / GLANCE_PARTS;
        let mut window = shortest_window(&self.views);
        for _ in 0..GLANCE_DOUBLED {
            if 2 * window <= most {
                window *= 2;
            }
        }
        self.settled(known, |marks, known| {
            self.add_steps(marks, (window, None), known, &may)
        })
    }

    /// Whether a line through the samples of some view leaves more of them than noise does.
    ///
    /// Of n samples this misses a step in their middle of less than d, d² = 16·3·√(2/n) of the
    /// noise of one sample: a noise and a third of it in 1,800 samples, half of it in 50,000.
    /// What a line through such a step puts off in a linearised level is (d/2)²·ln10/10, less than
    /// a tenth of what that noise itself does; both traces together are looked through for it
    /// later. The correlation of the noise is taken for the middle of the gap: too small a one is
    /// only slower.
    fn is_uneven(&self, spans: &[Span]) -> bool {
        let mut views = self.views.iter().zip(spans);
        views.any(|(view, span)| {
            let eye = view.eye;
            let Some(line) = eye.sums.line(span.lo, span.hi.max(span.lo)) else {
                return false;
            };
            let weights = eye.weight[span.lo..span.hi.max(span.lo)].iter();
            let freedom = weights.filter(|w| **w > 0.0).count() as f64 - 2.0;
            // The weights are by the noise of long means, which single samples share in part.
            let power = eye.power_at(&line);
            let correlation = eye.noise.density(power) / eye.noise.variance(power);
            let expected = freedom / correlation;
            let spread = (2.0 * correlation.max(1.0) / freedom).sqrt();
            line.chi_square > expected * (1.0 + BEYOND_NOISE * spread)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::expected::Expected;
    use super::super::eye::Eye;
    use super::super::find::tests::{finder, made};

    /// Truth: the generator, one step of 0.01 dB, too small for its 7,000 samples to be uneven by.
    /// It is found where something is expected beside it, and else left to whoever looks at both
    /// traces; one of a tenth of a decibel is found in either case.
    #[test]
    fn even_gaps_are_looked_through_where_something_is_expected() {
        let found = |step_db: f64, places: &[f64]| {
            let eye = Eye::new(&made(7_000, &[(6_000.0, step_db)], 0.004, 5));
            let place = |&z_m: &f64| Expected { z_m, error_m: 2.0 };
            let expected: Vec<Expected> = places.iter().map(place).collect();
            finder(&eye).glance_beside(Vec::new(), &expected).len()
        };
        assert_eq!((found(0.01, &[]), found(0.01, &[7_000.0])), (0, 1));
        assert_eq!((found(0.1, &[]), found(0.1, &[7_000.0])), (1, 1));
    }

    /// Noise alone is more than three standard errors of itself once in 700 times; a step of ten
    /// standard errors of a sample is more in every trace.
    #[test]
    fn plain_fibre_is_even_and_a_step_makes_it_uneven() {
        let is_uneven = |steps: &[(f64, f64)], seed: u64| {
            let eye = Eye::new(&made(4_000, steps, 0.004, seed));
            let finder = finder(&eye);
            finder.is_uneven(&finder.bounds)
        };
        let uneven = (0..40).filter(|seed| is_uneven(&[], 300 + seed)).count();
        assert!(uneven <= 1, "{uneven} of 40");
        assert!((0..10).all(|seed| is_uneven(&[(4_000.0, 0.1)], 400 + seed)));
    }
}
