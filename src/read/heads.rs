//! The settings at the beginning of a file, without its samples.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::unpack::is_packed;
use super::{ReadError, Recipe, from_bytes_with_recipe, from_path_with_recipe};
use crate::trace::Header;

/// Bytes looked at: the longest header that we know of takes a quarter of it.
const BEGINNING: usize = 16 << 10;

/// Reads the settings of a file's traces from its first bytes.
///
/// A file whose beginning cannot be read by itself (packed, of two-byte letters, with a
/// longer header) is read whole. Traces that stand below each other show as the first
/// one alone: whoever reads the file whole must count again.
///
/// # Errors
/// As [`from_path_with_recipe`].
pub fn heads_of_path(
    path: &Path,
    fallback: &Header,
    recipe: &Recipe,
) -> Result<Vec<Header>, ReadError> {
    let heads = |content: super::FileContent| -> Vec<Header> {
        content
            .traces
            .into_iter()
            .map(|trace| trace.header)
            .collect()
    };
    let mut bytes = Vec::with_capacity(BEGINNING);
    let opened =
        File::open(path).and_then(|file| file.take(BEGINNING as u64).read_to_end(&mut bytes));
    let is_packed = is_packed(&bytes);
    if opened.is_ok_and(|count| count == BEGINNING) && !is_packed && !bytes.contains(&0) {
        let end = memchr::memrchr(b'\n', &bytes).map_or(0, |index| index + 1);
        bytes.truncate(end);
        if let Ok(content) = from_bytes_with_recipe(&bytes, fallback, recipe) {
            return Ok(heads(content));
        }
    }
    from_path_with_recipe(path, fallback, recipe).map(heads)
}
