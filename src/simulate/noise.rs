//! Noise that averaging reduces, and fading, which it does not.

use super::fibre::{ImpulseResponse, ratio};
use super::instrument::{Fading, FadingDistribution, Instrument};
use super::path::From;
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

#[cfg(test)]
mod tests {
    use super::super::instrument::Noise;
    use super::super::path::from_port;
    use super::super::plan::{Fibre, Plan};
    use super::*;
    use crate::units::{
        Attenuation, BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength,
    };

    const N: usize = 100_000;

    fn instrument(noise: Noise) -> Instrument {
        Instrument {
            noise,
            ..Instrument::ideal(
                PulseWidth::from_ns(100.0),
                Length::from_m(1.0),
                GroupIndex::from_ratio(1.468),
            )
        }
    }

    fn response(instrument: &Instrument) -> ImpulseResponse {
        let fibre = Fibre::new(
            Length::from_km(10.0),
            Attenuation::from_db_per_km(0.2),
            BackscatterCoefficient::from_db(-82.0),
            GroupIndex::from_ratio(1.468),
        );
        let plan = Plan::new(Wavelength::from_nm(1550.0), vec![fibre], instrument.clone());
        super::super::fibre::follow(&from_port(&plan, From::A))
    }

    fn sd(values: &[f64]) -> f64 {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
    }

    #[test]
    fn dynamic_range_is_initial_backscatter_over_the_noise_rms() {
        let it = instrument(Noise {
            dynamic_range_db: Some(20.0),
            ..Noise::default()
        });
        // Closed form: −82 dB + 20 dB (100 ns) is a power of 10^(−6.2); 20
        // one-way dB below is a factor of 10⁴. Rounding only.
        approx::assert_relative_eq!(
            constant_rms(&it, &response(&it)),
            10f64.powf(-10.2),
            max_relative = 1e-12
        );
    }

    #[test]
    fn four_times_the_averaging_halves_the_noise_and_ten_times_the_pulse_leaves_it() {
        let noise = Noise {
            dynamic_range_db: Some(20.0),
            dynamic_range_pulse: Some(PulseWidth::from_ns(100.0)),
            reference_averaging_s: Some(60.0),
            ..Noise::default()
        };
        let short = instrument(noise.clone());
        let long = Instrument {
            averaging_time_s: 240.0,
            pulse_width: PulseWidth::from_ns(1000.0),
            ..instrument(noise)
        };
        approx::assert_relative_eq!(
            constant_rms(&short, &response(&short)) / constant_rms(&long, &response(&long)),
            2.0,
            max_relative = 1e-12
        );
    }

    #[test]
    fn noise_has_the_same_spread_in_power_at_every_level_of_light() {
        let it = instrument(Noise {
            level_db: Some(-50.0),
            ..Noise::default()
        });
        let light: Vec<f64> = (0..N)
            .map(|idx| if idx < N / 2 { 1e-6 } else { 1e-12 })
            .collect();
        let mut power = light.clone();
        add(&mut power, 1e-10, 1e-6, &it, 4, From::A);
        let noise: Vec<f64> = power.iter().zip(&light).map(|(p, l)| p - l).collect();
        // Four standard errors of a spread: 4/√(2·50 000) = 1.3 %.
        let (strong, weak) = noise.split_at(N / 2);
        approx::assert_relative_eq!(sd(strong), 1e-10, max_relative = 0.013);
        approx::assert_relative_eq!(sd(weak), 1e-10, max_relative = 0.013);
    }

    #[test]
    fn shot_noise_adds_variance_in_proportion_to_light_and_moves_nothing_else() {
        let quiet = instrument(Noise::default());
        let shot = instrument(Noise {
            shot_at_start: 3.0,
            ..Noise::default()
        });
        let (mut without, mut with) = (vec![0.5; N], vec![0.5; N]);
        add(&mut without, 1e-3, 1.0, &quiet, 4, From::A);
        add(&mut with, 1e-3, 1.0, &shot, 4, From::A);
        let added: Vec<f64> = with.iter().zip(&without).map(|(w, o)| w - o).collect();
        // √(3 · 0.5) of the constant noise; four standard errors: 4/√(2N) = 0.9 %.
        approx::assert_relative_eq!(sd(&added), 1e-3 * 1.5f64.sqrt(), max_relative = 0.009);
    }

    #[test]
    fn coloured_noise_keeps_its_variance_and_has_the_stated_correlation() {
        let it = instrument(Noise {
            colour: 0.6,
            ..Noise::default()
        });
        let mut power = vec![0.0; N];
        add(&mut power, 1.0, 1.0, &it, 9, From::B);
        let product: f64 = power.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>();
        // An autoregression of first order has N·(1 − ρ²)/(1 + ρ²) = 0.47·N
        // independent values for its variance: 4·√(1/(2·0.47·N)) = 1.3 %.
        approx::assert_relative_eq!(sd(&power), 1.0, max_relative = 0.013);
        // Four standard errors of a correlation, √((1 − ρ²)/N) = 0.0025.
        approx::assert_abs_diff_eq!(product / N as f64, 0.6, epsilon = 0.03);
    }

    #[test]
    fn fading_has_its_contrast_and_is_forgotten_after_one_pulse() {
        for distribution in [FadingDistribution::Gamma, FadingDistribution::Gaussian] {
            let fading = Fading {
                contrast: 0.05,
                distribution,
            };
            // A pulse of 10 samples.
            let factors = fading_factors(fading, 100.0, 10.0, N, 3, From::A);
            let mean = factors.iter().sum::<f64>() / N as f64;
            // N/10 independent values: four standard errors are 0.002 of the
            // mean and 4·√(1/(2·N/10)) = 2.9 % of the spread, correlated a little longer.
            approx::assert_abs_diff_eq!(mean, 1.0, epsilon = 0.002);
            approx::assert_relative_eq!(sd(&factors), 0.05, max_relative = 0.04);
            let correlation = |lag: usize| {
                let sum: f64 = (factors.iter().zip(&factors[lag..]))
                    .map(|(one, other)| (one - mean) * (other - mean))
                    .sum();
                sum / (N - lag) as f64 / (0.05 * 0.05)
            };
            // A moving average over 10 loses a tenth per sample.
            approx::assert_abs_diff_eq!(correlation(5), 0.5, epsilon = 0.04);
            approx::assert_abs_diff_eq!(correlation(10), 0.0, epsilon = 0.04);
        }
    }

    #[test]
    fn the_weights_of_a_broken_number_of_cells_sum_to_one() {
        assert_eq!(overlap(2.5).len(), 3);
        approx::assert_relative_eq!(overlap(2.5).iter().sum::<f64>(), 1.0, epsilon = 1e-12);
        assert_eq!(overlap(0.4), [1.0]);
    }
}
