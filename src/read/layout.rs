//! What was understood of a file, for people to check.

use serde::Serialize;

use crate::units::Wavelength;

use super::decode::Encoding;
use super::dialect::Dialect;
use super::settings::{Note, Setting};
use super::titles::{Direction, DistanceUnit, LevelUnit};

/// How a file is laid out, as far as the reader understood it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Layout {
    /// How bytes spell characters.
    pub encoding: Encoding,
    /// Columns and numbers of the sample rows.
    pub dialect: Dialect,
    /// Line of the column titles, counted from 1.
    pub title_line: Option<usize>,
    /// Every column of the sample rows, from the left.
    pub columns: Vec<Column>,
    /// Line of the first sample, counted from 1.
    pub first_line: usize,
    /// Line of the last sample.
    pub last_line: usize,
    /// Header entries in file order.
    pub settings: Vec<Setting>,
    /// Settings that the file lacks and a recipe gives: key and value.
    pub from_recipe: Vec<(String, String)>,
    /// Lines that are neither a setting nor a sample.
    pub notes: Vec<Note>,
    /// The blocks of samples behind the first, where the file has several.
    pub further_blocks: Vec<BlockForm>,
}

/// Form of a block of samples behind the first; its settings are among those of
/// the [`Layout`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlockForm {
    /// Columns and numbers of the sample rows.
    pub dialect: Dialect,
    /// Line of the column titles, counted from 1.
    pub title_line: Option<usize>,
    /// Every column of the sample rows, from the left.
    pub columns: Vec<Column>,
    /// Line of the first sample, counted from 1.
    pub first_line: usize,
    /// Line of the last sample.
    pub last_line: usize,
}

/// One column of the sample rows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Column {
    /// Title as written.
    pub title: Option<String>,
    /// What it is read as.
    pub holds: Holds,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Holds {
    /// Distance from the instrument's port.
    Distance {
        /// Unit in the file.
        unit: DistanceUnit,
    },
    /// Levels of one trace.
    Level {
        /// Unit in the file.
        unit: LevelUnit,
        /// Whether the numbers rise along the fibre and were turned.
        turned: bool,
        /// Wavelength named by the title.
        #[serde(rename = "wavelength_nm")]
        wavelength: Option<Wavelength>,
        /// Direction named by the title.
        direction: Option<Direction>,
    },
    /// Nothing that is used.
    Unused,
}
