//! Files packed with gzip or xz.

use std::borrow::Cow;
use std::io::Read;

use flate2::read::MultiGzDecoder;
use lzma_rust2::XzReader;

use super::error::{ParseError, ParseErrorKind};
use super::limits::Limits;

/// Head of a gzip member that is deflated (RFC 1952, 2.3.1).
const GZIP: [u8; 3] = [0x1F, 0x8B, 0x08];

/// Head of an xz stream (The .xz File Format 1.2.1, 2.1.1.1; from memory).
const XZ: [u8; 6] = [0xFD, b'7', b'z', b'X', b'Z', 0x00];

/// Most memory that unpacking by xz may ask for: what its strongest preset needs, and half
/// as much again. The head of a file could ask for 4 GB.
const MOST_MEMORY_KB: u32 = 100_000;

/// Whether a file begins as a packed one does.
pub(super) fn is_packed(bytes: &[u8]) -> bool {
    bytes.starts_with(&GZIP) || bytes.starts_with(&XZ)
}

/// The bytes of a file, unpacked where they are packed.
///
/// A small packed file can stand for any amount of text, so that unpacking
/// stops at the limit for plain files.
///
/// # Errors
/// [`ParseErrorKind::BadCompression`] for a damaged file, and that it is too large.
pub(crate) fn unpacked(bytes: &[u8], limits: Limits) -> Result<Cow<'_, [u8]>, ParseError> {
    let reader: Box<dyn Read + '_> = if bytes.starts_with(&GZIP) {
        Box::new(MultiGzDecoder::new(bytes))
    } else if bytes.starts_with(&XZ) {
        Box::new(XzReader::new_mem_limit(bytes, true, MOST_MEMORY_KB))
    } else {
        return Ok(Cow::Borrowed(bytes));
    };
    let mut plain = Vec::new();
    reader
        .take((limits.bytes as u64).saturating_add(1))
        .read_to_end(&mut plain)
        .map_err(|fault| {
            ParseErrorKind::BadCompression {
                found: fault.to_string(),
            }
            .of_file()
        })?;
    limits.check_bytes(plain.len() as u64)?;
    Ok(Cow::Owned(plain))
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use flate2::Compression;
    use flate2::write::GzEncoder;

    use super::*;

    fn by_xz(bytes: &[u8]) -> Vec<u8> {
        let options = lzma_rust2::XzOptions::with_preset(1);
        let mut encoder = lzma_rust2::XzWriter::new(Vec::new(), options).unwrap();
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    fn packed(bytes: &[u8], times: usize) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        for _ in 0..times {
            encoder.write_all(bytes).unwrap();
        }
        encoder.finish().unwrap()
    }

    #[test]
    fn packed_text_is_unpacked_and_plain_text_is_left() {
        let limits = Limits::default();
        assert_eq!(&*unpacked(&packed(b"1,2\n", 1), limits).unwrap(), b"1,2\n");
        assert_eq!(&*unpacked(&by_xz(b"1,2\n"), limits).unwrap(), b"1,2\n");
        assert!(matches!(unpacked(b"1,2\n", limits), Ok(Cow::Borrowed(_))));
    }

    #[test]
    fn a_damaged_file_and_one_that_swells_are_refused() {
        let limits = Limits::default();
        let text = b"some text that is long enough to be cut";
        for mut cut in [packed(text, 1), by_xz(text)] {
            cut.truncate(cut.len() - 12);
            let kind = unpacked(&cut, limits).unwrap_err().kind;
            assert!(
                matches!(kind, ParseErrorKind::BadCompression { .. }),
                "{kind}"
            );
        }
        let (part, times) = (vec![b' '; 1 << 20], (limits.bytes >> 20) + 1);
        // Streams one behind the other are one file.
        for swelling in [packed(&part, times), by_xz(&part).repeat(times)] {
            let kind = unpacked(&swelling, limits).unwrap_err().kind;
            assert!(
                matches!(kind, ParseErrorKind::LimitExceeded { what: "bytes", .. }),
                "{kind}"
            );
        }
    }
}
