//! Header lines: keys, values, and the settings they mean.

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};
use crate::warning::Warning;

use super::dialect::Separator;
use super::entry::{Entry, entry};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::keys::{
    AVERAGING_S, BACKSCATTER_DB, CORD_M, INDEX, Known, PULSE_NS, SPACING_M, START_M, WAVELENGTH_NM,
    is_known_key, plain_key,
};
use super::lines::Line;
use super::number::DecimalMark;
use super::quantity::{Refusal, Wanted, quantity};
use super::titles::{DistanceUnit, LevelUnit};

/// One line of the header, as written and as understood.
#[derive(Debug, Clone, PartialEq, Eq)]
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
#[derive(Debug, Clone, PartialEq, Eq)]
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
    time: Option<(String, String)>,
}

/// Most entries kept from one header.
const MOST_ENTRIES: usize = 10_000;
/// Most notes kept from one file.
const MOST_NOTES: usize = 1_000;
/// Characters kept of a note.
const LONGEST_NOTE: usize = 500;
/// How the header of one file is to be read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Context {
    pub(super) separator: Separator,
    /// The file's decimal mark, where its samples show it.
    pub(super) decimal: Option<DecimalMark>,
}

impl Settings {
    /// Takes a line before the samples: a setting, or else a note.
    pub(super) fn take(&mut self, line: Line<'_>, context: Context) -> Result<(), ParseError> {
        if line.text.trim().is_empty() {
            return Ok(());
        }
        match entry(line.text, context.separator) {
            // What some spreadsheets read before a table.
            Some(entry) if entry.key == "sep" && entry.value.is_empty() => {
                self.take_note(line);
                Ok(())
            }
            // A row of a table rather than a key and its value.
            Some(entry) if entry.pieces > 1 && !is_known_key(&entry.key) => {
                self.take_note(line);
                Ok(())
            }
            Some(entry) => self.take_entry(line, &entry, context),
            None => {
                self.take_note(line);
                Ok(())
            }
        }
    }

    /// Takes a line after the samples: a setting only when marked as a comment.
    pub(super) fn take_after(
        &mut self,
        line: Line<'_>,
        context: Context,
    ) -> Result<(), ParseError> {
        if line.text.trim_start().starts_with('#') {
            return self.take(line, context);
        }
        if !line.text.trim().is_empty() {
            self.take_note(line);
        }
        Ok(())
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
        context: Context,
    ) -> Result<(), ParseError> {
        if self.entries.len() >= MOST_ENTRIES {
            let kind = ParseErrorKind::LimitExceeded {
                what: "header entries",
                found: self.entries.len() as u64 + 1,
                limit: MOST_ENTRIES as u64,
            };
            return Err(kind.at(line.number, line.text, 0));
        }
        let (key, unit) = plain_key(&entry.key);
        let known = Known::from_key(&key);
        let mut means = known.map(Known::name);
        let value = entry.value.as_str();
        let unknown = matches!(
            value.to_lowercase().as_str(),
            "" | "-" | "--" | "---" | "?" | "n/a" | "unknown" | "not set"
        );
        if let Some(known) = known.filter(|_| !unknown) {
            self.note_repeat(known, line, entry)?;
            let taken = self.set(known, value, unit.as_deref(), context, line.number);
            means = means.filter(|_| taken != Ok(Taken::No));
            taken.map_err(|refusal| refuse(refusal, known, line, entry))?;
        } else {
            means = None;
        }
        if means.is_none() && !(unknown && known.is_some()) {
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

    /// Refuses a setting given twice with different values; notes may repeat.
    fn note_repeat(&self, known: Known, line: Line<'_>, entry: &Entry) -> Result<(), ParseError> {
        if known == Known::Note {
            return Ok(());
        }
        let before = self.entries.iter().find(|e| e.means == Some(known.name()));
        match before {
            Some(before) if before.value != entry.value => Err(ParseErrorKind::SettingTwice {
                key: entry.key.clone(),
                found: excerpt(&entry.value),
                before: excerpt(&before.value),
                before_line: before.line,
            }
            .at(line.number, line.text, entry.value_start)),
            _ => Ok(()),
        }
    }

    fn set(
        &mut self,
        known: Known,
        value: &str,
        unit: Option<&str>,
        context: Context,
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
            Known::Averaging => match read(AVERAGING_S) {
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
                let unit = DistanceUnit::from_word(&value.to_lowercase());
                self.structure.distance_unit = Some(unit.ok_or(Refusal::NotUnderstood)?);
            }
            Known::LevelUnit => {
                self.structure.level_unit = Some(match value.to_lowercase().as_str() {
                    "db" | "dbm" | "decibel" | "decibels" => LevelUnit::Decibel,
                    "mdb" => LevelUnit::Millidecibel,
                    _ => return Err(Refusal::NotUnderstood),
                });
            }
            Known::Samples => match value.replace([' ', ',', '.', '\''], "").parse() {
                Ok(samples) => self.structure.samples = Some(samples),
                Err(_) => return Ok(Taken::No),
            },
        }
        Ok(Taken::Yes)
    }

    /// Joins a date and a time of day that stand on two lines.
    pub(super) fn finish(&mut self) {
        if let Some((key, time)) = self.time.take() {
            match &mut self.header.measured {
                Some(date) if !date.contains(':') => {
                    date.push(' ');
                    date.push_str(&time);
                }
                _ => self.header.other.push((key, time)),
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Taken {
    Yes,
    No,
}

fn cord(value: &str, read: impl Fn(Wanted) -> Result<f64, Refusal>) -> Result<Length, Refusal> {
    let none = ["none", "no"]
        .iter()
        .any(|word| word.eq_ignore_ascii_case(value));
    Ok(Length::from_m(if none { 0.0 } else { read(CORD_M)? }))
}

fn doubt_backscatter(db: f64, line: usize) -> Option<Warning> {
    let message = if db > 0.0 {
        format!("line {line}: backscatter coefficient {db} dB is taken as -{db} dB")
    } else if db > -70.0 {
        // At 1 µs the same fibre reads 10·log10(1000) = 30 dB more.
        format!(
            "line {line}: backscatter coefficient {db} dB looks like one at 1 µs; wanted is the one \
             at 1 ns, 30 dB lower"
        )
    } else {
        return None;
    };
    Some(Warning::new("backscatter coefficient doubtful", message))
}

fn refuse(refusal: Refusal, known: Known, line: Line<'_>, entry: &Entry) -> ParseError {
    let wanted = match known {
        Known::Wavelength => WAVELENGTH_NM.words,
        Known::Pulse => PULSE_NS.words,
        Known::Index => INDEX.words,
        Known::Backscatter => BACKSCATTER_DB.words,
        Known::Averaging => AVERAGING_S.words,
        Known::Launch | Known::Tail => CORD_M.words,
        Known::Spacing => SPACING_M.words,
        Known::Start => START_M.words,
        Known::DistanceUnit => "one of m, km, ft, kft, miles, ns, us",
        Known::LevelUnit => "dB or mdB; levels in linear units are not read",
        _ => "a value",
    };
    let key = entry.key.clone();
    let found = excerpt(&entry.value);
    let kind = match refusal {
        Refusal::NotUnderstood => ParseErrorKind::BadSetting { key, found, wanted },
        Refusal::UnitMissing => ParseErrorKind::SettingWithoutUnit { key, found, wanted },
    };
    kind.at(line.number, line.text, entry.value_start)
}
#[cfg(test)]
mod tests {
    use super::*;

    fn read(lines: &str, separator: Separator) -> Result<Settings, ParseError> {
        let context = Context {
            separator,
            decimal: Some(DecimalMark::Point),
        };
        let mut settings = Settings::default();
        for line in super::super::lines::lines_from(lines, 0, 1) {
            settings.take(line, context)?;
        }
        settings.finish();
        Ok(settings)
    }

    #[test]
    fn every_way_to_write_a_key_and_value_is_read() {
        for line in [
            "# pulse width: 100 ns",
            "Pulse width: 100 ns",
            "pulse=0.1 us",
            "PULSE WIDTH;100 ns",
            "Pulse width (ns): 100",
            "pulse_width_ns = 100",
            "Pulse width;100;ns",
            "Pulse;100 ns;",
            "\"Pulse width\";\"100 ns\"",
            "// pulse: 100ns",
            "Pulse width:;100 ns",
            "pulse width 100 ns",
            "; pulse width: 100 ns",
        ] {
            let found = read(line, Separator::Semicolon).unwrap();
            assert_eq!(
                found.header.pulse_width,
                Some(PulseWidth::from_ns(100.0)),
                "{line}"
            );
        }
    }

    #[test]
    fn unknown_keys_and_texts_are_kept() {
        let found = read(
            "# Filter: on\nBackscatter listing\n# time: 10:22\n# date: 14 March",
            Separator::Comma,
        )
        .unwrap();
        assert_eq!(found.header.other, [("Filter".to_owned(), "on".to_owned())]);
        assert_eq!(
            found.notes,
            [Note {
                line: 2,
                text: "Backscatter listing".to_owned()
            }]
        );
        assert_eq!(found.header.measured.as_deref(), Some("14 March 10:22"));
    }

    #[test]
    fn a_setting_without_its_unit_is_refused_at_its_place() {
        let error = read("# fibre: 1\n# pulse width: 100", Separator::Comma).unwrap_err();
        assert_eq!(
            error.to_string(),
            "line 2, column 16: pulse width is \"100\" without a unit; wanted a time from 0.01 ns to \
             200 us, such as `100 ns`"
        );
    }

    #[test]
    fn a_setting_given_twice_must_agree() {
        assert!(
            read(
                "# wavelength: 1550 nm\n# Wavelength: 1550 nm",
                Separator::Comma
            )
            .is_ok()
        );
        let error = read(
            "# wavelength: 1550 nm\n# wavelength: 1310 nm",
            Separator::Comma,
        )
        .unwrap_err();
        assert!(matches!(
            error.kind,
            ParseErrorKind::SettingTwice { before_line: 1, .. }
        ));
    }

    #[test]
    fn no_cord_is_zero_and_a_dash_is_unknown() {
        let found = read("# launch cord: none\n# tail cord: -", Separator::Comma).unwrap();
        assert_eq!(found.header.launch_cord, Some(Length::from_m(0.0)));
        assert_eq!(found.header.tail_cord, None);
    }
}
