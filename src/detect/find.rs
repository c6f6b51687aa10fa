//! Finds the events of one direction, or of two on one axis.

use std::sync::Arc;

use super::alike::{is_alone, is_seen_alike};
use super::gap::Fit;
use super::known::{Dropped, Known, Peaks, Quiet};
use super::mark::{DetectSettings, Mark};
use super::peaks::{Tops, height_db, weak_peaks};
use super::profile::{Place, Stretch};
use super::scan::{Candidate, Thresholds, shortest_window, square_at, steps, stride};
use super::squares::squares_at;
use super::sweep::{Sweep, Sweeps, Swept};
use super::view::{FEWEST, Span, View};

/// Rounds of scanning and removing; each round can only sharpen the last, and
/// three have always sufficed to come to rest.
const ROUNDS: usize = 4;

/// Looks over the reach of a candidate that narrow it down to where a step is likely.
const LOOKS: f64 = 32.0;

/// Fall of the statistic from its greatest value beyond which a step is not there: a
/// likelihood of e⁻⁹.
const UNLIKELY: f64 = 18.0;

/// Fractions of a sample within which two places are the same.
const SAME_PLACE: f64 = 1024.0;

/// Finder over views with a common axis.
pub struct Finder<'a> {
    /// The directions.
    pub views: Vec<View<'a>>,
    /// Per view, the samples between its port's dead zone and its end.
    pub bounds: Vec<Span>,
    thresholds: Thresholds,
    /// Squared thresholds of weak peaks, in one view and in two: a mean over the n samples
    /// of a pulse has c = 1/n.
    peak_square: [f64; 2],
}

impl std::fmt::Debug for Finder<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Finder")
            .field("bounds", &self.bounds)
            .finish_non_exhaustive()
    }
}

impl<'a> Finder<'a> {
    /// A finder; `bounds` holds the usable samples of each view.
    pub fn new(views: Vec<View<'a>>, bounds: Vec<Span>, settings: DetectSettings) -> Self {
        let spacing_m = views
            .iter()
            .map(|v| 1.0 / v.per_metre.abs())
            .fold(f64::INFINITY, f64::min);
        let longest = bounds.iter().map(|b| b.hi.saturating_sub(b.lo)).max();
        let rate = settings.false_events_per_1000_km;
        let pulse = views
            .iter()
            .map(|v| v.eye.pulse_samples)
            .fold(1.0, f64::max);
        let of_peaks = squares_at(rate * spacing_m / 1e6);
        Self {
            thresholds: Thresholds::new(rate, longest.unwrap_or(0).max(16), spacing_m),
            peak_square: [1, 2].map(|n| of_peaks.square(1.0 / pulse, n)),
            views,
            bounds,
        }
    }

    /// The least squared threshold on a step that shows in both of two views: that of the
    /// longest windows.
    pub fn least_square(&self) -> f64 {
        self.thresholds.least(2)
    }

    pub(super) fn thresholds(&self) -> &Thresholds {
        &self.thresholds
    }

    /// Samples of each view between two neighbouring marks.
    pub fn spans(&self, before: Option<&Mark>, after: Option<&Mark>) -> Vec<Span> {
        self.views
            .iter()
            .enumerate()
            .map(|(v, view)| {
                let (first, second) = if view.is_forward() {
                    (before, after)
                } else {
                    (after, before)
                };
                let bound = self.bounds[v];
                // An event outside the view's reach still ends the stretch there.
                let outside =
                    |m: &Mark| (view.index(m.z_m).max(0.0) as usize).clamp(bound.lo, bound.hi);
                let lo = first.map_or(bound.lo, |m| {
                    m.blocks[v].map_or_else(|| outside(m), |b| b.1)
                });
                let hi = second.map_or(bound.hi, |m| {
                    m.blocks[v].map_or_else(|| outside(m), |b| b.0 + 1)
                });
                let (lo, hi) = (lo.max(bound.lo), hi.min(bound.hi));
                Span { lo, hi: hi.max(lo) }
            })
            .collect()
    }

    /// Places on the axis that at least one span covers.
    fn range(&self, spans: &[Span]) -> Option<(f64, f64)> {
        self.views
            .iter()
            .zip(spans)
            .filter(|(_, s)| s.hi > s.lo + 2 * FEWEST)
            .map(|(v, s)| {
                let (a, b) = (v.place(s.lo as f64), v.place(s.hi as f64 - 1.0));
                (a.min(b), a.max(b))
            })
            .reduce(|x, y| (x.0.min(y.0), x.1.max(y.1)))
    }

    /// A mark at a place, hiding what each view's pulse hides there.
    pub fn mark(&self, z_m: f64, std_error_m: Option<f64>) -> Mark {
        let blocks = self
            .views
            .iter()
            .zip(&self.bounds)
            .map(|(view, bound)| {
                let x = view.index(z_m);
                let inside = x > bound.lo as f64 - 1.0 && x < bound.hi as f64;
                inside.then(|| {
                    // Two standard errors of the place stay out of the lines,
                    // at most a pulse.
                    let guard = std_error_m.map_or(0.0, |e| {
                        (2.0 * e * view.per_metre.abs()).min(view.eye.pulse_samples)
                    });
                    let lo = (x - guard - view.eye.response.early).max(0.0) as usize;
                    let hi = (x + guard) as usize + 1 + view.eye.hidden_samples();
                    (lo, hi)
                })
            })
            .collect();
        Mark {
            z_m,
            std_error_m,
            blocks,
            reflective: vec![false; self.views.len()],
            strong: false,
            significance: vec![None; self.views.len()],
            parted: false,
            mingled: false,
            judged: None,
        }
    }

    /// The parts of spans within `reach_m` of a place.
    pub(super) fn near(&self, spans: &[Span], z_m: f64, reach_m: f64) -> Vec<Span> {
        self.views
            .iter()
            .zip(spans)
            .map(|(view, span)| {
                let x = view.index(z_m);
                let reach = reach_m * view.per_metre.abs();
                let lo = span.lo.max((x - reach).max(0.0) as usize);
                let hi = span.hi.min((x + reach).max(0.0) as usize);
                Span { lo, hi: hi.max(lo) }
            })
            .collect()
    }

    /// Best place within `reach` of a candidate, and whether a peak stands there
    /// beyond chance. All places are judged by the same samples: those of `spans`.
    pub(super) fn settle(&self, spans: &[Span], z: f64, reach: f64) -> Option<Mark> {
        let (lo, hi) = self.range(spans)?;
        let (from, to) = ((z - reach).max(lo), (z + reach).min(hi));
        let mut stretch = Stretch::new(&self.views, spans);
        let worth = |directions: usize| self.peak_square[directions.clamp(1, 2) - 1];
        let least_worth = worth(1).min(worth(2));
        let (mut step, with_peak) = stretch.bottoms_worth((from, to), least_worth)?;
        let is_better = |peak: &Place, step: &Place, misfit: f64| {
            let directions = peak.fits.iter().flatten().count();
            step.chi_square - peak.chi_square > misfit * worth(directions)
        };
        // Where even the peak leaves a misfit, the shape is not known well enough to
        // call a small difference a peak; a misfit is at least 1.
        let mut peak = with_peak
            .filter(|p| is_better(p, &step, 1.0))
            .map(|p| stretch.plateau(p))
            .filter(|p| is_better(p, &step, p.misfit()))
            .filter(|p| is_seen_alike(&p.fits) || is_alone(&p.fits));
        if let Some(found) = &peak {
            // A peak makes up for a place that is off: no step within a pulse may do as well.
            let pulse = self.pulse_m();
            let (from, to) = (found.z_m - pulse, found.z_m + pulse);
            let other = stretch.best_step(from.max(lo), to.min(hi))?;
            if !is_better(found, &other, found.misfit()) {
                (peak, step) = (None, other);
            }
        }
        let is_peak = peak.is_some();
        let misfit = peak.as_ref().map_or(1.0, Place::misfit);
        let place = peak.unwrap_or_else(|| stretch.widened(step));
        let std_error = place.std_error_m;
        let mut mark = self.mark(place.z_m, Some(std_error));
        for v in 0..self.views.len() {
            if let Some(fit) = &place.fits[v] {
                mark.reflective[v] = is_peak
                    && fit.peak > 0.0
                    && fit.peak_gain > misfit * self.peak_square[0].min(12.0);
                mark.significance[v] = Some(fit.loss_db / fit.loss_variance.sqrt());
                self.let_linger(&mut mark, v, fit, is_peak);
            }
        }
        Some(mark)
    }

    /// The part of `from..to` in which a step may lie whose statistic is greatest
    /// there: elsewhere it is less by more than [`UNLIKELY`].
    fn likely(&self, spans: &[Span], from: f64, to: f64) -> (f64, f64) {
        let spacing = self.thresholds.spacing_m();
        let stride = ((to - from) / (LOOKS * spacing)).floor().max(1.0) * spacing;
        let looks: Vec<(f64, f64)> = (0..=((to - from) / stride) as usize)
            .filter_map(|k| {
                let z = from + k as f64 * stride;
                Some((z, square_at(&self.views, spans, z)?))
            })
            .collect();
        let most = looks.iter().fold(0.0_f64, |m, l| m.max(l.1));
        // The greatest lies between two looks, where it may be a seventh more.
        let likely = |l: &&(f64, f64)| l.1 > 0.85 * most - UNLIKELY;
        let first = looks.iter().find(likely).map_or(from, |l| l.0 - stride);
        let last = looks.iter().rev().find(likely).map_or(to, |l| l.0 + stride);
        (first.max(from), last.min(to))
    }

    /// Hides more behind an event in one view while the receiver's answer to it still
    /// shows above the noise.
    fn let_linger(&self, mark: &mut Mark, v: usize, fit: &Fit, is_peak: bool) {
        let eye = self.views[v].eye;
        let Some((lo, hi)) = mark.blocks[v] else {
            return;
        };
        let weight = eye.weight.get(lo).copied().unwrap_or(0.0);
        if weight <= 0.0 {
            return;
        }
        // In decibels: a small peak's height, and the part of the step's ramp that
        // the receiver draws behind the pulse.
        let peak_db = if is_peak { height_db(fit.peak) } else { 0.0 };
        let step_db = fit.loss_db * eye.response.pole / eye.response.pulse;
        let more = eye
            .response
            .lingering(peak_db.abs() + step_db.abs(), (1.0 / weight).sqrt());
        mark.blocks[v] = Some((lo, hi + more));
    }

    /// Finds all events: starts from `known` marks (strong peaks), adds what stands
    /// out between them, takes back what no longer does.
    pub fn find(&self, known: Vec<Mark>) -> Vec<Mark> {
        let shortest = shortest_window(&self.views);
        // One view after the other, while its sums are at hand.
        let views = self.views.iter().zip(&self.bounds).enumerate();
        let swept = views.map(|(v, (view, bound))| {
            let tops = Sweeps::of(view.eye, Tops::swept(&self.views, v), *bound);
            let steps = Sweeps::of(view.eye, Swept::Steps(shortest, stride(shortest)), *bound);
            (tops, steps)
        });
        let (tops, sweeps): (Vec<Arc<Sweep>>, Vec<Arc<Sweep>>) = swept.unzip();
        let tops = Tops::new(&self.views, tops);
        self.settled(known, |marks, known| {
            let added = self.add_peaks(marks, &tops, known);
            self.add_steps(marks, (shortest, Some(&sweeps)), known, |_| true) || added
        })
    }

    /// What stays of the marks when adding and taking back come to rest.
    pub(super) fn settled(
        &self,
        mut marks: Vec<Mark>,
        add: impl Fn(&mut Vec<Mark>, &mut Known) -> bool,
    ) -> Vec<Mark> {
        let mut known = Known::default();
        for _ in 0..ROUNDS {
            marks.sort_by(|a, b| a.z_m.total_cmp(&b.z_m));
            let added = add(&mut marks, &mut known);
            let removed = self.remove(&mut marks, &mut known.dropped);
            if !added && !removed {
                break;
            }
        }
        marks
    }

    /// Samples that the view with the most of them has.
    pub(super) fn longest(&self) -> usize {
        let lengths = self.bounds.iter().map(|b| b.hi.saturating_sub(b.lo));
        lengths.max().unwrap_or(0)
    }

    /// Adds reflections that stand out between the marks.
    fn add_peaks(&self, marks: &mut Vec<Mark>, tops: &Tops, known: &mut Known) -> bool {
        let Known {
            quiet,
            peaks,
            dropped,
        } = known;
        let spacing = self.thresholds.spacing_m();
        self.add_by(
            marks,
            (quiet, 0, dropped),
            |spans, range| weak_peaks(&self.views, spans, tops, self.peak_square, spacing, range),
            |spans, peak| self.settle_peak(spans, peak, peaks),
        )
    }

    /// Adds steps that stand out between the marks, in windows that double in length, where the
    /// samples between two `may` hold one; `sweeps` are those of the first window.
    pub(super) fn add_steps(
        &self,
        marks: &mut Vec<Mark>,
        (first, sweeps): (usize, Option<&[Arc<Sweep>]>),
        known: &mut Known,
        may: impl Fn(&[Span]) -> bool,
    ) -> bool {
        let Known { quiet, dropped, .. } = known;
        let longest = self.longest();
        let mut added = false;
        let mut window = first;
        loop {
            let swept = (window, sweeps.filter(|_| window == first));
            added |= self.add_by(
                marks,
                (quiet, window, dropped),
                |spans, range| {
                    let look = || steps(&self.views, spans, &self.thresholds, range, swept);
                    may(spans).then(look).unwrap_or_default()
                },
                |spans, step| self.settle_step(spans, step),
            );
            if window > longest {
                return added;
            }
            window *= 2;
        }
    }

    /// Looks between all neighbouring marks and adds, gap by gap, every candidate that
    /// settles, the strongest first; where some did not, the new gaps are looked at too.
    ///
    /// The candidates of one look lie too far apart for one to change what the others' windows
    /// show, so that they are taken together.
    fn add_by(
        &self,
        marks: &mut Vec<Mark>,
        (quiet, window, dropped): (&mut Quiet, usize, &Dropped),
        look: impl Fn(&[Span], (f64, f64)) -> Vec<Candidate>,
        settle: impl Fn(&[Span], &Candidate) -> Option<Mark>,
    ) -> bool {
        let mut added = false;
        let mut gap = 0;
        while gap <= marks.len() {
            let spans = self.spans(gap.checked_sub(1).map(|i| &marks[i]), marks.get(gap));
            if quiet.holds(window, &spans) {
                gap += 1;
                continue;
            }
            let range = self.range(&spans);
            let found = range.map_or_else(Vec::new, |range| look(&spans, range));
            let (mut settled, mut end) = (false, gap);
            for candidate in &found {
                let at = gap + marks[gap..end].partition_point(|m| m.z_m < candidate.z_m);
                let before = at.checked_sub(1).map(|i| &marks[i]);
                let after = marks.get(at);
                let between = self.spans(before, after);
                let Some(mark) = settle(&between, candidate) else {
                    continue;
                };
                if self.was_dropped(&mark, &between, dropped) {
                    continue;
                }
                settled = true;
                if self.is_new(&mark, before, after) {
                    let at = gap + marks[gap..end].partition_point(|m| m.z_m < mark.z_m);
                    marks.insert(at, mark);
                    end += 1;
                }
            }
            if !settled {
                quiet.add(window, spans);
            }
            added |= end > gap;
            let is_done = end == gap || end - gap == found.len();
            gap = if is_done { end + 1 } else { gap };
        }
        added
    }

    /// The reflection that made a candidate, if it is one.
    fn settle_peak(&self, spans: &[Span], peak: &Candidate, peaks: &Peaks) -> Option<Mark> {
        let reach = peak.window as f64 * self.thresholds.spacing_m() + 2.0 * self.hidden_m();
        let near = self.near(spans, peak.z_m, 2.0 * reach);
        let place = (self.views[0].index(peak.z_m) * SAME_PLACE).round() as i64;
        let mut peaks = peaks.borrow_mut();
        let settled = peaks.entry((near, place)).or_insert_with_key(|(near, _)| {
            let mark = self.settle(near, peak.z_m, reach);
            mark.filter(|mark| mark.reflective.contains(&true))
        });
        settled.clone()
    }

    /// The step that made a candidate: it may lie anywhere in the two windows.
    fn settle_step(&self, spans: &[Span], step: &Candidate) -> Option<Mark> {
        let reach = step.window as f64 * self.thresholds.spacing_m() + 2.0 * self.hidden_m();
        let near = self.near(spans, step.z_m, 2.0 * reach);
        let (from, to) = self.likely(&near, step.z_m - reach, step.z_m + reach);
        self.settle(&near, f64::midpoint(from, to), (to - from) / 2.0)
    }

    /// The longest pulse of the views, metres.
    fn pulse_m(&self) -> f64 {
        let lengths = (self.views.iter()).map(|v| v.eye.pulse_samples / v.per_metre.abs());
        lengths.fold(0.0, f64::max)
    }

    /// What an event hides at most behind its leading edge, metres.
    pub(super) fn hidden_m(&self) -> f64 {
        self.views
            .iter()
            .map(|v| v.eye.hidden_samples() as f64 / v.per_metre.abs())
            .fold(0.0, f64::max)
    }

    /// Whether a mark stands apart from its neighbours by more than a sample.
    pub(super) fn is_new(&self, mark: &Mark, before: Option<&Mark>, after: Option<&Mark>) -> bool {
        let apart = |other: Option<&Mark>| {
            other.is_none_or(|m| (m.z_m - mark.z_m).abs() > 1.5 * self.thresholds.spacing_m())
        };
        apart(before) && apart(after)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::detect::eye::Eye;
    use crate::trace::{Header, Trace};
    use crate::units::{GroupIndex, PulseWidth, Wavelength};
    use ndarray::Array1;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Straight fibre of 0.2 dB/km at 2 m spacing, 100 ns, with steps at given
    /// places: pulse integral in closed form per sample, Gaussian noise in power.
    pub(in crate::detect) fn made(n: usize, events: &[(f64, f64)], sigma: f64, seed: u64) -> Trace {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let w = PulseWidth::from_ns(100.0)
            .footprint(GroupIndex::from_ratio(1.468))
            .m();
        let levels: Vec<f64> = (0..n)
            .map(|i| {
                let z = i as f64 * 2.0;
                let parts = 32;
                let p: f64 = (0..parts)
                    .map(|k| {
                        let x = z - w * (f64::from(k) + 0.5) / f64::from(parts);
                        let lost: f64 = events.iter().filter(|e| e.0 < x).map(|e| e.1).sum();
                        10f64.powf(-(0.2e-3 * x + lost) / 5.0)
                    })
                    .sum::<f64>()
                    / f64::from(parts);
                let normal: f64 = StandardNormal.sample(&mut rng);
                5.0 * (p + sigma * normal).abs().max(1e-9).log10()
            })
            .collect();
        let header = Header {
            wavelength: Some(Wavelength::from_nm(1550.0)),
            pulse_width: Some(PulseWidth::from_ns(100.0)),
            group_index: Some(GroupIndex::from_ratio(1.468)),
            ..Header::default()
        };
        Trace::new(
            header,
            Array1::from_iter((0..n).map(|i| i as f64 * 2.0)),
            Array1::from_vec(levels),
        )
        .unwrap()
    }

    fn find(trace: &Trace) -> Vec<Mark> {
        finder(&Eye::new(trace)).find(Vec::new())
    }

    /// A finder over all of a trace that can be used.
    pub(in crate::detect) fn finder(eye: &Eye) -> Finder<'_> {
        let bound = Span {
            lo: eye.peaks[0].settled,
            hi: eye.usable_end,
        };
        Finder::new(vec![View::own(eye)], vec![bound], DetectSettings::default())
    }

    #[test]
    fn finds_losers_and_gainers_where_they_are() {
        let trace = made(
            10_000,
            &[(4_000.0, 0.08), (9_001.0, -0.05), (14_000.5, 0.3)],
            0.004,
            1,
        );
        let marks = find(&trace);
        let places: Vec<f64> = marks.iter().map(|m| m.z_m).collect();
        assert_eq!(places.len(), 3, "{places:?}");
        // Truth: the generator. Tolerance: σ/d·√(w·h) = 0.01·√20/0.05 = 0.9 m to
        // 0.5 m, four times that.
        for (found, truth) in places.iter().zip([4_000.0, 9_001.0, 14_000.5]) {
            assert!((found - truth).abs() < 3.6, "{found} for {truth}");
        }
    }

    #[test]
    fn finds_nothing_in_plain_fibre() {
        for seed in 0..20 {
            let marks = find(&made(10_000, &[], 0.004, 100 + seed));
            assert!(marks.is_empty(), "seed {seed}: {marks:?}");
        }
    }
}
