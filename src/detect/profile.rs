//! Likelihood of an event's place: two lines, the pulse's ramp between them, and
//! a pulse-shaped peak if there is one.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use super::gap::{Fit, Gaps};
use super::response::Answers;
use super::view::{Span, View, before};

/// Fits an event with its leading edge at index `x` (a fraction allowed) to the samples of
/// `span`.
pub fn fit_at(view: &View<'_>, x: f64, span: Span) -> Option<Fit> {
    Gaps::default().fit((view, span), x, &mut Answers::of(view.eye.response))
}

/// The most likely place of an event, over all views.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Place on the axis in metres.
    pub z_m: f64,
    /// Standard error in metres from the ramp's information, widened by the misfit; of a place
    /// that was located, the spread of its likelihood where that is more. Infinite without any.
    pub std_error_m: f64,
    /// χ² there, summed over the views.
    pub chi_square: f64,
    /// The fit of each view (there are one or two), where it could be made.
    pub fits: [Option<Fit>; 2],
}

impl Place {
    /// χ² per sample of the ramps, at least 1: how much worse than its noise the
    /// model fits there.
    pub fn misfit(&self) -> f64 {
        misfit(self.fits.iter().flatten().map(|f| f.ramp), 2)
    }
}

/// χ² per sample over ramps with so many fitted numbers, at least 1.
pub(super) fn misfit(ramps: impl Iterator<Item = (f64, usize)>, parameters: usize) -> f64 {
    let (square, samples) = ramps.fold((0.0, 0), |(s, n), ramp| (s + ramp.0, n + ramp.1));
    if samples > parameters {
        (square / (samples - parameters) as f64).max(1.0)
    } else {
        1.0
    }
}

/// Whether a model has a peak besides lines and ramp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Lines and ramp.
    Step,
    /// Lines, ramp and peak.
    Peak,
}

/// One or two views with the samples that an event between its neighbours may use.
#[derive(Debug)]
pub struct Stretch<'s, 'a> {
    /// The directions, one or two.
    views: &'s [View<'a>],
    /// Samples of each.
    spans: &'s [Span],
    /// χ² of the one line that a view has where an event cannot be fitted.
    straight: [f64; 2],
    /// What pulse and receiver of each view make of an edge.
    answers: Vec<Answers>,
    /// Gaps of each view that were asked for, by their edges; none where no line can be
    /// drawn.
    gaps: [Gaps; 2],
    /// Fits around the valleys by the bits of their places: steps and peaks are sought at
    /// the same ones.
    known: HashMap<u64, [Option<Fit>; 2], BuildHasherDefault<Mixed>>,
}

/// Mixes the bits of one number, which come from places and from nowhere hostile.
#[derive(Debug, Default)]
struct Mixed(u64);

impl Hasher for Mixed {
    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.write_u64(u64::from(*byte));
        }
    }

    fn write_u64(&mut self, bits: u64) {
        // An odd constant (2⁶⁴ over the golden ratio); the upper bits have the most of it.
        let mixed = (self.0 ^ bits).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        self.0 = mixed ^ (mixed >> 32);
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

impl<'s, 'a> Stretch<'s, 'a> {
    /// The stretch of `views` inside `spans`.
    pub fn new(views: &'s [View<'a>], spans: &'s [Span]) -> Self {
        let mut straight = [0.0; 2];
        for (slot, (view, span)) in straight.iter_mut().zip(views.iter().zip(spans)) {
            let line = view.eye.sums.line(span.lo, span.hi.max(span.lo));
            *slot = line.map_or(0.0, |line| line.chi_square);
        }
        Self {
            views,
            spans,
            straight,
            answers: views.iter().map(|v| Answers::of(v.eye.response)).collect(),
            gaps: [Gaps::default(), Gaps::default()],
            known: HashMap::default(),
        }
    }

    /// Distance of the samples of the finest view, metres.
    fn spacing_m(&self) -> f64 {
        let finest = |least: f64, v: &View<'_>| least.min(1.0 / v.per_metre.abs());
        self.views.iter().fold(f64::INFINITY, finest)
    }

    /// What the lines beside the gap of view `v` behind sample `edge` leave.
    fn beside(&mut self, v: usize, edge: usize) -> Option<f64> {
        self.gaps[v].beside((&self.views[v], self.spans[v]), edge)
    }

    /// The least that χ² with the event at `z_m` can be, with a peak or without: what the
    /// lines beside it leave. None where no view can be fitted.
    fn at_least(&mut self, z_m: f64) -> Option<f64> {
        let (mut least, mut is_fitted) = (0.0, false);
        for v in 0..self.views.len() {
            let edge = before(self.views[v].index(z_m));
            match edge.and_then(|edge| self.beside(v, edge)) {
                Some(of_lines) => {
                    least += of_lines;
                    is_fitted = true;
                }
                None => least += self.straight[v],
            }
        }
        is_fitted.then_some(least)
    }

    /// The least that χ² can be with the event within `reach_m` of a place.
    fn at_least_about(&mut self, z_m: f64, reach_m: f64) -> f64 {
        let mut least = 0.0;
        for v in 0..self.views.len() {
            let (x, y) = (z_m - reach_m, z_m + reach_m);
            let (x, y) = (self.views[v].index(x), self.views[v].index(y));
            let edges = [x.min(y), x.max(y)].map(|x| x.clamp(0.0, 1e9) as usize);
            let of_lines = (edges[0]..=edges[1])
                .filter_map(|edge| self.beside(v, edge))
                .fold(f64::INFINITY, f64::min);
            least += of_lines.min(self.straight[v]);
        }
        least
    }

    /// Fits of all views with the event at `z_m`; none where no view can be fitted.
    fn fits(&mut self, z_m: f64) -> Option<[Option<Fit>; 2]> {
        let mut fits = [None; 2];
        for (v, fit) in fits.iter_mut().enumerate().take(self.views.len()) {
            let view = &self.views[v];
            let of_view = (view, self.spans[v]);
            *fit = self.gaps[v].fit(of_view, view.index(z_m), &mut self.answers[v]);
        }
        fits.iter().any(Option::is_some).then_some(fits)
    }

    /// χ² of fits. A view that cannot be fitted must not win by silence: it counts with
    /// the straight line it would have without the event.
    fn chi_square(&self, fits: &[Option<Fit>; 2], shape: Shape) -> f64 {
        let one = |(fit, straight): (&Option<Fit>, &f64)| match fit {
            Some(fit) if shape == Shape::Peak => fit.step_only - fit.peak_gain,
            Some(fit) => fit.step_only,
            None => *straight,
        };
        fits.iter().zip(&self.straight).map(one).sum()
    }

    fn place(&mut self, z_m: f64, shape: Shape) -> Option<Place> {
        let fits = if let Some(fits) = self.known.get(&z_m.to_bits()) {
            *fits
        } else {
            let fits = self.fits(z_m)?;
            self.known.insert(z_m.to_bits(), fits);
            fits
        };
        let information: f64 = fits
            .iter()
            .zip(self.views)
            .filter_map(|(fit, view)| {
                Some(fit.as_ref()?.place_information * view.per_metre.powi(2))
            })
            .sum();
        let mut place = Place {
            z_m,
            std_error_m: 1.0 / information.sqrt(),
            chi_square: self.chi_square(&fits, shape),
            fits,
        };
        place.std_error_m *= place.misfit().sqrt();
        Some(place)
    }

    /// The place in `from_m..=to_m` of least χ² with a step, and with a step and a peak,
    /// each with the error that its likelihood tells of.
    pub fn locate(&mut self, from_m: f64, to_m: f64) -> Option<[Place; 2]> {
        let [step, peak] = self.bottoms(from_m, to_m)?;
        Some([self.widened(step), self.plateau(peak)])
    }

    /// Searches `from_m..=to_m` for the place of least χ² with a step, and with a step and a
    /// peak.
    fn bottoms(&mut self, from_m: f64, to_m: f64) -> Option<[Place; 2]> {
        let [steps, peaks] = self.valleys(from_m, to_m);
        Some([
            self.bottom(steps, Shape::Step)?,
            self.bottom(peaks, Shape::Peak)?,
        ])
    }

    /// As [`Self::bottoms`], the peak only where it can lessen χ² by more than `worth`: what the
    /// lines alone leave of the samples is the least that any can.
    pub(super) fn bottoms_worth(
        &mut self,
        (from_m, to_m): (f64, f64),
        worth: f64,
    ) -> Option<(Place, Option<Place>)> {
        let [steps, peaks] = self.valleys(from_m, to_m);
        let step = self.bottom(steps, Shape::Step)?;
        let middle_m = f64::midpoint(from_m, to_m);
        let searched_m = middle_m - from_m + self.searched_m();
        let least = self.at_least_about(middle_m, searched_m);
        let may_be = step.chi_square - least > worth;
        let peak = may_be.then(|| self.bottom(peaks, Shape::Peak)).flatten();
        Some((step, peak))
    }

    /// The place in `from_m..=to_m` of least χ² with a step.
    pub(super) fn best_step(&mut self, from_m: f64, to_m: f64) -> Option<Place> {
        let [steps, _] = self.valleys(from_m, to_m);
        self.bottom(steps, Shape::Step)
    }

    /// Distance of the looks that narrow a place down last but one.
    fn finest_m(&self) -> f64 {
        self.spacing_m() / 8.0
    }

    /// How far from a valley its bottom is searched for at most: from what it found the search
    /// goes on at a quarter of its reach, and so on.
    fn searched_m(&self) -> f64 {
        4.0 / 3.0 * self.reach_m() + 4.0 * self.finest_m()
    }

    /// Distance of the looks of the coarse pass: a part of the pulse.
    fn reach_m(&self) -> f64 {
        let pulse = self.views.iter().map(|v| v.eye.pulse_samples);
        let narrowest = pulse.fold(f64::INFINITY, f64::min);
        (narrowest / LOOKS_PER_PULSE).floor().max(1.0) * self.spacing_m()
    }

    /// The deepest valleys of χ² in `from_m..=to_m` with a step, and with a step and a peak, a
    /// part of the pulse at a time.
    fn valleys(&mut self, from_m: f64, to_m: f64) -> [Vec<f64>; 2] {
        let stride_m = self.reach_m();
        let count = ((to_m - from_m) / stride_m).floor().max(0.0) as usize;
        let place = |k: usize| from_m + k as f64 * stride_m;
        let mut bounds: Vec<(f64, usize)> = (0..=count)
            .filter_map(|k| Some((self.at_least(place(k))?, k)))
            .collect();
        bounds.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Where the lines alone leave more than the best step so far, nothing is better.
        let mut least = f64::INFINITY;
        let mut coarse: Vec<Option<[f64; 2]>> = vec![None; count + 1];
        for (bound, k) in bounds {
            if bound > least {
                break;
            }
            if let Some(fits) = self.fits(place(k)) {
                let costs = SHAPES.map(|shape| self.chi_square(&fits, shape));
                least = least.min(costs[0]);
                coarse[k] = Some(costs);
            }
        }
        [0, 1].map(|s| {
            let costs = coarse.iter().map(|c| c.map_or(f64::INFINITY, |c| c[s]));
            let valleys = valleys(&costs.collect::<Vec<f64>>());
            valleys.into_iter().map(place).collect()
        })
    }

    /// The deepest point of the valleys of a coarse pass, around each every sample, then
    /// fractions of a sample: a steep one may look shallow when its bottom lies between two
    /// looks.
    fn bottom(&mut self, starts: Vec<f64>, shape: Shape) -> Option<Place> {
        let (reach, finest, searched_m) = (self.reach_m(), self.finest_m(), self.searched_m());
        let mut best: Option<Place> = None;
        for z_m in starts {
            let start = self.place(z_m, shape)?;
            if best
                .as_ref()
                .is_some_and(|b| self.at_least_about(z_m, searched_m) >= b.chi_square)
            {
                continue;
            }
            let found = self.descend(start, reach, finest, shape);
            if best
                .as_ref()
                .is_none_or(|b| found.chi_square < b.chi_square)
            {
                best = Some(found);
            }
        }
        best.map(|b| self.descend(b, finest, finest / 8.0, shape))
    }

    /// Best of the places within `reach`, looked at every quarter of it, then again
    /// between the best and its neighbours until they lie `finest` apart.
    fn descend(&mut self, start: Place, reach: f64, finest: f64, shape: Shape) -> Place {
        let mut best = start;
        let (mut step, mut looks) = (reach / f64::from(LOOKS_A_SIDE), LOOKS_A_SIDE);
        loop {
            let middle = best.z_m;
            for k in (-looks..=looks).filter(|k| *k != 0) {
                if let Some(place) = self.place(middle + f64::from(k) * step, shape)
                    && place.chi_square < best.chi_square
                {
                    best = place;
                }
            }
            if step <= finest {
                return best;
            }
            // The neighbours themselves were looked at.
            let finer = (step / f64::from(LOOKS_A_SIDE)).max(finest);
            looks = (step / finer).ceil() as i32 - 1;
            step = finer;
        }
    }

    /// Mean and variance of the place's distance from `best`, by the likelihood at
    /// `count` places on each side `step` apart.
    fn spread(&mut self, best: &Place, shape: Shape, count: i32, step: f64) -> (f64, f64) {
        let misfit = best.misfit();
        let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
        for k in -count..=count {
            let d = f64::from(k) * step;
            // What the lines alone leave may already make it too unlikely to be counted.
            let least = self.at_least(best.z_m + d);
            if least.is_none_or(|least| least - best.chi_square > UNCOUNTED * misfit) {
                continue;
            }
            if let Some(fits) = self.fits(best.z_m + d) {
                let above = self.chi_square(&fits, shape) - best.chi_square;
                let weight = (-above / (2.0 * misfit)).exp();
                total += weight;
                first += weight * d;
                second += weight * d * d;
            }
        }
        let mean = first / total;
        (mean, second / total - mean * mean)
    }

    /// Where the step is weak against the noise the likelihood has side valleys that its
    /// curvature at the bottom does not tell of: the error becomes the spread of the
    /// likelihood over four standard errors, or sixteen of a step so weak that noise may
    /// throw it far, if that is more.
    pub(super) fn widened(&mut self, best: Place) -> Place {
        if !best.std_error_m.is_finite() {
            return best;
        }
        let square: f64 = best.fits.iter().flatten().map(Fit::square).sum();
        let reach = if square < THROWN { 32 } else { 8 };
        let (_, variance) = self.spread(&best, Shape::Step, reach, best.std_error_m / 2.0);
        Place {
            std_error_m: best.std_error_m.max(variance.max(0.0).sqrt()),
            ..best
        }
    }

    /// Between two samples a sharp edge leaves the likelihood flat: the place becomes its
    /// mean over the plateau, and the error its spread; as far as a pulse where it is flat
    /// beyond, or where noise may have thrown the peak.
    pub(super) fn plateau(&mut self, best: Place) -> Place {
        let pulse_m = (self.views.iter())
            .map(|v| v.eye.pulse_samples / v.per_metre.abs())
            .fold(0.0, f64::max);
        let square: f64 = best.fits.iter().flatten().map(|fit| fit.peak_gain).sum();
        let is_thrown = square < THROWN;
        let finest = self.spacing_m() / 8.0;
        let (looks, mut step) = if is_thrown {
            (2 * PLATEAU, finest.max(pulse_m / f64::from(2 * PLATEAU)))
        } else {
            (PLATEAU, finest)
        };
        let (mut mean, mut variance) = self.spread(&best, Shape::Peak, looks, step);
        // What is flat to the ends of the looks has a variance of a third of their reach
        // squared; a ninth is contained.
        let contained = |step: f64, variance: f64| {
            let reach = f64::from(looks) * step;
            9.0 * variance < reach * reach || reach >= pulse_m
        };
        while !contained(step, variance) {
            step *= 2.0;
            (mean, variance) = self.spread(&best, Shape::Peak, looks, step);
        }
        // Sharper than these looks: finer ones, as fine as an edge asks for.
        while variance < step * step / 4.0 && step > finest {
            step = (step / 4.0).max(finest);
            (mean, variance) = self.spread(&best, Shape::Peak, looks, step);
        }
        if variance < step * step / 4.0 {
            // Sharper than the grid: the bottom itself, and the ramp's information.
            return best;
        }
        match self.place(best.z_m + mean, Shape::Peak) {
            Some(middle) => Place {
                chi_square: best.chi_square,
                std_error_m: variance.sqrt(),
                ..middle
            },
            None => best,
        }
    }
}

/// Looks on each side over a plateau: one sample and a half at eight a sample.
const PLATEAU: i32 = 12;

/// Square of a step over its error below which noise may throw its place beyond what the
/// ramp's own information says: nine standard errors, where the likelihood still has one
/// valley in all but a few of a hundred draws.
const THROWN: f64 = 81.0;

/// χ² above the least from which a weight, e to the minus half of it, is less than what
/// rounding leaves of 1.
const UNCOUNTED: f64 = 80.0;

/// Indices of the deepest valleys of a row of costs, deepest first.
fn valleys(costs: &[f64]) -> Vec<usize> {
    let cost = |k: usize| costs.get(k).copied().unwrap_or(f64::INFINITY);
    let mut valleys: Vec<usize> = (0..costs.len())
        .filter(|&k| cost(k).is_finite())
        .filter(|&k| cost(k) <= cost(k.wrapping_sub(1)) && cost(k) <= cost(k + 1))
        .collect();
    valleys.sort_by(|&a, &b| cost(a).total_cmp(&cost(b)));
    valleys.truncate(VALLEYS);
    valleys
}

const SHAPES: [Shape; 2] = [Shape::Step, Shape::Peak];

/// Looks on each side of a place when it is narrowed down.
const LOOKS_A_SIDE: i32 = 4;

/// Looks per pulse of the coarse pass: χ² follows the ramp, whose answer to a place off
/// by a sixteenth of a pulse differs by as much.
const LOOKS_PER_PULSE: f64 = 8.0;

/// Valleys of χ² that are followed to their bottom.
const VALLEYS: usize = 4;

#[cfg(test)]
mod tests {
    use super::super::sweep::tests::{eye_of, turned};
    use super::*;

    /// Second computation: both searches. A peak that is not looked for could not have gained
    /// what it is worth, and one that is looked for is the same; with pulses looked at every
    /// sample and every second, in one view and in two of unlike reach, and with the reflection
    /// at 800 m inside what is searched, at its end and outside.
    #[test]
    fn a_peak_that_is_not_sought_would_not_have_been_worth_it() {
        let (mut sought, mut left) = (0, 0);
        for pulse_ns in [100.0, 400.0] {
            let (near, far) = (eye_of(0.0, pulse_ns), eye_of(0.6, pulse_ns));
            let views = [View::own(&near), turned(&far)];
            let spans = [Span { lo: 20, hi: 440 }, Span { lo: 31, hi: 560 }];
            // Every metre about the reflection's edge, 13 m apart elsewhere.
            let near_edge = (755..=845).map(f64::from);
            let places = near_edge.chain((0..30).map(|k| 500.0 + 13.0 * f64::from(k)));
            for (z_m, count) in places.flat_map(|z_m| [(z_m, 1), (z_m, 2)]) {
                let (views, spans) = (&views[..count], &spans[..count]);
                let (from_m, to_m) = (z_m - 30.0, z_m + 30.0);
                let Some([step, peak]) = Stretch::new(views, spans).bottoms(from_m, to_m) else {
                    continue;
                };
                let gain = step.chi_square - peak.chi_square;
                // Just less than it gains is worth it.
                for worth in [0.999 * gain, 1e-9, 1.0, 25.0, 1e6] {
                    let mut stretch = Stretch::new(views, spans);
                    let (same, found) = stretch.bottoms_worth((from_m, to_m), worth).unwrap();
                    assert_eq!(same, step);
                    if let Some(found) = found {
                        assert_eq!(found, peak);
                        sought += 1;
                    } else {
                        assert!(
                            gain <= worth,
                            "{pulse_ns} ns, {count}, {z_m} m: {gain} for {worth}"
                        );
                        left += 1;
                    }
                }
            }
        }
        assert!(sought > 50 && left > 50, "{sought} sought, {left} left");
    }
}
