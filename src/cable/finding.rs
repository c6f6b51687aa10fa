//! What is wrong with a cable, by name.

use std::fmt;

use crate::units::{Loss, Measured, Position, Wavelength};

/// Kinds of finding; the words are part of the interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FindingKind {
    /// An interrupted fibre.
    Break,
    /// Traces that belong to each other under other names than they carry.
    CrossedFibres,
    /// Files that name the two ends the wrong way round, or both taken from one end.
    SwappedEnds,
    /// One trace under two names.
    DuplicateFile,
    /// A trace without the one from the other end.
    MissingPartner,
    /// Two-way loss above the limit.
    BadJoint,
    /// Loss by curvature.
    Bend,
    /// All fibres of one tube lose more at a joint than the other tubes.
    ShiftedTray,
    /// A fibre far from the others of its joint, within the limit all the same.
    Outlier,
    /// Good two-way, bad on the reading of one end.
    LooksBadOneWay,
    /// A splicing machine whose estimates or joints point to worn parts.
    SplicingMachine,
    /// Settings with which the question cannot be answered.
    PoorSettings,
}

impl FindingKind {
    /// All kinds in the order in which findings are listed.
    pub const ALL: [Self; 12] = [
        Self::Break,
        Self::CrossedFibres,
        Self::SwappedEnds,
        Self::DuplicateFile,
        Self::MissingPartner,
        Self::BadJoint,
        Self::Bend,
        Self::ShiftedTray,
        Self::Outlier,
        Self::LooksBadOneWay,
        Self::SplicingMachine,
        Self::PoorSettings,
    ];

    /// The kind in words, as results carry it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Break => "break",
            Self::CrossedFibres => "crossed fibres",
            Self::SwappedEnds => "swapped ends",
            Self::DuplicateFile => "duplicate file",
            Self::MissingPartner => "missing partner",
            Self::BadJoint => "bad joint",
            Self::Bend => "bend",
            Self::ShiftedTray => "shifted tray",
            Self::Outlier => "outlier",
            Self::LooksBadOneWay => "looks bad one way",
            Self::SplicingMachine => "splicing machine",
            Self::PoorSettings => "poor settings",
        }
    }
}

impl fmt::Display for FindingKind {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(self.word())
    }
}

/// A piece of evidence; its key carries the unit.
#[derive(Debug, Clone, PartialEq)]
pub enum Evidence {
    /// A number.
    Number(f64),
    /// A word or a name.
    Text(String),
    /// Several names.
    Names(Vec<String>),
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What it is.
    pub kind: FindingKind,
    /// The fibres, in natural order.
    pub fibres: Vec<String>,
    /// Index of the joint, where it is at one.
    pub joint: Option<usize>,
    /// Place: of one fibre on that fibre's axis, of several on the cable's.
    pub position: Option<Position>,
    /// The wavelength, where it is of one.
    pub wavelength: Option<Wavelength>,
    /// The loss it is about.
    pub loss: Option<Measured<Loss>>,
    /// What it is and what to do, in a sentence or two.
    pub message: String,
    /// What it rests on, by key.
    pub evidence: Vec<(&'static str, Evidence)>,
}

impl Finding {
    /// A finding about fibres, without place or loss.
    pub(super) fn of(kind: FindingKind, fibres: Vec<String>, message: String) -> Self {
        Self {
            kind,
            fibres,
            joint: None,
            position: None,
            wavelength: None,
            loss: None,
            message,
            evidence: Vec::new(),
        }
    }

    /// Adds a number to the evidence; what is no number is left out.
    #[must_use]
    pub(super) fn number(mut self, key: &'static str, value: f64) -> Self {
        if value.is_finite() {
            self.evidence.push((key, Evidence::Number(value)));
        }
        self
    }

    /// Adds words to the evidence.
    #[must_use]
    pub(super) fn text(mut self, key: &'static str, value: impl Into<String>) -> Self {
        self.evidence.push((key, Evidence::Text(value.into())));
        self
    }

    /// Adds names to the evidence.
    #[must_use]
    pub(super) fn names(mut self, key: &'static str, value: Vec<String>) -> Self {
        self.evidence.push((key, Evidence::Names(value)));
        self
    }

    /// Says the joint.
    #[must_use]
    pub(super) fn at(mut self, joint: Option<usize>, position: Option<Position>) -> Self {
        self.joint = joint;
        self.position = position;
        self
    }

    /// Says the wavelength.
    #[must_use]
    pub(super) fn in_light(mut self, wavelength: Wavelength) -> Self {
        self.wavelength = Some(wavelength);
        self
    }

    /// Says the loss.
    #[must_use]
    pub(super) fn losing(mut self, loss: Measured<Loss>) -> Self {
        self.loss = Some(loss);
        self
    }
}
