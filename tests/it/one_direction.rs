//! One trace by itself against the simulated truth (the weakest origin: one mistake
//! could sit in both) and closed forms.

#![allow(
    clippy::unwrap_used,
    reason = "a test may stop where it has nothing to test"
)]

use bothends::detect::DetectSettings;
use bothends::measure::OneWayKind;
use bothends::measure::{OneWay, OneWayError, measure};
use bothends::simulate::{self, Fibre, Instrument, Noise, Plan, SimTrace};
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance,
    Wavelength,
};

const INDEX: f64 = 1.4682;

fn fibre(length_m: f64, backscatter_db: f64) -> Fibre {
    Fibre::new(
        Length::from_m(length_m),
        Attenuation::from_db_per_km(0.2),
        BackscatterCoefficient::from_db(backscatter_db),
        GroupIndex::from_ratio(INDEX),
    )
}

/// Three fibres between cords of 1 km, 100 ns, a sample every 2 m, without noise.
fn plan() -> Plan {
    let mut plan = Plan::new(
        Wavelength::from_nm(1550.0),
        vec![
            fibre(4000.0, -82.0),
            fibre(3000.0, -82.4),
            fibre(2000.0, -81.9),
        ],
        Instrument::ideal(
            PulseWidth::from_ns(100.0),
            Length::from_m(2.0),
            GroupIndex::from_ratio(INDEX),
        ),
    );
    plan.joints[0].loss = Loss::from_db(0.05);
    plan.joints[1].loss = Loss::from_db(0.12);
    for end in [&mut plan.end_a, &mut plan.end_b] {
        end.cord = Some(fibre(1000.0, -82.0));
        end.loss = Loss::from_db(0.3);
        end.reflectance = Some(Reflectance::from_db(-55.0));
    }
    plan
}

fn measured(trace: &SimTrace) -> OneWay {
    measure(&trace.to_trace().unwrap(), DetectSettings::default()).unwrap()
}

/// Events of the link, without the end of the light.
fn losses_db(one_way: &OneWay) -> Vec<f64> {
    one_way
        .events
        .iter()
        .filter_map(|event| Some(event.loss.as_ref().ok()?.value.db()))
        .collect()
}

// Expected: closed form, loss plus half the fall of the backscatter coefficient:
// 0.3, 0.05 + 0.2, 0.12 − 0.25, 0.3 + 0.05. Tolerance: levels without noise,
// pulse ramps of unequal backscatter bend the linear middle by under 0.001 dB.
#[test]
fn reads_loss_plus_half_the_fall_of_backscatter() {
    let one_way = measured(&simulate::run(&plan(), 1).unwrap().a);
    let found = losses_db(&one_way);
    assert_eq!(found.len(), 4, "{found:?}");
    for (found, wanted) in found.iter().zip([0.3, 0.25, -0.13, 0.35]) {
        assert!((found - wanted).abs() < 1e-3, "{found} for {wanted}");
    }
    assert_eq!(
        one_way.events.last().map(|event| event.kind),
        Some(OneWayKind::End)
    );
}

// Truth: `simulate`, the weakest origin: a mistake could sit in both. Tolerance:
// noise of 0.001 of the backscatter at the port is 0.008 dB a sample at the last
// connector; the lines of 500 samples on its two sides, with free slopes, err by
// 2σ/√500 each, together 0.001 dB; five times that.
#[test]
fn readings_agree_with_the_simulated_truth_under_noise() {
    let mut plan = plan();
    plan.a.noise = Noise {
        dynamic_range_db: Some(15.0),
        ..Noise::default()
    };
    for seed in 0..5 {
        let simulated = simulate::run(&plan, seed).unwrap();
        let one_way = measured(&simulated.a);
        let found = losses_db(&one_way);
        let wanted: Vec<f64> = simulated
            .truth
            .events
            .iter()
            .filter_map(|event| Some(event.loss_a_to_b?.db()))
            .collect();
        assert_eq!(found.len(), wanted.len(), "seed {seed}: {found:?}");
        for (found, wanted) in found.iter().zip(wanted) {
            assert!((found - wanted).abs() < 5e-3, "{found} for {wanted}");
        }
        let length_m = (one_way.link_to.unwrap().value - one_way.link_from).m();
        assert!((length_m - 9000.0).abs() < 2.0, "{length_m}");
    }
}

// Expected: the plan's attenuation. Tolerance: no noise, 2 km and more; the
// level's rounding is far below 1e-4 dB/km.
#[test]
fn sections_leave_the_cords_out_and_have_the_fibre_s_attenuation() {
    let one_way = measured(&simulate::run(&plan(), 1).unwrap().a);
    assert_eq!(one_way.sections.len(), 3);
    for section in &one_way.sections {
        let found = section.attenuation.value.db_per_km();
        assert!((found - 0.2).abs() < 1e-4, "{found}");
    }
}

// Truth: `simulate`. Tolerance: a sampled peak and the ends of the sum, 0.1 dB.
#[test]
fn return_loss_needs_a_launch_cord() {
    let mut plan = plan();
    plan.a.stated_backscatter = Some(BackscatterCoefficient::from_db(-82.0));
    let simulated = simulate::run(&plan, 1).unwrap();
    let found = measured(&simulated.a).orl.unwrap().db();
    let wanted = simulated.truth.a.return_loss.db();
    assert!((found - wanted).abs() < 0.1, "{found} for {wanted}");
    plan.end_a.cord = None;
    assert_eq!(measured(&simulate::run(&plan, 1).unwrap().a).orl, None);
}

#[test]
fn close_events_have_no_loss_of_their_own_but_one_together() {
    let mut plan = plan();
    // Two pulses of 10.2 m: two peaks, and too little fibre between for a line.
    // (Within one pulse they would be one event.)
    plan.fibres[1] = fibre(20.0, -82.0);
    plan.fibres[2] = fibre(2000.0, -82.0);
    for joint in &mut plan.joints {
        joint.loss = Loss::from_db(0.2);
        joint.reflectance = Some(Reflectance::from_db(-50.0));
    }
    let one_way = measured(&simulate::run(&plan, 1).unwrap().a);
    let reasons: Vec<&str> = one_way
        .events
        .iter()
        .filter(|event| event.kind != OneWayKind::End)
        .filter_map(|event| Some(event.loss.as_ref().err()?.reason.as_str()))
        .collect();
    assert_eq!(reasons.len(), 2, "{:?}", one_way.events);
    assert!(
        reasons[0].contains("together they read 0.40"),
        "{reasons:?}"
    );
}

#[test]
fn a_faded_end_is_said_and_the_length_is_missing() {
    let mut plan = plan();
    plan.fibres[2] = fibre(60_000.0, -81.9);
    plan.a.noise = Noise {
        dynamic_range_db: Some(8.0),
        ..Noise::default()
    };
    let one_way = measured(&simulate::run(&plan, 1).unwrap().a);
    assert_eq!(one_way.link_to, None);
    assert!(one_way.warnings.iter().any(|w| w.code == "end not seen"));
    assert!(one_way.events.iter().all(|e| e.kind != OneWayKind::End));
}

#[test]
fn a_dark_trace_is_an_error() {
    let plan = plan();
    let mut trace = simulate::run(&plan, 1).unwrap().a;
    trace.levels_db.fill(f64::NAN);
    let result = measure(&trace.to_trace().unwrap(), DetectSettings::default());
    assert_eq!(result, Err(OneWayError::NoLight));
}
