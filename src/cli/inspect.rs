//! `bothends inspect`: what the reader understood of files.

use std::path::PathBuf;

use clap::Args;

use crate::read::{self, Glyphs};

use super::args::SettingArgs;
use super::input::content;
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
    #[command(flatten)]
    settings: SettingArgs,
}

/// Describes file by file; one that cannot be read is reported and passed over.
pub(super) fn run(args: &InspectArgs) -> Result<Outcome, CommandError> {
    let glyphs = if args.ascii {
        Glyphs::Ascii
    } else {
        Glyphs::Blocks
    };
    let fallback = args.settings.fallback();
    let mut outcome = Outcome::Done;
    let mut gap = "";
    for path in &args.files {
        match content(path, &fallback) {
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
