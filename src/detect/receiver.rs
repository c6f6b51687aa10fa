//! The receiver's time constants, from the reflections in a trace.

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

/// Most peaks asked.
const ASKED: usize = 5;

/// Estimates the receiver's time constants from peaks whose rise begins behind the
/// samples `edges`: those of the one that is the median of the clearest by their sum, each
/// counted by how well it tells; none without any. And how many told.
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
    let [pole, second] = seen
        .iter()
        .find(|told| {
            below += told.weight;
            below >= half
        })?
        .poles;
    let response = Response {
        pulse,
        pole,
        second,
        ..Response::default()
    };
    Some((response, seen.len()))
}

/// What one peak tells of the receiver.
#[derive(Debug, Clone, Copy)]
struct Told {
    /// Height over the noise, summed over the pulse.
    clearness: f64,
    /// Time constants.
    poles: [f64; 2],
    /// How much it counts.
    weight: f64,
}

impl Told {
    fn sum(&self) -> f64 {
        self.poles[0] + self.poles[1]
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
    let mut best = (f64::INFINITY, 0.0, 0.0);
    let mut found = (0.0, edge as f64);
    let (mut pole, mut place) = ((0.0, slowest), (edge as f64 - 0.5, edge as f64 + 2.5));
    // A grid over both, three times finer around its best.
    for _ in 0..3 {
        for k in 0..=16 {
            let r = pole.0 + (pole.1 - pole.0) * f64::from(k) / 16.0;
            let mut answers = Answers::of(Response {
                pulse,
                pole: r,
                ..Response::default()
            });
            for j in 0..=16 {
                let x = place.0 + (place.1 - place.0) * f64::from(j) / 16.0;
                let (square, height) = square_of(samples, lo, x, &mut answers);
                if square < best.0 {
                    best = (square, r, height);
                    found = (r, x);
                }
            }
        }
        let (dr, dx) = ((pole.1 - pole.0) / 8.0, (place.1 - place.0) / 8.0);
        pole = ((found.0 - dr).max(0.0), (found.0 + dr).min(slowest));
        place = (found.1 - dx, found.1 + dx);
    }
    let (mut square, mut pole, height) = best;
    if !square.is_finite() {
        return None;
    }
    // A receiver that follows at once, unless the samples say otherwise: one more
    // parameter, three standard errors, of the noise or of what the shape leaves, whichever
    // is more: under a high peak the rounding of the levels is more than the noise.
    let mut answers = Answers::of(Response {
        pulse,
        ..Response::default()
    });
    let at_once = (0..=48)
        .map(|j| {
            let x = edge as f64 - 0.5 + f64::from(j) / 16.0;
            square_of(samples, lo, x, &mut answers).0
        })
        .fold(f64::INFINITY, f64::min);
    let variance = |square: f64, free| variance_left(square, samples.len(), free, noise_rms);
    let mut second = 0.0;
    if at_once - square < 9.0 * variance(square, 5) {
        (pole, square) = (0.0, at_once);
    } else if pole > FAST {
        let one = Shape {
            place: found.1,
            poles: [pole, 0.0],
        };
        let (one, with_one) = descend((samples, lo), pulse, slowest, one, 2);
        let two = Shape {
            place: one.place - 0.3 * one.poles[0],
            poles: [0.75 * one.poles[0], 0.35 * one.poles[0]],
        };
        let (two, with_two) = descend((samples, lo), pulse, slowest, two, 3);
        let is_two = with_one - with_two > 9.0 * variance(with_two, 6);
        ([pole, second], square) = if is_two {
            (two.poles, with_two)
        } else {
            (one.poles, with_one)
        };
    }
    // At the end of what was looked through, it is not a time constant: a peak that a ceiling
    // has cut off stays up as long as that.
    if pole >= slowest {
        return None;
    }
    let clearness = height / noise_rms.max(f64::MIN_POSITIVE) * pulse.sqrt();
    // A rise of the level without a peak has no shape to tell.
    let level = samples.iter().take(3).sum::<f64>() / 3.0;
    (clearness > CLEAR && height > LEAST_PEAK * level).then(|| Told {
        clearness,
        poles: [pole, second],
        weight: height * height / variance(square, 5),
    })
}

/// Leading edge of a peak and the time constants behind it.
#[derive(Debug, Clone, Copy)]
struct Shape {
    place: f64,
    poles: [f64; 2],
}

impl Shape {
    /// The shape with its numbers moved, kept where they can be.
    fn moved(&self, by: [f64; 3], slowest: f64) -> Self {
        let pole = (self.poles[0] + by[1]).clamp(0.0, slowest);
        Self {
            place: self.place + by[0],
            poles: [pole, (self.poles[1] + by[2]).clamp(0.0, ALIKE * pole)],
        }
    }

    /// What the best levels and height leave of the samples.
    fn left(&self, samples: &[f64], lo: usize, pulse: f64) -> Vec<f64> {
        let mut answers = Answers::of(Response {
            pulse,
            pole: self.poles[0],
            second: self.poles[1],
            ..Response::default()
        });
        let Some(levels) = levels_of(samples, lo, self.place, &mut answers) else {
            return vec![f64::INFINITY; samples.len()];
        };
        let before = ((self.place - lo as f64).max(0.0) as usize).min(samples.len());
        let (flat, risen) = samples.split_at(before);
        let behind = answers
            .iter()
            .zip(risen)
            .map(|((q, peak), p)| p - levels[0] * (1.0 - q) - levels[1] * q - levels[2] * peak);
        flat.iter().map(|p| p - levels[0]).chain(behind).collect()
    }
}

/// Steps of the search for a shape; it comes to rest in five to ten.
const DAMPED_STEPS: usize = 16;

/// The best shape and its sum of squares, by Levenberg's and Marquardt's damped steps from
/// `best`; the first `free` of place, slower and faster time constant are moved.
fn descend(
    (samples, lo): (&[f64], usize),
    pulse: f64,
    slowest: f64,
    mut best: Shape,
    free: usize,
) -> (Shape, f64) {
    let square = |left: &[f64]| left.iter().map(|r| r * r).sum::<f64>();
    let mut left = best.left(samples, lo, pulse);
    let mut least = square(&left);
    let nudge = 1e-3 * best.poles[0];
    let mut damping = 1e-2;
    for _ in 0..DAMPED_STEPS {
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        let mut product = nalgebra::Vector3::<f64>::zeros();
        let slopes: Vec<Vec<f64>> = (0..free)
            .map(|k| {
                let mut by = [0.0; 3];
                by[k] = nudge;
                let moved = best.moved(by, 2.0 * slowest).left(samples, lo, pulse);
                moved
                    .iter()
                    .zip(&left)
                    .map(|(m, l)| (m - l) / nudge)
                    .collect()
            })
            .collect();
        for (j, slope) in slopes.iter().enumerate() {
            product[j] = slope.iter().zip(&left).map(|(s, l)| s * l).sum();
            for (k, other) in slopes.iter().enumerate() {
                normal[(j, k)] = slope.iter().zip(other).map(|(s, o)| s * o).sum();
            }
        }
        for k in 0..3 {
            normal[(k, k)] += damping * normal[(k, k)] + f64::MIN_POSITIVE;
        }
        let Some(step) = normal.cholesky().map(|c| c.solve(&-product)) else {
            break;
        };
        let next = best.moved([step[0], step[1], step[2]], slowest);
        let next_left = next.left(samples, lo, pulse);
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
}
