//! `bothends compare`: the same link or cable measured again.

use std::path::{Path, PathBuf};

use clap::Args;
use walkdir::WalkDir;

use crate::compare::{self, DEFAULT_COVERAGE, LinkState};
use crate::pack::manifest::SCHEMA;
use crate::read::sha256_hex;
use crate::report::json::{self, CompareProvenance, CompareReport};
use crate::report::{SourceFile, csv, table};

use super::args::{Format, number_within};
use super::output::{print, table_settings};
use super::{CommandError, Outcome, PROGRAM};

/// Most bytes of one result: a cable of a thousand links stays far below.
const MOST_BYTES: u64 = 1 << 30;

/// Arguments of `bothends compare`.
#[derive(Debug, Args)]
pub(super) struct CompareArgs {
    /// Result before: JSON of `bothends link` or `bothends cable`, or a folder of them
    before: PathBuf,
    /// Result after, in the same forms
    after: PathBuf,
    /// Standard errors that a difference must exceed to count as a change
    #[arg(long, value_name = "K", default_value_t = DEFAULT_COVERAGE, value_parser = coverage, allow_negative_numbers = true)]
    coverage: f64,
    /// Compare two single links whose names differ
    #[arg(long)]
    accept_pairing: bool,
    /// What to print on standard output
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Reads both results, compares and prints.
pub(super) fn run(args: &CompareArgs) -> Result<Outcome, CommandError> {
    let (before, before_files) = states(&args.before)?;
    let (after, after_files) = states(&args.after)?;
    let found = compare::compare(&before, &after, args.coverage, args.accept_pairing);
    if found.links.is_empty() {
        let reasons: Vec<String> = found
            .unmatched
            .iter()
            .map(|one| format!("{}: {}", one.link, one.reason))
            .collect();
        return Err(format!(
            "nothing to compare: {} (--accept-pairing compares two single links of different names)",
            reasons.join("; ")
        )
        .into());
    }
    let provenance = CompareProvenance {
        program: PROGRAM.to_owned(),
        before: before_files,
        after: after_files,
    };
    let text = match args.format {
        Format::Table => table::compare(&found, &table_settings()),
        Format::Csv => csv::differences(&found)?,
        Format::Json => json::written(
            &CompareReport::new(&found, provenance),
            json::Layout::Indented,
        )?,
        Format::Ndjson => {
            json::written(
                &CompareReport::new(&found, provenance),
                json::Layout::OneLine,
            )? + "\n"
        }
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// The links of a file, or of every result below a folder in the order of names.
fn states(path: &Path) -> Result<(Vec<LinkState>, Vec<SourceFile>), CommandError> {
    let mut files = Vec::new();
    let is_folder = path.is_dir();
    if is_folder {
        for entry in WalkDir::new(path).sort_by_file_name() {
            let entry =
                entry.map_err(|error| format!("cannot read {}: {error}", path.display()))?;
            let is_result = entry
                .path()
                .extension()
                .is_some_and(|e| e == "json" || e == "ndjson");
            if is_result && entry.file_type().is_file() {
                files.push(entry.into_path());
            }
        }
        if files.is_empty() {
            let path = path.display();
            return Err(format!("{path} holds no result: wanted files .json or .ndjson").into());
        }
    } else {
        files.push(path.to_path_buf());
    }
    let (mut links, mut sources) = (Vec::new(), Vec::new());
    for file in files {
        let name = file.display().to_string();
        let cannot = |why: &dyn std::fmt::Display| format!("cannot read {name}: {why}");
        let size = std::fs::metadata(&file)
            .map_err(|error| cannot(&error))?
            .len();
        if size > MOST_BYTES {
            return Err(cannot(&format!("{size} bytes, and at most {MOST_BYTES} are read")).into());
        }
        let bytes = std::fs::read(&file).map_err(|error| cannot(&error))?;
        let sha256 = sha256_hex(&bytes);
        let text = String::from_utf8(bytes).map_err(|error| cannot(&error))?;
        if is_folder && is_manifest(&text) {
            continue;
        }
        let found = compare::read(&text)
            .map_err(|error| format!("{name} is no result that can be compared: {error}"))?;
        // A pack holds each link by itself and with the others.
        for link in found {
            if !is_folder || !links.contains(&link) {
                links.push(link);
            }
        }
        sources.push(SourceFile { file: name, sha256 });
    }
    Ok((links, sources))
}

/// Whether a text is the manifest of a handover pack, which holds no result.
fn is_manifest(text: &str) -> bool {
    #[derive(serde::Deserialize)]
    struct Form {
        schema: String,
    }
    serde_json::from_str::<Form>(text).is_ok_and(|form| form.schema == SCHEMA)
}

fn coverage(text: &str) -> Result<f64, String> {
    number_within(text, 0.0, 10.0, "")
}
