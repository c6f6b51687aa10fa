//! JSON: keys carry units, what is missing is `null`.

mod cable;
mod compare;
mod judgement;
mod link;
mod settings;
mod trace;

pub use cable::{
    CableHead, CableReport, CalibratedObject, CalibrationObject, EvidenceValue, FindingObject,
    JointObject, RedoObject, RulesObject, SkippedObject, VerdictsObject, VisitObject,
    VisitStepObject, link_report,
};
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
use crate::cable::CableResult;
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

/// Writes a cable as a `bothends.cable/1` object with its links.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn cable(
    result: &CableResult,
    program: &str,
    report_time: Option<&str>,
    layout: Layout,
) -> Result<String, ReportError> {
    written(&CableReport::new(result, program, report_time), layout)
}

/// Writes the links of a cable, one a line, then the cable without them.
///
/// # Errors
/// [`ReportError::Json`] if an object cannot be written.
pub fn cable_lines(
    result: &CableResult,
    program: &str,
    report_time: Option<&str>,
) -> Result<String, ReportError> {
    let mut report = CableReport::new(result, program, report_time);
    let mut text = String::new();
    for link in report.links.take().unwrap_or_default() {
        text.push_str(&serde_json::to_string(&link)?);
        text.push('\n');
    }
    text.push_str(&serde_json::to_string(&report)?);
    text.push('\n');
    Ok(text)
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
