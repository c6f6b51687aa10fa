//! How much of a file is read, so that no file takes the memory of the machine.

use serde::Deserialize;

use super::error::{ParseError, ParseErrorKind};

/// Most bytes read from one file.
///
/// The greatest number of samples in the widest form we know of, 64 bytes a
/// row, fits.
pub const MOST_BYTES: usize = 256 << 20;

/// Most samples read from one file.
///
/// Ten times the longest record we know a use for; one sample takes 16 bytes
/// and more while it is measured.
pub const MOST_SAMPLES: usize = 4_000_000;

/// Limits of one file; a recipe may raise or lower them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Most bytes of a file, also after unpacking.
    pub bytes: usize,
    /// Most samples of a column.
    pub samples: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            bytes: MOST_BYTES,
            samples: MOST_SAMPLES,
        }
    }
}

/// Memory that may be taken for each byte of text beside the text, and beyond that.
const MEMORY: (usize, usize) = (3, 6 << 20);

impl Limits {
    /// Most samples of a text of so many bytes with so many columns of levels: a
    /// level takes 16 bytes with its distance, which for rows such as `-1` is more
    /// than a file may take.
    pub(super) fn samples_of(self, bytes: usize, columns: usize) -> usize {
        let room = bytes.saturating_mul(MEMORY.0).saturating_add(MEMORY.1);
        self.samples.min(room / (16 * columns.max(1)))
    }

    /// Refuses more bytes than the limit.
    pub(super) fn check_bytes(self, found: u64) -> Result<(), ParseError> {
        let limit = self.bytes as u64;
        if found <= limit {
            return Ok(());
        }
        let what = "bytes";
        Err(ParseErrorKind::LimitExceeded { what, found, limit }.of_file())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_limited_by_what_they_would_take_for_their_bytes() {
        // 16 bytes for each of 20 are less than three times as many.
        assert_eq!(Limits::default().samples_of(20 << 22, 1), MOST_SAMPLES);
        // (3 · 4 MiB + 6 MiB)/16 = 18 · 65,536
        assert_eq!(Limits::default().samples_of(4 << 20, 1), 18 << 16);
        assert_eq!(Limits::default().samples_of(4 << 20, 2), 9 << 16);
        assert_eq!(
            Limits {
                bytes: 1,
                samples: 3
            }
            .samples_of(1 << 20, 1),
            3
        );
    }
}
