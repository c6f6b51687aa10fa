//! `bothends simulate`: traces of a described link with known truth.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use crate::simulate::{self, Dialect, Plan, PlanError, SimulateError};

/// Arguments of `bothends simulate`.
#[derive(Debug, Clone, Args)]
pub(crate) struct SimulateArgs {
    /// Plan of the link: fibres, joints, ends and instruments (TOML)
    pub(crate) plan: PathBuf,
    /// Folder for the traces and the truth
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    pub(crate) out: PathBuf,
    /// Seed of the noise, in place of the plan's
    #[arg(long, value_name = "NUMBER")]
    pub(crate) seed: Option<u64>,
    /// Form of the trace files
    #[arg(long, value_enum, default_value_t)]
    pub(crate) dialect: DialectArg,
    /// Overwrite files that exist
    #[arg(long)]
    pub(crate) force: bool,
}

/// Forms that `--dialect` names.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum DialectArg {
    /// Header lines `# key: value`, then distance and level
    #[default]
    Plain,
    /// Semicolons, decimal commas, kilometres, header lines `Key;Value`
    DecimalComma,
}

impl From<DialectArg> for Dialect {
    fn from(arg: DialectArg) -> Self {
        match arg {
            DialectArg::Plain => Self::Plain,
            DialectArg::DecimalComma => Self::DecimalComma,
        }
    }
}

/// The plan in the text of the file that `args` names.
///
/// # Errors
/// [`PlanError`] with line and column.
pub(crate) fn plan(text: &str) -> Result<Plan, PlanError> {
    Plan::from_toml(text)
}

/// Names and contents of the files to write into `args.out`.
///
/// # Errors
/// [`SimulateError`] when the plan cannot be simulated.
pub(crate) fn files(
    args: &SimulateArgs,
    plan: &Plan,
) -> Result<Vec<(String, Vec<u8>)>, SimulateError> {
    simulate::files(
        plan,
        &stem(&args.plan),
        args.seed.unwrap_or(plan.seed),
        args.dialect.into(),
    )
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
        assert_eq!(stem(Path::new("plans/harrow-mill-017-plan.toml")), "harrow-mill-017");
        assert_eq!(stem(Path::new("two.ends.toml")), "two.ends");
    }
}
