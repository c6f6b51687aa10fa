//! Tests of means and trends against scipy and statsmodels.
//!
//! The numbers in `tests/reference/splice_log.json` were recorded by the script beside
//! it (scipy 1.17.1, statsmodels 0.15.0), which says how each was made.
#![expect(
    clippy::unwrap_used,
    reason = "recorded files that cannot be read must fail the test"
)]

use approx::assert_relative_eq;
use bothends::cable::splice_log::{difference_test, holm, line_test, line_test_holding, mean_test};
use serde::Deserialize;

#[derive(Debug, Deserialize)]
struct Expected {
    cases: Vec<Case>,
    holm: Holm,
}

#[derive(Debug, Deserialize)]
struct Case {
    arcs: Vec<f64>,
    one_db: Vec<f64>,
    other_db: Vec<f64>,
    estimate_db: Vec<f64>,
    mean: f64,
    mean_std: f64,
    mean_std_error: f64,
    mean_p: f64,
    difference: f64,
    difference_std_error: f64,
    difference_p: f64,
    slope: f64,
    slope_std_error: f64,
    intercept: f64,
    slope_p: f64,
    cleaves: Vec<f64>,
    held: Option<Held>,
}

#[derive(Debug, Deserialize)]
struct Held {
    slope: f64,
    slope_std_error: f64,
    p: f64,
}

#[derive(Debug, Deserialize)]
struct Holm {
    p: Vec<f64>,
    adjusted: Vec<f64>,
}

fn expected() -> Expected {
    serde_json::from_str(include_str!("../reference/splice_log.json")).unwrap()
}

/// Sums of a few hundred doubles in another order: twelve digits, nine for what is the
/// small difference of large sums.
const SUMS: f64 = 1e-9;
/// The tail of Student's distribution by another series: eight digits of the logarithm's
/// scale at 1e-15, and less further out.
const TAILS: f64 = 1e-6;

#[track_caller]
fn same_probability(found: f64, wanted: f64) {
    // Below 1e-60 no decision depends on it.
    if wanted > 1e-60 {
        assert_relative_eq!(found, wanted, max_relative = TAILS);
    } else {
        assert!(found < 1e-50);
    }
}

#[test]
fn means_agree_with_scipy() {
    for case in expected().cases {
        let less: Vec<f64> = (case.one_db.iter().zip(&case.estimate_db))
            .map(|(measured, estimate)| measured - estimate)
            .collect();
        let test = mean_test(&less).unwrap();
        assert_eq!(test.n, less.len());
        assert_relative_eq!(test.mean, case.mean, max_relative = SUMS);
        assert_relative_eq!(test.std, case.mean_std, max_relative = SUMS);
        assert_relative_eq!(test.std_error, case.mean_std_error, max_relative = SUMS);
        same_probability(test.p, case.mean_p);
    }
}

#[test]
fn differences_agree_with_scipy() {
    for case in expected().cases {
        let test = difference_test(&case.one_db, &case.other_db).unwrap();
        assert_relative_eq!(test.difference, case.difference, max_relative = SUMS);
        assert_relative_eq!(
            test.std_error,
            case.difference_std_error,
            max_relative = SUMS
        );
        same_probability(test.p, case.difference_p);
    }
}

#[test]
fn trends_agree_with_scipy() {
    for case in expected().cases {
        let test = line_test(&case.arcs, &case.one_db).unwrap();
        assert_relative_eq!(test.slope, case.slope, max_relative = SUMS);
        assert_relative_eq!(
            test.slope_std_error,
            case.slope_std_error,
            max_relative = SUMS
        );
        assert_relative_eq!(test.intercept, case.intercept, max_relative = SUMS);
        same_probability(test.p, case.slope_p);
    }
}

#[test]
fn trends_with_the_other_count_held_agree_with_statsmodels() {
    for case in expected().cases {
        let test = line_test_holding(&case.arcs, &case.cleaves, &case.one_db);
        let Some(held) = case.held else {
            assert!(test.is_none());
            continue;
        };
        let test = test.unwrap();
        // Statsmodels solves with arcs near 1000 and a constant, which loses some digits.
        assert_relative_eq!(test.slope, held.slope, max_relative = 1e-7);
        assert_relative_eq!(
            test.slope_std_error,
            held.slope_std_error,
            max_relative = 1e-7
        );
        same_probability(test.p, held.p);
    }
}

#[test]
fn adjusted_probabilities_agree_with_statsmodels() {
    let recorded = expected().holm;
    for (found, wanted) in holm(&recorded.p).iter().zip(&recorded.adjusted) {
        // Products of recorded doubles.
        assert_relative_eq!(found, wanted, max_relative = 1e-12);
    }
}
