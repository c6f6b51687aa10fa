//! The faults that a cable's plan can plant.

use serde::{Deserialize, Serialize};

use crate::simulate::TracedFrom;
use crate::units::{Length, Loss, PulseWidth, Reflectance, Wavelength};

/// One planted fault. Fibres are numbered from 1 by their port at A; a closure
/// goes by its name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", deny_unknown_fields)]
pub enum Fault {
    /// A splice whose loss is too high.
    #[serde(rename = "bad joint")]
    BadJoint {
        /// The fibre.
        fibre: usize,
        /// The closure.
        closure: String,
        /// Loss of the joint; a shifted tray or a machine at fault adds to it.
        #[serde(rename = "loss_db")]
        loss: Loss,
    },
    /// A good splice whose two fibres scatter so differently that one end reads it
    /// as bad and the other as a gain; the fibre behind it stays of that kind.
    #[serde(rename = "looks bad one way")]
    LooksBadOneWay {
        /// The fibre.
        fibre: usize,
        /// The closure.
        closure: String,
        /// Half the difference of the two readings, A's less B's.
        #[serde(rename = "step_db")]
        step: Loss,
    },
    /// Loss by curvature, at a chainage or beside the joint in a closure.
    #[serde(rename = "bend")]
    Bend {
        /// The fibre.
        fibre: usize,
        /// Place along the route; missing where a closure is given.
        #[serde(
            rename = "chainage_m",
            default,
            skip_serializing_if = "Option::is_none"
        )]
        chainage: Option<Length>,
        /// The closure in whose tray it lies, a metre of fibre behind the joint.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        closure: Option<String>,
        /// Its loss at each of the plan's wavelengths, in their order.
        #[serde(rename = "loss_db")]
        loss: Vec<Loss>,
    },
    /// An interruption.
    #[serde(rename = "break")]
    Break {
        /// The fibre.
        fibre: usize,
        /// Place along the route.
        #[serde(rename = "chainage_m")]
        chainage: Length,
        /// Reflectance of its faces; none means that they reflect nothing.
        #[serde(
            rename = "reflectance_db",
            default,
            skip_serializing_if = "Option::is_none"
        )]
        reflectance: Option<Reflectance>,
    },
    /// Fibres confused with each other in a ring, each with the next.
    ///
    /// Without a closure the files from B carry the wrong fibre's name; with one
    /// the fibres themselves are spliced crosswise there, and what is measured at
    /// B under one name is another path.
    #[serde(rename = "crossed fibres")]
    CrossedFibres {
        /// The fibres, two or more.
        fibres: Vec<usize>,
        /// The closure in which they are spliced crosswise.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        closure: Option<String>,
    },
    /// The files of a fibre name the two ends the wrong way round.
    #[serde(rename = "swapped ends")]
    SwappedEnds {
        /// The fibre.
        fibre: usize,
        /// The wavelength; missing means all.
        #[serde(
            rename = "wavelength_nm",
            default,
            skip_serializing_if = "Option::is_none"
        )]
        wavelength: Option<Wavelength>,
    },
    /// One file lies there a second time, under another name.
    #[serde(rename = "duplicate file")]
    DuplicateFile {
        /// The fibre.
        fibre: usize,
        /// The end it is measured from.
        from: TracedFrom,
        /// The wavelength.
        #[serde(rename = "wavelength_nm")]
        wavelength: Wavelength,
    },
    /// One of a pair's two files is not there.
    #[serde(rename = "missing partner")]
    MissingPartner {
        /// The fibre.
        fibre: usize,
        /// The end from which no file is there.
        from: TracedFrom,
        /// The wavelength.
        #[serde(rename = "wavelength_nm")]
        wavelength: Wavelength,
    },
    /// A splice far from the others of its closure, though within limits.
    #[serde(rename = "outlier")]
    Outlier {
        /// The fibre.
        fibre: usize,
        /// The closure.
        closure: String,
        /// Loss of the joint; a shifted tray or a machine at fault adds to it.
        #[serde(rename = "loss_db")]
        loss: Loss,
    },
    /// All splices of one tube's tray lose more.
    #[serde(rename = "shifted tray")]
    ShiftedTray {
        /// The tube, counted from 1.
        tube: usize,
        /// The closure.
        closure: String,
        /// What each splice of the tray loses more.
        #[serde(rename = "loss_db")]
        loss: Loss,
    },
    /// A splicing machine whose splices lose more than it believes.
    #[serde(rename = "splicing machine")]
    SplicingMachine {
        /// The machine, as the plan's splicing names it.
        machine: String,
        /// What each of its splices loses more.
        #[serde(rename = "loss_db", default = "nothing")]
        loss: Loss,
        /// What its splices lose more for each thousand arcs since the electrodes were new.
        #[serde(default)]
        rise_db_per_1000_arcs: f64,
    },
    /// A fibre measured with settings too poor to judge its joints.
    #[serde(rename = "poor settings")]
    PoorSettings {
        /// The fibre.
        fibre: usize,
        /// Pulse in place of the plan's.
        #[serde(rename = "pulse_ns", default, skip_serializing_if = "Option::is_none")]
        pulse_width: Option<PulseWidth>,
        /// Averaging time in seconds in place of the plan's.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        averaging_time_s: Option<f64>,
    },
}

impl Fault {
    /// Its kind in words.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::BadJoint { .. } => "bad joint",
            Self::LooksBadOneWay { .. } => "looks bad one way",
            Self::Bend { .. } => "bend",
            Self::Break { .. } => "break",
            Self::CrossedFibres { .. } => "crossed fibres",
            Self::SwappedEnds { .. } => "swapped ends",
            Self::DuplicateFile { .. } => "duplicate file",
            Self::MissingPartner { .. } => "missing partner",
            Self::Outlier { .. } => "outlier",
            Self::ShiftedTray { .. } => "shifted tray",
            Self::SplicingMachine { .. } => "splicing machine",
            Self::PoorSettings { .. } => "poor settings",
        }
    }

    /// The fibres it names; none for a tray or a machine.
    pub fn fibres(&self) -> Vec<usize> {
        match self {
            Self::BadJoint { fibre, .. }
            | Self::LooksBadOneWay { fibre, .. }
            | Self::Bend { fibre, .. }
            | Self::Break { fibre, .. }
            | Self::SwappedEnds { fibre, .. }
            | Self::DuplicateFile { fibre, .. }
            | Self::MissingPartner { fibre, .. }
            | Self::Outlier { fibre, .. }
            | Self::PoorSettings { fibre, .. } => vec![*fibre],
            Self::CrossedFibres { fibres, .. } => fibres.clone(),
            Self::ShiftedTray { .. } | Self::SplicingMachine { .. } => Vec::new(),
        }
    }

    /// The closure it names.
    pub fn closure(&self) -> Option<&str> {
        match self {
            Self::BadJoint { closure, .. }
            | Self::LooksBadOneWay { closure, .. }
            | Self::Outlier { closure, .. }
            | Self::ShiftedTray { closure, .. } => Some(closure),
            Self::Bend { closure, .. } | Self::CrossedFibres { closure, .. } => closure.as_deref(),
            _ => None,
        }
    }
}

const fn nothing() -> Loss {
    Loss::from_db(0.0)
}
