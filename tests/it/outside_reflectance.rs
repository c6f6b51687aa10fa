//! Reflectance of a point and return loss of a link against numbers from outside.
#![expect(
    clippy::doc_markdown,
    reason = "formulas stand as they are printed, without marks"
)]

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::detect::{Eye, height_db};
use bothends::measure::{reflectance, return_loss};
use bothends::simulate::{Instrument, LinkEnd, run};
use bothends::units::{BackscatterCoefficient, PulseWidth, Reflectance, SPEED_OF_LIGHT_M_PER_S};

use crate::made::{INDEX, chain, event_at, fibre, ideal, level_at, measured, quiet, trace_of};

/// Source: R = B1 + 10·log10((10^(H/5) − 1)·W/1 ns), TIA-455-8 and GR-196 (both
/// from memory); numbers derived.
const FORWARD: [(f64, f64, f64, f64); 7] = [
    // B1 dB, height dB, pulse ns, reflectance dB
    (-80.0, 8.0, 100.0, -44.110),
    (-80.0, 20.0, 10.0, -30.000),
    (-80.0, 12.0, 10.0, -46.017),
    (-80.0, 0.5, 100.0, -65.868),
    (-82.0, 8.0, 100.0, -46.110),
    (-81.5, 5.0, 275.0, -47.564),
    (-81.0, 10.0, 50.0, -44.054),
];

/// The same formula solved for the height; numbers derived.
const INVERSE: [(f64, f64, f64, f64); 3] = [
    // B1 dB, reflectance dB, pulse ns, height dB
    (-80.0, -55.0, 100.0, 3.0967),
    (-82.0, -45.0, 10.0, 13.5043),
    (-82.0, -65.0, 30.0, 2.1331),
];

#[test]
fn reflectance_from_the_height_of_a_peak() {
    for (b1_db, height, ns, expected_db) in FORWARD {
        let excess = 10f64.powf(height / 5.0) - 1.0;
        let found = reflectance(
            excess,
            BackscatterCoefficient::from_db(b1_db),
            PulseWidth::from_ns(ns),
        );
        // Half of the last printed decimal.
        assert_abs_diff_eq!(found.db(), expected_db, epsilon = 5e-4);
    }
}

#[test]
fn height_of_a_peak_from_its_reflectance() {
    for (b1_db, r_db, ns, height) in INVERSE {
        let excess = 10f64.powf((r_db - b1_db) / 10.0) / ns;
        assert_abs_diff_eq!(height_db(excess), height, epsilon = 5e-5);
    }
}

/// The same numbers through a trace: a connector of that reflectance on fibre of
/// that backscatter stands as high as printed, and is measured as what it is.
#[test]
fn peaks_of_the_table_are_measured_from_both_ends() {
    let rows = FORWARD
        .map(|(b1_db, height, ns, r_db)| (b1_db, r_db, ns, height))
        .into_iter()
        .chain(INVERSE)
        // A rise of 0.5 dB needs noise to be judged against; it has its own test.
        .filter(|row| row.3 > 1.0);
    for (b1_db, r_db, ns, height) in rows {
        let instrument = Instrument {
            stated_backscatter: Some(BackscatterCoefficient::from_db(b1_db)),
            ..quiet(ns, 0.5)
        };
        let mut plan = chain(
            vec![fibre(2.0, 0.2, b1_db), fibre(2.0, 0.2, b1_db)],
            &[0.2],
            instrument,
        );
        plan.joints[0].reflectance = Some(Reflectance::from_db(r_db));
        // The display itself: the first sample of the pulse against the one
        // before it, less 0.2 dB/km over 1 m.
        let sim = run(&plan, 0).unwrap();
        let level = |at_m| level_at(&sim.a.distances_m, &sim.a.levels_db, at_m);
        let rise_db = level(2000.5) - level(1999.5);
        // Half a metre of the ramp of the joint's loss (0.2 dB over at least 1 m
        // of pulse, under a peak that is by itself over 60 % of the power).
        assert_abs_diff_eq!(rise_db, height, epsilon = 0.05);
        let link = measured(&plan, 0).link;
        let event = event_at(&link, 2000.0, 1.0);
        for found in [event.reflectance_a, event.reflectance_b] {
            let found = found.unwrap();
            assert!(!found.is_bound);
            // The ramp under the plateau is modelled; what stays is the sample in
            // which the edge lies, 0.5 m of the ramp: 0.2 dB·0.5 m/1 m at worst of
            // the backscatter, 10^(−H/5) of the peak.
            let doubt_db = 0.02 + 0.5 * 10f64.powf(-height / 5.0);
            assert_abs_diff_eq!(found.value.db(), r_db, epsilon = doubt_db);
        }
    }
}

/// Return loss of even fibre, from energies: the rate of return at the start is
/// 10^(B1/10) per nanosecond, and it falls as exp(−2α) over the round trip.
fn uniform_return_loss_db(b1_db: f64, db_per_km: f64, km: f64, group_index: f64) -> f64 {
    let alpha_per_m = db_per_km * std::f64::consts::LN_10 / 1e4;
    let metres_per_ns = SPEED_OF_LIGHT_M_PER_S / group_index * 1e-9 / 2.0;
    let captured_per_m = 10f64.powf(b1_db / 10.0) / metres_per_ns;
    let share = 1.0 - (-2.0 * alpha_per_m * km * 1000.0).exp();
    -10.0 * (captured_per_m / (2.0 * alpha_per_m) * share).log10()
}

/// Source: return loss is launched over returned power in positive decibels
/// (IEC 61300-3-6, abstract); the integral over even fibre,
/// S·α_s/(2α)·(1 − exp(−2αL)), and all numbers are derived.
const UNIFORM: [(f64, f64, f64, f64, f64); 6] = [
    // B1 dB, dB/km, km, group index, return loss dB
    (-82.0, 0.20, 1.0, 1.4682, 42.2885),
    (-82.0, 0.20, 20.0, 1.4682, 32.4822),
    (-82.0, 0.20, 100.0, 1.4682, 31.7332),
    (-80.0, 0.35, 1.0, 1.4676, 40.4371),
    (-80.0, 0.35, 20.0, 1.4676, 32.3414),
    (-80.0, 0.35, 100.0, 1.4676, 32.1650),
];

#[test]
fn return_loss_of_even_fibre() {
    for (b1_db, db_per_km, km, group_index, expected_db) in UNIFORM {
        let formula_db = uniform_return_loss_db(b1_db, db_per_km, km, group_index);
        assert_abs_diff_eq!(formula_db, expected_db, epsilon = 5e-5);
        if km * db_per_km > 30.0 {
            // 70 one-way dB is below what any trace holds.
            continue;
        }
        // A trace of our own, levels straight down, sampled every 2 m.
        let samples = (0..)
            .map(|i: u32| f64::from(i) * 0.002)
            .take_while(|z_km| *z_km < km);
        let levels: Vec<f64> = samples.map(|z_km| -db_per_km * z_km).collect();
        let n = levels.len();
        let trace = trace_of(levels, 2.0, 100.0, group_index);
        let eye = Eye::new(&trace);
        let coefficient = BackscatterCoefficient::from_db(b1_db);
        let found = return_loss(&trace, &eye, 0, n, 1.0, coefficient).unwrap();
        // Each sample stands for the 2 m behind it, over which the power falls by
        // 2·0.35 dB/km·2 m: half of that, 0.0007 dB, is the sum's own error.
        assert_abs_diff_eq!(found.db(), expected_db, epsilon = 1e-3);
    }
}

/// Source: derived; reflections add 10^((R − 2·loss)/10). Two connectors of
/// −55 dB at the ends of 20 km (−82 dB, 0.2 dB/km) make 32.4541 dB; a flat end
/// of −14.44 dB makes 22.0299 dB; two of −45 dB, one behind 2 dB, without fibre
/// 43.5446 dB; 0.1 mW back of 10 mW is 20 dB (a published calculator's example).
#[test]
fn return_loss_adds_reflections_to_fibre() {
    let sum_db = |parts_db: &[f64]| -> f64 {
        let returned: f64 = parts_db.iter().map(|db| 10f64.powf(db / 10.0)).sum();
        -10.0 * returned.log10()
    };
    let fibre_db = -uniform_return_loss_db(-82.0, 0.2, 20.0, INDEX);
    assert_abs_diff_eq!(sum_db(&[-45.0, -45.0 - 4.0]), 43.5446, epsilon = 5e-5);
    assert_abs_diff_eq!(
        sum_db(&[-55.0, -55.0 - 8.0, fibre_db]),
        32.4541,
        epsilon = 5e-5
    );
    assert_abs_diff_eq!(sum_db(&[-14.44 - 8.0, fibre_db]), 22.0299, epsilon = 5e-5);
    assert_abs_diff_eq!(
        sum_db(&[10.0 * f64::log10(0.1 / 10.0)]),
        20.0,
        epsilon = 1e-12
    );

    let instrument = Instrument {
        stated_backscatter: Some(BackscatterCoefficient::from_db(-82.0)),
        ..quiet(100.0, 2.0)
    };
    let mut plan = chain(vec![fibre(20.0, 0.2, -82.0)], &[], instrument);
    for end in [&mut plan.end_a, &mut plan.end_b] {
        *end = LinkEnd {
            cord: Some(fibre(1.0, 0.2, -82.0)),
            reflectance: Some(Reflectance::from_db(-55.0)),
            ..LinkEnd::default()
        };
    }
    let truth = run(&plan, 0).unwrap().truth;
    assert_abs_diff_eq!(truth.a.return_loss.db(), 32.4541, epsilon = 5e-5);
    let link = measured(&plan, 0).link;
    for found in [link.orl_a, link.orl_b] {
        // The near connector's peak is 0.5 % of what returns and lies in 5.1
        // samples, of which one may fall to either side of its window; the far
        // one 0.1 %: 0.007 dB. The fibre's sum errs by another 0.0004 dB, and a
        // window that begins a sample early or late by 0.0004 dB.
        assert_abs_diff_eq!(found.unwrap().db(), 32.4541, epsilon = 0.01);
    }
}

/// Source: Fresnel's equation at normal incidence, ((n − 1)/(n + 1))²; numbers
/// derived. An open flat end reflects −14.4 dB, the largest single reflection of a
/// link; a link ending in air keeps the return loss of the table above.
#[test]
fn an_open_flat_end_sets_the_return_loss() {
    for (n, expected_db) in [(1.45, -14.719), (1.468, -14.442), (1.4682, -14.439)] {
        let ratio: f64 = (n - 1.0) / (n + 1.0);
        assert_abs_diff_eq!(20.0 * ratio.log10(), expected_db, epsilon = 5e-4);
    }
    let mut plan = chain(vec![fibre(20.0, 0.2, -82.0)], &[], ideal(100.0, 2.0));
    plan.end_b.open_reflectance = Some(Reflectance::from_db(-14.44));
    let truth = run(&plan, 0).unwrap().truth;
    // The end itself belongs to the link where no cord follows; without it the
    // fibre alone would give 32.4822 dB.
    assert_relative_eq!(truth.a.return_loss.db(), 22.0299, max_relative = 1e-5);
}
