//! Reading a splice log: comma-separated values with columns that the user names.

use jiff::civil::{Date, DateTime};
use serde::Deserialize;

use crate::units::Loss;

/// Estimates above this are a wrong column or unit, dB.
const MOST_DB: f64 = 20.0;
/// Counts above this are a wrong column.
const MOST_COUNT: f64 = 1e7;

/// Titles of the columns. Joint, fibre and estimated loss must be there; of the others
/// those that were not named are taken where their usual title is there.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LogColumns {
    /// The joint or closure; usually `joint`.
    pub joint: Option<String>,
    /// The fibre; usually `fibre`.
    pub fibre: Option<String>,
    /// The machine's estimate in dB; usually `estimated_loss_db`.
    pub estimated_loss_db: Option<String>,
    /// Date, or date and time; usually `time`.
    pub time: Option<String>,
    /// How dates are written, such as `%d.%m.%Y %H:%M`; else 2026-04-13 or
    /// 2026-04-13T09:12.
    pub time_form: Option<String>,
    /// The splicing machine; usually `machine`.
    pub machine: Option<String>,
    /// Who spliced; usually `operator`.
    pub operator: Option<String>,
    /// Arcs since the electrodes were new; usually `arcs_since_electrodes`.
    pub arcs_since_electrodes: Option<String>,
    /// Cleaves since the blade was turned; usually `cleaves_since_blade`.
    pub cleaves_since_blade: Option<String>,
}

/// One line of a splice log; what is missing was left empty or has no column.
#[derive(Debug, Clone, PartialEq)]
pub struct LogEntry {
    /// Its line in the file, counted from 1.
    pub line: u64,
    /// The joint or closure.
    pub joint: String,
    /// The fibre.
    pub fibre: String,
    /// The machine's estimate.
    pub estimate: Option<Loss>,
    /// Day.
    pub day: Option<Date>,
    /// The splicing machine.
    pub machine: Option<String>,
    /// Who spliced.
    pub operator: Option<String>,
    /// Arcs since the electrodes were new.
    pub arcs: Option<f64>,
    /// Cleaves since the blade was turned.
    pub cleaves: Option<f64>,
}

/// Why a splice log cannot be read; lines and columns count from 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LogError {
    /// A column that is not there.
    #[error("line 1: no column is titled {wanted:?}; the titles are {}", titles.join(", "))]
    NoColumn {
        /// Title that was looked for.
        wanted: String,
        /// Titles of the file.
        titles: Vec<String>,
    },
    /// A value that is not what its column holds.
    #[error("line {line}, column {column} ({title}): {found:?} found; wanted {wanted}")]
    Value {
        /// Line.
        line: u64,
        /// Column, counted in fields.
        column: usize,
        /// Title of the column.
        title: String,
        /// The text there.
        found: String,
        /// What was wanted.
        wanted: String,
    },
    /// Rows that are no rows.
    #[error("line {line}: {message}")]
    Row {
        /// Line.
        line: u64,
        /// The reader's words.
        message: String,
    },
    /// Nothing below the titles.
    #[error("the log has no entries")]
    Empty,
}

/// A column that was found.
#[derive(Debug, Clone)]
struct Found {
    idx: usize,
    title: String,
}

struct Row<'r> {
    record: &'r csv::StringRecord,
    line: u64,
    comma_decimals: bool,
}

impl Row<'_> {
    fn text(&self, column: Option<&Found>) -> Option<String> {
        let text = self.record.get(column?.idx)?.trim();
        (!text.is_empty()).then(|| text.to_owned())
    }

    fn wrong(&self, column: &Found, found: &str, wanted: impl Into<String>) -> LogError {
        LogError::Value {
            line: self.line,
            column: column.idx + 1,
            title: column.title.clone(),
            found: found.to_owned(),
            wanted: wanted.into(),
        }
    }

    fn needed(&self, column: &Found) -> Result<String, LogError> {
        self.text(Some(column))
            .ok_or_else(|| self.wrong(column, "", "a name"))
    }

    fn number(
        &self,
        column: Option<&Found>,
        (min, max): (f64, f64),
        what: &str,
    ) -> Result<Option<f64>, LogError> {
        let (Some(column), Some(text)) = (column, self.text(column)) else {
            return Ok(None);
        };
        let plain = if self.comma_decimals {
            text.replace(',', ".")
        } else {
            text.clone()
        };
        match plain.parse::<f64>() {
            Ok(value) if (min..=max).contains(&value) => Ok(Some(value)),
            _ => Err(self.wrong(column, &text, format!("{what} from {min} to {max}"))),
        }
    }

    fn day(&self, column: Option<&Found>, form: Option<&str>) -> Result<Option<Date>, LogError> {
        let (Some(column), Some(text)) = (column, self.text(column)) else {
            return Ok(None);
        };
        let day = match form {
            Some(form) => Date::strptime(form, &text)
                .or_else(|_date| DateTime::strptime(form, &text).map(DateTime::date)),
            None => text
                .parse::<DateTime>()
                .map(DateTime::date)
                .or_else(|_time| text.parse::<Date>()),
        };
        let wanted = form.map_or_else(
            || {
                "a date such as 2026-04-13 or 2026-04-13T09:12 (state another form as `time_form`)"
                    .to_owned()
            },
            |form| format!("a date of the form {form:?}"),
        );
        day.map(Some)
            .map_err(|_form| self.wrong(column, &text, wanted))
    }
}

/// Reads a splice log. Fields are separated by the semicolon, tab or comma that the
/// titles hold most of; decimal commas are read where the comma separates nothing.
///
/// # Errors
/// [`LogError`] with line and column.
///
/// # Example
/// ```
/// use bothends::cable::splice_log::{LogColumns, read_log};
/// let text = "closure;fibre;estimate\nclosure 7;017;0,03\n";
/// let columns = LogColumns {
///     joint: Some("closure".into()),
///     estimated_loss_db: Some("estimate".into()),
///     ..LogColumns::default()
/// };
/// let log = read_log(text, &columns)?;
/// assert_eq!(log[0].estimate.unwrap().db(), 0.03);
/// # Ok::<(), bothends::cable::splice_log::LogError>(())
/// ```
pub fn read_log(text: &str, columns: &LogColumns) -> Result<Vec<LogEntry>, LogError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let first = text.lines().next().unwrap_or_default();
    let count = |mark: char| first.matches(mark).count();
    let separator = [';', '\t', ',']
        .into_iter()
        .max_by_key(|&mark| count(mark))
        .filter(|&mark| count(mark) > 0)
        .unwrap_or(',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator as u8)
        .from_reader(text.as_bytes());
    let row_error = |error: &csv::Error| LogError::Row {
        line: error.position().map_or(1, csv::Position::line),
        message: error.to_string(),
    };
    let titles: Vec<String> = (reader.headers())
        .map_err(|error| row_error(&error))?
        .iter()
        .map(|title| title.trim().to_owned())
        .collect();
    let column = |named: Option<&String>, usual: &str| {
        let wanted = named.map_or(usual, String::as_str);
        let idx = (titles.iter()).position(|title| title.eq_ignore_ascii_case(wanted.trim()));
        idx.map(|idx| Found {
            idx,
            title: titles[idx].clone(),
        })
        .ok_or_else(|| LogError::NoColumn {
            wanted: wanted.to_owned(),
            titles: titles.clone(),
        })
    };
    // One that was named must be there; one that was not may be missing.
    let optional = |named: Option<&String>, usual: &str| match column(named, usual) {
        Ok(found) => Ok(Some(found)),
        Err(error) if named.is_some() => Err(error),
        Err(_) => Ok(None),
    };
    let joint = column(columns.joint.as_ref(), "joint")?;
    let fibre = column(columns.fibre.as_ref(), "fibre")?;
    let estimate = column(columns.estimated_loss_db.as_ref(), "estimated_loss_db")?;
    let time = optional(columns.time.as_ref(), "time")?;
    let machine = optional(columns.machine.as_ref(), "machine")?;
    let operator = optional(columns.operator.as_ref(), "operator")?;
    let arcs = optional(
        columns.arcs_since_electrodes.as_ref(),
        "arcs_since_electrodes",
    )?;
    let cleaves = optional(columns.cleaves_since_blade.as_ref(), "cleaves_since_blade")?;

    let mut entries = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| row_error(&error))?;
        let row = Row {
            line: record.position().map_or(0, csv::Position::line),
            record: &record,
            comma_decimals: separator != ',',
        };
        let counts = (0.0, MOST_COUNT);
        entries.push(LogEntry {
            line: row.line,
            joint: row.needed(&joint)?,
            fibre: row.needed(&fibre)?,
            estimate: row
                .number(Some(&estimate), (0.0, MOST_DB), "a loss in dB")?
                .map(Loss::from_db),
            day: row.day(time.as_ref(), columns.time_form.as_deref())?,
            machine: row.text(machine.as_ref()),
            operator: row.text(operator.as_ref()),
            arcs: row.number(arcs.as_ref(), counts, "a number of arcs")?,
            cleaves: row.number(cleaves.as_ref(), counts, "a number of cleaves")?,
        });
    }
    if entries.is_empty() {
        return Err(LogError::Empty);
    }
    Ok(entries)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "joint,fibre,estimated_loss_db,time,machine,arcs_since_electrodes\n\
        closure 1,1,0.02,2026-04-13T09:12,S-2,812\n\
        closure 1,2,,2026-04-13,S-2,813\n";

    fn refused(change: &str, to: &str) -> String {
        assert!(TEXT.contains(change), "nothing to change");
        let text = TEXT.replacen(change, to, 1);
        read_log(&text, &LogColumns::default())
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn what_is_empty_is_missing_and_never_zero() {
        let log = read_log(TEXT, &LogColumns::default()).unwrap();
        assert_eq!((log[0].line, log[1].line), (2, 3));
        assert_eq!(log[1].estimate, None);
        assert_eq!(log[0].arcs, Some(812.0));
        assert_eq!((&log[0].operator, log[0].cleaves), (&None, None));
        assert_eq!(log[0].day, log[1].day);
    }

    #[test]
    fn faults_have_line_and_column() {
        insta::assert_snapshot!(
            refused("0.02", "0,02"),
            @r#"line 2: CSV error: record 1 (line: 2, byte: 65): found record with 7 fields, but the previous record has 6 fields"#
        );
        insta::assert_snapshot!(
            refused("0.02", "good"),
            @r#"line 2, column 3 (estimated_loss_db): "good" found; wanted a loss in dB from 0 to 20"#
        );
        insta::assert_snapshot!(
            refused("2026-04-13,", "13.4.26,"),
            @r#"line 3, column 4 (time): "13.4.26" found; wanted a date such as 2026-04-13 or 2026-04-13T09:12 (state another form as `time_form`)"#
        );
        insta::assert_snapshot!(
            refused("fibre", "fiber"),
            @r#"line 1: no column is titled "fibre"; the titles are joint, fiber, estimated_loss_db, time, machine, arcs_since_electrodes"#
        );
        insta::assert_snapshot!(
            refused("closure 1,2", ",2"),
            @r#"line 3, column 1 (joint): "" found; wanted a name"#
        );
        let none = read_log("joint,fibre,estimated_loss_db\n", &LogColumns::default());
        assert_eq!(none.unwrap_err(), LogError::Empty);
    }

    #[test]
    fn a_column_that_was_named_must_be_there_and_dates_may_have_a_form() {
        let columns = LogColumns {
            operator: Some("who".into()),
            ..LogColumns::default()
        };
        assert!(
            read_log(TEXT, &columns)
                .unwrap_err()
                .to_string()
                .contains("\"who\"")
        );
        let columns = LogColumns {
            time_form: Some("%d.%m.%Y %H:%M".into()),
            ..LogColumns::default()
        };
        let text = "joint;fibre;estimated_loss_db;time\nK 1;3;0,02;13.04.2026 09:12\n";
        let log = read_log(text, &columns).unwrap();
        assert_eq!(log[0].day.unwrap().to_string(), "2026-04-13");
    }
}
