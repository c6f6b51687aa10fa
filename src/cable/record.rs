//! What is kept of a pair of traces once its samples are gone.

use serde::{Deserialize, Serialize};

use crate::both_ways::{CombineError, Glimpse, Link};

use super::result::Source;
use super::slopes::Slopes;

/// What came of two traces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Record {
    /// Index of the fibre.
    pub(super) fibre: usize,
    /// Index of the wavelength.
    pub(super) wavelength: usize,
    /// The files, A's first; missing where one could not be read.
    pub(super) sources: [Option<Source>; 2],
    /// Fingerprints of the samples, A's first.
    pub(super) samples: [Option<u64>; 2],
    /// What each trace shows by itself.
    pub(super) seen: Option<[Glimpse; 2]>,
    /// How steeply each falls between the joints that were known.
    pub(super) slopes: Option<[Slopes; 2]>,
    /// The link, or why there is none.
    pub(super) outcome: Result<Box<Link>, Failure>,
}

/// Why a pair gave no link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Failure {
    /// What kind it is, as far as anything follows from it.
    pub(super) kind: FailureKind,
    /// Index of the file it is about, 0 for A's; none where both are.
    pub(super) file: Option<usize>,
    /// In words.
    pub(super) message: String,
}

/// Kinds of failure from which something follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum FailureKind {
    /// A file could not be read, or holds no usable trace.
    File,
    /// A file holds more traces than its beginning showed.
    MoreTraces,
    /// The lengths are not those of one fibre.
    LengthsDiffer,
    /// Both look taken from the same end.
    SameEnd,
    /// Both hold the same samples.
    SameSamples,
    /// A trace shows no light.
    NoLight,
    /// Anything else that keeps two traces from being combined.
    Other,
}

impl From<&CombineError> for Failure {
    fn from(error: &CombineError) -> Self {
        let kind = match error {
            CombineError::LengthsDiffer { .. } => FailureKind::LengthsDiffer,
            CombineError::LooksLikeSameEnd { .. } | CombineError::SameEnd { .. } => {
                FailureKind::SameEnd
            }
            CombineError::SameSamples => FailureKind::SameSamples,
            CombineError::NoLight { .. } => FailureKind::NoLight,
            _ => FailureKind::Other,
        };
        let file = match error {
            CombineError::NoLight { end: 'A' } => Some(0),
            CombineError::NoLight { .. } => Some(1),
            _ => None,
        };
        Self {
            kind,
            file,
            message: error.to_string(),
        }
    }
}

impl Record {
    /// The link, where there is one.
    pub(super) fn link(&self) -> Option<&Link> {
        self.outcome.as_deref().ok()
    }
}
