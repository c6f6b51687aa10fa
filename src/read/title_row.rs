//! The row of titles over the samples: where it stands, and its pieces.

mod groupings;

use super::dialect::{Separator, split};
use super::entry::{assignment, entry, uncommented};
use super::keys::plain_key;
use super::lines::Line;
use super::settings::is_text;
use super::spanning::take_heads;
use super::titles::{DistanceUnit, Meaning, meaning};
use super::words::{Known, Quantity, Vocabulary};

use groupings::{
    MOST_WORDS, alike, assigned_titles, behind_a_count, bracketed, ended_by_units, wide_spaced,
};

/// The row of titles over the samples.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TitleRow {
    /// Line of the titles, counted from 1.
    pub(super) line: usize,
    pub(super) texts: Vec<String>,
    pub(super) meanings: Vec<Meaning>,
}

/// Filled lines before the samples that may hold the titles.
const NEAREST: usize = 4;

/// Finds the titles among the lines before the samples; a second row may hold
/// the units, and a line such as `[Data]` may stand between. The lines used are
/// taken out of `before`.
pub(super) fn take_titles(
    before: &mut Vec<Line<'_>>,
    separator: Separator,
    columns: usize,
    vocabulary: &Vocabulary,
) -> Option<TitleRow> {
    let filled: Vec<usize> = (0..before.len())
        .rev()
        .filter(|&i| {
            before
                .get(i)
                .is_some_and(|line| line.text.chars().any(char::is_alphanumeric))
        })
        .take(NEAREST)
        .collect();
    let row_at = |index: usize| -> Option<(Line<'_>, Vec<String>)> {
        let line = *before.get(index)?;
        Some((
            line,
            title_pieces(line.text, separator, columns, vocabulary)?,
        ))
    };
    let named = |row: &(Line<'_>, Vec<String>)| columns_named(&row.1, vocabulary);
    for (nth, &index) in filled.iter().enumerate() {
        let row = row_at(index);
        let above = filled.get(nth + 1).copied();
        // A row of names and one of units, whichever stands above.
        if let Some((lower, upper)) = row.as_ref().zip(above.and_then(row_at))
            && let Some(texts) = with_units(&upper.1, &under(lower, &upper), vocabulary)
            && let Some(above) = above
        {
            before.remove(index);
            before.remove(above);
            let texts = take_heads(before, above, separator, texts, vocabulary);
            return Some(title_row(upper.0.number, texts, vocabulary));
        }
        if let Some((line, mut texts)) = row.filter(named) {
            // Names that could not be parted still say that all levels are losses.
            let names = above.and_then(|above| before.get(above));
            let bare = texts.iter().all(|text| is_unit(text));
            if bare && names.is_some_and(|names| is_loss(names.text, vocabulary)) {
                for text in texts
                    .iter_mut()
                    .filter(|text| text.to_lowercase().contains("db"))
                {
                    text.insert_str(0, "loss ");
                }
            }
            before.remove(index);
            let texts = take_heads(before, index, separator, texts, vocabulary);
            return Some(title_row(line.number, texts, vocabulary));
        }
        if !before.get(index).is_some_and(|line| is_heading(line.text)) {
            return None;
        }
    }
    None
}

/// The cells of a lower row, as they stand under those of the upper one: where that has no
/// bar before its first cell, a bar in `|kft|dB|` ends a first cell that is left empty.
fn under(lower: &(Line<'_>, Vec<String>), upper: &(Line<'_>, Vec<String>)) -> Vec<String> {
    let barred = |line: Line<'_>| uncommented(line.text).trim_start().starts_with('|');
    let mut cells = lower.1.clone();
    let ended = cells.last().is_some_and(String::is_empty);
    if ended && barred(lower.0) && !barred(upper.0) {
        cells.rotate_right(1);
    }
    cells
}

/// The titles of two rows of which one holds names and the other units.
fn with_units(upper: &[String], lower: &[String], vocabulary: &Vocabulary) -> Option<Vec<String>> {
    let units = |texts: &[String]| {
        texts.iter().all(|text| is_unit(text)) && texts.iter().any(|text| !text.is_empty())
    };
    let (names, units) = match (units(upper), units(lower)) {
        (false, true) => (upper, lower),
        (true, false) => (lower, upper),
        _ => return None,
    };
    let texts: Vec<String> = names
        .iter()
        .zip(units)
        .map(|(name, unit)| format!("{name} {unit}").trim().to_owned())
        .collect();
    let bare = |name: &String| {
        name.is_empty() || name.contains(char::is_alphabetic) && !name.contains(':')
    };
    // `m;dB` under `1310 nm;` are titles by themselves, and the row above them is none.
    let apart = texts.iter().zip(units).any(|(text, unit)| {
        let of_unit = meaning(unit, vocabulary).quantity;
        let of_text = meaning(text, vocabulary).quantity;
        (of_unit == Some(Quantity::Distance)) != (of_text == Some(Quantity::Distance))
            && of_unit.is_some()
    });
    let named = columns_named(names, vocabulary)
        || names.iter().all(bare) && columns_named(&texts, vocabulary);
    (named && !apart).then_some(texts)
}

fn title_row(line: usize, texts: Vec<String>, vocabulary: &Vocabulary) -> TitleRow {
    TitleRow {
        line,
        meanings: texts.iter().map(|text| meaning(text, vocabulary)).collect(),
        texts,
    }
}

/// Whether a line is a heading that may stand between titles and samples:
/// `[Data]`, `BEGIN`, `--- trace ---`.
fn is_heading(line: &str) -> bool {
    let text = line.trim_matches(|c: char| !c.is_alphanumeric());
    text.len() <= 40
        && text.split_whitespace().count() <= 3
        && text.chars().all(|c| c.is_alphabetic() || c == ' ')
}

/// Whether the texts can be titles rather than a key and its value.
fn columns_named(texts: &[String], vocabulary: &Vocabulary) -> bool {
    let meanings: Vec<Meaning> = texts.iter().map(|text| meaning(text, vocabulary)).collect();
    let is = |wanted: &[Quantity]| {
        meanings
            .iter()
            .filter(|m| m.quantity.is_some_and(|q| wanted.contains(&q)))
            .count()
    };
    let distances = is(&[Quantity::Distance]);
    // `Hut 978` is a place, and `978` may be a wavelength.
    let by_number = |(text, m): &(&String, &Meaning)| {
        let text = text.to_lowercase();
        let says = m.named || m.level_unit.is_some() || m.direction.is_some();
        let unit = ["nm", "um", "µm", "λ", "lambda"]
            .iter()
            .any(|unit| text.contains(unit));
        m.wavelength_nm.is_some() && !says && !unit && text.contains(char::is_alphabetic)
    };
    let doubtful = texts.iter().zip(&meanings).filter(by_number).count();
    let levels = is(&[Quantity::Level, Quantity::Loss]);
    let levels = if distances == 0 {
        levels.saturating_sub(doubtful)
    } else {
        levels
    };
    let numbers = texts
        .iter()
        .zip(&meanings)
        .filter(|(text, _)| text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)))
        .collect::<Vec<_>>();
    let decimal = |text: &str| {
        text.trim_start_matches(|c: char| c.is_ascii_digit())
            .starts_with(['.', ','])
    };
    // `Pulse;1000 ns`
    let value =
        |meaning: &Meaning| meaning.wavelength_nm.is_none() || meaning.distance_unit.is_some();
    if numbers
        .iter()
        .any(|(text, meaning)| value(meaning) || decimal(text))
    {
        return false;
    }
    let words = texts
        .iter()
        .map(|text| text.split_whitespace().count())
        .max()
        .unwrap_or(0);
    if texts.len() == 1 {
        // `Cumulative loss 1490 nm (dB)`; without a unit as many words are a sentence.
        let in_decibels = meanings.iter().any(|m| m.level_unit.is_some());
        let most = if in_decibels { 6 } else { 4 };
        return levels == 1 && numbers.is_empty() && words <= most;
    }
    let bare = texts
        .iter()
        .any(|text| text.chars().all(|c| c.is_ascii_digit()));
    let settings = meanings.iter().filter(|m| m.setting.is_some()).count();
    let in_decibels = meanings.iter().any(|m| m.level_unit.is_some());
    distances > 0
        || is(&[Quantity::Index]) > 0 && levels > 0 && !bare
        || numbers.is_empty() && levels > 0 && levels + settings == texts.len()
        || !bare && in_decibels && levels == texts.len()
        || numbers.is_empty()
            && in_decibels
            && texts.len() > 2
            && levels + settings + 1 == texts.len()
}

fn is_unit(text: &str) -> bool {
    let word = text
        .trim_matches(|c: char| !c.is_alphanumeric() && c != '%')
        .to_lowercase();
    word.is_empty()
        || DistanceUnit::from_word(&word).is_some()
        || matches!(word.as_str(), "db" | "dbm" | "mdb")
}

/// Longest row of titles, in bytes: 64 titles of many words.
pub(super) const LONGEST_TITLES: usize = 1 << 14;

/// Whether a line is a setting with its number, `Point spacing|0.008|km`, and no titles.
pub(super) fn is_number_setting(line: &str, separator: Separator, vocabulary: &Vocabulary) -> bool {
    let mut cells = split(uncommented(line), separator);
    let key = cells.next().map(|cell| plain_key(&cell.text).0);
    let key = key.and_then(|key| vocabulary.key(&key));
    // `Points` may be the title of a count.
    let known = key.is_some_and(|k| k.sure && !is_text(k.known) && k.known != Known::Samples);
    let number = |text: &str| text.starts_with(|c: char| c.is_ascii_digit() || "+-".contains(c));
    known && cells.next().is_some_and(|cell| number(&cell.text))
}

/// The line in as many pieces as there are columns, by the samples' separator
/// or, where titles are written otherwise, by another.
fn title_pieces(
    line: &str,
    separator: Separator,
    columns: usize,
    vocabulary: &Vocabulary,
) -> Option<Vec<String>> {
    if line.len() > LONGEST_TITLES {
        return None;
    }
    let line = &line.replace("λ=", "λ_");
    let text = uncommented(line).trim();
    // `Level unit;dB`
    let states_unit = entry(line, separator, vocabulary)
        .and_then(|entry| vocabulary.key(&plain_key(&entry.key).0))
        .is_some_and(|key| {
            matches!(
                key.known,
                Known::DistanceUnit | Known::LevelUnit | Known::Direction
            ) && key.sure
        });
    // `Date and time ...... 21 Nov`: leaders stand between a key and its value.
    if states_unit || text.contains("....") || is_number_setting(line, separator, vocabulary) {
        return None;
    }
    if let Some(mark) = assignment(text).filter(|_| text.contains([':', '='])) {
        return assigned_titles(text, mark, separator, columns, vocabulary);
    }
    let by = |text: &str, separator: Separator| -> Vec<String> {
        let mut pieces: Vec<String> = split(text, separator)
            .take(columns + 2)
            .map(|piece| piece.text.trim().replace(['\n', '\r'], " "))
            .collect();
        while pieces.len() > columns && pieces.last().is_some_and(String::is_empty) {
            pieces.pop();
        }
        pieces
    };
    let others = [
        Separator::Tab,
        Separator::Semicolon,
        Separator::Bar,
        Separator::Comma,
        Separator::WhiteSpace,
    ];
    // Words that only white space parts are titles where each means something.
    // One that has units of both distance and level is two that were not parted.
    let meant = |pieces: &Vec<String>| {
        let mut meanings = pieces.iter().map(|piece| meaning(piece, vocabulary));
        meanings.all(|meaning| {
            let both = meaning.level_unit.is_some() && meaning.distance_unit.is_some();
            meaning.quantity.is_some() && !both
        })
    };
    // `#` may be the title of the first column, a first cell left empty is cut off with
    // the white space before a line, and behind the mark of a comment `#` may be one:
    // of what has as many pieces the one with the fewest left empty, at the end least.
    let filled = |pieces: &Vec<String>| {
        let filled = pieces.iter().filter(|piece| !piece.is_empty());
        (
            filled.count(),
            pieces.last().is_some_and(|last| !last.is_empty()),
        )
    };
    let lines = [unmarked(line), line.as_str(), line.trim(), text];
    // What stands before the first bar of a table drawn with bars is none of its cells,
    // but for a `#` over a count: `#|Distance|Level|`.
    let barred = separator == Separator::Bar && text.starts_with('|');
    let counted = line.trim_start().starts_with("#|");
    let own = lines
        .into_iter()
        .skip(if barred && !counted {
            lines.len() - 1
        } else {
            0
        })
        .map(|line| by(line, separator))
        // Or it is one that is left empty.
        .map(|mut pieces| {
            if barred && pieces.len() + 1 == columns {
                pieces.insert(0, String::new());
            }
            pieces
        })
        .filter(|pieces| pieces.len() == columns)
        .max_by_key(filled);
    // Words that happen to be as many as the columns need not be titles.
    if own
        .as_ref()
        .is_some_and(|own| separator != Separator::WhiteSpace || meant(own))
    {
        return own;
    }
    let both = |pieces: &Vec<String>| {
        let quantity = |piece: &String| meaning(piece, vocabulary).quantity;
        let distance = pieces
            .iter()
            .any(|p| quantity(p) == Some(Quantity::Distance));
        let is_level = |p| matches!(quantity(p), Some(Quantity::Level | Quantity::Loss));
        distance && pieces.iter().any(is_level)
    };
    // Between columns that white space parts, wide spaces part titles with commas in them.
    let wide = [wide_spaced(text), wide_spaced(line.trim())]
        .into_iter()
        .filter(|_| separator == Separator::WhiteSpace)
        .find(|pieces| pieces.len() == columns && (meant(pieces) || both(pieces)));
    if wide.is_some() {
        return wide;
    }
    let mut all = others
        .into_iter()
        .map(|other| by(text, other))
        .chain(others.into_iter().map(|other| by(line.trim(), other)))
        .chain([wide_spaced(text), wide_spaced(line.trim())])
        .chain(
            [bracketed(text), ended_by_units(text)]
                .into_iter()
                .filter(meant),
        )
        .chain(alike(text, columns, vocabulary))
        .chain(behind_a_count(line, vocabulary).into_iter().filter(meant))
        .filter(|pieces| pieces.len() == columns);
    let Some(first) = all.next() else {
        return own;
    };
    if meant(&first) {
        return Some(first);
    }
    Some(all.find(meant).or(own).unwrap_or(first))
}

/// A line without its first mark: `# Level` of `! # Level`.
pub(super) fn unmarked(line: &str) -> &str {
    let line = line.trim();
    match line.chars().next().filter(|c| !c.is_alphanumeric()) {
        Some(mark) => line.trim_start_matches(mark).trim_start(),
        None => line,
    }
}

/// Whether words name losses and no levels.
fn is_loss(text: &str, vocabulary: &Vocabulary) -> bool {
    let words = text.split_whitespace().take(MOST_WORDS);
    let mut losses = 0;
    for word in words {
        match meaning(word, vocabulary).quantity {
            Some(Quantity::Loss) => losses += 1,
            Some(Quantity::Level) => return false,
            _ => {}
        }
    }
    losses > 0 && assignment(text).is_none()
}

#[cfg(test)]
mod tests {
    use super::super::lines::lines_from;
    use super::*;

    fn titles(text: &str, separator: Separator, columns: usize) -> Option<(Vec<String>, usize)> {
        let mut before: Vec<Line<'_>> = lines_from(text, 0, 1).collect();
        let row = take_titles(&mut before, separator, columns, &Vocabulary::default())?;
        Some((row.texts, before.len()))
    }

    fn owned(texts: &[&str]) -> Vec<String> {
        texts.iter().map(|&text| text.to_owned()).collect()
    }

    #[test]
    fn titles_are_found_and_settings_are_not_titles() {
        let found = titles("# fibre: 1\ndistance_m,level_db\n", Separator::Comma, 2);
        assert_eq!(found, Some((owned(&["distance_m", "level_db"]), 1)));
        assert_eq!(titles("Range;20 km\n", Separator::Semicolon, 2), None);
        assert_eq!(
            titles("Wavelength;1550 nm\n", Separator::Semicolon, 2),
            None
        );
        assert_eq!(
            titles("Backscatter;-81.5 dB\n", Separator::Semicolon, 2),
            None
        );
        assert_eq!(titles("# distance: 20 km\n", Separator::Comma, 1), None);
    }

    #[test]
    fn words_that_white_space_parts_are_grouped_where_all_groupings_agree() {
        for (line, wanted) in [
            (
                "Place Loss from A Loss from B",
                Some(&["Place", "Loss from A", "Loss from B"][..]),
            ),
            (
                "z Level 1310 Level 1550",
                Some(&["z", "Level 1310", "Level 1550"][..]),
            ),
            ("Place Level Loss", None),
        ] {
            let found = alike(line, 3, &Vocabulary::default());
            assert_eq!(found, wanted.map(owned), "{line}");
        }
        let found = titles(
            "Range loss here loss there too\n[m] [dB] [dB]\n",
            Separator::WhiteSpace,
            3,
        );
        assert_eq!(found.unwrap().0, owned(&["[m]", "loss [dB]", "loss [dB]"]));
    }

    #[test]
    fn a_count_may_stand_before_titles_of_several_words() {
        for (line, first) in [
            ("#  Two-way_time/us  Cumulative loss/dB", "#"),
            ("# Two-way_time/us Cumulative loss/dB", "#"),
            ("No. Two-way_time/us Cumulative loss/dB", "No."),
        ] {
            let found = titles(line, Separator::WhiteSpace, 3).map(|found| found.0);
            let wanted = owned(&[first, "Two-way_time/us", "Cumulative loss/dB"]);
            assert_eq!(found, Some(wanted), "{line}");
        }
    }

    #[test]
    fn a_setting_whose_value_could_be_a_wavelength_is_no_title() {
        assert_eq!(titles("Pulse;1000 ns\n", Separator::Semicolon, 2), None);
        // By spaces these would be two titles, of which one has a unit of distance.
        for line in ["Receive lead;150;m\n", "// Avg. time;1;min\n"] {
            assert_eq!(titles(line, Separator::Semicolon, 2), None, "{line}");
        }
    }

    #[test]
    fn a_bar_before_units_leaves_the_first_cell_empty_where_the_names_have_none() {
        let found = |text: &str, columns| titles(text, Separator::Bar, columns).unwrap().0;
        let names = found("; Row|Place|LOSS|\n; |kft|dB|\n", 3);
        assert_eq!(names, owned(&["Row", "Place kft", "LOSS dB"]));
        let names = found("|Place|Level|\n|m|dB|\n", 2);
        assert_eq!(names, owned(&["Place m", "Level dB"]));
    }

    #[test]
    fn one_title_may_have_more_words_with_its_unit() {
        let title = "Cumulative loss 1490 nm (dB)";
        let found = titles(title, Separator::Semicolon, 1);
        assert_eq!(found, Some((owned(&[title]), 0)));
        let line = "Cumulative loss as it was seen";
        assert_eq!(titles(line, Separator::Semicolon, 1), None);
    }

    #[test]
    fn units_may_stand_on_their_own_row() {
        let found = titles("Distance;Level\n(km);(dB)\n", Separator::Semicolon, 2);
        assert_eq!(found, Some((owned(&["Distance (km)", "Level (dB)"]), 0)));
    }

    #[test]
    fn titles_over_white_space_keep_their_brackets() {
        let found = titles("Distance (km)   Level (dB)\n", Separator::WhiteSpace, 2);
        assert_eq!(found, Some((owned(&["Distance (km)", "Level (dB)"]), 0)));
        let found = titles("Distance (km) Level (dB)\n", Separator::WhiteSpace, 2);
        assert_eq!(found, Some((owned(&["Distance (km)", "Level (dB)"]), 0)));
    }
}
