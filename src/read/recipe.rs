//! Reading recipes: the layout of a batch of files, stated once.

use std::fmt::Write as _;

use serde::Deserialize;
use toml::Spanned;

use super::FileContent;
use super::dialect::Separator;
use super::layout::Holds;
use super::limits::Limits;
use super::lines::line_and_column;
use super::number::{DecimalMark, Thousands};
use super::titles::{Direction, DistanceUnit, LevelUnit, Meaning};
use super::words::{Quantity, Vocabulary, Word};

/// How a batch of files is laid out; what it leaves open is taken from the
/// evidence in each file.
///
/// A recipe overrules evidence and never a file's own words: where the file
/// says something else, reading it is an error.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recipe {
    /// Between columns.
    pub separator: Option<Separator>,
    /// Before the decimals.
    pub decimal: Option<DecimalMark>,
    /// Between thousands.
    pub thousands: Grouping,
    /// Every column from the left, or none.
    pub columns: Vec<RecipeColumn>,
    /// Words of the files, and what they mean: a setting's key in the plain trace
    /// text, or `distance`, `level`, `loss` or `unused` for a column.
    pub words: Vec<(String, String)>,
    /// Settings that the files lack, as the plain trace text writes them.
    pub settings: Vec<(String, String)>,
    /// Keys of a file that were not understood, and their values; [`to_toml`](Self::to_toml)
    /// writes them as a comment to start from.
    pub open: Vec<(String, String)>,
    /// How much is read of one file.
    pub limits: Limits,
    pub(super) vocabulary: Vocabulary,
}

/// Marks between thousands, as a recipe states them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Grouping {
    /// As the file shows.
    #[default]
    ByEvidence,
    /// None.
    Absent,
    /// This mark.
    Mark(Thousands),
}

/// One column of a recipe.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecipeColumn {
    /// What it holds.
    pub holds: RecipeHolds,
    /// Unit: `m`, `km`, `ft`, `kft`, `mi`, `ns`, `us` for distances, `dB` or
    /// `mdB` for levels; missing means as the file says.
    pub unit: Option<String>,
    /// Wavelength of a column of levels, where its title does not name it.
    pub wavelength_nm: Option<f64>,
    /// Direction of a column of levels.
    pub direction: Option<Direction>,
}

/// What a column of a recipe holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RecipeHolds {
    /// Distance from the instrument's port, or the time there and back.
    Distance,
    /// Levels that fall along the fibre.
    Level,
    /// Loss that rises along the fibre.
    Loss,
    /// Nothing to read.
    Unused,
}

/// Why a text is no recipe; counts start at 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {message}")]
pub struct RecipeError {
    /// Line in the recipe.
    pub line: usize,
    /// Character in the line.
    pub column: usize,
    /// What was found and what was wanted.
    pub message: String,
}

impl RecipeError {
    fn at(text: &str, byte: usize, message: impl Into<String>) -> Self {
        let (line, column) = line_and_column(text, byte);
        Self {
            line,
            column,
            message: message.into(),
        }
    }
}

/// The recipe as its text writes it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    separator: Option<Separator>,
    decimal: Option<DecimalMark>,
    thousands: Option<WrittenThousands>,
    #[serde(default, rename = "column")]
    columns: Vec<Spanned<RecipeColumn>>,
    #[serde(default)]
    words: toml::map::Map<String, toml::Value>,
    #[serde(default)]
    settings: toml::map::Map<String, toml::Value>,
    #[serde(default)]
    limits: Limits,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum WrittenThousands {
    None,
    Comma,
    Point,
    Space,
    Apostrophe,
}

impl Recipe {
    /// Reads a recipe.
    ///
    /// # Errors
    /// [`RecipeError`] with line and column: no TOML, an entry that does not
    /// exist, a unit or a word's meaning that is not known.
    ///
    /// # Example
    /// ```
    /// use bothends::read::{Recipe, from_bytes_with_recipe};
    /// use bothends::trace::Header;
    /// let recipe = Recipe::from_toml("decimal = 'comma'\n[words]\n'Wellenlänge' = 'wavelength'\n").unwrap();
    /// let text = "Wellenlänge: 1550 nm\ndistance_m;level_db\n0,000;-12\n1,000;-13\n2,000;-14\n";
    /// let content = from_bytes_with_recipe(text.as_bytes(), &Header::default(), &recipe).unwrap();
    /// assert_eq!(content.traces[0].distances_m[1], 1.0);
    /// assert_eq!(content.traces[0].header.wavelength.unwrap().nm(), 1550.0);
    ///
    /// let error = Recipe::from_toml("decimal = 'dot'\n").unwrap_err();
    /// assert_eq!((error.line, error.column), (1, 11));
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, RecipeError> {
        let written: Written = toml::from_str(text).map_err(|error| {
            let byte = error.span().map_or(0, |span| span.start);
            RecipeError::at(text, byte, error.message())
        })?;
        let mut vocabulary = Vocabulary::default();
        let mut words = Vec::new();
        for (word, meaning) in strings(text, "words", &written.words)? {
            let Some(known) = Word::from_name(&meaning) else {
                let wanted = super::words::Known::NAMES.join("`, `");
                let message = format!(
                    "{meaning:?} is no meaning of a word; wanted `distance`, `level`, `loss`, `unused`, `{wanted}`"
                );
                return Err(RecipeError::at(
                    text,
                    place_of(text, "words", &word),
                    message,
                ));
            };
            vocabulary.add(&word, known);
            words.push((word, meaning));
        }
        let settings = strings(text, "settings", &written.settings)?;
        for (key, value) in &settings {
            super::settings::check(key, value).map_err(|message| {
                RecipeError::at(text, place_of(text, "settings", key), message)
            })?;
        }
        for column in &written.columns {
            let (span, column) = (column.span(), column.get_ref());
            column
                .check()
                .map_err(|message| RecipeError::at(text, span.start, message))?;
        }
        let columns: Vec<_> = written
            .columns
            .into_iter()
            .map(Spanned::into_inner)
            .collect();
        if !columns.is_empty() && !columns.iter().any(|c| c.holds.is_level()) {
            return Err(RecipeError::at(
                text,
                0,
                "no column holds `level` or `loss`",
            ));
        }
        if columns
            .iter()
            .filter(|c| c.holds == RecipeHolds::Distance)
            .count()
            > 1
        {
            return Err(RecipeError::at(
                text,
                0,
                "more than one column holds `distance`",
            ));
        }
        Ok(Self {
            separator: written.separator,
            decimal: written.decimal,
            thousands: match written.thousands {
                None => Grouping::ByEvidence,
                Some(WrittenThousands::None) => Grouping::Absent,
                Some(WrittenThousands::Comma) => Grouping::Mark(Thousands::Comma),
                Some(WrittenThousands::Point) => Grouping::Mark(Thousands::Point),
                Some(WrittenThousands::Space) => Grouping::Mark(Thousands::Space),
                Some(WrittenThousands::Apostrophe) => Grouping::Mark(Thousands::Apostrophe),
            },
            columns,
            words,
            settings,
            open: Vec::new(),
            limits: written.limits,
            vocabulary,
        })
    }

    /// The recipe of a file that was read, for the others of its batch.
    pub fn from_layout(content: &FileContent) -> Self {
        let layout = &content.layout;
        let columns = layout.columns.iter().map(|column| match column.holds {
            Holds::Distance { unit } => RecipeColumn {
                unit: Some(unit.word().to_owned()),
                ..RecipeColumn::of(RecipeHolds::Distance)
            },
            Holds::Level {
                unit,
                turned,
                wavelength,
                direction,
            } => RecipeColumn {
                holds: if turned {
                    RecipeHolds::Loss
                } else {
                    RecipeHolds::Level
                },
                unit: Some(unit.to_string()),
                wavelength_nm: wavelength.map(crate::units::Wavelength::nm),
                direction,
            },
            Holds::Unused => RecipeColumn::of(RecipeHolds::Unused),
        });
        let open = layout
            .settings
            .iter()
            .filter(|setting| setting.means.is_none());
        Self {
            separator: Some(layout.dialect.separator),
            decimal: Some(layout.dialect.numbers.decimal),
            thousands: match layout.dialect.numbers.thousands {
                None => Grouping::Absent,
                Some(mark) => Grouping::Mark(mark),
            },
            columns: columns.collect(),
            open: open.map(|s| (s.key.clone(), s.value.clone())).collect(),
            ..Self::default()
        }
    }

    /// The recipe as TOML, to be read by [`from_toml`](Self::from_toml).
    pub fn to_toml(&self) -> String {
        let mut text = String::from(
            "# How a batch of trace files is laid out. What is left out here is taken from the\n\
             # evidence in each file.\n",
        );
        // Writing to a string cannot fail; the results are dropped for that reason.
        if let Some(separator) = self.separator {
            let _ = writeln!(text, "separator = \"{separator}\"");
        }
        if let Some(decimal) = self.decimal {
            let _ = writeln!(text, "decimal = \"{decimal}\"");
        }
        match self.thousands {
            Grouping::ByEvidence => {}
            Grouping::Absent => text.push_str("thousands = \"none\"\n"),
            Grouping::Mark(mark) => {
                let _ = writeln!(text, "thousands = \"{mark}\"");
            }
        }
        for column in &self.columns {
            text.push_str("\n[[column]]\n");
            let _ = writeln!(text, "holds = \"{}\"", column.holds.word());
            if let Some(unit) = &column.unit {
                let _ = writeln!(text, "unit = {}", quoted(unit));
            }
            if let Some(nm) = column.wavelength_nm {
                let _ = writeln!(text, "wavelength_nm = {nm:?}");
            }
            if let Some(direction) = column.direction {
                let _ = writeln!(text, "direction = \"{direction}\"");
            }
        }
        let pairs = |text: &mut String, pairs: &[(String, String)], before: &str| {
            for (key, value) in pairs {
                let _ = writeln!(text, "{before}{} = {}", quoted(key), quoted(value));
            }
        };
        text.push_str("\n# Words of the files, and what they mean, such as \"Wellenlänge\" = \"wavelength\"\n[words]\n");
        pairs(&mut text, &self.words, "");
        if !self.open.is_empty() {
            text.push_str("# Not understood; behind each key stands its value in the file:\n");
            pairs(&mut text, &self.open, "# ");
        }
        text.push_str(
            "\n# For what the files do not say, such as \"group index\" = \"1.4682\"\n[settings]\n",
        );
        pairs(&mut text, &self.settings, "");
        if self.limits != Limits::default() {
            let Limits { bytes, samples } = self.limits;
            let _ = writeln!(text, "\n[limits]\nbytes = {bytes}\nsamples = {samples}");
        }
        text
    }

    /// Of the ways of writing that rows admit, those that the recipe allows.
    pub(super) fn among(&self, mut dialects: Vec<super::Dialect>) -> Vec<super::Dialect> {
        // Rows of whole numbers show no decimal mark.
        if let Some(decimal) = self.decimal
            && !dialects.iter().any(|dialect| self.allows(*dialect))
        {
            for dialect in &mut dialects {
                dialect.numbers.decimal = decimal;
            }
        }
        dialects.retain(|dialect| self.allows(*dialect));
        dialects
    }

    /// Whether a way of writing rows is one that the recipe allows.
    fn allows(&self, dialect: super::Dialect) -> bool {
        self.separator.is_none_or(|s| s == dialect.separator)
            && self.decimal.is_none_or(|d| d == dialect.numbers.decimal)
            && match self.thousands {
                Grouping::ByEvidence => true,
                Grouping::Absent => dialect.numbers.thousands.is_none(),
                // A file below a thousand shows no mark.
                Grouping::Mark(mark) => dialect.numbers.thousands.is_none_or(|m| m == mark),
            }
    }

    /// What the columns hold, where the recipe says it.
    pub(super) fn meanings(&self) -> Option<Vec<Meaning>> {
        (!self.columns.is_empty()).then(|| self.columns.iter().map(RecipeColumn::meaning).collect())
    }
}

impl RecipeHolds {
    const fn word(self) -> &'static str {
        match self {
            Self::Distance => "distance",
            Self::Level => "level",
            Self::Loss => "loss",
            Self::Unused => "unused",
        }
    }

    const fn is_level(self) -> bool {
        matches!(self, Self::Level | Self::Loss)
    }
}

impl RecipeColumn {
    const fn of(holds: RecipeHolds) -> Self {
        Self {
            holds,
            unit: None,
            wavelength_nm: None,
            direction: None,
        }
    }

    fn meaning(&self) -> Meaning {
        let unit = self.unit.as_deref().unwrap_or_default().to_lowercase();
        let (quantity, is_level) = match self.holds {
            RecipeHolds::Distance => (Quantity::Distance, false),
            RecipeHolds::Level => (Quantity::Level, true),
            RecipeHolds::Loss => (Quantity::Loss, true),
            RecipeHolds::Unused => (Quantity::Other, false),
        };
        Meaning {
            quantity: Some(quantity),
            named: is_level,
            setting: None,
            distance_unit: (!is_level)
                .then(|| DistanceUnit::from_word(&unit))
                .flatten(),
            level_unit: is_level.then(|| LevelUnit::from_word(&unit)).flatten(),
            linear: None,
            wavelength_nm: self.wavelength_nm,
            direction: self.direction,
        }
    }

    fn check(&self) -> Result<(), String> {
        let meaning = self.meaning();
        let known = meaning.distance_unit.is_some() || meaning.level_unit.is_some();
        match &self.unit {
            Some(unit) if !known => Err(format!(
                "unit {unit:?} of a column that holds `{}`; wanted m, km, ft, kft, mi, ns or us for distance, \
                 dB or mdB for level and loss",
                self.holds.word()
            )),
            _ => match self.wavelength_nm {
                Some(nm) if !(600.0..=2000.0).contains(&nm) => {
                    Err(format!("wavelength_nm is {nm}; wanted 600 to 2000"))
                }
                _ => Ok(()),
            },
        }
    }
}

/// A text in quotes and on one line, also where it goes on over several: what is behind the
/// mark of a comment must stay there. The escapes are those of TOML 1.0.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control() => {
                // Writing to a string cannot fail.
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// The entries of a table, which must be texts; numbers count as their text.
fn strings(
    text: &str,
    table: &str,
    entries: &toml::map::Map<String, toml::Value>,
) -> Result<Vec<(String, String)>, RecipeError> {
    let taken = entries.iter().map(|(key, value)| match value {
        toml::Value::String(value) => Ok((key.clone(), value.clone())),
        toml::Value::Integer(_) | toml::Value::Float(_) => Ok((key.clone(), value.to_string())),
        other => Err(RecipeError::at(
            text,
            place_of(text, table, key),
            format!("{key:?} is a {}; wanted a text in quotes", other.type_str()),
        )),
    });
    taken.collect()
}

/// Where an entry of a table stands.
fn place_of(text: &str, table: &str, key: &str) -> usize {
    let from = text.find(&format!("[{table}]")).unwrap_or(0);
    let at = text.get(from..).and_then(|rest| rest.find(key));
    at.map_or(from, |at| from + at)
}
