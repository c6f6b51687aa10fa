//! Bytes to text: encodings, padding, and files that are no text at all.

use std::borrow::Cow;
use std::fmt;

use encoding_rs::{Encoding as Codec, UTF_16BE, UTF_16LE, WINDOWS_1252};

use serde::Serialize;

use super::error::{ParseError, ParseErrorKind};

/// How the bytes of a file spell characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Encoding {
    /// UTF-8 or plain ASCII.
    #[serde(rename = "UTF-8")]
    Utf8,
    /// UTF-16, low byte first.
    #[serde(rename = "UTF-16, low byte first")]
    Utf16Le,
    /// UTF-16, high byte first.
    #[serde(rename = "UTF-16, high byte first")]
    Utf16Be,
    /// One byte a character; taken where the bytes are not UTF-8.
    #[serde(rename = "Windows-1252")]
    Windows1252,
}

impl fmt::Display for Encoding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Utf8 => "UTF-8",
            Self::Utf16Le => "UTF-16, low byte first",
            Self::Utf16Be => "UTF-16, high byte first",
            Self::Windows1252 => "Windows-1252",
        })
    }
}

/// Bytes looked at to tell UTF-16 without a mark; a header is shorter.
const SNIFFED: usize = 4096;

/// Decodes a whole file; borrows where it already is UTF-8.
pub(super) fn text_of(bytes: &[u8]) -> Result<(Cow<'_, str>, Encoding), ParseError> {
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => return eight_bit(rest),
        [0xFF, 0xFE, rest @ ..] => return sixteen_bit(rest, UTF_16LE, Encoding::Utf16Le),
        [0xFE, 0xFF, rest @ ..] => return sixteen_bit(rest, UTF_16BE, Encoding::Utf16Be),
        _ => {}
    }
    // Padding would count as zeros of characters.
    let filled = bytes
        .iter()
        .rposition(|b| *b != 0)
        .map_or(0, |last| last + 1);
    let head = bytes.get(..filled.min(SNIFFED)).unwrap_or(bytes);
    let zeros = |odd: usize| {
        head.iter()
            .skip(odd)
            .step_by(2)
            .filter(|&&b| b == 0)
            .count()
    };
    // ASCII in UTF-16 has a zero in every other byte; three in four allows for other
    // letters and the minus of mathematics, as four columns of levels have it.
    let (even, odd, half) = (zeros(0), zeros(1), head.len() / 2);
    if half >= 8 && odd * 4 >= half * 3 && even * 10 < half {
        return sixteen_bit(bytes, UTF_16LE, Encoding::Utf16Le);
    }
    if half >= 8 && even * 4 >= half * 3 && odd * 10 < half {
        return sixteen_bit(bytes, UTF_16BE, Encoding::Utf16Be);
    }
    eight_bit(bytes)
}

fn sixteen_bit<'b>(
    bytes: &'b [u8],
    codec: &'static Codec,
    encoding: Encoding,
) -> Result<(Cow<'b, str>, Encoding), ParseError> {
    let (text, had_faults) = codec.decode_without_bom_handling(bytes);
    // An odd last byte decodes to one replacement character: a cut file, still text.
    let faults = if had_faults {
        text.matches('\u{FFFD}').count()
    } else {
        0
    };
    if faults > 1 || changes_width(bytes) {
        return Err(ParseErrorKind::NotText.of_file());
    }
    let kept = text.trim_end_matches(['\0', '\u{1A}', '\u{FFFD}']).len();
    let text = cut(text, kept);
    refuse_controls(text.as_bytes())?;
    Ok((text, encoding))
}

/// Characters of numbers that follow each other two in one unit before the text
/// counts as changed to one byte a character: no language writes so many such letters.
const NARROW: usize = 64;

/// Whether text of two bytes a character goes on with one byte a character, as where
/// two programs wrote into one file.
fn changes_width(bytes: &[u8]) -> bool {
    let numeric = |b: &u8| b.is_ascii_digit() || b"+-.,;\t\r\n eE".contains(b);
    let mut run = 0;
    bytes.iter().any(|b| {
        run = if numeric(b) { run + 1 } else { 0 };
        run > NARROW
    })
}

fn eight_bit(bytes: &[u8]) -> Result<(Cow<'_, str>, Encoding), ParseError> {
    // Blocks on some memories are padded with NUL, and old systems end text with 0x1A.
    let padding = |b: &u8| matches!(*b, 0 | 0x1A);
    let kept = bytes
        .iter()
        .rposition(|b| !padding(b))
        .map_or(0, |last| last + 1);
    let bytes = bytes.get(..kept).unwrap_or(bytes);
    refuse_controls(bytes)?;
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok((Cow::Borrowed(text), Encoding::Utf8)),
        // The file stops inside its last character.
        Err(fault) if fault.error_len().is_none() && fault.valid_up_to() > 0 => {
            let whole = bytes.get(..fault.valid_up_to()).unwrap_or_default();
            Ok((String::from_utf8_lossy(whole), Encoding::Utf8))
        }
        Err(_) => {
            let (text, _) = WINDOWS_1252.decode_without_bom_handling(bytes);
            Ok((text, Encoding::Windows1252))
        }
    }
}

fn cut(text: Cow<'_, str>, len: usize) -> Cow<'_, str> {
    match text {
        Cow::Borrowed(text) => Cow::Borrowed(text.get(..len).unwrap_or(text)),
        Cow::Owned(mut text) => {
            text.truncate(len);
            Cow::Owned(text)
        }
    }
}

/// Refuses control characters that no text holds.
fn refuse_controls(bytes: &[u8]) -> Result<(), ParseError> {
    // Folded without a branch, so that the compiler takes many bytes at once.
    let control = |b: u8| {
        u8::from(b < 0x20)
            & u8::from(b != b'\t')
            & u8::from(b != b'\n')
            & u8::from(b != b'\r')
            & u8::from(b != 0x0C)
            | u8::from(b == 0x7F)
    };
    let bad = bytes
        .chunks(1024)
        .any(|chunk| chunk.iter().fold(0, |bad, &b| bad | control(b)) != 0);
    if bad {
        return Err(ParseErrorKind::NotText.of_file());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utf16(text: &str, big: bool, mark: bool) -> Vec<u8> {
        let mark = if mark { "\u{FEFF}" } else { "" };
        format!("{mark}{text}")
            .encode_utf16()
            .flat_map(|u| {
                if big {
                    u.to_be_bytes()
                } else {
                    u.to_le_bytes()
                }
            })
            .collect()
    }

    #[test]
    fn reads_utf16_with_and_without_its_mark() {
        for (big, encoding) in [(false, Encoding::Utf16Le), (true, Encoding::Utf16Be)] {
            for mark in [false, true] {
                let bytes = utf16("distance_m,level_db\n0,-1 µ\n", big, mark);
                let (text, found) = text_of(&bytes).unwrap();
                assert_eq!(text, "distance_m,level_db\n0,-1 µ\n");
                assert_eq!(found, encoding);
            }
        }
    }

    #[test]
    fn drops_a_byte_order_mark_and_padding() {
        let (text, _) = text_of(b"\xEF\xBB\xBF1,2\n\0\0\0").unwrap();
        assert_eq!(text, "1,2\n");
    }

    #[test]
    fn takes_one_byte_letters_where_utf8_fails() {
        let (text, encoding) = text_of(b"# fibre: N\xF6rd \xB5s\n1,2\n").unwrap();
        assert_eq!(text, "# fibre: Nörd µs\n1,2\n");
        assert_eq!(encoding, Encoding::Windows1252);
    }

    #[test]
    fn refuses_a_binary_file() {
        let error = text_of(b"\x7FXY\x02\x01\0\0\0abc").unwrap_err();
        assert_eq!(error.kind, ParseErrorKind::NotText);
    }
}
