//! Known links and the traces that both ends would show of them.
//!
//! Everything happens in round-trip time and linear power:
//! a plan → the glass and points on light's way → the answer to a short pulse
//! (exponentials and flashes) → the rectangular pulse → the receiver → noise
//! → decibels. Nothing here shares a formula with the modules that measure, so
//! that a mistake in one cannot hide a mistake in the other.
//!
//! What is left out: backscatter of reflected light, polarisation, dispersion,
//! steps of the gain range, and a pulse with a finite rise of its own (the
//! receiver's pole rounds the edges).

mod any;
mod cable;
mod check;
mod display;
mod echo;
mod fibre;
mod files;
mod gather;
mod instrument;
mod noise;
mod path;
mod place;
mod plan;
mod pulse;
mod random;
mod random_link;
mod receiver;
mod text;
mod truth;

use ndarray::Array1;

pub use any::{AnyPlan, RandomCablePlan};
pub use cable::{
    Cable, CableFile, CableInstrument, CableLink, CablePlan, CableTruth, CableWavelength, Closure,
    Fault, FaultCounts, LinkFiles, Machine, RandomCableSettings, Reel, Splicing, Spread,
    random_cable,
};
pub use check::{PlanError, PlanErrorKind};
pub use files::files;
pub use instrument::{
    BelowZero, Display, Fading, FadingDistribution, Instrument, Noise, Receiver, Tail, TailDrive,
};
pub use place::Place;
pub use plan::{Bend, Break, Fibre, Joint, LinkEnd, Plan};
pub use random_link::{RandomLinkSettings, random_link};
pub use text::{Dialect, encode, write};
pub use truth::{TracedFrom, TrueEcho, TrueEvent, TrueKind, TrueSection, TrueTrace, Truth};

use crate::trace::{Header, Trace, TraceError};
use crate::units::{Length, Level};
use echo::Echo;
use fibre::{Flash, ImpulseResponse, ns_per_m};
use path::{From, Item, What};

/// Both traces of a link and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// The trace from A.
    pub a: SimTrace,
    /// The trace from B.
    pub b: SimTrace,
    /// What is true.
    pub truth: Truth,
}

/// One simulated trace.
#[derive(Debug, Clone, PartialEq)]
pub struct SimTrace {
    /// What its file states.
    pub header: Header,
    /// Displayed distances from the instrument's port in metres.
    pub distances_m: Array1<f64>,
    /// Levels in one-way decibels, NaN where the display has none.
    pub levels_db: Array1<f64>,
}

impl SimTrace {
    /// The same as a trace that can be measured.
    ///
    /// # Errors
    /// [`TraceError`] when the samples are too few.
    pub fn to_trace(&self) -> Result<Trace, TraceError> {
        Trace::new(
            self.header.clone(),
            self.distances_m.clone(),
            self.levels_db.clone(),
        )
    }
}

/// Why there are no traces.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SimulateError {
    /// The plan cannot be built.
    #[error("the plan cannot be simulated")]
    Plan(#[from] PlanError),
    /// The truth cannot be written as JSON.
    #[error("the truth cannot be written: {reason}")]
    Truth {
        /// The writer's words.
        reason: String,
    },
}

/// Simulates both directions of a link.
///
/// The same plan and seed give the same numbers; `plan.seed` is the seed for
/// callers who have none of their own. B's header names the ends the other way
/// round.
///
/// # Errors
/// [`SimulateError::Plan`] when a value of the plan cannot be.
///
/// # Example
/// ```
/// use bothends::simulate::{self, Fibre, Instrument, Plan};
/// use bothends::units::*;
/// let fibre = |km, backscatter_db| Fibre::new(
///     Length::from_km(km),
///     Attenuation::from_db_per_km(0.2),
///     BackscatterCoefficient::from_db(backscatter_db),
///     GroupIndex::from_ratio(1.4682),
/// );
/// let mut plan = Plan::new(
///     Wavelength::from_nm(1550.0),
///     vec![fibre(4.0, -82.0), fibre(5.0, -82.3)],
///     Instrument::ideal(
///         PulseWidth::from_ns(100.0), Length::from_m(2.0), GroupIndex::from_ratio(1.4682),
///     ),
/// );
/// plan.joints[0].loss = Loss::from_db(0.05);
/// let simulated = simulate::run(&plan, 1)?;
/// let joint = &simulated.truth.events[1];
/// assert!((joint.loss_a_to_b.unwrap().db() - 0.20).abs() < 1e-9);
/// assert!((joint.loss_b_to_a.unwrap().db() + 0.10).abs() < 1e-9);
/// # Ok::<(), simulate::SimulateError>(())
/// ```
pub fn run(plan: &Plan, seed: u64) -> Result<Simulated, SimulateError> {
    plan.check()?;
    let (a, seen_a) = measure(plan, From::A, seed);
    let (b, seen_b) = measure(plan, From::B, seed);
    let truth = gather::truth(plan, seed, &seen_a, &seen_b);
    Ok(Simulated { a, b, truth })
}

/// What one direction saw, for the truth.
#[derive(Debug)]
struct Seen {
    ns_per_shown_m: f64,
    zero_error_m: f64,
    range_m: f64,
    offset_db: f64,
    start_power: f64,
    noise_rms: f64,
    end_ns: f64,
    return_loss_db: f64,
    connectors_ns: Vec<(What, f64)>,
    readings: Vec<(What, Option<f64>)>,
    /// Each echo with the backscatter just before it.
    echoes: Vec<(Echo, f64)>,
}

impl Seen {
    fn shown_m(&self, at_ns: f64) -> f64 {
        at_ns / self.ns_per_shown_m + self.zero_error_m
    }

    fn connector_ns(&self, what: What) -> f64 {
        (self.connectors_ns.iter())
            .find(|place| place.0 == what)
            .map_or(0.0, |place| place.1)
    }

    fn level(&self, power: f64) -> Level {
        Level::from_db(gather::tidy(5.0 * power.log10() + self.offset_db))
    }
}

fn measure(plan: &Plan, from: From, seed: u64) -> (SimTrace, Seen) {
    let instrument = match from {
        From::A => &plan.a,
        From::B => plan.instrument_b(),
    };
    let way = path::from_port(plan, from);
    let response = fibre::follow(&way);
    let width_ns = instrument.pulse_width.ns();
    let start_power = response.start_rate_per_ns * width_ns;
    let echoes = if instrument.echoes {
        echo::echoes(&response)
    } else {
        Vec::new()
    };
    let mut flashes: Vec<Flash> = response.reflections();
    flashes.extend(echoes.iter().map(|echo| echo.flash));
    flashes.sort_by(|one, other| one.at_ns.total_cmp(&other.at_ns));

    let ns_per_shown_m = ns_per_m(instrument.group_index.ratio());
    let zero_error_m = instrument.zero_error.m();
    let range_m = range_m(plan, instrument);
    let distances_m = grid(range_m, instrument.spacing.m());
    let times_ns: Vec<f64> = distances_m
        .iter()
        .map(|distance_m| (distance_m - zero_error_m) * ns_per_shown_m)
        .collect();
    let received = receiver::receive(
        &response.stretches,
        &flashes,
        width_ns,
        &instrument.receiver,
        start_power,
        &times_ns,
    );
    let noise_rms = noise::constant_rms(instrument, &response);
    let step_ns = instrument.spacing.m() * ns_per_shown_m;
    let factors = instrument
        .fading
        .map(|fading| noise::fading_factors(fading, width_ns, step_ns, times_ns.len(), seed, from));
    let mut power: Vec<f64> = (0..times_ns.len())
        .map(|idx| {
            let factor = factors.as_ref().map_or(1.0, |factors| factors[idx]);
            let linear = factor * received.backscatter[idx] + received.reflected[idx];
            linear.min(received.ceiling) + received.tails[idx]
        })
        .collect();
    noise::add(&mut power, noise_rms, start_power, instrument, seed, from);
    let levels_db = display::levels_db(&power, start_power, &instrument.display);

    let mut backscatter = pulse::Backscatter::new(&response.stretches, width_ns);
    let echoes = echoes
        .into_iter()
        .map(|echo| {
            let before = backscatter.at(echo.flash.at_ns);
            (echo, before)
        })
        .collect();
    let seen = Seen {
        ns_per_shown_m,
        zero_error_m,
        range_m,
        offset_db: instrument.display.offset_db,
        start_power,
        noise_rms,
        end_ns: response.end_ns,
        return_loss_db: response.return_loss_db(from),
        connectors_ns: (response.places.iter())
            .map(|place| (place.what, place.at_ns))
            .collect(),
        readings: readings(&way),
        echoes,
    };
    let trace = SimTrace {
        header: header(plan, instrument, from, seed),
        distances_m: Array1::from(distances_m),
        levels_db: Array1::from(levels_db),
    };
    (trace, seen)
}

/// Displayed distance of the last sample.
fn range_m(plan: &Plan, instrument: &Instrument) -> f64 {
    if let Some(range) = instrument.range {
        return range.m();
    }
    let cords = [&plan.end_a.cord, &plan.end_b.cord];
    let own = [&instrument.launch_cord, &instrument.tail_cord];
    let glass = plan.fibres.iter();
    let glass = glass.chain(cords.into_iter().chain(own).flatten());
    let all_ns: f64 = glass
        .map(|fibre| fibre.length.m() * ns_per_m(fibre.group_index.ratio()))
        .sum();
    // A tenth beyond the end, and some pulses where the link is short.
    let pulses_ns = 10.0 * instrument.pulse_width.ns();
    (1.1 * all_ns + pulses_ns) / ns_per_m(instrument.group_index.ratio())
        + instrument.zero_error.m()
}

/// Distances from 0, rounded to micrometres so that files print them short.
fn grid(range_m: f64, spacing_m: f64) -> Vec<f64> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the plan's check bounds the number of samples; a negative range gives one"
    )]
    let last = (range_m / spacing_m).floor() as usize;
    (0..=last)
        .map(|idx| (idx as f64 * spacing_m * 1e6).round() / 1e6)
        .collect()
}

/// What a perfect reading of each point gives: its loss and half the fall of
/// the backscatter coefficient across it, where there is glass on both sides.
fn readings(way: &[Item]) -> Vec<(What, Option<f64>)> {
    let glass_at = |idx: Option<usize>| match idx.and_then(|idx| way.get(idx)) {
        Some(Item::Glass(glass)) => Some(glass),
        _ => None,
    };
    way.iter()
        .enumerate()
        .filter_map(|(idx, item)| {
            let Item::Point(point) = item else {
                return None;
            };
            let reading = glass_at(idx.checked_sub(1))
                .zip(glass_at(Some(idx + 1)))
                .map(|(before, after)| {
                    let fall_db = before.backscatter_at_exit_db() - after.backscatter_db;
                    point.loss_db + 0.5 * fall_db
                });
            Some((point.what, reading))
        })
        .collect()
}

fn header(plan: &Plan, instrument: &Instrument, from: From, seed: u64) -> Header {
    let (near, far, here, there) = match from {
        From::A => (&plan.end_a, &plan.end_b, &plan.from, &plan.to),
        From::B => (&plan.end_b, &plan.end_a, &plan.to, &plan.from),
    };
    let stated = |name: &str| (!name.is_empty()).then(|| name.to_owned());
    let length = |cord: Option<&Fibre>| cord.map_or(Length::from_m(0.0), |cord| cord.length);
    Header {
        fibre: stated(&plan.fibre),
        cable: stated(&plan.cable),
        from: stated(here),
        to: stated(there),
        wavelength: Some(plan.wavelength),
        pulse_width: Some(instrument.pulse_width),
        group_index: Some(instrument.group_index),
        backscatter: instrument.stated_backscatter,
        averaging_time_s: Some(instrument.averaging_time_s),
        measured: instrument.measured.clone(),
        launch_cord: Some(length(
            instrument.launch_cord.as_ref().or(near.cord.as_ref()),
        )),
        tail_cord: Some(length(instrument.tail_cord.as_ref().or(far.cord.as_ref()))),
        instrument: instrument.instrument.clone(),
        serial: instrument.serial.clone(),
        calibrated_until: instrument.calibrated_until.clone(),
        operator: instrument.operator.clone(),
        note: Some(format!("simulated, seed {seed}")),
        other: Vec::new(),
    }
}

impl ImpulseResponse {
    /// Returned energy over launched energy of the link alone, from its first
    /// connector to its last (or to where light ends before), against the
    /// power arriving at the first.
    fn return_loss_db(&self, from: From) -> f64 {
        let (near, far) = match from {
            From::A => (What::ConnectorA, What::ConnectorB),
            From::B => (What::ConnectorB, What::ConnectorA),
        };
        let place_of = |what: What| self.places.iter().find(|place| place.what == what);
        let Some(first) = place_of(near) else {
            return f64::INFINITY;
        };
        let link_ns = first.at_ns..=place_of(far).map_or(self.end_ns, |last| last.at_ns);
        let lines: f64 = (self.stretches.iter())
            .filter(|part| link_ns.contains(&part.start_ns) && link_ns.contains(&part.end_ns))
            .map(|part| pulse::energy(part, part.start_ns, part.end_ns))
            .sum();
        let flashes: f64 = (self.places.iter())
            .filter(|place| place.what != What::Port && link_ns.contains(&place.at_ns))
            .filter_map(|place| Some(fibre::ratio(place.reflectance_db?) * place.before.powi(2)))
            .sum();
        -10.0 * ((lines + flashes) / first.before.powi(2)).log10()
    }
}
