//! `bothends simulate`: traces of a described link or cable with known truth.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use rayon::prelude::*;

use crate::simulate::{
    self, AnyPlan, Cable, CablePlan, Dialect, Plan, SimulateError, random_cable,
};

use super::input::small_text;
use super::output::{refuse_to_overwrite, tell, told, write_files};
use super::{CommandError, Outcome};

/// Arguments of `bothends simulate`.
#[derive(Debug, Clone, Args)]
pub(super) struct SimulateArgs {
    /// Plan of a link (fibres, joints, ends, instruments) or of a whole cable (TOML)
    pub(super) plan: PathBuf,
    /// Folder for the traces and the truth
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    pub(super) out: PathBuf,
    /// Seed of everything random, in place of the plan's
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
    let plan =
        AnyPlan::from_toml(&text).map_err(|error| format!("{name} is not a plan: {error}"))?;
    match plan {
        AnyPlan::Link(plan) => link(args, &plan)?,
        AnyPlan::Cable(plan) => cable(args, &plan, args.seed.unwrap_or(plan.seed))?,
        AnyPlan::RandomCable(plan) => {
            let seed = args.seed.unwrap_or(plan.seed);
            cable(args, &random_cable(seed, &plan.random_cable), seed)?;
        }
    }
    Ok(Outcome::Done)
}

fn cannot(args: &SimulateArgs, error: &SimulateError) -> CommandError {
    let name = args.plan.display();
    format!("{name} cannot be simulated: {}", super::chain(error)).into()
}

fn link(args: &SimulateArgs, plan: &Plan) -> Result<(), CommandError> {
    let seed = args.seed.unwrap_or(plan.seed);
    let files = simulate::files(plan, &stem(&args.plan), seed, args.dialect.into())
        .map_err(|error| cannot(args, &error))?;
    told(&write_files(&args.out, &files, args.force)?);
    Ok(())
}

/// Traces go into a folder of their own, so that it can be named to `bothends cable`.
fn cable(args: &SimulateArgs, plan: &CablePlan, seed: u64) -> Result<(), CommandError> {
    let cable = Cable::draw(plan, seed).map_err(|error| cannot(args, &error))?;
    let traces = args.out.join("traces");
    let stem = stem(&args.plan);
    let truth_name = format!("{stem}-truth.json");
    let known_name = format!("{stem}.toml");
    let mut paths = cable
        .file_names()
        .map(|name| traces.join(name))
        .collect::<Vec<_>>();
    let count = paths.len();
    paths.extend([args.out.join(&truth_name), args.out.join(&known_name)]);
    let log = (cable.splice_log()).map(|text| (format!("{stem}-splice-log.csv"), text));
    paths.extend(log.iter().map(|(name, _)| args.out.join(name)));
    refuse_to_overwrite(&paths, args.force)?;
    let links = (0..cable.links())
        .into_par_iter()
        .map(|idx| {
            let made = cable
                .link_files(idx, args.dialect.into())
                .map_err(|error| cannot(args, &error))?;
            write_files(&traces, &made.files, args.force)?;
            Ok(made.truth)
        })
        .collect::<Result<Vec<_>, CommandError>>()?;
    let mut truth = serde_json::to_string_pretty(&cable.truth(links))?;
    truth.push('\n');
    let log_name = log.as_ref().map(|(name, _)| name.as_str());
    let known = (cable.known_plan(log_name)).map_err(|error| cannot(args, &error))?;
    let mut others = vec![
        (known_name, known.into_bytes()),
        (truth_name, truth.into_bytes()),
    ];
    others.extend(log.map(|(name, text)| (name, text.into_bytes())));
    let written = write_files(&args.out, &others, args.force)?;
    tell(&format!("wrote {count} traces into {}", traces.display()));
    told(&written);
    Ok(())
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
