//! What can be wrong with a file, and where.

use std::fmt;
use std::io;
use std::path::PathBuf;

/// A place in the text of a file; both counts start at 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Line, counted from 1.
    pub line: usize,
    /// Character in the line, counted from 1.
    pub column: usize,
}

/// Why the content of a file is not a trace.
///
/// [`place`](Self::place) is missing where the fault is of the whole file, such
/// as its size.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}{kind}", Prefix(*place))]
pub struct ParseError {
    /// Where, when the fault has one place.
    pub place: Option<Place>,
    /// What was found and what was wanted.
    pub kind: ParseErrorKind,
}

struct Prefix(Option<Place>);

impl fmt::Display for Prefix {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.map_or(Ok(()), |Place { line, column }| {
            write!(f, "line {line}, column {column}: ")
        })
    }
}

/// Kinds of fault in the content of a file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseErrorKind {
    /// Nothing but white space.
    #[error("the file is empty; export the trace again")]
    Empty,
    /// Bytes that no text encoding explains.
    #[error("not text; export the trace as text from the instrument")]
    NotText,
    /// A compressed file that does not unpack.
    #[error("the compressed file is damaged: {found}; copy it again, or export it without packing")]
    BadCompression {
        /// What the unpacking reported.
        found: String,
    },
    /// More of something than a trace can hold.
    #[error("{found} {what}, and at most {limit} are read{}", raised(.what))]
    LimitExceeded {
        /// What is counted, such as `bytes`.
        what: &'static str,
        /// How many were found (or at least so many).
        found: u64,
        /// The limit.
        limit: u64,
    },
    /// No rows of numbers anywhere.
    #[error(
        "no rows of samples found; wanted lines of a distance and a level, such as `0.5,-12.345`"
    )]
    NoSamples,
    /// Rows of numbers that have no common form.
    #[error(
        "the rows of numbers have no common form: {found:?} does not split into columns of numbers \
         by comma, semicolon, tab, bar or white space; export every row with the same columns, and the \
         numbers without words"
    )]
    NoCommonForm {
        /// A row that fits nothing.
        found: String,
    },
    /// A row that can be read in two ways, and nothing in the file decides.
    #[error(
        "{found:?} can be read as {one} or as {other}, and nothing in the file decides; \
         export with a decimal point, no thousands separators, and semicolons or tabs between the columns"
    )]
    Ambiguous {
        /// The row.
        found: String,
        /// One reading.
        one: String,
        /// The other reading.
        other: String,
    },
    /// The comma marks decimals and also separates columns.
    #[error(
        "in {found:?} the comma both separates columns and marks decimals; \
         export with semicolons or tabs between the columns, or with a decimal point"
    )]
    CommaIsBoth {
        /// The row.
        found: String,
    },
    /// An empty line or a blank level where the place of every level counts.
    #[error(
        "no level here, and levels without distances are counted; write `nan` behind a first level, or \
         export the distances, too"
    )]
    EmptyRow,
    /// A sample row with another number of columns.
    #[error(
        "{found} columns where the samples have {wanted}; mend the row, or export the trace again"
    )]
    ColumnCount {
        /// Columns in this row.
        found: usize,
        /// Columns in the others.
        wanted: usize,
    },
    /// A field that must be a number.
    #[error("{found:?} is not a number; wanted a {wanted}{}", if *wanted == "level" { BLANK } else { MEND })]
    NotANumber {
        /// The field.
        found: String,
        /// What the column holds.
        wanted: &'static str,
    },
    /// A number beyond what can be held.
    #[error("{found:?} is too large for a number; wanted a {wanted}{MEND}")]
    NumberTooLarge {
        /// The field.
        found: String,
        /// What the column holds.
        wanted: &'static str,
    },
    /// Distance must grow from row to row.
    #[error(
        "distance {found:?} does not exceed the one before it, {before}; sort the rows by distance, or \
         export the trace again"
    )]
    DistanceNotIncreasing {
        /// The field.
        found: String,
        /// The distance before, in the file's unit.
        before: f64,
    },
    /// Two rows at one distance.
    #[error(
        "distance {found:?} stands twice; either a row is doubled, or the distances are rounded too far: \
         export with more decimals, or state the spacing in the header, such as `# spacing: 0.5 m`"
    )]
    DistanceRepeats {
        /// The field.
        found: String,
    },
    /// A row missing, doubled or misplaced.
    #[error(
        "distance {found_m} m breaks the even spacing of {spacing_m} m; wanted {wanted_m} m, \
         is a row missing? Put it back, or export the trace again"
    )]
    SpacingBreaks {
        /// Distance found.
        found_m: f64,
        /// Distance that would follow.
        wanted_m: f64,
        /// Common spacing of the rows.
        spacing_m: f64,
    },
    /// No column can be the distance.
    #[error(
        "no column of evenly growing distances; title it, such as `distance_m`, or give \
         `# spacing: 0.5 m` and `# start: 0 m` for a file of levels only"
    )]
    NoDistanceColumn,
    /// Levels without distances, and the header lacks the spacing or the start.
    #[error("levels without distances need {missing} in the header, such as `{example}`")]
    NoGrid {
        /// What is missing.
        missing: &'static str,
        /// A line to write.
        example: &'static str,
    },
    /// More than one column can be the distance.
    #[error(
        "columns {one} and {other} both grow evenly like a distance; title the distance column, \
         such as `distance_m`"
    )]
    TwoDistanceColumns {
        /// One column, counted from 1.
        one: usize,
        /// The other column.
        other: usize,
    },
    /// No column can be the level.
    #[error("no column of levels; title it `level_db`")]
    NoLevelColumn,
    /// A column of levels that holds none.
    #[error(
        "{column} holds no level in any of its {rows} rows; export the trace again with its levels"
    )]
    NoLevels {
        /// The column, by its title.
        column: String,
        /// Rows of samples.
        rows: usize,
    },
    /// Distances that no fibre reaches.
    #[error(
        "the distances go to {found_m:e} m, farther than once round the Earth; check the unit of distance, \
         and title the column with the right one, such as `distance_m`"
    )]
    DistanceTooFar {
        /// The farthest distance.
        found_m: f64,
    },
    /// Distances that differ by less than any instrument tells apart.
    #[error(
        "the distances lie {found_m:e} m apart; check the unit of distance, and title the column with the right \
         one, such as `distance_m`"
    )]
    DistancesTooClose {
        /// Mean step of the distances.
        found_m: f64,
    },
    /// The unit of the distances is not known.
    #[error(
        "the unit of the distances is not given; title the column with it, such as `distance_m`, \
         `distance_km` or `distance_ft`{hint}"
    )]
    DistanceUnitUnknown {
        /// What the levels suggest, in words; may be empty.
        hint: String,
    },
    /// Title and header name different units.
    #[error(
        "the title says {title} and the header says {header} for the same column; correct the one that is wrong"
    )]
    UnitsDiffer {
        /// Unit in the title row.
        title: String,
        /// Unit in the header.
        header: String,
    },
    /// Levels that are not logarithmic.
    #[error(
        "the levels are in {found}, a linear unit; export the trace in decibels, as a column `level_db`"
    )]
    LinearLevels {
        /// What says so.
        found: String,
    },
    /// Levels without a unit that look like linear power.
    #[error(
        "the levels run from {low} to {high} without a unit and may be linear power; export the trace in \
         decibels, or title the column `level_db` if it holds decibels"
    )]
    MayBeLinear {
        /// Lowest number.
        low: f64,
        /// Highest number.
        high: f64,
    },
    /// Levels that grow with the distance and are not titled as loss.
    #[error(
        "the levels rise by {rise_db:.1} dB along the fibre; title the column `loss_db` if it holds \
         loss, or turn the samples round if their distance is counted from the far end"
    )]
    LevelsRise {
        /// Rise from the first quarter to the last, in decibels.
        rise_db: f64,
    },
    /// Distances written as time need the group index.
    #[error(
        "the distances are written as round-trip time, and the header gives no group index to turn \
         them into metres; write a line `# group index: 1.4682`, or use the option --group-index"
    )]
    TimeWithoutGroupIndex,
    /// A setting whose value is not what it should be.
    #[error("{key} is {found:?}; wanted {wanted}")]
    BadSetting {
        /// Key as written.
        key: String,
        /// Value as written.
        found: String,
        /// What would be understood.
        wanted: &'static str,
    },
    /// A setting that means nothing without its unit.
    #[error("{key} is {found:?} without a unit; wanted {wanted}")]
    SettingWithoutUnit {
        /// Key as written.
        key: String,
        /// Value as written.
        found: String,
        /// What would be understood.
        wanted: &'static str,
    },
    /// The file is not laid out as the recipe says.
    #[error(
        "the recipe says {recipe} and the file has {found}; use another recipe for this file, or none"
    )]
    RecipeDiffers {
        /// What the file has.
        found: String,
        /// What the recipe says.
        recipe: String,
    },
    /// A list in a setting that does not go with the columns of levels.
    #[error(
        "{key} is {found:?}, {values} values, and the file has {columns} column(s) of levels; write one \
         value for each column, or the wavelength into each column's title"
    )]
    ListDiffers {
        /// Key as written.
        key: String,
        /// Value as written.
        found: String,
        /// Values in the list.
        values: usize,
        /// Columns of levels.
        columns: usize,
    },
    /// A setting given twice, differently.
    #[error(
        "{key} is {found:?} here and {before:?} on line {before_line}; take the wrong line out"
    )]
    SettingTwice {
        /// Key as written.
        key: String,
        /// Value here.
        found: String,
        /// Value before.
        before: String,
        /// Line of the value before, from 1.
        before_line: usize,
    },
}

impl ParseErrorKind {
    /// The kind with its place, `text` being the line and `byte` the offset in it.
    pub(super) fn at(self, line: usize, text: &str, byte: usize) -> ParseError {
        let column = text
            .get(..byte)
            .map_or(1, |before| before.chars().count() + 1);
        ParseError {
            place: Some(Place { line, column }),
            kind: self,
        }
    }

    /// The kind as a fault of the whole file.
    pub(super) fn of_file(self) -> ParseError {
        ParseError {
            place: None,
            kind: self,
        }
    }
}

/// What to do about a field that is no number.
const MEND: &str = "; mend the row, or export the trace again";
/// The same for a level, which may be missing.
const BLANK: &str = "; write `nan` where there is no level, or export the trace again";

/// What to do about a limit.
fn raised(what: &str) -> &'static str {
    match what {
        "bytes" | "samples or more" => "; `[limits]` in a recipe raises that",
        "samples or more in so few bytes" => "; export the levels with their decimals",
        "columns or more" => "; export fewer traces into one file",
        _ => "; take out what does not belong to the trace",
    }
}

/// The start of a text that may be long, for a message.
pub(super) fn excerpt(text: &str) -> String {
    const MOST: usize = 60;
    let text = text.trim();
    match text.char_indices().nth(MOST) {
        Some((cut, _)) => format!("{}…", text.get(..cut).unwrap_or_default()),
        None => text.to_owned(),
    }
}

/// Why a file could not be read; the reason itself is the source.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The system could not give the bytes.
    #[error("cannot read {}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The bytes are not a trace.
    #[error("{} is not a readable trace", path.display())]
    Parse {
        /// The file.
        path: PathBuf,
        /// What is wrong, and where.
        source: Box<ParseError>,
    },
}
