//! The worked links measured whole: from simulated traces to losses.
//!
//! Noise is kept so low that it counts for nothing. Then levels between joints are straight lines, and where both
//! fibres fall alike the step between them does not depend on where it is read:
//! a loss then errs by rounding and by the second order of the attenuation over
//! the pulse, (2α·w)²/24 of the power, 1e-9 dB. Joints are placed to a sample
//! (1 m or 2 m), which costs the difference of the two slopes times that; the
//! tolerances below say so.
#![expect(
    clippy::doc_markdown,
    clippy::expect_used,
    reason = "formulas stand as they are printed; a link without the fibre looked for must fail"
)]

use approx::assert_abs_diff_eq;
use bothends::both_ways::{Link, Settings, combine};
use bothends::measure::Section;
use bothends::simulate::{self, Fibre, LinkEnd, SimTrace};
use bothends::units::{Length, Loss, Reflectance};

use crate::made::{
    backscatter_of, chain, db, event_at, fibre, ideal, level_at, measured, noisy, quiet, traces,
};

/// Rounding of levels in f64 through sums over ten thousand samples.
const EXACT_DB: f64 = 1e-5;

fn section_at(link: &Link, at_m: f64) -> &Section {
    (link.sections.iter())
        .find(|s| s.from.m() < at_m && at_m < s.to.m())
        .expect("a section at every place between joints")
}

#[track_caller]
fn check_joint(link: &Link, at_m: f64, loss_db: f64, a_db: f64, b_db: f64, tolerance_db: f64) {
    let event = event_at(link, at_m, 2.0);
    assert_abs_diff_eq!(db(&event.loss_a_to_b), a_db, epsilon = tolerance_db);
    assert_abs_diff_eq!(db(&event.loss_b_to_a), b_db, epsilon = tolerance_db);
    assert_abs_diff_eq!(db(&event.loss), loss_db, epsilon = tolerance_db);
    let half_db = 0.5 * (a_db - b_db);
    assert_abs_diff_eq!(db(&event.backscatter_step), half_db, epsilon = tolerance_db);
}

/// Source: ITU-T G.650.1 (03/2018) eq. 6-14 and 6-15 for the two-way curve and
/// its attenuation; numbers derived: 20 km, joint of 0.05 dB at 10 km, 0.2 dB/km,
/// mode field 9.2 µm then 8.6 µm.
#[test]
fn twenty_kilometres_with_one_gainer() {
    let plan = chain(
        vec![
            fibre(10.0, 0.2, backscatter_of(9.2)),
            fibre(10.0, 0.2, backscatter_of(8.6)),
        ],
        &[0.05],
        quiet(100.0, 2.0),
    );
    let combined = measured(&plan, 0);
    let link = &combined.link;
    // Readings are printed to six decimals.
    check_joint(link, 10_000.0, 0.05, -0.242_894, 0.342_894, EXACT_DB);
    let split = event_at(link, 10_000.0, 2.0).workmanship.as_ref().unwrap();
    assert_abs_diff_eq!(split.forced.value.db(), 0.0197, epsilon = 5e-5);
    for at_m in [5_000.0, 15_000.0] {
        let slope = section_at(link, at_m).attenuation.value.db_per_km();
        assert_abs_diff_eq!(slope, 0.2, epsilon = EXACT_DB);
    }
    // The curves themselves, at samples of 2 m that fall on the places asked for
    // (A's port is the zero, so every even metre is one).
    let profile = &combined.profiles;
    let y = |km: f64| level_at(&profile.position_m, &profile.two_way_db, km * 1000.0);
    let i = |km: f64| level_at(&profile.position_m, &profile.backscatter_db, km * 1000.0);
    // B's axis is laid on A's to a sample: 2 m·0.2 dB/km = 0.0004 dB in b, half in y.
    assert_abs_diff_eq!((y(2.0) - y(18.0)) / 16.0, 0.203_125, epsilon = 4e-4 / 16.0);
    assert_abs_diff_eq!(y(9.9) - y(10.1), 0.0500 + 0.04, epsilon = 4e-4);
    assert_abs_diff_eq!(i(10.1) - i(9.9), 0.292_894, epsilon = 4e-4);
    // The imperfection curve is flat on each side.
    assert_abs_diff_eq!(i(2.0) - i(9.9), 0.0, epsilon = 4e-4);
    assert_abs_diff_eq!(i(10.1) - i(18.0), 0.0, epsilon = 4e-4);
}

/// Source: derived. Mode fields 9.2/8.8/9.5/9.2 µm, losses 0.03/0.07/0.02 dB.
#[test]
fn four_fibres_in_a_chain() {
    let fibres = [9.2, 8.8, 9.5, 9.2]
        .map(|um| fibre(5.0, 0.2, backscatter_of(um)))
        .to_vec();
    let link = measured(&chain(fibres, &[0.03, 0.07, 0.02], quiet(100.0, 2.0)), 0).link;
    // Readings are printed to four decimals.
    check_joint(&link, 5_000.0, 0.03, -0.1631, 0.2231, 6e-5);
    check_joint(&link, 10_000.0, 0.07, 0.4024, -0.2624, 6e-5);
    check_joint(&link, 15_000.0, 0.02, -0.1194, 0.1594, 6e-5);
    let sum = |read: fn(&bothends::both_ways::Event) -> f64| -> f64 {
        [5e3, 1e4, 1.5e4]
            .iter()
            .map(|&z| read(event_at(&link, z, 2.0)))
            .sum()
    };
    // Both end fibres are of one kind, so both sums are that of the losses.
    assert_abs_diff_eq!(sum(|e| db(&e.loss_a_to_b)), 0.12, epsilon = EXACT_DB);
    assert_abs_diff_eq!(sum(|e| db(&e.loss_b_to_a)), 0.12, epsilon = EXACT_DB);
}

/// Source: derived. Steps along a chain telescope: ΣL_A − ΣL_B =
/// 20·log10(w_last/w_first), whatever lies between.
#[test]
fn differences_along_a_chain_add_up_to_the_two_outer_fibres() {
    for diameters_um in [
        vec![9.2, 8.6],
        vec![9.2, 8.4, 9.6, 8.8],
        vec![8.7, 9.4, 9.1, 8.9, 9.5],
    ] {
        let fibres: Vec<Fibre> = (diameters_um.iter())
            .map(|&um| fibre(4.0, 0.2, backscatter_of(um)))
            .collect();
        let joints = fibres.len() - 1;
        let link = measured(&chain(fibres, &vec![0.04; joints], quiet(100.0, 2.0)), 0).link;
        let difference_db: f64 = (1..=joints)
            .map(|k| {
                let event = event_at(&link, 4000.0 * k as f64, 2.0);
                db(&event.loss_a_to_b) - db(&event.loss_b_to_a)
            })
            .sum();
        let expected_db = 20.0 * (diameters_um[joints] / diameters_um[0]).log10();
        assert_abs_diff_eq!(
            difference_db,
            expected_db,
            epsilon = EXACT_DB * joints as f64
        );
    }
}

/// Source: derived from backscatter coefficients at 1 ns: 5 km of 0.34 dB/km and
/// −80.0 dB, 7 km of 0.35 and −80.3, 8 km of 0.33 and −79.8; splices 0.06 and
/// 0.12 dB. Whole loss 6.9700 dB; the traces fall by 6.8700 dB (A) and 7.0700 (B).
#[test]
fn three_fibres_by_their_backscatter_coefficients() {
    let fibres = vec![
        fibre(5.0, 0.34, -80.0),
        fibre(7.0, 0.35, -80.3),
        fibre(8.0, 0.33, -79.8),
    ];
    let mut plan = chain(fibres, &[0.06, 0.12], quiet(100.0, 2.0));
    // Cords of the outer fibres' kinds, so that the end connectors can be
    // measured: they lose nothing and show nothing but a reflection.
    for (end, cord) in [
        (&mut plan.end_a, fibre(1.0, 0.34, -80.0)),
        (&mut plan.end_b, fibre(1.0, 0.33, -79.8)),
    ] {
        *end = LinkEnd {
            cord: Some(cord),
            reflectance: Some(Reflectance::from_db(-55.0)),
            ..LinkEnd::default()
        };
    }
    let combined = measured(&plan, 0);
    let link = &combined.link;
    // Slopes differ by up to 0.02 dB/km; over the 2 m that a place is off,
    // 4e-5 dB per reading.
    let tolerance_db = 5e-5;
    check_joint(link, 5_000.0, 0.06, 0.21, -0.09, tolerance_db);
    check_joint(link, 12_000.0, 0.12, -0.13, 0.37, tolerance_db);
    // Ends are placed to 2 m each: 0.35 dB/km · 4 m.
    assert_abs_diff_eq!(db(&link.loss), 6.97, epsilon = 1.5e-3);
    let attenuation = link.attenuation.unwrap().db_per_km();
    // (5·0.34 + 7·0.35 + 8·0.33)/20; weights off by metres in kilometres.
    assert_abs_diff_eq!(attenuation, 0.3395, epsilon = 1e-4);
    for (at_m, expected) in [(2_500.0, 0.34), (8_500.0, 0.35), (16_000.0, 0.33)] {
        let slope = section_at(link, at_m).attenuation.value.db_per_km();
        // A place is good to a sample: one sample of a ramp of 0.25 dB over five
        // may count as fibre, and tilts N = 2500 others by 6·0.05 dB/N² a sample.
        assert_abs_diff_eq!(slope, expected, epsilon = 3e-5);
    }
    // One-way end-to-end, from just before the first to behind the last
    // connector's reflection (12 m for a pulse of 10.2 m): the fibre between the
    // marks is 24 m longer, and errs by ± half the coefficients' difference.
    let profile = &combined.profiles;
    let fall = |levels| {
        level_at(&profile.position_m, levels, -200.0)
            - level_at(&profile.position_m, levels, 20_200.0)
    };
    let cords_db = 0.2 * (0.34 + 0.33);
    assert_abs_diff_eq!(fall(&profile.level_a_db), 6.87 + cords_db, epsilon = 1.5e-3);
    assert_abs_diff_eq!(
        -fall(&profile.level_b_db),
        7.07 + cords_db,
        epsilon = 1.5e-3
    );
    assert_abs_diff_eq!(fall(&profile.two_way_db), 6.97 + cords_db, epsilon = 1.5e-3);
}

/// Source: derived. A mode field that drifts from 9.1 to 9.3 µm over 10 km bends
/// the one-way slope by ±0.00944 dB/km; the two-way attenuation is free of it.
#[test]
fn a_drifting_mode_field_cancels_in_the_two_way_slope() {
    let drift_db_per_km = -20.0 * f64::log10(9.3 / 9.1) / 10.0;
    let drifting = Fibre {
        backscatter_drift_db_per_km: drift_db_per_km,
        ..fibre(10.0, 0.2, -82.0)
    };
    let combined = measured(&chain(vec![drifting], &[], quiet(100.0, 2.0)), 0);
    let profile = &combined.profiles;
    let slope = |levels| {
        (level_at(&profile.position_m, levels, 1_000.0)
            - level_at(&profile.position_m, levels, 9_000.0))
            / 8.0
    };
    // Printed to 1e-5 dB/km; a misplaced sample shifts both levels alike.
    assert_abs_diff_eq!(slope(&profile.level_a_db), 0.2 + 0.009_44, epsilon = 1e-5);
    assert_abs_diff_eq!(-slope(&profile.level_b_db), 0.2 - 0.009_44, epsilon = 1e-5);
    let section = section_at(&combined.link, 5_000.0);
    assert_abs_diff_eq!(
        section.attenuation.value.db_per_km(),
        0.2,
        epsilon = EXACT_DB
    );
}

/// Closed form: with cords on, the loss of the link is that of its connectors,
/// joints and glass, and each joint is the one planned, reflective or not.
#[test]
fn connectors_joints_and_glass_add_up() {
    let mut plan = chain(
        vec![
            fibre(6.0, 0.2, -82.0),
            fibre(4.0, 0.2, -82.3),
            fibre(5.0, 0.2, -81.8),
        ],
        &[0.1, 0.3],
        quiet(100.0, 2.0),
    );
    plan.joints[1].reflectance = Some(Reflectance::from_db(-52.0));
    for (end, loss_db) in [(&mut plan.end_a, 0.2), (&mut plan.end_b, 0.35)] {
        *end = LinkEnd {
            cord: Some(fibre(1.0, 0.2, -82.1)),
            loss: Loss::from_db(loss_db),
            reflectance: Some(Reflectance::from_db(-55.0)),
            ..LinkEnd::default()
        };
    }
    let link = measured(&plan, 0).link;
    for (at_m, loss_db) in [
        (0.0, 0.2),
        (6_000.0, 0.1),
        (10_000.0, 0.3),
        (15_000.0, 0.35),
    ] {
        let event = event_at(&link, at_m, 2.0);
        assert_abs_diff_eq!(db(&event.loss), loss_db, epsilon = EXACT_DB);
    }
    assert_eq!(link.events.len(), 4, "{:?}", crate::made::places(&link));
    // Ends to 2 m each at 0.2 dB/km.
    assert_abs_diff_eq!(db(&link.loss), 0.95 + 3.0, epsilon = 8e-4);
}

/// Closed form: many files are blank from the end of the fibre on. What is not
/// there says nothing of the noise, and the losses stay.
#[test]
fn a_file_that_is_blank_beyond_the_end_is_measured() {
    let fibres = vec![
        fibre(10.0, 0.2, backscatter_of(9.2)),
        fibre(10.0, 0.2, backscatter_of(8.6)),
    ];
    let mut instrument = noisy(100.0, 2.0, 20.0);
    // The end falls into the middle of whatever blocks samples are judged in.
    let wrong: Vec<_> = [20_020.0, 20_040.0, 20_100.0, 20_300.0, 21_000.0, 22_000.0]
        .into_iter()
        .filter_map(|range_m| {
            instrument.range = Some(Length::from_m(range_m));
            let plan = chain(fibres.clone(), &[0.05], instrument.clone());
            let sim = simulate::run(&plan, 1).unwrap();
            let blank = |seen: &SimTrace| {
                let mut seen = seen.clone();
                for (z_m, db) in seen.distances_m.iter().zip(&mut seen.levels_db) {
                    if *z_m > 20_012.0 {
                        *db = f64::NAN;
                    }
                }
                seen.to_trace().unwrap()
            };
            let combined = combine(&blank(&sim.a), &blank(&sim.b), &Settings::default());
            // Noise of 2e-4 dB a sample at the port and 1.4e-3 dB at 20 km over lines
            // of 5000 samples: errors of some 5e-5 dB.
            let is_right = combined.as_ref().is_ok_and(|combined| {
                (combined.link.events.iter())
                    .filter(|event| (event.position.value.m() - 10_000.0).abs() < 3.0)
                    .any(|event| {
                        event
                            .loss
                            .as_ref()
                            .is_ok_and(|l| (l.value.db() - 0.05).abs() < 5e-4)
                    })
            });
            (!is_right).then(|| (range_m, combined.map(|c| crate::made::places(&c.link))))
        })
        .collect();
    assert!(wrong.is_empty(), "files that end at: {wrong:#?}");
}

/// Closed form: two traces that stop within the last pulse show no end, and one
/// joint in each lays them on each other in two ways (the end at the joint, or
/// beyond it). The right link or a refusal will do; another link will not.
#[test]
fn files_that_stop_with_the_fibre_make_no_other_link() {
    let fibres = vec![
        fibre(10.0, 0.2, backscatter_of(9.2)),
        fibre(10.0, 0.2, backscatter_of(8.6)),
    ];
    let mut instrument = noisy(100.0, 2.0, 20.0);
    instrument.range = Some(Length::from_m(20_002.0));
    let (a, b) = traces(&chain(fibres, &[0.05], instrument), 1);
    if let Ok(combined) = combine(&a, &b, &Settings::default()) {
        check_joint(&combined.link, 10_000.0, 0.05, -0.242_894, 0.342_894, 5e-4);
    }
}

/// Closed form: a trace without any noise at all is the easiest of all.
#[test]
fn a_link_without_any_noise_is_measured() {
    let fibres = vec![
        fibre(10.0, 0.2, backscatter_of(9.2)),
        fibre(10.0, 0.2, backscatter_of(8.6)),
    ];
    let link = measured(&chain(fibres, &[0.05], ideal(100.0, 2.0)), 0).link;
    check_joint(&link, 10_000.0, 0.05, -0.242_894, 0.342_894, EXACT_DB);
}
