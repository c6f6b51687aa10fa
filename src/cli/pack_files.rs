//! The files of a pack on disk.

use std::fs;
use std::path::{Path, PathBuf};

use crate::pack::manifest::RawTrace;
use crate::pack::verify::{Kind, PackFiles};

/// Most bytes of a file of a pack that is read: far more than any that is written.
const MOST_BYTES: u64 = 1 << 30;

/// A pack in a folder, and where raw traces lie that it only names.
#[derive(Debug)]
pub(super) struct PackFolder {
    pub(super) folder: PathBuf,
    pub(super) traces: Option<PathBuf>,
}

/// Every name below a folder with `/` between folders, in order.
///
/// # Errors
/// What the system says.
pub(super) fn names_below(folder: &Path) -> Result<Vec<(String, Kind)>, String> {
    let mut found = Vec::new();
    for entry in walkdir::WalkDir::new(folder)
        .min_depth(1)
        .follow_links(false)
        .sort_by_file_name()
    {
        let entry = entry.map_err(|error| error.to_string())?;
        let kind = entry.file_type();
        let is_empty_folder = kind.is_dir()
            && fs::read_dir(entry.path())
                .map_err(|error| error.to_string())?
                .next()
                .is_none();
        if kind.is_dir() && !is_empty_folder {
            continue;
        }
        let name = entry
            .path()
            .strip_prefix(folder)
            .unwrap_or(entry.path())
            .components()
            .map(|part| part.as_os_str().to_string_lossy().into_owned())
            .collect::<Vec<_>>()
            .join("/");
        found.push((
            name,
            if kind.is_file() {
                Kind::File
            } else {
                Kind::Other
            },
        ));
    }
    Ok(found)
}

/// Reads a plain file of limited size.
fn read(path: &Path) -> Result<Vec<u8>, String> {
    let found = path.symlink_metadata().map_err(|error| error.to_string())?;
    if !found.is_file() {
        return Err("it is no plain file".to_owned());
    }
    if found.len() > MOST_BYTES {
        return Err(format!(
            "{} bytes, and at most {MOST_BYTES} are read",
            found.len()
        ));
    }
    fs::read(path).map_err(|error| error.to_string())
}

impl PackFiles for PackFolder {
    fn names(&self) -> Result<Vec<(String, Kind)>, String> {
        names_below(&self.folder)
    }

    fn bytes(&self, name: &str) -> Result<Vec<u8>, String> {
        let is_inside = name
            .split('/')
            .all(|part| !matches!(part, "" | "." | "..") && !part.contains(['\\', ':', '\0']));
        if !is_inside {
            return Err("the name leads out of the pack".to_owned());
        }
        read(&self.folder.join(name))
    }

    fn path(&self, trace: &RawTrace) -> Option<PathBuf> {
        match (&trace.file, &self.traces) {
            (Some(file), _) => Some(self.folder.join(file)),
            (None, Some(traces)) => Some(traces.join(trace.name.rsplit(['/', '\\']).next()?)),
            (None, None) => None,
        }
    }

    fn named_trace(&self, name: &str) -> Result<Vec<u8>, String> {
        let Some(folder) = &self.traces else {
            return Err(
                "the raw trace is named and not in the pack: give --traces FOLDER".to_owned(),
            );
        };
        let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
        if matches!(file, "" | "." | "..") {
            return Err("the name of the raw trace is none".to_owned());
        }
        let path = folder.join(file);
        read(&path).map_err(|error| format!("{}: {error}", path.display()))
    }
}
