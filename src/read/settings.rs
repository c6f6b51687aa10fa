//! Header lines: keys, values, and the settings they mean.

use serde::Serialize;

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};
use crate::warning::Warning;

use super::dialect::{Separator, split};
use super::entry::{Entry, entries, entry, setting_in_note};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::keys::{
    AVERAGING_S, BACKSCATTER_DB, INDEX, PULSE_NS, SPACING_M, START_M, WAVELENGTH_NM, plain_key,
};
use super::lines::{Line, lines_from};
use super::lists::{List, Numbered, clock, list_in_columns, list_of, lists_by_number, numbered};
use super::number::DecimalMark;
use super::quantity::{Refusal, Wanted, quantity};
use super::recipe::Recipe;
use super::titles::{DistanceUnit, LevelUnit};
use super::words::{Key, Known, Vocabulary};

mod after;
mod before;
mod columns;
mod decimal;
mod values;
mod way;

pub(super) use decimal::decimal_of;
pub(super) use decimal::is_text;
pub(super) use values::wanted_of;
use values::{cord, doubt_backscatter, unit_of_distance, wanted_words};
use way::ends_of;
pub(super) use way::{TO, direction_by_names, names_an_end};

/// One line of the header, as written and as understood.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Setting {
    /// Line in the file, counted from 1.
    pub line: usize,
    /// Key as written.
    pub key: String,
    /// Value as written.
    pub value: String,
    /// Key of the trace text that it means; `None` when kept as it is.
    pub means: Option<&'static str>,
}

/// A line that is neither a setting nor a sample.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Note {
    /// Line in the file, counted from 1.
    pub line: usize,
    /// The line; a very long one is cut.
    pub text: String,
}

/// What the header says of the samples themselves.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Structure {
    pub(super) spacing_m: Option<f64>,
    /// The key that gave the spacing, where it may mean something else.
    pub(super) spacing_word: Option<String>,
    pub(super) start_m: Option<f64>,
    pub(super) distance_unit: Option<DistanceUnit>,
    pub(super) level_unit: Option<LevelUnit>,
    pub(super) samples: Option<usize>,
}

/// Everything taken from the lines around the samples.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Settings {
    pub(super) header: Header,
    pub(super) structure: Structure,
    pub(super) entries: Vec<Setting>,
    pub(super) notes: Vec<Note>,
    pub(super) warnings: Vec<Warning>,
    /// Values given once for each column of levels.
    pub(super) lists: Vec<List>,
    /// Values of `wavelength 2` and the like, in the order of the lines.
    numbered: Vec<Numbered>,
    time: Option<(String, String)>,
    /// The two ends that `Direction: A to B` names, the first one first, and its line.
    way: Option<(String, String, usize)>,
}

/// The rows of samples of one block.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rows<'t> {
    pub(super) text: &'t str,
    pub(super) start: usize,
    /// Number of the first row's line.
    pub(super) line: usize,
    pub(super) end: usize,
}

/// Most entries kept from one header.
const MOST_ENTRIES: usize = 10_000;
/// Most notes kept from one file.
const MOST_NOTES: usize = 1_000;
/// Characters kept of a note.
const LONGEST_NOTE: usize = 500;
/// Longest line that is taken as a setting, in bytes.
const LONGEST_LINE: usize = 1 << 16;
/// How the header of one file is to be read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Context<'v> {
    pub(super) separator: Separator,
    pub(super) vocabulary: &'v Vocabulary,
    /// The file's decimal mark, where its samples show it.
    pub(super) decimal: Option<DecimalMark>,
}

impl Settings {
    /// Takes a line before the samples: a setting, or else a note.
    pub(super) fn take(&mut self, line: Line<'_>, context: Context<'_>) -> Result<(), ParseError> {
        self.take_entries(line, None, context)
    }

    /// The same with the entries of the line, where they are known.
    fn take_entries(
        &mut self,
        line: Line<'_>,
        known: Option<Vec<Entry>>,
        context: Context<'_>,
    ) -> Result<(), ParseError> {
        if line.text.trim().is_empty() {
            return Ok(());
        }
        if line.text.len() > LONGEST_LINE && !Self::is_number(line.text, context) {
            self.take_note(line);
            self.warnings.push(Warning::new(
                "long line cut",
                format!(
                    "line {} is longer than {LONGEST_LINE} bytes; its start is kept as a note",
                    line.number
                ),
            ));
            return Ok(());
        }
        let entries =
            known.unwrap_or_else(|| entries(line.text, context.separator, context.vocabulary));
        if entries.is_empty() {
            self.take_note(line);
        }
        if let [one] = entries.as_slice()
            && let Some(key) = setting_in_note(one, context.vocabulary)
        {
            self.warnings.push(Warning::new(
                "setting in a note",
                format!(
                    "line {}: the note names {key:?}, which is taken as a part of the note; give the setting a \
                     line of its own",
                    line.number
                ),
            ));
        }
        for entry in entries {
            // What some spreadsheets read before a table.
            let spreadsheet = entry.key == "sep" && entry.value.is_empty();
            // A row of a table rather than a key and its value.
            let words = plain_key(&entry.key).0;
            let key = context.vocabulary.key(&words);
            let unknown = key.is_none() && numbered(&words, context.vocabulary).is_none();
            // A text that goes on with a key of another setting is a row of keys.
            let keys = || {
                let mut others = split(line.text, context.separator).skip(2);
                others.any(|other| {
                    let key = context.vocabulary.key(&plain_key(&other.text).0);
                    key.is_some_and(|key| key.sure && key.known != Known::Note)
                })
            };
            let text = key.is_some_and(|key| is_text(key.known) && key.known != Known::Note);
            let table = entry.pieces > 1 && (unknown || entry.pieces > 2 && text && keys());
            if spreadsheet || table {
                self.take_note(line);
            } else {
                self.take_entry(line, &entry, context)?;
            }
        }
        Ok(())
    }

    /// Whether a line gives a number that scales results: then it must be right.
    fn is_number(line: &str, context: Context<'_>) -> bool {
        let start = line
            .char_indices()
            .nth(200)
            .and_then(|(cut, _)| line.get(..cut));
        let entry = start.and_then(|start| entry(start, context.separator, context.vocabulary));
        let key = entry.and_then(|entry| context.vocabulary.key(&plain_key(&entry.key).0));
        key.is_some_and(|key| !is_text(key.known))
    }

    fn take_note(&mut self, line: Line<'_>) {
        if self.notes.len() < MOST_NOTES {
            let text = line.text.trim();
            let cut = text
                .char_indices()
                .nth(LONGEST_NOTE)
                .map_or(text.len(), |(cut, _)| cut);
            let text = text.get(..cut).unwrap_or(text).to_owned();
            self.notes.push(Note {
                line: line.number,
                text,
            });
        } else if !self.warnings.iter().any(|w| w.code == "notes left out") {
            self.warnings.push(Warning::new(
                "notes left out",
                format!("only the first {MOST_NOTES} lines of notes are kept"),
            ));
        }
    }

    fn take_entry(
        &mut self,
        line: Line<'_>,
        entry: &Entry,
        context: Context<'_>,
    ) -> Result<(), ParseError> {
        if self.entries.len() >= MOST_ENTRIES {
            let kind = ParseErrorKind::LimitExceeded {
                what: "header entries",
                found: self.entries.len() as u64 + 1,
                limit: MOST_ENTRIES as u64,
            };
            return Err(kind.at(line.number, line.text, 0));
        }
        let (words, unit) = plain_key(&entry.key);
        let key = context.vocabulary.key(&words);
        let mut means = None;
        let value = entry.value.as_str();
        let unknown = matches!(
            value.to_lowercase().as_str(),
            "" | "-" | "--" | "---" | "?" | "n/a" | "unknown" | "not set"
        );
        if let Some(key) = key.filter(|_| !unknown) {
            means = self.take_known(line, entry, (key, unit.as_deref()), context)?;
        } else if let Some(one) = numbered(&words, context.vocabulary).filter(|_| !unknown) {
            means = self.take_numbered(one, unit.as_deref(), line, entry, context);
        }
        if means.is_none() && !(unknown && key.is_some()) {
            self.header
                .other
                .push((entry.key.clone(), entry.value.clone()));
        }
        self.entries.push(Setting {
            line: line.number,
            key: entry.key.clone(),
            value: entry.value.clone(),
            means,
        });
        Ok(())
    }

    /// Takes a setting whose key has a meaning; gives its name where it is used.
    fn take_known(
        &mut self,
        line: Line<'_>,
        entry: &Entry,
        (key, unit): (Key, Option<&str>),
        context: Context<'_>,
    ) -> Result<Option<&'static str>, ParseError> {
        let known = key.known;
        // `Data` is a date in some languages, and a heading in English: `Data: raw`.
        let heading = known == Known::Measured && plain_key(&entry.key).0 == "data";
        if heading && !entry.value.contains(|c: char| c.is_ascii_digit()) {
            return Ok(None);
        }
        let before = self.entries.iter().find(|e| e.means == Some(known.name()));
        if let Some(before) = before.filter(|_| known != Known::Note) {
            let same_key = plain_key(&before.key).0 == plain_key(&entry.key).0;
            let differs = before.value != entry.value && !self.agrees(known, entry, unit, context);
            if differs && key.sure && (same_key || !is_text(known)) {
                let kind = ParseErrorKind::SettingTwice {
                    key: entry.key.clone(),
                    found: excerpt(&entry.value),
                    before: excerpt(&before.value),
                    before_line: before.line,
                };
                return Err(kind.at(line.number, line.text, entry.value_start));
            }
            // `Fibre no.: 17` and `Fibre name: blue` are both right; the first counts.
            if before.value != entry.value {
                return Ok(None);
            }
        }
        let in_columns = || {
            let rest = line
                .text
                .get(entry.value_start..)
                .filter(|_| entry.pieces > 1)?;
            list_in_columns(known, rest, unit, context.separator, context.decimal)
        };
        if let Some(values) =
            list_of(known, &entry.value, unit, context.decimal).or_else(in_columns)
        {
            self.lists.push(List {
                known,
                values,
                at_nm: Vec::new(),
                line: line.number,
                key: entry.key.clone(),
                text: entry.value.clone(),
            });
            return Ok(Some(known.name()));
        }
        let taken = self.set(known, &entry.value, unit, context, line.number);
        if known == Known::Spacing && !key.sure && taken == Ok(Taken::Yes) {
            self.structure.spacing_word = Some(entry.key.clone());
        }
        match taken {
            Ok(Taken::Yes) => Ok(Some(known.name())),
            Ok(Taken::No) => Ok(None),
            Err(_) if !key.sure => Ok(None),
            Err(refusal) => Err(refuse(refusal, known, line, entry)),
        }
    }

    /// Takes `wavelength 2: 1550 nm` as the second of a list.
    fn take_numbered(
        &mut self,
        (known, place): (Known, usize),
        unit: Option<&str>,
        line: Line<'_>,
        entry: &Entry,
        context: Context<'_>,
    ) -> Option<&'static str> {
        let wanted = wanted_of(known)?;
        let value = quantity(&entry.value, unit, wanted, context.decimal).ok()?;
        let is_taken = |n: &Numbered| n.known == known && n.place == place;
        if self.numbered.iter().any(is_taken) {
            return None;
        }
        self.numbered.push(Numbered {
            known,
            place,
            value,
            line: line.number,
            key: entry.key.clone(),
            text: entry.value.clone(),
        });
        Some(known.name())
    }

    /// Whether a value is the number that is already taken: `1550 nm` and `1.55 µm`.
    fn agrees(
        &self,
        known: Known,
        entry: &Entry,
        unit: Option<&str>,
        context: Context<'_>,
    ) -> bool {
        let mut other = Self::default();
        let taken = other.set(known, &entry.value, unit, context, 0);
        let number = |settings: &Self| {
            let (header, structure) = (&settings.header, &settings.structure);
            match known {
                Known::Wavelength => header.wavelength.map(Wavelength::nm),
                Known::Pulse => header.pulse_width.map(PulseWidth::ns),
                Known::Index => header.group_index.map(GroupIndex::ratio),
                Known::Backscatter => header.backscatter.map(BackscatterCoefficient::db),
                Known::Averaging => header.averaging_time_s,
                Known::Launch => header.launch_cord.map(Length::m),
                Known::Tail => header.tail_cord.map(Length::m),
                Known::Spacing => structure.spacing_m,
                Known::Start => structure.start_m,
                _ => None,
            }
        };
        taken == Ok(Taken::Yes)
            && matches!((number(self), number(&other)), (Some(a), Some(b)) if a.to_bits() == b.to_bits())
    }

    fn set(
        &mut self,
        known: Known,
        value: &str,
        unit: Option<&str>,
        context: Context<'_>,
        line: usize,
    ) -> Result<Taken, Refusal> {
        let read = |wanted: Wanted| quantity(value, unit, wanted, context.decimal);
        let text = Some(value.to_owned());
        let header = &mut self.header;
        match known {
            Known::Fibre => header.fibre = text,
            Known::Cable => header.cable = text,
            Known::From => header.from = text,
            Known::To => header.to = text,
            Known::Direction => match ends_of(value) {
                Some((first, second)) => self.way = Some((first, second, line)),
                None => return Ok(Taken::No),
            },
            Known::Measured => header.measured = text,
            Known::Instrument => header.instrument = text,
            Known::Serial => header.serial = text,
            Known::Calibrated => header.calibrated_until = text,
            Known::Operator => header.operator = text,
            Known::Note => {
                header.note = match header.note.take() {
                    Some(before) => Some(format!("{before} / {value}")),
                    None => text,
                }
            }
            // `Measurement time: 60 s`
            Known::Time if header.averaging_time_s.is_none() && read(AVERAGING_S).is_ok() => {
                header.averaging_time_s = Some(read(AVERAGING_S)?);
            }
            Known::Time => self.time = text.map(|time| ("time".to_owned(), time)),
            Known::Wavelength => {
                header.wavelength = Some(Wavelength::from_nm(read(WAVELENGTH_NM)?));
            }
            Known::Pulse => header.pulse_width = Some(PulseWidth::from_ns(read(PULSE_NS)?)),
            Known::Index => header.group_index = Some(GroupIndex::from_ratio(read(INDEX)?)),
            Known::Backscatter => {
                let db = read(BACKSCATTER_DB)?;
                header.backscatter = Some(BackscatterCoefficient::from_db(-db.abs()));
                self.warnings.extend(doubt_backscatter(db, line));
            }
            Known::Averaging => match clock(value).map_or_else(|| read(AVERAGING_S), Ok) {
                // The averaging time scales no result: without its unit it is only kept.
                Err(Refusal::UnitMissing) => {
                    self.warnings.push(Warning::new(
                        "averaging time without unit",
                        format!(
                            "line {line}: averaging time {value:?} has no unit and is not used"
                        ),
                    ));
                    return Ok(Taken::No);
                }
                seconds => header.averaging_time_s = Some(seconds?),
            },
            Known::Launch => header.launch_cord = Some(cord(value, read)?),
            Known::Tail => header.tail_cord = Some(cord(value, read)?),
            Known::Spacing => self.structure.spacing_m = Some(read(SPACING_M)?),
            Known::Start => self.structure.start_m = Some(read(START_M)?),
            Known::DistanceUnit => {
                let unit = unit_of_distance(&value.to_lowercase());
                self.structure.distance_unit = Some(unit.ok_or(Refusal::NotUnderstood)?);
            }
            Known::LevelUnit => {
                let unit = LevelUnit::from_word(&value.to_lowercase());
                self.structure.level_unit = Some(unit.ok_or(Refusal::NotUnderstood)?);
            }
            Known::Samples => match value.replace([' ', ',', '.', '\''], "").parse() {
                Ok(samples) => self.structure.samples = Some(samples),
                Err(_) => return Ok(Taken::No),
            },
        }
        Ok(Taken::Yes)
    }

    /// Takes the settings of a recipe where the file gives none; gives those used.
    pub(super) fn fill(&mut self, recipe: &Recipe) -> Vec<(String, String)> {
        let mut used = Vec::new();
        for (key, value) in &recipe.settings {
            let Some(known) = Known::from_name(key) else {
                continue;
            };
            let given = self.entries.iter().any(|e| e.means == Some(known.name()));
            let context = Context::of_recipe(&recipe.vocabulary);
            if !given && self.set(known, value, None, context, 0) == Ok(Taken::Yes) {
                used.push((key.clone(), value.clone()));
            }
        }
        used
    }

    /// Joins a date and a time of day that stand on two lines, and the values of
    /// numbered keys.
    pub(super) fn finish(&mut self) {
        self.pair_ends();
        self.turn_ends();
        let (lists, left) = lists_by_number(std::mem::take(&mut self.numbered));
        self.lists.extend(lists);
        for one in left {
            let entry = self
                .entries
                .iter_mut()
                .find(|e| e.line == one.line && e.key == one.key);
            if let Some(entry) = entry {
                entry.means = None;
            }
            self.warnings.push(Warning::new(
                "number not understood",
                format!(
                    "line {}: {:?} is one of several numbered settings, and the numbers neither start at 1 nor are \
                     wavelengths; it is not used",
                    one.line, one.key
                ),
            ));
            self.header.other.push((one.key, one.text));
        }
        if let Some((key, time)) = self.time.take() {
            match &mut self.header.measured {
                Some(date) if !date.contains(':') && time.contains([':', '.']) => {
                    date.push(' ');
                    date.push_str(&time);
                }
                _ => self.header.other.push((key, time)),
            }
        }
    }
}

/// Checks a setting of a recipe.
pub(super) fn check(key: &str, value: &str) -> Result<(), String> {
    let known = Known::from_name(key).ok_or_else(|| {
        format!(
            "{key:?} is no setting; wanted one of `{}`",
            Known::NAMES.join("`, `")
        )
    })?;
    let vocabulary = Vocabulary::default();
    let context = Context::of_recipe(&vocabulary);
    match Settings::default().set(known, value, None, context, 0) {
        Ok(_) => Ok(()),
        Err(_) => Err(format!(
            "{key} is {value:?}; wanted {}",
            wanted_words(known)
        )),
    }
}

impl<'v> Context<'v> {
    /// A header whose samples are not understood yet.
    pub(super) fn of_header(vocabulary: &'v Vocabulary) -> Self {
        Self {
            separator: Separator::WhiteSpace,
            decimal: None,
            vocabulary,
        }
    }

    /// Settings in a recipe are written as in the plain trace text.
    fn of_recipe(vocabulary: &'v Vocabulary) -> Self {
        Self {
            separator: Separator::Comma,
            decimal: Some(DecimalMark::Point),
            vocabulary,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Taken {
    Yes,
    No,
}

fn refuse(refusal: Refusal, known: Known, line: Line<'_>, entry: &Entry) -> ParseError {
    let wanted = wanted_words(known);
    let key = entry.key.clone();
    let found = excerpt(&entry.value);
    let kind = match refusal {
        Refusal::NotUnderstood => ParseErrorKind::BadSetting { key, found, wanted },
        Refusal::UnitMissing => ParseErrorKind::SettingWithoutUnit { key, found, wanted },
    };
    kind.at(line.number, line.text, entry.value_start)
}

#[cfg(test)]
mod tests;
