//! What is true of a simulated link, to hold measurements against.

use serde::{Deserialize, Serialize};

use crate::units::{
    Attenuation, BackscatterCoefficient, Length, Level, Loss, Position, Reflectance, ReturnLoss,
    Wavelength,
};

/// All that is true of a link and of its two traces.
///
/// Positions named `position_m` lie on A's axis as A's stated group index shows
/// it, from the first connector on A's side; `true_position_m` is metres of
/// glass from there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Cable's name.
    pub cable: String,
    /// Fibre's name or number.
    pub fibre: String,
    /// Place of end A.
    pub from: String,
    /// Place of end B.
    pub to: String,
    /// Wavelength.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Seed of the noise.
    pub seed: u64,
    /// Length between the first and last connector on A's axis.
    #[serde(rename = "length_m")]
    pub length: Length,
    /// The same by B's stated group index.
    #[serde(rename = "length_on_b_m")]
    pub length_on_b: Length,
    /// The same in metres of glass.
    #[serde(rename = "true_length_m")]
    pub true_length: Length,
    /// Loss from before the first to after the last connector; null if broken.
    #[serde(rename = "loss_db")]
    pub loss: Option<Loss>,
    /// Every event of the link from A to B.
    pub events: Vec<TrueEvent>,
    /// Every stretch between two events.
    pub sections: Vec<TrueSection>,
    /// Echoes that stand out, nearest first, A's before B's.
    pub echoes: Vec<TrueEcho>,
    /// What is true of A's trace.
    pub a: TrueTrace,
    /// What is true of B's trace.
    pub b: TrueTrace,
}

/// What an event is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TrueKind {
    /// An end of the link, or a reflective joint.
    Connector,
    /// A joint that does not reflect.
    Splice,
    /// Loss by curvature.
    Bend,
    /// Where the fibre is interrupted.
    Break,
    /// The open end of a link without a cord at B.
    End,
}

/// One event of the link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueEvent {
    /// Its name in the plan.
    pub name: String,
    /// What it is.
    pub kind: TrueKind,
    /// Place on A's axis.
    #[serde(rename = "position_m")]
    pub position: Position,
    /// Distance from B's connector as B's stated group index shows it.
    #[serde(rename = "position_from_b_m")]
    pub position_from_b: Position,
    /// Metres of glass from A's connector.
    #[serde(rename = "true_position_m")]
    pub true_position: Position,
    /// True loss; null at a break or an open end.
    #[serde(rename = "loss_db")]
    pub loss: Option<Loss>,
    /// What a perfect reading from A gives; null where light or backscatter is missing.
    #[serde(rename = "loss_a_to_b_db")]
    pub loss_a_to_b: Option<Loss>,
    /// What a perfect reading from B gives; null where light or backscatter is missing.
    #[serde(rename = "loss_b_to_a_db")]
    pub loss_b_to_a: Option<Loss>,
    /// Half the difference of the two readings; positive where backscatter
    /// falls going away from A.
    #[serde(rename = "backscatter_step_db")]
    pub backscatter_step: Option<Loss>,
    /// Reflectance; null where it reflects nothing.
    #[serde(rename = "reflectance_db")]
    pub reflectance: Option<Reflectance>,
}

/// A stretch of fibre between two events.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueSection {
    /// Start on A's axis.
    #[serde(rename = "from_m")]
    pub from: Position,
    /// End on A's axis.
    #[serde(rename = "to_m")]
    pub to: Position,
    /// Attenuation per kilometre of glass.
    #[serde(rename = "attenuation_db_per_km")]
    pub attenuation: Attenuation,
    /// Slope that A's trace shows per displayed kilometre; B's differs where
    /// the backscatter drifts.
    #[serde(rename = "slope_from_a_db_per_km")]
    pub slope_from_a: Attenuation,
    /// Slope that B's trace shows per displayed kilometre.
    #[serde(rename = "slope_from_b_db_per_km")]
    pub slope_from_b: Attenuation,
    /// Backscatter coefficient at 1 ns at the end on A's side.
    #[serde(rename = "backscatter_db")]
    pub backscatter: BackscatterCoefficient,
}

/// The end that a trace is taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TracedFrom {
    /// End A.
    A,
    /// End B.
    B,
}

/// An echo in one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueEcho {
    /// The trace that shows it.
    pub seen_from: TracedFrom,
    /// Where that trace shows it, from its port.
    #[serde(rename = "distance_m")]
    pub distance: Position,
    /// The same place on A's axis.
    #[serde(rename = "position_m")]
    pub position: Position,
    /// The reflectors in the order in which light meets them.
    pub of: Vec<String>,
    /// Level of the echo alone on the trace's scale.
    #[serde(rename = "level_db")]
    pub level: Level,
    /// Height above the backscatter there before receiver and noise; null
    /// where there is no backscatter.
    pub height_db: Option<f64>,
}

/// What is true of one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueTrace {
    /// Where it shows the link's connector at its own end, from its port.
    #[serde(rename = "first_connector_m")]
    pub first_connector: Position,
    /// Where it shows the outermost face that light reaches, from its port.
    #[serde(rename = "outermost_m")]
    pub outermost: Position,
    /// Level of the backscatter at the port.
    #[serde(rename = "start_level_db")]
    pub start_level: Level,
    /// Level of the noise's root mean square; null without noise.
    #[serde(rename = "noise_level_db")]
    pub noise_level: Option<Level>,
    /// Root mean square of the constant noise against launched power; null without noise.
    pub noise_rms: Option<f64>,
    /// Return loss of the link alone, both end connectors included and cords
    /// excluded, against the power arriving at this end's connector.
    #[serde(rename = "return_loss_db")]
    pub return_loss: ReturnLoss,
}
