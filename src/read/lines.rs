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

/// Lines that one quoted field may go on over.
const MOST_TOGETHER: usize = 8;
/// Longest line, in bytes, that is looked at for a field that goes on.
const LONGEST_TOGETHER: usize = 1 << 14;

/// The lines, of which those that a quoted field goes on over are one, as in
/// spreadsheets that write `"Level⏎(dB)"`.
pub(super) fn quoted_together<'t>(text: &'t str, lines: &[Line<'t>]) -> Vec<Line<'t>> {
    let mut joined = Vec::with_capacity(lines.len());
    let mut rest = lines;
    while let [line, after @ ..] = rest {
        let whole = |last: &Line<'t>| Line {
            text: text
                .get(line.start..last.start + last.text.len())
                .unwrap_or(line.text),
            ended: last.ended,
            ..*line
        };
        // A comment ends with its line.
        let is_comment = line.text.trim_start().starts_with(['#', '%', '!']);
        let goes_on = !is_comment && line.text.len() <= LONGEST_TOGETHER && is_open(line.text);
        let more = after.iter().take(MOST_TOGETHER).filter(|_| goes_on);
        let closed = more
            .map(whole)
            .position(|whole| whole.text.len() <= LONGEST_TOGETHER && !is_open(whole.text));
        let whole = closed
            .and_then(|at| Some((whole(after.get(at)?), after.get(at + 1..)?)))
            .unwrap_or((*line, after));
        joined.push(whole.0);
        rest = whole.1;
    }
    joined
}

/// Whether a text ends inside a field that began with a quote.
fn is_open(text: &str) -> bool {
    let (mut open, mut at_start, mut before_close) = (false, true, false);
    for c in text.chars() {
        let parts = matches!(c, ',' | ';' | '\t' | '|');
        match (open, c) {
            (false, '"') if at_start => (open, before_close) = (true, false),
            // A quote that ends no field stands for itself, as of two.
            (true, _) if before_close && parts => open = false,
            (true, '"') => before_close = !before_close,
            (true, _) => before_close &= c == ' ',
            _ => {}
        }
        at_start = !open && (parts || at_start && c.is_whitespace());
    }
    open && !before_close
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quoted_field_goes_on_over_lines_and_a_stray_quote_does_not() {
        let together = |text: &str| -> Vec<(usize, String)> {
            let lines: Vec<Line<'_>> = lines_from(text, 0, 1).collect();
            let joined = quoted_together(text, &lines);
            joined
                .iter()
                .map(|line| (line.number, line.text.to_owned()))
                .collect()
        };
        let titles = "a;b\n\"Distance\n(m)\";\"Level\n(dB)\"\nc";
        let wanted = [
            (1, "a;b"),
            (2, "\"Distance\n(m)\";\"Level\n(dB)\""),
            (5, "c"),
        ];
        let owned = |lines: &[(usize, &str)]| -> Vec<(usize, String)> {
            lines
                .iter()
                .map(|(n, text)| (*n, (*text).to_owned()))
                .collect()
        };
        assert_eq!(together(titles), owned(&wanted));
        for text in [
            "Duct: 4\"\nSleeve: 2\"",
            "# to: 0,\"0\n# measured: 5\"|a",
            "\"never\nclosed",
            "\"a\",\"b\"\n\"c \"\"d\"\"\"\ne",
        ] {
            assert_eq!(together(text).len(), text.lines().count(), "{text}");
        }
    }

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
