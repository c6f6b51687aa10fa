//! The files of a folder that may be traces.

use std::path::Path;

use walkdir::WalkDir;

use super::CommandError;
use crate::cable::CableFile;
use crate::pack::manifest::{FILE_NAME, SCHEMA};

/// Endings of files that are no traces: our own results and what lies beside traces.
const NO_TRACES: [&str; 17] = [
    "json", "ndjson", "toml", "md", "png", "svg", "pdf", "html", "xlsx", "zip", "jpg", "jpeg",
    "doc", "docx", "log", "sha256", "bak",
];

/// What a folder holds.
#[derive(Debug, Default)]
pub(super) struct TraceFiles {
    /// Files that may be traces, in natural order.
    pub(super) files: Vec<CableFile>,
    /// How many others there are.
    pub(super) left_out: usize,
    /// Folders in it that are packs of results: the traces in them are copies.
    pub(super) packs: Vec<String>,
}

/// Every file below a folder that may be a trace.
pub(super) fn trace_files(folder: &Path) -> Result<TraceFiles, CommandError> {
    let mut found = TraceFiles::default();
    let name_of = |path: &Path| {
        let shown = path.strip_prefix(folder).unwrap_or(path);
        let parts = shown.components();
        let parts = parts.map(|part| part.as_os_str().to_string_lossy().into_owned());
        parts.collect::<Vec<_>>().join("/")
    };
    let mut walk = WalkDir::new(folder)
        .follow_links(true)
        .sort_by(|p, q| {
            let names = [p, q].map(|entry| entry.file_name().to_string_lossy());
            crate::cable::natural_order(&names[0], &names[1])
        })
        .into_iter()
        .filter_entry(|entry| {
            entry.depth() == 0 || !entry.file_name().to_string_lossy().starts_with('.')
        });
    while let Some(entry) = walk.next() {
        let entry =
            entry.map_err(|error| format!("cannot look through {}: {error}", folder.display()))?;
        if entry.depth() > 0 && is_pack(entry.path()) {
            found.packs.push(name_of(entry.path()));
            walk.skip_current_dir();
            continue;
        }
        if !entry.file_type().is_file() {
            continue;
        }
        let path = entry.path();
        let ending = path
            .extension()
            .map(|e| e.to_string_lossy().to_lowercase())
            .unwrap_or_default();
        if NO_TRACES.contains(&ending.as_str()) {
            found.left_out += 1;
            continue;
        }
        found.files.push(CableFile {
            path: path.to_owned(),
            name: name_of(path),
        });
    }
    Ok(found)
}

/// Whether a path is a folder with the manifest of a pack.
fn is_pack(path: &Path) -> bool {
    let manifest = path.join(FILE_NAME);
    path.is_dir()
        && manifest.is_file()
        && std::fs::read_to_string(manifest).is_ok_and(|text| text.contains(SCHEMA))
}
