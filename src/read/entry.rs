//! One line as a key and its value.

use super::dialect::{Separator, split};
use super::keys::is_known_key;

/// Longest key; a longer text before a colon is a sentence.
const LONGEST_KEY: usize = 60;

/// A key and its value on one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) key: String,
    pub(super) value: String,
    /// Byte offset of the value in the line.
    pub(super) value_start: usize,
    /// Columns that the value was put together from.
    pub(super) pieces: usize,
}

/// The text of a line without the marks of a comment.
pub(super) fn uncommented(line: &str) -> &str {
    line.trim_start_matches(|c: char| c.is_whitespace() || matches!(c, '#' | '%' | '!' | '*' | '/'))
}

/// Splits `key: value`, `key = value`, `key;value` and the like.
pub(super) fn entry(line: &str, separator: Separator) -> Option<Entry> {
    let text = uncommented(line).trim_start_matches([';', ' ']);
    let offset = line.len() - text.len();
    let comment = offset > line.len() - line.trim_start().len();
    let assigned = text.find([':', '=']);
    let columned = match separator.char() {
        Some(separator) => text.find([separator, ';', '\t']),
        None => text.find(['\t', ';']).or_else(|| text.find("  ")),
    };
    let at = match (assigned, columned) {
        (Some(assigned), Some(columned)) if !comment && columned < assigned => columned,
        (Some(assigned), _) => assigned,
        (None, Some(columned)) => columned,
        (None, None) => return spaced(line, text),
    };
    let key = text.get(..at)?.trim().trim_matches('"').trim();
    let counted = key.chars().count();
    if counted == 0 || counted > LONGEST_KEY || !key.chars().any(char::is_alphabetic) {
        return None;
    }
    let is_columned = columned == Some(at);
    let mut rest = text.get(at + 1..)?;
    // `key:;value` writes both.
    if !is_columned && let Some(separator) = separator.char() {
        let trimmed = rest.trim_start_matches([' ', '\t']);
        rest = trimmed
            .strip_prefix(separator)
            .filter(|_| !comment)
            .unwrap_or(rest);
    }
    let value_start = line.len() - rest.trim_start().len();
    let (value, pieces) = match separator.char() {
        // `key;value;unit;;`
        Some(char) if !comment && (is_columned || rest.trim_end().ends_with(char)) => {
            let pieces: Vec<String> = split(rest, separator)
                .map(|piece| piece.text.trim().to_owned())
                .filter(|piece| !piece.is_empty())
                .collect();
            (pieces.join(" "), pieces.len())
        }
        _ => (rest.trim().to_owned(), 1),
    };
    let value = match value.strip_prefix('"').and_then(|v| v.strip_suffix('"')) {
        Some(inner) if !comment => inner.trim().to_owned(),
        _ => value,
    };
    Some(Entry {
        key: key.to_owned(),
        value,
        value_start,
        pieces,
    })
}

/// A setting with nothing but a space before its number: `pulse width 50 ns`.
fn spaced(line: &str, text: &str) -> Option<Entry> {
    let number = text.find(|c: char| c.is_ascii_digit() || "+-".contains(c))?;
    let (key, value) = text.split_at_checked(number)?;
    (key.ends_with(' ') && is_known_key(key)).then(|| Entry {
        key: key.trim().to_owned(),
        value: value.trim().to_owned(),
        value_start: line.len() - value.len(),
        pieces: 1,
    })
}
