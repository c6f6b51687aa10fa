//! `bothends convert`: any readable export to the plain trace text.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::Args;

use crate::read::{self, ReadTrace, Recipe};
use crate::trace::Header;

use super::args::SettingArgs;
use super::input::{content, recipe};
use super::output::{File, print, tell, told, write_files};
use super::{CommandError, Outcome, chain};
use crate::pack::safe_stem;

/// Arguments of `convert`.
#[derive(Debug, Clone, Args)]
pub(super) struct ConvertArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Folder to write into; without it the text goes to standard output
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Overwrite files that exist
    #[arg(long)]
    force: bool,
    #[command(flatten)]
    settings: SettingArgs,
}

/// Converts file by file; one that fails is reported and passed over.
pub(super) fn run(args: &ConvertArgs) -> Result<Outcome, CommandError> {
    let fallback = args.settings.fallback();
    let recipe = recipe(args.settings.recipe.as_deref())?;
    let mut outcome = Outcome::Done;
    let mut taken = BTreeSet::new();
    for path in &args.files {
        let done = convert(path, &fallback, &recipe).and_then(|files| match &args.out {
            Some(folder) => {
                if let Some((name, _)) = files.iter().find(|(name, _)| taken.contains(name)) {
                    return Err(format!(
                        "{} is not converted: another file of this run was written as {name}",
                        path.display()
                    )
                    .into());
                }
                told(&write_files(folder, &files, args.force)?);
                taken.extend(files.into_iter().map(|(name, _)| name));
                Ok(())
            }
            None => files
                .iter()
                .try_for_each(|(_, bytes)| print(&String::from_utf8_lossy(bytes))),
        });
        if let Err(error) = done {
            tell(&chain(error.as_ref()));
            outcome = outcome.max(Outcome::Error);
        }
    }
    Ok(outcome)
}

/// Reads one file and gives each of its traces in the plain form under a name of its
/// own; says the reader's doubts.
fn convert(path: &Path, fallback: &Header, recipe: &Recipe) -> Result<Vec<File>, CommandError> {
    let content = content(path, fallback, recipe)?;
    let notes = read::notes_as_text(&content.layout.notes);
    for warning in &content.warnings {
        tell(&format!("{}: {}", path.display(), warning.message));
    }
    let several = content.traces.len() > 1;
    let stem = path.file_stem().map_or_else(
        || "trace".to_owned(),
        |stem| safe_stem(&stem.to_string_lossy()),
    );
    Ok(content
        .traces
        .iter()
        .enumerate()
        .map(|(index, trace)| {
            let name = if several {
                format!("{stem}-{}.txt", index + 1)
            } else {
                format!("{stem}.txt")
            };
            (name, (notes.clone() + &plain(trace, fallback)).into_bytes())
        })
        .collect())
}

fn plain(trace: &ReadTrace, fallback: &Header) -> String {
    let header = trace.header.clone().or(fallback);
    let distances = trace.distances_m.as_slice().unwrap_or_default();
    let levels = trace.levels_db.as_slice().unwrap_or_default();
    read::to_plain_text(&header, distances, levels)
}
