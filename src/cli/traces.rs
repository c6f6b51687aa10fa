//! The files of a folder that may be traces.

use std::path::Path;

use walkdir::WalkDir;

use super::CommandError;
use crate::cable::CableFile;

/// Endings of files that are no traces: our own results and what lies beside traces.
const NO_TRACES: [&str; 17] = [
    "json", "ndjson", "toml", "md", "png", "svg", "pdf", "html", "xlsx", "zip", "jpg", "jpeg",
    "doc", "docx", "log", "sha256", "bak",
];

/// Every file below a folder that may be a trace, in order; and how many others there are.
pub(super) fn trace_files(folder: &Path) -> Result<(Vec<CableFile>, usize), CommandError> {
    let mut files = Vec::new();
    let mut left_out = 0;
    let walk = WalkDir::new(folder)
        .follow_links(true)
        .sort_by(|p, q| {
            let names = [p, q].map(|entry| entry.file_name().to_string_lossy());
            crate::cable::natural_order(&names[0], &names[1])
        })
        .into_iter()
        .filter_entry(|entry| {
            entry.depth() == 0 || !entry.file_name().to_string_lossy().starts_with('.')
        });
    for entry in walk {
        let entry =
            entry.map_err(|error| format!("cannot look through {}: {error}", folder.display()))?;
        if !entry.file_type().is_file() {
            continue;
        }
        let path = entry.path();
        let ending = path
            .extension()
            .map(|e| e.to_string_lossy().to_lowercase())
            .unwrap_or_default();
        if NO_TRACES.contains(&ending.as_str()) {
            left_out += 1;
            continue;
        }
        let shown = path.strip_prefix(folder).unwrap_or(path);
        let parts: Vec<String> = shown
            .components()
            .map(|part| part.as_os_str().to_string_lossy().into_owned())
            .collect();
        files.push(CableFile {
            path: path.to_owned(),
            name: parts.join("/"),
        });
    }
    Ok((files, left_out))
}
