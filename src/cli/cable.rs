//! `bothends cable`: every pair below a folder, or as a plan lists them.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use rayon::prelude::*;

use crate::both_ways;
use crate::cable::splice_log::{LogColumns, LogEntry, LogError, SpliceLog, compare_log, read_log};
use crate::cable::{
    AcceptPairing, CablePlan, CableResult, CableSettings, NamePattern, Silent, measure_cable,
};
use crate::pack::cable_setup::{Accepted, CableSetup, files_left_out};
use crate::pack::setup::GivenSettings;
use crate::pack::{json_layout, safe_stem};
use crate::plot::{Phrases, PlotSettings, splice_log_svg};
use crate::report::{
    csv, json, splice_log_table, table, table::TableSettings, visit_sheet_text, visit_sheets,
};
use crate::units::{Length, Loss};
use crate::verdict::{DEFAULT_COVERAGE, Limits};

use super::args::{DetectArgs, Format, OutputArgs, SettingArgs, length, number_within};
use super::cable_pack::{self, CablePack};
use super::input::{recipe, recipe_text, small_text};
use super::journal::FileJournal;
use super::limits::{coverage, named_limits};
use super::output::{File, print, table_settings, tell};
use super::pack_args::PackArgs;
use super::progress::Bar;
use super::traces::{TraceFiles, trace_files};
use super::{CommandError, Outcome, PROGRAM};

/// Which pairing to measure where headers and traces disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum AcceptArg {
    /// The pairing that the traces support
    Found,
    /// The pairing that headers and file names give
    Labelled,
}

/// Arguments of `bothends cable`.
#[derive(Debug, Args)]
pub(super) struct CableArgs {
    /// Folder of trace files, or a plan of the cable (TOML)
    pub(super) folder_or_plan: PathBuf,
    /// Pattern of the file names, where headers are silent, such as `{fibre}-{wavelength}-{from}.txt`
    #[arg(long, value_name = "PATTERN")]
    file_names: Option<String>,
    /// Length of the fibre between its two end connectors, metres
    #[arg(long, value_name = "M", value_parser = length, allow_negative_numbers = true)]
    length_m: Option<f64>,
    /// Limits to judge by: a file, or the name of a built-in set
    #[arg(long, value_name = "FILE_OR_NAME")]
    limits: Option<String>,
    /// Standard errors that a value keeps from its limit to pass or fail for certain
    #[arg(long, value_name = "K", default_value_t = DEFAULT_COVERAGE, value_parser = coverage, allow_negative_numbers = true)]
    coverage: f64,
    /// Two-way loss in dB above which a splice is bad, where no limits are given
    #[arg(long, value_name = "DB", value_parser = bad_splice, allow_negative_numbers = true)]
    bad_splice_db: Option<f64>,
    /// Measure crossed fibres all the same: in the pairing that the traces support, or as labelled
    #[arg(long, value_name = "WHICH", value_enum, num_args = 0..=1, default_missing_value = "found")]
    accept_pairing: Option<AcceptArg>,
    /// Splicing machines' log to hold against the losses (CSV; the plan can state its columns)
    #[arg(long, value_name = "FILE")]
    splice_log: Option<PathBuf>,
    /// Keep finished fibres in this file (or in this folder), and take over those that it has
    #[arg(long, value_name = "FILE_OR_FOLDER")]
    resume: Option<PathBuf>,
    #[command(flatten)]
    detect: DetectArgs,
    #[command(flatten)]
    settings: SettingArgs,
    #[command(flatten)]
    output: OutputArgs,
    #[command(flatten)]
    pack: PackArgs,
}

fn bad_splice(text: &str) -> Result<f64, String> {
    number_within(text, 0.001, 60.0, " dB")
}

/// Measures the cable, prints and writes.
pub(super) fn run(args: &CableArgs) -> Result<Outcome, CommandError> {
    let inputs = args.pack.read()?;
    let (plan, folder) = plan_and_folder(args)?;
    let TraceFiles {
        files,
        left_out,
        packs,
    } = trace_files(&folder)?;
    if !packs.is_empty() {
        tell(&format!(
            "results in {} were not looked at: traces in a pack are copies",
            packs.join(", ")
        ));
    }
    let (logs, files): (Vec<_>, Vec<_>) =
        (files.into_par_iter()).partition(|file| is_log(&file.path));
    let left_out = left_out + logs.len();
    let logged = logged(args, &plan)?;
    let settings = CableSettings {
        plan,
        link: both_ways::Settings {
            detect: args.detect.settings(),
            ..both_ways::Settings::default()
        },
        fallback: args.settings.fallback(),
        recipe: recipe(args.settings.recipe.as_deref())?,
        limits: args.limits.as_deref().map(named_limits).transpose()?,
        coverage: args.coverage,
        bad_splice: args.bad_splice_db.map(Loss::from_db),
        accept_pairing: args.accept_pairing.map(|which| match which {
            AcceptArg::Found => AcceptPairing::Found,
            AcceptArg::Labelled => AcceptPairing::Labelled,
        }),
        ..CableSettings::default()
    };
    let journal = args.resume.as_deref().map(FileJournal::open).transpose()?;
    let bar = Bar::new();
    let progress: &dyn crate::cable::Progress = match &bar {
        Some(bar) => bar,
        None => &Silent,
    };
    let measured = measure_cable(
        &files,
        &settings,
        progress,
        journal.as_ref().map(|j| j as &dyn crate::cable::Journal),
    );
    if let Some(bar) = &bar {
        bar.finish();
    }
    let mut result =
        measured.map_err(|error| format!("{}: {error}", args.folder_or_plan.display()))?;
    if let Some(why) = journal.as_ref().and_then(FileJournal::fault) {
        tell(&format!("finished fibres could not be kept: {why}"));
    }
    let (log_text, log) = match logged {
        Some((text, entries)) => (Some(text), Some(compare_log(&entries, &result))),
        None => (None, None),
    };
    if let Some(log) = &log {
        log.add_to(&mut result);
    }
    result.warnings.extend(files_left_out(left_out));
    print(&printed(args.output.format, &result, log.as_ref(), args)?)?;
    if let Some(folder) = &args.output.out {
        let pack = CablePack {
            result: &result,
            files: &files,
            setup: setup(args, settings.limits.as_ref(), log_text, left_out)?,
            others: files_of(&result, log.as_ref(), args, inputs.figure_words())?,
            result_file: format!("{}.json", stem(&result)),
            fallback: settings.fallback,
            recipe: settings.recipe,
        };
        cable_pack::write(
            pack,
            &inputs,
            folder,
            args.output.force,
            args.output.report_time.as_deref(),
        )?;
    }
    Ok(outcome(&result))
}

/// Everything that the result depends on beside the traces.
fn setup(
    args: &CableArgs,
    limits: Option<&Limits>,
    splice_log: Option<String>,
    left_out: usize,
) -> Result<CableSetup, CommandError> {
    let plan = if args.folder_or_plan.is_dir() {
        None
    } else {
        Some(small_text(&args.folder_or_plan)?)
    };
    Ok(CableSetup {
        plan,
        file_names: args.file_names.clone(),
        length_m: args.length_m,
        given: GivenSettings::from(&args.settings.fallback()),
        recipe: recipe_text(args.settings.recipe.as_deref())?,
        false_events_per_1000_km: args.detect.settings().false_events_per_1000_km,
        bad_splice_db: args.bad_splice_db,
        accept_pairing: args.accept_pairing.map(|which| match which {
            AcceptArg::Found => Accepted::Found,
            AcceptArg::Labelled => Accepted::Labelled,
        }),
        limits: limits.map(Limits::to_toml),
        coverage: Some(args.coverage),
        splice_log,
        left_out,
    })
}

/// What the files of the whole cable begin with.
fn stem(result: &CableResult) -> String {
    safe_stem(result.name.as_deref().unwrap_or("cable"))
}

fn outcome(result: &CableResult) -> Outcome {
    let asked = result.rules.limits.is_some();
    let worst = Outcome::of(result.verdict(), asked);
    if result.skipped.is_empty() {
        worst
    } else {
        let count = result.skipped.len();
        tell(&format!(
            "{count} file{} gave no result; the list of what was skipped says why",
            if count == 1 { "" } else { "s" }
        ));
        Outcome::Error
    }
}

/// The plan, options over it, and the folder of the traces.
fn plan_and_folder(args: &CableArgs) -> Result<(CablePlan, PathBuf), CommandError> {
    let given = &args.folder_or_plan;
    let (mut plan, folder) = if given.is_dir() {
        (CablePlan::default(), given.clone())
    } else {
        let plan = CablePlan::from_toml(&small_text(given)?)
            .map_err(|error| format!("{} is not a plan of a cable: {error}", given.display()))?;
        let beside = given.parent().unwrap_or(Path::new("."));
        let beside = if beside.as_os_str().is_empty() {
            Path::new(".")
        } else {
            beside
        };
        let folder = plan
            .traces
            .as_ref()
            .map_or_else(|| beside.to_owned(), |t| beside.join(t));
        (plan, folder)
    };
    if let Some(pattern) = &args.file_names {
        let pattern = NamePattern::new(pattern)
            .map_err(|error| format!("the pattern {pattern:?} cannot be used: {error}"))?;
        plan.file_names = Some(pattern);
    }
    plan.length_m = args
        .length_m
        .map(Length::from_m)
        .map(Length::m)
        .or(plan.length_m);
    Ok((plan, folder))
}

/// Whether a file begins as a splice log does: lying among the traces, it is none of them.
fn is_log(path: &Path) -> bool {
    let mut titles = String::new();
    let begun = std::fs::File::open(path).map(|file| BufReader::new(file.take(LONGEST_TITLES)));
    let read = begun.and_then(|mut begun| begun.read_line(&mut titles));
    // Joint, fibre and estimate are three columns; to make a reader for each trace takes long.
    if read.is_err() || !titles.contains([';', '\t', ',']) {
        return false;
    }
    let log = read_log(&titles, &LogColumns::default());
    matches!(log, Ok(_) | Err(LogError::Empty))
}

/// Bytes in which the titles of a splice log end.
const LONGEST_TITLES: u64 = 4096;

/// The splicing machines' log that an option or the plan names: its text, and what it says.
fn logged(
    args: &CableArgs,
    plan: &CablePlan,
) -> Result<Option<(String, Vec<LogEntry>)>, CommandError> {
    let planned = plan.splice_log.as_ref();
    let beside = args.folder_or_plan.parent().unwrap_or(Path::new(""));
    let path = (args.splice_log.clone()).or_else(|| Some(beside.join(&planned?.file)));
    let Some(path) = path else { return Ok(None) };
    let columns = planned.map(|log| log.columns.clone()).unwrap_or_default();
    let text = small_text(&path)?;
    let entries = read_log(&text, &columns)
        .map_err(|error| format!("{} is not a splice log: {error}", path.display()))?;
    Ok(Some((text, entries)))
}

fn printed(
    format: Format,
    result: &CableResult,
    log: Option<&SpliceLog>,
    args: &CableArgs,
) -> Result<String, CommandError> {
    let time = args.output.report_time.as_deref();
    Ok(match format {
        Format::Table => {
            let settings = table_settings();
            with_log(table::cable(result, &settings), result, log, settings.width)
        }
        Format::Json => json::cable(result, PROGRAM, time, json::Layout::Indented)?,
        Format::Ndjson => json::cable_lines(result, PROGRAM, time)?,
        Format::Csv => csv::cable_matrix(result)?,
    })
}

/// The table of a cable, that of its splice log behind it.
fn with_log(
    mut text: String,
    result: &CableResult,
    log: Option<&SpliceLog>,
    width: usize,
) -> String {
    if let Some(log) = log {
        let chance = result.rules.false_finding_chance;
        text.push('\n');
        text.push_str(&splice_log_table(log, chance, width));
    }
    text
}

/// Table, JSON, CSV and heat map of a cable, its links one a line, a sheet for each
/// closure to open, and the chart of the splice log.
fn files_of(
    result: &CableResult,
    log: Option<&SpliceLog>,
    args: &CableArgs,
    words: &Phrases,
) -> Result<Vec<File>, CommandError> {
    let time = args.output.report_time.as_deref();
    let stem = stem(result);
    let mut files = vec![
        (
            format!("{stem}.txt"),
            with_log(
                table::cable(result, &TableSettings::default()),
                result,
                log,
                TableSettings::default().width,
            )
            .into_bytes(),
        ),
        (
            format!("{stem}.json"),
            json::cable(result, PROGRAM, time, json_layout(result.links.len()))?.into_bytes(),
        ),
        (
            format!("{stem}-matrix.csv"),
            csv::cable_matrix(result)?.into_bytes(),
        ),
        (
            format!("{stem}-joints.csv"),
            csv::cable_joints(result)?.into_bytes(),
        ),
        (
            format!("{stem}-fibres.csv"),
            csv::cable_fibres(result)?.into_bytes(),
        ),
        (
            format!("{stem}-links.ndjson"),
            json::cable_lines(result, PROGRAM, time)?.into_bytes(),
        ),
    ];
    for (index, wavelength) in result.wavelengths.iter().enumerate() {
        let map = crate::plot::heat_map_svg(result, index, Some(PROGRAM), words)?;
        let png = crate::plot::png_from_svg(&map.svg, map.width)?;
        let name = format!("{stem}-heat-map-{}", wavelength.nm());
        files.push((format!("{name}.svg"), map.svg.into_bytes()));
        files.push((format!("{name}.png"), png));
    }
    for sheet in visit_sheets(result) {
        let name = safe_stem(&format!("{stem}-visit-{}", sheet.closure));
        files.push((format!("{name}.txt"), visit_sheet_text(&sheet).into_bytes()));
    }
    if let Some(log) = log {
        let settings = PlotSettings {
            program: Some(PROGRAM.to_owned()),
            words: words.clone(),
            ..PlotSettings::default()
        };
        let chance = result.rules.false_finding_chance;
        let svg = splice_log_svg(log, result.name.as_deref(), chance, &settings)?;
        let png = crate::plot::png_from_svg(&svg, settings.width)?;
        files.push((format!("{stem}-splice-log.svg"), svg.into_bytes()));
        files.push((format!("{stem}-splice-log.png"), png));
    }
    Ok(files)
}
