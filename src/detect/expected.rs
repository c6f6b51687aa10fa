//! Events at places where other traces have them.

use super::find::Finder;
use super::mark::Mark;
use super::scan::may_stand_out;

/// A place where an event may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Expected {
    /// The place on the axis, metres.
    pub(crate) z_m: f64,
    /// Its standard error, metres.
    pub(crate) error_m: f64,
}

/// Standard errors of its place within which an event lies for sure: it lies beyond three of them
/// once in 400 times. With fewer, what a trace shows would be drawn to where it is expected; with
/// more, it is only looked for.
const SURE: f64 = 3.0;

impl Finder<'_> {
    /// Adds to marks those of the expected events that stand out, each placed and judged by what
    /// lies between its neighbours.
    ///
    /// They need not be looked for: that is most of the time in which they are found. One that may
    /// lie elsewhere than about where it is expected is left to whoever looks for it everywhere:
    /// else what a trace shows by itself would be what the others have.
    pub(crate) fn add_expected(&self, marks: Vec<Mark>, expected: &[Expected]) -> Vec<Mark> {
        let free = self.unmarked(expected, &marks);
        let mut all = marks;
        all.extend(free.iter().map(|e| self.mark(e.z_m, Some(e.error_m))));
        all.sort_by(|a, b| a.z_m.total_cmp(&b.z_m));
        let shows = |i: usize| {
            let mark = &all[i];
            let spans = self.spans(i.checked_sub(1).map(|k| &all[k]), all.get(i + 1));
            let mut looks = self.looks(mark);
            looks.any(|z_m| may_stand_out(&self.views, &spans, self.thresholds(), z_m))
        };
        let mut marks: Vec<Mark> = (0..all.len())
            .filter(|&i| all[i].strong || shows(i))
            .map(|i| all[i].clone())
            .collect();
        self.prune(&mut marks);
        marks.retain(|mark| {
            let error_m = mark.std_error_m.unwrap_or(f64::INFINITY);
            let is_near = |e: &Expected| {
                let reach = self.reach(Some(e.error_m));
                (mark.z_m - e.z_m).abs() + SURE * error_m < reach
            };
            mark.strong || (mark.judged.is_some() && free.iter().any(is_near))
        });
        marks
    }

    /// Those of the expected events that no mark lies at.
    pub(super) fn unmarked(&self, expected: &[Expected], marks: &[Mark]) -> Vec<Expected> {
        let hidden_m = self.hidden_m();
        let is_free = |e: &&Expected| marks.iter().all(|m| (m.z_m - e.z_m).abs() > hidden_m);
        expected.iter().filter(is_free).copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::eye::Eye;
    use super::super::find::tests::{finder, made};
    use super::*;

    /// Truth: the generator, steps at 4,000, 9,001 and 14,000.5 m. Two are expected a metre off
    /// where they are, one 30 m off, which is no place of its own but where the search ended, and
    /// one where there is none. Tolerance: σ/d·√(w·h) = 0.9 m to 0.5 m, four times that.
    #[test]
    fn what_is_expected_where_it_is_need_not_be_looked_for() {
        let steps = [(4_000.0, 0.08), (9_001.0, -0.05), (14_000.5, 0.3)];
        let eye = Eye::new(&made(10_000, &steps, 0.004, 1));
        let finder = finder(&eye);
        let expected =
            [3_999.0, 6_500.0, 9_002.0, 14_030.5].map(|z_m| Expected { z_m, error_m: 4.0 });
        let places = |marks: &[Mark]| marks.iter().map(|m| m.z_m).collect::<Vec<f64>>();
        let added = finder.add_expected(Vec::new(), &expected);
        for (found, truth) in places(&added).iter().zip([4_000.0, 9_001.0]) {
            assert!((found - truth).abs() < 3.6, "{found} for {truth}");
        }
        assert_eq!(added.len(), 2, "{:?}", places(&added));
        // The rest is found by looking, and all of it where it is found without.
        let (with, without) = (finder.glance(added), finder.glance(Vec::new()));
        assert_eq!(with.len(), 3, "{:?}", places(&with));
        for (one, other) in places(&with).iter().zip(places(&without)) {
            // The same samples: as near as the search looks, an eighth of an eighth of 2 m.
            assert!((one - other).abs() < 0.1, "{one} and {other}");
        }
    }
}
