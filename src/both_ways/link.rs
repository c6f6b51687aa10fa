//! The result of both directions together.
//!
//! Every position is metres of fibre on A's axis from the first connector of
//! the link.

use ndarray::Array1;
use serde::{Deserialize, Serialize};

use crate::measure::{ReflectanceReading, Section};
use crate::trace::Header;
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Measured, Measurement, Position,
    PulseWidth, ReturnLoss, Wavelength,
};
use crate::warning::Warning;

/// What an event is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EventKind {
    /// A reflective joint, or the first or last joint of the link.
    Connector,
    /// A joint without reflection.
    Splice,
    /// Loss by curvature: needs two wavelengths to be named.
    Bend,
    /// Several events closer than pulse and receiver can tell apart, measured as one loss.
    Group,
    /// A peak made by reflections elsewhere; no loss of its own.
    Echo,
    /// Where a fibre is interrupted.
    Break,
    /// End of the fibre where no joint follows.
    End,
}

/// From which ends an event was detected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SeenFrom {
    /// From both.
    Both,
    /// From A only.
    A,
    /// From B only.
    B,
    /// From neither: measured at a place that is known otherwise, or not at all.
    Neither,
}

/// What the kind of an event rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum KindFrom {
    /// On the shape in the traces.
    Trace,
    /// On a plan or a list of known joints.
    Plan,
}

/// Judgement of a value against a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Within the limit beyond the uncertainty.
    Pass,
    /// Outside the limit beyond the uncertainty.
    Fail,
    /// The uncertainty spans the limit.
    Undecided,
    /// No limit was given, or nothing was measured.
    #[serde(rename = "not judged")]
    NotJudged,
}

/// How much of a joint's loss the two fibres force, and how much work can win back.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Workmanship {
    /// Upper estimate of the loss that the fibres' mode-field difference forces.
    pub forced: Measured<Loss>,
    /// The rest of the two-way loss.
    pub workmanship: Measured<Loss>,
}

/// One event of the link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Counted from 1 at A.
    pub number: usize,
    /// What it is.
    pub kind: EventKind,
    /// Leading edge as a place of the fibre, on A's axis.
    pub position: Measured<Position, Length>,
    /// For a group: where it ends.
    pub end: Option<Position>,
    /// For the far part of a broken fibre of unknown length: distance from B's end.
    pub position_from_b: Option<Position>,
    /// Whether a reflection was seen.
    pub reflective: bool,
    /// What `kind` rests on.
    pub kind_from: KindFrom,
    /// Two-way loss: mean of the two directions.
    pub loss: Measurement<Loss>,
    /// Reading of the trace taken from A.
    pub loss_a_to_b: Measurement<Loss>,
    /// Reading of the trace taken from B.
    pub loss_b_to_a: Measurement<Loss>,
    /// Half difference h = (A→B − B→A)/2 = 5·log10(K1/K2): positive where the
    /// backscatter falls going away from A.
    pub backscatter_step: Measurement<Loss>,
    /// Reflectance seen from A.
    pub reflectance_a: Option<ReflectanceReading>,
    /// Reflectance seen from B.
    pub reflectance_b: Option<ReflectanceReading>,
    /// Where it was detected from (a loss may be measured from both all the same).
    pub seen_from: SeenFrom,
    /// Name of the joint, if a plan or list gives one.
    pub joint: Option<String>,
    /// For an echo: places of the two reflections that make it.
    pub echo_of: Option<(Position, Position)>,
    /// Share of the loss that the fibres force against workmanship, or why it cannot be said.
    pub workmanship: Result<Workmanship, crate::units::NotMeasured>,
    /// Stretch of the fibre hidden by this event from A.
    pub dead_zone_a: Option<(Position, Position)>,
    /// Stretch hidden from B; runs towards A.
    pub dead_zone_b: Option<(Position, Position)>,
    /// Judgement; `NotJudged` where no limit is given.
    pub verdict: Verdict,
    /// The limit that was applied to the loss.
    pub limit: Option<Loss>,
    /// Probability that the limit is met.
    pub conformance: Option<f64>,
    /// What else a reader must know.
    pub notes: Vec<String>,
}

/// How B's axis lies on A's: position on A's axis = offset − scale · (position from B's port).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    /// Place of B's port on A's axis (counted from the first connector).
    pub offset: Measured<Position, Length>,
    /// Metres of A's axis for one metre of B's.
    pub scale: Measured<f64>,
    /// Events the registration rests on.
    pub matched: usize,
    /// Greatest error of a place of B on A's axis.
    pub position_error: Length,
    /// Greatest error of a loss that this position error can cause.
    pub loss_error: Loss,
}

/// What is kept of one direction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Direction {
    /// The header of the file, options filled in.
    pub header: Header,
    /// Pulse width used.
    pub pulse_width: PulseWidth,
    /// Group index used.
    pub group_index: GroupIndex,
    /// Backscatter coefficient used for reflectances.
    pub backscatter: BackscatterCoefficient,
    /// Whether `backscatter` is the default for the wavelength rather than given.
    pub backscatter_is_default: bool,
    /// Number of samples.
    pub samples: usize,
    /// Distance between samples.
    pub spacing: Length,
    /// Distance of the last sample from the port, on the trace's own axis.
    pub range: Length,
    /// Place of this end's port on A's axis.
    pub port: Position,
    /// Farthest place measured from this end, on A's axis.
    pub usable_to: Position,
    /// Noise of one sample at this end's beginning of the link, one-way dB.
    pub noise_at_start_db: f64,
    /// Backscatter above the rms noise at `usable_to`, one-way dB.
    pub above_noise_at_end_db: f64,
    /// Attenuation of the link's sections together, on which the lines beside each joint
    /// lean, with how far one section may lie from it at most; none where fewer than three tell it.
    pub shared_attenuation: Option<Measured<Attenuation>>,
}

/// One fibre at one wavelength, measured from both ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Link {
    /// Name of the cable, where both files agree.
    pub cable: Option<String>,
    /// Name of the fibre.
    pub fibre: Option<String>,
    /// End A.
    pub from: Option<String>,
    /// End B.
    pub to: Option<String>,
    /// Wavelength.
    pub wavelength: Wavelength,
    /// From the first connector to the last.
    pub length: Measurement<Length>,
    /// Two-way loss from 0 to `length`, both end connectors included.
    pub loss: Measurement<Loss>,
    /// Length-weighted mean of the sections, joints excluded.
    pub attenuation: Option<Attenuation>,
    /// Optical return loss seen from A.
    pub orl_a: Option<ReturnLoss>,
    /// Optical return loss seen from B.
    pub orl_b: Option<ReturnLoss>,
    /// Roll-up of the events' verdicts.
    pub verdict: Verdict,
    /// Events in the order of their places.
    pub events: Vec<Event>,
    /// Two-way attenuation of the stretches between them.
    pub sections: Vec<Section>,
    /// How the axes were laid on each other; none for a broken fibre of unknown length.
    pub registration: Option<Registration>,
    /// The direction A→B.
    pub a: Direction,
    /// The direction B→A.
    pub b: Direction,
    /// False events per 1,000 km that the detection was set to.
    pub false_events_per_1000_km: f64,
    /// Doubts to show.
    pub warnings: Vec<Warning>,
}

impl Link {
    /// Whether light does not cross the fibre: then each part is seen from its own end only.
    pub fn is_broken(&self) -> bool {
        let mut events = self.events.iter();
        events.any(|event| event.kind == EventKind::Break)
    }
}

/// Both traces on A's axis with their two-way and backscatter profiles; arrays
/// of equal length, NaN where there is no level.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Profiles {
    /// Places on A's axis, metres from the first connector (cords lie outside 0…length).
    pub position_m: Array1<f64>,
    /// Level of the trace from A.
    pub level_a_db: Array1<f64>,
    /// Level of the trace from B at the same place.
    pub level_b_db: Array1<f64>,
    /// Two-way profile y(x) = (a(x) − b(L−x))/2: falls by the loss alone.
    pub two_way_db: Array1<f64>,
    /// Backscatter profile I(x) = (a(x) + b(L−x))/2: steps by −h, free of loss.
    pub backscatter_db: Array1<f64>,
}
