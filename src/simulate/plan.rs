//! What is to be simulated: the glass and the joints.
//!
//! A plan is built in code (every field is public) or read from a TOML file by
//! [`Plan::from_toml`]. Places along the link are metres of fibre from the
//! first connector on A's side; sequences run from A to B.

use serde::{Deserialize, Serialize};

use super::instrument::Instrument;
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Position, Reflectance,
    Wavelength,
};

/// A link, its two ends, and the two measurements made of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// Cable's name.
    #[serde(default)]
    pub cable: String,
    /// Fibre's name or number.
    #[serde(default)]
    pub fibre: String,
    /// Place of end A.
    #[serde(default = "end_a_name")]
    pub from: String,
    /// Place of end B.
    #[serde(default = "end_b_name")]
    pub to: String,
    /// Wavelength of both measurements.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Seed used when the caller gives none.
    #[serde(default)]
    pub seed: u64,
    /// What is connected at A.
    #[serde(default)]
    pub end_a: LinkEnd,
    /// What is connected at B.
    #[serde(default)]
    pub end_b: LinkEnd,
    /// The fibres of the link from A to B, cords excluded.
    #[serde(rename = "fibres")]
    pub fibres: Vec<Fibre>,
    /// The joints between them, one fewer than there are fibres.
    #[serde(default)]
    pub joints: Vec<Joint>,
    /// Bends within the fibres.
    #[serde(default)]
    pub bends: Vec<Bend>,
    /// A place where the fibre is interrupted.
    #[serde(rename = "break", default, skip_serializing_if = "Option::is_none")]
    pub broken: Option<Break>,
    /// The measurement from A.
    pub a: Instrument,
    /// The measurement from B; missing means with A's settings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub b: Option<Instrument>,
}

/// One end of the link: its connector and what hangs on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LinkEnd {
    /// Name of the connector in the truth.
    pub name: String,
    /// Loss of the connector.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
    /// Reflectance of the connector; none means that it reflects nothing.
    #[serde(rename = "reflectance_db", skip_serializing_if = "Option::is_none")]
    pub reflectance: Option<Reflectance>,
    /// The cord at this end. Without one, this end's instrument is plugged
    /// straight into the link, and from the other end the link ends here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cord: Option<Fibre>,
    /// Reflectance of the outermost face while the instrument is at the other
    /// end; none means a face that reflects nothing (angled or matched).
    #[serde(
        rename = "open_reflectance_db",
        skip_serializing_if = "Option::is_none"
    )]
    pub open_reflectance: Option<Reflectance>,
}

/// A piece of fibre of one kind, also a cord.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fibre {
    /// Its length.
    #[serde(rename = "length_m")]
    pub length: Length,
    /// Its attenuation.
    #[serde(rename = "attenuation_db_per_km")]
    pub attenuation: Attenuation,
    /// Backscatter coefficient at 1 ns at its end on A's side.
    #[serde(rename = "backscatter_db")]
    pub backscatter: BackscatterCoefficient,
    /// Group index of its mode.
    pub group_index: GroupIndex,
    /// Steady rise of the backscatter coefficient from A to B in dB/km
    /// (10·log10), as a mode field that slowly narrows gives.
    #[serde(default)]
    pub backscatter_drift_db_per_km: f64,
}

/// A joint between two fibres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Joint {
    /// Its name, such as the closure it lies in.
    pub name: String,
    /// Its true loss, the same in both directions.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
    /// Its reflectance; none means that it reflects nothing.
    #[serde(rename = "reflectance_db", skip_serializing_if = "Option::is_none")]
    pub reflectance: Option<Reflectance>,
}

/// Loss by curvature at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bend {
    /// Its name.
    #[serde(default)]
    pub name: String,
    /// Where it lies.
    #[serde(rename = "at_m")]
    pub at: Position,
    /// Its loss at the plan's wavelength.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
}

/// An interruption of the fibre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Break {
    /// Where it lies.
    #[serde(rename = "at_m")]
    pub at: Position,
    /// Reflectance of its faces; none means that they reflect nothing.
    #[serde(
        rename = "reflectance_db",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub reflectance: Option<Reflectance>,
}

impl Default for LinkEnd {
    fn default() -> Self {
        Self {
            name: String::new(),
            loss: no_loss(),
            reflectance: None,
            cord: None,
            open_reflectance: None,
        }
    }
}

impl Default for Joint {
    fn default() -> Self {
        Self {
            name: String::new(),
            loss: no_loss(),
            reflectance: None,
        }
    }
}

impl Fibre {
    /// A piece of fibre whose backscatter does not drift.
    pub const fn new(
        length: Length,
        attenuation: Attenuation,
        backscatter: BackscatterCoefficient,
        group_index: GroupIndex,
    ) -> Self {
        Self {
            length,
            attenuation,
            backscatter,
            group_index,
            backscatter_drift_db_per_km: 0.0,
        }
    }
}

impl Plan {
    /// A plan of one wavelength with the given fibres and A's instrument;
    /// joints without loss, no cords, the same instrument at B.
    pub fn new(wavelength: Wavelength, fibres: Vec<Fibre>, a: Instrument) -> Self {
        let joints = vec![Joint::default(); fibres.len().saturating_sub(1)];
        Self {
            cable: String::new(),
            fibre: String::new(),
            from: end_a_name(),
            to: end_b_name(),
            wavelength,
            seed: 0,
            end_a: LinkEnd::default(),
            end_b: LinkEnd::default(),
            fibres,
            joints,
            bends: Vec::new(),
            broken: None,
            a,
            b: None,
        }
    }

    /// B's instrument, which is A's where the plan gives none.
    pub fn instrument_b(&self) -> &Instrument {
        self.b.as_ref().unwrap_or(&self.a)
    }

    /// True length of the link between its first and last connector.
    pub fn length(&self) -> Length {
        self.fibres
            .iter()
            .fold(no_length(), |sum, fibre| sum + fibre.length)
    }
}

fn end_a_name() -> String {
    "A".to_owned()
}

fn end_b_name() -> String {
    "B".to_owned()
}

pub(super) const fn no_length() -> Length {
    Length::from_m(0.0)
}

pub(super) const fn no_loss() -> Loss {
    Loss::from_db(0.0)
}
