//! The noise of a trace, estimated from the trace itself in linear power.
//!
//! Model of the autocovariance at lag k of a sample of power P (all in linear
//! power): receiver noise R and shot noise S·P, coloured alike by the receiver that
//! both pass, (R + S·P)·r(k) with r(0) = 1; a share M·P² at lag 0 (rounding of the
//! level); coherent fading
//! F·P²·(1 − `k/n_w`), which the pulse correlates over its own length of `n_w`
//! samples. The parameters come from least squares over blocks detrended by an
//! exponential each, so that no floor or constant enters: twice the noise in
//! the trace gives twice the standard deviation here.

use super::noise_fit::{Seen, fit};
use super::power::{Power, SampleState};

/// Lags up to which receiver noise is looked for: a receiver whose response is
/// longer than this many samples would be slower than the sampling asks for.
pub(super) const RECEIVER_LAGS: usize = 12;

/// Most lags taken for the pulse-long correlation of fading; longer pulses are
/// covered by the same number of lags, spread out.
const FADING_LAGS: usize = 24;

/// Standard errors of a block's variance beyond the fitted model at which the
/// block is taken to hold an event. About one block in a million passes by chance.
const OUTLIER: f64 = 5.0;

/// Power against rms noise below which a block is left out: one sample in 30,000 is
/// cut at zero or folded at 4, and its variance is that of the noise.
const LEAST_SNR: f64 = 4.0;

/// Noise of one trace, as variances in linear power.
#[derive(Debug, Clone, PartialEq)]
pub struct Noise {
    /// Variance of one sample of receiver noise.
    pub receiver: f64,
    /// Sum of the receiver noise's autocovariance over all lags, both signs.
    pub receiver_sum: f64,
    /// Coefficient of shot noise: variance per unit of power.
    pub shot: f64,
    /// Coefficient of the white part that grows with power: variance per power squared.
    pub rounding: f64,
    /// Coefficient of coherent fading: variance per power squared.
    pub fading: f64,
    /// Pulse length in samples, at least 1.
    pub pulse_samples: f64,
}

impl Noise {
    /// No noise at all, for pulses of so many samples.
    pub(super) const fn none(pulse_samples: f64) -> Self {
        Self {
            receiver: 0.0,
            receiver_sum: 0.0,
            shot: 0.0,
            rounding: 0.0,
            fading: 0.0,
            pulse_samples,
        }
    }

    /// Variance of one sample at power `p`.
    pub fn variance(&self, p: f64) -> f64 {
        self.receiver + self.shot * p.max(0.0) + (self.rounding + self.fading) * p * p
    }

    /// Variance per sample that matters for a mean over many: the noise's
    /// spectral density at zero frequency, one sample as unit.
    ///
    /// A weighted fit over many correlated samples has the errors of a fit over
    /// as many independent samples of this variance.
    pub fn density(&self, p: f64) -> f64 {
        self.densities()(p)
    }

    /// [`Self::density`] at many powers.
    pub(super) fn densities(&self) -> impl Fn(f64) -> f64 + use<> {
        let colour = if self.receiver > 0.0 {
            self.receiver_sum / self.receiver
        } else {
            1.0
        };
        let (constant, linear) = (self.receiver_sum, self.shot * colour);
        let square = self.rounding + self.fading * self.pulse_samples;
        move |p| constant + linear * p.max(0.0) + square * p * p
    }

    /// Root mean square of the receiver noise in linear power.
    pub fn floor(&self) -> f64 {
        self.receiver.sqrt()
    }
}

/// One block's mean power and residual autocovariance.
pub(super) struct Block {
    pub(super) power: f64,
    pub(super) autocovariance: Vec<f64>,
    pub(super) used: bool,
}

/// Estimates the noise from the lit part of a trace (`lit_end` samples) and the
/// rms of its dark part, if it has one.
///
/// `pulse_samples` is the pulse length in samples. Returns zero noise for a
/// trace without any.
pub(super) fn estimate(
    power: &Power,
    lit_end: usize,
    dark_rms: Option<f64>,
    pulse_samples: f64,
) -> Noise {
    let n_w = pulse_samples.max(1.0);
    // At least six pulse lengths, so that detrending leaves the correlation of
    // fading; about fifty blocks, so that most lie between events.
    let size = (lit_end / 48)
        .clamp(64, 256)
        .max(((6.0 * n_w) as usize).min(512));
    // No lag is longer than a block.
    let lags = lags(n_w.min(size as f64));
    let mut blocks = blocks(power, lit_end, size, &lags);
    let dark_variance = dark_rms.map(|rms| rms * rms);
    let mut noise = Noise::none(n_w);
    if blocks.len() < 4 {
        let variance = dark_variance.unwrap_or_else(|| difference_variance(power, lit_end));
        noise.receiver = variance;
        noise.receiver_sum = variance;
        return noise;
    }
    // First pass: each block against its neighbours, and against the dark part.
    reject_by_neighbours(&mut blocks, size);
    if let Some(rms) = dark_rms {
        let weak: Vec<bool> = blocks.iter().map(|b| b.power < LEAST_SNR * rms).collect();
        if weak.iter().filter(|w| !**w).count() >= 4 {
            for (block, weak) in blocks.iter_mut().zip(weak) {
                block.used &= !weak;
            }
        }
    }
    for pass in 0..4 {
        let seen = Seen {
            blocks: &blocks,
            lags: &lags,
            size,
            dark_variance,
        };
        noise = fit(&seen, &noise);
        let mut changed = false;
        for block in &mut blocks {
            let expected = noise.variance(block.power);
            let correlation =
                (noise.density(block.power) / expected.max(f64::MIN_POSITIVE)).max(1.0);
            let spread = (2.0 * correlation / size as f64).sqrt();
            let used = block.autocovariance[0] <= expected * (1.0 + OUTLIER * spread)
                && block.power >= LEAST_SNR * noise.floor();
            changed |= used != block.used;
            block.used = used;
        }
        if blocks.iter().filter(|b| b.used).count() < 3 {
            reject_by_neighbours(&mut blocks, size);
            break;
        }
        // The first pass knew neither the weights nor what lifts the lags.
        if !changed && pass > 0 {
            break;
        }
    }
    noise
}

fn lags(n_w: f64) -> Vec<usize> {
    let mut lags: Vec<usize> = (0..=RECEIVER_LAGS).collect();
    let longest = n_w.ceil() as usize;
    if longest > RECEIVER_LAGS + 1 {
        let step = ((longest - RECEIVER_LAGS) / FADING_LAGS).max(1);
        lags.extend((RECEIVER_LAGS + 1..longest).step_by(step));
    }
    lags
}

/// Half the mean square of neighbours' differences; for traces too short for blocks.
fn difference_variance(power: &Power, lit_end: usize) -> f64 {
    let mut squares: Vec<f64> = power.value[..lit_end]
        .windows(3)
        .map(|p| (p[0] - 2.0 * p[1] + p[2]).powi(2) / 6.0)
        .collect();
    squares.sort_by(f64::total_cmp);
    // Median of a squared standard normal: 0.4549.
    squares.get(squares.len() / 2).map_or(0.0, |m| m / 0.4549)
}

fn blocks(power: &Power, lit_end: usize, size: usize, lags: &[usize]) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut start = 0;
    while start + size <= lit_end {
        let range = start..start + size;
        // Samples cut at zero stay in: leaving out the blocks that hold one would
        // leave out the noisier blocks. Blocks so weak that it matters fall out by
        // their power.
        if !power.state[range.clone()].contains(&SampleState::Clipped)
            && let Some(block) = block(&power.value[range], lags)
        {
            blocks.push(block);
        }
        start += size;
    }
    blocks
}

/// Detrends one block by an exponential and takes its autocovariance.
fn block(p: &[f64], lags: &[usize]) -> Option<Block> {
    let n = p.len() as f64;
    let (sum, moment) = moments(p);
    let mean = sum / n;
    if mean <= 0.0 {
        return None;
    }
    let middle = (n - 1.0) / 2.0;
    let sxx = spread(n);
    let slope = moment / sxx;
    // An exponential with this mean and slope: residuals of a straight line in
    // linear power, corrected by the second-order term that a decay leaves.
    let rate = slope / mean;
    let curvature = 0.5 * rate * rate * mean;
    let mean_square = sxx / n;
    let residual: Vec<f64> = p
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let x = i as f64 - middle;
            v - mean - slope * x - curvature * (x * x - mean_square)
        })
        .collect();
    let autocovariance = lags
        .iter()
        .map(|&k| {
            let pairs = residual.len() - k;
            product(&residual[..pairs], &residual[k..]) / pairs as f64
        })
        .collect();
    Some(Block {
        power: mean,
        autocovariance,
        used: true,
    })
}

/// Sum of the squared distances of n samples in a row from their middle.
pub(super) fn spread(n: f64) -> f64 {
    n * (n * n - 1.0) / 12.0
}

/// Sum of samples, and of each times its distance from the middle, in four sums at a time: one
/// sum waits for every addition.
pub(super) fn moments(samples: &[f64]) -> (f64, f64) {
    let middle = (samples.len() as f64 - 1.0) / 2.0;
    let (mut sums, mut moments) = ([0.0; 4], [0.0; 4]);
    let mut offsets = [0.0, 1.0, 2.0, 3.0].map(|k| k - middle);
    let (fours, rest) = samples.as_chunks::<4>();
    for four in fours {
        for k in 0..4 {
            sums[k] += four[k];
            moments[k] += offsets[k] * four[k];
            offsets[k] += 4.0;
        }
    }
    for (k, v) in rest.iter().enumerate() {
        sums[k] += v;
        moments[k] += offsets[k] * v;
    }
    (sums.iter().sum(), moments.iter().sum())
}

/// Sum of products, in four sums at a time: one sum waits for every addition.
fn product(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest = a.remainder().iter().zip(b.remainder());
    let rest: f64 = rest.map(|(x, y)| x * y).sum();
    for (x, y) in a.zip(b) {
        for k in 0..4 {
            sums[k] += x[k] * y[k];
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Marks blocks whose variance stands out among the blocks around them.
fn reject_by_neighbours(blocks: &mut [Block], size: usize) {
    let variances: Vec<f64> = blocks.iter().map(|b| b.autocovariance[0]).collect();
    // Correlated noise spreads block variances further; a factor 4 in the number
    // of independent samples is allowed for.
    let factor = 1.0 + OUTLIER * (2.0 * 4.0 / size as f64).sqrt();
    for (i, block) in blocks.iter_mut().enumerate() {
        let low = i.saturating_sub(6);
        let high = (i + 7).min(variances.len());
        let mut near: Vec<f64> = variances[low..high].to_vec();
        near.sort_by(f64::total_cmp);
        // Lower third rather than the median: events only add variance.
        block.used = block.autocovariance[0] <= factor * near[near.len() / 3];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn decaying(n: usize, sigma: f64, rho: f64, fading_db: f64, n_w: usize, seed: u64) -> Power {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let texture: Vec<f64> = (0..n + n_w).map(|_| normal()).collect();
        let mut coloured = normal();
        let value = (0..n)
            .map(|i| {
                coloured = rho * coloured + (1.0 - rho * rho).sqrt() * normal();
                let fade = texture[i..i + n_w].iter().sum::<f64>() / (n_w as f64).sqrt();
                let p = (-(i as f64) * 4e-4).exp();
                p * (1.0 + fading_db * std::f64::consts::LN_10 / 5.0 * fade) + sigma * coloured
            })
            .collect();
        Power {
            value,
            state: vec![SampleState::Good; n],
            reference_db: 0.0,
        }
    }

    /// Second computation: term by term; rounding only.
    #[test]
    fn moments_of_any_number_of_samples_are_those_of_their_terms() {
        for n in 1..10_usize {
            let y: Vec<f64> = (0..n).map(|k| ((k * 7919) % 100) as f64 - 40.0).collect();
            let offset = |k: usize| k as f64 - (n as f64 - 1.0) / 2.0;
            let moment: f64 = y.iter().enumerate().map(|(k, y)| offset(k) * y).sum();
            let found = moments(&y);
            approx::assert_abs_diff_eq!(found.0, y.iter().sum::<f64>(), epsilon = 1e-9);
            approx::assert_abs_diff_eq!(found.1, moment, epsilon = 1e-9);
        }
    }

    // Expected numbers: set by the generator above (variance σ², AR(1) sum
    // (1+ρ)/(1−ρ), fading variance). Tolerances: 12,000 samples give a variance
    // to √(2/12000) = 1.3 %, four times that allowed; the sum over lags is good
    // to about √(2·12/12000)·2 = 9 %, three times allowed.
    #[test]
    fn finds_white_noise_and_no_colour() {
        let noise = estimate(&decaying(12_000, 1e-3, 0.0, 0.0, 1, 1), 12_000, None, 8.0);
        approx::assert_relative_eq!(noise.receiver, 1e-6, max_relative = 0.06);
        approx::assert_relative_eq!(noise.receiver_sum, 1e-6, max_relative = 0.25);
    }

    #[test]
    fn finds_the_colour_of_correlated_noise() {
        let noise = estimate(&decaying(12_000, 1e-3, 0.5, 0.0, 1, 2), 12_000, None, 8.0);
        approx::assert_relative_eq!(noise.receiver, 1e-6, max_relative = 0.10);
        approx::assert_relative_eq!(noise.receiver_sum, 3e-6, max_relative = 0.25);
    }

    #[test]
    fn finds_fading_beside_receiver_noise() {
        let noise = estimate(
            &decaying(12_000, 1e-3, 0.0, 0.004, 10, 3),
            12_000,
            None,
            10.0,
        );
        let expected = (0.004 * std::f64::consts::LN_10 / 5.0_f64).powi(2);
        approx::assert_relative_eq!(noise.fading, expected, max_relative = 0.3);
        approx::assert_relative_eq!(noise.receiver, 1e-6, max_relative = 0.08);
    }

    #[test]
    fn shot_noise_makes_no_colour_of_chance() {
        // Generator: white noise of variance R + S·P with S·P from 20 to 5 R, dark variance
        // known. The sum over lags is then R: every lag is known to 1/√12,000 of the whole
        // variance, 12 lags of both signs to 2·√12/√12,000 = 6 % of R, three times allowed.
        for seed in 0..20 {
            let mut rng = ChaCha8Rng::seed_from_u64(100 + seed);
            let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
            let (receiver, shot) = (1e-8, 2e-7);
            let value = (0..12_000)
                .map(|i| {
                    let p = (-f64::from(i) * 1.2e-4).exp();
                    p + (receiver + shot * p).sqrt() * normal()
                })
                .collect();
            let power = Power {
                value,
                state: vec![SampleState::Good; 12_000],
                reference_db: 0.0,
            };
            let noise = estimate(&power, 12_000, Some(1e-4), 5.0);
            let colour = noise.receiver_sum / noise.receiver;
            assert!((colour - 1.0).abs() < 0.18, "seed {seed}: {noise:?}");
        }
    }

    #[test]
    fn twice_the_noise_is_twice_the_standard_deviation() {
        // Same draw, twice the amplitude: the ratio is 2 by construction.
        let one = estimate(&decaying(8_000, 1e-3, 0.0, 0.0, 1, 4), 8_000, None, 8.0);
        let two = estimate(&decaying(8_000, 2e-3, 0.0, 0.0, 1, 4), 8_000, None, 8.0);
        approx::assert_relative_eq!(two.floor() / one.floor(), 2.0, max_relative = 0.02);
    }

    #[test]
    fn a_noiseless_trace_has_no_noise() {
        let noise = estimate(&decaying(8_000, 0.0, 0.0, 0.0, 1, 5), 8_000, None, 8.0);
        // Rounding of f64 and the third-order term of the detrending are left.
        assert!(noise.density(1.0).sqrt() < 1e-5, "{noise:?}");
    }
}
