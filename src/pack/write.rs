//! Makes every file of a pack and hands it on, link by link.

use std::collections::BTreeMap;
use std::io::Write;
use std::sync::{Mutex, PoisonError};

use lzma_rust2::{XzOptions, XzWriter};
use rayon::prelude::*;

use super::PackError;
use super::cable_setup::CableSetup;
use super::content::{Content, PackLink};
use super::manifest::{
    FILE_NAME, Manifest, ManifestCable, ManifestFile, ManifestLink, RawTrace, RawTraces, SCHEMA,
};
use super::names::Names;
use super::page::{IndexFile, Levels, fibre_page, index_page};
use super::setup::LinkSetup;
use super::wording::Text;
use super::workbook::workbook;
use crate::both_ways::Profiles;
use crate::plot::{self, PlotSettings};
use crate::read::sha256_hex;
use crate::report::{self, SourceFile, json, table::TableSettings};

/// Takes a file of the pack: its name with `/` between folders, and its bytes.
pub type Put<'a> = dyn Fn(&str, &[u8]) -> Result<(), PackError> + Sync + 'a;

/// Gives the bytes of a raw trace by the name that its result has.
pub type RawOf<'a> = dyn Fn(&str) -> Result<Vec<u8>, PackError> + Sync + 'a;

/// More links than this have smaller plots, and those as SVG only: large plots of 864
/// fibres at two wavelengths would take 400 MB of a pack.
const MANY_LINKS: usize = 200;

/// How the JSON of a pack with so many links is laid out: the indents of 1,728 of them
/// would take 35 MB.
pub const fn json_layout(links: usize) -> json::Layout {
    if links > MANY_LINKS {
        json::Layout::OneLine
    } else {
        json::Layout::Indented
    }
}

/// Size of the plots beyond that.
const SMALL_PLOT: (u32, u32) = (1000, 760);

/// How a pack is made, beside what it holds.
#[expect(
    missing_debug_implementations,
    reason = "it holds functions, which have no text of their own"
)]
pub struct Making<'a> {
    /// What each link's result depends on, in the order of [`Content::links`]; empty for
    /// a cable.
    pub setups: &'a [LinkSetup],
    /// What the cable's result depends on.
    pub cable: Option<CableMaking<'a>>,
    /// How raw traces are kept.
    pub raw_traces: RawTraces,
    /// The bytes of raw traces.
    pub raw: &'a RawOf<'a>,
    /// Files of other writers: name, what it is for the index, and bytes.
    pub others: Vec<(String, String, Vec<u8>)>,
    /// Where files go.
    pub put: &'a Put<'a>,
}

/// What a cable's result depends on and where it is in the pack.
#[derive(Debug, Clone, Copy)]
pub struct CableMaking<'a> {
    /// Names of all files that were looked at, in order.
    pub files: &'a [String],
    /// The settings.
    pub setup: &'a CableSetup,
    /// Name of the file with the cable's result, which is among [`Making::others`].
    pub result: &'a str,
}

/// Files as they are handed on, with their fingerprints.
struct Files<'a> {
    put: &'a Put<'a>,
    entries: Mutex<Vec<ManifestFile>>,
}

impl Files<'_> {
    fn add(&self, name: &str, bytes: &[u8]) -> Result<(), PackError> {
        (self.put)(name, bytes)?;
        self.entries
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(ManifestFile::new(name, bytes));
        Ok(())
    }
}

/// Makes a whole pack; gives the digest of it.
///
/// The manifest is handed on last: a folder without it is no pack.
///
/// # Errors
/// [`PackError`], also whatever `put` gives.
pub fn write_pack(content: &Content<'_>, making: Making<'_>) -> Result<String, PackError> {
    let files = Files {
        put: making.put,
        entries: Mutex::new(Vec::new()),
    };
    let mut raw = raw_traces(content, &making, &files)?;
    content
        .pages()
        .par_iter()
        .try_for_each(|(page, links)| fibre(content, page, links, &files))?;
    tables(content, &files)?;
    files.add("results.xlsx", &workbook(content)?)?;
    let mut listed = vec![
        ("results.xlsx", Text::FileWorkbook),
        ("events.csv", Text::FileEvents),
        ("sections.csv", Text::FileSections),
    ];
    if has_judgements(content) {
        listed.push(("judgements.csv", Text::FileJudgements));
    }
    if content.cable.is_none() {
        listed.push(("links.ndjson", Text::FileLinks));
    }
    listed.push((FILE_NAME, Text::FileManifest));
    let mut listed: Vec<IndexFile> = listed
        .into_iter()
        .map(|(path, what)| IndexFile {
            path: path.to_owned(),
            what: content.wording.of(what).to_owned(),
        })
        .collect();
    for (name, what, bytes) in making.others {
        files.add(&name, &bytes)?;
        listed.push(IndexFile { path: name, what });
    }
    files.add("index.html", index_page(content, &listed).as_bytes())?;
    let mut entries = files
        .entries
        .into_inner()
        .unwrap_or_else(PoisonError::into_inner);
    entries.sort();
    let manifest = Manifest {
        schema: SCHEMA.to_owned(),
        program: content.program.to_owned(),
        report_time: content.report_time.map(str::to_owned),
        raw_traces: making.raw_traces,
        links: content
            .links
            .iter()
            .zip(making.setups)
            .map(|(entry, settings)| ManifestLink {
                result: result_file(entry),
                a: trace_of(&raw, &entry.provenance.a),
                b: trace_of(&raw, &entry.provenance.b),
                settings: settings.clone(),
            })
            .collect(),
        cable: making.cable.map(|cable| ManifestCable {
            result: cable.result.to_owned(),
            link_results: content.links.iter().map(result_file).collect(),
            files: cable
                .files
                .iter()
                .filter_map(|name| raw.remove(name))
                .collect(),
            settings: cable.setup.clone(),
        }),
        files: entries,
    };
    let text = manifest
        .to_json()
        .map_err(|error| PackError::form("the manifest", error))?;
    (making.put)(FILE_NAME, text.as_bytes())?;
    Ok(super::manifest::digest(text.as_bytes()))
}

fn result_file(entry: &PackLink) -> String {
    format!("links/{}.json", entry.stem)
}

/// Everything of one fibre: results, plots, and its page.
fn fibre(
    content: &Content<'_>,
    page: &str,
    links: &[usize],
    files: &Files<'_>,
) -> Result<(), PackError> {
    let mut parts: Vec<(&PackLink, Profiles)> = Vec::new();
    let mut listed = Vec::new();
    for &index in links {
        let Some(entry) = content.links.get(index) else {
            continue;
        };
        let profiles = (content.profiles)(index)?;
        for name in link_files(content, entry, &profiles, files)? {
            listed.push((name.clone(), format!("../{name}")));
        }
        parts.push((entry, profiles));
    }
    let levels: Vec<(&PackLink, Levels<'_>)> = parts
        .iter()
        .map(|(entry, profiles)| (*entry, Levels::Inside(profiles)))
        .collect();
    let text = fibre_page(content, &levels, &listed)?;
    files.add(&format!("fibres/{page}.html"), text.as_bytes())
}

/// Result and plots of one link; gives their names.
fn link_files(
    content: &Content<'_>,
    entry: &PackLink,
    profiles: &Profiles,
    files: &Files<'_>,
) -> Result<Vec<String>, PackError> {
    let link = &entry.link;
    let stem = &entry.stem;
    let are_many = content.links.len() > MANY_LINKS;
    let mut plot_settings = PlotSettings {
        program: Some(content.program.to_owned()),
        words: content.wording.figures().clone(),
        ..PlotSettings::default()
    };
    if are_many {
        (plot_settings.width, plot_settings.height) = SMALL_PLOT;
    }
    let svg = plot::link_svg(link, profiles, &plot_settings)?;
    let json = json::link(link, &entry.provenance, json_layout(content.links.len()))?;
    let table = report::table::link(
        link,
        entry.provenance.judged.as_ref(),
        &TableSettings::default(),
    );
    let mut made = vec![
        (result_file(entry), json.into_bytes()),
        (format!("links/{stem}.txt"), table.into_bytes()),
    ];
    if !are_many {
        let png = plot::png_from_svg(&svg, plot_settings.width)?;
        made.push((format!("plots/{stem}.png"), png));
    }
    made.push((format!("plots/{stem}.svg"), svg.into_bytes()));
    for (name, bytes) in &made {
        files.add(name, bytes)?;
    }
    Ok(made.into_iter().map(|(name, _)| name).collect())
}

/// The tables of all links together.
fn tables(content: &Content<'_>, files: &Files<'_>) -> Result<(), PackError> {
    let mut lines = String::new();
    let mut events = String::new();
    let mut sections = String::new();
    let mut judgements = String::new();
    let of_closures = report::csv::cable_judgements;
    if let Some((cable, limits)) = content.cable.zip(content.limits) {
        append(
            &mut judgements,
            &of_closures(cable, limits, content.coverage)?,
        );
    }
    for entry in content.links {
        let line = json::link(&entry.link, &entry.provenance, json::Layout::OneLine)?;
        lines.push_str(&line);
        lines.push('\n');
        append(&mut events, &report::csv::events(&entry.link)?);
        append(&mut sections, &report::csv::sections(&entry.link)?);
        if let Some(judged) = &entry.provenance.judged {
            append(
                &mut judgements,
                &report::csv::judgements(&entry.link, judged)?,
            );
        }
    }
    if has_judgements(content) {
        files.add("judgements.csv", judgements.as_bytes())?;
    }
    if content.cable.is_none() {
        files.add("links.ndjson", lines.as_bytes())?;
    }
    files.add("events.csv", events.as_bytes())?;
    files.add("sections.csv", sections.as_bytes())
}

/// Whether anything was held against a limit.
fn has_judgements(content: &Content<'_>) -> bool {
    let of_links = content.links.iter().flat_map(PackLink::judgements);
    of_links.count() + content.closure_means().count() > 0
}

/// Adds a table to one with the same heads.
fn append(table: &mut String, more: &str) {
    if table.is_empty() {
        table.push_str(more);
    } else if let Some((_, rows)) = more.split_once('\n') {
        table.push_str(rows);
    }
}

/// The raw trace of a source, as the manifest names it.
fn trace_of(raw: &BTreeMap<String, RawTrace>, source: &SourceFile) -> RawTrace {
    raw.get(&source.file).cloned().unwrap_or_else(|| RawTrace {
        name: source.file.clone(),
        sha256: source.sha256.clone(),
        file: None,
    })
}

/// Puts the raw traces into the pack, each once; gives them by their names.
fn raw_traces(
    content: &Content<'_>,
    making: &Making<'_>,
    files: &Files<'_>,
) -> Result<BTreeMap<String, RawTrace>, PackError> {
    let measured: BTreeMap<&str, &str> = content
        .links
        .iter()
        .flat_map(|entry| [&entry.provenance.a, &entry.provenance.b])
        .map(|source| (source.file.as_str(), source.sha256.as_str()))
        .collect();
    let looked_at = making.cable.map_or(&[][..], |cable| cable.files);
    let mut all: Vec<&str> = looked_at.iter().map(String::as_str).collect();
    all.extend(
        measured
            .keys()
            .filter(|name| !looked_at.iter().any(|n| n == *name)),
    );
    let mut names = Names::default();
    let named: Vec<(&str, Option<String>)> = all
        .into_iter()
        .map(|name| (name, raw_name(&mut names, name, making.raw_traces)))
        .collect();
    named
        .into_par_iter()
        .map(|(name, file)| {
            let bytes = (making.raw)(name)?;
            let sha256 = sha256_hex(&bytes);
            if measured.get(name).is_some_and(|known| *known != sha256) {
                return Err(PackError::Changed {
                    file: name.to_owned(),
                });
            }
            match (&file, making.raw_traces) {
                (Some(file), RawTraces::Xz) => {
                    let packed = xz(&bytes).map_err(|error| {
                        PackError::form("the packed copy of a raw trace", error)
                    })?;
                    files.add(file, &packed)?;
                }
                (Some(file), _) => files.add(file, &bytes)?,
                (None, _) => {}
            }
            let trace = RawTrace {
                name: name.to_owned(),
                sha256,
                file,
            };
            Ok((name.to_owned(), trace))
        })
        .collect()
}

/// Name of a raw trace in the pack, like the one it has.
fn raw_name(names: &mut Names, file: &str, kept: RawTraces) -> Option<String> {
    let name = file.rsplit(['/', '\\']).next().unwrap_or(file);
    let (stem, ending) = match name.rsplit_once('.') {
        Some((stem, ending))
            if ending.len() <= 8 && ending.chars().all(|c| c.is_ascii_alphanumeric()) =>
        {
            (stem, format!(".{ending}"))
        }
        _ => (name, String::new()),
    };
    match kept {
        RawTraces::Copy => Some(format!("raw/{}", names.unique_with(stem, &ending))),
        RawTraces::Xz => Some(format!(
            "raw/{}",
            names.unique_with(stem, &format!("{ending}.xz"))
        )),
        RawTraces::Name => None,
    }
}

/// Packs bytes by xz: a trace then takes half of what gzip makes of it. The presets below
/// are faster and a sixth larger, those above win nothing on columns of numbers.
fn xz(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut packer = XzWriter::new(Vec::new(), XzOptions::with_preset(4))?;
    packer.write_all(bytes)?;
    packer.finish()
}
