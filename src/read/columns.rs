//! Which column is what: by its title, else by how its numbers run.

use super::error::{ParseError, ParseErrorKind};
use super::evidence::{Form, grows_evenly};
use super::lines::Line;
use super::recipe::Recipe;
use super::samples::Wanted;
use super::settings::Structure;
use super::title_row::TitleRow;
use super::titles::{Direction, DistanceUnit, LevelUnit, Meaning};
use super::words::Quantity;

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
    /// For each column of levels the column of its own distances, where those of the
    /// first do not hold for it, and their unit.
    pub(super) own: Vec<Option<(usize, Option<DistanceUnit>)>>,
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
            levels: {
                let levels = self.levels.iter().map(|level| level.column);
                let own = self.own.iter().flatten().map(|(column, _)| *column);
                levels.chain(own).collect()
            },
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
        own: own_distances(&meanings, distance, &levels),
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

/// The column of distances before each column of levels, where every one has its own:
/// `Distance (m);1310 nm (dB);Distance (m);1550 nm (dB)`; `None` for the first.
fn own_distances(
    meanings: &[Meaning],
    first: Option<usize>,
    levels: &[LevelColumn],
) -> Vec<Option<(usize, Option<DistanceUnit>)>> {
    let distances = columns_where(meanings, |m| m.quantity == Some(Quantity::Distance));
    let next = distances.iter().skip(1).copied().chain([meanings.len()]);
    let in_turn = |((distance, level), next): ((&usize, &LevelColumn), usize)| {
        *distance < level.column && level.column < next
    };
    let paired = distances.len() == levels.len()
        && first == distances.first().copied()
        && distances.iter().zip(levels).zip(next).all(in_turn);
    let unit = |column: usize| meanings.get(column).and_then(|m| m.distance_unit);
    distances
        .iter()
        .filter(|_| paired)
        .map(|&column| (Some(column) != first).then(|| (column, unit(column))))
        .collect()
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
