//! The main figures of `benches/accuracy`, on fewer links with fixed seeds.
//!
//! Source of every expected number: simulated truth, and bounds computed from the
//! true light and noise by direct sums (`benches/accuracy/bound.rs`), which share no
//! code with the modules that measure.
#![expect(
    clippy::unwrap_used,
    reason = "a link that cannot be measured must fail the test"
)]

#[path = "../../benches/accuracy/bound.rs"]
#[expect(clippy::expect_used, reason = "what cannot be simulated must fail")]
mod bound;
#[path = "../../benches/accuracy/scenarios.rs"]
#[expect(
    dead_code,
    clippy::expect_used,
    reason = "the bench uses all of it; what cannot be simulated must fail"
)]
mod scenarios;
#[path = "../../benches/accuracy/score.rs"]
#[expect(dead_code, reason = "the bench uses all of it")]
mod score;

use bothends::both_ways::{Settings, combine};
use bothends::detect::{Eye, Span, Step, View, detection_probability};
use bothends::simulate::{Fibre, Instrument, Noise, Plan, SimTrace, run};
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Wavelength,
};
use rayon::prelude::*;

use bound::bounds;
use scenarios::{Scenario, bare};
use score::{Known, Report, Tally, rms, share_outside};

fn measure(plan: &Plan, seed: u64, tally: &mut Tally) {
    let simulated = run(plan, seed).unwrap();
    let limits = bounds(plan, &simulated);
    let (a, b) = (
        simulated.a.to_trace().unwrap(),
        simulated.b.to_trace().unwrap(),
    );
    let link = combine(&a, &b, &Settings::default()).unwrap().link;
    let known = Known {
        seed,
        truth: &simulated.truth,
        bounds: &limits,
        pulse_m: plan.a.pulse_width.footprint(plan.a.group_index).m(),
        spacing_m: plan.a.spacing.m(),
    };
    tally.add(&known, &Report::from(&link));
}

fn measure_all(plan: impl Fn(u64) -> Plan + Sync, seeds: std::ops::Range<u64>) -> Tally {
    let each: Vec<Tally> = seeds
        .into_par_iter()
        .map(|seed| {
            let mut tally = Tally::default();
            measure(&plan(seed), seed, &mut tally);
            tally
        })
        .collect();
    each.into_iter().fold(Tally::default(), Tally::join)
}

/// Links of 10–60 km whose far end is 6–11 dB above the noise.
#[test]
fn usual_joints_are_found_and_measured_at_the_bound() {
    let tally = measure_all(|seed| Scenario::Usual.plan(seed), 0..24);
    // Over seven bounds away; at 1 % of some 180 joints one may be missing.
    let (found, all) = tally.found_from(7.0);
    assert!(all > 100, "{all} joints are too few to tell");
    assert!(
        found as f64 >= 0.99 * all as f64,
        "{found} of {all}: {:?}",
        tally.missed
    );
    // At 0.5 false events per 1,000 km, some 800 km have none or one: two come by
    // chance once in 16 times, three once in 130.
    let false_events = tally.false_events.len() + tally.doubled.len();
    assert!(
        false_events <= 1,
        "{:?} {:?}",
        tally.false_events,
        tally.doubled
    );
    // The root mean square of 180 normal numbers scatters by 1/√360 = 5 %; the
    // receiver's fall and noise that is itself estimated may cost as much again, and
    // five per cent are left for chance.
    let ratio = rms(&tally.loss_by_bound);
    assert!(
        ratio < 1.15,
        "{ratio} over {} losses",
        tally.loss_by_bound.len()
    );
    // Where the bound is below 0.003 dB nobody may be 0.01 dB off in the mean.
    let clear_db = rms(&tally.clear_losses);
    assert!(
        clear_db < 0.01,
        "{clear_db} dB over {}",
        tally.clear_losses.len()
    );
    // 0.90–1.10 is wanted over many links; 230 numbers scatter by 5 %.
    let stated = rms(&tally.loss_by_error);
    assert!((0.85..1.15).contains(&stated), "{stated}");
    // 4.6 % of normal numbers lie outside two; 7 % are allowed over many, and 230
    // numbers scatter by 1.4 %.
    let outside = share_outside(&tally.loss_by_error, 2.0);
    assert!(outside < 0.09, "{outside}");
}

/// Nothing may be found where nothing is.
#[test]
fn bare_fibre_shows_no_joints() {
    let tally = measure_all(|seed| bare(seed, 40.0, None), 0..50);
    // At 0.5 false events per 1,000 km, 2,000 km have one: four or more come once in
    // 50 times.
    assert!(tally.km > 1_900.0);
    assert!(tally.false_events.len() <= 3, "{:?}", tally.false_events);
}

/// Source: closed form: a step of four standard errors from each end, held against
/// the χ² of 1e-5 false alarms, is found with probability 0.83, from one end with
/// 0.34. Here through the whole way from samples to the step's statistic.
#[test]
fn a_step_at_a_known_place_is_found_as_often_as_theory_says() {
    const TRIALS: u64 = 3000;
    let (plan, at_m, one_way_db) = two_reels();
    // χ² with two degrees: P(> x) = exp(−x/2); with one: ±4.417 for 1e-5.
    let (both_beyond, one_beyond) = (-2.0 * 1e-5_f64.ln(), 4.417_173_f64.powi(2));
    let trials: Vec<[f64; 3]> = (0..TRIALS)
        .into_par_iter()
        .map(|seed| {
            let simulated = run(&plan, seed).unwrap();
            let step = |trace: &SimTrace| {
                let eye = Eye::new(&trace.to_trace().unwrap());
                let view = View::own(&eye);
                // The windows of the bound: a pulse behind the port, and to the end.
                let lo = (eye.pulse_samples + 1.0) as usize;
                let hi = view.index(2.0 * at_m).floor() as usize;
                view.step(view.index(at_m), Span { lo, hi }, usize::MAX / 4)
                    .unwrap()
            };
            let (a, b) = (step(&simulated.a), step(&simulated.b));
            let square = |step: &Step| (step.loss_db / one_way_db).powi(2);
            let stated = (a.variance + b.variance) / (2.0 * one_way_db.powi(2));
            [square(&a), square(&b), stated]
        })
        .collect();
    let n = trials.len() as f64;
    let share =
        |beyond: &dyn Fn(&[f64; 3]) -> bool| trials.iter().filter(|t| beyond(t)).count() as f64 / n;
    // 6000 single trials scatter by √(0.34·0.66/6000) = 0.6 %, 3000 of both by
    // √(0.83·0.17/3000) = 0.7 %; one sample that the windows differ by is worth as
    // much. 2 % are asked for.
    let both = share(&|t| t[0] + t[1] > both_beyond);
    let one = 0.5 * (share(&|t| t[0] > one_beyond) + share(&|t| t[1] > one_beyond));
    let known_both = detection_probability(&[4.0, 4.0], 1e-5);
    let known_one = detection_probability(&[4.0], 1e-5);
    assert!((known_both - 0.83).abs() < 0.005 && (known_one - 0.34).abs() < 0.005);
    assert!(
        (both - known_both).abs() < 0.02,
        "{both} where theory has {known_both}"
    );
    assert!(
        (one - known_one).abs() < 0.02,
        "{one} where theory has {known_one}"
    );
    // The noise comes from 1,600 samples of each trace and scatters by 4 %, which 3000
    // pairs of them even out: what is left is bias of the estimate. A tenth of the
    // variance is a twentieth of the standard error.
    let stated = trials.iter().map(|t| t[2]).sum::<f64>() / n;
    assert!((stated - 1.0).abs() < 0.1, "{stated} of the bound");
}

/// Two like reels of 1.5 km with a joint of four bounds between them, its place, and
/// the bound of one direction.
fn two_reels() -> (Plan, f64, f64) {
    let index = GroupIndex::from_ratio(1.4682);
    let reel = Fibre::new(
        Length::from_km(1.5),
        Attenuation::from_db_per_km(0.2),
        BackscatterCoefficient::from_db(-82.0),
        index,
    );
    let instrument = Instrument {
        noise: Noise {
            dynamic_range_db: Some(12.0),
            ..Noise::default()
        },
        ..Instrument::ideal(PulseWidth::from_ns(50.0), Length::from_m(2.0), index)
    };
    let mut plan = Plan::new(Wavelength::from_nm(1550.0), vec![reel, reel], instrument);
    plan.joints[0].loss = Loss::from_db(0.01);
    let simulated = run(&plan, 0).unwrap();
    let joint = bounds(&plan, &simulated)[1];
    // Like from both ends.
    let one_way_db = joint.ways[0].unwrap().loss_db;
    plan.joints[0].loss = Loss::from_db(4.0 * one_way_db);
    let at_m = simulated.truth.events[1].position.m();
    (plan, at_m, one_way_db)
}

/// A usual link of clear joints of which every second fibre is only ten pulses long, with
/// as much light over the noise at its far end.
fn short_sections(seed: u64) -> Plan {
    let mut plan = Scenario::Usual.plan(seed);
    let pulse_m = plan.a.pulse_width.footprint(plan.a.group_index).m();
    let mut less_db = 0.0;
    for fibre in plan.fibres.iter_mut().skip(1).step_by(2) {
        let short = Length::from_m(10.0 * pulse_m);
        less_db += (fibre.length.km() - short.km()) * fibre.attenuation.db_per_km();
        fibre.length = short;
    }
    for joint in &mut plan.joints {
        less_db += joint.loss.db() - 0.3;
        joint.loss = Loss::from_db(0.3);
    }
    plan.a.noise.dynamic_range_db = plan.a.noise.dynamic_range_db.map(|db| db - less_db);
    plan
}

/// Source: closed form, held against simulation in `benches/accuracy/bound.rs`: of a level
/// drawn out from a line of N samples to its end, half of the standard error is the
/// slope's. Beside a short stretch it is most of the joint's; known from the other
/// stretches, which are a hundred times as long, it adds nothing.
#[test]
fn a_joint_beside_a_short_stretch_leans_on_the_slope_of_the_others() {
    let tally = measure_all(short_sections, 0..24);
    assert!(tally.loss_by_bound.len() > 60);
    // Separate slopes reach the bound where nothing but the pulse is hidden, and 1.12 to
    // 1.35 times it with the receiver's fall of half to one and a quarter pulse; a known
    // slope is better than either, and 178 numbers scatter by 5 %.
    let ratio = rms(&tally.loss_by_bound);
    assert!(
        ratio < 1.1,
        "{ratio} over {} losses",
        tally.loss_by_bound.len()
    );
    // As for usual links.
    let stated = rms(&tally.loss_by_error);
    assert!((0.85..1.15).contains(&stated), "{stated}");
}

/// Source: truth. Without cords the fibre's open end, −14.7 dB, is the one reflection
/// that shows, and a ceiling cuts it off: what falls away late behind it must not be taken
/// for a slow receiver, which would put every step a pulse too early.
#[test]
fn a_clipped_end_alone_does_not_move_the_joints() {
    let tally = measure_all(|seed| Scenario::NoCords.plan(seed), 0..24);
    assert!(tally.doubled.is_empty(), "{:?}", tally.doubled);
    // A joint read at another place loses or gains backscatter; at the right one it is as
    // good as on any link, and 170 numbers scatter by 5 %.
    let ratio = rms(&tally.loss_by_bound);
    assert!(
        ratio < 1.25,
        "{ratio} over {} losses",
        tally.loss_by_bound.len()
    );
}
