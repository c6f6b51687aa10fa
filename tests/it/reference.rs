//! Lines, errors and probabilities against numpy and scipy.
//!
//! The numbers in `tests/reference/expected.json` were recorded by the script
//! beside it (numpy 2.4.6, scipy 1.17.1), which says how each was made.
#![expect(
    clippy::unwrap_used,
    reason = "recorded files that cannot be read must fail the test"
)]

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::detect::{Eye, Line, Span, Sums, View, detection_probability};
use bothends::measure::read_loss;
use serde::Deserialize;

use crate::made::trace_of;

#[derive(Debug, Deserialize)]
struct Expected {
    noise: f64,
    spacing_m: f64,
    edge: usize,
    start_db: f64,
    db_per_sample: f64,
    step_db: f64,
    before: ExpectedLine,
    after: ExpectedLine,
    in_power: InPower,
    detection: Vec<Detection>,
}

#[derive(Debug, Deserialize)]
struct ExpectedLine {
    lo: usize,
    hi: usize,
    slope: f64,
    slope_error: f64,
    at_edge: f64,
    at_edge_error: f64,
    chi_square: f64,
}

#[derive(Debug, Deserialize)]
struct InPower {
    loss_db: f64,
    loss_error_db: f64,
}

#[derive(Debug, Deserialize)]
struct Detection {
    snr: Vec<f64>,
    alarm: f64,
    found: f64,
}

fn expected() -> Expected {
    serde_json::from_str(include_str!("../reference/expected.json")).unwrap()
}

/// Levels of the recorded trace, NaN where it has none.
fn levels_db() -> Vec<f64> {
    include_str!("../reference/trace.csv")
        .lines()
        .skip(1)
        .map(|line| {
            let (_, level) = line.split_once(',').unwrap();
            if level.is_empty() {
                f64::NAN
            } else {
                level.parse().unwrap()
            }
        })
        .collect()
}

#[test]
fn weighted_lines_agree_with_numpy() {
    let expected = expected();
    let levels = levels_db();
    // The same weights as the script's: constant noise in linear power.
    let weights: Vec<f64> = (0..levels.len())
        .map(|i| {
            let step = if i > expected.edge {
                expected.step_db
            } else {
                0.0
            };
            let clean_db = expected.start_db - expected.db_per_sample * i as f64 - step;
            let sigma_db =
                5.0 / std::f64::consts::LN_10 * expected.noise / 10f64.powf(clean_db / 5.0);
            if levels[i].is_nan() {
                0.0
            } else {
                1.0 / (sigma_db * sigma_db)
            }
        })
        .collect();
    let known: Vec<f64> = levels
        .iter()
        .map(|db| if db.is_nan() { 0.0 } else { *db })
        .collect();
    let sums = Sums::new(&known, &weights);
    let at = expected.edge as f64 + 0.5;
    let check = |line: &Line, wanted: &ExpectedLine| {
        // Both are exact up to rounding. The sums here run over 1700 samples with
        // origin at the far end, and lose about six of sixteen digits; the sum of
        // squared residuals is a small difference of large sums and loses more.
        assert_relative_eq!(line.slope, wanted.slope, max_relative = 1e-8);
        assert_relative_eq!(
            line.slope_variance.sqrt(),
            wanted.slope_error,
            max_relative = 1e-8
        );
        assert_relative_eq!(line.at(at), wanted.at_edge, max_relative = 1e-8);
        assert_relative_eq!(
            line.variance_at(at).sqrt(),
            wanted.at_edge_error,
            max_relative = 1e-8
        );
        assert_relative_eq!(line.chi_square, wanted.chi_square, max_relative = 1e-5);
    };
    check(
        &sums.line(expected.before.lo, expected.before.hi).unwrap(),
        &expected.before,
    );
    check(
        &sums.line(expected.after.lo, expected.after.hi).unwrap(),
        &expected.after,
    );
}

#[test]
fn a_measured_loss_agrees_with_a_fit_in_linear_power() {
    let expected = expected();
    let trace = trace_of(levels_db(), expected.spacing_m, 10.0, 1.4682);
    let eye = Eye::new(&trace);
    let span = |line: &ExpectedLine| Span {
        lo: line.lo,
        hi: line.hi,
    };
    let (before, after) = (span(&expected.before), span(&expected.after));
    // The step lies behind sample 600; a pulse of a tenth of a sample ends there too.
    let reading = read_loss(
        &View::own(&eye),
        expected.edge as f64 + 0.5,
        before,
        after,
        None,
    )
    .unwrap();
    assert!(!reading.before.shortened && !reading.after.shortened);
    let (loss_db, u_db) = (
        reading.loss.value.db(),
        reading.loss.std_error.unwrap().db(),
    );
    // The program estimates the noise and so the weights, from 500 samples beyond
    // the end: its weights differ from the true ones by a few per cent, smoothly,
    // which moves a weighted mean by a few hundredths of its error. A tenth of
    // the error is allowed; the noise alone would make them differ by a whole one.
    let known_u_db = expected.in_power.loss_error_db;
    assert_abs_diff_eq!(
        loss_db,
        expected.in_power.loss_db,
        epsilon = 0.1 * known_u_db
    );
    let in_db = expected.before.at_edge - expected.after.at_edge;
    assert_abs_diff_eq!(loss_db, in_db, epsilon = 0.1 * known_u_db);
    // The estimated noise has the error of 500 to 1000 samples, 1/√(2·500) = 3 %;
    // three times that.
    assert_relative_eq!(u_db, known_u_db, max_relative = 0.1);
    let edge_u_db = expected
        .before
        .at_edge_error
        .hypot(expected.after.at_edge_error);
    assert_relative_eq!(u_db, edge_u_db, max_relative = 0.1);
    // And all agree with what the script put in, within three errors.
    assert_abs_diff_eq!(loss_db, expected.step_db, epsilon = 3.0 * known_u_db);
}

#[test]
fn detection_probabilities_agree_with_scipy() {
    for row in expected().detection {
        let found = detection_probability(&row.snr, row.alarm);
        // Two closed series of textbook functions: 1e-9, but the normal quantile at
        // small probabilities of `1 − alarm/2` keeps only 16 − 5 digits of alarm.
        assert_abs_diff_eq!(found, row.found, epsilon = 1e-8);
    }
}
