//! Where a receiver has recovered from a strong reflection.
//!
//! Behind the pulse the level is fibre, and on top of it one or more exponentials by
//! which the receiver recovers. A stretch is fitted by a line, by a line with one
//! exponential, and by a line with one step; while the exponential explains it
//! beyond chance and better than a step does, the stretch begins later.

use super::noise::{Noise, moments, spread};
use super::power::{Power, SampleState};
use super::running::sums;

/// Lengths of the stretches looked at, in samples: a fast recovery shows in the
/// short one, a slow one in the long ones.
const STRETCHES: [usize; 4] = [24, 64, 192, 576];

/// Drop of χ² from which an exponential is believed: amplitude and time constant are
/// free, and 25 comes by chance less than once in 100,000 stretches.
const BELIEVED: f64 = 25.0;

/// The same behind a reflection that a ceiling has cut off, in the shortest stretch: a receiver in
/// overload is expected to recover, and 9 comes by chance once in 100 stretches, which then begin
/// later for nothing. A longer stretch would hide more for it, see [`believed`].
const BELIEVED_IN_OVERLOAD: f64 = 9.0;

/// Joints that a stretch may hold: in the longest there is room for some, and an
/// exponential explains three in a row better than any one step does.
const MOST_JOINTS: usize = 3;

/// Fewest samples in which a recovery shows.
const LEAST: usize = 12;

/// Part of the noise of a mean over one time constant that may be left of it.
const LEFT: f64 = 0.2;

/// Shortest time constant looked for, in samples: a faster recovery is over with the pulse.
const SHORTEST: f64 = 1.5;

/// Factor from one time constant looked for to the next: of two exponentials off by its root each
/// explains all but 3 % of the other (they correlate by 0.986), beside a line too. Between the
/// best and its neighbours it is looked for again: then less than a hundredth is left.
const NEXT_TIME: f64 = 1.96;

/// Most steps forward; each at least one sample, the usual case takes none to three.
const MOST_STEPS: usize = 24;

/// First sample from `first` on where no recovery shows any more, before `limit`; `overload`
/// where a ceiling has cut the reflection off.
pub(super) fn settled(
    (power, noise): (&Power, &Noise),
    first: usize,
    limit: usize,
    overload: bool,
) -> usize {
    let mut at = first;
    while at < limit && power.state[at] == SampleState::Clipped {
        at += 1;
    }
    for _ in 0..MOST_STEPS {
        let longest = STRETCHES
            .iter()
            .filter(|&&length| at + length <= limit)
            .filter_map(|&length| recovery((power, noise), at, length, overload))
            .max();
        // Before a near neighbour whatever room there is.
        let room = limit.saturating_sub(at);
        let longest = if room < STRETCHES[0] && room >= LEAST {
            recovery((power, noise), at, room, overload)
        } else {
            longest
        };
        match longest {
            Some(on) => at = (at + on).min(limit),
            None => break,
        }
    }
    at
}

/// Samples until the recovery seen in the `length` samples from `at` has gone; none
/// where a line, or a line with a step, explains them as well.
fn recovery(
    (power, noise): (&Power, &Noise),
    at: usize,
    length: usize,
    overload: bool,
) -> Option<usize> {
    let samples = &power.value[at..at + length];
    let mean = |lo: usize, hi: usize| samples[lo..hi].iter().sum::<f64>() / (hi - lo) as f64;
    // The fibre's own decay from the last half, taken out: what is left is straight.
    let (p, q) = (
        mean(length / 2, 3 * length / 4),
        mean(3 * length / 4, length),
    );
    if p <= 0.0 || q <= 0.0 {
        return None;
    }
    let rate = (p / q).ln() / (length as f64 / 4.0);
    let level = q * (rate * length as f64 / 8.0).exp();
    // The power of the decay changes by one factor a sample.
    let first = 1.0 / (level * (rate * (length as f64 - 1.0)).exp());
    let factor = rate.exp();
    let grown = std::iter::successors(Some(first), |gain| Some(gain * factor));
    let straight: Vec<f64> = samples
        .iter()
        .zip(grown)
        .map(|(v, gain)| v * gain)
        .collect();
    let variance = (noise.density(level) / (level * level)).max(1e-24);
    let left = beside_line(&straight);
    let (gain, time, amplitude) = best_exponential(&left)?;
    if gain < believed(length, overload) * variance
        || steps_explain(&straight, gain, variance, overload)
    {
        return None;
    }
    let sd = (variance / time).sqrt();
    let on = time * (amplitude / (LEFT * sd)).max(std::f64::consts::E).ln();
    // Beyond the stretch nothing is known of it: go on from there.
    Some((on.ceil() as usize).clamp(1, length))
}

/// Drop of χ² from which an exponential in a stretch of `length` samples is believed. In overload
/// it grows so that chance hides as many samples of a long stretch as of a short one: a drop of x
/// comes by chance as exp(−x/2).
fn believed(length: usize, overload: bool) -> f64 {
    if !overload {
        return BELIEVED;
    }
    let longer = (length as f64 / STRETCHES[0] as f64).max(1.0);
    BELIEVED_IN_OVERLOAD + 2.0 * longer.ln()
}

/// What the least-squares line through samples in a row leaves of them.
fn beside_line(y: &[f64]) -> Vec<f64> {
    let n = y.len() as f64;
    let (sum, moment) = moments(y);
    let (mean, slope) = (sum / n, moment / spread(n));
    let middle = (n - 1.0) / 2.0;
    let offset = |i: usize| i as f64 - middle;
    let rest = |(i, v): (usize, &f64)| v - mean - slope * offset(i);
    y.iter().enumerate().map(rest).collect()
}

/// Drop of the sum of squares that a column fitted beside the line gives, and its
/// amplitude. Of the column: its sums alone, times the distance from the middle, squared,
/// and times what the line left of the samples.
fn beside(n: f64, [sum, moment, square, product]: [f64; 4]) -> (f64, f64) {
    // What is left of the column beside a line of its own decides.
    let left = square - sum * sum / n - moment * moment / spread(n);
    if left <= 0.0 {
        return (0.0, 0.0);
    }
    (product * product / left, product / left)
}

/// [`beside`] for an exponential that begins with the samples: the sums of its powers in
/// closed form, and the product as far as the exponential is not lost in rounding.
fn exponential(left: &[f64], time: f64) -> (f64, f64) {
    let n = left.len() as f64;
    let factor = (-1.0 / time).exp();
    let last = (-n / time).exp();
    let sum = (1.0 - last) / (1.0 - factor);
    // Σ i·f^i = (f·(1 − fⁿ)/(1 − f) − n·fⁿ)/(1 − f).
    let first_moment = (factor * sum - n * last) / (1.0 - factor);
    let moment = first_moment - 0.5 * (n - 1.0) * sum;
    let square = (1.0 - last * last) / (1.0 - factor * factor);
    let seen = &left[..left.len().min((LOST_IN_ROUNDING * time) as usize)];
    let product = fading_sum(seen, factor);
    beside(n, [sum, moment, square, product])
}

/// Gain, time constant and amplitude of the exponential above the line that explains most of
/// what a line left of samples; none where all lie below it.
fn best_exponential(left: &[f64]) -> Option<(f64, f64, f64)> {
    let times = SHORTEST..=left.len() as f64 / 3.0;
    let better = |best: (f64, f64, f64), time: f64| {
        if !times.contains(&time) {
            return best;
        }
        let (gain, amplitude) = exponential(left, time);
        if amplitude > 0.0 && gain > best.0 {
            (gain, time, amplitude)
        } else {
            best
        }
    };
    let all = std::iter::successors(Some(SHORTEST), |time| Some(time * NEXT_TIME));
    let looked_at = all.take_while(|time| times.contains(time));
    let rough = looked_at.fold((0.0, 0.0, 0.0), better);
    let beside = [rough.1 / NEXT_TIME.sqrt(), rough.1 * NEXT_TIME.sqrt()];
    let best = beside.into_iter().fold(rough, better);
    (best.0 > 0.0).then_some(best)
}

/// Σ fᵏ·yₖ, in four sums side by side: one waits for every product and addition.
fn fading_sum(y: &[f64], factor: f64) -> f64 {
    let (fours, rest) = y.as_chunks::<4>();
    let mut powers = [1.0, factor, factor * factor, factor * factor * factor];
    let four = powers[3] * factor;
    let mut sums = [0.0; 4];
    for chunk in fours {
        for k in 0..4 {
            sums[k] += powers[k] * chunk[k];
            powers[k] *= four;
        }
    }
    let rest: f64 = rest.iter().zip(powers).map(|(y, power)| y * power).sum();
    sums.iter().sum::<f64>() + rest
}

/// Time constants after which an exponential is less than the rounding of its beginning.
const LOST_IN_ROUNDING: f64 = 37.0;

/// Whether up to three steps, taken one after the other, explain samples as well as an
/// exponential that lowers the sum of squares by `gain`: each step has a place and a
/// height more, for which the drop must be half of [`BELIEVED`], in overload, too. The first
/// costs nothing where it is as likely as a recovery, which in `overload` it is not.
fn steps_explain(straight: &[f64], gain: f64, variance: f64, overload: bool) -> bool {
    let price = 0.5 * BELIEVED * variance;
    let mut samples = straight.to_vec();
    let mut total = 0.0;
    for count in 0..MOST_JOINTS {
        let step = best_step(&beside_line(&samples));
        total += step.gain;
        if total - price * (count + usize::from(overload)) as f64 > gain {
            return true;
        }
        for sample in &mut samples[..step.before] {
            *sample -= step.height;
        }
    }
    false
}

/// A step of samples in a row.
#[derive(Debug, Clone, Copy, Default)]
struct BestStep {
    /// Drop of the sum of squares that it gives.
    gain: f64,
    /// Samples before it.
    before: usize,
    /// How much higher these are.
    height: f64,
}

/// The step that explains most of what a line left of samples: where it is looked for in
/// strides, it is placed to a sample afterwards, or a clear step would be explained worse
/// than by an exponential.
fn best_step(left: &[f64]) -> BestStep {
    let n = left.len();
    let stride = (n / 32).max(1);
    let sums = sums(left.iter().copied());
    let better = |best: BestStep, before: usize| {
        let (k, n) = (before as f64, n as f64);
        // Ones before k: Σ (i − middle) = k·(k − n)/2.
        let (gain, height) = beside(n, [k, 0.5 * k * (k - n), k, sums[before]]);
        if gain > best.gain {
            BestStep {
                gain,
                before,
                height,
            }
        } else {
            best
        }
    };
    let last = n.saturating_sub(2);
    let rough = (2..last).step_by(stride).fold(BestStep::default(), better);
    let near = (rough.before + 1).saturating_sub(stride).max(2)..(rough.before + stride).min(last);
    near.fold(rough, better)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Second computation: term by term; rounding only.
    #[test]
    fn sums_of_an_exponential_are_those_of_its_terms() {
        let y: Vec<f64> = (0..39)
            .map(|k| f64::from((k * 7919) % 100) - 40.0)
            .collect();
        for n in [0, 1, 3, 4, 5, 39] {
            let wanted: f64 = (0..n).map(|k| 0.9_f64.powi(k as i32) * y[k]).sum();
            approx::assert_abs_diff_eq!(fading_sum(&y[..n], 0.9), wanted, epsilon = 1e-10);
        }
    }

    /// Closed form: samples that are an exponential lose all of their sum of squares to one of
    /// their own time constant. Of any other, as it lies among those looked for, less than a
    /// hundredth is left; one that is shorter than all of them is told as one of them.
    #[test]
    fn an_exponential_of_any_time_constant_is_explained() {
        for length in [LEAST].into_iter().chain(STRETCHES) {
            let times = SHORTEST..=length as f64 / 3.0;
            let best = |time: f64| {
                let y: Vec<f64> = (0..length).map(|i| (-(i as f64) / time).exp()).collect();
                let left = beside_line(&y);
                let whole: f64 = left.iter().map(|r| r * r).sum();
                let (gain, found, _) = best_exponential(&left).unwrap();
                assert!(times.contains(&found), "{length}, {time}: {found}");
                gain / whole
            };
            for k in 0..=60 {
                let time = SHORTEST * (times.end() / SHORTEST).powf(f64::from(k) / 60.0);
                let share = best(time);
                assert!(share >= 0.99, "{length}, {time}: {share}");
            }
            best(0.9);
        }
    }

    fn noise() -> Noise {
        Noise {
            receiver: 1e-8,
            receiver_sum: 1e-8,
            shot: 0.0,
            rounding: 0.0,
            fading: 0.0,
            pulse_samples: 6.0,
        }
    }

    fn made(shape: impl Fn(f64) -> f64, seed: u64) -> Power {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let value: Vec<f64> = (0..1200)
            .map(|i| {
                let x = f64::from(i);
                let normal: f64 = StandardNormal.sample(&mut rng);
                (-(x) * 2e-4).exp() * shape(x) + 1e-4 * normal
            })
            .collect();
        Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        }
    }

    #[test]
    fn an_exponential_is_summed_as_sample_by_sample() {
        // Second computation: the sums written out. Differences of powers near 1 cost up to six
        // of sixteen digits at the longest time.
        for n in [12_usize, 24, 576] {
            let left: Vec<f64> = (0..n)
                .map(|i| f64::from((i as u32 * 37) % 11) - 5.0)
                .collect();
            for time in [1.5, 4.0, n as f64 / 3.0] {
                let (mut sums, middle) = ([0.0; 4], (n as f64 - 1.0) / 2.0);
                for (i, r) in left.iter().enumerate() {
                    let column = (-(i as f64) / time).exp();
                    let products = [1.0, i as f64 - middle, column, *r];
                    for (sum, product) in sums.iter_mut().zip(products) {
                        *sum += column * product;
                    }
                }
                let (gain, amplitude) = beside(n as f64, sums);
                let found = exponential(&left, time);
                approx::assert_relative_eq!(found.0, gain, max_relative = 1e-8, epsilon = 1e-9);
                approx::assert_relative_eq!(
                    found.1,
                    amplitude,
                    max_relative = 1e-8,
                    epsilon = 1e-9
                );
            }
        }
    }

    #[test]
    fn plain_fibre_and_a_step_are_settled_at_once() {
        for seed in 0..20 {
            let plain = made(|_| 1.0, seed);
            assert_eq!(
                settled((&plain, &noise()), 10, 1200, false),
                10,
                "seed {seed}"
            );
            // A step of 0.1 dB, 2·0.1·ln10/10 of the power, 40 samples on.
            let step = made(|x| if x < 50.0 { 1.0 } else { 0.955 }, seed);
            assert_eq!(
                settled((&step, &noise()), 10, 1200, false),
                10,
                "seed {seed}"
            );
        }
    }

    #[test]
    fn noise_behind_an_overload_hides_hardly_anything() {
        // Each of the four stretches is believed by chance as often as hides 24/100 samples, 1
        // together, and steps explain most of that as well: a fifth is allowed. With 9 for
        // stretches of any length it is 0.34 in these seeds.
        let seeds = 1000;
        let hidden = |seed| settled((&made(|_| 1.0, seed), &noise()), 10, 1200, true) - 10;
        let mean = (0..seeds).map(hidden).sum::<usize>() as f64 / seeds as f64;
        assert!(mean < 0.2, "{mean}");
    }

    #[test]
    fn a_slow_recovery_from_an_overload_is_waited_for() {
        // 0.1 % at 150 samples, 0.001²·150/2/1e-8 = 7,500 of χ² before a line takes its part:
        // left below a fifth of 1e-4/√150 after 150·ln(0.001/1.6e-6) = 960 samples, cut off at
        // the stretch and seen again from there.
        for seed in 0..20 {
            let tail = made(|x| 1.0 + 0.001 * (-x / 150.0).exp(), seed);
            let at = settled((&tail, &noise()), 0, 1200, true);
            assert!((300..=1200).contains(&at), "seed {seed}: {at}");
        }
    }

    #[test]
    fn a_clear_joint_behind_the_reflection_is_no_recovery() {
        // One invented joint of 0.16 dB with a ramp of four samples at 26 and another of
        // -0.04 dB at 349: thousands of standard errors in the longest stretch, where places
        // are looked for 18 samples apart.
        for seed in 0..20 {
            let ramp = |x: f64, at: f64| ((x - at) / 4.0).clamp(0.0, 1.0);
            let joints = made(
                |x| 1.0 - 0.071 * ramp(x, 36.0) + 0.018 * ramp(x, 359.0),
                seed,
            );
            assert_eq!(
                settled((&joints, &noise()), 10, 1200, false),
                10,
                "seed {seed}"
            );
        }
    }

    #[test]
    fn joints_in_a_row_are_no_recovery() {
        // Three invented joints of 0.05, 0.1 and 0.2 dB within the longest stretch: falls
        // less steep one after the other, as an exponential is.
        for seed in 0..20 {
            let lost = |x: f64, at: f64, db: f64| if x < at { 0.0 } else { 0.46 * db };
            let joints = made(
                |x| 1.0 - lost(x, 60.0, 0.2) - lost(x, 180.0, 0.1) - lost(x, 330.0, 0.05),
                seed,
            );
            assert_eq!(
                settled((&joints, &noise()), 10, 1200, false),
                10,
                "seed {seed}"
            );
        }
    }

    #[test]
    fn a_recovery_before_a_near_neighbour_is_seen() {
        // 100 % at 3 samples, the neighbour 20 samples on: over after ten or so of them,
        // 3·ln(1/(0.2·1e-4/√3)) = 34, cut off at the limit.
        for seed in 0..20 {
            let tail = made(|x| 1.0 + (-x / 3.0).exp(), seed);
            let at = settled((&tail, &noise()), 0, 20, false);
            assert!((10..=20).contains(&at), "seed {seed}: {at}");
        }
    }

    #[test]
    fn two_recoveries_are_waited_for() {
        // 100 % at 5 samples and 5 % at 40: left below a fifth of 1e-4/√40 after
        // 40·ln(0.05/3.2e-6) = 386 samples; at most the longest stretch beyond.
        for seed in 0..20 {
            let tail = made(|x| 1.0 + (-x / 5.0).exp() + 0.05 * (-x / 40.0).exp(), seed);
            let at = settled((&tail, &noise()), 0, 1200, false);
            assert!((200..960).contains(&at), "seed {seed}: {at}");
        }
    }
}
