//! Noise that averaging reduces, and fading, which it does not.

use super::fibre::{ImpulseResponse, ratio};
use super::path::From;
use super::plan::{Fading, FadingDistribution, Instrument};
use super::random::{Component, Stream};

/// Root mean square of the constant noise in linear power; zero without noise.
///
/// The receiver's bandwidth does not change with the pulse, so the power that
/// the noise amounts to is fixed and falls as the root of the averaging time.
/// A dynamic range of D one-way dB puts it at P₀/10^(D/5), P₀ being the
/// backscatter at the port for the pulse for which D holds.
pub(super) fn constant_rms(instrument: &Instrument, response: &ImpulseResponse) -> f64 {
    let noise = &instrument.noise;
    let at_reference = if let Some(range_db) = noise.dynamic_range_db {
        let pulse = noise.dynamic_range_pulse.unwrap_or(instrument.pulse_width);
        response.start_rate_per_ns * pulse.ns() * ratio(-2.0 * range_db)
    } else if let Some(level_db) = noise.level_db {
        ratio(2.0 * level_db)
    } else {
        return 0.0;
    };
    let reference_s = noise
        .reference_averaging_s
        .unwrap_or(instrument.averaging_time_s);
    at_reference * (reference_s / instrument.averaging_time_s).sqrt()
}

/// Adds constant noise (white or coloured) and shot noise to the power of each sample.
///
/// Coloured noise is an autoregression of first order started in its steady
/// state, so that every sample has the same variance. Shot noise has the
/// variance `shot_at_start`·σ²·P/P₀.
pub(super) fn add(
    power: &mut [f64],
    rms: f64,
    start_power: f64,
    instrument: &Instrument,
    seed: u64,
    from: From,
) {
    if rms <= 0.0 {
        return;
    }
    let colour = instrument.noise.colour;
    let fresh = (1.0 - colour * colour).sqrt();
    // Shot noise follows the light and not the noise already added.
    if instrument.noise.shot_at_start > 0.0 {
        let mut shot = Stream::new(seed, from, Component::Shot);
        for sample in power.iter_mut() {
            let share = instrument.noise.shot_at_start * (*sample / start_power).max(0.0);
            *sample += rms * share.sqrt() * shot.normal();
        }
    }
    let mut constant = Stream::new(seed, from, Component::Constant);
    let mut state: Option<f64> = None;
    for sample in power.iter_mut() {
        let white = constant.normal();
        let value = state.map_or(white, |before| colour * before + fresh * white);
        state = Some(value);
        *sample += rms * value;
    }
}

/// Fading factor of each sample: mean 1, standard deviation the contrast,
/// correlated over one pulse.
///
/// Independent factors of cells one sample long are averaged over the pulse
/// with the weights of the cells' overlap, as the pulse adds the light of the
/// scatterers that it covers. The cells' own variance makes up for the
/// averaging, so that the contrast is the one asked for.
pub(super) fn fading_factors(
    fading: Fading,
    width_ns: f64,
    step_ns: f64,
    n: usize,
    seed: u64,
    from: From,
) -> Vec<f64> {
    let weights = overlap(width_ns / step_ns);
    let sum_of_squares: f64 = weights.iter().map(|w| w * w).sum();
    let cell_variance = fading.contrast * fading.contrast / sum_of_squares;
    if cell_variance <= 0.0 {
        return vec![1.0; n];
    }
    let mut stream = Stream::new(seed, from, Component::Fading);
    let cells: Vec<f64> = (0..n + weights.len() - 1)
        .map(|_| match fading.distribution {
            FadingDistribution::Gamma => stream.gamma(1.0 / cell_variance),
            FadingDistribution::Gaussian => 1.0 + cell_variance.sqrt() * stream.normal(),
        })
        .collect();
    cells
        .windows(weights.len())
        .map(|window| window.iter().zip(&weights).map(|(g, w)| g * w).sum())
        .collect()
}

/// Shares of the cells that a window of `cells` cell lengths covers; they sum to 1.
fn overlap(cells: f64) -> Vec<f64> {
    let mut weights = Vec::new();
    let mut left = cells.max(1.0);
    let total = left;
    while left > 1e-9 {
        weights.push(left.min(1.0) / total);
        left -= 1.0;
    }
    weights
}
