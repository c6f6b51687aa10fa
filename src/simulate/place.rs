//! Where the text of a plan says what.

use std::fmt;

use toml::de::{DeTable, DeValue};

/// A place in a text, both counted from 1; the column counts characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The line.
    pub line: usize,
    /// The column.
    pub column: usize,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}", self.line, self.column)
    }
}

/// Keys and indices from the root of the file to a value.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Path(Vec<Step>);

#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    Key(&'static str),
    Item(usize),
}

impl Path {
    pub(super) fn key(&self, key: &'static str) -> Self {
        let mut path = self.clone();
        path.0.push(Step::Key(key));
        path
    }

    pub(super) fn item(&self, key: &'static str, idx: usize) -> Self {
        let mut path = self.key(key);
        path.0.push(Step::Item(idx));
        path
    }
}

impl fmt::Display for Path {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (idx, step) in self.0.iter().enumerate() {
            match step {
                Step::Key(key) if idx == 0 => write!(f, "{key}")?,
                Step::Key(key) => write!(f, ".{key}")?,
                Step::Item(item) => write!(f, "[{item}]")?,
            }
        }
        Ok(())
    }
}

/// Where the text states a value, or the nearest table around it.
pub(super) fn find(text: &str, path: &Path) -> Option<Place> {
    let root = DeTable::parse(text).ok()?;
    let mut table = Some(root.get_ref());
    let mut array = None;
    let mut start = None;
    for step in &path.0 {
        let value = match step {
            Step::Key(key) => table.and_then(|table| table.get(*key)),
            Step::Item(idx) => array.and_then(|array: &toml::de::DeArray| array.get(*idx)),
        };
        let Some(value) = value else { break };
        start = Some(value.span().start);
        table = match value.get_ref() {
            DeValue::Table(inner) => Some(inner),
            _ => None,
        };
        array = match value.get_ref() {
            DeValue::Array(inner) => Some(inner),
            _ => None,
        };
    }
    start.map(|start| place_of(text, start))
}

pub(super) fn place_of(text: &str, byte: usize) -> Place {
    let before = text.get(..byte).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.chars().rev().take_while(|c| *c != '\n').count() + 1;
    Place { line, column }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters() {
        let at = place_of("é = 1\nλλ = x", "é = 1\nλλ = ".len());
        assert_eq!((at.line, at.column), (2, 6));
    }
}
