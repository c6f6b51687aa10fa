//! What a search has settled and need not look at again.

use std::cell::RefCell;
use std::collections::HashMap;

use super::mark::Mark;
use super::view::Span;

/// What would come out the same again.
#[derive(Debug, Default)]
pub(super) struct Known {
    pub(super) quiet: Quiet,
    /// What came of a peak at a place, in fractions of a sample, by the samples around it:
    /// most are no peaks, and are met again in every gap.
    pub(super) peaks: Peaks,
    pub(super) dropped: Dropped,
}

/// Marks that were taken back: the samples by which each was judged, and its place.
pub(super) type Dropped = Vec<(Vec<Span>, f64)>;

/// Spans whose ends differ by less than this part of a window show the same: a line over the
/// window gains or loses at most a sixteenth of its samples. Not tied to the stride of the looks.
const SAME: usize = 16;

/// Windows (0 for weak peaks) and spans in which nothing settled.
#[derive(Debug, Default)]
pub(super) struct Quiet(HashMap<usize, Vec<Vec<Span>>>);

impl Quiet {
    pub(super) fn add(&mut self, window: usize, spans: Vec<Span>) {
        self.0.entry(window).or_default().push(spans);
    }

    /// Whether nothing settled in these spans, or in ones whose ends lie nearer than that part of
    /// the window.
    pub(super) fn holds(&self, window: usize, spans: &[Span]) -> bool {
        let slack = (window / SAME).saturating_sub(1);
        let is_near = |a: usize, b: usize| a.abs_diff(b) <= slack;
        let is_same = |quiet: &Vec<Span>| {
            let mut ends = quiet.iter().zip(spans);
            ends.all(|(q, s)| is_near(q.lo, s.lo) && is_near(q.hi, s.hi))
        };
        self.0
            .get(&window)
            .is_some_and(|all| all.iter().any(is_same))
    }
}

/// What came of peaks by samples and place.
pub(super) type Peaks = RefCell<HashMap<(Vec<Span>, i64), Option<Mark>>>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_hold_for_those_nearer_than_a_sixteenth_of_the_window() {
        let span = |lo: usize| vec![Span { lo, hi: 900 }];
        let mut quiet = Quiet::default();
        for window in [0, 64] {
            quiet.add(window, span(100));
        }
        assert!(quiet.holds(64, &span(103)) && quiet.holds(64, &span(97)));
        assert!(!quiet.holds(64, &span(104)) && !quiet.holds(32, &span(100)));
        assert!(quiet.holds(0, &span(100)) && !quiet.holds(0, &span(101)));
    }
}
