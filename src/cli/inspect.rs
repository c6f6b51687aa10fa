//! `inspect`: what the reader understood of files.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;

use crate::read::{self, Glyphs, ReadError};

/// Arguments of `inspect`.
#[derive(Debug, Clone, Args)]
pub(crate) struct InspectArgs {
    /// Trace files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Draw the picture with plain characters only
    #[arg(long)]
    ascii: bool,
}

/// Writes what was understood of each file; files that cannot be read are
/// passed over and returned.
pub(crate) fn run(args: &InspectArgs, out: &mut dyn Write) -> io::Result<Vec<ReadError>> {
    let glyphs = if args.ascii {
        Glyphs::Ascii
    } else {
        Glyphs::Blocks
    };
    let mut faults = Vec::new();
    for (index, file) in args.files.iter().enumerate() {
        match read::from_path(file) {
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
