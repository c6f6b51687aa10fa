//! Takes back what does not stand out between its neighbours.

use super::find::Finder;
use super::known::Dropped;
use super::mark::Mark;
use super::scan::test_at;
use super::view::Span;

impl Finder<'_> {
    /// Takes back what no longer stands out between its neighbours.
    pub fn prune(&self, marks: &mut Vec<Mark>) {
        self.remove(marks, &mut Dropped::new());
    }

    /// Locates every event again with windows up to its neighbours and removes
    /// those that are not significant there, the weakest first; takes note of them.
    pub(super) fn remove(&self, marks: &mut Vec<Mark>, dropped: &mut Dropped) -> bool {
        let mut any = false;
        loop {
            let mut weakest: Option<(usize, f64)> = None;
            for i in 0..marks.len() {
                if marks[i].strong || marks[i].parted {
                    continue;
                }
                let before = i.checked_sub(1).map(|k| &marks[k]);
                let spans = self.spans(before, marks.get(i + 1));
                let known = marks[i].judged.as_ref().filter(|j| j.0 == spans);
                let margin = if let Some((_, margin)) = known {
                    *margin
                } else {
                    let reach = self.reach(marks[i].std_error_m);
                    let Some(mut mark) = self.settle(&spans, marks[i].z_m, reach) else {
                        continue;
                    };
                    let margin = self.margin(&mark, &spans);
                    if !self.is_new(&mark, before, marks.get(i + 1)) {
                        mark = marks[i].clone();
                    }
                    mark.judged = Some((spans, margin));
                    marks[i] = mark;
                    margin
                };
                if margin < 0.0 && weakest.is_none_or(|w| margin < w.1) {
                    weakest = Some((i, margin));
                }
            }
            match weakest {
                Some((i, _)) => {
                    let mark = marks.remove(i);
                    if let Some((spans, _)) = mark.judged {
                        dropped.push((spans, mark.z_m));
                    }
                    any = true;
                }
                None => return any,
            }
        }
    }

    /// How far an event whose place has such an error may move when it is located again: three
    /// standard errors, two samples at least.
    pub(super) fn reach(&self, std_error_m: Option<f64>) -> f64 {
        let spacing = self.thresholds().spacing_m();
        std_error_m
            .filter(|e| e.is_finite())
            .map_or(8.0 * spacing, |e| (3.0 * e).max(2.0 * spacing))
    }

    /// The greatest statistic above its threshold within the error of the place; a
    /// reflection stays.
    ///
    /// The place is where the ramp fits best, and the threshold counts how often the
    /// statistic exceeds it at any place: so the greatest near by is what it is held to.
    fn margin(&self, mark: &Mark, spans: &[Span]) -> f64 {
        if mark.reflective.iter().any(|r| *r) {
            return f64::INFINITY;
        }
        self.looks(mark)
            .filter_map(|z_m| test_at(&self.views, spans, self.thresholds(), z_m))
            .map(|step| step.square - step.threshold)
            .max_by(f64::total_cmp)
            .unwrap_or(f64::INFINITY)
    }

    /// Places about a mark at which its statistic is looked for, as far as it may move.
    pub(super) fn looks(&self, mark: &Mark) -> impl Iterator<Item = f64> + use<> {
        let (z_m, reach) = (mark.z_m, self.reach(mark.std_error_m));
        (-LOOKS..=LOOKS).map(move |k| z_m + f64::from(k) / f64::from(LOOKS) * reach)
    }

    /// Whether a step at that place, by the same samples, was taken back before: it would be again.
    /// A reflection never is.
    pub(super) fn was_dropped(&self, mark: &Mark, spans: &[Span], dropped: &Dropped) -> bool {
        let is_near = |z_m: f64| (z_m - mark.z_m).abs() <= self.reach(mark.std_error_m);
        !mark.reflective.contains(&true)
            && dropped.iter().any(|(by, z_m)| by == spans && is_near(*z_m))
    }
}

/// Looks on each side of a place for its greatest statistic. Fewer may miss it, of an event that is
/// expected as well: that is looked for as any other then. More are only time.
const LOOKS: i32 = 4;

#[cfg(test)]
mod tests {
    use super::super::eye::Eye;
    use super::super::find::tests::{finder, made};
    use super::*;

    /// A mark may move by three standard errors of 2 m: 1 m is near, 30 m is not.
    #[test]
    fn what_was_taken_back_is_known_by_its_samples_and_its_place() {
        let eye = Eye::new(&made(4_000, &[], 0.004, 7));
        let finder = finder(&eye);
        let (mut marks, mut dropped) = (vec![finder.mark(3_000.0, Some(2.0))], Dropped::new());
        assert!(finder.remove(&mut marks, &mut dropped));
        assert!(marks.is_empty());
        let spans = finder.spans(None, None);
        let shorter = vec![Span {
            lo: spans[0].lo + 1,
            ..spans[0]
        }];
        let at = |z_m: f64| finder.mark(z_m, Some(2.0));
        assert!(finder.was_dropped(&at(dropped[0].1 + 1.0), &spans, &dropped));
        assert!(!finder.was_dropped(&at(dropped[0].1 + 1.0), &shorter, &dropped));
        assert!(!finder.was_dropped(&at(dropped[0].1 + 30.0), &spans, &dropped));
        let mut reflection = at(dropped[0].1);
        reflection.reflective[0] = true;
        assert!(!finder.was_dropped(&reflection, &spans, &dropped));
    }
}
