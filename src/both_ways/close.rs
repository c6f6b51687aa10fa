//! Events that lie too close for a line of fibre between them: told apart, or not.

use crate::detect::{
    DetectSettings, Finder, Mark, Pair, PairRange, PairSearch, Span, Stretch, fit_at,
};
use crate::measure::RESOLVED_PULSES;

use super::joint::Joint;

/// Pulse lengths beyond twice how long an event answers within which two events as found one at a
/// time may disturb each other: in less than two and a half a free slope is not worth having,
/// and either may have settled as far from its place as it answers, and a pulse and a half.
const DISTURB: f64 = 4.0;

/// Pulse lengths beyond how long an event answers below which two events surely disturb each other:
/// two and a half for a line.
const SHORT: f64 = 2.5;

/// Pulse lengths beyond how long an event answers, around the events, in which both are looked for.
const AROUND: f64 = 1.0;

/// Most marks in a row that may be two events: the two, and one before, between and behind them
/// that was put up to make up for what they bend.
const MOST: usize = 5;

/// Gain of χ² from which two events are told from one: a place and a loss in each trace
/// more, by chance once in ten thousand.
const TOLD: f64 = 25.0;

/// Share of a pulse by which the two must lie farther apart than the least.
const NOT_AT_END: f64 = 0.01;

/// Misfit below which two events explain all that there is.
const FITS_WELL: f64 = 1.5;

/// Pulse lengths between two events as found, below which they are looked for as near as
/// this: nearer than they can be told apart they are one group.
const GROUPED: f64 = 0.5;

/// Pulse lengths beyond how long an event answers within which neighbours whose surroundings
/// scatter beyond their noise are one group: what the one takes of the other's ramp ends there.
const MINGLED: f64 = 3.5;

/// Two marks and how badly they fit.
struct Refit {
    marks: Vec<Mark>,
    misfit: f64,
}

impl Joint {
    /// Fits neighbours that lie close together anew, both at once, and sees whether an
    /// event whose surroundings scatter beyond their noise is two.
    ///
    /// One at a time, the line beside the one takes in the other, and both settle where
    /// neither is; a third may have been put beside them to make up for it.
    pub(super) fn part_close(&mut self, settings: DetectSettings) {
        let mut i = 0;
        let mut any = false;
        while i < self.marks.len() {
            let new = {
                let finder = self.finder(settings);
                self.as_two(&finder, i)
            };
            match new {
                Some((count, marks)) => {
                    self.marks.splice(i..i + count, marks);
                    i += 2;
                    any = true;
                }
                None => i += 1,
            }
        }
        if any {
            let mut marks = std::mem::take(&mut self.marks);
            self.finder(settings).prune(&mut marks);
            self.marks = marks;
        }
        self.mingle(settings);
    }

    /// Makes one group of close neighbours that were not told apart and around which more
    /// is left than noise: neither place nor loss of either is what it seems.
    fn mingle(&mut self, settings: DetectSettings) {
        let mut mingled = vec![false; self.marks.len()];
        {
            let finder = self.finder(settings);
            let reach_m = self.answer_m() + MINGLED * self.pulse_m();
            for (i, pair) in self.marks.windows(2).enumerate() {
                let close = pair[1].z_m - pair[0].z_m < reach_m;
                let told = pair.iter().all(|m| m.parted);
                let left = || [i, i + 1].into_iter().filter(|&k| !self.marks[k].strong);
                mingled[i + 1] =
                    close && !told && left().any(|k| strained(&finder, &self.marks, k));
            }
        }
        for (mark, mingled) in self.marks.iter_mut().zip(mingled) {
            mark.mingled = mingled;
        }
    }

    /// How many marks from `i` on are better told as two, and those two.
    ///
    /// A strong peak stays where its edges are seen sample by sample, and must be explained
    /// well: what a shape that is not quite the receiver's leaves of it is more than a
    /// neighbour's ramp can bear. Nor is one reflection taken for two: its tail would be the
    /// second.
    fn as_two(&self, finder: &Finder<'_>, i: usize) -> Option<(usize, Vec<Mark>)> {
        let (answer_m, pulse_m) = (self.answer_m(), self.pulse_m());
        let reach_m = 2.0 * answer_m + DISTURB * pulse_m;
        let short_m = answer_m + SHORT * pulse_m;
        let close = |k: usize| {
            let (Some(one), Some(next)) = (self.marks.get(k), self.marks.get(k + 1)) else {
                return false;
            };
            let gap_m = next.z_m - one.z_m;
            let strained = || [k, k + 1].iter().any(|&k| strained(finder, &self.marks, k));
            gap_m < reach_m && !(one.strong && next.strong) && (gap_m < short_m || strained())
        };
        let together = 1 + (i..).take(MOST - 1).take_while(|&k| close(k)).count();
        if together == 1 {
            let is_two = !reflects(&self.marks[i]) && strained(finder, &self.marks, i);
            let two = is_two.then(|| self.refit(finder, i, 1)).flatten()?;
            return Some((1, two.marks));
        }
        let mut best: Option<(usize, Refit)> = None;
        for count in 2..=together {
            let better = |p: &Refit| {
                p.misfit < FITS_WELL
                    || (best.as_ref()).is_none_or(|(_, q)| 4.0 * p.misfit < q.misfit)
            };
            if let Some(refit) = self.refit(finder, i, count).filter(better) {
                best = Some((count, refit));
            }
        }
        best.map(|(count, two)| (count, two.marks))
    }

    /// How long an event answers at most, metres: the pulse, and until the receiver has settled.
    fn answer_m(&self) -> f64 {
        let views = self.views();
        let answers = views
            .iter()
            .map(|v| (v.eye.pulse_samples + v.eye.settling as f64) / v.per_metre.abs());
        answers.fold(0.0, f64::max)
    }

    /// The two marks that should stand in place of `count` marks from `i` on, where a fit
    /// of two beats that of one beyond chance; none where they stay as they are.
    fn refit(&self, finder: &Finder<'_>, i: usize, count: usize) -> Option<Refit> {
        let old = &self.marks[i..i + count];
        let before = i.checked_sub(1).map(|k| &self.marks[k]);
        let spans = finder.spans(before, self.marks.get(i + count));
        let (first, last) = (old.first()?, old.last()?);
        let pulse_m = self.pulse_m();
        let around_m = self.answer_m() + AROUND * pulse_m;
        let views = self.views();
        let search = PairSearch {
            views: &views,
            spans: &spans,
            peaks: [reflects(first), reflects(last)],
        };
        let least = if count > 1 { GROUPED } else { RESOLVED_PULSES };
        let range = PairRange {
            from_m: first.z_m - around_m,
            to_m: last.z_m + around_m,
            least_gap_m: least * pulse_m,
        };
        let start = if count > 1 {
            [first.z_m, last.z_m]
        } else {
            [first.z_m, first.z_m + range.least_gap_m]
        };
        let pair = search.locate(&range, start)?;
        let strong = old.iter().any(|m| m.strong);
        if strong && (count > 2 || pair.misfit > FITS_WELL) {
            return None;
        }
        let [step, peak] = Stretch::new(&views, &spans).locate(range.from_m, range.to_m)?;
        let single = if old.iter().any(reflects) { peak } else { step };
        let told = single.chi_square - pair.chi_square > TOLD * pair.misfit;
        // At the end of the search, within the error of the gap, it is not a place but where the
        // search ended.
        let gap_m = pair.z_m[1] - pair.z_m[0];
        let [first_error, second_error] = pair.std_error_m;
        let within_m = (NOT_AT_END * pulse_m).max(first_error.hypot(second_error));
        let placed = within_m.is_finite() && gap_m > range.least_gap_m + within_m;
        let losses = search.losses(pair.z_m);
        let shows = |k: usize| {
            let squares = losses.iter().flatten().map(|l| (l[k].0.powi(2), l[k].1));
            let mut clear = squares.filter(|(square, variance)| *square > TOLD * variance);
            search.peaks[k] || clear.any(|(_, variance)| variance > 0.0)
        };
        (told && placed && shows(0) && shows(1)).then(|| Refit {
            misfit: pair.misfit,
            marks: Self::as_marks(finder, &pair, losses, [first, last]),
        })
    }

    /// Two marks at the places of a pair.
    fn as_marks(
        finder: &Finder<'_>,
        pair: &Pair,
        losses: [Option<[(f64, f64); 2]>; 2],
        old: [&Mark; 2],
    ) -> Vec<Mark> {
        [0, 1]
            .map(|k| {
                let mut mark = if old[k].strong {
                    old[k].clone()
                } else {
                    let mut mark = finder.mark(pair.z_m[k], Some(pair.std_error_m[k]));
                    mark.reflective.clone_from(&old[k].reflective);
                    mark
                };
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

/// Whether a reflection stands at a mark in any view.
fn reflects(mark: &Mark) -> bool {
    mark.strong || mark.reflective.iter().any(|r| *r)
}

/// Whether the samples around a mark scatter beyond their noise about what one event makes
/// of them, in any view: by more than four standard errors of chance.
fn strained(finder: &Finder<'_>, marks: &[Mark], i: usize) -> bool {
    let before = i.checked_sub(1).map(|k| &marks[k]);
    let spans = finder.spans(before, marks.get(i + 1));
    finder.views.iter().zip(&spans).any(|(view, &span)| {
        let x = view.index(marks[i].z_m);
        let pulses = ((1.0 + BESIDE) * view.eye.pulse_samples).ceil() as usize;
        let window = pulses + view.eye.settling + FEWEST;
        let (Some(fit), Some((left, right)), Some(sides)) = (
            fit_at(view, x, span),
            view.lines(x, span, window),
            view.sides(x, span, window),
        ) else {
            return false;
        };
        let samples = |s: Span| s.hi - s.lo;
        let freedom = (samples(sides.0) + samples(sides.1) + fit.ramp.1)
            .saturating_sub(5)
            .max(1);
        let square = left.chi_square + right.chi_square + fit.ramp.0;
        let freedom = freedom as f64;
        square > freedom + 4.0 * (2.0 * freedom).sqrt()
    })
}

/// Pulse lengths beyond how long an event answers over which the surroundings of another are looked
/// at: the whole of what it would draw there.
const BESIDE: f64 = 1.0;

/// Fewest samples of a line.
const FEWEST: usize = 6;
