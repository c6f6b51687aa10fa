//! A folder of files that appears whole or not at all.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use rayon::prelude::*;

use crate::pack::PackError;
use crate::pack::manifest::FILE_NAME;
use crate::pack::verify::parse;

use super::CommandError;
use super::output::tell;
use super::pack_files::names_below;

/// A folder that is written beside its final name.
#[derive(Debug)]
pub(super) struct NewFolder {
    /// Removed with everything in it when it is dropped.
    beside: tempfile::TempDir,
    target: PathBuf,
    replaces: bool,
    /// Every file that was written so far.
    written: Mutex<Vec<PathBuf>>,
}

impl NewFolder {
    /// Begins a folder; what is there under its name stays as it is until the end.
    ///
    /// # Errors
    /// That something is there which may not be replaced: without `force` anything but
    /// an empty folder, with it anything but a pack that holds nothing else.
    pub(super) fn begin(target: &Path, force: bool) -> Result<Self, CommandError> {
        let cannot =
            |error: &dyn std::fmt::Display| format!("cannot write {}: {error}", target.display());
        let name = target
            .file_name()
            .ok_or_else(|| cannot(&"a folder with a name of its own is wanted"))?;
        let parent = match target.parent() {
            Some(parent) if parent != Path::new("") => parent,
            _ => Path::new("."),
        };
        fs::create_dir_all(parent).map_err(|error| cannot(&error))?;
        let old = old_name(target);
        let is_there = target.symlink_metadata().is_ok();
        if old.symlink_metadata().is_ok() {
            if is_there {
                return Err(format!(
                    "{} is left of a run that was stopped: nothing was written; look at both and \
                     move it away",
                    old.display()
                )
                .into());
            }
            fs::rename(&old, target).map_err(|error| cannot(&error))?;
            tell(&format!(
                "{} was put back: an earlier run was stopped while it was replaced",
                target.display()
            ));
        }
        let replaces = may_replace(target, force)?;
        let prefix = format!(".{}-", name.to_string_lossy());
        tell_of_stopped_runs(parent, &prefix);
        let beside = tempfile::Builder::new()
            .prefix(&prefix)
            .rand_bytes(DRAWN)
            .tempdir_in(parent)
            .map_err(|error| cannot(&error))?;
        fs::create_dir(beside.path().join("new")).map_err(|error| cannot(&error))?;
        Ok(Self {
            beside,
            target: target.to_owned(),
            replaces,
            written: Mutex::default(),
        })
    }

    /// Writes a file of the folder; `name` has `/` between folders.
    ///
    /// # Errors
    /// What the system says, with the name that the file was to have.
    pub(super) fn put(&self, name: &str, bytes: &[u8]) -> Result<(), PackError> {
        let cannot = |source| PackError::File {
            what: "write",
            file: self.target.join(name).display().to_string(),
            source,
        };
        let is_inside = !name.is_empty()
            && name
                .split('/')
                .all(|part| !matches!(part, "" | "." | "..") && !part.contains('\\'));
        if !is_inside {
            return Err(cannot(std::io::Error::other(
                "the name leads out of the folder",
            )));
        }
        let path = self.beside.path().join("new").join(name);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(cannot)?;
        }
        let mut file = fs::File::create_new(&path).map_err(cannot)?;
        file.write_all(bytes).map_err(cannot)?;
        self.written
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(path);
        Ok(())
    }

    /// Waits until every file is on the disk: together, since one by one each would wait
    /// for the disk anew.
    fn settle(&self) -> Result<(), CommandError> {
        self.written
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .par_iter()
            .try_for_each(|path| fs::OpenOptions::new().write(true).open(path)?.sync_data())
            .map_err(|error| format!("cannot write {}: {error}", self.target.display()).into())
    }

    /// Gives the folder its final name; an old pack of that name goes only then.
    ///
    /// # Errors
    /// What the system says; the old pack is then back in its place.
    pub(super) fn finish(self) -> Result<(), CommandError> {
        let cannot = |error: &dyn std::fmt::Display| {
            format!("cannot write {}: {error}", self.target.display())
        };
        self.settle()?;
        let new = self.beside.path().join("new");
        if !self.replaces {
            // An empty folder gives way; anything that came meanwhile stops it.
            if self.target.is_dir() {
                fs::remove_dir(&self.target).map_err(|error| cannot(&error))?;
            }
            fs::rename(&new, &self.target).map_err(|error| cannot(&error))?;
            return Ok(());
        }
        let old = old_name(&self.target);
        fs::rename(&self.target, &old).map_err(|error| cannot(&error))?;
        if let Err(error) = fs::rename(&new, &self.target) {
            // The old one back; if even that fails, it lies under its other name.
            let back = fs::rename(&old, &self.target);
            return Err(match back {
                Ok(()) => cannot(&error),
                Err(_) => format!("{}; the old pack is {}", cannot(&error), old.display()),
            }
            .into());
        }
        // Out of sight first, so that a half-removed pack is never taken for one.
        fs::rename(&old, self.beside.path().join("old"))
            .map_err(|error| format!("the old pack is still {}: {error}", old.display()).into())
    }
}

/// Letters that the hidden folder's name has behind its prefix.
const DRAWN: usize = 6;

/// Names the hidden folders of runs that were stopped, or that still go on: nothing here
/// can tell which, so that they stay.
fn tell_of_stopped_runs(parent: &Path, prefix: &str) {
    let Ok(entries) = fs::read_dir(parent) else {
        return;
    };
    let mut names: Vec<String> = entries
        .filter_map(|entry| Some(entry.ok()?.file_name().to_string_lossy().into_owned()))
        .filter(|name| {
            name.strip_prefix(prefix)
                .is_some_and(|rest| rest.chars().count() == DRAWN)
        })
        .collect();
    names.sort();
    if !names.is_empty() {
        tell(&format!(
            "left of runs that were stopped or still go on, remove them if none does: {}",
            names.join(", ")
        ));
    }
}

/// The name that an old pack has while a new one takes its place.
fn old_name(target: &Path) -> PathBuf {
    let mut name = target.as_os_str().to_owned();
    name.push(".old");
    PathBuf::from(name)
}

/// Whether something is replaced; an error if it may not be.
fn may_replace(target: &Path, force: bool) -> Result<bool, CommandError> {
    let shown = target.display();
    let Ok(found) = target.symlink_metadata() else {
        return Ok(false);
    };
    if !found.is_dir() {
        return Err(
            format!("{shown} exists and is no folder; nothing was written (name another)").into(),
        );
    }
    if found.permissions().readonly() {
        return Err(format!("cannot write {shown}: it is read-only").into());
    }
    let is_empty = fs::read_dir(target)
        .map_err(|error| format!("cannot write {shown}: {error}"))?
        .next()
        .is_none();
    if is_empty {
        return Ok(false);
    }
    let is_pack = target.join(FILE_NAME).is_file();
    if !is_pack {
        return Err(format!(
            "{shown} holds other files and is no pack; nothing was written (name a new folder)"
        )
        .into());
    }
    if !force {
        return Err(format!(
            "{shown} exists; nothing was written (use --force to replace the pack)"
        )
        .into());
    }
    let cannot = |why: &dyn std::fmt::Display| -> CommandError {
        format!(
            "{shown} cannot be replaced: {why}; nothing was written (move it away, or name a new \
             folder)"
        )
        .into()
    };
    let text = fs::read(target.join(FILE_NAME)).map_err(|error| cannot(&error))?;
    let manifest = parse(&text).map_err(|error| cannot(&error))?;
    let known: BTreeSet<&str> = manifest
        .files
        .iter()
        .map(|entry| entry.file.as_str())
        .collect();
    let stranger = names_below(target)
        .map_err(|error| cannot(&error))?
        .into_iter()
        .find(|(name, _)| name != FILE_NAME && !known.contains(name.as_str()));
    match stranger {
        Some((name, _)) => Err(cannot(&format!("{name} is no part of the pack"))),
        None => Ok(true),
    }
}
