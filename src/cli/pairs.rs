//! Finds the two traces of each link in a folder or a pack.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::detect::DetectSettings;
use crate::pack::manifest::{FILE_NAME, RawTrace, RawTraces};
use crate::pack::setup::{Again, GivenSettings, LinkSetup};
use crate::pack::verify::{PackFiles, parse, raw_bytes};
use crate::read;
use crate::report::SourceFile;
use crate::trace::Header;

use super::CommandError;
use super::pack_files::PackFolder;
use super::traces::trace_files;

/// The two traces of one link and how they are measured.
#[derive(Debug, Clone)]
pub(super) struct Pair {
    pub(super) a: SourceFile,
    pub(super) b: SourceFile,
    pub(super) setup: LinkSetup,
    from: From,
}

/// Where the bytes of the two files are.
#[derive(Debug, Clone)]
enum From {
    Folder(PathBuf, PathBuf),
    Pack(PathBuf, RawTraces, Box<(RawTrace, RawTrace)>),
}

impl Pair {
    /// Measures the link.
    ///
    /// # Errors
    /// Why it cannot be, with the names of the files.
    pub(super) fn measure(&self) -> Result<Again, String> {
        let (a, b) = match &self.from {
            From::Folder(a, b) => {
                let read = |path: &Path| {
                    fs::read(path).map_err(|error| format!("{}: {error}", path.display()))
                };
                (read(a)?, read(b)?)
            }
            From::Pack(folder, kept, traces) => {
                let files = PackFolder {
                    folder: folder.clone(),
                    traces: None,
                };
                let read = |trace: &RawTrace| {
                    raw_bytes(&files as &dyn PackFiles, *kept, trace)
                        .map_err(|error| format!("{}: {error}", trace.name))
                };
                (read(&traces.0)?, read(&traces.1)?)
            }
        };
        self.setup
            .measure((&self.a.file, &a), (&self.b.file, &b))
            .map_err(|error| {
                format!(
                    "{} and {}: {}",
                    self.a.file,
                    self.b.file,
                    super::chain(&error)
                )
            })
    }
}

/// The links of a pack, with its own settings.
///
/// # Errors
/// Why its manifest cannot be read.
pub(super) fn in_pack(folder: &Path) -> Result<(Vec<Pair>, Vec<String>), CommandError> {
    let path = folder.join(FILE_NAME);
    let text =
        fs::read(&path).map_err(|error| format!("cannot read {}: {error}", path.display()))?;
    let manifest = parse(&text).map_err(|error| format!("{}: {error}", folder.display()))?;
    if manifest.cable.is_some() {
        // The raw traces of a cable are paired again.
        return in_folder(&folder.join("raw"));
    }
    let source = |trace: &RawTrace| SourceFile {
        file: trace.name.clone(),
        sha256: trace.sha256.clone(),
    };
    let pairs = manifest
        .links
        .into_iter()
        .map(|link| Pair {
            a: source(&link.a),
            b: source(&link.b),
            setup: link.settings,
            from: From::Pack(
                folder.to_owned(),
                manifest.raw_traces,
                Box::new((link.a, link.b)),
            ),
        })
        .collect();
    Ok((pairs, Vec::new()))
}

/// One trace of a folder.
struct Found {
    path: PathBuf,
    file: SourceFile,
    header: Header,
}

/// What two traces of one link have in common: cable, fibre, and wavelength in whole
/// nanometres.
type Key = (Option<String>, Option<String>, i64);

/// The links of a folder of traces: two files of the same cable, fibre and wavelength,
/// taken from different ends. End A is where the first file of the first fibre was
/// taken from.
///
/// # Errors
/// That the folder cannot be listed.
pub(super) fn in_folder(folder: &Path) -> Result<(Vec<Pair>, Vec<String>), CommandError> {
    let mut doubts = Vec::new();
    let mut groups: BTreeMap<Key, Vec<Found>> = BTreeMap::new();
    let found_there = trace_files(folder)?;
    for pack in found_there.packs {
        doubts.push(format!(
            "results in {pack} were not looked at: traces in a pack are copies"
        ));
    }
    for file in found_there.files {
        match found(&file.path) {
            Ok((key, found)) => groups.entry(key).or_default().push(found),
            Err(why) => doubts.push(why),
        }
    }
    let mut pairs = Vec::new();
    let mut end_a: Option<String> = None;
    for group in groups.into_values() {
        let names: Vec<&str> = group.iter().map(|found| found.file.file.as_str()).collect();
        let [one, other] = group.as_slice() else {
            doubts.push(format!(
                "{}: {} traces of one fibre and wavelength, and two are a link",
                names.join(", "),
                names.len()
            ));
            continue;
        };
        let first = end_a.get_or_insert_with(|| one.header.from.clone().unwrap_or_default());
        let (a, b) = if other.header.from.as_ref() == Some(first)
            && one.header.from.as_ref() != Some(first)
        {
            (other, one)
        } else {
            (one, other)
        };
        pairs.push(Pair {
            a: a.file.clone(),
            b: b.file.clone(),
            setup: plain_setup(),
            from: From::Folder(a.path.clone(), b.path.clone()),
        });
    }
    Ok((pairs, doubts))
}

/// Settings of a measurement about which nothing was given.
fn plain_setup() -> LinkSetup {
    LinkSetup {
        a: GivenSettings::default(),
        b: GivenSettings::default(),
        recipe: None,
        false_events_per_1000_km: DetectSettings::default().false_events_per_1000_km,
        length_m: None,
        broken: false,
        joints: Vec::new(),
        accept_pairing: false,
        limits: None,
        coverage: None,
    }
}

fn found(path: &Path) -> Result<(Key, Found), String> {
    let mut content = read::from_path(path).map_err(|error| super::chain(&error))?;
    let name = path.display().to_string();
    let count = content.traces.len();
    let (Some(trace), 1) = (content.traces.pop(), count) else {
        return Err(format!(
            "{name}: {count} traces in one file, and one is wanted"
        ));
    };
    let header = trace.header;
    let wavelength = header
        .wavelength
        .ok_or_else(|| format!("{name}: the wavelength is not given"))?;
    let key = (
        header.cable.clone(),
        header.fibre.clone(),
        wavelength.nm().round() as i64,
    );
    let file = SourceFile {
        file: name,
        sha256: content.sha256.unwrap_or_default(),
    };
    Ok((
        key,
        Found {
            path: path.to_owned(),
            file,
            header,
        },
    ))
}
