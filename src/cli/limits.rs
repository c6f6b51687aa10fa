//! `bothends limits`, and the limits that other commands are given.

use std::path::Path;

use clap::Args;

use crate::report::table;
use crate::verdict::{DEFAULT_COVERAGE, Limits, built_in, built_ins};

use super::args::number_within;
use super::input::small_text;
use super::output::{print, table_settings};
use super::{CommandError, Outcome};

/// Limits to hold a result against.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Limits")]
pub(super) struct LimitArgs {
    /// Limits to judge by: a file, or a name that `bothends limits` lists
    #[arg(long, value_name = "FILE_OR_NAME")]
    limits: Option<String>,
    /// Standard errors that a value keeps from its limit to pass or fail for certain
    #[arg(
        long,
        value_name = "K",
        default_value_t = DEFAULT_COVERAGE,
        value_parser = coverage,
        requires = "limits",
        allow_negative_numbers = true
    )]
    pub(super) coverage: f64,
}

impl LimitArgs {
    /// The limits asked for, if any.
    ///
    /// # Errors
    /// Why they cannot be read, with line and column.
    pub(super) fn limits(&self) -> Result<Option<Limits>, CommandError> {
        self.limits.as_deref().map(named_limits).transpose()
    }
}

/// Arguments of `bothends limits`.
#[derive(Debug, Args)]
pub(super) struct LimitsArgs {
    /// Set to print as a file to edit, or a file to check; without it the sets are listed
    name: Option<String>,
}

/// Lists the built-in sets, or prints one.
pub(super) fn run(args: &LimitsArgs) -> Result<Outcome, CommandError> {
    let text = match &args.name {
        Some(name) => named_limits(name)?.to_toml(),
        None => table::limits(&built_ins(), &table_settings()),
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// A built-in set by its name, else the limits in a file.
pub(super) fn named_limits(name: &str) -> Result<Limits, CommandError> {
    if let Some(limits) = built_in(name) {
        return Ok(limits);
    }
    let path = Path::new(name);
    if !path.exists() {
        let names: Vec<String> = built_ins().into_iter().map(|(set, _)| set.name).collect();
        return Err(format!(
            "{name} is neither a file nor limits that are built in; those are {}",
            names.join(", ")
        )
        .into());
    }
    let stem = path
        .file_stem()
        .map_or_else(|| name.into(), |stem| stem.to_string_lossy());
    Limits::from_toml(&small_text(path)?, &stem)
        .map_err(|error| format!("{name} is no file of limits: {error}").into())
}

/// Beyond ten standard errors nothing that is measured can be decided.
pub(super) fn coverage(text: &str) -> Result<f64, String> {
    number_within(text, 0.0, 10.0, "; 1.645 leaves a risk of 5 % at the edge")
}
