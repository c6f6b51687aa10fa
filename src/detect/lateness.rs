//! How much later a step shows than the model of the receiver says.
//!
//! A step's ramp is the integral of a reflection's peak, whatever the shape of pulse and
//! receiver. The model of [`Response`](super::response::Response) has a sharp pulse and
//! at most two time constants; what these leave of a slow rise moves the ramp against the leading edge
//! that the model puts to the peak, and with it every step against every reflection. So
//! the ramp that the samples of a peak add up to is held against the model's.

use super::eye::{DB_PER_NEPER, Eye};
use super::receiver::{self, SHAPE_DOUBT};
use super::response::Response;
use super::sums::Line;

/// Standard error of a peak's centroid, samples, from which a peak tells nothing: a step is placed
/// to a tenth of a sample at best.
const TELLS: f64 = 0.1;

/// Samples of the lines drawn beside a peak, and pulse lengths if those are more.
const BESIDE: (usize, f64) = (32, 4.0);

/// What peaks show of the pulse beyond what the model has of it, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Seen {
    /// By how much steps come later than the model says.
    pub(super) late: f64,
    /// How long before the model's leading edge the first of the pulse shows.
    pub(super) early: f64,
}

/// What the peaks show whose rise begins behind the samples `edges`: the mean lateness of
/// those that agree, for a neighbour in the tail of one moves it, and the greatest
/// earliness; nothing without a peak that tells.
pub(super) fn lateness(eye: &Eye, edges: &[usize]) -> Seen {
    let seen = edges.iter().filter_map(|&edge| of_peak(eye, edge));
    let tells: Vec<(Seen, f64)> = seen.filter(|(_, sd)| *sd < TELLS).collect();
    let mut lates: Vec<f64> = tells.iter().map(|(one, _)| one.late).collect();
    lates.sort_by(f64::total_cmp);
    let median = lates.get(lates.len() / 2).copied().unwrap_or(0.0);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (one, sd) in &tells {
        if (one.late - median).abs() <= AGREES {
            let w = 1.0 / (sd * sd + SHAPE_DOUBT * SHAPE_DOUBT);
            sum += w * one.late;
            weight += w;
        }
    }
    let late = if weight > 0.0 { sum / weight } else { 0.0 };
    // A shift beyond a quarter of the pulse is another event, not a shape.
    let most = 0.25 * eye.pulse_samples + 1.0;
    Seen {
        late: late.clamp(-most, most),
        early: tells
            .iter()
            .fold(0.0_f64, |e, t| e.max(t.0.early))
            .min(most),
    }
}

/// Samples from the median within which a peak's lateness is the receiver's: twice and a
/// half what a peak that tells may be off by.
const AGREES: f64 = 2.5 * TELLS;

/// What one peak shows, and the standard error of its lateness.
fn of_peak(eye: &Eye, edge: usize) -> Option<(Seen, f64)> {
    let response = &eye.response;
    let strong = eye.peaks.iter().find(|peak| peak.edge == edge);
    let placed = strong.and_then(|peak| peak.place);
    let place = || receiver::place(&eye.power, edge, response, eye.noise.floor());
    let (x, _) = placed.or_else(place)?;
    let beside = BESIDE.0.max((BESIDE.1 * eye.pulse_samples).ceil() as usize);
    let from = edge.checked_sub(2 + (0.25 * eye.pulse_samples) as usize)?;
    // A strong peak's answer is waited for: the line behind it holds none of its samples.
    let to = (edge + 2 + eye.hidden_samples()).max(strong.map_or(0, |peak| peak.settled));
    let before = eye.sums.line(from.checked_sub(beside)?, from)?;
    let after = eye
        .sums
        .line(to, (to + beside).min(eye.usable_end).max(to))?;
    let power_of =
        |level: f64, i: f64| ((level + eye.trend.0 + eye.trend.1 * i) / DB_PER_NEPER).exp();
    let samples = eye.power.value.get(from..to)?;
    let excess: Vec<(f64, f64, f64)> = (samples.iter().zip(from..))
        .map(|(p, i)| {
            let at = i as f64;
            let q = response.ramp(at - x);
            let base = power_of(before.at(at), at) * (1.0 - q) + power_of(after.at(at), at) * q;
            (at - x, p - base, eye.noise.density(base))
        })
        .collect();
    let total: f64 = excess.iter().map(|e| e.1).sum();
    if total <= 0.0 {
        return None;
    }
    let centroid = excess.iter().map(|e| e.0 * e.1).sum::<f64>() / total;
    let of_samples: f64 = excess.iter().map(|e| (e.0 - centroid).powi(2) * e.2).sum();
    // The lines reach under the peak from outside, and what they are off by is no noise of
    // single samples.
    let of_line = |line: &Line, share: fn(f64) -> f64| {
        let pull = |&(u, _, _): &(f64, f64, f64)| {
            let at = u + x;
            (u - centroid) * share(response.ramp(u)) * power_of(line.at(at), at) / DB_PER_NEPER
        };
        let pull: f64 = excess.iter().map(pull).sum();
        pull * pull * line.variance_at(x + response.middle())
    };
    let variance = of_samples + of_line(&before, |q| 1.0 - q) + of_line(&after, |q| q);
    let shape: Vec<(f64, f64)> = excess.iter().map(|(u, e, _)| (*u, *e)).collect();
    let ahead = excess.iter().take_while(|e| e.0 <= 0.0);
    let rising = ahead.collect::<Vec<_>>().into_iter().rev();
    let early = rising
        .take_while(|e| e.1 > SHOWS * e.2.sqrt())
        .last()
        .map_or(0.0, |e| -e.0);
    let seen = Seen {
        late: shift(&ramp_seen(&shape, response), response),
        early,
    };
    Some((seen, variance.sqrt() / total))
}

/// The ramp that the samples of a peak add up to, each with its place behind the leading
/// edge.
///
/// A sum up to a sample is the integral to half a sample behind it, but for what the bends of
/// the peak between its samples make of it: at a rise of 0.7 samples up to a fifteenth of a
/// sample of the ramp. So the model's own samples are added up, too, at the same places,
/// and what their sum differs by from the model's ramp is taken off.
fn ramp_seen(samples: &[(f64, f64)], response: &Response) -> Vec<(f64, f64)> {
    let total: f64 = samples.iter().map(|s| s.1).sum();
    let of_model: f64 = samples.iter().map(|s| response.peak(s.0)).sum();
    let (mut sum, mut model) = (0.0, 0.0);
    (samples.iter())
        .map(|(u, excess)| {
            sum += excess / total;
            model += response.peak(*u) / of_model;
            (u + 0.5, sum - (model - response.ramp(u + 0.5)))
        })
        .collect()
}

/// Standard errors from which a sample before the leading edge shows the pulse.
const SHOWS: f64 = 3.0;

/// Shift of the model's ramp that lies nearest to a ramp seen, by Gauss and Newton: the
/// one that a step's place would be off by.
fn shift(ramp: &[(f64, f64)], response: &Response) -> f64 {
    let mut late = 0.0;
    for _ in 0..STEPS {
        let (mut product, mut square) = (0.0, 0.0);
        for &(u, seen) in ramp {
            let slope = response.peak(u - late) / response.pulse;
            product += slope * (response.ramp(u - late) - seen);
            square += slope * slope;
        }
        if square <= 0.0 {
            return 0.0;
        }
        late += product / square;
    }
    late
}

/// Steps of the search: each takes the error to its square, from a sample at most.
const STEPS: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_seen_later_is_found_so_much_later() {
        // Second computation: the model's own closed form, moved by a number of choice;
        // the search converges to rounding, 1e-6 is ample.
        let response = Response {
            pulse: 20.0,
            pole: 2.0,
            ..Response::default()
        };
        let ramp: Vec<(f64, f64)> = (0..60)
            .map(|i| (f64::from(i) - 5.0, response.ramp(f64::from(i) - 5.0 - 0.37)))
            .collect();
        approx::assert_abs_diff_eq!(shift(&ramp, &response), 0.37, epsilon = 1e-6);
    }

    #[test]
    fn a_peak_of_the_model_is_not_late_wherever_its_samples_fall() {
        // Truth: samples of the model itself, so nothing is late; both sums are the same
        // numbers, and 1e-9 is their rounding. Taken as integrals they are off by up to 0.07.
        let response = Response {
            pulse: 8.3,
            pole: 0.7,
            ..Response::default()
        };
        for k in 0..10 {
            let samples: Vec<(f64, f64)> = (0..60)
                .map(|i| f64::from(i) - 5.0 + 0.1 * f64::from(k))
                .map(|u| (u, 0.03 * response.peak(u)))
                .collect();
            let late = shift(&ramp_seen(&samples, &response), &response);
            approx::assert_abs_diff_eq!(late, 0.0, epsilon = 1e-9);
        }
    }
}
