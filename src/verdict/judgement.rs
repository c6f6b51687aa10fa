//! One value held against one limit.

use std::fmt;

use crate::both_ways::Verdict;
use crate::units::Position;

/// The quantity that was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    /// Two-way loss of a splice or bend.
    SpliceLoss,
    /// Two-way loss of a connector.
    ConnectorLoss,
    /// Loss of several events together, held against the limit for one.
    GroupLoss,
    /// The fibre is interrupted.
    Continuity,
    /// Reflectance of an event.
    Reflectance,
    /// Attenuation of a section.
    SectionAttenuation,
    /// Mean loss of a fibre's splices.
    FibreMean,
    /// Mean loss of the splices in a closure.
    ClosureMean,
    /// Number of splices above the softer limit.
    SplicesOver,
    /// Loss of the link.
    LinkLoss,
    /// Optical return loss of the link.
    ReturnLoss,
}

impl What {
    /// The quantity in words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::SpliceLoss => "splice loss",
            Self::ConnectorLoss => "connector loss",
            Self::GroupLoss => "loss of a group",
            Self::Continuity => "continuity",
            Self::Reflectance => "reflectance",
            Self::SectionAttenuation => "attenuation of a section",
            Self::FibreMean => "mean splice loss of the fibre",
            Self::ClosureMean => "mean splice loss of the closure",
            Self::SplicesOver => "splices above the softer limit",
            Self::LinkLoss => "link loss",
            Self::ReturnLoss => "return loss",
        }
    }

    /// Unit of its value and limit; empty for a number of joints.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::SectionAttenuation => "dB/km",
            Self::SplicesOver | Self::Continuity => "",
            Self::SpliceLoss
            | Self::ConnectorLoss
            | Self::GroupLoss
            | Self::Reflectance
            | Self::FibreMean
            | Self::ClosureMean
            | Self::LinkLoss
            | Self::ReturnLoss => "dB",
        }
    }
}

/// An end of the link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum End {
    /// End A.
    A,
    /// End B.
    B,
}

impl fmt::Display for End {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(match self {
            Self::A => "A",
            Self::B => "B",
        })
    }
}

/// Where the judged value belongs; places on A's axis.
#[derive(Debug, Clone, PartialEq)]
pub enum Place {
    /// An event.
    Event {
        /// Its number.
        number: usize,
        /// Its joint's name, where one is known.
        joint: Option<String>,
        /// The end it was seen from, for a reflectance.
        seen_from: Option<End>,
    },
    /// A stretch between two events.
    Section {
        /// Where it begins.
        from: Position,
        /// Where it ends.
        to: Position,
    },
    /// The whole link.
    Link,
    /// The whole link, seen from one end.
    LinkFrom(End),
    /// All fibres in one closure.
    Closure(String),
}

/// One value held against one limit.
///
/// Value, error, limit and margin are in the unit of [`What::unit`].
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The quantity.
    pub what: What,
    /// Where it belongs.
    pub place: Place,
    /// The value; none where it was not measured.
    pub value: Option<f64>,
    /// Its standard error, where known.
    pub std_error: Option<f64>,
    /// The limit; none for continuity.
    pub limit: Option<f64>,
    /// Probability that the true value meets the limit.
    pub conformance: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in words for a technician.
    pub reason: String,
    /// Distance of the value from the limit, positive within it; the guard band is not taken off.
    pub margin: Option<f64>,
    /// Who asks for the limit.
    pub source: String,
}
