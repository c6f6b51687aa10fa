//! Holds a pack against its manifest, and its results against its raw traces.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::read::{Limits, MOST_SAMPLES, sha256_hex, unpacked};

use super::manifest::{FILE_NAME, Manifest, ManifestLink, RawTrace, RawTraces, SCHEMA, digest};
use super::recompute::recomputed;

mod cable;
mod compare;

use cable::check_cable;
use compare::{differing, taken_apart};

/// Where the files of a pack come from.
pub trait PackFiles: Sync {
    /// Every file of the pack, by its name with `/` between folders, and what is no
    /// plain file, such as a link to elsewhere.
    ///
    /// # Errors
    /// What the system says.
    fn names(&self) -> Result<Vec<(String, Kind)>, String>;
    /// The bytes of a file of the pack.
    ///
    /// # Errors
    /// What the system says.
    fn bytes(&self, name: &str) -> Result<Vec<u8>, String>;
    /// The bytes of a raw trace that the pack only names.
    ///
    /// # Errors
    /// Why it cannot be had.
    fn named_trace(&self, name: &str) -> Result<Vec<u8>, String>;
    /// Where a raw trace lies, in the pack or beside it.
    fn path(&self, trace: &RawTrace) -> Option<PathBuf>;
}

/// What stands under a name of a pack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A plain file.
    File,
    /// A link, a device, or anything else that a pack does not hold.
    Other,
}

/// Something that is not as the manifest or the raw traces have it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct Difference {
    /// The file it concerns.
    pub file: String,
    /// What is different, in words.
    pub message: String,
}

/// What a check of a pack found.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Verified {
    /// Digest of the whole pack.
    pub digest: String,
    /// Program that made the pack.
    pub program: String,
    /// Files held against the manifest.
    pub files: usize,
    /// Links measured again.
    pub links: usize,
    /// What differs, in order of files.
    pub differences: Vec<Difference>,
}

/// Why a pack could not be checked at all.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum VerifyError {
    /// There is no manifest.
    #[error("{FILE_NAME} cannot be read: {why}")]
    NoManifest {
        /// What the system says.
        why: String,
    },
    /// The manifest is no manifest.
    #[error("{FILE_NAME}, line {line}, column {column}: {why}; this is no manifest of a pack")]
    Manifest {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What was found and wanted.
        why: String,
    },
    /// The manifest is of a form that this version does not know.
    #[error("{FILE_NAME} is of the form {found:?}, and this version checks {SCHEMA:?}")]
    Schema {
        /// What it says.
        found: String,
    },
    /// The folder cannot be listed.
    #[error("the pack cannot be listed: {why}")]
    List {
        /// What the system says.
        why: String,
    },
}

/// Checks every file of a pack against its manifest, measures every link again from
/// its raw traces, and compares the results.
///
/// `expected` is the digest that was delivered beside the pack, if it was.
///
/// # Errors
/// [`VerifyError`] when there is no manifest to check against.
pub fn verify(files: &dyn PackFiles, expected: Option<&str>) -> Result<Verified, VerifyError> {
    let text = files
        .bytes(FILE_NAME)
        .map_err(|why| VerifyError::NoManifest { why })?;
    let manifest = parse(&text)?;
    let digest = digest(&text);
    let mut differences = Vec::new();
    if let Some(expected) = expected
        && !expected.trim().eq_ignore_ascii_case(&digest)
    {
        differences.push(Difference {
            file: FILE_NAME.to_owned(),
            message: format!(
                "the digest of the pack is {digest}, and {} was delivered: the manifest is not \
                 the one of that delivery",
                expected.trim()
            ),
        });
    }
    let there = files.names().map_err(|why| VerifyError::List { why })?;
    differences.extend(listed(&manifest, &there));
    let present: BTreeSet<&str> = there
        .iter()
        .filter(|(_, kind)| *kind == Kind::File)
        .map(|(name, _)| name.as_str())
        .collect();
    differences.par_extend(
        manifest
            .files
            .par_iter()
            .filter(|entry| present.contains(entry.file.as_str()))
            .filter_map(|entry| {
                match files.bytes(&entry.file) {
                    Err(why) => Some(format!("cannot be read: {why}")),
                    Ok(bytes) if sha256_hex(&bytes) != entry.sha256 => Some(format!(
                        "changed: its SHA-256 is {}, and the manifest has {}",
                        sha256_hex(&bytes),
                        entry.sha256
                    )),
                    Ok(bytes) if bytes.len() as u64 != entry.bytes => Some(format!(
                        "it has {} bytes, and the manifest says {}",
                        bytes.len(),
                        entry.bytes
                    )),
                    Ok(_) => None,
                }
                .map(|message| Difference {
                    file: entry.file.clone(),
                    message,
                })
            }),
    );
    differences.par_extend(
        manifest
            .links
            .par_iter()
            .flat_map_iter(|link| check_link(files, &manifest, link)),
    );
    if let Some(cable) = &manifest.cable {
        differences.extend(check_cable(files, &manifest, cable));
    }
    differences.sort();
    differences.dedup();
    Ok(Verified {
        digest,
        program: manifest.program.clone(),
        files: manifest.files.len(),
        links: manifest.links.len()
            + manifest
                .cable
                .as_ref()
                .map_or(0, |cable| cable.link_results.len()),
        differences,
    })
}

/// Reads a manifest.
///
/// # Errors
/// [`VerifyError::Manifest`] with line and column, [`VerifyError::Schema`].
pub fn parse(text: &[u8]) -> Result<Manifest, VerifyError> {
    let manifest: Manifest =
        serde_json::from_slice(text).map_err(|error| VerifyError::Manifest {
            line: error.line(),
            column: error.column(),
            why: without_place(&error.to_string()),
        })?;
    if manifest.schema == SCHEMA {
        Ok(manifest)
    } else {
        Err(VerifyError::Schema {
            found: manifest.schema,
        })
    }
}

/// What the JSON library says, without the place that it repeats behind.
fn without_place(message: &str) -> String {
    message
        .rsplit_once(" at line ")
        .map_or(message, |(what, _)| what)
        .to_owned()
}

/// What the manifest names and is not there, what is there and it does not name, and
/// what it names twice or outside the pack.
fn listed(manifest: &Manifest, there: &[(String, Kind)]) -> Vec<Difference> {
    let mut differences = Vec::new();
    let mut say = |file: &str, message: &str| {
        differences.push(Difference {
            file: file.to_owned(),
            message: message.to_owned(),
        });
    };
    let mut named = BTreeSet::new();
    for entry in &manifest.files {
        if !named.insert(entry.file.as_str()) {
            say(&entry.file, "the manifest names it twice");
        }
    }
    for (name, kind) in there {
        if *kind == Kind::Other {
            say(name, "is no plain file, and a pack holds nothing else");
        } else if name != FILE_NAME && !named.contains(name.as_str()) {
            say(name, "added: the manifest does not name it");
        }
    }
    for name in &named {
        if !there.iter().any(|(there, _)| there == name) {
            say(name, "missing: the manifest names it and it is not there");
        }
    }
    let inner = |link: &ManifestLink| {
        [
            Some(link.result.clone()),
            link.a.file.clone(),
            link.b.file.clone(),
        ]
    };
    let of_cable = manifest.cable.iter().flat_map(|cable| {
        let raw = cable.files.iter().filter_map(|trace| trace.file.clone());
        std::iter::once(cable.result.clone())
            .chain(cable.link_results.iter().cloned())
            .chain(raw)
    });
    let of_links = manifest.links.iter().flat_map(inner).flatten();
    for file in of_links.chain(of_cable) {
        if !named.contains(file.as_str()) {
            say(&file, "a link needs it and the list of files lacks it");
        }
    }
    let results: BTreeSet<&str> = manifest.links.iter().map(|l| l.result.as_str()).collect();
    if results.len() != manifest.links.len() {
        say(FILE_NAME, "two links have one result");
    }
    let of_cable = manifest.cable.iter().flat_map(|cable| &cable.link_results);
    let results: BTreeSet<&str> = results
        .into_iter()
        .chain(of_cable.map(String::as_str))
        .collect();
    for name in named {
        let is_json = Path::new(name).extension().is_some_and(|end| end == "json");
        let is_result = name.starts_with("links/") && is_json;
        if is_result && !results.contains(name) {
            say(name, "a result that no link of the manifest names");
        }
    }
    differences
}

/// Measures one link again and compares.
fn check_link(files: &dyn PackFiles, manifest: &Manifest, link: &ManifestLink) -> Vec<Difference> {
    let at = |file: &str, message: String| Difference {
        file: file.to_owned(),
        message,
    };
    let raw = |trace: &RawTrace| {
        raw_bytes(files, manifest.raw_traces, trace)
            .map_err(|why| at(trace.file.as_ref().unwrap_or(&trace.name), why))
    };
    let (a, b) = match (raw(&link.a), raw(&link.b)) {
        (Ok(a), Ok(b)) => (a, b),
        (a, b) => return [a.err(), b.err()].into_iter().flatten().collect(),
    };
    let stored = match files.bytes(&link.result) {
        Ok(bytes) => bytes,
        Err(why) => return vec![at(&link.result, format!("cannot be read: {why}"))],
    };
    match recomputed(manifest, link, &a, &b) {
        Err(error) => vec![at(
            &link.result,
            format!("cannot be measured again: {}", super::chain(&error)),
        )],
        Ok(report) => match taken_apart(&report) {
            Ok(again) => differing(&stored, &again)
                .into_iter()
                .map(|message| at(&link.result, message))
                .collect(),
            Err(why) => vec![at(&link.result, why)],
        },
    }
}

/// What a packed raw trace may hold: as much as any file of a pack, since the option that
/// let a large trace be read is no part of the pack.
const MOST_UNPACKED: Limits = Limits {
    bytes: 1 << 30,
    samples: MOST_SAMPLES,
};

/// The bytes of a raw trace as they were when the pack was made.
///
/// # Errors
/// Why they cannot be had, or that they are others than were measured.
pub fn raw_bytes(
    files: &dyn PackFiles,
    kept: RawTraces,
    trace: &RawTrace,
) -> Result<Vec<u8>, String> {
    let bytes = match (&trace.file, kept) {
        (None, _) => files.named_trace(&trace.name)?,
        (Some(file), RawTraces::Xz) => unpacked(&files.bytes(file)?, MOST_UNPACKED)
            .map_err(|error| error.to_string())?
            .into_owned(),
        (Some(file), RawTraces::Copy | RawTraces::Name) => files.bytes(file)?,
    };
    let found = sha256_hex(&bytes);
    if found == trace.sha256 {
        Ok(bytes)
    } else {
        Err(format!(
            "it is not the raw trace that was measured: its SHA-256 is {found}, and the manifest \
             has {}",
            trace.sha256
        ))
    }
}
