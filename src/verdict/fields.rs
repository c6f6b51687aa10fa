//! A table of a TOML text, read key by key, so that every fault has its place.

use crate::read::line_and_column;
use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What is wrong with a TOML text, and where; both counts start at 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {message}")]
pub struct FieldError {
    /// Line in the text.
    pub line: usize,
    /// Character in the line.
    pub column: usize,
    /// What was found and what was wanted.
    pub message: String,
}

/// One table of a text, its keys known to be among those that are wanted.
#[derive(Debug)]
pub(crate) struct Fields<'t> {
    text: &'t str,
    /// Name for messages, such as `[splice_loss]`; empty for the whole file.
    name: String,
    /// Byte at which a missing key is reported.
    at: usize,
    table: &'t DeTable<'t>,
}

/// Parses a text for [`Fields::new`].
///
/// # Errors
/// [`FieldError`] where it is no TOML.
pub(crate) fn document(text: &str) -> Result<Spanned<DeTable<'_>>, FieldError> {
    DeTable::parse(text).map_err(|error| {
        let byte = error.span().map_or(0, |span| span.start);
        let hint = if text.get(byte..).is_some_and(|rest| rest.starts_with(',')) {
            "; a number has a decimal point, and every key a line of its own"
        } else {
            ""
        };
        fault(text, byte, format!("{}{hint}", error.message()))
    })
}

/// A fault at a byte of a text.
pub(crate) fn fault(text: &str, byte: usize, message: impl Into<String>) -> FieldError {
    let (line, column) = line_and_column(text, byte);
    FieldError {
        line,
        column,
        message: message.into(),
    }
}

impl<'t> Fields<'t> {
    /// A table whose keys must all be among `wanted`.
    ///
    /// # Errors
    /// [`FieldError`] at a key that is not wanted, with the nearest that is.
    pub(crate) fn new(
        text: &'t str,
        table: &'t DeTable<'t>,
        name: impl Into<String>,
        at: usize,
        wanted: &[&str],
    ) -> Result<Self, FieldError> {
        let name = name.into();
        for key in table.keys() {
            let found = key.get_ref().as_ref();
            if !wanted.contains(&found) {
                let place = if name.is_empty() {
                    "here".to_owned()
                } else {
                    format!("in {name}")
                };
                let way_out = nearest(found, wanted).map_or_else(
                    || format!("wanted one of `{}`", wanted.join("`, `")),
                    |near| format!("is `{near}` meant?"),
                );
                let message = format!("{found:?} is not known {place}; {way_out}");
                return Err(fault(text, key.span().start, message));
            }
        }
        Ok(Self {
            text,
            name,
            at,
            table,
        })
    }

    /// A fault of the table as a whole.
    pub(crate) fn fault(&self, message: impl Into<String>) -> FieldError {
        fault(self.text, self.at, message)
    }

    /// Whether the table has the key.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.value(key).is_some()
    }

    fn value(&self, key: &str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.table
            .iter()
            .find(|(known, _)| known.get_ref().as_ref() == key)
            .map(|(_, value)| value)
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &str) -> FieldError {
        let source = self.text.get(value.span()).unwrap_or_default();
        let found: String = source
            .lines()
            .next()
            .unwrap_or_default()
            .chars()
            .take(40)
            .collect();
        fault(
            self.text,
            value.span().start,
            format!("`{key}` is {found}; wanted {wanted}"),
        )
    }

    fn missing(&self, key: &str, wanted: &str) -> FieldError {
        let place = if self.name.is_empty() {
            "the file".to_owned()
        } else {
            self.name.clone()
        };
        self.fault(format!("{place} has no `{key}`; wanted {wanted}"))
    }

    /// A number within a range, if the key is there.
    pub(crate) fn number(
        &self,
        key: &str,
        range: &RangeInclusive<f64>,
        unit: &str,
    ) -> Result<Option<f64>, FieldError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let number: Option<f64> = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse().ok(),
            _ => None,
        };
        match number.filter(|number| range.contains(number)) {
            Some(number) => Ok(Some(number)),
            None => Err(self.wrong(key, value, &in_range(range, unit))),
        }
    }

    /// A number within a range that must be there.
    pub(crate) fn required_number(
        &self,
        key: &str,
        range: &RangeInclusive<f64>,
        unit: &str,
    ) -> Result<f64, FieldError> {
        self.number(key, range, unit)?
            .ok_or_else(|| self.missing(key, &in_range(range, unit)))
    }

    /// A whole number from 0, if the key is there.
    pub(crate) fn count(&self, key: &str) -> Result<Option<usize>, FieldError> {
        const MOST: usize = 100_000;
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let count = match value.get_ref() {
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse().ok(),
            _ => None,
        };
        match count.filter(|count| *count <= MOST) {
            Some(count) => Ok(Some(count)),
            None => Err(self.wrong(key, value, &format!("a whole number from 0 to {MOST}"))),
        }
    }

    /// A whole number that must be there.
    pub(crate) fn required_count(&self, key: &str) -> Result<usize, FieldError> {
        self.count(key)?
            .ok_or_else(|| self.missing(key, "a whole number"))
    }

    /// A text that is not empty, if the key is there.
    pub(crate) fn text(&self, key: &str) -> Result<Option<String>, FieldError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        match value.get_ref().as_str().map(str::trim) {
            Some(text) if !text.is_empty() => Ok(Some(text.to_owned())),
            _ => Err(self.wrong(key, value, "a text in quotes")),
        }
    }

    /// A text that must be there; `example` shows what is wanted.
    pub(crate) fn required_text(&self, key: &str, example: &str) -> Result<String, FieldError> {
        self.text(key)?
            .ok_or_else(|| self.missing(key, &format!("a text such as {example:?}")))
    }

    /// A table below this one, if the key is there.
    pub(crate) fn table(&self, key: &str, wanted: &[&str]) -> Result<Option<Self>, FieldError> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let DeValue::Table(table) = value.get_ref() else {
            return Err(self.wrong(key, value, &format!("a table `[{key}]`")));
        };
        let at = value.span().start;
        Self::new(self.text, table, format!("[{key}]"), at, wanted).map(Some)
    }

    /// Tables of one name, `[[key]]`; none if the key is not there.
    pub(crate) fn tables(&self, key: &str, wanted: &[&str]) -> Result<Vec<Self>, FieldError> {
        let Some(value) = self.value(key) else {
            return Ok(Vec::new());
        };
        let no_list = || self.wrong(key, value, &format!("a list of tables `[[{key}]]`"));
        let DeValue::Array(array) = value.get_ref() else {
            return Err(no_list());
        };
        array
            .iter()
            .map(|entry| {
                let DeValue::Table(table) = entry.get_ref() else {
                    return Err(no_list());
                };
                let at = entry.span().start;
                Self::new(self.text, table, format!("[[{key}]]"), at, wanted)
            })
            .collect()
    }
}

fn in_range(range: &RangeInclusive<f64>, unit: &str) -> String {
    format!("a number from {} to {} {unit}", range.start(), range.end())
        .trim_end()
        .to_owned()
}

/// The wanted word that a mistyped one is nearest to: at most a third of its letters apart.
fn nearest<'w>(found: &str, wanted: &[&'w str]) -> Option<&'w str> {
    wanted
        .iter()
        .map(|word| (strsim::osa_distance(found, word), *word))
        .filter(|(distance, word)| 3 * distance <= word.chars().count().max(found.chars().count()))
        .min()
        .map(|(_, word)| word)
}
