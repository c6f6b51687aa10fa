//! The settings at the beginning of a file, without its samples.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::unpack::is_packed;
use super::{
    FileContent, ReadError, ReadTrace, Recipe, from_bytes_with_recipe, from_path_with_recipe,
};
use crate::trace::Header;

/// Bytes looked at, and as many as are looked at where those are not enough. The first hold a header
/// of 0.9 kB and as many rows as are asked for, at 17 bytes a row; the longest header that we know
/// of takes a quarter of the last.
const BEGINNINGS: [usize; 3] = [2 << 10, 4 << 10, LONGEST];

/// The most that is looked at.
const LONGEST: usize = 16 << 10;

/// Reads the settings of a file's traces from its first bytes.
///
/// A short file is read whole, and one whose beginning cannot be read by itself (packed, of
/// two-byte letters, with a longer header) or does not end in samples. What stands behind the
/// samples of a longer one is not seen here. Traces that stand below each other show as the
/// first one alone: whoever reads the file whole must count again.
///
/// # Errors
/// As [`from_path_with_recipe`].
pub fn heads_of_path(
    path: &Path,
    fallback: &Header,
    recipe: &Recipe,
) -> Result<Vec<Header>, ReadError> {
    let heads = |content: FileContent| -> Vec<Header> {
        content
            .traces
            .into_iter()
            .map(|trace| trace.header)
            .collect()
    };
    let mut bytes = Vec::with_capacity(LONGEST);
    let begun = File::open(path).and_then(|file| file.take(LONGEST as u64).read_to_end(&mut bytes));
    // A file that is no longer may hold settings behind its samples.
    let is_long = begun.is_ok_and(|count| count == LONGEST);
    if is_long && !is_packed(&bytes) && !bytes.contains(&0) {
        for length in BEGINNINGS {
            let piece = bytes.get(..length).unwrap_or_default();
            let end = memchr::memrchr(b'\n', piece).map_or(0, |index| index + 1);
            let lines = piece.get(..end).unwrap_or_default();
            if let Ok(content) = from_bytes_with_recipe(lines, fallback, recipe)
                && ends_in_samples(&content, lines)
            {
                return Ok(heads(content));
            }
        }
    }
    from_path_with_recipe(path, fallback, recipe).map(heads)
}

/// Whether the last of the whole lines is a sample of many: what comes before the samples is all
/// there, and they are no table of events in a longer header.
fn ends_in_samples(content: &FileContent, lines: &[u8]) -> bool {
    let count = memchr::memchr_iter(b'\n', lines).count();
    let is_last =
        |trace: &ReadTrace| trace.last_line == count && trace.levels_db.len() >= MORE_THAN_EVENTS;
    !content.traces.is_empty() && content.traces.iter().all(is_last)
}

/// Rows that no table of events in a header has: a link has a few dozen at most.
const MORE_THAN_EVENTS: usize = 64;
