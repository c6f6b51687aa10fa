//! What came of a cable: joints, matrix, findings, links, all as plain data.
//!
//! A place along the cable is metres of fibre on the cable's own axis: that of a
//! fibre of the cable's usual length, counted from the first connector at A.

use serde::{Deserialize, Serialize};

use crate::both_ways::{Link, Verdict};
use crate::units::{Attenuation, Length, Loss, Measured, Measurement, Position, Wavelength};
use crate::verdict::{Judged, Judgement};
use crate::warning::Warning;

use super::finding::Finding;
use super::redo::{RedoEntry, Visit};

/// One cable, every fibre measured from both ends.
#[derive(Debug, Clone, PartialEq)]
pub struct CableResult {
    /// Name of the cable, where plan or headers agree on one.
    pub name: Option<String>,
    /// Name of end A: the plan's first end, else where the first fibre's trace was taken from.
    pub from: Option<String>,
    /// Name of end B.
    pub to: Option<String>,
    /// The fibres in natural order.
    pub fibres: Vec<Fibre>,
    /// The wavelengths, shortest first.
    pub wavelengths: Vec<Wavelength>,
    /// Usual length of a fibre: the middle one of all that were measured.
    pub length: Option<Length>,
    /// The joints from A to B, end connectors first and last.
    pub joints: Vec<Joint>,
    /// Every fibre at every joint and wavelength.
    pub matrix: Matrix,
    /// What is wrong, in the order of the contract's kinds, then of the places.
    pub findings: Vec<Finding>,
    /// What to splice again, most worth it first.
    pub redo: Vec<RedoEntry>,
    /// The closures to open for it, with time.
    pub visits: Vec<Visit>,
    /// The measured links, by fibre, then by wavelength.
    pub links: Vec<CableLink>,
    /// Files that gave no link, with the reason.
    pub skipped: Vec<Skipped>,
    /// How places along the fibre turn into chainages, where a plan tells.
    pub calibration: Option<Calibration>,
    /// What the numbers were decided with.
    pub rules: Rules,
    /// Doubts about the cable as a whole.
    pub warnings: Vec<Warning>,
    /// What the plan has and no trace shows: with any of it the cable does not pass.
    pub untaken: Untaken,
}

/// What a plan has and no trace was taken of.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Untaken {
    /// How many fibres; those that can be named are among the cable's fibres.
    pub fibres: usize,
    /// Nominal wavelengths.
    pub wavelengths_nm: Vec<f64>,
    /// The same in words for a technician.
    pub said: Vec<Warning>,
}

impl Untaken {
    /// The plan's wavelengths at which there is no trace.
    pub fn wavelengths(&self) -> impl Iterator<Item = Wavelength> + '_ {
        self.wavelengths_nm
            .iter()
            .map(|&nm| Wavelength::from_nm(nm))
    }

    /// Whether there are traces of all that the plan has.
    pub fn is_empty(&self) -> bool {
        self.fibres == 0 && self.wavelengths_nm.is_empty()
    }
}

/// A fibre of the cable.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fibre {
    /// Its name.
    pub name: String,
    /// Name of its tube, where a plan tells.
    pub tube: Option<String>,
    /// Its colour, where a plan tells.
    pub colour: Option<String>,
}

/// What a joint of the cable is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JointKind {
    /// The connectors at A.
    EndA,
    /// Joints, or whatever else many fibres show at one place.
    Joint,
    /// The connectors at B.
    EndB,
}

/// What a joint's name rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NamedBy {
    /// On the plan's closures or a list of joints.
    Plan,
    /// On the order along the cable.
    Order,
}

/// One joint of the cable: the same place in all fibres.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// Its name.
    pub name: String,
    /// What the name rests on.
    pub named_by: NamedBy,
    /// Whether it is an end of the cable.
    pub kind: JointKind,
    /// Place on the cable's axis: the middle one of the fibres that show it.
    pub position: Measured<Position, Length>,
    /// By how much single fibres lie off that place (standard deviation); none from
    /// fewer than two.
    pub scatter: Option<Length>,
    /// Place along the cable's route from A, where a plan tells.
    pub chainage: Option<Length>,
    /// Fibres in which it shows in at least one trace.
    pub seen_in: usize,
    /// For each wavelength, in the order of the cable's wavelengths.
    pub statistics: Vec<JointStatistics>,
}

/// All fibres' losses at one joint and wavelength.
#[derive(Debug, Clone, PartialEq)]
pub struct JointStatistics {
    /// The wavelength.
    pub wavelength: Wavelength,
    /// Fibres whose two-way loss was measured here.
    pub measured: usize,
    /// Their mean.
    pub mean: Option<Loss>,
    /// The greatest.
    pub max: Option<Loss>,
    /// Their standard deviation (n − 1); none from fewer than two.
    pub std: Option<Loss>,
    /// The mean against the limit for a closure's mean, where the limits ask for one.
    pub mean_judged: Option<Judgement>,
    /// All fibres here and their mean as one; `NotJudged` where no limit is given.
    pub verdict: Verdict,
}

/// One fibre at one joint and wavelength.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Two-way loss, or why there is none.
    pub loss: Measurement<Loss>,
    /// Reading of the trace from A.
    pub loss_a_to_b: Measurement<Loss>,
    /// Reading of the trace from B.
    pub loss_b_to_a: Measurement<Loss>,
    /// Half difference of the two.
    pub backscatter_step: Measurement<Loss>,
    /// Place on the fibre's own axis, metres from its first connector.
    pub position: Option<Position>,
    /// Whether it shows in either trace.
    pub seen: bool,
    /// Verdict against the limits.
    pub verdict: Verdict,
    /// The limit that was applied.
    pub limit: Option<Loss>,
    /// Where it comes from: index among the links, and index among that link's events.
    pub source: Option<(usize, usize)>,
}

/// Fibre × joint × wavelength.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Matrix {
    pub(super) joints: usize,
    pub(super) wavelengths: usize,
    pub(super) cells: Vec<Cell>,
}

impl Matrix {
    /// A matrix from its cells: by fibre, within it by joint, within that by wavelength.
    pub const fn from_cells(joints: usize, wavelengths: usize, cells: Vec<Cell>) -> Self {
        Self {
            joints,
            wavelengths,
            cells,
        }
    }

    /// The cell of fibre, joint and wavelength, by their indices in the result.
    pub fn cell(&self, fibre: usize, joint: usize, wavelength: usize) -> Option<&Cell> {
        if joint >= self.joints || wavelength >= self.wavelengths {
            return None;
        }
        self.cells
            .get((fibre * self.joints + joint) * self.wavelengths + wavelength)
    }

    /// All cells with the indices of fibre, joint and wavelength.
    pub fn iter(&self) -> impl Iterator<Item = (usize, usize, usize, &Cell)> {
        let (j, w) = (self.joints.max(1), self.wavelengths.max(1));
        self.cells
            .iter()
            .enumerate()
            .map(move |(index, cell)| (index / (j * w), index / w % j, index % w, cell))
    }
}

/// A raw file that a link was computed from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Source {
    /// Its name as the report should show it.
    pub file: String,
    /// SHA-256 of its bytes in lower-case hexadecimal.
    pub sha256: String,
    /// Which of the file's traces it is, counted from 1, where it holds several.
    pub part: Option<usize>,
}

/// One link of the cable: a fibre at a wavelength.
#[derive(Debug, Clone, PartialEq)]
pub struct CableLink {
    /// Index of the fibre.
    pub fibre: usize,
    /// Index of the wavelength.
    pub wavelength: usize,
    /// What was measured.
    pub link: Link,
    /// File of the trace from A.
    pub a: Source,
    /// File of the trace from B.
    pub b: Source,
    /// For each event, the index of the cable's joint it lies at.
    pub joint_of_event: Vec<Option<usize>>,
    /// Every value that was held against a limit; none without limits.
    pub judged: Option<Judged>,
}

impl CableLink {
    /// Mean attenuation of the sections.
    pub fn attenuation(&self) -> Option<Attenuation> {
        self.link.attenuation
    }
}

/// A file without a link.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Skipped {
    /// Its name.
    pub file: String,
    /// Why it gave no link, in words for a technician.
    pub reason: String,
}

/// How metres of fibre turn into chainage: fibre = helix · chainage + slack · closures passed.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Metres of fibre for a metre of cable.
    pub helix_factor: Measured<f64>,
    /// Whether the plan gave the helix factor.
    pub helix_is_given: bool,
    /// Fibre coiled in each closure.
    pub slack: Measured<Length>,
    /// Known closures it rests on.
    pub closures: Vec<Calibrated>,
    /// Closures of the plan at which no joint was found and none could be placed.
    pub unmatched: Vec<String>,
}

/// One known closure of a calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibrated {
    /// Its name.
    pub name: String,
    /// Index of the joint.
    pub joint: usize,
    /// Its chainage in the plan.
    pub chainage: Length,
    /// Fibre to it as measured, less fibre as calibrated.
    pub residual: Length,
}

/// What decided: limits, and the values that stand in for them.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Name of the limits, if any were given.
    pub limits: Option<String>,
    /// Standard errors that a value keeps from its limit.
    pub coverage: f64,
    /// Two-way loss above which a splice is bad where no limit says otherwise.
    pub bad_splice: Loss,
    /// Whether `bad_splice` is the program's default, a common contract value.
    pub bad_splice_is_default: bool,
    /// Chance of a false finding of one kind in the whole cable.
    pub false_finding_chance: f64,
}
