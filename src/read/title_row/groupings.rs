//! Titles grouped from words and pieces, where no one separator parts them all.

use super::super::dialect::Separator;
use super::super::entry::{Mark, assignment};
use super::super::keys::plain_key;
use super::super::titles::{Meaning, meaning};
use super::super::words::{Quantity, Vocabulary};
use super::is_unit;

/// The first word, where it is the title of a count, and pieces of the others: `No.
/// Place (m) Level (dB)`.
pub(super) fn behind_a_count(line: &str, vocabulary: &Vocabulary) -> Vec<Vec<String>> {
    let Some((first, rest)) = line.trim().split_once(char::is_whitespace) else {
        return Vec::new();
    };
    if meaning(first, vocabulary).quantity != Some(Quantity::Index) {
        return Vec::new();
    }
    [wide_spaced(rest), bracketed(rest), ended_by_units(rest)]
        .into_iter()
        .map(|pieces| [first.to_owned()].into_iter().chain(pieces).collect())
        .collect()
}

/// Titles written as an assignment: `Columns: distance_m, level_db`, or a unit for
/// each axis, `x: m, y: dB`.
pub(super) fn assigned_titles(
    text: &str,
    mark: Mark,
    separator: Separator,
    columns: usize,
    vocabulary: &Vocabulary,
) -> Option<Vec<String>> {
    let apart = |text: &str| -> Vec<Vec<String>> {
        let by = |mark: &str| {
            let pieces = text.split(mark).map(|piece| piece.trim().to_owned());
            pieces.filter(|piece| !piece.is_empty()).collect()
        };
        let own = separator.char().map(|c| by(&c.to_string()));
        let others = [", ", ";", "\t", "|", ",", "  "].into_iter().map(by);
        own.into_iter().chain(others).collect()
    };
    let quantities = |pieces: &Vec<String>| {
        let meant = pieces
            .iter()
            .filter(|piece| meaning(piece, vocabulary).quantity.is_some());
        pieces.len() == columns && meant.count() >= columns.min(2)
    };
    let key = text.get(..mark.at)?.trim();
    let rest = text.get(mark.at + mark.len..)?.trim();
    let is_setting = vocabulary.key(&plain_key(key).0);
    if is_setting.is_none_or(|key| !key.sure)
        && let Some(pieces) = apart(rest)
            .into_iter()
            .find(|pieces| pieces.iter().all(|p| assignment(p).is_none()) && quantities(pieces))
    {
        return Some(pieces);
    }
    // A digit would be a value.
    if columns < 2 || text.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let unmarked = |pieces: Vec<String>| -> Vec<String> {
        pieces
            .iter()
            .map(|piece| piece.replace([':', '='], " "))
            .collect()
    };
    let words = text.split_whitespace().map(str::to_owned).collect();
    apart(text)
        .into_iter()
        .chain([words])
        .filter(|pieces| pieces.iter().all(|piece| assignment(piece).is_some()))
        .map(unmarked)
        .find(quantities)
}

/// Pieces between two or more spaces.
pub(super) fn wide_spaced(text: &str) -> Vec<String> {
    text.split("  ")
        .map(str::trim)
        .filter(|piece| !piece.is_empty())
        .map(str::to_owned)
        .collect()
}

/// Words, each with the bracket or unit that follows it: `Distance (km) Level dB`.
pub(super) fn bracketed(text: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match pieces.last_mut() {
            Some(last) if word.starts_with(['(', '[']) || is_unit(word) && !is_unit(last) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => pieces.push(word.to_owned()),
        }
    }
    pieces
}

/// Words in groups, a distance and levels of as many words each: `Place Loss from A Loss
/// from B`; `None` where two such groupings mean different things.
pub(super) fn alike(text: &str, columns: usize, vocabulary: &Vocabulary) -> Option<Vec<String>> {
    let words: Vec<&str> = text.split_whitespace().take(MOST_WORDS + 1).collect();
    let levels = columns.checked_sub(1).filter(|levels| *levels > 0)?;
    if words.len() > MOST_WORDS {
        return None;
    }
    let grouped = |each: usize| -> Option<(Vec<String>, Vec<Meaning>)> {
        let (first, rest) = words.split_at_checked(words.len().checked_sub(each * levels)?)?;
        let groups = [first].into_iter().chain(rest.chunks(each));
        let texts: Vec<String> = groups.map(|group| group.join(" ")).collect();
        let meanings: Vec<Meaning> = texts.iter().map(|text| meaning(text, vocabulary)).collect();
        let level = |m: &Meaning| matches!(m.quantity, Some(Quantity::Level | Quantity::Loss));
        let (distance, others) = meanings.split_first()?;
        let same = rest.chunks(each).all(|group| group.first() == rest.first());
        let means = distance.quantity == Some(Quantity::Distance)
            && others.iter().all(|m| level(m) && m.named);
        (means && same).then_some((texts, meanings))
    };
    let mut found = (1..=words.len()).filter_map(grouped);
    let (texts, meanings) = found.next()?;
    found.all(|(_, others)| others == meanings).then_some(texts)
}

/// Most words of a row of titles that white space parts.
pub(super) const MOST_WORDS: usize = 64;

/// Words up to each one that ends with a unit: `Distance along fibre/km Signal level_dB`.
pub(super) fn ended_by_units(text: &str) -> Vec<String> {
    let ends = |word: &str| {
        let last = word
            .split(|c: char| !c.is_alphanumeric())
            .rfind(|part| !part.is_empty());
        last.is_some_and(is_unit)
    };
    let mut pieces = vec![String::new()];
    for word in text.split_whitespace() {
        if let Some(last) = pieces.last_mut() {
            last.push_str(if last.is_empty() { "" } else { " " });
            last.push_str(word);
        }
        if ends(word) {
            pieces.push(String::new());
        }
    }
    pieces.retain(|piece| !piece.is_empty());
    pieces
}
