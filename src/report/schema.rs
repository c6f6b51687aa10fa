//! JSON Schema of what the reports print, generated from their types.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;

use super::ReportError;
use super::json::{CableReport, LinkReport, TraceReport};
use crate::verdict::Limits;

/// JSON Schema of `bothends.link/1` as indented JSON text.
///
/// # Errors
/// [`ReportError::Json`] if the schema cannot be written.
pub fn link() -> Result<String, ReportError> {
    of::<LinkReport>()
}

/// JSON Schema of `bothends.cable/1` as indented JSON text.
///
/// # Errors
/// [`ReportError::Json`] if the schema cannot be written.
pub fn cable() -> Result<String, ReportError> {
    of::<CableReport>()
}

/// JSON Schema of `bothends.trace/1` as indented JSON text.
///
/// # Errors
/// [`ReportError::Json`] if the schema cannot be written.
pub fn trace() -> Result<String, ReportError> {
    of::<TraceReport>()
}

/// JSON Schema of a limits file, TOML read as JSON, as indented JSON text.
///
/// # Errors
/// [`ReportError::Json`] if the schema cannot be written.
pub fn limits() -> Result<String, ReportError> {
    let schema = SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<Limits>();
    Ok(serde_json::to_string_pretty(&schema)? + "\n")
}

/// JSON Schema of any type as it is written: what may be missing is nullable,
/// and its key is there all the same.
///
/// # Errors
/// [`ReportError::Json`] if the schema cannot be written.
pub fn of<T: JsonSchema>() -> Result<String, ReportError> {
    let schema = SchemaSettings::draft2020_12()
        .for_serialize()
        .into_generator()
        .into_root_schema_for::<T>();
    Ok(serde_json::to_string_pretty(&schema)? + "\n")
}
