//! Which column is what: by its title, else by how its numbers run.

use super::dialect::{Separator, split};
use super::entry::{Mark, assignment, uncommented};
use super::error::{ParseError, ParseErrorKind};
use super::evidence::{Form, grows_evenly};
use super::keys::plain_key;
use super::lines::Line;
use super::recipe::Recipe;
use super::samples::Wanted;
use super::settings::Structure;
use super::titles::{Direction, DistanceUnit, LevelUnit, Meaning, meaning};
use super::words::{Known, Quantity, Vocabulary};

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
        if let Some((_, units)) = row
            .as_ref()
            .filter(|(_, texts)| texts.iter().all(|t| is_unit(t)))
            && let Some((above, (line, names))) =
                above.and_then(|above| Some((above, row_at(above)?)))
            && columns_named(&names, vocabulary)
        {
            let texts: Vec<String> = names
                .iter()
                .zip(units)
                .map(|(name, unit)| format!("{name} {unit}").trim().to_owned())
                .collect();
            before.remove(index);
            before.remove(above);
            return Some(title_row(line.number, texts, vocabulary));
        }
        if let Some((line, texts)) = row.filter(named) {
            before.remove(index);
            return Some(title_row(line.number, texts, vocabulary));
        }
        if !before.get(index).is_some_and(|line| is_heading(line.text)) {
            return None;
        }
    }
    None
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
    let levels = is(&[Quantity::Level, Quantity::Loss]);
    let numbers = texts
        .iter()
        .zip(&meanings)
        .filter(|(text, _)| text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)))
        .collect::<Vec<_>>();
    let decimal = |text: &str| {
        text.trim_start_matches(|c: char| c.is_ascii_digit())
            .starts_with(['.', ','])
    };
    if numbers
        .iter()
        .any(|(text, meaning)| meaning.wavelength_nm.is_none() || decimal(text))
    {
        return false;
    }
    let words = texts
        .iter()
        .map(|text| text.split_whitespace().count())
        .max()
        .unwrap_or(0);
    // `Distance unit;km`
    let names_unit = |text: &String| {
        let key = vocabulary.key(&plain_key(text).0);
        key.is_some_and(|key| matches!(key.known, Known::DistanceUnit | Known::LevelUnit))
    };
    if texts.len() == 2 && texts.first().is_some_and(names_unit) {
        return false;
    }
    if texts.len() == 1 {
        return levels == 1 && numbers.is_empty() && words <= 4;
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
const LONGEST_TITLES: usize = 1 << 14;

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
    let line = &line.replace("λ=", "λ ");
    let text = uncommented(line).trim();
    if let Some(mark) = assignment(text).filter(|_| text.contains([':', '='])) {
        return assigned_titles(text, mark, separator, columns, vocabulary);
    }
    let by = |text: &str, separator: Separator| -> Vec<String> {
        let mut pieces: Vec<String> = split(text, separator)
            .take(columns + 2)
            .map(|piece| piece.text.trim().to_owned())
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
    let meant = |pieces: &Vec<String>| {
        let mut meanings = pieces.iter().map(|piece| meaning(piece, vocabulary));
        meanings.all(|meaning| meaning.quantity.is_some())
    };
    // `#` may be the title of the first column.
    let own = [by(text, separator), by(line.trim(), separator)]
        .into_iter()
        .find(|pieces| pieces.len() == columns);
    if own.is_some() {
        return own;
    }
    let mut all = others
        .into_iter()
        .map(|other| by(text, other))
        .chain(others.into_iter().map(|other| by(line.trim(), other)))
        .chain([wide_spaced(text), wide_spaced(line.trim())])
        .chain([bracketed(text)].into_iter().filter(meant))
        .filter(|pieces| pieces.len() == columns);
    let first = all.next()?;
    if meant(&first) {
        return Some(first);
    }
    Some(all.find(meant).unwrap_or(first))
}

/// Titles written as an assignment: `Columns: distance_m, level_db`, or a unit for
/// each axis, `x: m, y: dB`.
fn assigned_titles(
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
fn wide_spaced(text: &str) -> Vec<String> {
    text.split("  ")
        .map(str::trim)
        .filter(|piece| !piece.is_empty())
        .map(str::to_owned)
        .collect()
}

/// Words, each with the bracket or unit that follows it: `Distance (km) Level dB`.
fn bracketed(text: &str) -> Vec<String> {
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

/// A column of levels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LevelColumn {
    pub(super) column: usize,
    pub(super) unit: Option<LevelUnit>,
    /// The title says that the numbers rise along the fibre.
    pub(super) titled_loss: bool,
    /// The title says that the column holds levels, or losses.
    pub(super) titled: bool,
    pub(super) wavelength_nm: Option<f64>,
    pub(super) direction: Option<Direction>,
}

/// Which columns to read, and as what.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plan {
    pub(super) distance: Option<usize>,
    pub(super) distance_unit: Option<DistanceUnit>,
    pub(super) levels: Vec<LevelColumn>,
    /// Columns that hold one setting in every row.
    pub(super) settings: Vec<usize>,
    /// The header states the spacing or the count of the samples.
    pub(super) repeats: bool,
}

impl Plan {
    pub(super) fn wanted(&self, columns: usize) -> Wanted {
        Wanted {
            columns,
            distance: self.distance,
            levels: self.levels.iter().map(|level| level.column).collect(),
            repeats: self.repeats,
        }
    }
}

/// Decides what the columns are; a fault is placed at the titles or else at the
/// first row.
pub(super) fn plan(
    form: &Form,
    titles: Option<&TitleRow>,
    structure: &Structure,
    recipe: &Recipe,
    first_row: Line<'_>,
) -> Result<Plan, ParseError> {
    let place = titles.map_or(first_row.number, |titles| titles.line);
    let fail = |kind: ParseErrorKind| kind.at(place, "", 0);
    let mut meanings: Vec<Meaning> = match titles {
        Some(titles) => titles.meanings.clone(),
        None => vec![Meaning::default(); form.columns],
    };
    if let Some(stated) = recipe.meanings() {
        if stated.len() != form.columns {
            return Err(ParseErrorKind::RecipeDiffers {
                found: format!("{} columns", form.columns),
                recipe: format!("{} columns", stated.len()),
            }
            .at(first_row.number, first_row.text, 0));
        }
        meanings = overrule(&meanings, stated).map_err(fail)?;
    }
    let distance = distance_column(form, &meanings, structure).map_err(fail)?;
    let levels = level_columns(form, &meanings, distance, structure).map_err(fail)?;
    if distance.is_none() {
        let (missing, example) = match (structure.spacing_m, structure.start_m) {
            (Some(_), Some(_)) => ("", ""),
            (None, _) if form.columns > 1 && titles.is_none() => {
                return Err(fail(ParseErrorKind::NoDistanceColumn));
            }
            (None, _) => ("the spacing", "# spacing: 0.5 m"),
            (Some(_), None) => ("the distance of the first sample", "# start: 0 m"),
        };
        if !missing.is_empty() {
            return Err(fail(ParseErrorKind::NoGrid { missing, example }));
        }
    }
    let titled_unit = distance.and_then(|column| meanings.get(column)?.distance_unit);
    if let (Some(title), Some(header)) = (titled_unit, structure.distance_unit)
        && title != header
    {
        return Err(fail(ParseErrorKind::UnitsDiffer {
            title: title.to_string(),
            header: header.to_string(),
        }));
    }
    Ok(Plan {
        distance,
        distance_unit: titled_unit.or(structure.distance_unit),
        levels,
        settings: columns_where(&meanings, |m| m.setting.is_some()),
        repeats: structure.spacing_m.is_some() || structure.samples.is_some(),
    })
}

/// What the recipe says of the columns, completed by the titles; units that
/// differ are an error.
fn overrule(titles: &[Meaning], stated: Vec<Meaning>) -> Result<Vec<Meaning>, ParseErrorKind> {
    let merged = titles.iter().zip(stated).map(|(title, recipe)| {
        if let (Some(found), Some(stated)) = (title.distance_unit, recipe.distance_unit)
            && found != stated
        {
            return Err(ParseErrorKind::RecipeDiffers {
                found: format!("{found} in a title"),
                recipe: stated.to_string(),
            });
        }
        Ok(Meaning {
            distance_unit: recipe.distance_unit.or(title.distance_unit),
            level_unit: recipe.level_unit.or(title.level_unit),
            wavelength_nm: recipe.wavelength_nm.or(title.wavelength_nm),
            direction: recipe.direction.or(title.direction),
            linear: title.linear.clone(),
            named: recipe.named,
            setting: title
                .setting
                .filter(|_| recipe.quantity == Some(Quantity::Other)),
            quantity: recipe.quantity,
        })
    });
    merged.collect()
}

fn distance_column(
    form: &Form,
    meanings: &[Meaning],
    structure: &Structure,
) -> Result<Option<usize>, ParseErrorKind> {
    let grows = |column: &usize| grows_evenly(&form.rows, *column);
    let titled: Vec<usize> = columns_where(meanings, |m| m.quantity == Some(Quantity::Distance));
    if let Some(&first) = titled.first() {
        // Length before time, and a column that grows before one that does not.
        let is_length = |column: &&usize| {
            meanings
                .get(**column)
                .and_then(|m| m.distance_unit)
                .is_some_and(|unit| !unit.is_time())
        };
        let best = titled
            .iter()
            .find(|column| is_length(column) && grows(column))
            .or_else(|| titled.iter().find(|column| grows(column)))
            .or_else(|| titled.iter().find(is_length));
        return Ok(Some(best.copied().unwrap_or(first)));
    }
    let growing: Vec<usize> = columns_where(meanings, |m| m.quantity.is_none())
        .into_iter()
        .filter(grows)
        .collect();
    let counts = |column: usize| {
        let values = form.rows.iter().filter_map(|row| row.get(column).copied());
        let first = form
            .rows
            .first()
            .and_then(|row| row.get(column).copied())
            .unwrap_or(f64::NAN);
        (0.0..=1.0).contains(&first)
            && first.fract() == 0.0
            && values
                .enumerate()
                .all(|(i, v)| (v - first - i as f64).abs() < 1e-9)
    };
    match growing.as_slice() {
        [] => Ok(None),
        [one] if form.columns == 1 || structure.spacing_m.is_some() && counts(*one) => Ok(None),
        [one] => Ok(Some(*one)),
        [one, other] if *one == 0 && counts(*one) && !counts(*other) => Ok(Some(*other)),
        [one, other, ..] => Err(ParseErrorKind::TwoDistanceColumns {
            one: one + 1,
            other: other + 1,
        }),
    }
}

fn level_columns(
    form: &Form,
    meanings: &[Meaning],
    distance: Option<usize>,
    structure: &Structure,
) -> Result<Vec<LevelColumn>, ParseErrorKind> {
    let is_level = |m: &Meaning| matches!(m.quantity, Some(Quantity::Level | Quantity::Loss));
    let mut found = columns_where(meanings, is_level);
    if found.is_empty() {
        found = columns_where(meanings, |m| m.quantity.is_none());
        found.retain(|&column| Some(column) != distance && has_values(form, column));
        // Without a distance to leave out, an even count is no level.
        if form.columns > 1 {
            found.retain(|&column| !grows_evenly(&form.rows, column) || form.rows.len() < 3);
        }
        let titled = meanings.iter().any(|m| m.quantity.is_some());
        if titled && found.len() > 1 {
            return Err(ParseErrorKind::NoLevelColumn);
        }
    } else {
        // A loss per event or the like may stand beside the levels.
        let levels = columns_where(meanings, |m| m.quantity == Some(Quantity::Level));
        if !levels.is_empty() {
            found = levels;
        }
    }
    if found.is_empty() {
        return Err(ParseErrorKind::NoLevelColumn);
    }
    found
        .into_iter()
        .map(|column| {
            let meaning = meanings.get(column).cloned().unwrap_or_default();
            if let Some(found) = meaning.linear.filter(|_| meaning.level_unit.is_none()) {
                return Err(ParseErrorKind::LinearLevels { found });
            }
            if let (Some(title), Some(header)) = (meaning.level_unit, structure.level_unit)
                && title != header
            {
                return Err(ParseErrorKind::UnitsDiffer {
                    title: title.to_string(),
                    header: header.to_string(),
                });
            }
            Ok(LevelColumn {
                column,
                unit: meaning.level_unit.or(structure.level_unit),
                titled: meaning.named,
                titled_loss: meaning.quantity == Some(Quantity::Loss),
                wavelength_nm: meaning.wavelength_nm,
                direction: meaning.direction,
            })
        })
        .collect()
}

fn columns_where(meanings: &[Meaning], holds: impl Fn(&Meaning) -> bool) -> Vec<usize> {
    meanings
        .iter()
        .enumerate()
        .filter(|(_, m)| holds(m))
        .map(|(column, _)| column)
        .collect()
}

fn has_values(form: &Form, column: usize) -> bool {
    form.rows
        .iter()
        .any(|row| row.get(column).is_some_and(|v| v.is_finite()))
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
