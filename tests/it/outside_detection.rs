//! Thresholds and detection probabilities against derived numbers.
//!
//! A step filter over N samples on each side, held at every sample against the
//! threshold u, gives false events at the rate of D. Siegmund's overshoot formula
//! (*Sequential Analysis*, 1985, from memory); the numbers were derived with it
//! and held against simulation of 33 million samples. The correlation of the
//! filter falls by c = 3/(2N) per sample where slopes are known, 9/(2N) where
//! each side has its own.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::detect::{detection_probability, false_events_per_sample, threshold};
use statrs::distribution::{ContinuousCDF, Normal};

/// Two-sided probability beyond u of a standard normal.
fn beyond(u: f64) -> f64 {
    2.0 * Normal::standard().cdf(-u)
}

/// Source: derived. Spacing, noise of a sample, samples on each side; for each of
/// .01 and .001 false events per km the threshold and the loss in dB found with
/// probability 0.9, with slopes known and with free slopes.
#[test]
fn thresholds_and_least_losses() {
    let rows = [
        // m, dB, N, [(u, d) known .01, known .001, free .01, free .001]
        (
            1.0,
            0.02,
            500.0,
            [
                (3.63, 6.2e-3),
                (4.25, 7.0e-3),
                (3.90, 13.1e-3),
                (4.47, 14.6e-3),
            ],
        ),
        (
            1.0,
            0.05,
            1000.0,
            [
                (3.44, 10.5e-3),
                (4.09, 12.0e-3),
                (3.74, 22.4e-3),
                (4.34, 25.1e-3),
            ],
        ),
        (
            5.0,
            0.05,
            400.0,
            [
                (3.19, 15.8e-3),
                (3.88, 18.3e-3),
                (3.50, 33.8e-3),
                (4.13, 38.3e-3),
            ],
        ),
    ];
    for (spacing_m, sigma_db, n, expected) in rows {
        for (k, (u_printed, d_printed)) in expected.into_iter().enumerate() {
            let per_km = [0.01, 0.001][k % 2];
            let (c, step_db): (f64, f64) = if k < 2 {
                (3.0 / (2.0 * n), sigma_db * f64::sqrt(2.0 / n))
            } else {
                (9.0 / (2.0 * n), sigma_db * f64::sqrt(8.0 / n))
            };
            let u = threshold(per_km * spacing_m / 1000.0, c, 1);
            // Half of the printed hundredth, and as much for the normal tables.
            assert_abs_diff_eq!(u, u_printed, epsilon = 0.01);
            // Printed to a tenth of a thousandth of a decibel.
            let found = detection_probability(&[d_printed / step_db], beyond(u));
            // 0.05 mdB and 0.01 in u are together at most 0.06 standard errors;
            // the density of the normal at 1.28 is 0.176: 0.011.
            assert_abs_diff_eq!(found, 0.9, epsilon = 0.012);
        }
    }
}

/// Source: derived: two traces tested together at N = 500, 1 m, .001 per km, free
/// slopes have u = 4.87 where one has 4.47.
#[test]
fn two_traces_together_need_a_higher_threshold() {
    let c = 9.0 / 1000.0;
    assert_abs_diff_eq!(threshold(1e-6, c, 2), 4.87, epsilon = 0.01);
    assert_abs_diff_eq!(threshold(1e-6, c, 1), 4.47, epsilon = 0.01);
}

/// Source: derived: at a known place the probability is Φ(d/σ − u), 0.900 at
/// d/σ = 5.78 and u = 4.5 (0.906 in simulation).
#[test]
fn probability_at_a_known_place() {
    // 5.78 − 4.5 = 1.28, Φ = 0.8997: rounding of the printed numbers.
    let found = detection_probability(&[5.78], beyond(4.5));
    assert_abs_diff_eq!(found, 0.900, epsilon = 2e-3);
}

/// Source: derived: with a step of four standard errors in each direction and a
/// false-alarm probability of 1e-4, the sum of squares finds 93 %.
#[test]
fn the_sum_of_squares_of_two_directions() {
    let both = detection_probability(&[4.0, 4.0], 1e-4);
    assert_abs_diff_eq!(both, 0.93, epsilon = 5e-3);
    // Its direction does not matter: a step of backscatter alone is found as well.
    let turned = detection_probability(&[32f64.sqrt(), 0.0], 1e-4);
    assert_relative_eq!(both, turned, max_relative = 1e-9);
    // Without an event it is the false-alarm probability.
    assert_relative_eq!(
        detection_probability(&[0.0, 0.0], 1e-4),
        1e-4,
        max_relative = 1e-9
    );
    assert_relative_eq!(
        detection_probability(&[0.0], 1e-4),
        1e-4,
        max_relative = 1e-6
    );
}

/// Closed form: many windows are not independent tests. Counting each N samples
/// as one would ask for 2·Q(u)/(2N) per sample, and under-count 27 to 114 times.
#[test]
fn windows_are_not_independent_tests() {
    for (n, u) in [(50.0, 3.5), (50.0, 4.5), (200.0, 4.0)] {
        for c in [3.0 / (2.0 * n), 9.0 / (2.0 * n)] {
            let ratio = false_events_per_sample(u, c, 1) / (beyond(u) / (2.0 * n));
            assert!(
                (20.0..130.0).contains(&ratio),
                "{ratio} at N = {n}, u = {u}"
            );
        }
    }
}
