//! Reads traces from text: the project's own plain form and other delimited
//! exports.
//!
//! The form of a file (encoding, separator, decimal mark, columns, units) is
//! taken from the evidence in it; where the evidence allows two readings the
//! file is refused with words on the way out, and what was decided is in the
//! [`Layout`] with the line it came from. Nothing here touches a file but
//! [`from_path`].

mod bare;
mod block;
mod columns;
mod content;
mod decode;
mod describe;
mod dialect;
mod entry;
mod error;
mod evidence;
mod families;
mod grid;
mod heads;
mod inspection;
mod interpret;
mod keys;
mod languages;
mod layout;
mod limits;
mod linear;
mod lines;
mod lists;
mod number;
mod overruled;
mod paired;
mod picture;
mod plain;
mod plausible;
mod quantity;
mod recipe;
mod rows;
mod samples;
mod settings;
mod shape;
mod spanning;
mod tail;
mod title_row;
mod titles;
mod trend;
mod unpack;
mod words;

use std::fmt::Write as _;
use std::path::Path;

use ndarray::Array1;
use sha2::{Digest, Sha256};

use crate::trace::{Header, Trace, TraceError};
use crate::warning::Warning;

pub use decode::Encoding;
pub use describe::describe;
pub use dialect::{Dialect, Separator};
pub use error::{ParseError, ParseErrorKind, Place, ReadError};
pub use heads::heads_of_path;
pub use inspection::{InspectedTrace, Inspection, inspection};
pub use layout::{BlockForm, Column, Holds, Layout};
pub use limits::{Limits, MOST_BYTES, MOST_SAMPLES};
pub(crate) use lines::line_and_column;
pub use number::{DecimalMark, NumberStyle, Thousands};
pub(crate) use overruled::overruled;
pub use picture::{Glyphs, picture};
pub use plain::{notes_as_text, to_plain_text};
pub use recipe::{Grouping, Recipe, RecipeColumn, RecipeError, RecipeHolds};
pub use settings::{Note, Setting};
pub use titles::{Direction, DistanceUnit, LevelUnit};
pub(crate) use unpack::unpacked;

/// Everything read from one file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileContent {
    /// The traces, at least one; several where the file has several columns or
    /// blocks of levels.
    pub traces: Vec<ReadTrace>,
    /// What was understood.
    pub layout: Layout,
    /// Doubts that a reader of the result must know.
    pub warnings: Vec<Warning>,
    /// SHA-256 of the file's bytes in hexadecimal; only of a file read by path.
    pub sha256: Option<String>,
}

/// One trace as the file gives it, before its settings are checked.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadTrace {
    /// Settings.
    pub header: Header,
    /// Distances in metres from the instrument's port, growing.
    pub distances_m: Array1<f64>,
    /// Levels in one-way decibels that fall along the fibre; NaN where the file
    /// has none.
    pub levels_db: Array1<f64>,
    /// Title of the level column.
    pub title: Option<String>,
    /// Line of the first sample, counted from 1.
    pub first_line: usize,
    /// Line of the last sample.
    pub last_line: usize,
}

impl ReadTrace {
    /// Makes the trace that can be measured; entries that the file lacks are
    /// filled from `fallback`.
    ///
    /// # Errors
    /// [`TraceError`] when a setting that scales a result is neither in the file
    /// nor in `fallback`, or when the samples are not usable.
    pub fn into_trace(self, fallback: &Header) -> Result<Trace, TraceError> {
        Trace::new(self.header.or(fallback), self.distances_m, self.levels_db)
    }
}

/// Reads the content of a file; one packed with gzip or xz is unpacked first.
///
/// # Errors
/// [`ParseError`] with the place, what was found and what was wanted.
///
/// # Example
/// ```
/// let text = b"# wavelength: 1550 nm\ndistance_m,level_db\n0,-12.3\n0.5,-12.4\n";
/// let content = bothends::read::from_bytes(text).unwrap();
/// assert_eq!(content.traces[0].distances_m[1], 0.5);
///
/// let error = bothends::read::from_bytes(b"distance_m,level_db\n0,-12.3\n0.5,x\n1,-12.5\n").unwrap_err();
/// let told = "line 3, column 5: \"x\" is not a number; wanted a level; \
///     write `nan` where there is no level, or export the trace again";
/// assert_eq!(error.to_string(), told);
/// ```
pub fn from_bytes(bytes: &[u8]) -> Result<FileContent, ParseError> {
    from_bytes_with(bytes, &Header::default())
}

/// Reads the content of a file that may lack settings.
///
/// `fallback` helps where a setting decides what a column is: the group index
/// for distances written as time, the wavelength where the fall of the levels
/// tells the unit of distance. It is not put into the traces' headers; give it
/// to [`ReadTrace::into_trace`], too.
///
/// # Errors
/// As [`from_bytes`].
///
/// # Example
/// ```
/// use bothends::{read, trace::Header, units::GroupIndex};
/// let text = b"time_ns,level_db\n0,-12.3\n10,-12.4\n20,-12.5\n";
/// assert!(read::from_bytes(text).is_err());
/// let known = Header { group_index: Some(GroupIndex::from_ratio(1.5)), ..Header::default() };
/// let content = read::from_bytes_with(text, &known).unwrap();
/// // c·t/(2·n) = 299 792 458 m/s · 10 ns / 3
/// assert!((content.traces[0].distances_m[1] - 0.999_308_193).abs() < 1e-9);
/// ```
pub fn from_bytes_with(bytes: &[u8], fallback: &Header) -> Result<FileContent, ParseError> {
    from_bytes_with_recipe(bytes, fallback, &Recipe::default())
}

/// Reads the content of a file of a batch that a recipe describes.
///
/// `fallback` is that of [`from_bytes_with`]; settings of the recipe that the
/// file lacks are put into the traces' headers.
///
/// # Errors
/// As [`from_bytes`], and where the file contradicts the recipe.
pub fn from_bytes_with_recipe(
    bytes: &[u8],
    fallback: &Header,
    recipe: &Recipe,
) -> Result<FileContent, ParseError> {
    recipe.limits.check_bytes(bytes.len() as u64)?;
    let bytes = unpacked(bytes, recipe.limits)?;
    let (text, encoding) = decode::text_of(&bytes)?;
    content::read(&text, encoding, content::Given { fallback, recipe })
}

/// Reads a file, and takes the fingerprint of its bytes.
///
/// # Errors
/// [`ReadError`] names the file; its source says why.
pub fn from_path(path: &Path) -> Result<FileContent, ReadError> {
    from_path_with(path, &Header::default())
}

/// Reads a file that may lack settings; see [`from_bytes_with`].
///
/// # Errors
/// As [`from_path`].
pub fn from_path_with(path: &Path, fallback: &Header) -> Result<FileContent, ReadError> {
    from_path_with_recipe(path, fallback, &Recipe::default())
}

/// Reads a file of a batch that a recipe describes; see [`from_bytes_with_recipe`].
///
/// # Errors
/// As [`from_path`].
pub fn from_path_with_recipe(
    path: &Path,
    fallback: &Header,
    recipe: &Recipe,
) -> Result<FileContent, ReadError> {
    let io = |source| ReadError::Io {
        path: path.to_owned(),
        source,
    };
    let parse = |error| ReadError::Parse {
        path: path.to_owned(),
        source: Box::new(error),
    };
    let size = std::fs::metadata(path).map_err(io)?.len();
    recipe.limits.check_bytes(size).map_err(parse)?;
    let bytes = std::fs::read(path).map_err(io)?;
    let mut content = from_bytes_with_recipe(&bytes, fallback, recipe).map_err(parse)?;
    content.sha256 = Some(sha256_hex(&bytes));
    Ok(content)
}

/// SHA-256 of some bytes, in hexadecimal.
///
/// ```
/// // Source: FIPS 180-4, the worked example of "abc".
/// let hex = bothends::read::sha256_hex(b"abc");
/// assert!(hex.starts_with("ba7816bf8f01cfea414140de5dae2223"));
/// ```
pub fn sha256_hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .fold(String::with_capacity(64), |mut hex, byte| {
            // Writing to a string cannot fail.
            let _ = write!(hex, "{byte:02x}");
            hex
        })
}
