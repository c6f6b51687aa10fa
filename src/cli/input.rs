//! Reads the files a command names.

use std::fs;
use std::path::Path;

use crate::both_ways::KnownJoint;
use crate::read::{self, FileContent, Recipe};
use crate::report::SourceFile;
use crate::trace::{Header, Trace};
use crate::warning::Warning;

use super::{CommandError, joints};

/// Most bytes of a file of joints or a plan: far more than any cable needs.
const MOST_BYTES: u64 = 4 << 20;

/// A trace with the file it came from.
#[derive(Debug)]
pub(super) struct Source {
    pub(super) trace: Trace,
    pub(super) file: SourceFile,
    /// The reader's doubts, each with the file's name.
    pub(super) warnings: Vec<Warning>,
}

/// Reads a trace file of any number of traces.
///
/// # Errors
/// Why it cannot be read, in words for whoever named it.
pub(super) fn content(
    path: &Path,
    fallback: &Header,
    recipe: &Recipe,
) -> Result<FileContent, CommandError> {
    if path.is_dir() {
        return Err(format!(
            "{} is a folder, and a trace file is wanted: name the files in it",
            path.display()
        )
        .into());
    }
    Ok(read::from_path_with_recipe(path, fallback, recipe)?)
}

/// Reads the recipe that a command names; the empty one without.
///
/// # Errors
/// Why it cannot be read, with the place in it.
pub(super) fn recipe(path: Option<&Path>) -> Result<Recipe, CommandError> {
    match (path, recipe_text(path)?) {
        (Some(path), Some(text)) => {
            Recipe::from_toml(&text).map_err(|error| format!("{}: {error}", path.display()).into())
        }
        _ => Ok(Recipe::default()),
    }
}

/// The text of the recipe that a command names.
///
/// # Errors
/// Why it cannot be read.
pub(super) fn recipe_text(path: Option<&Path>) -> Result<Option<String>, CommandError> {
    path.map(|path| {
        fs::read_to_string(path)
            .map_err(|error| format!("cannot read {}: {error}", path.display()).into())
    })
    .transpose()
}

/// Reads a file that must hold one trace.
///
/// # Errors
/// Why it cannot be read, or that it holds several traces.
pub(super) fn one_trace(
    path: &Path,
    fallback: &Header,
    recipe: &Recipe,
) -> Result<Source, CommandError> {
    let mut content = content(path, fallback, recipe)?;
    let name = path.display().to_string();
    if content.traces.len() > 1 {
        return Err(format!(
            "{name} holds {} traces, and one is wanted: `bothends convert {name} --out FOLDER` \
             writes each into a file of its own",
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
    let warnings = content
        .warnings
        .into_iter()
        .map(|warning| Warning::new(warning.code, format!("{name}: {}", warning.message)))
        .collect();
    Ok(Source {
        trace,
        file: SourceFile {
            file: name,
            sha256: content.sha256.unwrap_or_default(),
        },
        warnings,
    })
}

/// Reads a file of known joints.
///
/// # Errors
/// Why it cannot be read, with line and column.
pub(super) fn known_joints(path: &Path) -> Result<Vec<KnownJoint>, CommandError> {
    let text = small_text(path)?;
    joints::parse(&text)
        .map_err(|error| format!("{} is not a list of joints: {error}", path.display()).into())
}

/// Reads a small UTF-8 text.
///
/// # Errors
/// Why it cannot be read, with the file's name.
pub(super) fn small_text(path: &Path) -> Result<String, CommandError> {
    let cannot = |why: &dyn std::fmt::Display| format!("cannot read {}: {why}", path.display());
    let size = fs::metadata(path).map_err(|error| cannot(&error))?.len();
    if size > MOST_BYTES {
        return Err(cannot(&format!("{size} bytes, and at most {MOST_BYTES} are read")).into());
    }
    let bytes = fs::read(path).map_err(|error| cannot(&error))?;
    let text = String::from_utf8(bytes)
        .map_err(|_utf8| cannot(&"it is not UTF-8 text; save it as UTF-8"))?;
    Ok(match text.strip_prefix('\u{feff}') {
        Some(rest) => rest.to_owned(),
        None => text,
    })
}
