//! Ends without a clear reflection, and receivers slower than the pulse's edge. The truth is the
//! simulator's plan; all data invented.
#![expect(
    clippy::panic,
    reason = "a trace that does not end as drawn must fail the test"
)]

use bothends::detect::{DetectSettings, End, Eye, Finder, Span, View, find_end};
use bothends::simulate::Plan;
use bothends::trace::Trace;
use bothends::units::Reflectance;

use crate::made::{chain, fibre, measured, noisy, places, traces};

/// Metres that a pulse of one nanosecond covers: c/2n.
const M_PER_NS: f64 = 0.149_896_229 / 1.4682;

/// A reel whose far face reflects so much, seen from A with pulses of 300 ns.
fn reel(length_m: f64, open_reflectance_db: Option<f64>, dynamic_range_db: f64) -> Plan {
    let mut plan = chain(
        vec![fibre(length_m / 1e3, 0.19, -82.0)],
        &[],
        noisy(300.0, 2.0, dynamic_range_db),
    );
    plan.end_b.open_reflectance = open_reflectance_db.map(Reflectance::from_db);
    plan
}

/// Edge of the drop in metres from the port, its standard error, and whether it reflects.
fn drop_of(trace: &Trace) -> (f64, f64, bool) {
    let eye = Eye::new(trace);
    match find_end(&eye) {
        End::Drop {
            edge,
            error,
            reflective,
        } => (eye.metres(edge), eye.spacing_m * error, reflective),
        other => panic!("{other:?}"),
    }
}

/// Over 60 draws each the error of the place is what is stated, with a face that reflects a
/// quarter of the backscatter (unseen in most draws: the ramp takes it up), with one that
/// reflects nothing, and with one that shows.
///
/// Tolerance: the rms of 60 errors is told to 9 %; a face of one kind is no sample of all, so
/// that errors may be half of what ignorance of the kind states (less the 9 %), and 30 % more at
/// most.
#[test]
fn the_place_of_a_weakly_reflecting_end_errs_as_stated() {
    for (reflectance_db, shows) in [
        (Some(-62.5), None),
        (None, Some(false)),
        (Some(-50.0), Some(true)),
    ] {
        let mut square = 0.0;
        for seed in 0..60 {
            // Anywhere between two samples.
            let length_m = 8_000.0 + 0.61 * (seed % 7) as f64;
            let (a, _) = traces(&reel(length_m, reflectance_db, 8.0), 40 + seed);
            let (edge_m, error_m, reflective) = drop_of(&a);
            square += ((edge_m - length_m) / error_m).powi(2) / 60.0;
            assert!(
                shows.is_none_or(|shows| shows == reflective),
                "{reflectance_db:?} {seed}"
            );
        }
        let rms = square.sqrt();
        assert!((0.45..1.3).contains(&rms), "{reflectance_db:?}: {rms}");
    }
}

/// A receiver of one pole of a quarter of the pulse, told by the drop at the end alone: within
/// the steps in which it is looked for (a third), and the end then at its place.
///
/// Tolerance of the place: without the pole it comes out a pole late, 7.7 m; a third of the
/// pole is the step of the search, and half a sample is 1 m.
#[test]
fn the_drop_at_the_end_tells_the_receiver_where_nothing_else_does() {
    let mut plan = reel(8_000.0, None, 20.0);
    plan.a.receiver.time_constant_ns = 75.0;
    let pole_m = 75.0 * M_PER_NS;
    for seed in 0..5 {
        let (a, _) = traces(&plan, 7 + seed);
        let eye = Eye::new(&a);
        let bound = Span {
            lo: eye.peaks.first().map_or(0, |port| port.settled),
            hi: eye.usable_end,
        };
        assert_eq!(eye.response_shown_by, 0);
        let finder = Finder::new(
            vec![View::own(&eye)],
            vec![bound],
            DetectSettings::default(),
        );
        let seen = eye.with_response_of(&finder, &[]).unwrap();
        let found_m = seen.response.pole * seen.spacing_m;
        assert!(
            (found_m / pole_m - 1.0).abs() < 0.34,
            "{found_m} m for {pole_m} m"
        );
        let End::Drop { edge, .. } = find_end(&seen) else {
            panic!("no drop");
        };
        let late_m = seen.metres(edge) - 8_000.0;
        assert!(late_m.abs() < 0.34 * pole_m + 1.0, "{late_m} m late");
    }
}

/// Two joints six pulses apart through a receiver of which each hides four: both are found in
/// every draw, at their places, and nothing else between 3 and 7 km.
///
/// Tolerance of the places: σ/d·√(w·h) of the weaker is below 0.4 m; five times that.
#[test]
fn joints_nearer_than_a_slow_receiver_hides_are_both_found() {
    let gap_m = 6.0 * 100.0 * M_PER_NS;
    let mut instrument = noisy(100.0, 1.0, 17.0);
    instrument.receiver.time_constant_ns = 55.0;
    let mut plan = chain(
        vec![
            fibre(5.0, 0.19, -82.0),
            fibre(gap_m / 1e3, 0.19, -82.2),
            fibre(5.0, 0.19, -81.9),
        ],
        &[0.15, 0.08],
        instrument,
    );
    plan.end_a.open_reflectance = Some(Reflectance::from_db(-40.0));
    plan.end_b.open_reflectance = Some(Reflectance::from_db(-40.0));
    for seed in 0..10 {
        let link = measured(&plan, 60 + seed).link;
        let inner: Vec<f64> = places(&link)
            .into_iter()
            .filter(|z| (3_000.0..7_000.0).contains(z))
            .collect();
        let [first, second] = inner[..] else {
            panic!("seed {seed}: {inner:?}");
        };
        assert!((first - 5_000.0).abs() < 2.0, "seed {seed}: {first}");
        assert!(
            (second - 5_000.0 - gap_m).abs() < 2.0,
            "seed {seed}: {second}"
        );
    }
}
