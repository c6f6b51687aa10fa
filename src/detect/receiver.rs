//! The receiver's time constants, from the reflections in a trace.

use nalgebra::{SMatrix, SVector};

use super::power::{Power, SampleState};
use super::response::{ALIKE, Answers, Response};

/// Longest time constant looked for, in pulse lengths: a slower receiver would not
/// have been paired with the pulse.
const SLOWEST: f64 = 0.6;

/// Least height of a peak over its noise, summed over the pulse, that shows a shape.
const CLEAR: f64 = 30.0;

/// Time constant in samples below which a rise is over within one sample.
const FAST: f64 = 0.15;

/// Least height of a peak over the backscatter that shows a shape: the fibre's own
/// fall over the few samples looked at, not in the model, is far less.
const LEAST_PEAK: f64 = 0.1;

/// Share of a peak's height that its samples may be off by themselves: levels come rounded
/// to a thousandth of a decibel, 5·10⁻⁴ of the power.
const ROUNDED: f64 = 5e-4;

/// Most peaks asked.
const ASKED: usize = 5;

/// Estimates the receiver's time constants, and by what the pulse differs from the stated
/// one, from peaks whose rise begins behind the samples `edges`: those of the one that is the
/// median of the clearest by the sum of its constants, each counted by how well it tells; none
/// without any. And how many told.
///
/// Each is fitted in linear power, where the noise is even, by a level before, a
/// level after and a peak, over all places within a sample and a half and time
/// constants up to six tenths of the pulse. A peak tells as the square of its height over
/// what the fit leaves of its samples: one with a neighbour in its tail counts for little.
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
    Some((median.response, seen.len()))
}

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
const SHAPE_DOUBT: f64 = 0.025;

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
    // At every tenth of a sample first: the shape is broader than that.
    let rough = best_of(&mut (0..=PLACES).step_by(8))?;
    let best = best_of(&mut ((rough - 8).max(0)..=(rough + 8).min(PLACES)))?;
    // At the end of what was looked through, it is not a place.
    if best <= 0 || best >= PLACES {
        return None;
    }
    // The parabola through the best and its neighbours: its bottom, and how sharp it is.
    let [before, least, behind] =
        [best - 1, best, best + 1].map(|j| square_of(samples, lo, x(j), &mut answers).0);
    let step = (to - from) / f64::from(PLACES);
    let bend = before - 2.0 * least + behind;
    if bend <= 0.0 {
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
    let (one, square) = peak.downhill(start, [Free::Place, Free::Pole]);
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

/// Leading edge of a peak, the time constants behind it, and the pulse.
#[derive(Debug, Clone, Copy, Default)]
struct Shape {
    place: f64,
    pole: f64,
    second: f64,
    pulse: f64,
}

/// A number of a shape that a search may move.
#[derive(Debug, Clone, Copy)]
enum Free {
    Place,
    Pole,
    Second,
    Pulse,
}

/// Share by which a pulse may be longer or shorter than stated and still be that pulse.
const PULSE_OFF: f64 = 0.2;

impl Shape {
    fn response(&self) -> Response {
        Response {
            pulse: self.pulse,
            pole: self.pole,
            second: self.second,
            ..Response::default()
        }
    }
}

/// The samples of a peak, the first of them at index `lo`.
struct Peak<'p> {
    samples: &'p [f64],
    lo: usize,
    /// Longest time constant.
    slowest: f64,
    /// The pulse as stated.
    stated: f64,
}

impl Peak<'_> {
    /// What a shape leaves of each sample.
    fn left(&self, shape: &Shape) -> Vec<f64> {
        let mut answers = Answers::of(shape.response());
        let Some(levels) = levels_of(self.samples, self.lo, shape.place, &mut answers) else {
            return vec![f64::INFINITY; self.samples.len()];
        };
        let before = ((shape.place - self.lo as f64).max(0.0) as usize).min(self.samples.len());
        let (flat, risen) = self.samples.split_at(before);
        let behind = answers
            .iter()
            .zip(risen)
            .map(|((q, peak), p)| p - levels[0] * (1.0 - q) - levels[1] * q - levels[2] * peak);
        flat.iter().map(|p| p - levels[0]).chain(behind).collect()
    }

    /// The shape with a faster time constant and a pulse of its own beside the slower
    /// constant, each where it lessens the sum of squares beyond chance.
    fn with_more(
        &self,
        (one, square): (Shape, f64),
        variance: impl Fn(f64) -> f64,
    ) -> (Shape, f64) {
        if one.pole <= FAST {
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
        let gains = |from: f64, to: f64| from - to > BEYOND_CHANCE * variance(to);
        if !gains(square, more.1) {
            return (one, square);
        }
        let free = [Free::Place, Free::Pole, Free::Second, Free::Pulse];
        let all = self.downhill(with_all, free);
        if gains(more.1, all.1) { all } else { more }
    }

    /// A shape with some of its numbers moved, kept where they can be.
    fn moved<const N: usize>(&self, shape: &Shape, free: [Free; N], by: &[f64]) -> Shape {
        let mut moved = *shape;
        for (number, by) in free.into_iter().zip(by) {
            match number {
                Free::Place => moved.place += by,
                Free::Pole => moved.pole += by,
                Free::Second => moved.second += by,
                Free::Pulse => moved.pulse += by,
            }
        }
        moved.pole = moved.pole.clamp(0.0, self.slowest);
        moved.second = moved.second.clamp(0.0, ALIKE * moved.pole);
        let (least, most) = (1.0 - PULSE_OFF, 1.0 + PULSE_OFF);
        moved.pulse = (moved.pulse).clamp(least * self.stated, most * self.stated);
        moved
    }

    /// The best shape downhill from `start` and its sum of squares: damped least squares,
    /// by Levenberg and Marquardt, over the numbers that are free.
    fn downhill<const N: usize>(&self, start: Shape, free: [Free; N]) -> (Shape, f64) {
        let square = |left: &[f64]| left.iter().map(|r| r * r).sum::<f64>();
        let mut best = start;
        let mut left = self.left(&best);
        let mut least = square(&left);
        let mut damping = 1e-2;
        let nudge = 1e-3 * start.pole.max(FAST);
        for _ in 0..DAMPED_STEPS {
            let mut normal = SMatrix::<f64, N, N>::zeros();
            let mut product = SVector::<f64, N>::zeros();
            let slopes: [Vec<f64>; N] = std::array::from_fn(|k| {
                let mut by = [0.0; N];
                by[k] = nudge;
                // From a bound inwards.
                let ahead = self.moved(&best, free, &by);
                by[k] = -nudge;
                let (at, nudge) = if same(&ahead, &best) {
                    (self.moved(&best, free, &by), -nudge)
                } else {
                    (ahead, nudge)
                };
                let moved = self.left(&at);
                let slope = |(m, l): (&f64, &f64)| (m - l) / nudge;
                moved.iter().zip(&left).map(slope).collect()
            });
            for (j, slope) in slopes.iter().enumerate() {
                product[j] = slope.iter().zip(&left).map(|(s, l)| s * l).sum();
                for (k, other) in slopes.iter().enumerate() {
                    normal[(j, k)] = slope.iter().zip(other).map(|(s, o)| s * o).sum();
                }
            }
            for k in 0..N {
                normal[(k, k)] += damping * normal[(k, k)] + f64::MIN_POSITIVE;
            }
            let Some(step) = normal.cholesky().map(|c| c.solve(&-product)) else {
                break;
            };
            let next = self.moved(&best, free, step.as_slice());
            let next_left = self.left(&next);
            let next_square = square(&next_left);
            if next_square < least {
                let settled = least - next_square < 1e-9 * least;
                (best, left, least) = (next, next_left, next_square);
                damping *= 0.2;
                if settled {
                    break;
                }
            } else {
                damping *= 8.0;
            }
        }
        (best, least)
    }
}

/// Whether two shapes are the same to the last bit.
fn same(one: &Shape, other: &Shape) -> bool {
    let bits = |s: &Shape| [s.place, s.pole, s.second, s.pulse].map(f64::to_bits);
    bits(one) == bits(other)
}

/// Steps of the damped least squares at most; it comes to rest in five or six.
const DAMPED_STEPS: usize = 16;

/// Steps of the grid over time constant and place: what lies between two of them is found
/// downhill.
const GRID: i32 = 8;

/// Sum of squares and peak height of the best levels and peak with the edge at `x`.
fn square_of(samples: &[f64], lo: usize, x: f64, answers: &mut Answers) -> (f64, f64) {
    let Some(levels) = levels_of(samples, lo, x, answers) else {
        return (f64::INFINITY, 0.0);
    };
    let [level, after, height] = levels;
    let before = ((x - lo as f64).max(0.0) as usize).min(samples.len());
    let (flat, risen) = samples.split_at(before);
    let square = flat.iter().map(|p| (p - level).powi(2)).sum::<f64>()
        + answers
            .iter()
            .zip(risen)
            .map(|((q, peak), p)| (p - level * (1.0 - q) - after * q - height * peak).powi(2))
            .sum::<f64>();
    (square, height)
}

/// The best level before, level after and height of a peak with the edge at `x`; `answers`
/// begin with the first sample behind it.
fn levels_of(samples: &[f64], lo: usize, x: f64, answers: &mut Answers) -> Option<[f64; 3]> {
    // Three columns: level before, level after, peak. Sums of their products, and with the
    // power.
    let (mut rr, mut rq, mut qq, mut rb, mut qb, mut bb) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut rp, mut qp, mut bp) = (0.0, 0.0, 0.0);
    // Before the edge nothing answers; from the last sample there on, all in a row.
    let before = ((x - lo as f64).max(0.0) as usize).min(samples.len());
    let (flat, risen) = samples.split_at(before);
    answers.begin((lo + before) as f64 - x, risen.len());
    for ((q, peak), p) in answers.iter().zip(risen) {
        let r = 1.0 - q;
        rr += r * r;
        rq += r * q;
        qq += q * q;
        rb += r * peak;
        qb += q * peak;
        bb += peak * peak;
        rp += r * p;
        qp += q * p;
        bp += peak * p;
    }
    rr += before as f64;
    rp += flat.iter().sum::<f64>();
    // By elimination; a pivot that is not positive is a column that tells nothing.
    let (u, v) = (rq / rr, rb / rr);
    let (q_left, b_left) = (qq - u * rq, qb - u * rb);
    let w = b_left / q_left;
    let last = bb - v * rb - w * b_left;
    if !(rr > 0.0 && q_left > 0.0 && last > 0.0) {
        return None;
    }
    let q_power = qp - u * rp;
    let height = (bp - v * rp - w * q_power) / last;
    let after = (q_power - b_left * height) / q_left;
    Some([(rp - rq * after - rb * height) / rr, after, height])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_time_constant_of_a_made_peak() {
        // Truth: one pole of 1.5 samples. The grid's first step is 6/16 = 0.375 and its last a
        // sixteenth of that, 0.023; where a second pole is let in, it takes up to 0.1 of it.
        let truth = Response {
            pulse: 10.0,
            pole: 1.5,
            ..Response::default()
        };
        let value: Vec<f64> = (0..80)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        let (found, _) = estimate(&power, &[30], 10.0, 1e-6).unwrap();
        approx::assert_abs_diff_eq!(found.pole, 1.5, epsilon = 0.13);
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
        let value: Vec<f64> = (0..80)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        assert_eq!(estimate(&power, &[30], 10.0, 1e-6), None);
    }

    #[test]
    fn finds_two_time_constants_of_a_made_peak() {
        // Truth: two poles of 2 and 0.8 samples. The search is stopped at a change of the
        // sum of squares by 1e-9, far within a hundredth of a sample.
        let truth = Response {
            pulse: 10.0,
            pole: 2.0,
            second: 0.8,
            ..Response::default()
        };
        let value: Vec<f64> = (0..80)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        let (found, _) = estimate(&power, &[30], 10.0, 1e-6).unwrap();
        approx::assert_abs_diff_eq!(found.pole, 2.0, epsilon = 0.01);
        approx::assert_abs_diff_eq!(found.second, 0.8, epsilon = 0.01);
    }

    #[test]
    fn finds_a_pulse_that_is_not_as_stated() {
        // Truth: a pulse of 10.4 samples, stated as 10, through a pole of 2. The model is
        // exact and the search comes to rest far within a hundredth of a sample.
        let truth = Response {
            pulse: 10.4,
            pole: 2.0,
            ..Response::default()
        };
        let value: Vec<f64> = (0..80)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        let (found, _) = estimate(&power, &[30], 10.0, 1e-6).unwrap();
        approx::assert_abs_diff_eq!(found.pulse, 10.4, epsilon = 0.01);
        approx::assert_abs_diff_eq!(found.pole, 2.0, epsilon = 0.01);
    }
}
