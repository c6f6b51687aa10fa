//! Two-way splice loss against published and derived numbers.
//!
//! Fibre 1 lies on A's side and fibre 2 on B's. With the backscatter factors K1
//! and K2, A reads T + 5·log10(K1/K2) and B reads T − 5·log10(K1/K2) of a true
//! loss T; where only the mode fields differ, K goes as 1/w² and half the
//! difference is h = 10·log10(w2/w1). The pair of formulas is derived; that gains
//! and losses come in such pairs is the subject of IEC TR 62316 (abstract).
#![expect(
    clippy::doc_markdown,
    reason = "formulas stand as they are printed, without marks"
)]

use approx::assert_abs_diff_eq;
use bothends::both_ways::{mismatch_loss, mode_field_diameter, two_way_levels, workmanship};
use bothends::measure::{half_difference, two_way};
use bothends::units::{Loss, Measured, NotMeasured};

use crate::made::{db, error_db, known};

/// Sources: first row a flash-card of the online course "Fiber Optic Network
/// Operations and Maintenance", which gives (Loss A + Loss B)/2; second a quiz of
/// an open outside-plant training course; third derived; the fourth from
/// coefficients (10·log10) that differ by 0.16 dB, which is ±0.08 on the display,
/// derived.
#[test]
fn worked_examples_of_the_mean() {
    for (a_db, b_db, loss_db, half_db) in [
        (0.20, 0.10, 0.15, 0.05),
        (-0.08, 0.28, 0.10, -0.18),
        (0.25, -0.15, 0.05, 0.20),
        (0.12, -0.04, 0.04, 0.08),
    ] {
        let (a, b) = (known(a_db, 0.01), known(b_db, 0.01));
        // Sums of two numbers of two decimals: rounding only.
        assert_abs_diff_eq!(db(&two_way(&a, &b)), loss_db, epsilon = 1e-12);
        assert_abs_diff_eq!(db(&half_difference(&a, &b)), half_db, epsilon = 1e-12);
    }
}

/// Source: law of propagation of uncertainty, JCGM 100:2008 5.1 (from memory);
/// numbers derived: ½·√(u_A² + u_B²).
#[test]
fn worked_errors_of_the_mean() {
    for (a_db, b_db, error) in [(0.010, 0.012, 0.007_810), (0.012, 0.015, 0.009_60)] {
        let (a, b) = (known(0.1, a_db), known(0.1, b_db));
        // Half of the last printed decimal.
        assert_abs_diff_eq!(error_db(&two_way(&a, &b)), error, epsilon = 5e-6);
        assert_abs_diff_eq!(error_db(&half_difference(&a, &b)), error, epsilon = 5e-6);
    }
    // A known and an unknown error make an unknown one, never that of the known.
    let without = Ok(Measured {
        value: Loss::from_db(0.1),
        std_error: None,
    });
    let mean = two_way(&known(0.1, 0.01), &without).unwrap();
    assert_eq!(mean.std_error, None);
}

/// Common practice, no source: an event seen from one end only must not be averaged.
#[test]
fn one_reading_makes_no_mean() {
    let missing = Err(NotMeasured::because("under the noise"));
    let there = known(0.1, 0.01);
    assert!(two_way(&there, &missing).is_err());
    assert!(two_way(&missing, &there).is_err());
    assert!(half_difference(&there, &missing).is_err());
}

/// Source: derived from the two formulas and D. Marcuse's mismatch loss (Bell
/// Syst. Tech. J. 56 (1977) 703, from memory): pairs of mode-field diameters in µm
/// whose splice loses nothing but the mismatch.
#[test]
fn pairs_of_mode_fields_give_gainers_and_losers() {
    for (w1_um, w2_um, loss_db, half_db, a_db, b_db) in [
        (9.2, 8.6, 0.0197, -0.2929, -0.2732, 0.3126),
        (9.2, 8.4, 0.0359, -0.3951, -0.3592, 0.4310),
        (9.2, 8.8, 0.0086, -0.1931, -0.1845, 0.2016),
        (9.2, 9.0, 0.0021, -0.0955, -0.0934, 0.0976),
        (9.0, 9.5, 0.0127, 0.2348, 0.2475, -0.2221),
        (8.8, 9.6, 0.0328, 0.3779, 0.4107, -0.3450),
        (10.4, 9.6, 0.0278, -0.3476, -0.3198, 0.3754),
        (10.5, 8.0, 0.3173, -1.1810, -0.8637, 1.4983),
    ] {
        let (a, b) = (known(a_db, 0.001), known(b_db, 0.001));
        let (loss, half) = (two_way(&a, &b), half_difference(&a, &b));
        // Two readings rounded to four decimals: their mean is off by at most 5e-5,
        // and the printed one by as much again.
        assert_abs_diff_eq!(db(&loss), loss_db, epsilon = 1e-4 + 1e-9);
        assert_abs_diff_eq!(db(&half), half_db, epsilon = 1e-4 + 1e-9);
        assert_abs_diff_eq!(mismatch_loss(w2_um / w1_um).db(), loss_db, epsilon = 5e-5);
        // The split gives the whole loss to the fibres: the estimate errs by the
        // slope of the mismatch (at most 0.54 dB per dB of h) times 1e-4.
        let split = workmanship(&loss, &half).unwrap();
        assert_abs_diff_eq!(split.forced.value.db(), loss_db, epsilon = 2e-4);
        assert_abs_diff_eq!(split.workmanship.value.db(), 0.0, epsilon = 2e-4);
        // And the diameter comes back: 1e-4 dB of h is 1e-4·ln(10)/10 of it.
        let (l_d, l_s) = (Loss::from_db(a_db), Loss::from_db(b_db));
        let w2_back_um = mode_field_diameter(w1_um, l_d, l_s, 1.0, 0.0);
        assert_abs_diff_eq!(w2_back_um, w2_um, epsilon = 3e-4);
    }
}

/// Source: ITU-T G.650.1 (03/2018) 6.1.4 eq. 6-4 for the formula; numbers derived.
#[test]
fn mode_field_diameters_from_two_readings() {
    for (l_d, l_s, g, f_db, um, tolerance_um) in [
        (0.25, -0.15, 1.0, 0.0, 9.6336, 5e-5),
        (-0.08, 0.28, 1.0, 0.0, 8.8265, 5e-5),
        (-0.08, 0.28, 0.95, 0.01, 8.8550, 5e-5),
        // Readings of six decimals: 1e-6 dB is 1e-6 µm.
        (-0.273_156, 0.312_632, 1.0, 0.0, 8.6000, 5e-6),
    ] {
        let found_um = mode_field_diameter(9.2, Loss::from_db(l_d), Loss::from_db(l_s), g, f_db);
        assert_abs_diff_eq!(found_um, um, epsilon = tolerance_um);
    }
    assert!(
        mode_field_diameter(f64::NAN, Loss::from_db(0.1), Loss::from_db(0.1), 1.0, 0.0).is_nan()
    );
}

/// Source: ITU-T G.650.1 (03/2018) eq. 6-14, y(x) = (a(x) − b(L−x))/2, and
/// Appendix II eq. II-1, I(x) = (a(x) + b(L−x))/2 on the 5·log10 scale; eq. 6-15
/// for the attenuation. Numbers derived: 20 km, splice of 0.05 dB at 10 km,
/// 0.2 dB/km, mode field 9.2 µm then 8.6 µm.
#[test]
fn two_way_and_imperfection_curves_of_the_worked_link() {
    let rows = [
        (2.0, -0.4000, -3.9429, 1.7714, -2.1714),
        (9.9, -1.9800, -2.3629, 0.1914, -2.1714),
        (10.1, -1.7771, -1.9800, 0.1014, -1.8786),
        (18.0, -3.3571, -0.4000, -1.4786, -1.8786),
    ];
    let curves: Vec<(f64, f64)> = rows
        .iter()
        .map(|&(_, a, b, y_db, i_db)| {
            let (y, i) = two_way_levels(a, b);
            // Levels and curves are printed to 1e-4: half a digit each.
            assert_abs_diff_eq!(y, y_db, epsilon = 1e-4 + 1e-9);
            assert_abs_diff_eq!(i, i_db, epsilon = 1e-4 + 1e-9);
            (y, i)
        })
        .collect();
    // Across the splice y falls by T and 0.2 km of fibre, I by −h = 10·log10(9.2/8.6).
    assert_abs_diff_eq!(curves[1].0 - curves[2].0, 0.05 + 0.04, epsilon = 2e-4);
    assert_abs_diff_eq!(curves[2].1 - curves[1].1, 0.2929, epsilon = 2e-4);
    // A(2 km, 18 km) = 0.203125 dB/km = 0.2 + 0.05/16; 1e-4 dB over 16 km.
    assert_abs_diff_eq!(
        (curves[0].0 - curves[3].0) / 16.0,
        0.203_125,
        epsilon = 1e-5
    );
}
