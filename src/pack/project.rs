//! Project details that a user gives: title, parties, wording, logo.

use serde::Deserialize;
use toml::Spanned;

use super::wording::Wording;
use crate::read::line_and_column;

/// Most characters of one entry: a page of text.
const MOST_CHARACTERS: usize = 4_000;

/// Who has the work done, who does it, and what it is called.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Project {
    /// Title of the project.
    pub title: Option<String>,
    /// Its number or order.
    pub number: Option<String>,
    /// Where it is.
    pub site: Option<String>,
    /// Free text for the cover.
    pub note: Option<String>,
    /// Who receives the pack.
    pub client: Party,
    /// Who did the work.
    pub contractor: Party,
    /// Who measured.
    pub tester: Party,
    /// Entries of the user's own for the cover: name and value, in their order.
    pub details: Vec<(String, String)>,
    /// Logo of the contractor as a PNG file, checked and of limited size.
    pub logo_png: Option<Vec<u8>>,
}

/// A party of the project.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Party {
    /// Name.
    pub name: Option<String>,
    /// Address, on any number of lines.
    pub address: Option<String>,
    /// Person, telephone or mail.
    pub contact: Option<String>,
}

impl Party {
    /// Whether nothing is said of it.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// What is wrong with a project file, and where; both counts start at 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {message}")]
pub struct ProjectError {
    /// Line in the file.
    pub line: usize,
    /// Character in the line.
    pub column: usize,
    /// What was found and what was wanted.
    pub message: String,
}

impl ProjectError {
    fn at(text: &str, byte: usize, message: impl Into<String>) -> Self {
        let (line, column) = line_and_column(text, byte);
        Self {
            line,
            column,
            message: message.into(),
        }
    }
}

/// A project file as it is written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    title: Option<Spanned<String>>,
    number: Option<Spanned<String>>,
    site: Option<Spanned<String>>,
    note: Option<Spanned<String>>,
    logo: Option<Spanned<String>>,
    language: Option<Spanned<String>>,
    #[serde(default)]
    client: Party,
    #[serde(default)]
    contractor: Party,
    #[serde(default)]
    tester: Party,
    #[serde(default)]
    details: toml::map::Map<String, toml::Value>,
    #[serde(default)]
    wording: Option<Spanned<toml::map::Map<String, toml::Value>>>,
}

/// What a project file says.
#[derive(Debug, Clone, PartialEq)]
pub struct ProjectFile {
    /// Title and parties; the logo is still to be read.
    pub project: Project,
    /// The fixed texts.
    pub wording: Wording,
    /// Path of the logo, as written, counted from the file's folder.
    pub logo: Option<String>,
}

impl ProjectFile {
    /// Reads a project file (TOML).
    ///
    /// # Errors
    /// [`ProjectError`] with line and column: no TOML, an entry that is not known, a
    /// text that is too long.
    ///
    /// # Example
    /// ```
    /// use bothends::pack::project::ProjectFile;
    /// use bothends::pack::wording::Text;
    /// let text = "title = 'Ring north'\nlanguage = 'de'\n[wording]\npass = 'bestanden'\n";
    /// let file = ProjectFile::from_toml(text).unwrap();
    /// assert_eq!(file.wording.of(Text::Pass), "bestanden");
    /// let error = ProjectFile::from_toml("title = 'x'\n[wording]\npas = 'x'\n").unwrap_err();
    /// assert_eq!((error.line, error.column), (3, 1));
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, ProjectError> {
        let written: Written = toml::from_str(text).map_err(|error| {
            let byte = error.span().map_or(0, |span| span.start);
            ProjectError::at(text, byte, error.message())
        })?;
        let short = |entry: Option<Spanned<String>>| match entry {
            Some(entry) if entry.get_ref().chars().count() > MOST_CHARACTERS => {
                Err(ProjectError::at(
                    text,
                    entry.span().start,
                    format!("the text is longer than {MOST_CHARACTERS} characters"),
                ))
            }
            entry => Ok(entry.map(Spanned::into_inner)),
        };
        let mut wording = Wording::default();
        if let Some(language) = written.language {
            let start = language.span().start;
            let language = language.into_inner();
            if !is_language(&language) {
                return Err(ProjectError::at(
                    text,
                    start,
                    format!(
                        "{language:?} is no language; wanted a tag such as \"de\" or \"pt-BR\""
                    ),
                ));
            }
            wording.language = language;
        }
        if let Some(texts) = written.wording {
            let start = texts.span().start;
            for (key, value) in texts.into_inner() {
                let at = |message| ProjectError::at(text, place_of(text, start, &key), message);
                match value.as_str() {
                    Some(value) if value.chars().count() <= MOST_CHARACTERS => {
                        if !wording.replace_keyed(&key, value.to_owned()) {
                            return Err(at(format!("{key:?} is no text of a pack")));
                        }
                    }
                    Some(_) => {
                        return Err(at(format!(
                            "the text is longer than {MOST_CHARACTERS} characters"
                        )));
                    }
                    None => return Err(at(format!("{key} wants a text in quotes"))),
                }
            }
        }
        let mut details = Vec::new();
        for (key, value) in written.details {
            let value = match value {
                toml::Value::String(value) => value,
                toml::Value::Integer(value) => value.to_string(),
                toml::Value::Float(value) => value.to_string(),
                toml::Value::Boolean(value) => value.to_string(),
                toml::Value::Datetime(value) => value.to_string(),
                toml::Value::Array(_) | toml::Value::Table(_) => {
                    let start = text.find("[details]").unwrap_or(0);
                    return Err(ProjectError::at(
                        text,
                        place_of(text, start, &key),
                        format!("{key:?} wants a text or a number"),
                    ));
                }
            };
            details.push((key, value));
        }
        Ok(Self {
            project: Project {
                title: short(written.title)?,
                number: short(written.number)?,
                site: short(written.site)?,
                note: short(written.note)?,
                client: written.client,
                contractor: written.contractor,
                tester: written.tester,
                details,
                logo_png: None,
            },
            wording,
            logo: short(written.logo)?,
        })
    }
}

/// Whether a text looks like a BCP 47 tag: letters, digits and inner hyphens.
fn is_language(text: &str) -> bool {
    text.len() <= 35
        && text.split('-').all(|part| {
            (1..=8).contains(&part.len()) && part.chars().all(|c| c.is_ascii_alphanumeric())
        })
        && text.starts_with(|c: char| c.is_ascii_alphabetic())
}

/// Byte at which the line of a key begins, at or behind `start`; `start` itself if it is
/// not found.
fn place_of(text: &str, start: usize, key: &str) -> usize {
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        let trimmed = line.trim_start().trim_start_matches(['"', '\'']);
        if at + line.len() > start && trimmed.starts_with(key) {
            return at + (line.len() - line.trim_start().len());
        }
        at += line.len();
    }
    start
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_has_its_line_and_column() {
        let fault = |text: &str| ProjectFile::from_toml(text).unwrap_err().to_string();
        insta::assert_snapshot!(
            [
                fault("title = 7\n"),
                fault("titel = 'x'\n"),
                fault("[client]\nnme = 'x'\n"),
                fault("language = 'not a tag'\n"),
                fault("[wording]\npass = 'x'\n\nfial = 'y'\n"),
                fault("[wording]\npass = 1\n"),
                fault("[details]\nlist = [1]\n"),
                fault(&format!("note = '{}'\n", "x".repeat(5000))),
                fault("title = 'x\n"),
            ]
            .join("\n")
        );
    }
}
