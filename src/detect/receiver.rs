//! The receiver's time constants, from the reflections in a trace.

use super::peak_shape::{FAST, Free, Peak, Shape, levels_of, square_of};
use super::power::{Power, SampleState};
use super::response::{Answers, Response};

/// Longest time constant looked for, in pulse lengths: a slower receiver would not
/// have been paired with the pulse.
const SLOWEST: f64 = 0.6;

/// Least height of a peak over its noise, summed over the pulse, that shows a shape.
const CLEAR: f64 = 30.0;

/// Least height of a peak over the backscatter that shows a shape: the fibre's own
/// fall over the few samples looked at, not in the model, is far less.
const LEAST_PEAK: f64 = 0.1;

/// Share of a peak's height that its samples may be off by themselves: levels come rounded
/// to a thousandth of a decibel, 5·10⁻⁴ of the power.
const ROUNDED: f64 = 5e-4;

/// Most peaks asked.
const ASKED: usize = 5;

/// Estimates pulse length and time constants from the peaks whose rise begins behind the
/// samples `edges`, in linear power, where the noise is even.
///
/// Of the five clearest it takes the median by the sum of the constants, each weighed by how
/// well it tells: by the square of its height over what the fit leaves of its samples. Gives
/// also how many told; none where none tells. A single one of which the shape leaves more than
/// [`POORLY`] is taken for want of another and counts as none.
pub(super) fn estimate(
    power: &Power,
    edges: &[usize],
    pulse: f64,
    noise_rms: f64,
) -> Option<(Response, usize)> {
    let mut seen: Vec<Told> = edges
        .iter()
        .filter_map(|&edge| fit(power, edge, pulse, noise_rms))
        .collect();
    seen.sort_by(|a, b| b.clearness.total_cmp(&a.clearness));
    seen.truncate(ASKED);
    seen.sort_by(|a, b| a.sum().total_cmp(&b.sum()));
    let half = 0.5 * seen.iter().map(|told| told.weight).sum::<f64>();
    let mut below = 0.0;
    let median = seen.iter().find(|told| {
        below += told.weight;
        below >= half
    })?;
    let is_poor = median.weight < POORLY.powi(-2);
    let told = if seen.len() == 1 && is_poor {
        0
    } else {
        seen.len()
    };
    Some((median.response, told))
}

/// Share of a peak's height that a receiver's shape leaves of its samples at most: a peak that
/// a ceiling has cut off is flat where a slow receiver still rises.
const POORLY: f64 = 0.02;

/// What one peak tells of the receiver.
#[derive(Debug, Clone, Copy)]
struct Told {
    /// Height over the noise, summed over the pulse.
    clearness: f64,
    /// Pulse and time constants.
    response: Response,
    /// How much it counts.
    weight: f64,
}

impl Told {
    fn sum(&self) -> f64 {
        self.response.pole + self.response.second
    }
}

/// Steps in which a place is told.
const PLACES: i32 = 240;

/// What the receiver's shape, told by the same peaks, may put a leading edge off by, samples: a
/// quarter of what a peak must tell to be asked how late steps come (`lateness.rs`).
pub(super) const SHAPE_DOUBT: f64 = 0.025;

/// Leading edge of a peak whose rise begins behind sample `edge`, to a fraction of a
/// sample, from the shape that a known receiver gives it, and its standard error: that of
/// the noise, or of what the shape leaves where that is more. None where the receiver
/// is so fast that the samples do not tell.
pub(super) fn place(
    power: &Power,
    edge: usize,
    response: &Response,
    noise_rms: f64,
) -> Option<(f64, f64)> {
    if response.pole < FAST {
        return None;
    }
    let (lo, samples) = around(power, edge, response.pulse)?;
    // With two poles the rise begins more slowly than the samples show.
    let (from, to) = (edge as f64 - 0.5 - response.second, edge as f64 + 2.5);
    let mut answers = Answers::of(*response);
    let x = |j: i32| from + (to - from) * f64::from(j) / f64::from(PLACES);
    let mut best_of = |row: &mut dyn Iterator<Item = i32>| {
        let best = row
            .map(|j| (j, square_of(samples, lo, x(j), &mut answers).0))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        best.map(|best| best.0)
    };
    // In steps twenty times as wide first, then four times: what is left has one bottom, so that the
    // best place lies between the neighbours of the best one seen.
    let rough = best_of(&mut (0..=PLACES).step_by(20))?;
    let near = best_of(&mut ((rough - 20).max(0)..=(rough + 20).min(PLACES)).step_by(4))?;
    let best = best_of(&mut ((near - 3).max(0)..=(near + 3).min(PLACES)))?;
    // At the end of what was looked through, it is not a place.
    if best <= 0 || best >= PLACES {
        return None;
    }
    // The parabola through the best and its neighbours: its bottom, and how sharp it is.
    let [before, least, behind] =
        [best - 1, best, best + 1].map(|j| square_of(samples, lo, x(j), &mut answers).0);
    let step = (to - from) / f64::from(PLACES);
    let bend = before - 2.0 * least + behind;
    if !(bend > 0.0 && bend.is_finite()) {
        return Some((x(best), SHAPE_DOUBT.hypot(step)));
    }
    let off = 0.5 * (before - behind) / bend;
    let variance = variance_left(least, samples.len(), 4, noise_rms);
    let error = step * (2.0 * variance / bend).sqrt();
    Some((x(best) + off * step, error.hypot(SHAPE_DOUBT)))
}

/// Variance of a sample about a shape with so many free numbers: what it leaves, at least
/// the noise.
fn variance_left(square: f64, samples: usize, free: usize, noise_rms: f64) -> f64 {
    let left = square / samples.saturating_sub(free).max(1) as f64;
    left.max(noise_rms * noise_rms).max(f64::MIN_POSITIVE)
}

/// The samples from before a rise to a pulse behind the pulse, and the first one's index;
/// none where one of them is clipped, or has no light before the pulse is over.
///
/// Behind the fibre's last reflection comes noise, part of it cut at zero: there they go as
/// far as the first sample that is.
fn around(power: &Power, edge: usize, pulse: f64) -> Option<(usize, &[f64])> {
    let n_w = pulse.ceil() as usize;
    let lo = edge.checked_sub(3 + n_w.min(16))?;
    let fallen = edge + n_w + 2;
    let states = power.state.get(lo..edge + 2 * n_w + 4)?;
    let good = states
        .iter()
        .take_while(|s| **s == SampleState::Good)
        .count();
    let no_light = states.get(good).is_none_or(|s| *s == SampleState::NoLight);
    (lo + good >= fallen && no_light).then(|| (lo, &power.value[lo..lo + good]))
}

/// What the peak behind sample `edge` tells.
fn fit(power: &Power, edge: usize, pulse: f64, noise_rms: f64) -> Option<Told> {
    let (lo, samples) = around(power, edge, pulse)?;
    let slowest = (SLOWEST * pulse).max(0.5);
    // A grid over both; from its best place downhill.
    let mut rough = (f64::INFINITY, Shape::default());
    for k in 0..=GRID {
        let pole = slowest * f64::from(k) / f64::from(GRID);
        let mut answers = Answers::of(Response {
            pulse,
            pole,
            ..Response::default()
        });
        for j in 0..=GRID {
            let place = edge as f64 - 0.5 + 3.0 * f64::from(j) / f64::from(GRID);
            let (square, _) = square_of(samples, lo, place, &mut answers);
            if square < rough.0 {
                let shape = Shape {
                    place,
                    pole,
                    second: 0.0,
                    pulse,
                };
                rough = (square, shape);
            }
        }
    }
    let (square, start) = rough;
    if !square.is_finite() {
        return None;
    }
    let peak = Peak {
        samples,
        lo,
        slowest,
        stated: pulse,
    };
    // At no time constant at all there is no slope to follow.
    let off_bound = Shape {
        pole: start.pole.max(slowest / (4.0 * f64::from(GRID))),
        ..start
    };
    let (one, square) = peak.downhill(off_bound, [Free::Place, Free::Pole]);
    let mut answers = Answers::of(one.response());
    let [_, _, height] = levels_of(samples, lo, one.place, &mut answers)?;
    // A receiver that follows at once, unless the samples say otherwise.
    let mut answers = Answers::of(Response {
        pulse,
        ..Response::default()
    });
    // Its answer changes only where a sample enters the pulse or leaves it: in the middle
    // between two such places it is as good as anywhere between them.
    let leaves = 1.0 - pulse.fract();
    let at_once = (0..=3)
        .flat_map(|k| [0.5 * leaves, 0.5 * (1.0 + leaves)].map(|part| f64::from(k) - 1.0 + part))
        .map(|off| square_of(samples, lo, edge as f64 + off, &mut answers).0)
        .fold(f64::INFINITY, f64::min);
    // Under a high peak the rounding of the levels, or what the shape leaves, is more than
    // the noise.
    let least_rms = noise_rms.max(ROUNDED * height);
    let variance = |square: f64| variance_left(square, samples.len(), FREE, least_rms);
    let (shape, square) = if at_once - square < BEYOND_CHANCE * variance(square) {
        (Shape { pole: 0.0, ..start }, at_once)
    } else {
        peak.with_more((one, square), variance)
    };
    // At the end of what was looked through, it is not a time constant: a peak that a ceiling
    // has cut off stays up as long as that.
    if shape.pole >= slowest {
        return None;
    }
    let clearness = height / noise_rms.max(f64::MIN_POSITIVE) * pulse.sqrt();
    // A rise of the level without a peak has no shape to tell.
    let level = samples.iter().take(3).sum::<f64>() / 3.0;
    (clearness > CLEAR && height > LEAST_PEAK * level).then(|| Told {
        clearness,
        response: shape.response(),
        weight: height * height / variance(square),
    })
}

/// Numbers of the fullest shape: three levels, a place, two time constants and the pulse.
const FREE: usize = 7;

/// Drop of the sum of squares over the variance of a sample from which one number more is
/// believed: three standard errors.
const BEYOND_CHANCE: f64 = 9.0;

/// Steps of the grid over time constant and place: what lies between two of them is found
/// downhill.
const GRID: i32 = 8;

impl Peak<'_> {
    /// The shape with a faster time constant and a pulse of its own beside the slower
    /// constant, each where it lessens the sum of squares beyond chance.
    fn with_more(
        &self,
        (one, square): (Shape, f64),
        variance: impl Fn(f64) -> f64,
    ) -> (Shape, f64) {
        let gains = |from: f64, to: f64| from - to > BEYOND_CHANCE * variance(to);
        // Nothing lessens it by more than all of it.
        if one.pole <= FAST || !gains(square, 0.0) {
            return (one, square);
        }
        let two = Shape {
            place: one.place - 0.3 * one.pole,
            pole: 0.75 * one.pole,
            second: 0.35 * one.pole,
            ..one
        };
        let poles = self.downhill(two, [Free::Place, Free::Pole, Free::Second]);
        let length = self.downhill(one, [Free::Place, Free::Pole, Free::Pulse]);
        let (more, with_all) = if poles.1 < length.1 {
            (poles, poles.0)
        } else {
            let pulse = length.0.pulse;
            (length, Shape { pulse, ..two })
        };
        if !gains(square, more.1) {
            return (one, square);
        }
        let free = [Free::Place, Free::Pole, Free::Second, Free::Pulse];
        let all = self.downhill(with_all, free);
        if gains(more.1, all.1) { all } else { more }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A peak twice as high as the backscatter behind sample 30.3, with a step of a tenth under
    /// it, as `truth` shows it.
    fn made(truth: Response) -> Power {
        let value: Vec<f64> = (0..160)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        }
    }

    /// What is told where a pulse of `stated` samples was set.
    fn told(truth: Response, stated: f64) -> Option<Response> {
        estimate(&made(truth), &[30], stated, 1e-6).map(|(found, _)| found)
    }

    // The model is exact, and the search comes to rest far within a hundredth of a sample.

    #[test]
    fn finds_the_time_constant_of_a_made_peak() {
        // Off the grid, and below its first step, which is 0.075 of the pulse.
        for (pulse, pole) in [(10.0, 1.3), (10.0, 0.3), (50.0, 1.0), (20.0, 0.4)] {
            let truth = Response {
                pulse,
                pole,
                ..Response::default()
            };
            let found = told(truth, pulse).unwrap();
            approx::assert_abs_diff_eq!(found.pole, pole, epsilon = 0.01);
        }
    }

    #[test]
    fn a_receiver_that_follows_at_once_has_none() {
        let truth = Response {
            pulse: 10.4,
            ..Response::default()
        };
        let found = told(truth, 10.4).unwrap();
        assert!(found.pole + found.second <= 0.0, "{found:?}");
    }

    #[test]
    fn a_time_constant_beyond_those_looked_for_is_not_told() {
        // Truth: one pole of 8 samples, where up to 0.6·10 are looked for; the best of those is
        // the end of the search and nothing that the peak tells.
        let truth = Response {
            pulse: 10.0,
            pole: 8.0,
            ..Response::default()
        };
        assert_eq!(told(truth, 10.0), None);
    }

    #[test]
    fn finds_two_time_constants_of_a_made_peak() {
        let truth = Response {
            pulse: 10.0,
            pole: 2.0,
            second: 0.8,
            ..Response::default()
        };
        let found = told(truth, 10.0).unwrap();
        approx::assert_abs_diff_eq!(found.pole, 2.0, epsilon = 0.01);
        approx::assert_abs_diff_eq!(found.second, 0.8, epsilon = 0.01);
    }

    #[test]
    fn finds_a_pulse_that_is_not_as_stated() {
        let truth = Response {
            pulse: 10.4,
            pole: 2.0,
            ..Response::default()
        };
        let found = told(truth, 10.0).unwrap();
        approx::assert_abs_diff_eq!(found.pulse, 10.4, epsilon = 0.01);
        approx::assert_abs_diff_eq!(found.pole, 2.0, epsilon = 0.01);
    }
}
