//! Likelihood of an event's place: two lines, the pulse's ramp between them, and
//! a pulse-shaped peak if there is one.

use super::eye::DB_PER_NEPER;
use super::view::{Span, View, before};

/// χ² of one view with an event at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// χ² of lines and ramp alone.
    pub step_only: f64,
    /// Drop of χ² that a peak gives.
    pub peak_gain: f64,
    /// Height of the peak as power relative to the backscatter.
    pub peak: f64,
    /// Its variance.
    pub peak_variance: f64,
    /// Apparent loss in dB.
    pub loss_db: f64,
    /// Its variance.
    pub loss_variance: f64,
    /// Fisher information of the place, per sample².
    pub place_information: f64,
    /// χ² of the samples in the ramp with the peak fitted, and their number.
    pub ramp: (f64, usize),
}

impl Fit {
    /// Loss over its standard error, squared.
    fn square(&self) -> f64 {
        self.loss_db * self.loss_db / self.loss_variance
    }
}

/// Fits an event with its leading edge at index `x` (a fraction allowed) to the
/// samples of `span`.
///
/// With the ramp q and the peak b of the eye's [`super::response::Response`], the
/// model is P = left·(1 − q) + right·q + E·left·b in linear power: what the pulse
/// and the receiver make of a step and a reflection at x.
pub fn fit_at(view: &View<'_>, x: f64, span: Span) -> Option<Fit> {
    let eye = view.eye;
    let (left, right) = view.lines(x, span, usize::MAX)?;
    let edge = before(x)?;
    let middle = x + eye.response.middle();
    let loss_db = left.at(middle) - right.at(middle);
    let mut step_only = left.chi_square + right.chi_square;
    let (mut sum_b, mut sum_rb, mut place_information) = (0.0, 0.0, 0.0);
    let mut ramp = (0.0, 0);
    let first = edge + 1;
    let last = (first + eye.hidden_samples()).min(span.hi);
    // The power of a line changes by one factor a sample; so does the receiver's answer.
    let at = first as f64;
    let base = left.at(at);
    let mut line_gain = (-(base + eye.trend.0 + eye.trend.1 * at) / DB_PER_NEPER).exp();
    let line_factor = (-(left.slope + eye.trend.1) / DB_PER_NEPER).exp();
    let mut drop = ((right.at(at) - base) / DB_PER_NEPER).exp();
    let drop_factor = ((right.slope - left.slope) / DB_PER_NEPER).exp();
    // The ramp's own slope is the peak's shape over the pulse.
    let per_pulse = 1.0 / eye.pulse_samples;
    for ((q, shape), i) in eye.response.answers(at - x).zip(first..last) {
        let w = eye.weight[i];
        if w > 0.0 {
            let model = 1.0 + (drop - 1.0) * q;
            // A residual in dB at the level of the model; power relative to the line
            // before is linear in the noise.
            let unit = DB_PER_NEPER / model.max(1e-3);
            let residual = unit * (eye.power.value[i] * line_gain - model);
            let square = w * residual * residual;
            step_only += square;
            ramp = (ramp.0 + square, ramp.1 + 1);
            let b = unit * shape;
            sum_b += w * b * b;
            sum_rb += w * b * residual;
            let change = b * (drop - 1.0) * per_pulse;
            place_information += w * change * change;
        }
        line_gain *= line_factor;
        drop *= drop_factor;
    }
    let (peak, peak_variance) = if sum_b > 0.0 {
        (sum_rb / sum_b, 1.0 / sum_b)
    } else {
        (0.0, f64::INFINITY)
    };
    let peak_gain = if peak > 0.0 { peak * sum_rb } else { 0.0 };
    Some(Fit {
        step_only,
        peak_gain,
        peak,
        peak_variance,
        loss_db,
        loss_variance: left.variance_at(middle) + right.variance_at(middle),
        place_information,
        ramp: (ramp.0 - peak_gain, ramp.1),
    })
}

/// The most likely place of an event, over all views.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Place on the axis in metres.
    pub z_m: f64,
    /// Standard error from the ramp's information, metres; infinite without any.
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
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'s, 'a> {
    /// The directions, one or two.
    pub views: &'s [View<'a>],
    /// Samples of each.
    pub spans: &'s [Span],
    /// χ² of the one line that a view has where an event cannot be fitted.
    straight: [f64; 2],
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
        }
    }

    /// Distance of the samples of the finest view, metres.
    fn spacing_m(&self) -> f64 {
        let finest = |least: f64, v: &View<'_>| least.min(1.0 / v.per_metre.abs());
        self.views.iter().fold(f64::INFINITY, finest)
    }

    /// Fits of all views with the event at `z_m`; none where no view can be fitted.
    fn fits(&self, z_m: f64) -> Option<[Option<Fit>; 2]> {
        let mut fits = [None; 2];
        for (slot, (view, &span)) in fits.iter_mut().zip(self.views.iter().zip(self.spans)) {
            *slot = fit_at(view, view.index(z_m), span);
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

    fn place(&self, z_m: f64, shape: Shape) -> Option<Place> {
        let fits = self.fits(z_m)?;
        let information: f64 = fits
            .iter()
            .zip(self.views)
            .filter_map(|(fit, view)| {
                Some(fit.as_ref()?.place_information * view.per_metre.powi(2))
            })
            .sum();
        Some(Place {
            z_m,
            std_error_m: 1.0 / information.sqrt(),
            chi_square: self.chi_square(&fits, shape),
            fits,
        })
    }

    /// Searches `from_m..=to_m` for the place of least χ² with a step, and with a step
    /// and a peak: a part of the pulse at a time first, then around the deepest valleys
    /// every sample, then fractions of a sample.
    pub fn locate(&self, from_m: f64, to_m: f64) -> Option<[Place; 2]> {
        let spacing = self.spacing_m();
        let pulse = self.views.iter().map(|v| v.eye.pulse_samples);
        let narrowest = pulse.fold(f64::INFINITY, f64::min);
        let stride = (narrowest / LOOKS_PER_PULSE).floor().max(1.0);
        let count = ((to_m - from_m) / (stride * spacing)).floor().max(0.0) as usize;
        let coarse: Vec<(f64, [f64; 2])> = (0..=count)
            .filter_map(|k| {
                let z_m = from_m + k as f64 * stride * spacing;
                let fits = self.fits(z_m)?;
                Some((z_m, SHAPES.map(|shape| self.chi_square(&fits, shape))))
            })
            .collect();
        let [step, peak] = [0, 1].map(|s| {
            let best = self.bottom(&coarse, s, (stride, spacing))?;
            match SHAPES[s] {
                Shape::Step => Some(self.widened(best)),
                Shape::Peak => Some(self.plateau(best, spacing / 8.0)),
            }
        });
        Some([step?, peak?])
    }

    /// The deepest point of the valleys of a coarse pass: a steep one may look shallow
    /// when its bottom lies between two looks.
    fn bottom(
        &self,
        coarse: &[(f64, [f64; 2])],
        s: usize,
        (stride, spacing): (f64, f64),
    ) -> Option<Place> {
        let cost = |k: usize| coarse[k].1[s];
        let mut valleys: Vec<usize> = (0..coarse.len())
            .filter(|&k| {
                k.checked_sub(1).is_none_or(|j| cost(k) <= cost(j))
                    && (k + 1 == coarse.len() || cost(k) <= cost(k + 1))
            })
            .collect();
        valleys.sort_by(|&a, &b| cost(a).total_cmp(&cost(b)));
        let mut best: Option<Place> = None;
        for &k in valleys.iter().take(VALLEYS) {
            let start = self.place(coarse[k].0, SHAPES[s])?;
            let found = self.descend(start, stride * spacing, spacing / 8.0, SHAPES[s]);
            if best
                .as_ref()
                .is_none_or(|b| found.chi_square < b.chi_square)
            {
                best = Some(found);
            }
        }
        let finest = spacing / 8.0;
        best.map(|b| self.descend(b, finest, finest / 8.0, SHAPES[s]))
    }

    /// Best of the places within `reach`, looked at every quarter of it, then again
    /// around the best until they lie `finest` apart.
    fn descend(&self, start: Place, reach: f64, finest: f64, shape: Shape) -> Place {
        let mut best = start;
        let mut step = reach;
        while step > finest {
            step = (step / 4.0).max(finest);
            let middle = best.z_m;
            for k in [-4, -3, -2, -1, 1, 2, 3, 4] {
                if let Some(place) = self.place(middle + f64::from(k) * step, shape)
                    && place.chi_square < best.chi_square
                {
                    best = place;
                }
            }
        }
        best
    }

    /// Mean and variance of the place's distance from `best`, by the likelihood at
    /// `count` places on each side `step` apart.
    fn spread(&self, best: &Place, shape: Shape, count: i32, step: f64) -> (f64, f64) {
        let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
        for k in -count..=count {
            let d = f64::from(k) * step;
            if let Some(fits) = self.fits(best.z_m + d) {
                let above = self.chi_square(&fits, shape) - best.chi_square;
                let weight = (-above / 2.0).exp();
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
    fn widened(&self, best: Place) -> Place {
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
    /// mean over the plateau, and the error its spread.
    fn plateau(&self, best: Place, step: f64) -> Place {
        let (mean, variance) = self.spread(&best, Shape::Peak, 12, step);
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

/// Square of a step over its error below which noise may throw its place beyond what the
/// ramp's own information says: nine standard errors, where the likelihood still has one
/// valley in all but a few of a hundred draws.
const THROWN: f64 = 81.0;

const SHAPES: [Shape; 2] = [Shape::Step, Shape::Peak];

/// Looks per pulse of the coarse pass: χ² follows the ramp, whose answer to a place off
/// by a sixteenth of a pulse differs by as much.
const LOOKS_PER_PULSE: f64 = 8.0;

/// Valleys of χ² that are followed to their bottom.
const VALLEYS: usize = 4;
