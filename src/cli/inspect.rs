//! `bothends inspect`: what the reader understood of files.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use crate::read::{self, Glyphs, Recipe};

use super::args::SettingArgs;
use super::input::{content, recipe};
use super::output::{print, shown, tell};
use super::{CommandError, Outcome, chain};

/// Arguments of `inspect`.
#[derive(Debug, Clone, Args)]
pub(super) struct InspectArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Draw the picture with plain characters only
    #[arg(long)]
    ascii: bool,
    /// Form of the result: words and a picture, or one JSON object a line
    #[arg(long, value_enum, default_value_t)]
    format: InspectFormat,
    /// Print a recipe of the first file's layout instead, to start from
    #[arg(long)]
    write_recipe: bool,
    #[command(flatten)]
    settings: SettingArgs,
}

/// Forms that `inspect --format` names.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
enum InspectFormat {
    /// Words and a picture
    #[default]
    Table,
    /// One JSON object for each file, a line each
    Json,
}

/// Describes file by file; one that cannot be read is reported and passed over.
pub(super) fn run(args: &InspectArgs) -> Result<Outcome, CommandError> {
    let glyphs = if args.ascii {
        Glyphs::Ascii
    } else {
        Glyphs::Blocks
    };
    let fallback = args.settings.fallback();
    let recipe = recipe(args.settings.recipe.as_deref())?;
    let mut outcome = Outcome::Done;
    let mut gap = "";
    for path in &args.files {
        match content(path, &fallback, &recipe) {
            Ok(content) if args.write_recipe => {
                print(&Recipe::from_layout(&content).to_toml())?;
                break;
            }
            Ok(content) if args.format == InspectFormat::Json => {
                let inspection = read::inspection(path.display().to_string(), &content);
                print(&(serde_json::to_string(&inspection)? + "\n"))?;
            }
            Ok(content) => {
                let words = read::describe(&content, glyphs);
                print(&shown(&format!("{gap}{}\n{words}", path.display())))?;
                gap = "\n";
            }
            Err(error) => {
                tell(&chain(error.as_ref()));
                outcome = outcome.max(Outcome::Error);
            }
        }
    }
    Ok(outcome)
}
