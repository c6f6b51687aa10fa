//! Links whose reflections make more echoes than joints.
//!
//! Source of every expected number: simulated truth.

use bothends::both_ways::{Event, EventKind, Settings, combine};
use bothends::simulate::{Plan, RandomLinkSettings, TrueEvent, random_link, run};
use bothends::units::{Loss, Reflectance};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A drawn link of 10 to 25 km on which both ends and every second joint are connectors
/// of −28 to −18 dB: light goes to and fro between five to eight of them, and some
/// hundred echoes of each trace show.
fn full_of_echoes(seed: u64) -> Plan {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0xec40);
    let mut settings = RandomLinkSettings {
        length_km: (10.0, 25.0),
        fibre_km: (1.0, 3.0),
        ..RandomLinkSettings::default()
    };
    settings.instrument.receiver.ceiling_above_start_db = None;
    let mut plan = random_link(seed, &settings);
    let mut strong = || Some(Reflectance::from_db(random.random_range(-28.0..-18.0)));
    plan.end_a.reflectance = strong();
    plan.end_b.reflectance = strong();
    for joint in plan.joints.iter_mut().step_by(2) {
        joint.reflectance = strong();
        joint.loss = Loss::from_db(0.3);
    }
    plan
}

/// Whether an event lies within two pulses of one that is there.
fn is_true(event: &Event, truth: &[TrueEvent], pulse_m: f64) -> bool {
    let end = event.end.unwrap_or(event.position.value);
    truth.iter().any(|t| {
        let (from, to) = (event.position.value.m(), end.m());
        t.position.m() > from - 2.0 * pulse_m && t.position.m() < to + 2.0 * pulse_m
    })
}

#[test]
fn hardly_an_echo_of_a_link_full_of_them_is_a_joint() {
    let (mut echoes, mut wrong) = (0, Vec::new());
    for seed in 0..24 {
        let plan = full_of_echoes(seed);
        let simulated = run(&plan, seed).unwrap();
        let (a, b) = (
            simulated.a.to_trace().unwrap(),
            simulated.b.to_trace().unwrap(),
        );
        let pulse_m = plan.a.pulse_width.footprint(plan.a.group_index).m();
        let link = combine(&a, &b, &Settings::default()).unwrap().link;
        for event in &link.events {
            if event.kind == EventKind::Echo {
                echoes += 1;
            } else if !is_true(event, &simulated.truth.events, pulse_m) {
                wrong.push((seed, event.kind, event.position.value.m()));
            }
        }
    }
    assert!(echoes > 500, "{echoes} echoes are too few to tell");
    // An echo of A's within a pulse of one of B's is a peak that both traces show: twenty
    // of each, 60 m wide with what the receiver adds, meet so once in two links of 20 km;
    // strong ones, which no line beside them bears as echoes, once in twenty.
    assert!(wrong.len() <= 3, "{wrong:?}");
}
