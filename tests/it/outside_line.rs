//! Straight lines by least squares and the errors that follow from them.
#![expect(
    clippy::unwrap_used,
    reason = "a line that cannot be drawn must fail the test"
)]

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::detect::{Line, Sums};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Levels of the worked vector in dB: 1.0 to 1.9 km, then 2.1 to 3.0 km, every
/// 0.1 km; the event lies at 2.000 km.
const LEFT: [f64; 10] = [
    19.81, 19.77, 19.78, 19.72, 19.72, 19.71, 19.67, 19.66, 19.66, 19.60,
];
const RIGHT: [f64; 10] = [
    19.27, 19.28, 19.24, 19.20, 19.21, 19.19, 19.15, 19.16, 19.10, 19.10,
];

fn worked_lines() -> (Line, Line) {
    let levels: Vec<f64> = (LEFT.iter().copied())
        .chain([f64::NAN])
        .chain(RIGHT)
        .map(|db| if db.is_nan() { 0.0 } else { db })
        .collect();
    let weights: Vec<f64> = (0..21).map(|i| if i == 10 { 0.0 } else { 1.0 }).collect();
    let sums = Sums::new(&levels, &weights);
    (sums.line(0, 10).unwrap(), sums.line(11, 21).unwrap())
}

/// Source: numbers derived with ordinary least squares; the two lines drawn to
/// the event are the least-squares method of TIA-455-8 and GR-196 (from memory).
#[test]
fn twenty_points_give_the_step_its_slopes_and_its_error() {
    let (left, right) = worked_lines();
    // Printed to 1e-6 dB/km; a slope here is per sample of 0.1 km.
    assert_abs_diff_eq!(left.slope * 10.0, -0.207_273, epsilon = 5e-7);
    assert_abs_diff_eq!(right.slope * 10.0, -0.203_636, epsilon = 5e-7);
    assert_abs_diff_eq!(left.at(10.0) - right.at(10.0), 0.294_00, epsilon = 5e-6);
    // Residual standard deviation, 20 points less 4 parameters.
    let s_db = ((left.chi_square + right.chi_square) / 16.0).sqrt();
    assert_abs_diff_eq!(s_db, 0.015_703, epsilon = 5e-7);
    let u_db = s_db * (left.variance_at(10.0) + right.variance_at(10.0)).sqrt();
    assert_abs_diff_eq!(u_db, 0.015_171, epsilon = 5e-7);
    // One common slope, weighted by the slopes' own variances, is −0.205455 and
    // gives the same step, for the two windows are alike.
    let common = 0.5 * (left.slope + right.slope);
    assert_abs_diff_eq!(common * 10.0, -0.205_455, epsilon = 5e-7);
    let step_db =
        left.level + common * (10.0 - left.centre) - (right.level + common * (10.0 - right.centre));
    assert_abs_diff_eq!(step_db, 0.294_00, epsilon = 5e-6);
}

/// Lines over `n` samples on each side, unit weights, `lost` samples left out
/// behind the event; the event lies half a sample behind the left window.
fn step_error(sigma_db: f64, n: (usize, usize), lost: usize) -> f64 {
    let total = n.0 + lost + n.1;
    let weights = vec![1.0 / (sigma_db * sigma_db); total];
    let sums = Sums::new(&vec![0.0; total], &weights);
    let left = sums.line(0, n.0).unwrap();
    let right = sums.line(n.0 + lost, total).unwrap();
    let event = n.0 as f64 - 0.5;
    (left.variance_at(event) + right.variance_at(event)).sqrt()
}

/// Source: derived from the variance of a least-squares line,
/// σ²·(1/N + 12·(g + N/2)²/(N·(N² − 1))) on each side with g samples lost; no OTDR
/// standard giving it was found. Checked against 60 000 random trials each.
#[test]
fn errors_of_a_step_between_two_lines() {
    for (n, lost, expected_db) in [
        ((20, 20), 0, 0.031_652),
        ((100, 100), 0, 0.014_143),
        ((500, 500), 0, 0.006_325),
        ((50, 500), 0, 0.014_834),
        ((100, 100), 50, 0.020_616),
    ] {
        assert_abs_diff_eq!(step_error(0.05, n, lost), expected_db, epsilon = 5e-7);
    }
}

/// Source: derived, as above; the nearest sample of each side lies g' spacings
/// from the event.
#[test]
fn errors_of_a_step_grow_with_the_samples_lost() {
    for (gap, per_sigma) in [
        (0.0, 0.280_73),
        (0.5, 0.282_85),
        (20.0, 0.368_70),
        (50.0, 0.507_57),
    ] {
        let line = Sums::new(&[0.0; 100], &[1.0; 100]).line(0, 100).unwrap();
        let u = (2.0 * line.variance_at(99.0 + gap)).sqrt();
        assert_abs_diff_eq!(u, per_sigma, epsilon = 5e-6);
    }
    // The rule of thumb σ·√(8/N), within its own 1/N.
    for (n, u_db) in [
        (20, 0.012_66),
        (50, 0.008_00),
        (100, 0.005_66),
        (400, 0.002_83),
    ] {
        assert_relative_eq!(step_error(0.02, (n, n), 0), u_db, max_relative = 2e-3);
    }
}

/// Source: derived: 1000 points every 10 m with 0.05 dB each give a slope to
/// 0.000548 dB/km.
#[test]
fn error_of_a_slope() {
    let weights = vec![1.0 / (0.05 * 0.05); 1000];
    let line = Sums::new(&vec![0.0; 1000], &weights).line(0, 1000).unwrap();
    let u_db_per_km = line.slope_variance.sqrt() * 100.0;
    assert_abs_diff_eq!(u_db_per_km, 0.000_548, epsilon = 5e-7);
}

/// Second implementation: the scatter of many random steps is what the line says.
#[test]
fn the_stated_error_is_the_scatter_of_random_steps() {
    let (n, sigma_db, trials) = (100, 0.02, 4000);
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let noise = Normal::new(0.0, sigma_db).unwrap();
    let weights = vec![1.0 / (sigma_db * sigma_db); 2 * n];
    let event = n as f64 - 0.5;
    let mut sum_square = 0.0;
    for _ in 0..trials {
        let levels: Vec<f64> = (0..2 * n).map(|_| noise.sample(&mut rng)).collect();
        let sums = Sums::new(&levels, &weights);
        let (left, right) = (sums.line(0, n).unwrap(), sums.line(n, 2 * n).unwrap());
        sum_square += (left.at(event) - right.at(event)).powi(2);
    }
    let scatter_db = (sum_square / f64::from(trials)).sqrt();
    // 4000 trials know a standard deviation to 1/√8000 = 1.1 %; three of these.
    assert_relative_eq!(
        scatter_db,
        step_error(sigma_db, (n, n), 0),
        max_relative = 0.034
    );
}
