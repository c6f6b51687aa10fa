//! Decides how the rows are written, by what all of them allow.
//!
//! Each way of writing rows that the characters admit is tried on specimens
//! from the whole block. What fails on a row is out; of what is left, a table
//! with an evenly growing distance counts for more than a single column, and
//! levels a trace can have for more than levels in the thousands. Two ways that
//! still give different numbers are an error, never a choice.

use std::cell::LazyCell;

use super::block::{PLENTY, Specimens, is_blank_level};
use super::dialect::{Dialect, Separator, split};
use super::entry::{assignment, uncommented};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::keys::plain_key;
use super::number::{DecimalMark, Field, NumberStyle, Thousands, field};
use super::recipe::Recipe;
use super::title_row::is_number_setting;
use super::titles::meaning;
use super::words::Quantity;

/// The form of the rows, and what the first specimens hold in that form.
#[derive(Debug, Clone)]
pub(super) struct Form {
    pub(super) dialect: Dialect,
    /// Columns of each row.
    pub(super) columns: usize,
    /// Values of the specimens that follow each other, row by row; NaN for none.
    pub(super) rows: Vec<Vec<f64>>,
    /// Why another way of writing was put aside, where one fitted as well.
    pub(super) doubt: Option<String>,
}

/// Most columns of a table of samples: both directions of eight wavelengths
/// and some to spare.
pub(super) const MOST_COLUMNS: usize = 64;

/// Share of the rows that hold a number which may not fit the form: the row that does
/// not is reported later.
const MISFITS: usize = 10;

/// Rows whose values are kept of each way of writing: with four of them 7 MB. Whether
/// a way fits is asked of all rows.
const MOST_KEPT: usize = 1 << 15;

/// Levels lie within this of zero, in decibels: no instrument's range is half of it.
const WIDEST_LEVELS_DB: f64 = 300.0;

/// Tries every way of writing; `titles` is the row before the samples, and `header`
/// finds the decimal mark of the numbers in the header.
pub(super) fn decide(
    specimens: &Specimens<'_>,
    titles: Option<&str>,
    line: usize,
    recipe: &Recipe,
    header: impl FnOnce() -> Option<DecimalMark>,
) -> Result<Form, ParseError> {
    let first = specimens.rows.first().copied().unwrap_or_default();
    let mut forms: Vec<(Form, usize)> = Vec::new();
    let mut tried: Vec<(Dialect, usize)> = Vec::new();
    let mut most_columns = 0;
    let allowed = recipe.among(candidates(&specimens.rows));
    for dialect in allowed {
        let mut columns = split(first, dialect.separator)
            .take(MOST_COLUMNS + 2)
            .count();
        // A separator that ends every row begins no column.
        let ended = |row: &&str| {
            dialect
                .separator
                .char()
                .is_some_and(|end| row.trim_end_matches([' ', '\r']).ends_with(end))
        };
        let is_titled = |titles| {
            !is_number_setting(titles, dialect.separator, &recipe.vocabulary)
                && split(titles, dialect.separator)
                    .filter(|t| !t.text.is_empty())
                    .count()
                    >= columns
        };
        // A stroke behind the samples has none.
        let mut rows = specimens.rows.iter().filter(|row| !is_blank_level(row));
        if columns > 1 && rows.all(ended) && !titles.is_some_and(is_titled) {
            columns -= 1;
        }
        most_columns = most_columns.max(columns);
        if columns <= MOST_COLUMNS {
            tried.push((dialect, columns));
        }
    }
    // A column of words is allowed only where numbers alone fit nothing: else
    // a number in a foreign form would pass for one.
    // Words beside few numbers are a table of events.
    let plenty = specimens.rows.len() >= PLENTY;
    for words in [false, true].into_iter().take(if plenty { 2 } else { 1 }) {
        for (dialect, columns) in &tried {
            forms.extend(try_on(specimens, *dialect, *columns, words));
        }
        if !forms.is_empty() {
            break;
        }
    }
    if most_columns > MOST_COLUMNS {
        let kind = ParseErrorKind::LimitExceeded {
            what: "columns or more",
            found: MOST_COLUMNS as u64 + 1,
            limit: MOST_COLUMNS as u64,
        };
        return Err(kind.at(line, first, 0));
    }
    let best = forms.iter().map(|(_, fits)| *fits).max().unwrap_or(0);
    forms.retain(|(_, fits)| *fits == best);
    let mut forms: Vec<Form> = forms.into_iter().map(|(form, _)| form).collect();
    let comma_is_both = || {
        ParseErrorKind::CommaIsBoth {
            found: excerpt(first),
        }
        .at(line, first, 0)
    };
    let commas_only = specimens
        .rows
        .iter()
        .all(|row| !row.contains([';', '\t', '.', '|']))
        && specimens
            .rows
            .iter()
            .any(|row| row.matches(',').count() > 1);
    if forms.is_empty() {
        if commas_only {
            return Err(comma_is_both());
        }
        let misfit = ParseErrorKind::NoCommonForm {
            found: excerpt(first),
        };
        return Err(misfit.at(line, first, 0));
    }
    drop_doubles(&mut forms);
    let mut doubts = Vec::new();
    prefer(&mut forms, |form| {
        form.columns > 1 && (0..form.columns).any(|column| grows_evenly(&form.rows, column))
    });
    // Nobody would take levels in the thousands of decibels: no doubt to voice.
    prefer(&mut forms, plausible);
    if let Some(titles) = titles
        && prefer(&mut forms, |form| {
            let counted = split(uncommented(titles), form.dialect.separator).count();
            counted == form.columns && (form.columns > 1 || is_level_title(titles, recipe))
        })
    {
        doubts.push("the title row has as many columns");
    }
    // A comma that parts decimals in the header does not part columns below it. A
    // point there says nothing: programs write settings one way and tables another.
    if forms.len() > 1
        && header() == Some(DecimalMark::Comma)
        && prefer(&mut forms, |form| {
            form.dialect.numbers.decimal == DecimalMark::Comma
        })
    {
        doubts.push("the numbers in the header have a decimal comma");
    }
    let chosen = forms.remove(0);
    if let Some(other) = forms.first() {
        let row = (0..chosen.rows.len())
            .find(|&row| {
                chosen.rows.get(row).map(|r| bits(r)) != other.rows.get(row).map(|r| bits(r))
            })
            .unwrap_or(0);
        // Blank rows are not among those of the form.
        let held = specimens.rows.iter().enumerate();
        let mut held = held.filter(|(_, text)| !is_blank_level(text));
        let (at, found) = held.nth(row).unwrap_or((row, &first));
        let kind = ParseErrorKind::Ambiguous {
            found: excerpt(found),
            one: spell(chosen.rows.get(row)),
            other: spell(other.rows.get(row)),
        };
        return Err(kind.at(line + at, "", 0));
    }
    let titled =
        titles.is_some_and(|titles| split(titles, Separator::Comma).count() == chosen.columns);
    let paired = chosen.columns >= 4 && chosen.columns.is_multiple_of(2) && !titled;
    if chosen.dialect.separator == Separator::Comma
        && commas_only
        && (paired || padded_whole(&specimens.rows, chosen.dialect))
    {
        return Err(comma_is_both());
    }
    Ok(Form {
        doubt: (!doubts.is_empty()).then(|| doubts.join("; ")),
        ..chosen
    })
}

/// Whether a line is the title of one column of levels.
fn is_level_title(line: &str, recipe: &Recipe) -> bool {
    let text = uncommented(line);
    // `Columns: level (dB)`, but not `Level unit: dB`
    let mark = assignment(text);
    let key = mark.and_then(|mark| text.get(..mark.at));
    if key.is_some_and(|key| recipe.vocabulary.key(&plain_key(key).0).is_some()) {
        return false;
    }
    let title = mark.and_then(|mark| text.get(mark.at + mark.len..));
    let title = title.unwrap_or(text);
    let quantity = meaning(title, &recipe.vocabulary).quantity;
    matches!(quantity, Some(Quantity::Level | Quantity::Loss))
        && !title.contains([':', '=', ';', '\t', '|'])
}

/// Of forms that give the same numbers, keeps the first.
fn drop_doubles(forms: &mut Vec<Form>) {
    let mut kept: Vec<Form> = Vec::new();
    for form in forms.drain(..) {
        if !kept.iter().any(|other| same_values(other, &form)) {
            kept.push(form);
        }
    }
    *forms = kept;
}

/// Keeps the forms that hold, unless none does; says whether any went.
fn prefer(forms: &mut Vec<Form>, holds: impl Fn(&Form) -> bool) -> bool {
    let before = forms.len();
    if forms.iter().any(&holds) {
        forms.retain(holds);
    }
    forms.len() < before
}

/// Every way of writing that the characters in the rows admit.
fn candidates(rows: &[&str]) -> Vec<Dialect> {
    let mut seen = [false; 256];
    for byte in rows.iter().flat_map(|row| row.trim().bytes()) {
        seen[usize::from(byte)] = true;
    }
    let has = |byte: u8| seen[usize::from(byte)];
    let ascii = !seen.iter().skip(0x80).any(|seen| *seen);
    let beyond = |wanted: &[char]| !ascii && rows.iter().any(|row| row.trim().contains(wanted));
    let (comma, point) = (has(b','), has(b'.'));
    let space = has(b' ');
    let hard_space = beyond(&['\u{A0}', '\u{2009}', '\u{202F}']);
    let quote = has(b'"') || has(b'\'');
    let mut separators = Vec::new();
    for (separator, present) in [
        (Separator::Tab, has(b'\t')),
        (Separator::Semicolon, has(b';')),
        (Separator::Bar, has(b'|')),
        (Separator::Comma, comma),
        (Separator::WhiteSpace, space || has(b'\t')),
    ] {
        if present {
            separators.push(separator);
        }
    }
    // One column: any separator that does not occur.
    if !separators.contains(&Separator::Semicolon) {
        separators.push(Separator::Semicolon);
    }
    let mut dialects = Vec::new();
    for separator in separators {
        let bare_comma = comma && (separator != Separator::Comma || quote);
        for decimal in [DecimalMark::Point, DecimalMark::Comma] {
            let (mark_seen, other_seen) = match decimal {
                DecimalMark::Point => (point, bare_comma),
                DecimalMark::Comma => (bare_comma, point),
            };
            // Where the bare comma parts columns it is no decimal mark.
            let taken = separator == Separator::Comma && !quote;
            if decimal == DecimalMark::Comma && (taken || !mark_seen && !other_seen) {
                continue;
            }
            let grouping = match decimal {
                DecimalMark::Point => Thousands::Comma,
                DecimalMark::Comma => Thousands::Point,
            };
            let apostrophe = has(b'\'') || beyond(&['\u{2019}']);
            let blank = hard_space || space && separator != Separator::WhiteSpace;
            for (thousands, admitted) in [
                (None, true),
                (Some(grouping), other_seen),
                (Some(Thousands::Space), blank),
                (Some(Thousands::Apostrophe), apostrophe),
            ] {
                if admitted {
                    dialects.push(Dialect {
                        separator,
                        numbers: NumberStyle { decimal, thousands },
                    });
                }
            }
        }
    }
    dialects
}

/// Reads the specimens in one form; `None` when too many rows do not fit it. A row of
/// blank fields fits and tells nothing: it makes no form better than another, nor does
/// it excuse a row that does not fit.
/// With `words`, columns that never hold a number may hold anything, so long as
/// two others do.
fn try_on(
    specimens: &Specimens<'_>,
    dialect: Dialect,
    columns: usize,
    words: bool,
) -> Option<(Form, usize)> {
    let wordy = if words {
        wordy_columns(specimens, dialect, columns)
    } else {
        Vec::new()
    };
    if words && (wordy.is_empty() || columns < wordy.len() + 2) {
        return None;
    }
    let unmarked = LazyCell::new(|| match dialect.numbers.thousands {
        Some(_) => unmarked_columns(specimens, dialect, columns),
        None => Vec::new(),
    });
    let first = specimens.rows.first().copied().unwrap_or_default();
    let most = specimens.rows.len() / MISFITS;
    let (mut misfits, mut blanks) = (0, 0);
    let mut rows = Vec::with_capacity(specimens.together.min(MOST_KEPT));
    for (index, row) in specimens.rows.iter().enumerate() {
        let mut values = Vec::with_capacity(columns);
        let mut fits = true;
        for (column, piece) in split(row, dialect.separator).take(columns + 1).enumerate() {
            match field(&piece.text, dialect.numbers) {
                _ if wordy.contains(&column) => values.push(f64::NAN),
                Field::Text if unmarked.contains(&column) => {
                    values.push(piece.text.parse().unwrap_or(f64::NAN));
                }
                Field::Number(value) => values.push(value),
                Field::Blank => values.push(f64::NAN),
                Field::TooLarge => values.push(f64::INFINITY),
                Field::Text => fits = false,
            }
        }
        if values.len() == columns + 1 && values.last().is_some_and(|v| v.is_nan()) {
            values.pop();
        }
        let blank = values.iter().all(|v| v.is_nan());
        fits &= values.len() == columns && (!blank || says_blank(row, first, dialect.separator));
        if !fits {
            misfits += 1;
            if misfits > most {
                return None;
            }
        } else if blank {
            blanks += 1;
        } else if index < specimens.together.min(MOST_KEPT) {
            rows.push(values);
        }
    }
    let filled = specimens.rows.len() - blanks;
    if filled == 0 || misfits > filled / MISFITS {
        return None;
    }
    let form = Form {
        dialect,
        columns,
        rows,
        doubt: None,
    };
    Some((form, filled - misfits))
}

/// Whether a row without numbers is a sample that was not measured: it says `nan`, or
/// leaves empty the one field that `first` fills. A stroke may be drawn between rows,
/// and separators alone are how a spreadsheet writes an empty line.
fn says_blank(row: &str, first: &str, separator: Separator) -> bool {
    let fields = |row| {
        let pieces = split(row, separator);
        let filled = pieces.clone().filter(|piece| !piece.text.is_empty());
        (filled.count(), pieces.count())
    };
    let ((filled, all), (of_first, all_of_first)) = (fields(row), fields(first));
    row.contains(|c: char| c.is_alphabetic() || c == '∞')
        || filled == 0 && of_first == 1 && all == all_of_first
}

/// Columns of whole numbers that are all the same, a setting such as the wavelength
/// `1550`, or count the rows: they are written without marks between thousands where
/// others have them.
fn unmarked_columns(specimens: &Specimens<'_>, dialect: Dialect, columns: usize) -> Vec<usize> {
    let whole = |text: &str| {
        let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| text.parse::<u64>().ok())?
    };
    let numbers = |row: &&str| -> Vec<Option<u64>> {
        let pieces = split(row, dialect.separator).take(columns);
        pieces.map(|piece| whole(&piece.text)).collect()
    };
    // A column counts only if the first row has a whole number in it; in most files none has.
    let first = specimens.rows.first().map(numbers);
    if first.is_none_or(|first| first.iter().all(Option::is_none)) {
        return Vec::new();
    }
    let rows: Vec<_> = specimens.rows.iter().take(MOST_KEPT).map(numbers).collect();
    let at = |row: &Vec<Option<u64>>, column: usize| row.get(column).copied().flatten();
    (0..columns)
        .filter(|&column| {
            let Some(first) = rows.first().and_then(|row| at(row, column)) else {
                return false;
            };
            let counts = |(i, row): (usize, &Vec<Option<u64>>)| {
                first <= 1 && at(row, column) == Some(first + i as u64)
            };
            let all = rows.iter().all(|row| at(row, column).is_some());
            rows.iter().all(|row| at(row, column) == Some(first))
                || all
                    && columns > 2
                    && rows.iter().enumerate().take(specimens.together).all(counts)
        })
        .collect()
}

/// Columns in which words stand and no numbers.
fn wordy_columns(specimens: &Specimens<'_>, dialect: Dialect, columns: usize) -> Vec<usize> {
    let mut words = vec![0_usize; columns];
    let mut numbers = vec![0_usize; columns];
    for row in &specimens.rows {
        for (column, piece) in split(row, dialect.separator).take(columns).enumerate() {
            let count = match field(&piece.text, dialect.numbers) {
                Field::Text if piece.text.contains(char::is_alphabetic) => &mut words,
                Field::Blank => continue,
                _ => &mut numbers,
            };
            if let Some(count) = count.get_mut(column) {
                *count += 1;
            }
        }
    }
    (0..columns)
        .filter(|&column| {
            // A table of events behind the samples may be among the specimens.
            let (words, numbers) = (words.get(column), numbers.get(column));
            words.is_some_and(|words| *words > 0 && numbers.is_some_and(|n| n * MISFITS < *words))
        })
        .collect()
}

/// Whether a column grows from row to row by one step, to half a step.
pub(super) fn grows_evenly(rows: &[Vec<f64>], column: usize) -> bool {
    let values = || rows.iter().filter_map(|row| row.get(column).copied());
    let n = values().count();
    let (Some(first), Some(last)) = (values().next(), values().next_back()) else {
        return false;
    };
    if n < 2 {
        return n == 1 && first.is_finite();
    }
    let step = (last - first) / (n - 1) as f64;
    step > 0.0
        && values()
            .enumerate()
            .all(|(i, v)| (v - first - i as f64 * step).abs() <= 0.5 * step)
}

fn plausible(form: &Form) -> bool {
    (0..form.columns)
        .filter(|&column| !grows_evenly(&form.rows, column))
        .all(|column| {
            let values = || form.rows.iter().filter_map(|row| row.get(column).copied());
            // A column of one value is a setting, such as the wavelength.
            let first = values().next().map(f64::to_bits);
            let constant = form.rows.len() > 2 && values().all(|v| Some(v.to_bits()) == first);
            constant
                || values()
                    .filter(|v| v.is_finite())
                    .all(|v| v.abs() <= WIDEST_LEVELS_DB)
        })
}

/// Whether whole numbers are padded with zeros, as decimals cut off by the
/// separator are: `0,012,-1,500`.
fn padded_whole(rows: &[&str], dialect: Dialect) -> bool {
    dialect.separator == Separator::Comma
        && rows.iter().any(|row| {
            split(row, dialect.separator).any(|piece| {
                piece.text.len() > 1
                    && piece.text.bytes().all(|b| b.is_ascii_digit())
                    && piece.text.starts_with('0')
            })
        })
}

fn bits(row: &[f64]) -> Vec<u64> {
    row.iter().map(|v| v.to_bits()).collect()
}

/// Whether two forms give the same numbers, columns that hold none left out.
fn same_values(one: &Form, other: &Form) -> bool {
    let numbers = |form: &Form| -> Vec<usize> {
        let holds = |column: &usize| {
            let mut cells = form.rows.iter().filter_map(|row| row.get(*column));
            cells.any(|v| !v.is_nan())
        };
        (0..form.columns).filter(holds).collect()
    };
    let (ours, theirs) = (numbers(one), numbers(other));
    let cell = |row: &Vec<f64>, column: &usize| row.get(*column).map(|v| v.to_bits());
    ours.len() == theirs.len()
        && one.rows.len() == other.rows.len()
        && one.rows.iter().zip(&other.rows).all(|(a, b)| {
            let mut columns = ours.iter().zip(&theirs);
            columns.all(|(i, j)| cell(a, i) == cell(b, j))
        })
}

fn spell(row: Option<&Vec<f64>>) -> String {
    let values: Vec<String> = row.into_iter().flatten().map(ToString::to_string).collect();
    values.join(" and ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn form_of(rows: &[&str], titles: Option<&str>) -> Result<Form, ParseErrorKind> {
        let specimens = Specimens {
            rows: rows.to_vec(),
            together: rows.len(),
        };
        decide(&specimens, titles, 1, &Recipe::default(), || None).map_err(|error| error.kind)
    }

    fn dialect_of(rows: &[&str]) -> (Separator, DecimalMark, Option<Thousands>) {
        let dialect = form_of(rows, None).unwrap().dialect;
        (
            dialect.separator,
            dialect.numbers.decimal,
            dialect.numbers.thousands,
        )
    }

    #[test]
    fn plain_rows_are_comma_and_point() {
        let found = dialect_of(&["0.000,-12.345", "0.500,-12.400", "1.000,-12.500"]);
        assert_eq!(found, (Separator::Comma, DecimalMark::Point, None));
    }

    #[test]
    fn decimal_commas_show_by_their_zeros() {
        let found = dialect_of(&["0,000;-12,345", "0,500;-12,400", "1,000;-12,500"]);
        assert_eq!(found, (Separator::Semicolon, DecimalMark::Comma, None));
    }

    #[test]
    fn thousands_show_where_the_count_goes_on() {
        let found = dialect_of(&["998.0;-12.3", "999.0;-12.4", "1,000.0;-12.5"]);
        assert_eq!(
            found,
            (
                Separator::Semicolon,
                DecimalMark::Point,
                Some(Thousands::Comma)
            )
        );
        let found = dialect_of(&["998\t-12,3", "999\t-12,4", "1 000\t-12,5"]);
        assert_eq!(
            found,
            (Separator::Tab, DecimalMark::Comma, Some(Thousands::Space))
        );
    }

    #[test]
    fn levels_in_the_thousands_are_decimals_and_no_doubt() {
        let form = form_of(&["1,000;-12,345", "1,500;-12,400", "2,000;-12,500"], None).unwrap();
        assert_eq!(form.dialect.numbers.decimal, DecimalMark::Comma);
        assert_eq!(form.doubt, None);
    }

    #[test]
    fn refuses_rows_that_two_readings_fit() {
        let kind = form_of(&["1,000;-12", "1,500;-13", "2,000;-14"], None).unwrap_err();
        assert!(matches!(kind, ParseErrorKind::Ambiguous { .. }), "{kind}");
    }

    #[test]
    fn refuses_a_comma_that_is_both() {
        let kind = form_of(&["0,5,-12,3", "1,0,-12,05", "1,5,-12,5"], None).unwrap_err();
        assert!(matches!(kind, ParseErrorKind::CommaIsBoth { .. }), "{kind}");
    }

    #[test]
    fn quoted_decimal_commas_are_read() {
        let found = dialect_of(&[
            "\"0,0\",\"-12,3\"",
            "\"0,5\",\"-12,4\"",
            "\"1,0\",\"-12,5\"",
        ]);
        assert_eq!(found, (Separator::Comma, DecimalMark::Comma, None));
    }
}
