//! Links with known numbers, and what the program makes of them.
#![expect(
    clippy::unwrap_used,
    reason = "a link that cannot be built or measured must fail the test"
)]

use bothends::both_ways::{Combined, Event, Link, Settings, combine};
use bothends::simulate::{self, Fibre, Instrument, Noise, Plan};
use bothends::trace::{Header, Trace};
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Measured, Measurement,
    PulseWidth, Wavelength,
};
use ndarray::Array1;

/// Group index of every fibre and instrument here, unless a test says otherwise.
pub(crate) const INDEX: f64 = 1.4682;

/// A fibre: kilometres, dB/km, backscatter coefficient at 1 ns in dB.
pub(crate) fn fibre(km: f64, db_per_km: f64, backscatter_db: f64) -> Fibre {
    Fibre::new(
        Length::from_km(km),
        Attenuation::from_db_per_km(db_per_km),
        BackscatterCoefficient::from_db(backscatter_db),
        GroupIndex::from_ratio(INDEX),
    )
}

/// Backscatter coefficient of a fibre whose mode-field diameter is `um` µm where
/// one of 9.2 µm has −82 dB: the captured share goes as 1/w², nothing else differs.
pub(crate) fn backscatter_of(um: f64) -> f64 {
    -82.0 - 20.0 * (um / 9.2).log10()
}

/// An instrument without noise or rounding.
pub(crate) fn ideal(pulse_ns: f64, spacing_m: f64) -> Instrument {
    Instrument::ideal(
        PulseWidth::from_ns(pulse_ns),
        Length::from_m(spacing_m),
        GroupIndex::from_ratio(INDEX),
    )
}

/// The same with noise: backscatter at the port over its rms, one-way dB.
pub(crate) fn noisy(pulse_ns: f64, spacing_m: f64, dynamic_range_db: f64) -> Instrument {
    Instrument {
        noise: Noise {
            dynamic_range_db: Some(dynamic_range_db),
            ..Noise::default()
        },
        ..ideal(pulse_ns, spacing_m)
    }
}

/// Noise so low (40 dB of dynamic range, a hundred-millionth of the backscatter at
/// the port) that over 20 km it moves no loss by 1e-6 dB: what is left to see is
/// the method. Unlike a trace without any, it can exist.
pub(crate) fn quiet(pulse_ns: f64, spacing_m: f64) -> Instrument {
    noisy(pulse_ns, spacing_m, 40.0)
}

/// Fibres in a row with the losses of the joints between them, no cords.
pub(crate) fn chain(fibres: Vec<Fibre>, losses_db: &[f64], instrument: Instrument) -> Plan {
    let mut plan = Plan::new(Wavelength::from_nm(1550.0), fibres, instrument);
    assert_eq!(plan.joints.len(), losses_db.len());
    for (joint, &db) in plan.joints.iter_mut().zip(losses_db) {
        joint.loss = Loss::from_db(db);
    }
    plan
}

/// The two traces of a plan.
pub(crate) fn traces(plan: &Plan, seed: u64) -> (Trace, Trace) {
    let simulated = simulate::run(plan, seed).unwrap();
    (
        simulated.a.to_trace().unwrap(),
        simulated.b.to_trace().unwrap(),
    )
}

/// What the program says of a plan's two traces.
pub(crate) fn measured(plan: &Plan, seed: u64) -> Combined {
    let (a, b) = traces(plan, seed);
    combine(&a, &b, &Settings::default()).unwrap()
}

/// The event nearest to a place, which must lie within `within_m` of it.
#[track_caller]
pub(crate) fn event_at(link: &Link, at_m: f64, within_m: f64) -> &Event {
    let distance = |event: &Event| (event.position.value.m() - at_m).abs();
    let nearest = (link.events.iter())
        .min_by(|p, q| distance(p).total_cmp(&distance(q)))
        .unwrap();
    assert!(
        distance(nearest) <= within_m,
        "no event within {within_m} m of {at_m} m: {:?}",
        places(link)
    );
    nearest
}

/// Places of all events in metres.
pub(crate) fn places(link: &Link) -> Vec<f64> {
    link.events.iter().map(|e| e.position.value.m()).collect()
}

/// Value of a measured loss in dB.
#[track_caller]
pub(crate) fn db(loss: &Measurement<Loss>) -> f64 {
    loss.as_ref().unwrap().value.db()
}

/// Standard error of a measured loss in dB.
#[track_caller]
pub(crate) fn error_db(loss: &Measurement<Loss>) -> f64 {
    loss.as_ref().unwrap().std_error.unwrap().db()
}

/// A loss with its standard error, as if measured.
#[expect(
    clippy::unnecessary_wraps,
    reason = "the functions under test take what may be missing"
)]
pub(crate) fn known(value_db: f64, error_db: f64) -> Measurement<Loss> {
    Ok(Measured {
        value: Loss::from_db(value_db),
        std_error: Some(Loss::from_db(error_db)),
    })
}

/// A trace from levels of our own, sample 0 at the port.
pub(crate) fn trace_of(
    levels_db: Vec<f64>,
    spacing_m: f64,
    pulse_ns: f64,
    group_index: f64,
) -> Trace {
    let header = Header {
        wavelength: Some(Wavelength::from_nm(1550.0)),
        pulse_width: Some(PulseWidth::from_ns(pulse_ns)),
        group_index: Some(GroupIndex::from_ratio(group_index)),
        ..Header::default()
    };
    let distances_m = Array1::from_iter((0..levels_db.len()).map(|i| i as f64 * spacing_m));
    Trace::new(header, distances_m, Array1::from_vec(levels_db)).unwrap()
}

/// Level at the sample of a profile that lies nearest to a place.
pub(crate) fn level_at(position_m: &Array1<f64>, levels_db: &Array1<f64>, at_m: f64) -> f64 {
    let distance = |z: f64| (z - at_m).abs();
    let nearest =
        (position_m.iter().zip(levels_db)).min_by(|p, q| distance(*p.0).total_cmp(&distance(*q.0)));
    *nearest.unwrap().1
}
