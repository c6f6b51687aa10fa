//! Arguments as clap sees them.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};

/// Measures fibre joints from OTDR traces taken at both ends.
#[derive(Debug, Parser)]
#[command(version, about, after_help = EXIT_STATUS, max_term_width = 100)]
pub(super) struct Cli {
    #[command(subcommand)]
    pub(super) command: Command,
}

const EXIT_STATUS: &str = "Exit status: 0 done, and within limits or no limits asked; \
1 done, but out of limits, undecided or not judged where limits were asked; \
2 could not do all that was asked.";

/// What to do.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Two-way loss of every joint of one fibre from its two traces (the main job)
    Link(LinkArgs),
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
#[command(next_help_heading = "Settings a file may lack")]
pub(super) struct SettingArgs {
    /// Wavelength in nanometres
    #[arg(long, value_name = "NM")]
    wavelength_nm: Option<f64>,
    /// Pulse width in nanoseconds
    #[arg(long, value_name = "NS")]
    pulse_ns: Option<f64>,
    /// Group index that the distances were computed with
    #[arg(long, value_name = "N")]
    group_index: Option<f64>,
    /// Backscatter coefficient at 1 ns in dB, such as -81.5
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    backscatter_db: Option<f64>,
    /// Launch cord in metres, 0 for none (for two traces: the cord at A)
    #[arg(long, value_name = "M")]
    launch_m: Option<f64>,
    /// Tail cord in metres, 0 for none (for two traces: the cord at B)
    #[arg(long, value_name = "M")]
    tail_m: Option<f64>,
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
    /// Folder to write table, JSON, CSV and the plot (SVG, PNG) into
    #[arg(long, value_name = "FOLDER")]
    pub(super) out: Option<PathBuf>,
    /// Overwrite files that exist
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
    /// False events allowed in 1,000 km of fibre
    #[arg(long, value_name = "RATE", default_value_t = 0.5)]
    pub(super) false_events_per_1000_km: f64,
}

/// Arguments of `bothends link`.
#[derive(Debug, Args)]
pub(super) struct LinkArgs {
    /// Trace taken from end A
    pub(super) a_trace: PathBuf,
    /// Trace taken from end B
    pub(super) b_trace: PathBuf,
    /// Known length of the fibre between its two end connectors, metres
    #[arg(long, value_name = "M")]
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
    pub(super) detect: DetectArgs,
    #[command(flatten)]
    pub(super) settings: SettingArgs,
    #[command(flatten)]
    pub(super) output: OutputArgs,
}
