//! What is true of a simulated cable.

use serde::{Deserialize, Serialize};

use super::faults::Fault;
use super::plan::Closure;
use crate::simulate::{TracedFrom, TrueEvent, Truth};
use crate::units::{Length, Loss, Wavelength};

/// All that is true of a cable and of the files made of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CableTruth {
    /// Cable's name.
    pub cable: String,
    /// Place of end A.
    pub from: String,
    /// Place of end B.
    pub to: String,
    /// Seed of everything random.
    pub seed: u64,
    /// Number of fibres.
    pub fibres: usize,
    /// The closures from A to B.
    pub closures: Vec<Closure>,
    /// What was planted.
    pub faults: Vec<Fault>,
    /// Every path from a port at A to a port at B, at each wavelength.
    pub links: Vec<CableLink>,
    /// Every file.
    pub files: Vec<CableFile>,
}

/// One path of light through the cable at one wavelength.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CableLink {
    /// Port at A.
    pub fibre: String,
    /// Port at B where it comes out.
    pub fibre_at_b: String,
    /// Wavelength.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Length between its connectors on A's axis.
    #[serde(rename = "length_m")]
    pub length: Length,
    /// Loss from before the first to after the last connector; null if broken.
    #[serde(rename = "loss_db")]
    pub loss: Option<Loss>,
    /// Every connector, joint, bend and break from A to B.
    pub events: Vec<TrueEvent>,
}

/// One file, with what it holds and what it says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CableFile {
    /// Its name.
    pub file: String,
    /// Port at A of the path that it holds.
    pub path: String,
    /// End that it was measured from.
    pub measured_from: TracedFrom,
    /// Wavelength.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Fibre that it names.
    pub says_fibre: String,
    /// End that it names as its own.
    pub says_from: TracedFrom,
}

impl CableLink {
    pub(super) fn new(truth: Truth, fibre_at_b: String) -> Self {
        Self {
            fibre: truth.fibre,
            fibre_at_b,
            wavelength: truth.wavelength,
            length: truth.length,
            loss: truth.loss,
            events: truth.events,
        }
    }
}
