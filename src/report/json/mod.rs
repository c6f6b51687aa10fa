//! JSON: keys carry units, what is missing is `null`.

mod compare;
mod judgement;
mod link;
mod settings;
mod trace;

pub use compare::{
    CompareProvenance, CompareReport, DifferenceObject, LinkCompareObject, UnmatchedObject,
};
pub use judgement::JudgementObject;
pub use link::{
    EventObject, LinkHead, LinkReport, NotMeasuredObject, ProvenanceObject, SectionObject,
    WarningObject,
};
pub use settings::{DirectionSettings, LinkSettings, MeasuringSettings, RegistrationObject};
pub use trace::{TraceEventObject, TraceHead, TraceProvenanceObject, TraceReport, TraceSettings};

pub(crate) use trace::NO_LAUNCH_REASON;

use serde::Serialize;

use super::{Provenance, ReportError, TraceProvenance};
use crate::both_ways::Link;
use crate::measure::OneWay;
use crate::trace::Trace;

/// How the text is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layout {
    /// Indented, for `--format json`.
    #[default]
    Indented,
    /// One line without its line break, for `--format ndjson`.
    OneLine,
}

/// Writes a link as a `bothends.link/1` object.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn link(link: &Link, provenance: &Provenance, layout: Layout) -> Result<String, ReportError> {
    written(&LinkReport::new(link, provenance), layout)
}

/// Writes what one direction tells as a `bothends.trace/1` object.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn trace(
    trace: &Trace,
    one_way: &OneWay,
    provenance: &TraceProvenance,
    layout: Layout,
) -> Result<String, ReportError> {
    written(&TraceReport::new(trace, one_way, provenance), layout)
}

/// Writes any report object in the chosen layout.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn written(object: &impl Serialize, layout: Layout) -> Result<String, ReportError> {
    Ok(match layout {
        Layout::Indented => serde_json::to_string_pretty(object)? + "\n",
        Layout::OneLine => serde_json::to_string(object)?,
    })
}
