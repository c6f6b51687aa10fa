//! Loss that two fibres' mode fields force on a joint.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::both_ways::{mismatch_loss, workmanship};

use crate::made::known;

/// Source: J. M. Senior, *Optical Fiber Communications*, example 5.6: mode fields
/// of 11.2 and 8.4 µm lose 0.35 dB (inputs and answer from memory); 0.35458
/// recomputed with −20·log10(2·w1·w2/(w1² + w2²)), D. Marcuse, Bell Syst. Tech.
/// J. 56 (1977) 703 (from memory).
#[test]
fn mismatch_of_a_textbook_pair() {
    let loss_db = mismatch_loss(11.2 / 8.4).db();
    assert_abs_diff_eq!(loss_db, 0.35, epsilon = 0.005);
    assert_abs_diff_eq!(loss_db, 0.354_58, epsilon = 5e-6);
}

/// Source: derived: loss, ratio of the mode fields, half difference.
#[test]
fn small_mismatch_losses_go_with_large_one_way_errors() {
    for (loss_db, ratio, half_db) in [
        (0.01, 1.049_16, 0.2084),
        (0.02, 1.070_24, 0.2948),
        (0.05, 1.113_38, 0.4664),
        (0.10, 1.164_20, 0.6603),
    ] {
        // A ratio of five decimals moves the loss by at most
        // d(loss)/dr·5e-6 ≈ 1.3·5e-6 dB.
        assert_abs_diff_eq!(mismatch_loss(ratio).db(), loss_db, epsilon = 1e-5);
        // h = 10·log10(w2/w1), half of the last printed decimal.
        assert_abs_diff_eq!(10.0 * f64::log10(ratio), half_db, epsilon = 5e-5);
        let split = workmanship(&known(0.3, 0.001), &known(half_db, 0.001)).unwrap();
        assert_abs_diff_eq!(split.forced.value.db(), loss_db, epsilon = 5e-5);
        assert_abs_diff_eq!(split.workmanship.value.db(), 0.3 - loss_db, epsilon = 5e-5);
    }
}

/// Second implementation: the overlap of the two fields, (∫E1·E2·r dr)² over
/// ∫E1²·r dr · ∫E2²·r dr with E = exp(−r²/w²), added up numerically.
#[test]
fn mismatch_is_the_overlap_of_two_gaussian_fields() {
    let overlap = |w1: f64, w2: f64| {
        let step = 1e-3;
        let sum = |p: f64, q: f64| -> f64 {
            // To ten field radii; the fields are 1e-43 there.
            (0..100_000)
                .map(|i| {
                    let r = (f64::from(i) + 0.5) * step;
                    (-r * r * (1.0 / (p * p) + 1.0 / (q * q))).exp() * r * step
                })
                .sum()
        };
        sum(w1, w2).powi(2) / (sum(w1, w1) * sum(w2, w2))
    };
    for (w1, w2) in [(4.6, 4.3), (4.6, 5.2), (5.25, 4.0), (4.5, 4.5)] {
        // Midpoint rule, step/width 2e-4: error about its square.
        let expected_db = -10.0 * overlap(w1, w2).log10();
        assert_abs_diff_eq!(mismatch_loss(w2 / w1).db(), expected_db, epsilon = 1e-6);
    }
}

/// Closed form: the loss is the same in both directions, and none for equal fibres.
#[test]
fn mismatch_does_not_know_the_direction() {
    for ratio in [1.01, 1.1, 1.5, 3.0] {
        assert_relative_eq!(
            mismatch_loss(ratio).db(),
            mismatch_loss(1.0 / ratio).db(),
            max_relative = 1e-9
        );
    }
    assert_abs_diff_eq!(mismatch_loss(1.0).db(), 0.0, epsilon = 1e-12);
}

/// Source: derived. Inside one product's tolerance of 8.6 to 9.2 µm ± 0.4 µm the
/// worst pair is 8.2 and 9.6 µm: h = 10·log10(9.6/8.2) = 0.685 dB, of which the
/// loss itself is 0.107 dB.
#[test]
fn the_worst_pair_of_one_product() {
    let half_db = 10.0 * f64::log10(9.6 / 8.2);
    assert_abs_diff_eq!(half_db, 0.685, epsilon = 5e-4);
    let split = workmanship(&known(0.2, 0.001), &known(half_db, 0.001)).unwrap();
    // Second computation: T ≈ h²·ln(10)/20 for small h, and the next term.
    let x = half_db * std::f64::consts::LN_10 / 10.0;
    let series_db = 20.0 * x.cosh().log10();
    assert_abs_diff_eq!(split.forced.value.db(), series_db, epsilon = 1e-9);
}

/// Source: derived vector (20 km link, mode field 9.2 then 8.6 µm, loss 0.05 dB):
/// 0.0197 dB of it is forced, 0.0303 dB is work.
#[test]
fn the_worked_link_splits_its_loss() {
    let split = workmanship(&known(0.05, 0.002), &known(-0.292_894, 0.002)).unwrap();
    assert_abs_diff_eq!(split.forced.value.db(), 0.0197, epsilon = 5e-5);
    assert_abs_diff_eq!(split.workmanship.value.db(), 0.0303, epsilon = 5e-5);
    // T = 20·log10(cosh x), dT/dh = 2·tanh(x): 0.1349 at h = 0.2929 dB, so 0.002 dB
    // of h are 0.00027 dB of forced loss; the difference quotient over ±u agrees
    // to second order.
    let x = 0.292_894 * std::f64::consts::LN_10 / 10.0;
    let error_db = split.forced.std_error.unwrap().db();
    assert_relative_eq!(error_db, 2.0 * x.tanh() * 0.002, max_relative = 1e-3);
}

/// No source, our rule: a step within two of its errors says nothing.
#[test]
fn a_doubtful_step_is_not_split() {
    assert!(workmanship(&known(0.05, 0.002), &known(0.019, 0.01)).is_err());
    assert!(workmanship(&known(0.05, 0.002), &known(0.021, 0.01)).is_ok());
}
