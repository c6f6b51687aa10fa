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

use nalgebra::{DMatrix, DVector};

use super::power::{Power, SampleState};

/// Lags up to which receiver noise is looked for: a receiver whose response is
/// longer than this many samples would be slower than the sampling asks for.
const RECEIVER_LAGS: usize = 12;

/// Most lags taken for the pulse-long correlation of fading; longer pulses are
/// covered by the same number of lags, spread out.
const FADING_LAGS: usize = 24;

/// A parameter is kept when it exceeds this many of its standard errors.
const KEPT_ABOVE: f64 = 2.0;

/// As many for the lags of the receiver's colour: there are [`RECEIVER_LAGS`] of them, of
/// which one in two traces would exceed 2 by chance, and one in a hundred exceeds this. What
/// chance takes off the noise's density makes false events.
const LAG_KEPT_ABOVE: f64 = 3.3;

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
        let colour = if self.receiver > 0.0 {
            self.receiver_sum / self.receiver
        } else {
            1.0
        };
        self.receiver_sum
            + self.shot * colour * p.max(0.0)
            + (self.rounding + self.fading * self.pulse_samples) * p * p
    }

    /// Root mean square of the receiver noise in linear power.
    pub fn floor(&self) -> f64 {
        self.receiver.sqrt()
    }
}

/// One block's mean power and residual autocovariance.
struct Block {
    power: f64,
    autocovariance: Vec<f64>,
    used: bool,
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
    let mut noise = Noise {
        receiver: 0.0,
        receiver_sum: 0.0,
        shot: 0.0,
        rounding: 0.0,
        fading: 0.0,
        pulse_samples: n_w,
    };
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
        noise = fit(&blocks, &lags, size, n_w, dark_variance, &noise);
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
    let mean = p.iter().sum::<f64>() / n;
    if mean <= 0.0 {
        return None;
    }
    let middle = (n - 1.0) / 2.0;
    let sxx = n * (n * n - 1.0) / 12.0;
    let slope = p
        .iter()
        .enumerate()
        .map(|(i, v)| (i as f64 - middle) * v)
        .sum::<f64>()
        / sxx;
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

/// Least squares for the parameters over all used blocks and lags.
fn fit(
    blocks: &[Block],
    lags: &[usize],
    size: usize,
    n_w: f64,
    dark_variance: Option<f64>,
    before: &Noise,
) -> Noise {
    let mut kept: Vec<Term> = vec![Term::Receiver(0), Term::Rounding];
    if n_w >= 2.0 {
        kept.push(Term::Fading);
    }
    kept.push(Term::Shot);
    kept.extend((1..=RECEIVER_LAGS).map(Term::Receiver));
    let equations = Equations::new(blocks, lags, size, n_w, dark_variance, before, &kept);
    let mut at: Vec<usize> = (0..kept.len()).collect();
    // Terms that are not significant, or of the wrong sign, leave one at a time:
    // the least significant first.
    loop {
        let (value, error) = equations.solve(&at);
        let worst = kept
            .iter()
            .enumerate()
            .filter(|(_, term)| **term != Term::Receiver(0) || kept.len() > 1)
            .map(|(i, term)| {
                let ratio = value[i] / error[i].max(f64::MIN_POSITIVE);
                let score = if matches!(term, Term::Receiver(k) if *k > 0) {
                    ratio.abs() * KEPT_ABOVE / LAG_KEPT_ABOVE
                } else {
                    ratio
                };
                (i, score)
            })
            .filter(|(_, score)| score.is_nan() || *score < KEPT_ABOVE)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((i, _)) if kept.len() > 1 => {
                kept.remove(i);
                at.remove(i);
            }
            _ => {
                return assemble(&kept, &value, n_w, dark_variance);
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Term {
    Receiver(usize),
    Shot,
    Rounding,
    Fading,
}

impl Term {
    /// Autocovariance that one unit of this term gives at a lag, as seen after a
    /// line was taken out: detrending removes the noise's density times the mean
    /// of the hat matrix at that lag.
    ///
    /// `lift` is how much greater receiver and shot noise together are at this power than
    /// receiver noise alone: the lags of both rise by it.
    fn seen(self, lag: usize, (p, lift): (f64, f64), n_w: f64, hat: f64) -> f64 {
        let density = match self {
            Self::Receiver(0) => 1.0,
            Self::Receiver(_) => 2.0 * lift,
            Self::Shot => p,
            Self::Rounding => p * p,
            Self::Fading => p * p * n_w,
        };
        self.basis(lag, (p, lift), n_w) - hat * density
    }

    fn basis(self, lag: usize, (p, lift): (f64, f64), n_w: f64) -> f64 {
        match self {
            Self::Receiver(0) => f64::from(lag == 0),
            Self::Receiver(k) => lift * f64::from(k == lag),
            Self::Shot => p * f64::from(lag == 0),
            Self::Rounding => p * p * f64::from(lag == 0),
            Self::Fading => p * p * (1.0 - lag as f64 / n_w).max(0.0),
        }
    }
}

/// Normal equations of all terms; those of fewer terms are a part of them.
struct Equations {
    normal: DMatrix<f64>,
    right: DVector<f64>,
}

impl Equations {
    fn new(
        blocks: &[Block],
        lags: &[usize],
        size: usize,
        n_w: f64,
        dark_variance: Option<f64>,
        before: &Noise,
        terms: &[Term],
    ) -> Self {
        let m = terms.len();
        let mut normal = DMatrix::<f64>::zeros(m, m);
        let mut right = DVector::<f64>::zeros(m);
        let mut row = vec![0.0; m];
        let mut add = |row: &[f64], y: f64, weight: f64| {
            for i in 0..m {
                if row[i] == 0.0 {
                    continue;
                }
                right[i] += weight * row[i] * y;
                for j in 0..m {
                    normal[(i, j)] += weight * row[i] * row[j];
                }
            }
        };
        let hats: Vec<f64> = lags.iter().map(|&lag| hat_mean(size, lag)).collect();
        for block in blocks.iter().filter(|b| b.used) {
            // Weight from the model so far, else from the block itself.
            let expected = before.variance(block.power);
            let variance = if expected > 0.0 {
                expected
            } else {
                block.autocovariance[0].max(f64::MIN_POSITIVE)
            };
            let density = before.density(block.power);
            let correlation = (density / variance).max(1.0);
            let lift = if before.receiver > 0.0 {
                1.0 + before.shot * block.power / before.receiver
            } else {
                1.0
            };
            for (at, &lag) in lags.iter().enumerate() {
                let twice = if lag == 0 { 2.0 } else { 1.0 };
                let weight = (size - lag) as f64 / (twice * correlation * variance * variance);
                for (slot, term) in row.iter_mut().zip(terms) {
                    *slot = term.seen(lag, (block.power, lift), n_w, hats[at]);
                }
                add(&row, block.autocovariance[at], weight);
            }
        }
        if let Some(dark) = dark_variance {
            // The dark part speaks of the receiver alone; written as absolute values
            // it is as good as signed. It counts as much as two blocks, since a trace
            // may have had its floor treated.
            for (slot, term) in row.iter_mut().zip(terms) {
                *slot = term.basis(0, (0.0, 1.0), n_w);
            }
            add(
                &row,
                dark,
                size as f64 / (dark * dark).max(f64::MIN_POSITIVE),
            );
        }
        Self { normal, right }
    }

    /// Values of the terms `at` alone, and their standard errors.
    fn solve(&self, at: &[usize]) -> (Vec<f64>, Vec<f64>) {
        let m = at.len();
        // Scaled to unit diagonal: the terms differ by many powers of ten.
        let scale: Vec<f64> = at
            .iter()
            .map(|&i| 1.0 / self.normal[(i, i)].max(f64::MIN_POSITIVE).sqrt())
            .collect();
        let scaled = DMatrix::from_fn(m, m, |i, j| {
            self.normal[(at[i], at[j])] * scale[i] * scale[j]
        });
        let scaled_right = DVector::from_fn(m, |i, _| self.right[at[i]] * scale[i]);
        match scaled.cholesky() {
            Some(cholesky) => {
                let solution = cholesky.solve(&scaled_right);
                let inverse = cholesky.inverse();
                (
                    (0..m).map(|i| solution[i] * scale[i]).collect(),
                    (0..m)
                        .map(|i| inverse[(i, i)].max(0.0).sqrt() * scale[i])
                        .collect(),
                )
            }
            // Terms that the data cannot tell apart: report them as worthless, the
            // selection then drops one.
            None => (
                vec![0.0; m],
                (0..m).map(|i| if i == 0 { 0.0 } else { 1.0 }).collect(),
            ),
        }
    }
}

/// Mean of the hat matrix of a straight line at lag k: what detrending takes
/// out of white noise's autocovariance there.
fn hat_mean(size: usize, lag: usize) -> f64 {
    let n = size as f64;
    let k = lag as f64;
    let pairs = n - k;
    // Σ (i − m)(i + k − m) over i = 0 … n−k−1 with m = (n − 1)/2.
    let middle = (n - 1.0) / 2.0;
    let first = pairs * (pairs - 1.0) / 2.0;
    let square = (pairs - 1.0) * pairs * (2.0 * pairs - 1.0) / 6.0;
    let sum = square + (k - 2.0 * middle) * first + pairs * (middle * middle - k * middle);
    1.0 / n + 12.0 * (sum / pairs) / (n * (n * n - 1.0))
}

fn assemble(kept: &[Term], value: &[f64], n_w: f64, dark_variance: Option<f64>) -> Noise {
    let mut noise = Noise {
        receiver: 0.0,
        receiver_sum: 0.0,
        shot: 0.0,
        rounding: 0.0,
        fading: 0.0,
        pulse_samples: n_w,
    };
    let mut others = 0.0;
    for (term, &v) in kept.iter().zip(value) {
        match term {
            Term::Receiver(0) => noise.receiver = v.max(0.0),
            Term::Receiver(_) => others += v,
            Term::Shot => noise.shot = v.max(0.0),
            Term::Rounding => noise.rounding = v.max(0.0),
            Term::Fading => noise.fading = v.max(0.0),
        }
    }
    if noise.receiver == 0.0 {
        noise.receiver = dark_variance.unwrap_or(0.0);
    }
    // Smoothing of a few samples cannot take more than the white noise away;
    // a tenth is left so that a sum of noisy lags never turns negative.
    noise.receiver_sum = (noise.receiver + 2.0 * others).max(0.1 * noise.receiver);
    noise
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
