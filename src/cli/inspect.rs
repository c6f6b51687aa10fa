//! `inspect`: what the reader understood of files.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use crate::read::{self, Glyphs, ReadError, Recipe};
use crate::trace::Header;

/// Arguments of `inspect`.
#[derive(Debug, Clone, Args)]
pub(crate) struct InspectArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Draw the picture with plain characters only
    #[arg(long)]
    ascii: bool,
    /// Form of the result: text, or JSON, a line for each file
    #[arg(long, value_enum, default_value_t)]
    format: InspectFormat,
    /// Recipe that states how the files are laid out (TOML)
    #[arg(long, value_name = "FILE")]
    pub(crate) recipe: Option<PathBuf>,
    /// Print a recipe of the first file's layout instead, to start from
    #[arg(long)]
    write_recipe: bool,
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

/// Writes what was understood of each file; files that cannot be read are
/// passed over and returned.
pub(crate) fn run(
    args: &InspectArgs,
    recipe: &Recipe,
    out: &mut dyn Write,
) -> io::Result<Vec<ReadError>> {
    let glyphs = if args.ascii {
        Glyphs::Ascii
    } else {
        Glyphs::Blocks
    };
    let mut faults = Vec::new();
    for (index, file) in args.files.iter().enumerate() {
        match read::from_path_with_recipe(file, &Header::default(), recipe) {
            Ok(content) if args.write_recipe => {
                write!(out, "{}", Recipe::from_layout(&content).to_toml())?;
                break;
            }
            Ok(content) if args.format == InspectFormat::Json => {
                let inspection = read::inspection(file.display().to_string(), &content);
                serde_json::to_writer(&mut *out, &inspection)?;
                writeln!(out)?;
            }
            Ok(content) => {
                let gap = if index > 0 { "\n" } else { "" };
                write!(
                    out,
                    "{gap}{}\n{}",
                    file.display(),
                    read::describe(&content, glyphs)
                )?;
            }
            Err(fault) => faults.push(fault),
        }
    }
    Ok(faults)
}
