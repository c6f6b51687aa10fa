//! What to splice again, and what the visit costs.

use crate::both_ways::Verdict;
use crate::units::{Length, Loss, Measured, Position, Wavelength};

/// One joint of one fibre to splice again.
#[derive(Debug, Clone, PartialEq)]
pub struct RedoEntry {
    /// Counted from 1, most worth it first; joints of one closure follow each other.
    pub rank: usize,
    /// Index of the fibre.
    pub fibre: usize,
    /// Index of the joint.
    pub joint: usize,
    /// Wavelength at which it is worst.
    pub wavelength: Wavelength,
    /// Place on the fibre's own axis.
    pub position: Position,
    /// Along the cable's route from A, where a plan tells.
    pub chainage_from_a: Option<Length>,
    /// Along the cable's route from B.
    pub chainage_from_b: Option<Length>,
    /// Two-way loss.
    pub loss: Measured<Loss>,
    /// Upper estimate of what the two fibres force on any joint of theirs; none where
    /// it cannot be said.
    pub forced: Option<Measured<Loss>>,
    /// What workmanship can win back; none where it cannot be said.
    pub workmanship: Option<Measured<Loss>>,
    /// Loss to expect of a new joint.
    pub expected_after: Option<Loss>,
    /// What that expectation rests on.
    pub expected_from: String,
    /// Verdict on the link after it and all other entries of its link are done as expected.
    pub link_verdict_after: Verdict,
}

/// One closure to open.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// Index of the joint.
    pub joint: usize,
    /// Indices of the redo entries.
    pub entries: Vec<usize>,
    /// Time in seconds, of the steps whose times are known.
    pub seconds: f64,
    /// The steps that are in it, each with its origin.
    pub steps: Vec<VisitStep>,
    /// Steps whose times nobody gave; they are not in the sum.
    pub not_counted: Vec<String>,
}

/// A step of a visit.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitStep {
    /// What is done.
    pub step: String,
    /// How often.
    pub times: usize,
    /// Seconds each.
    pub seconds: f64,
    /// Whether the user gave it; else "common practice, no source".
    pub given: bool,
}
