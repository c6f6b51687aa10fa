//! What `--out` needs beside the results: project, wording, power-meter readings, raw
//! traces.

use std::fs;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::cable::CableResult;
use crate::pack::logo::{self, logo_png};
use crate::pack::manifest::RawTraces;
use crate::pack::pdf::{Paper, pdf};
use crate::pack::power::{self, PowerRow};
use crate::pack::project::{Project, ProjectFile};
use crate::pack::setup::LinkSetup;
use crate::pack::wording::{Text, Wording};
use crate::pack::{CableMaking, Content, Making, PackError, PackLink, ProfileOf, write_pack};
use crate::plot::Phrases;
use crate::verdict::{DEFAULT_COVERAGE, Limits};
use crate::warning::Warning;

use super::folder::NewFolder;
use super::input::small_text;
use super::output::{File, tell};
use super::{CommandError, PROGRAM};

/// What goes into a pack beside the results.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Handover pack (--out)")]
pub(super) struct PackArgs {
    /// Project details, parties, logo, wording and language of fixed texts (TOML)
    #[arg(long, value_name = "FILE")]
    project: Option<PathBuf>,
    /// End-to-end loss by source and power meter, to show beside the two-way loss (CSV)
    #[arg(long, value_name = "FILE")]
    power_meter: Option<PathBuf>,
    /// How the pack keeps the raw traces
    #[arg(long, value_enum, value_name = "HOW")]
    raw_traces: Option<RawTracesArg>,
    /// Paper of the PDF report
    #[arg(long, value_enum, value_name = "SIZE", default_value_t)]
    paper: PaperArg,
}

/// Papers that `--paper` names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum PaperArg {
    /// 210 mm × 297 mm
    #[default]
    A4,
    /// 8.5 in × 11 in
    UsLetter,
}

/// Ways that `--raw-traces` names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum RawTracesArg {
    /// As they are (usual for one link)
    Copy,
    /// Packed by xz (usual for a cable)
    Xz,
    /// Only their names and fingerprints
    Name,
}

/// The files that the options name, read before anything is measured.
#[derive(Debug)]
pub(super) struct PackInputs {
    project: Project,
    wording: Wording,
    power: Vec<PowerRow>,
    raw_traces: Option<RawTraces>,
    paper: Paper,
}

impl PackArgs {
    /// Reads what the options name.
    ///
    /// # Errors
    /// Why a file cannot be read, with the place in it.
    pub(super) fn read(&self) -> Result<PackInputs, CommandError> {
        let (mut project, mut wording) = (Project::default(), Wording::default());
        if let Some(path) = &self.project {
            let file = ProjectFile::from_toml(&small_text(path)?)
                .map_err(|error| format!("{}: {error}", path.display()))?;
            (project, wording) = (file.project, file.wording);
            if let Some(logo) = file.logo {
                project.logo_png = Some(read_logo(path, &logo)?);
            }
        }
        let power = match &self.power_meter {
            Some(path) => power::parse(&small_text(path)?).map_err(|error| {
                format!(
                    "{} is not a list of power-meter readings: {error}",
                    path.display()
                )
            })?,
            None => Vec::new(),
        };
        Ok(PackInputs {
            project,
            wording,
            power,
            raw_traces: self.raw_traces.map(|how| match how {
                RawTracesArg::Copy => RawTraces::Copy,
                RawTracesArg::Xz => RawTraces::Xz,
                RawTracesArg::Name => RawTraces::Name,
            }),
            paper: match self.paper {
                PaperArg::A4 => Paper::A4,
                PaperArg::UsLetter => Paper::UsLetter,
            },
        })
    }
}

/// Reads a logo, whose path is counted from the project file's folder.
fn read_logo(project: &Path, logo: &str) -> Result<Vec<u8>, CommandError> {
    let path = project.parent().unwrap_or(Path::new("")).join(logo);
    let cannot = |why: &dyn std::fmt::Display| format!("the logo {}: {why}", path.display());
    let size = fs::metadata(&path).map_err(|error| cannot(&error))?.len();
    if size > logo::MOST_BYTES as u64 {
        return Err(cannot(&format!(
            "it has {size} bytes, and at most {} are taken",
            logo::MOST_BYTES
        ))
        .into());
    }
    let bytes = fs::read(&path).map_err(|error| cannot(&error))?;
    logo_png(&bytes).map_err(|error| cannot(&error).into())
}

/// The results that a pack is made of.
pub(super) struct PackResults<'a> {
    /// The links with their names, in order.
    pub(super) links: Vec<PackLink>,
    /// What each depends on.
    pub(super) setups: Vec<LinkSetup>,
    /// The cable as a whole, and what it depends on.
    pub(super) cable: Option<(&'a CableResult, CableMaking<'a>)>,
    /// Limits and the standard errors kept from them.
    pub(super) limits: Option<(&'a Limits, f64)>,
    /// Doubts about the whole.
    pub(super) warnings: &'a [Warning],
    /// Levels on demand.
    pub(super) profiles: &'a ProfileOf<'a>,
    /// Further files of the cable as a whole.
    pub(super) others: Vec<File>,
    /// Where a raw trace lies by the name that results give it.
    pub(super) path_of: &'a (dyn Fn(&str) -> PathBuf + Sync),
}

impl PackInputs {
    /// The words of figures.
    pub(super) const fn figure_words(&self) -> &Phrases {
        self.wording.figures()
    }

    /// Writes the pack into a folder that appears whole or not at all.
    ///
    /// # Errors
    /// What stops it; nothing is then left under the folder's name that was not there.
    pub(super) fn write(
        &self,
        folder: &Path,
        force: bool,
        report_time: Option<&str>,
        results: PackResults<'_>,
    ) -> Result<(), CommandError> {
        let mut links = results.links;
        for entry in &mut links {
            entry.power = power::of_link(&self.power, &entry.link);
        }
        self.tell_unused_power(&links);
        let content = Content {
            program: PROGRAM,
            report_time,
            project: &self.project,
            wording: &self.wording,
            limits: results.limits.map(|(limits, _)| limits),
            coverage: results.limits.map_or(DEFAULT_COVERAGE, |(_, k)| k),
            links: &links,
            cable: results.cable.map(|(cable, _)| cable),
            warnings: results.warnings,
            profiles: results.profiles,
        };
        let new = NewFolder::begin(folder, force)?;
        let of_cable = self.wording.of(Text::FileCable);
        let mut others: Vec<(String, String, Vec<u8>)> = results
            .others
            .into_iter()
            .map(|(name, bytes)| (name, of_cable.to_owned(), bytes))
            .collect();
        if let Some((limits, _)) = results.limits {
            others.push((
                "limits.toml".to_owned(),
                content.wording.of(Text::FileLimits).to_owned(),
                limits.to_toml().into_bytes(),
            ));
        }
        let report = pdf(&content, self.paper)?;
        if let Some(warning) = report.warning() {
            tell(&warning.message);
        }
        others.push((
            "report.pdf".to_owned(),
            content.wording.of(Text::FileReport).to_owned(),
            report.bytes,
        ));
        let usual = if results.cable.is_some() {
            RawTraces::Xz
        } else {
            RawTraces::Copy
        };
        let digest = write_pack(
            &content,
            Making {
                setups: &results.setups,
                cable: results.cable.map(|(_, making)| making),
                raw_traces: self.raw_traces.unwrap_or(usual),
                raw: &|name| {
                    fs::read((results.path_of)(name)).map_err(|source| PackError::File {
                        what: "read",
                        file: name.to_owned(),
                        source,
                    })
                },
                others,
                put: &|name, bytes| new.put(name, bytes),
            },
        )?;
        new.finish()?;
        tell(&format!(
            "wrote the pack {}, digest {digest}",
            folder.display()
        ));
        Ok(())
    }

    /// Says which power-meter readings belong to no link.
    fn tell_unused_power(&self, links: &[PackLink]) {
        for row in &self.power {
            let is_used = links
                .iter()
                .any(|entry| !power::of_link(std::slice::from_ref(row), &entry.link).is_empty());
            if !is_used {
                tell(&format!(
                    "the power-meter reading on line {} (fibre {:?}, {} nm) belongs to no link",
                    row.line,
                    row.fibre,
                    row.wavelength.nm()
                ));
            }
        }
    }
}
