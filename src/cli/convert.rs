//! `convert`: any readable export to the plain trace text.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::read::{self, ReadError, ReadTrace, Recipe};
use crate::trace::Header;
use crate::warning::Warning;

/// Arguments of `convert`.
#[derive(Debug, Clone, Args)]
pub(crate) struct ConvertArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// Folder to write into; without it the text goes to stdout
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Recipe that states how the files are laid out (TOML)
    #[arg(long, value_name = "FILE")]
    pub(crate) recipe: Option<PathBuf>,
}

/// One trace in the plain form, and the name of a file for it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Converted {
    /// File name without folder.
    pub(crate) name: String,
    /// The plain trace text.
    pub(crate) text: String,
}

/// Reads one file and writes each of its traces in the plain form; gives the
/// reader's doubts with it. Notes beside the samples become `# note:` lines.
///
/// # Errors
/// [`ReadError`] when the file cannot be read.
pub(crate) fn convert(
    file: &Path,
    recipe: &Recipe,
) -> Result<(Vec<Converted>, Vec<Warning>), ReadError> {
    let content = read::from_path_with_recipe(file, &Header::default(), recipe)?;
    let notes = read::notes_as_text(&content.layout.notes);
    let several = content.traces.len() > 1;
    let stem = file.file_stem().map_or_else(
        || "trace".into(),
        |stem| stem.to_string_lossy().into_owned(),
    );
    let converted = content
        .traces
        .iter()
        .enumerate()
        .map(|(index, trace)| Converted {
            name: if several {
                format!("{stem}-{}.csv", index + 1)
            } else {
                format!("{stem}.csv")
            },
            text: notes.clone() + &plain(trace),
        })
        .collect();
    Ok((converted, content.warnings))
}

fn plain(trace: &ReadTrace) -> String {
    let distances = trace.distances_m.as_slice().unwrap_or_default();
    let levels = trace.levels_db.as_slice().unwrap_or_default();
    read::to_plain_text(&trace.header, distances, levels)
}
