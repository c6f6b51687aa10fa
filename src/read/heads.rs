//! The settings at the beginning of a file, without its samples.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::unpack::is_packed;
use super::{FileContent, ReadError, Recipe, from_bytes_with_recipe, from_path_with_recipe};
use crate::trace::Header;

/// Bytes looked at: most headers leave half of the first number to the samples; the longest
/// that we know of takes a quarter of the second.
const BEGINNINGS: [usize; 2] = [4 << 10, 16 << 10];

/// Reads the settings of a file's traces from its first bytes.
///
/// A file whose beginning cannot be read by itself (packed, of two-byte letters, with a
/// longer header), or does not end in samples, is read whole. Traces that stand below each
/// other show as the first one alone: whoever reads the file whole must count again.
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
    if let Ok(mut file) = File::open(path) {
        let mut bytes = Vec::with_capacity(BEGINNINGS[1]);
        for length in BEGINNINGS {
            let more = (length - bytes.len()) as u64;
            let is_cut =
                (&mut file).take(more).read_to_end(&mut bytes).is_ok() && bytes.len() == length;
            if !is_cut || is_packed(&bytes) || bytes.contains(&0) {
                break;
            }
            let end = memchr::memrchr(b'\n', &bytes).map_or(0, |index| index + 1);
            let lines = bytes.get(..end).unwrap_or_default();
            if let Ok(content) = from_bytes_with_recipe(lines, fallback, recipe)
                && ends_in_samples(&content, lines)
            {
                return Ok(heads(content));
            }
        }
    }
    from_path_with_recipe(path, fallback, recipe).map(heads)
}

/// Whether the last of the whole lines is a sample: what comes before the samples is all there.
fn ends_in_samples(content: &FileContent, lines: &[u8]) -> bool {
    let count = memchr::memchr_iter(b'\n', lines).count();
    content.traces.iter().all(|trace| trace.last_line == count)
}
