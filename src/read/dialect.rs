//! How a row of text splits into fields.

use std::borrow::Cow;
use std::fmt;

use serde::{Deserialize, Serialize};

use super::number::NumberStyle;

/// What stands between two columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Separator {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tab.
    Tab,
    /// `|`
    Bar,
    /// Any run of spaces and tabs.
    #[serde(rename = "white space")]
    WhiteSpace,
}

impl Separator {
    /// The separating character, unless it is any white space.
    pub(super) const fn char(self) -> Option<char> {
        match self {
            Self::Comma => Some(','),
            Self::Semicolon => Some(';'),
            Self::Tab => Some('\t'),
            Self::Bar => Some('|'),
            Self::WhiteSpace => None,
        }
    }
}

impl fmt::Display for Separator {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
            Self::Tab => "tab",
            Self::Bar => "bar",
            Self::WhiteSpace => "white space",
        })
    }
}

/// How the rows of a file are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
pub struct Dialect {
    /// Between columns.
    pub separator: Separator,
    /// Inside numbers.
    pub numbers: NumberStyle,
}

/// One field: its text without quotes, and where it starts in the row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Piece<'t> {
    pub(super) text: Cow<'t, str>,
    pub(super) start: usize,
}

/// Splits a row into fields; a field in double quotes may hold the separator,
/// and a doubled quote in it stands for one.
pub(super) fn split(row: &str, separator: Separator) -> Pieces<'_> {
    // A table drawn with bars has one before the first column.
    let start = match separator {
        Separator::Bar => row.len() - row.trim_start().trim_start_matches('|').len(),
        _ => 0,
    };
    Pieces {
        row,
        at: Some(start),
        separator,
    }
}

/// Iterator over the fields of a row.
#[derive(Debug, Clone)]
pub(super) struct Pieces<'t> {
    row: &'t str,
    at: Option<usize>,
    separator: Separator,
}

impl<'t> Iterator for Pieces<'t> {
    type Item = Piece<'t>;

    fn next(&mut self) -> Option<Piece<'t>> {
        let from = self.at?;
        let rest = self.row.get(from..)?;
        let spaces = rest.len() - rest.trim_start_matches(self.padding()).len();
        let start = from + spaces;
        let field = rest.get(spaces..)?;
        if self.separator.char().is_none() && field.is_empty() {
            self.at = None;
            return None;
        }
        if let Some((text, len)) = quoted(field) {
            let after = field.get(len..)?;
            let tail = after.trim_start_matches(self.padding());
            let ends = match self.separator.char() {
                Some(separator) => tail.is_empty() || tail.starts_with(separator),
                None => tail.len() < after.len() || after.is_empty(),
            };
            if ends {
                let tail_start = self.row.len() - tail.len();
                self.at = match self.separator.char() {
                    Some(_) if tail.is_empty() => None,
                    Some(separator) => Some(tail_start + separator.len_utf8()),
                    None => Some(tail_start),
                };
                return Some(Piece { text, start });
            }
        }
        let end = match self.separator.char() {
            Some(separator) => field.find(separator),
            None => field.find([' ', '\t']),
        };
        self.at = end.map(|end| start + end + 1);
        let text = field.get(..end.unwrap_or(field.len()))?;
        Some(Piece {
            text: Cow::Borrowed(text.trim_end_matches(self.padding())),
            start,
        })
    }
}

impl Pieces<'_> {
    const fn padding(&self) -> &'static [char] {
        match self.separator {
            Separator::Tab => &[' '],
            _ => &[' ', '\t'],
        }
    }
}

/// The text inside leading double quotes and the length with the quotes; single
/// quotes do as well, but hold no quote.
fn quoted(field: &str) -> Option<(Cow<'_, str>, usize)> {
    if let Some(inner) = field.strip_prefix('\'') {
        let close = inner.find('\'')?;
        return Some((Cow::Borrowed(inner.get(..close)?), close + 2));
    }
    let inner = field.strip_prefix('"')?;
    let mut from = 0;
    loop {
        let quote = from + inner.get(from..)?.find('"')?;
        if inner
            .get(quote + 1..)
            .is_some_and(|after| after.starts_with('"'))
        {
            from = quote + 2;
            continue;
        }
        let text = inner.get(..quote)?;
        let text = if from == 0 {
            Cow::Borrowed(text)
        } else {
            Cow::Owned(text.replace("\"\"", "\""))
        };
        return Some((text, quote + 2));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(row: &str, separator: Separator) -> Vec<(String, usize)> {
        split(row, separator)
            .map(|p| (p.text.into_owned(), p.start))
            .collect()
    }

    fn owned(pieces: &[(&str, usize)]) -> Vec<(String, usize)> {
        pieces
            .iter()
            .map(|&(text, start)| (text.to_owned(), start))
            .collect()
    }

    #[test]
    fn keeps_empty_fields_and_their_places() {
        assert_eq!(
            texts("1.0, 2", Separator::Comma),
            owned(&[("1.0", 0), ("2", 5)])
        );
        assert_eq!(
            texts("1.0,", Separator::Comma),
            owned(&[("1.0", 0), ("", 4)])
        );
        assert_eq!(texts("", Separator::Comma), owned(&[("", 0)]));
        assert_eq!(
            texts("\t\t", Separator::Tab),
            owned(&[("", 0), ("", 1), ("", 2)])
        );
    }

    #[test]
    fn white_space_runs_are_one_separator() {
        let found = texts("  1.0 \t -2  ", Separator::WhiteSpace);
        assert_eq!(found, owned(&[("1.0", 2), ("-2", 8)]));
    }

    #[test]
    fn quotes_hide_the_separator() {
        let found = texts("\"0,5\",\"a \"\"b\"\"\" , 3", Separator::Comma);
        assert_eq!(found, owned(&[("0,5", 0), ("a \"b\"", 6), ("3", 18)]));
    }

    #[test]
    fn a_quote_that_never_closes_is_a_letter() {
        assert_eq!(
            texts("\"1,2", Separator::Comma),
            owned(&[("\"1", 0), ("2", 3)])
        );
    }
}
