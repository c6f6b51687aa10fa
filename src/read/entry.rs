//! One line as a key and its value.

use super::dialect::{Separator, split};
use super::keys::{is_key_unit, plain_key};
use super::lists::numbered;
use super::settings::is_text;
use super::words::{Key, Known, Vocabulary};

/// Longest key; a longer text before a colon is a sentence.
const LONGEST_KEY: usize = 60;

/// Longest line, in bytes, that is taken apart into several columns or settings.
const LONGEST_APART: usize = 4096;

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

/// The text of a line without the marks of a comment or of a list.
pub(super) fn uncommented(line: &str) -> &str {
    let text = line.trim_start_matches(|c: char| {
        c.is_whitespace()
            || matches!(
                c,
                '#' | '%' | '!' | '*' | '/' | ';' | '>' | '@' | '$' | '&' | '•' | '·'
            )
    });
    let word = ["--", "- ", "' ", "REM ", "rem ", "Rem "]
        .iter()
        .find_map(|mark| text.strip_prefix(mark))
        .filter(|after| after.starts_with(|c: char| " \"".contains(c) || c.is_alphabetic()));
    word.map_or(text, str::trim_start)
}

/// The marks before the text of a comment.
pub(super) fn comment_mark(line: &str) -> &str {
    let marks = line.len() - uncommented(line).len();
    line.get(..marks).unwrap_or_default().trim()
}

/// The part of a line inside the marks around it: `{pulse = 100 ns}`,
/// `[Pulse: 100 ns]`, cells left empty before the key, and the comma behind an
/// entry of a JSON object.
fn unwrapped(line: &str) -> &str {
    let text = line.trim();
    let text = text.trim_start_matches([',', '|']).trim_start();
    let inner = [('{', '}'), ('[', ']'), ('<', '>')]
        .into_iter()
        .find_map(|(open, close)| text.strip_prefix(open)?.strip_suffix(close))
        .filter(|inner| assignment(inner).is_some());
    let text = inner.unwrap_or(text).trim();
    let quoted_key = text.starts_with('"')
        && text
            .get(quoted_len(text)..)
            .is_some_and(|rest| rest.trim_start().starts_with(':'));
    if quoted_key {
        text.trim_end_matches(',')
    } else {
        text
    }
}

/// Every key and value of a line; several only where each key is known:
/// `Wavelength=1550nm;Pulse=100ns` or `From;Harrow Lane;To;Mill Bridge`.
pub(super) fn entries(line: &str, separator: Separator, vocabulary: &Vocabulary) -> Vec<Entry> {
    let inner = unwrapped(line);
    let mut found = several(inner, separator, vocabulary)
        .unwrap_or_else(|| entry(inner, separator, vocabulary).into_iter().collect());
    let before = line.find(inner).unwrap_or(0);
    for entry in &mut found {
        entry.value_start += before;
    }
    found
}

fn several(line: &str, separator: Separator, vocabulary: &Vocabulary) -> Option<Vec<Entry>> {
    if line.len() > LONGEST_APART {
        return None;
    }
    let text = uncommented(line);
    let value = assignment(text).and_then(|mark| text.get(mark.at + mark.len..));
    if value.is_some_and(|value| unquoted(value.trim()).is_some()) {
        return None;
    }
    let known = |key: &str| {
        let words = plain_key(key.trim_matches('"')).0;
        let in_list = || numbered(&words, vocabulary);
        let of_list = || in_list().map(|(known, _)| Key { known, sure: true });
        vocabulary.key(&words).or_else(of_list)
    };
    let (mark, found) = ["\t", ";", "|", ", ", ",", "  "]
        .into_iter()
        .find_map(|mark| {
            let pieces: Vec<&str> = text
                .split(mark)
                .map(str::trim)
                .filter(|piece| !piece.is_empty())
                .collect();
            // Other keys may stand among those that are known.
            let assigned = || {
                let key = |piece: &&str| {
                    let mark = assignment(piece)?;
                    let value = piece.get(mark.at + mark.len..)?.trim();
                    let key = piece.get(..mark.at)?.trim();
                    let named = key.starts_with(|c: char| c.is_alphabetic() || "\"[<".contains(c));
                    (named && !value.is_empty()).then(|| known(key))
                };
                let keys: Vec<Option<Key>> = pieces.iter().map(key).collect::<Option<_>>()?;
                let count = keys.iter().flatten().count();
                let taken = pieces
                    .iter()
                    .map(|piece| entry(piece, separator, vocabulary));
                (count > 1 || 2 * count >= keys.len() || count > 0 && keys.len() > 2)
                    .then(|| taken.collect::<Option<Vec<Entry>>>())?
            };
            let in_turn = || {
                if pieces.len() < 4 || !pieces.len().is_multiple_of(2) {
                    return None;
                }
                let taken = pieces.chunks_exact(2).map(|pair| match pair {
                    [key, value] => known(key).map(|_| Entry {
                        key: key.trim_matches('"').to_owned(),
                        value: value.trim_matches('"').to_owned(),
                        value_start: 0,
                        pieces: 1,
                    }),
                    _ => None,
                });
                taken.collect()
            };
            if pieces.len() < 2 {
                None
            } else {
                let found = assigned().or_else(in_turn)?;
                Some((mark, found))
            }
        })?;
    // In the plain trace text a value may go on with words that mean nothing.
    let meanings: Vec<_> = found.iter().filter_map(|entry| known(&entry.key)).collect();
    let numbers = found.iter().any(|entry| {
        let key = known(&entry.key).filter(|key| key.sure);
        key.is_some_and(|key| !is_text(key.known))
            && entry
                .value
                .starts_with(|c: char| c.is_ascii_digit() || "+-".contains(c))
    });
    let many = found.len() > 2 && meanings.len() > 1;
    let all = meanings.len() == found.len() && meanings.iter().all(|key| key.sure);
    // Tabs, bars and wide spaces are no part of a sentence.
    let punctuation = matches!(mark, ";" | ", " | ",");
    if line.trim_start().starts_with('#') && punctuation && !numbers && !many && !all {
        return None;
    }
    // A note may say `; to: somewhere`, as other text may not.
    let first = found.first().and_then(|entry| known(&entry.key));
    let is_note = first.is_some_and(|key| key.known == Known::Note);
    if is_note && punctuation && !numbers {
        return None;
    }
    let places = found
        .iter()
        .map(|entry| line.find(&entry.value).unwrap_or(0))
        .collect::<Vec<_>>();
    let placed = found
        .into_iter()
        .zip(places)
        .map(|(entry, value_start)| Entry {
            value_start,
            ..entry
        });
    Some(placed.collect())
}

/// The key of a setting in the value of a note: `rain; to: Mill Bridge`.
pub(super) fn setting_in_note(entry: &Entry, vocabulary: &Vocabulary) -> Option<String> {
    let sure = |key: &str| vocabulary.key(&plain_key(key).0).filter(|key| key.sure);
    if sure(&entry.key)?.known != Known::Note || entry.value.len() > LONGEST_APART {
        return None;
    }
    entry.value.split([';', ',']).skip(1).find_map(|piece| {
        let key = piece.get(..assignment(piece)?.at)?.trim();
        sure(key).map(|_| key.to_owned())
    })
}

/// Splits `key: value`, `key = value`, `key;value` and the like.
pub(super) fn entry(line: &str, separator: Separator, vocabulary: &Vocabulary) -> Option<Entry> {
    // A whole line in quotes: `"# fibre: 017"`.
    let inner = line
        .trim()
        .strip_prefix('"')
        .and_then(|l| l.strip_suffix('"'));
    if let Some(inner) = inner.filter(|inner| !inner.contains('"') && inner.contains([':', '='])) {
        return entry(inner, separator, vocabulary).map(|entry| Entry {
            value_start: line.len() - line.trim_start().len() + 1 + entry.value_start,
            ..entry
        });
    }
    let text = uncommented(line);
    let offset = line.len() - text.len();
    let comment = offset > line.len() - line.trim_start().len();
    let is_known = |key: &str| {
        let words = plain_key(key.trim_matches('"')).0;
        vocabulary.key(&words).is_some() || numbered(&words, vocabulary).is_some()
    };
    if let Some((key, value)) = keyed_by_bracket(text).filter(|(key, _)| is_known(key)) {
        return Some(Entry {
            key: key.to_owned(),
            value: value.to_owned(),
            value_start: line.len() - value.len(),
            pieces: 1,
        });
    }
    let mark = assignment(text);
    let assigned = mark.map(|mark| mark.at);
    // A key in quotes may hold the separator: `"Pulse width, ns",500`.
    let from = quoted_len(text);
    let after = text.get(from..)?;
    let columned = match separator.char() {
        Some(separator) => after.find([separator, ';', '\t']),
        None => after.find(['\t', ';']).or_else(|| after.find("  ")),
    }
    .or_else(|| after.find(" ..."))
    .map(|at| from + at);
    let known_until = |at: usize| text.get(..at).is_some_and(is_known);
    // `Wavelength.........1550 nm`, `Wavelength      1550 nm`
    let led = ["...", "  ", "\t", "|", ";"]
        .iter()
        .filter_map(|leader| after.find(leader).map(|at| from + at))
        .find(|at| known_until(*at));
    let columned = match (led, columned) {
        (Some(led), Some(columned)) if columned < led && known_until(columned) => Some(columned),
        (Some(led), _) => Some(led),
        (None, columned) => columned,
    };
    // A file of levels alone shows no separator; its header may have one.
    let columned = columned.or_else(|| {
        let comma = after.find([',', '|']).map(|at| from + at);
        comma.filter(|at| known_until(*at))
    });
    // `Pulse width, ns = 500` and `Pulse width;ns;500`
    let columned = columned.and_then(|at| {
        let rest = text.get(at + 1..)?;
        let end = rest.find([':', '=', ';', ',', '\t', '|']);
        match end.filter(|end| {
            let is_last = rest
                .get(*end + 1..)
                .is_none_or(|value| value.trim_matches([' ', ';', ',', '\t', '|']).is_empty());
            let unit = rest.get(..*end);
            !is_last && unit.is_some_and(|unit| is_key_unit(unit.trim()))
        }) {
            Some(end) if assigned == Some(at + 1 + end) => None,
            Some(end) => Some(at + 1 + end),
            None => Some(at),
        }
    });
    let at = match (assigned, columned) {
        // In a comment a comma or semicolon is text, unless what stands before it is a known key:
        // `# Date;14.03.2026 10:22`.
        (Some(assigned), Some(columned))
            if columned < assigned
                && (!comment || known_until(columned))
                // `Wavelength, nominal: 1550 nm`
                && !known_until(assigned) =>
        {
            columned
        }
        (Some(assigned), _) => assigned,
        (None, Some(columned)) => columned,
        (None, None) => return spaced(line, text, is_known),
    };
    let key = text.get(..at)?.trim().trim_matches('"').trim();
    // `Pulse width.....: 100 ns`
    let key = match key.trim_end_matches('.') {
        undotted if key.len() > undotted.len() + 2 => undotted.trim_end(),
        _ => key,
    };
    let counted = key.chars().count();
    if counted == 0 || counted > LONGEST_KEY || !key.chars().any(char::is_alphabetic) {
        return None;
    }
    let is_columned = columned == Some(at);
    let marked = if is_columned {
        1
    } else {
        mark.map_or(1, |mark| mark.len)
    };
    let mut rest = text.get(at + marked..)?;
    if rest.starts_with("..") {
        rest = rest.trim_start_matches('.');
    }
    // `Pulse width......: 100 ns`, `Pulse width     = 100 ns`
    if is_columned {
        let led = rest.trim_start();
        rest = led.strip_prefix([':', '=']).unwrap_or(rest);
    }
    // `key:;value` writes both.
    if !is_columned && let Some(separator) = separator.char() {
        let trimmed = rest.trim_start_matches([' ', '\t']);
        rest = trimmed
            .strip_prefix(separator)
            .filter(|_| !comment)
            .unwrap_or(rest);
    }
    let value_start = line.len() - rest.trim_start().len();
    let mut value = (rest.trim().to_owned(), 1);
    if is_columned {
        let found = text.get(at..)?.chars().next();
        let separator = [
            Separator::Comma,
            Separator::Semicolon,
            Separator::Tab,
            Separator::Bar,
        ]
        .into_iter()
        .find(|separator| separator.char() == found);
        if let Some(separator) = separator {
            value = joined(rest, separator, comment);
        }
    } else if let Some(char) = separator.char()
        && !comment
        && rest.trim_end().ends_with(char)
    {
        value = joined(rest, separator, comment);
    }
    let (mut value, pieces) = value;
    if let Some(inner) = unquoted(&value) {
        inner.trim().clone_into(&mut value);
    } else if !comment || is_columned {
        let inner = value.strip_prefix('"').and_then(|v| v.strip_suffix('"'));
        if let Some(inner) = inner.map(|inner| inner.trim().to_owned()) {
            value = inner;
        }
    }
    Some(Entry {
        key: key.to_owned(),
        value,
        value_start,
        pieces,
    })
}

/// The text of a value that is wholly in quotes; those in it are doubled.
fn unquoted(value: &str) -> Option<String> {
    let inner = value.strip_prefix('"')?.strip_suffix('"')?;
    let whole = !inner.replace("\"\"", "").contains('"');
    whole.then(|| inner.replace("\"\"", "\""))
}

/// The mark between a key and its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Mark {
    /// Byte offset in the text.
    pub(super) at: usize,
    /// Bytes of the mark.
    pub(super) len: usize,
}

/// The first colon, equals sign or arrow outside of brackets and of a quoted
/// key: `Averaging time (mm:ss): 3:20`, `pulse -> 100 ns`.
pub(super) fn assignment(text: &str) -> Option<Mark> {
    const MARKS: [&str; 7] = [":=", "=>", "->", "\u{2192}", "==", ":", "="];
    let mut depth = 0_usize;
    let key = quoted_len(text);
    text.char_indices().find_map(|(at, c)| {
        match c {
            '(' | '[' => depth += 1,
            ')' | ']' => depth = depth.saturating_sub(1),
            ':' | '=' | '-' | '\u{2192}' => {}
            _ => return None,
        }
        if depth > 0 || at < key {
            return None;
        }
        let rest = text.get(at..)?;
        let mark = MARKS.iter().find(|mark| rest.starts_with(**mark))?;
        Some(Mark {
            at,
            len: mark.len(),
        })
    })
}

/// Key and value of `[Pulse width] 100 ns` or `<Pulse width> 100 ns`.
fn keyed_by_bracket(text: &str) -> Option<(&str, &str)> {
    let (key, value) = [('[', ']'), ('<', '>')]
        .into_iter()
        .find_map(|(open, close)| text.strip_prefix(open)?.split_once(close))?;
    let value = value.trim_start_matches([' ', '\t', ':', '=', ',', ';']);
    (!value.is_empty()).then_some((key.trim(), value))
}

/// Bytes of a quoted field at the start of a text.
fn quoted_len(text: &str) -> usize {
    let close = text.strip_prefix('"').and_then(|rest| rest.find('"'));
    close.map_or(0, |close| close + 2)
}

/// The columns behind a key as one value, and how many they are: `value;unit;;`,
/// `unit;value`, or else the text as it stands.
fn joined(rest: &str, separator: Separator, comment: bool) -> (String, usize) {
    if rest.len() > LONGEST_APART {
        return (rest.trim().to_owned(), 1);
    }
    let pieces: Vec<String> = split(rest, separator)
        .map(|piece| piece.text.trim().to_owned())
        .filter(|piece| !piece.is_empty())
        .collect();
    let is_number =
        |text: &str| text.starts_with(|c: char| c.is_ascii_digit() || "+-.\u{2212}".contains(c));
    let is_unit = |text: &str| {
        text.len() < 9
            && text
                .chars()
                .all(|c| c.is_alphabetic() || "()[]/%".contains(c))
    };
    let value = match pieces.as_slice() {
        [one] => one.clone(),
        [number, unit] | [unit, number] if is_number(number) && is_unit(unit) => {
            format!("{number} {unit}")
        }
        _ if comment || separator == Separator::Comma => rest
            .trim()
            .trim_end_matches([',', ';', '\t', ' '])
            .to_owned(),
        _ => pieces.join(" "),
    };
    (value, pieces.len())
}

/// A setting with nothing but a space before its number: `pulse width 50 ns`.
fn spaced(line: &str, text: &str, is_known: impl Fn(&str) -> bool) -> Option<Entry> {
    let number = text.find(|c: char| c.is_ascii_digit() || "+-".contains(c))?;
    let (key, value) = text.split_at_checked(number)?;
    (key.ends_with(' ') && is_known(key)).then(|| Entry {
        key: key.trim().to_owned(),
        value: value.trim().to_owned(),
        value_start: line.len() - value.len(),
        pieces: 1,
    })
}
