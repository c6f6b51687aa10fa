//! The handover pack of a cable.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use crate::both_ways::Profiles;
use crate::cable::{CableFile, CableLink, CableResult};
use crate::pack::cable_setup::CableSetup;
use crate::pack::{CableMaking, Names, PackError, PackLink, safe_stem};
use crate::read::{self, Recipe};
use crate::report::{Provenance, SourceFile};
use crate::trace::{Header, Trace};

use super::output::File;
use super::pack_args::{PackInputs, PackResults};
use super::{CommandError, PROGRAM};

/// A cable's result and everything that it was made from.
pub(super) struct CablePack<'a> {
    pub(super) result: &'a CableResult,
    pub(super) files: &'a [CableFile],
    pub(super) setup: CableSetup,
    /// Further files of the pack, the result itself among them.
    pub(super) others: Vec<File>,
    /// Name of the result among them.
    pub(super) result_file: String,
    /// Fills the gaps of headers of traces from A.
    pub(super) fallback: Header,
    pub(super) recipe: Recipe,
}

/// Writes the pack.
///
/// # Errors
/// What stops it.
pub(super) fn write(
    pack: CablePack<'_>,
    inputs: &PackInputs,
    folder: &Path,
    force: bool,
    report_time: Option<&str>,
) -> Result<(), CommandError> {
    let result = pack.result;
    let limits = pack
        .setup
        .settings()
        .map_err(|error| super::chain(&error))?
        .limits;
    let paths: BTreeMap<&str, &Path> = pack
        .files
        .iter()
        .map(|file| (file.name.as_str(), file.path.as_path()))
        .collect();
    let names: Vec<String> = pack.files.iter().map(|file| file.name.clone()).collect();
    let (mut stems, mut pages) = (Names::default(), Names::default());
    let pages: Vec<String> = result
        .fibres
        .iter()
        .map(|fibre| pages.unique(&with_cable(result, &fibre.name)))
        .collect();
    let links: Vec<PackLink> = result
        .links
        .iter()
        .map(|link| entry(link, &pages, &mut stems, report_time))
        .collect();
    let profiles = |index: usize| -> Result<Profiles, PackError> {
        let link = result
            .links
            .get(index)
            .ok_or_else(|| failed(index, "there is no such link".into()))?;
        levels(link, &pack.fallback, &pack.recipe, &paths).map_err(|why| failed(index, why))
    };
    inputs.write(
        folder,
        force,
        report_time,
        PackResults {
            links,
            setups: Vec::new(),
            cable: Some((
                result,
                CableMaking {
                    files: &names,
                    setup: &pack.setup,
                    result: &pack.result_file,
                },
            )),
            limits: limits
                .as_ref()
                .map(|limits| (limits, result.rules.coverage)),
            warnings: &result.warnings,
            profiles: &profiles,
            others: pack.others,
            path_of: &|name| {
                paths
                    .get(name)
                    .map_or_else(|| PathBuf::from(name), |path| path.to_path_buf())
            },
        },
    )
}

fn failed(index: usize, source: Box<dyn std::error::Error + Send + Sync>) -> PackError {
    PackError::Profiles {
        stem: (index + 1).to_string(),
        source,
    }
}

fn with_cable(result: &CableResult, fibre: &str) -> String {
    match &result.name {
        Some(cable) => safe_stem(&format!("{cable}-{fibre}")),
        None => safe_stem(fibre),
    }
}

fn entry(
    link: &CableLink,
    pages: &[String],
    stems: &mut Names,
    report_time: Option<&str>,
) -> PackLink {
    let page = pages.get(link.fibre).cloned().unwrap_or_default();
    let source = |source: &crate::cable::Source| SourceFile {
        file: source.file.clone(),
        sha256: source.sha256.clone(),
    };
    PackLink {
        stem: stems.unique(&format!("{page}-{}", link.link.wavelength.nm())),
        page,
        link: link.link.clone(),
        provenance: Provenance {
            program: PROGRAM.to_owned(),
            a: source(&link.a),
            b: source(&link.b),
            report_time: report_time.map(str::to_owned),
            judged: link.judged.clone(),
        },
        power: Vec::new(),
    }
}

/// Both traces of a link, read again and laid on A's axis as the result has it.
fn levels(
    link: &CableLink,
    fallback: &Header,
    recipe: &Recipe,
    paths: &BTreeMap<&str, &Path>,
) -> Result<Profiles, Box<dyn std::error::Error + Send + Sync>> {
    let trace = |source: &crate::cable::Source, header: &Header| -> Result<Trace, CommandError> {
        let path = paths
            .get(source.file.as_str())
            .ok_or("the raw trace is not in the list")?;
        let bytes = fs::read(path)?;
        let mut content = read::from_bytes_with_recipe(&bytes, fallback, recipe)?;
        let index = source.part.unwrap_or(1) - 1;
        if index >= content.traces.len() {
            return Err("the raw trace is not in its file".into());
        }
        // What the measurement used, options and names included.
        Ok(content.traces.swap_remove(index).into_trace(header)?)
    };
    let a = trace(&link.a, &link.link.a.header)?;
    let b = trace(&link.b, &link.link.b.header)?;
    Ok(Profiles::of(&link.link, &a, &b))
}
