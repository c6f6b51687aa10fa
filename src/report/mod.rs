//! What a reader of the result gets: JSON, CSV, and a table for people.
//!
//! Every function here returns text or a plain struct; none opens a file,
//! looks at the terminal or reads the clock.

pub mod csv;
mod csv_cable;
pub(crate) mod event_words;
pub mod findings;
pub(crate) mod fixed_texts;
pub mod json;
pub(crate) mod number;
mod plain;
pub mod schema;
mod splice_log;
pub mod table;
mod visit_sheet;

use serde::{Deserialize, Serialize};

use crate::verdict::Judged;

pub use plain::plain_text;
pub(crate) use plain::shortened;
pub use splice_log::splice_log_table;
pub use visit_sheet::{
    CAUTIONS, RULES_FIRST, SheetJoint, UsualLoss, VisitSheet, visit_sheet_text, visit_sheets,
};

/// A raw file that a result was computed from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct SourceFile {
    /// Its name as the report should show it.
    pub file: String,
    /// SHA-256 of its bytes, in lower-case hexadecimal.
    pub sha256: String,
}

/// Where a link's numbers come from, as far as the link itself does not know.
#[derive(Debug, Clone, PartialEq)]
pub struct Provenance {
    /// Name and version of the program.
    pub program: String,
    /// File of the trace taken from A.
    pub a: SourceFile,
    /// File of the trace taken from B.
    pub b: SourceFile,
    /// Time to print, as given by the user; the clock is never read.
    pub report_time: Option<String>,
    /// What the link was held against, and every single judgement, if limits were applied.
    pub judged: Option<Judged>,
}

/// Where the numbers of a single trace come from.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceProvenance {
    /// Name and version of the program.
    pub program: String,
    /// File of the trace.
    pub file: SourceFile,
    /// Backscatter coefficient used for reflectances, if one was known.
    pub backscatter: Option<crate::units::BackscatterCoefficient>,
    /// Whether it is the default for the wavelength rather than given.
    pub backscatter_is_default: bool,
    /// False events per 1,000 km that the detection was set to.
    pub false_events_per_1000_km: Option<f64>,
    /// Time to print, as given by the user; the clock is never read.
    pub report_time: Option<String>,
}

/// Why a report could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The JSON text could not be made.
    #[error("the result does not fit into JSON")]
    Json(#[from] serde_json::Error),
    /// The CSV text could not be made.
    #[error("the result does not fit into CSV")]
    Csv(#[from] ::csv::Error),
}
