//! Thresholds from one setting with a meaning: false events per 1,000 km.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

fn standard() -> Normal {
    Normal::standard()
}

/// Correction for looking at samples rather than at a continuous path,
/// ν(x) = (2/x)·(Φ(x/2) − ½)/((x/2)·Φ(x/2) + φ(x/2)).
///
/// # Source
/// D. Siegmund, *Sequential Analysis* (1985), the overshoot function in its
/// usual closed approximation (from memory).
fn overshoot(x: f64) -> f64 {
    if x < 1e-6 {
        return 1.0;
    }
    let half = x / 2.0;
    let phi = standard().pdf(half);
    let cdf = standard().cdf(half);
    (2.0 / x) * (cdf - 0.5) / (half * cdf + phi)
}

/// Expected false events per sample when a statistic of unit variance, whose
/// correlation falls by `c` per sample, is held against `u` at every sample.
///
/// `directions` = 1: |T| of one trace, 2·c·u·φ(u)·ν; 2: √(`T_A²` + `T_B²`) of both,
/// c·u²·exp(−u²/2)·ν; with ν = ν(u·√(2c)).
pub fn false_events_per_sample(u: f64, c: f64, directions: usize) -> f64 {
    let nu = overshoot(u * (2.0 * c).sqrt());
    if directions >= 2 {
        c * u * u * (-u * u / 2.0).exp() * nu
    } else {
        2.0 * c * u * standard().pdf(u) * nu
    }
}

/// The threshold on |T| (one direction) or √(`T_A²` + `T_B²`) (two) at which
/// false events come at `rate_per_sample`.
pub fn threshold(rate_per_sample: f64, c: f64, directions: usize) -> f64 {
    // The rate solved for the u² in its exponent; below u² = 2 the rate no longer falls
    // with u. The rest changes so slowly with u that every round adds a digit, and the line
    // through the last two rounds far more.
    let wanted = rate_per_sample.ln();
    let next = |square: f64| {
        let at_u = false_events_per_sample(square.sqrt(), c, directions);
        (2.0 * (at_u.ln() + square / 2.0 - wanted)).max(2.25)
    };
    let (mut square, mut moves) = (25.0, next(25.0) - 25.0);
    let mut step = moves;
    for _ in 0..12 {
        square += step;
        let now = next(square) - square;
        if now.abs() < 1e-12 * square {
            break;
        }
        let slope = (now - moves) / step;
        step = if slope < -0.5 { -now / slope } else { now };
        moves = now;
    }
    square.sqrt()
}

/// Probability that the test at one known place finds an event.
///
/// `signal_to_noise` holds loss over standard error for each direction used (one
/// or two); the test compares the sum of their squares with the χ² quantile of
/// the false-alarm probability `false_alarm`, so the backscatter step is free.
///
/// # Source
/// Non-central χ² distribution as a Poisson mixture of central ones, textbook.
///
/// ```
/// use bothends::detect::detection_probability;
/// let both = detection_probability(&[4.0, 4.0], 1e-5);
/// let one = detection_probability(&[4.0], 1e-5);
/// assert!((both - 0.83).abs() < 0.02 && (one - 0.34).abs() < 0.02);
/// ```
pub fn detection_probability(signal_to_noise: &[f64], false_alarm: f64) -> f64 {
    let lambda: f64 = signal_to_noise.iter().map(|s| s * s).sum();
    match signal_to_noise.len() {
        0 => 0.0,
        1 => {
            let u = standard().inverse_cdf(1.0 - false_alarm / 2.0);
            let root = lambda.sqrt();
            standard().cdf(root - u) + standard().cdf(-root - u)
        }
        _ => {
            // χ² with two degrees: P(> x) = exp(−x/2); with 2 + 2j degrees it is
            // exp(−x/2)·Σ_{i ≤ j} (x/2)^i/i!.
            let half_x = -false_alarm.ln();
            let half_lambda = lambda / 2.0;
            let mut poisson = (-half_lambda).exp();
            let mut term = (-half_x).exp();
            let mut tail = term;
            let mut sum = 0.0;
            let last = (half_lambda + 12.0 * half_lambda.sqrt() + 40.0) as usize;
            for j in 0..last {
                sum += poisson * tail;
                poisson *= half_lambda / (j + 1) as f64;
                term *= half_x / (j + 1) as f64;
                tail += term;
            }
            sum.min(1.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn threshold_gives_back_its_rate() {
        // Closed form: the two functions are each other's inverse.
        for directions in [1, 2] {
            for c in [0.003, 0.05, 0.6] {
                let u = threshold(1e-6, c, directions);
                approx::assert_relative_eq!(
                    false_events_per_sample(u, c, directions),
                    1e-6,
                    max_relative = 1e-4
                );
            }
        }
    }

    #[test]
    fn known_thresholds_of_step_windows() {
        // Derived values (formula of the false-alarm rate of a scanned matched
        // step filter, Monte Carlo checked): spacing 1 m, 500 samples each side,
        // slopes free, c = 9/(2N), .01 and .001 false events per km.
        let c = 9.0 / 1000.0;
        approx::assert_abs_diff_eq!(threshold(1e-5, c, 1), 3.90, epsilon = 0.01);
        approx::assert_abs_diff_eq!(threshold(1e-6, c, 1), 4.47, epsilon = 0.01);
        approx::assert_abs_diff_eq!(threshold(1e-6, c, 2), 4.87, epsilon = 0.01);
    }
}
