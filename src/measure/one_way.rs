//! What one trace tells by itself.

use serde::{Deserialize, Serialize};

use crate::units::{
    Attenuation, Length, Loss, Measured, Measurement, Position, Reflectance, ReturnLoss,
};

/// What a trace shows at one place, before a partner is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum OneWayKind {
    /// A step of the level without a reflection.
    NonReflective,
    /// A reflection, with or without a step.
    Reflective,
    /// A peak that reflections elsewhere explain, without a step of its own.
    Echo,
    /// The last place from which light comes back.
    End,
}

/// Height of a reflection as a reflectance, or the bound that a clipped peak leaves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReflectanceReading {
    /// Reflectance; where `is_bound`, the true one is at least this strong.
    pub value: Reflectance,
    /// Whether the peak was clipped, so that only a bound is known.
    pub is_bound: bool,
}

/// One event as seen from one end.
///
/// Positions are metres from the instrument's port.
#[derive(Debug, Clone, PartialEq)]
pub struct OneWayEvent {
    /// What it looks like.
    pub kind: OneWayKind,
    /// Leading edge.
    pub position: Measured<Position, Length>,
    /// Apparent loss, this direction only: real loss plus or minus the backscatter step.
    pub loss: Measurement<Loss>,
    /// Reflectance, where there is a peak and the backscatter coefficient is known.
    pub reflectance: Option<ReflectanceReading>,
    /// From the leading edge to where the straight line is usable again.
    pub dead_zone: (Position, Position),
    /// For an echo: indices (in the list of events) of the two reflections that make it.
    pub echo_of: Option<(usize, usize)>,
}

/// A stretch of fibre between two events and the line through it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// Where the line begins.
    pub from: Position,
    /// Where it ends.
    pub to: Position,
    /// Its slope.
    pub attenuation: Measured<Attenuation>,
}

/// Everything one direction can say; what it cannot is missing, with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct OneWay {
    /// Events, nearest first, counted from the instrument's port.
    pub events: Vec<OneWayEvent>,
    /// Straight stretches between them.
    pub sections: Vec<Section>,
    /// Where the link begins: after the launch cord, or the port.
    pub link_from: Position,
    /// Where the link ends (before the tail cord), if its end was seen.
    pub link_to: Option<Measured<Position, Length>>,
    /// Last place where the backscatter can be measured.
    pub usable_to: Position,
    /// Optical return loss of the link seen from this end.
    pub orl: Option<ReturnLoss>,
    /// Standard deviation of one sample's noise as one-way dB at the link's beginning.
    pub noise_at_start_db: f64,
    /// How far the backscatter at `usable_to` stands above the rms noise, one-way dB.
    pub above_noise_at_end_db: f64,
    /// Attenuation of the link's sections together, on which the lines beside each event
    /// lean, with how far one section may lie from it at most; none where fewer than three tell it.
    pub shared_attenuation: Option<Measured<Attenuation>>,
    /// Doubts to show.
    pub warnings: Vec<crate::warning::Warning>,
}
