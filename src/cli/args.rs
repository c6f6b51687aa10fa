//! Arguments as clap sees them.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::detect::DetectSettings;
use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};

use super::cable::CableArgs;
use super::convert::ConvertArgs;
use super::inspect::InspectArgs;
use super::limits::{LimitArgs, LimitsArgs};
use super::pack_args::PackArgs;
use super::simulate::SimulateArgs;
use super::verify::VerifyArgs;
use super::view::ViewArgs;

/// Measures fibre joints from OTDR traces taken at both ends.
#[derive(Debug, Parser)]
#[command(
    name = "bothends",
    version,
    about = "Measures fibre joints from OTDR traces taken at both ends",
    long_about = "Measures fibre joints from OTDR traces taken at both ends.\n\n\
        One direction reads the backscatter difference of two fibres as if it were loss. \
        This program lays the traces from both ends on each other, measures every joint in both \
        at the same place, and averages.",
    after_help = EXIT_STATUS,
    max_term_width = 100
)]
pub(super) struct Cli {
    #[command(subcommand)]
    pub(super) command: Command,
}

const EXIT_STATUS: &str = "Exit status: 0 done, and within limits or no limits asked; \
1 done, but out of limits, undecided or not judged where limits were asked; \
2 could not do all that was asked.";

const LINK_HELP: &str = "Examples:
  bothends link 017-from-a.txt 017-from-b.txt
  bothends link a.csv b.csv --launch-m 1000 --tail-m 1000 --out results
  bothends link a.txt b.txt --joints closures.csv --format json
  bothends link a.txt b.txt --limits long-haul

The first file is the trace taken from end A, the second the one from end B; places are counted \
from A's first connector. A joints file has a line for each joint: its name, a comma, and its \
place in metres of fibre from A's first connector, such as `closure 7,12093.5`.

Exit status: 0 done, and within limits or no limits asked; 1 done, but out of limits, undecided \
or not judged where limits were asked; 2 could not do all that was asked.";

const CABLE_HELP: &str = "Examples:
  bothends cable traces
  bothends cable cable-plan.toml --out results
  bothends cable exports --file-names \"{fibre}_{wavelength}_{from}.csv\" --format json
  bothends cable cable-plan.toml --resume finished.ndjson

Pairs are found by fibre, wavelength and ends in the headers, and where these are silent by the \
pattern of the file names. End A is the plan's first end, without a plan the `from` of the first \
fibre in natural order. A file that cannot be used is listed and stops nothing; the exit status is \
then 2.";

const TRACE_HELP: &str = "Examples:
  bothends trace 017-from-a.txt
  bothends trace a.csv --launch-m 1000 --pulse-ns 100 --format csv

Losses read from one end are apparent: the real loss plus or minus the backscatter difference of \
the two fibres. Use `bothends link` with the trace from the other end for the loss itself.";

const INSPECT_HELP: &str = "Examples:
  bothends inspect 017-from-a.txt
  bothends inspect exports/*.csv --ascii

A file that cannot be read is reported, the others are described all the same, and the exit \
status is then 2.";

const CONVERT_HELP: &str = "Examples:
  bothends convert export.csv > trace.txt
  bothends convert exports/*.csv --out plain
  bothends convert export.csv --pulse-ns 100 --out plain

Samples and settings stay what they are; an option fills a setting that the file lacks. A file \
that holds several traces becomes several files. A file that cannot be read is reported, the \
others are converted all the same, and the exit status is then 2.";

const LIMITS_HELP: &str = "Examples:
  bothends limits
  bothends limits long-haul > our-contract.toml
  bothends limits our-contract.toml
  bothends link a.txt b.txt --limits our-contract.toml

The sets are starting points. Check every value against the contract and the edition of the \
standard that it names.";

const SIMULATE_HELP: &str = "Examples:
  bothends simulate link-plan.toml --out traces
  bothends simulate cable-plan.toml --out cable --seed 7

Writes the trace from A, the trace from B, and a JSON file with everything that is true of the \
link. The plan of a cable makes those of every fibre and wavelength, in the folder `traces` below \
`--out`, and beside it the plan that `bothends cable` reads; one that has a table `random_cable` \
draws the cable and its faults from the seed. The same plan and seed give the same files.";

const VERIFY_HELP: &str = "Examples:
  bothends verify results
  bothends verify results --digest 0f3c…

Every file is held against the manifest, every link is measured again from its raw traces, and \
what differs is named. The digest that is printed is the SHA-256 of manifest.json; deliver it by \
another way than the pack.

Exit status: 0 nothing differs; 1 something differs; 2 it could not be checked.";

const VIEW_HELP: &str = "Examples:
  bothends view traces
  bothends view results --port 8017

Opens nothing and writes nothing: it prints an address of this machine to open in a browser, and \
serves nobody else. Ctrl-C ends it.";

const SCHEMA_HELP: &str = "Examples:
  bothends schema
  bothends schema trace > trace-schema.json";

/// What to do.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Two-way loss of every joint of one fibre from its two traces (the main job)
    #[command(after_help = LINK_HELP)]
    Link(Box<LinkArgs>),
    /// A whole cable: every fibre at every joint, what is wrong, what to splice again
    #[command(after_help = CABLE_HELP)]
    Cable(Box<CableArgs>),
    /// What one trace tells by itself, and what it cannot
    #[command(after_help = TRACE_HELP)]
    Trace(TraceArgs),
    /// What was understood of a file: columns, units, settings, doubts
    #[command(after_help = INSPECT_HELP)]
    Inspect(InspectArgs),
    /// Any readable export as plain trace text
    #[command(after_help = CONVERT_HELP)]
    Convert(ConvertArgs),
    /// The acceptance limits built in, each value with its source; or one set as a file to edit
    #[command(after_help = LIMITS_HELP)]
    Limits(LimitsArgs),
    /// Traces of a described link or cable, with the truth beside them
    #[command(after_help = SIMULATE_HELP)]
    Simulate(SimulateArgs),
    /// Checks a handover pack against its raw traces
    #[command(after_help = VERIFY_HELP)]
    Verify(VerifyArgs),
    /// The same analysis in pages on this machine
    #[command(after_help = VIEW_HELP)]
    View(ViewArgs),
    /// JSON Schema of what is printed or read
    #[command(after_help = SCHEMA_HELP)]
    Schema(SchemaArgs),
}

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub(super) enum Format {
    /// For people
    #[default]
    Table,
    /// One JSON object, indented
    Json,
    /// The events as comma-separated values
    Csv,
    /// One JSON object a line
    Ndjson,
}

/// Settings that a file may lack; what the file says wins.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Settings a file may lack (what the file says wins)")]
pub(super) struct SettingArgs {
    /// Wavelength in nanometres
    #[arg(long, value_name = "NM", value_parser = wavelength, allow_negative_numbers = true)]
    wavelength_nm: Option<f64>,
    /// Pulse width in nanoseconds
    #[arg(long, value_name = "NS", value_parser = pulse_width, allow_negative_numbers = true)]
    pulse_ns: Option<f64>,
    /// Group index that the distances were computed with
    #[arg(long, value_name = "N", value_parser = group_index, allow_negative_numbers = true)]
    group_index: Option<f64>,
    /// Backscatter coefficient at 1 ns in dB, such as -81.5
    #[arg(long, value_name = "DB", value_parser = backscatter, allow_negative_numbers = true)]
    backscatter_db: Option<f64>,
    /// Launch cord in metres, 0 for none (for two traces: the cord at A)
    #[arg(long, value_name = "M", value_parser = cord, allow_negative_numbers = true)]
    launch_m: Option<f64>,
    /// Tail cord in metres, 0 for none (for two traces: the cord at B)
    #[arg(long, value_name = "M", value_parser = cord, allow_negative_numbers = true)]
    tail_m: Option<f64>,
    /// Recipe that states how the files are laid out (TOML; `inspect --write-recipe` makes one)
    #[arg(long, value_name = "FILE")]
    pub(super) recipe: Option<PathBuf>,
}

impl SettingArgs {
    /// What fills the gaps of a header read from the trace taken at A.
    pub(super) fn fallback(&self) -> Header {
        Header {
            wavelength: self.wavelength_nm.map(Wavelength::from_nm),
            pulse_width: self.pulse_ns.map(PulseWidth::from_ns),
            group_index: self.group_index.map(GroupIndex::from_ratio),
            backscatter: self.backscatter_db.map(BackscatterCoefficient::from_db),
            launch_cord: self.launch_m.map(Length::from_m),
            tail_cord: self.tail_m.map(Length::from_m),
            ..Header::default()
        }
    }

    /// The same for the trace taken at B, whose launch cord is the one at B.
    pub(super) fn fallback_from_b(&self) -> Header {
        let mut header = self.fallback();
        std::mem::swap(&mut header.launch_cord, &mut header.tail_cord);
        header
    }
}

/// Where results go.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Output")]
pub(super) struct OutputArgs {
    /// What to print on standard output
    #[arg(long, value_enum, default_value_t)]
    pub(super) format: Format,
    /// Folder to write into: tables, plots and, for links, the handover pack
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: Option<PathBuf>,
    /// Overwrite files that exist, or replace a pack
    #[arg(long)]
    pub(super) force: bool,
    /// Time to print in the result, as written; the clock is never read
    #[arg(long, value_name = "TIME")]
    pub(super) report_time: Option<String>,
}

/// How events are looked for.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Detection")]
pub(super) struct DetectArgs {
    /// False events allowed in 1,000 km of fibre; fewer means that a joint must stand out more
    #[arg(
        long,
        value_name = "RATE",
        default_value_t = DetectSettings::default().false_events_per_1000_km,
        value_parser = false_events,
        allow_negative_numbers = true
    )]
    false_events_per_1000_km: f64,
}

impl DetectArgs {
    pub(super) fn settings(&self) -> DetectSettings {
        DetectSettings {
            false_events_per_1000_km: self.false_events_per_1000_km,
        }
    }
}

/// Arguments of `bothends link`.
#[derive(Debug, Args)]
pub(super) struct LinkArgs {
    /// Trace taken from end A
    pub(super) a_trace: PathBuf,
    /// Trace taken from end B
    pub(super) b_trace: PathBuf,
    /// Known length of the fibre between its two end connectors, metres
    #[arg(long, value_name = "M", value_parser = length, allow_negative_numbers = true)]
    pub(super) length_m: Option<f64>,
    /// The fibre is known to be broken: report each part from its own end
    #[arg(long)]
    pub(super) broken: bool,
    /// Joints to measure whether they show or not: lines of `name,position_m`
    #[arg(long, value_name = "FILE")]
    pub(super) joints: Option<PathBuf>,
    /// Accept two files whose headers name different fibres, cables or ends
    #[arg(long)]
    pub(super) accept_pairing: bool,
    #[command(flatten)]
    pub(super) limits: LimitArgs,
    #[command(flatten)]
    pub(super) detect: DetectArgs,
    #[command(flatten)]
    pub(super) settings: SettingArgs,
    #[command(flatten)]
    pub(super) output: OutputArgs,
    #[command(flatten)]
    pub(super) pack: PackArgs,
}

/// Arguments of `bothends trace`.
#[derive(Debug, Args)]
pub(super) struct TraceArgs {
    /// Trace file
    pub(super) trace: PathBuf,
    #[command(flatten)]
    pub(super) detect: DetectArgs,
    #[command(flatten)]
    pub(super) settings: SettingArgs,
    #[command(flatten)]
    pub(super) output: OutputArgs,
}

/// Arguments of `bothends schema`.
#[derive(Debug, Args)]
pub(super) struct SchemaArgs {
    /// Which result
    #[arg(value_enum, default_value_t)]
    pub(super) what: Schema,
}

/// Results that have a schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub(super) enum Schema {
    /// What `bothends link` prints
    #[default]
    Link,
    /// What `bothends trace` prints
    Trace,
    /// What `bothends cable` prints
    Cable,
    /// A file of limits
    Limits,
}

/// A number from `min` to `max`, in words for whoever typed it.
pub(super) fn number_within(text: &str, min: f64, max: f64, unit: &str) -> Result<f64, String> {
    let hint = if text.contains(',') {
        "; write a decimal point, and no separators for thousands"
    } else {
        ""
    };
    let value: f64 = text
        .trim()
        .parse()
        .map_err(|_number| format!("not a number{hint}"))?;
    if (min..=max).contains(&value) {
        Ok(value)
    } else {
        Err(format!("wanted a number from {min} to {max}{unit}"))
    }
}

fn wavelength(text: &str) -> Result<f64, String> {
    number_within(text, 600.0, 2000.0, " nm")
}

fn pulse_width(text: &str) -> Result<f64, String> {
    number_within(text, 0.01, 200_000.0, " ns")
}

fn group_index(text: &str) -> Result<f64, String> {
    number_within(text, 1.3, 1.7, "")
}

/// Known fibres lie between −70 dB (multimode) and −90 dB; ten more on each side.
fn backscatter(text: &str) -> Result<f64, String> {
    number_within(text, -100.0, -60.0, " dB")
}

/// A longer cord than 100 km is a link.
fn cord(text: &str) -> Result<f64, String> {
    number_within(text, 0.0, 100_000.0, " m")
}

/// An OTDR sees 300 km at most; ten times that.
pub(super) fn length(text: &str) -> Result<f64, String> {
    number_within(text, 1.0, 3_000_000.0, " m")
}

/// Below 1e-9 the threshold leaves every joint out, above 10,000 every sample is one.
fn false_events(text: &str) -> Result<f64, String> {
    let rate = number_within(text, f64::MIN, f64::MAX, "").unwrap_or(f64::NAN);
    if (1e-9..=10_000.0).contains(&rate) {
        Ok(rate)
    } else {
        Err("wanted a number above 0 (at least 1e-9) and up to 10000; 0.5 is usual".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_arguments_are_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn absurd_numbers_are_refused_with_the_range() {
        for text in ["nan", "inf", "-inf", "0", "-1", "1e300", "", "x"] {
            assert!(false_events(text).is_err(), "{text}");
        }
        assert_eq!(
            length("-5").unwrap_err(),
            "wanted a number from 1 to 3000000 m"
        );
        assert_eq!(
            group_index("1,4682").unwrap_err(),
            "not a number; write a decimal point, and no separators for thousands"
        );
        assert!(backscatter("-81.5").is_ok());
    }
}
