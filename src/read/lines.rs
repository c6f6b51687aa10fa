//! Lines of a text, whichever way they end.

use memchr::memchr2;

/// One line without its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line<'t> {
    /// Counted from 1.
    pub(super) number: usize,
    /// Byte offset in the text.
    pub(super) start: usize,
    pub(super) text: &'t str,
    /// Whether a line end follows (false only of a last line without one).
    pub(super) ended: bool,
}

/// Lines from a byte offset on; `\n`, `\r\n` and `\r` each end one.
#[derive(Debug, Clone)]
pub(super) struct Lines<'t> {
    text: &'t str,
    at: usize,
    number: usize,
}

/// Line and character of a byte in a text, both counted from 1; for texts whose lines end
/// in `\n`, as in the files that the program itself defines.
pub(crate) fn line_and_column(text: &str, byte: usize) -> (usize, usize) {
    let before = text.get(..byte).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let in_line = before.rsplit('\n').next().unwrap_or(before);
    (line, in_line.chars().count() + 1)
}

/// Lines of `text` from the line start `at`, which has the number `number`.
pub(super) fn lines_from(text: &str, at: usize, number: usize) -> Lines<'_> {
    Lines { text, at, number }
}

impl<'t> Iterator for Lines<'t> {
    type Item = Line<'t>;

    fn next(&mut self) -> Option<Line<'t>> {
        let rest = self.text.get(self.at..).filter(|rest| !rest.is_empty())?;
        let bytes = rest.as_bytes();
        let end = memchr2(b'\n', b'\r', bytes);
        let len = end.unwrap_or(bytes.len());
        let end_len = match end.map(|end| (bytes.get(end), bytes.get(end + 1))) {
            None => 0,
            Some((Some(b'\r'), Some(b'\n'))) => 2,
            Some(_) => 1,
        };
        let line = Line {
            number: self.number,
            start: self.at,
            text: rest.get(..len)?,
            ended: end.is_some(),
        };
        self.at += len + end_len;
        self.number += 1;
        Some(line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_line_end_counts_once() {
        let found: Vec<_> = lines_from("a\nb\r\nc\rd", 0, 1)
            .map(|l| (l.number, l.start, l.text, l.ended))
            .collect();
        assert_eq!(
            found,
            [
                (1, 0, "a", true),
                (2, 2, "b", true),
                (3, 5, "c", true),
                (4, 7, "d", false)
            ]
        );
    }

    #[test]
    fn empty_lines_are_lines_and_an_empty_text_has_none() {
        assert_eq!(lines_from("\n\r\n", 0, 1).count(), 2);
        assert_eq!(lines_from("", 0, 1).count(), 0);
    }
}
