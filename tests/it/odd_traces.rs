//! Traces that a link can give and a measurement must survive: too short for the link, a
//! pulse longer than a block of noise, fibre with next to no noise.
#![expect(
    clippy::unwrap_used,
    reason = "a link that cannot be simulated must fail the test"
)]

use bothends::both_ways::{Settings, combine};
use bothends::detect::{DetectSettings, Eye, Finder, Span, View};
use bothends::trace::Trace;
use bothends::units::Length;

use crate::made::{chain, fibre, noisy, trace_of, traces};

/// A trace as an instrument with a shorter display range would have kept it.
fn cut(trace: &Trace, to_m: f64) -> Trace {
    let samples = (to_m / trace.spacing_m()) as usize;
    Trace::new(
        trace.header().clone(),
        trace.distances_m().iter().take(samples).copied().collect(),
        trace.levels_db().iter().take(samples).copied().collect(),
    )
    .unwrap()
}

/// With the link's length known, what the short trace does not reach is one way only, or
/// the link is refused: either is an answer.
#[test]
fn a_trace_that_stops_inside_the_link_is_answered() {
    let fibres = vec![fibre(9.0, 0.2, -82.0), fibre(11.0, 0.2, -81.8)];
    let (a, b) = traces(&chain(fibres, &[0.1], noisy(100.0, 2.5, 16.0)), 4);
    let settings = Settings {
        known_length: Some(Length::from_km(20.0)),
        ..Settings::default()
    };
    for to_m in [3_000.0, 6_000.0, 12_000.0, 19_000.0] {
        if let Ok(found) = combine(&a, &cut(&b, to_m), &settings) {
            for event in &found.link.events {
                // B reaches no farther than it goes, from the far end of 20 km.
                let beyond = event.position.value.m() < 20_000.0 - to_m - 50.0;
                assert!(
                    !(beyond && event.loss.is_ok()),
                    "{to_m} m: {:?}",
                    event.position
                );
            }
        }
    }
}

/// 20 µs are 2 km: more samples than the longest block that noise is told from.
#[test]
fn a_pulse_longer_than_a_block_of_noise_is_measured() {
    let fibres = vec![fibre(50.0, 0.19, -82.0), fibre(40.0, 0.19, -82.0)];
    let (a, _) = traces(&chain(fibres, &[0.2], noisy(20_000.0, 2.5, 25.0)), 9);
    let eye = Eye::new(&a);
    assert!(eye.noise.floor() > 0.0);
}

/// Fibre whose levels hardly scatter: no place is told, and the search for one must end.
#[test]
fn fibre_with_next_to_no_noise_holds_no_event() {
    for pulse_ns in [24.0, 50.0, 98.0, 196.0] {
        let levels = (0..600)
            .map(|i| {
                let fall = -0.0004 * f64::from(i);
                (fall * 1e4).round() / 1e4
            })
            .collect();
        let eye = Eye::new(&trace_of(levels, 1.0, pulse_ns, 1.468));
        let bound = Span {
            lo: eye.peaks.first().map_or(0, |port| port.settled),
            hi: eye.usable_end,
        };
        let settings = DetectSettings::default();
        let finder = Finder::new(vec![View::own(&eye)], vec![bound], settings);
        assert!(finder.find(Vec::new()).is_empty(), "{pulse_ns} ns");
    }
}
