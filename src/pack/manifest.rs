//! The list of everything in a pack, with a fingerprint of each file.

use serde::{Deserialize, Serialize};

use crate::read::sha256_hex;

use super::cable_setup::CableSetup;
use super::setup::LinkSetup;

/// Name and version of the form.
pub const SCHEMA: &str = "bothends.pack/1";

/// Name of the manifest's file.
pub const FILE_NAME: &str = "manifest.json";

/// What a pack consists of and how it was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Name and version of this form.
    pub schema: String,
    /// Name and version of the program that made it.
    pub program: String,
    /// Time that the user gave for the report.
    pub report_time: Option<String>,
    /// Whether raw traces lie in the pack, packed or not, or are only named.
    pub raw_traces: RawTraces,
    /// Each link that was measured by itself: its raw traces, its settings and its result.
    pub links: Vec<ManifestLink>,
    /// The cable, where one was measured as a whole.
    pub cable: Option<ManifestCable>,
    /// Every other file of the pack, in order of names.
    pub files: Vec<ManifestFile>,
}

/// How a pack keeps the raw traces.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RawTraces {
    /// As they are.
    #[default]
    Copy,
    /// Packed by xz.
    Xz,
    /// Not in the pack: only their names and fingerprints.
    Name,
}

/// One link of a pack.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManifestLink {
    /// File of its result in the pack.
    pub result: String,
    /// Raw trace taken from A.
    pub a: RawTrace,
    /// Raw trace taken from B.
    pub b: RawTrace,
    /// What the result depends on beside them.
    pub settings: LinkSetup,
}

/// The cable of a pack.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManifestCable {
    /// File of its result in the pack.
    pub result: String,
    /// Files of its links' results, in order.
    pub link_results: Vec<String>,
    /// Every file that was looked at, in order.
    pub files: Vec<RawTrace>,
    /// What the result depends on beside them.
    pub settings: CableSetup,
}

/// A raw trace and where it lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawTrace {
    /// Its name when the pack was made.
    pub name: String,
    /// SHA-256 of its bytes as they were then, unpacked where the pack holds it packed.
    pub sha256: String,
    /// Its file in the pack, if it is there.
    pub file: Option<String>,
}

/// One file of a pack.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManifestFile {
    /// Its name, folders divided by `/`.
    pub file: String,
    /// Its size.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

impl ManifestFile {
    /// The entry of a file.
    pub fn new(file: impl Into<String>, content: &[u8]) -> Self {
        Self {
            file: file.into(),
            bytes: content.len() as u64,
            sha256: sha256_hex(content),
        }
    }
}

impl Manifest {
    /// The manifest as text; the same manifest gives the same bytes.
    ///
    /// # Errors
    /// What the JSON library says.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }
}

/// The digest of a whole pack: SHA-256 of its manifest, which holds that of
/// every other file.
///
/// Any program that computes SHA-256 gives the same for `manifest.json`.
pub fn digest(manifest: &[u8]) -> String {
    sha256_hex(manifest)
}
