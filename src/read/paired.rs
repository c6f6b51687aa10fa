//! A header laid out as a table: a row of keys over a row of their values.

use super::dialect::{Separator, split};
use super::entry::{Entry, assignment, uncommented};
use super::keys::plain_key;
use super::lines::Line;
use super::words::{Key, Vocabulary};

/// Longest row that is taken apart, in bytes.
const LONGEST: usize = 4096;

/// The entries of a row of keys and the row of values behind it; `None` where
/// the first line is no such row.
///
/// Half of the cells of the first row, a third where each has a value, and two at
/// least must be known keys, and few of the second.
pub(super) fn paired(
    keys: Line<'_>,
    values: Line<'_>,
    separator: Separator,
    vocabulary: &Vocabulary,
) -> Option<Vec<Entry>> {
    if keys.text.len().max(values.text.len()) > LONGEST || assignment(keys.text).is_some() {
        return None;
    }
    let known = |cell: &String| is_key(cell, vocabulary).is_some();
    [
        separator,
        Separator::Tab,
        Separator::Semicolon,
        Separator::Bar,
        Separator::Comma,
    ]
    .into_iter()
    .map(|separator| {
        let cells = |text| cells(text, |text| by_separator(text, separator));
        (cells(keys.text), cells(values.text))
    })
    .chain([(
        cells(keys.text, by_wide_space),
        cells(values.text, by_wide_space),
    )])
    .find_map(|(names, held)| {
        let count = names.iter().filter(|name| known(name)).count();
        let keys_below = held.iter().filter(|value| known(value)).count();
        // As many values as keys make up for keys that are not known.
        let enough = if held.len() == names.len() { 3 } else { 2 };
        if count < 2
            || enough * count < names.len()
            || 2 * keys_below >= count
            || held.len() > names.len()
            || held.len() < 2
        {
            return None;
        }
        let entries = names.iter().zip(&held).map(|(key, value)| Entry {
            key: key.clone(),
            value: value.clone(),
            value_start: values.text.find(value.as_str()).unwrap_or(0),
            pieces: 1,
        });
        Some(entries.filter(|entry| !entry.key.is_empty()).collect())
    })
}

fn is_key(cell: &str, vocabulary: &Vocabulary) -> Option<Key> {
    if cell.starts_with(|c: char| c.is_ascii_digit()) {
        return None;
    }
    vocabulary.key(&plain_key(cell).0)
}

/// The cells of a row, without empty ones at its end.
fn cells(text: &str, apart: impl Fn(&str) -> Vec<String>) -> Vec<String> {
    let mut cells = apart(uncommented(text).trim());
    while cells.last().is_some_and(String::is_empty) {
        cells.pop();
    }
    cells
}

fn by_separator(text: &str, separator: Separator) -> Vec<String> {
    if separator == Separator::WhiteSpace {
        return Vec::new();
    }
    split(text, separator)
        .map(|piece| piece.text.trim().to_owned())
        .collect()
}

fn by_wide_space(text: &str) -> Vec<String> {
    text.split("  ")
        .map(|cell| cell.trim().to_owned())
        .filter(|cell| !cell.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::lines::lines_from;
    use super::*;

    fn read(text: &str, separator: Separator) -> Option<Vec<(String, String)>> {
        let lines: Vec<Line<'_>> = lines_from(text, 0, 1).collect();
        let entries = paired(lines[0], lines[1], separator, &Vocabulary::default())?;
        Some(
            entries
                .into_iter()
                .map(|entry| (entry.key, entry.value))
                .collect(),
        )
    }

    #[test]
    fn a_row_of_keys_names_the_values_below_it() {
        let wanted = [
            ("Wavelength (nm)", "1550"),
            ("Gain", "high"),
            ("Pulse width (ns)", "100"),
        ];
        let wanted = wanted.map(|(key, value)| (key.to_owned(), value.to_owned()));
        for (text, separator) in [
            (
                "Wavelength (nm),Gain,Pulse width (ns)\n1550,high,100",
                Separator::Comma,
            ),
            (
                "# Wavelength (nm);Gain;Pulse width (ns);\n# 1550;high;100;",
                Separator::Tab,
            ),
            (
                "Wavelength (nm)   Gain   Pulse width (ns)\n1550              high   100",
                Separator::WhiteSpace,
            ),
        ] {
            assert_eq!(
                read(text, separator).as_deref(),
                Some(wanted.as_slice()),
                "{text}"
            );
        }
    }

    #[test]
    fn keys_beside_their_values_are_no_such_rows() {
        for text in [
            "Wavelength;1550 nm\nPulse width;100 ns",
            "From;Harrow Lane;To;Mill Bridge\nCable;HL-204;Fibre;017",
            "Wavelength;Pulse width;From\nWavelength;Pulse width;From",
        ] {
            assert_eq!(read(text, Separator::Semicolon), None, "{text}");
        }
    }
}
