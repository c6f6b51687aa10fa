//! Events that lie too close for a line of fibre between them: told apart, or not.

use crate::detect::{DetectSettings, Finder, Mark, Pair, PairRange, PairSearch, Shape, Stretch};

use super::joint::Joint;
use super::readings::RESOLVED_PULSES;

/// Pulse lengths within which two events disturb each other's lines: in less than two and
/// a half a free slope is not worth having, and the ramp takes one more.
const DISTURB: f64 = 4.0;

/// Pulse lengths around the events in which both are looked for.
const AROUND: f64 = 2.0;

impl Joint {
    /// Fits neighbours that lie close together anew, both at once, and sees whether an
    /// event whose surroundings scatter beyond their noise is two.
    ///
    /// One at a time, the line beside the one takes in the other, and both settle where
    /// neither is.
    pub(super) fn part_close(&mut self, settings: DetectSettings) {
        let mut i = 0;
        while i < self.marks.len() {
            let close = i + 1 < self.marks.len()
                && self.marks[i + 1].z_m - self.marks[i].z_m < DISTURB * self.pulse_m();
            let count = if close { 2 } else { 1 };
            let new = {
                let finder = self.finder(settings);
                if close || !self.marks[i].strong && strained(&finder, &self.marks, i) {
                    self.refit(&finder, i, count)
                } else {
                    None
                }
            };
            match new {
                Some(marks) => {
                    let after = i + marks.len();
                    self.marks.splice(i..i + count, marks);
                    i = after;
                }
                None => i += 1,
            }
        }
    }

    /// The marks that should stand in place of `count` marks from `i` on: two, where a fit
    /// of two beats that of one beyond chance; none where they stay as they are.
    fn refit(&self, finder: &Finder<'_>, i: usize, count: usize) -> Option<Vec<Mark>> {
        let old = &self.marks[i..i + count];
        let before = i.checked_sub(1).map(|k| &self.marks[k]);
        let spans = finder.spans(before, self.marks.get(i + count));
        let (first, last) = (old.first()?, old.last()?);
        let pulse_m = self.pulse_m();
        let reflects = |m: &Mark| m.reflective.iter().any(|r| *r);
        let views = self.views();
        let search = PairSearch {
            views: &views,
            spans: &spans,
            peaks: [reflects(first), reflects(last)],
        };
        let range = PairRange {
            from_m: first.z_m - AROUND * pulse_m,
            to_m: last.z_m + AROUND * pulse_m,
            least_gap_m: RESOLVED_PULSES * pulse_m,
        };
        let start = if count == 2 {
            [first.z_m, last.z_m]
        } else {
            [first.z_m, first.z_m + range.least_gap_m]
        };
        let pair = search.locate(&range, start)?;
        let [step, peak] = Stretch::new(&views, &spans).locate(range.from_m, range.to_m)?;
        let shape = if old.iter().any(reflects) {
            Shape::Peak
        } else {
            Shape::Step
        };
        let single = if shape == Shape::Peak { peak } else { step };
        let told = single.chi_square - pair.chi_square > finder.least_square() * pair.misfit;
        if !told || pair.z_m[1] - pair.z_m[0] < range.least_gap_m {
            return None;
        }
        Some(self.as_marks(finder, &pair, &search, [first, last]))
    }

    /// Two marks at the places of a pair.
    fn as_marks(
        &self,
        finder: &Finder<'_>,
        pair: &Pair,
        search: &PairSearch<'_, '_>,
        old: [&Mark; 2],
    ) -> Vec<Mark> {
        let losses = search.losses(pair.z_m);
        [0, 1]
            .map(|k| {
                // A strong peak's own edge is known better than its ramp.
                let place = if old[k].strong {
                    old[k].z_m
                } else {
                    pair.z_m[k]
                };
                let mut mark = finder.mark(place, Some(pair.std_error_m[k]));
                if old[k].strong {
                    mark = old[k].clone();
                }
                mark.reflective.clone_from(&old[k].reflective);
                mark.parted = true;
                for (slot, losses) in mark.significance.iter_mut().zip(&losses) {
                    if let Some(losses) = losses {
                        *slot = Some(losses[k].0 / losses[k].1.sqrt());
                    }
                }
                mark
            })
            .to_vec()
    }
}

/// Whether the samples around a mark scatter beyond their noise about what one event makes
/// of them, in any view: by more than four standard errors of chance.
fn strained(finder: &Finder<'_>, marks: &[Mark], i: usize) -> bool {
    let before = i.checked_sub(1).map(|k| &marks[k]);
    let spans = finder.spans(before, marks.get(i + 1));
    finder.views.iter().zip(&spans).any(|(view, &span)| {
        let x = view.index(marks[i].z_m);
        let window = (AROUND * view.eye.pulse_samples).ceil() as usize + FEWEST;
        let (Some(fit), Some((left, right)), Some(sides)) = (
            crate::detect::fit_at(view, x, span),
            view.lines(x, span, window),
            view.sides(x, span, window),
        ) else {
            return false;
        };
        let samples = |s: crate::detect::Span| s.hi - s.lo;
        let freedom = (samples(sides.0) + samples(sides.1) + fit.ramp.1)
            .saturating_sub(5)
            .max(1);
        let square = left.chi_square + right.chi_square + fit.ramp.0;
        let freedom = freedom as f64;
        square > freedom + 4.0 * (2.0 * freedom).sqrt()
    })
}

/// Fewest samples of a line.
const FEWEST: usize = 6;
