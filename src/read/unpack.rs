//! Files packed with gzip.

use std::borrow::Cow;
use std::io::Read;

use flate2::read::MultiGzDecoder;

use super::error::{ParseError, ParseErrorKind};
use super::limits::Limits;

/// Head of a gzip member that is deflated (RFC 1952, 2.3.1).
const HEAD: [u8; 3] = [0x1F, 0x8B, 0x08];

/// The bytes of a file, unpacked where they are packed.
///
/// A small packed file can stand for any amount of text, so that unpacking
/// stops at the limit for plain files.
pub(super) fn unpacked(bytes: &[u8], limits: Limits) -> Result<Cow<'_, [u8]>, ParseError> {
    if !bytes.starts_with(&HEAD) {
        return Ok(Cow::Borrowed(bytes));
    }
    let mut plain = Vec::new();
    MultiGzDecoder::new(bytes)
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

    fn packed(bytes: &[u8], times: usize) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        for _ in 0..times {
            encoder.write_all(bytes).unwrap();
        }
        encoder.finish().unwrap()
    }

    #[test]
    fn packed_text_is_unpacked_and_plain_text_is_left() {
        assert_eq!(
            &*unpacked(&packed(b"1,2\n", 1), Limits::default()).unwrap(),
            b"1,2\n"
        );
        assert!(matches!(
            unpacked(b"1,2\n", Limits::default()),
            Ok(Cow::Borrowed(_))
        ));
    }

    #[test]
    fn a_damaged_file_and_one_that_swells_are_refused() {
        let mut cut = packed(b"some text that is long enough to be cut", 1);
        cut.truncate(cut.len() - 12);
        let kind = unpacked(&cut, Limits::default()).unwrap_err().kind;
        assert!(
            matches!(kind, ParseErrorKind::BadCompression { .. }),
            "{kind}"
        );
        let swelling = packed(&vec![b' '; 1 << 20], (Limits::default().bytes >> 20) + 1);
        let kind = unpacked(&swelling, Limits::default()).unwrap_err().kind;
        assert!(
            matches!(kind, ParseErrorKind::LimitExceeded { what: "bytes", .. }),
            "{kind}"
        );
    }
}
