//! `bothends simulate`: traces of a described link with known truth.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::simulate::{self, Dialect, Plan};

use super::input::small_text;
use super::output::{told, write_files};
use super::{CommandError, Outcome};

/// Arguments of `bothends simulate`.
#[derive(Debug, Clone, Args)]
pub(super) struct SimulateArgs {
    /// Plan of the link: fibres, joints, ends and instruments (TOML)
    pub(super) plan: PathBuf,
    /// Folder for the traces and the truth
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    pub(super) out: PathBuf,
    /// Seed of the noise, in place of the plan's
    #[arg(long, value_name = "NUMBER")]
    pub(super) seed: Option<u64>,
    /// Form of the trace files
    #[arg(long, value_enum, default_value_t)]
    pub(super) dialect: DialectArg,
    /// Overwrite files that exist
    #[arg(long)]
    pub(super) force: bool,
}

/// Forms that `--dialect` names.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(super) enum DialectArg {
    /// Header lines `# key: value`, then distance and level
    #[default]
    Plain,
    /// Semicolons, decimal commas, kilometres, header lines `Key;Value`
    DecimalComma,
    /// Tabs, feet, header lines `key = value`
    TabFeet,
    /// Every field in quotes, commas, loss that rises along the fibre
    QuotedLoss,
    /// Levels alone, spacing and start in the header
    LevelsOnly,
    /// As decimal-comma, in UTF-16
    Utf16,
}

impl From<DialectArg> for Dialect {
    fn from(arg: DialectArg) -> Self {
        match arg {
            DialectArg::Plain => Self::Plain,
            DialectArg::DecimalComma => Self::DecimalComma,
            DialectArg::TabFeet => Self::TabFeet,
            DialectArg::QuotedLoss => Self::QuotedLoss,
            DialectArg::LevelsOnly => Self::LevelsOnly,
            DialectArg::Utf16 => Self::Utf16,
        }
    }
}

/// Reads the plan, simulates, and writes the files.
pub(super) fn run(args: &SimulateArgs) -> Result<Outcome, CommandError> {
    let name = args.plan.display();
    let text = small_text(&args.plan)?;
    let plan = Plan::from_toml(&text)
        .map_err(|error| format!("{name} is not a plan of a link: {error}"))?;
    let seed = args.seed.unwrap_or(plan.seed);
    let files = simulate::files(&plan, &stem(&args.plan), seed, args.dialect.into())
        .map_err(|error| format!("{name} cannot be simulated: {}", super::chain(&error)))?;
    told(&write_files(&args.out, &files, args.force)?);
    Ok(Outcome::Done)
}

/// The plan's file name without `.toml`, and without `-plan` before it.
fn stem(plan: &Path) -> String {
    let name = plan
        .file_stem()
        .map_or_else(|| "link".into(), |name| name.to_string_lossy());
    name.strip_suffix("-plan").unwrap_or(&name).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_named_after_the_plan() {
        assert_eq!(
            stem(Path::new("plans/harrow-mill-017-plan.toml")),
            "harrow-mill-017"
        );
        assert_eq!(stem(Path::new("two.ends.toml")), "two.ends");
    }
}
