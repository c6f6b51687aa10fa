//! Reads the files a command names.

use std::path::Path;

use crate::read;
use crate::report::SourceFile;
use crate::trace::{Header, Trace};
use crate::warning::Warning;

use super::CommandError;

/// A trace with the file it came from.
#[derive(Debug)]
pub(super) struct Source {
    pub(super) trace: Trace,
    pub(super) file: SourceFile,
    pub(super) warnings: Vec<Warning>,
}

/// Reads a file that must hold one trace.
///
/// # Errors
/// Why it cannot be read, or that it holds several traces.
pub(super) fn one_trace(path: &Path, fallback: &Header) -> Result<Source, CommandError> {
    let mut content = read::from_path(path)?;
    let name = path.display().to_string();
    if content.traces.len() > 1 {
        return Err(format!(
            "{name} holds {} traces, and one is wanted: `bothends convert` writes each as a file \
             of its own",
            content.traces.len()
        )
        .into());
    }
    let trace = content
        .traces
        .pop()
        .ok_or_else(|| format!("{name} holds no trace"))?
        .into_trace(fallback)
        .map_err(|error| format!("{name} is not a usable trace: {error}"))?;
    Ok(Source {
        trace,
        file: SourceFile {
            file: name,
            sha256: content.sha256.unwrap_or_default(),
        },
        warnings: content.warnings,
    })
}
