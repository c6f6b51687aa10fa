//! `bothends verify`: a pack against its raw traces.

use std::fmt::Write;
use std::path::PathBuf;

use clap::{Args, ValueEnum};

use crate::pack::manifest::FILE_NAME;
use crate::pack::verify::{Verified, verify};

use super::output::{print, shown};
use super::pack_files::PackFolder;
use super::{CommandError, Outcome, PROGRAM};

/// Arguments of `bothends verify`.
#[derive(Debug, Clone, Args)]
pub(super) struct VerifyArgs {
    /// Folder of the pack
    pub(super) pack: PathBuf,
    /// Digest that was delivered beside the pack, to compare with
    #[arg(long, value_name = "HEX", value_parser = hex)]
    digest: Option<String>,
    /// Folder of the raw traces, where the pack only names them
    #[arg(long, value_name = "FOLDER")]
    traces: Option<PathBuf>,
    /// What to print on standard output
    #[arg(long, value_enum, default_value_t)]
    format: VerifyFormat,
}

/// How the result is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum VerifyFormat {
    /// For people
    #[default]
    Table,
    /// One JSON object, indented
    Json,
}

fn hex(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.len() == 64 && text.chars().all(|c| c.is_ascii_hexdigit()) {
        Ok(text.to_lowercase())
    } else {
        Err(format!(
            "wanted the 64 hexadecimal digits that `bothends verify` prints, and {} characters came",
            text.chars().count()
        ))
    }
}

/// Checks, prints, and tells by the exit status.
pub(super) fn run(args: &VerifyArgs) -> Result<Outcome, CommandError> {
    if !args.pack.join(FILE_NAME).is_file() {
        return Err(format!("{} is no pack: it has no {FILE_NAME}", args.pack.display()).into());
    }
    let files = PackFolder {
        folder: args.pack.clone(),
        traces: args.traces.clone(),
    };
    let verified = verify(&files, args.digest.as_deref())
        .map_err(|error| format!("{}: {error}", args.pack.display()))?;
    let text = match args.format {
        VerifyFormat::Table => table(&verified, args.digest.is_some()),
        VerifyFormat::Json => serde_json::to_string_pretty(&verified)? + "\n",
    };
    print(&text)?;
    Ok(if verified.differences.is_empty() {
        Outcome::Done
    } else {
        Outcome::NotWithin
    })
}

fn table(verified: &Verified, is_compared: bool) -> String {
    let mut text = format!(
        "digest   {}\nmade by  {}\nfiles    {} held against the manifest\nlinks    {} measured again from \
         their raw traces\n",
        verified.digest,
        shown(&verified.program),
        verified.files,
        verified.links
    );
    if verified.program != PROGRAM {
        let _ = writeln!(
            text,
            "note     this is {PROGRAM}: another version may measure slightly differently"
        );
    }
    if verified.differences.is_empty() {
        text.push_str("result   nothing differs\n");
        if !is_compared {
            text.push_str(
                "A pack and its manifest could have been changed together: compare the digest with \
                 the one that came to you by another way (--digest).\n",
            );
        }
        return text;
    }
    let count = verified.differences.len();
    let noun = if count == 1 {
        "difference"
    } else {
        "differences"
    };
    let _ = writeln!(text, "result   {count} {noun}");
    for difference in &verified.differences {
        let _ = writeln!(
            text,
            "- {}: {}",
            shown(&difference.file),
            shown(&difference.message)
        );
    }
    text
}
