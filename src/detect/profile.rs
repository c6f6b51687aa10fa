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

/// Fits an event with its leading edge at index `x` (a fraction allowed) to the
/// samples of `span`.
///
/// With the ramp q and the peak b of the eye's [`super::response::Response`], the
/// model is P = left·(1 − q) + right·q + E·left·b in linear power: what the pulse
/// and the receiver make of a step and a reflection at x.
pub fn fit_at(view: &View<'_>, x: f64, span: Span) -> Option<Fit> {
    let eye = view.eye;
    let (left, right, _) = view.lines(x, span, usize::MAX)?;
    let n_w = eye.pulse_samples;
    let edge = before(x)?;
    let middle = x + eye.response.middle();
    let loss_db = left.at(middle) - right.at(middle);
    let mut step_only = left.chi_square + right.chi_square;
    let (mut sum_b, mut sum_rb, mut place_information) = (0.0, 0.0, 0.0);
    let mut ramp = (0.0, 0);
    let last = (edge + 1 + eye.hidden_samples()).min(span.hi);
    for i in edge + 1..last {
        let w = eye.weight[i];
        if w <= 0.0 {
            continue;
        }
        let at = i as f64;
        let u = at - x;
        let q = eye.response.ramp(u);
        let shape = eye.response.peak(u);
        let base = left.at(at);
        let drop = ((right.at(at) - base) / DB_PER_NEPER).exp();
        let model = 1.0 + (drop - 1.0) * q;
        // Power relative to the line before: linear in the noise.
        let line_power = ((base + eye.trend.0 + eye.trend.1 * at) / DB_PER_NEPER).exp();
        let seen = eye.power.value[i] / line_power;
        // A residual in dB at the level of the model.
        let residual = DB_PER_NEPER * (seen - model) / model.max(1e-3);
        step_only += w * residual * residual;
        ramp = (ramp.0 + w * residual * residual, ramp.1 + 1);
        if u > 0.0 {
            let unit = DB_PER_NEPER / model.max(1e-3);
            let b = unit * shape;
            sum_b += w * b * b;
            sum_rb += w * b * residual;
            // The ramp's own slope is the peak's shape over the pulse.
            let change = b * (drop - 1.0) / n_w;
            place_information += w * change * change;
        }
    }
    let (peak, peak_variance) = if sum_b > 0.0 {
        (sum_rb / sum_b, 1.0 / sum_b)
    } else {
        (0.0, f64::INFINITY)
    };
    let peak_gain = if peak > 0.0 && sum_b > 0.0 {
        sum_rb * sum_rb / sum_b
    } else {
        0.0
    };
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
    /// The fit of each view, where it could be made.
    pub fits: Vec<Option<Fit>>,
}

impl Place {
    /// χ² per sample of the ramps, at least 1: how much worse than its noise the
    /// model fits there.
    pub fn misfit(&self) -> f64 {
        let (square, samples) = self
            .fits
            .iter()
            .flatten()
            .fold((0.0, 0), |(s, n), f| (s + f.ramp.0, n + f.ramp.1));
        if samples > 2 {
            (square / (samples - 2) as f64).max(1.0)
        } else {
            1.0
        }
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

/// Searches `from_m..=to_m` for the place of least χ²: every sample of the finest
/// view first, then fractions of a sample around the best.
pub fn locate(
    views: &[View<'_>],
    spans: &[Span],
    from_m: f64,
    to_m: f64,
    shape: Shape,
) -> Option<Place> {
    let spacing = views
        .iter()
        .map(|v| 1.0 / v.per_metre.abs())
        .fold(f64::INFINITY, f64::min);
    let at = |z: f64| -> Option<Place> {
        let fits: Vec<Option<Fit>> = views
            .iter()
            .zip(spans)
            .map(|(v, &span)| fit_at(v, v.index(z), span))
            .collect();
        let mut chi_square = 0.0;
        let mut information = 0.0;
        let mut any = false;
        for ((view, &span), fit) in views.iter().zip(spans).zip(&fits) {
            match fit {
                Some(fit) => {
                    any = true;
                    chi_square += fit.step_only;
                    if shape == Shape::Peak {
                        chi_square -= fit.peak_gain;
                    }
                    information += fit.place_information * view.per_metre * view.per_metre;
                }
                // A view that cannot be fitted here must not win by silence: it
                // counts with the straight line it would have without the event.
                None => {
                    if let Some(line) = view.eye.sums.line(span.lo, span.hi.max(span.lo)) {
                        chi_square += line.chi_square;
                    }
                }
            }
        }
        any.then_some(Place {
            z_m: z,
            std_error_m: 1.0 / information.sqrt(),
            chi_square,
            fits,
        })
    };
    let cost = |p: &Place| p.chi_square;
    // The deepest valleys of the coarse pass: a steep one may look shallow when its
    // bottom lies between two samples.
    let count = ((to_m - from_m) / spacing).floor().max(0.0) as usize;
    let coarse: Vec<Place> = (0..=count)
        .filter_map(|k| at(from_m + k as f64 * spacing))
        .collect();
    let mut valleys: Vec<&Place> = (0..coarse.len())
        .filter(|&k| {
            let here = coarse[k].chi_square;
            k.checked_sub(1)
                .is_none_or(|j| here <= coarse[j].chi_square)
                && coarse.get(k + 1).is_none_or(|next| here <= next.chi_square)
        })
        .map(|k| &coarse[k])
        .collect();
    valleys.sort_by(|a, b| cost(a).total_cmp(&cost(b)));
    let best = valleys
        .iter()
        .take(VALLEYS)
        .map(|valley| {
            let mut best = (*valley).clone();
            let mut step = spacing;
            for _ in 0..3 {
                step /= 8.0;
                let middle = best.z_m;
                for k in -8..=8 {
                    if let Some(place) = at(middle + f64::from(k) * step)
                        && cost(&place) < cost(&best)
                    {
                        best = place;
                    }
                }
            }
            best
        })
        .min_by(|a, b| cost(a).total_cmp(&cost(b)))?;
    match shape {
        Shape::Step => Some(widened(&at, best)),
        Shape::Peak => Some(plateau(&at, best, spacing / 16.0)),
    }
}

/// Valleys of χ² that are followed to their bottom.
const VALLEYS: usize = 4;

/// Where the step is weak against the noise the likelihood has side valleys that its
/// curvature at the bottom does not tell of: the error becomes the spread of the
/// likelihood over four standard errors, if that is more.
fn widened(at: &impl Fn(f64) -> Option<Place>, best: Place) -> Place {
    if !best.std_error_m.is_finite() {
        return best;
    }
    let step = best.std_error_m / 2.0;
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    for k in -8..=8 {
        let d = f64::from(k) * step;
        if let Some(p) = at(best.z_m + d) {
            let weight = (-(p.chi_square - best.chi_square) / 2.0).exp();
            total += weight;
            first += weight * d;
            second += weight * d * d;
        }
    }
    let mean = first / total;
    let spread = (second / total - mean * mean).max(0.0).sqrt();
    Place {
        std_error_m: best.std_error_m.max(spread),
        ..best
    }
}

/// Between two samples a sharp edge leaves the likelihood flat: the place becomes its
/// mean over the plateau, and the error its spread.
fn plateau(at: &impl Fn(f64) -> Option<Place>, best: Place, step: f64) -> Place {
    let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
    for k in -24..=24 {
        let d = f64::from(k) * step;
        if let Some(p) = at(best.z_m + d) {
            let weight = (-(p.chi_square - best.chi_square) / 2.0).exp();
            total += weight;
            first += weight * d;
            second += weight * d * d;
        }
    }
    let mean = first / total;
    let variance = second / total - mean * mean;
    if variance < step * step {
        // Sharper than the grid: the bottom itself, and the ramp's information.
        return best;
    }
    match at(best.z_m + mean) {
        Some(middle) => Place {
            chi_square: best.chi_square,
            std_error_m: variance.sqrt(),
            ..middle
        },
        None => best,
    }
}
