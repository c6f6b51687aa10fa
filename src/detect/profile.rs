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
    let best_of = |from: f64, to: f64, step: f64| -> Option<Place> {
        let count = ((to - from) / step).floor().max(0.0) as usize;
        (0..=count)
            .filter_map(|k| at(from + k as f64 * step))
            .min_by(|a, b| a.chi_square.total_cmp(&b.chi_square))
    };
    let coarse = best_of(from_m, to_m, spacing)?;
    match shape {
        Shape::Step => {
            let fine = best_of(coarse.z_m - spacing, coarse.z_m + spacing, spacing / 8.0)?;
            best_of(
                fine.z_m - spacing / 8.0,
                fine.z_m + spacing / 8.0,
                spacing / 40.0,
            )
        }
        Shape::Peak => {
            // Between two samples a sharp edge leaves the likelihood flat: its
            // mean over the places around the best, not an end of the plateau.
            let step = spacing / 16.0;
            let around: Vec<Place> = (-24..=24)
                .filter_map(|k| at(coarse.z_m + f64::from(k) * step))
                .collect();
            let least = around
                .iter()
                .map(|p| p.chi_square)
                .fold(f64::INFINITY, f64::min);
            let (mut total, mut first, mut second) = (0.0, 0.0, 0.0);
            for p in &around {
                let weight = (-(p.chi_square - least) / 2.0).exp();
                let d = p.z_m - coarse.z_m;
                total += weight;
                first += weight * d;
                second += weight * d * d;
            }
            let mean = first / total;
            let variance = (second / total - mean * mean).max(0.0) + step * step / 12.0;
            let mut place = at(coarse.z_m + mean)?;
            place.chi_square = least;
            place.std_error_m = variance.sqrt();
            Some(place)
        }
    }
}
