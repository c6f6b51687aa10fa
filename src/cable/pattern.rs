//! What file names say, by a pattern such as `{fibre}-{wavelength}-{from}.txt`.

/// What is wrong with a pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PatternError {
    /// A name in braces that is none of ours.
    #[error(
        "column {column}: {{{found}}} is not known; wanted {{fibre}}, {{wavelength}}, {{from}}, \
         {{to}}, {{cable}} or {{any}}"
    )]
    Unknown {
        /// Column of the brace, counted from 1.
        column: usize,
        /// The name.
        found: String,
    },
    /// A brace that is not closed.
    #[error("column {column}: the brace is not closed")]
    Open {
        /// Column of the brace, counted from 1.
        column: usize,
    },
    /// Two fields with nothing between them.
    #[error("column {column}: two fields meet here; text must stand between them")]
    NothingBetween {
        /// Column of the second field, counted from 1.
        column: usize,
    },
    /// A field that is named twice.
    #[error("column {column}: {{{found}}} stands in the pattern twice")]
    Twice {
        /// Column of the second one, counted from 1.
        column: usize,
        /// The name.
        found: String,
    },
    /// No field that tells fibres apart.
    #[error("the pattern has no {{fibre}}, so it tells no fibres apart")]
    NoFibre,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Fibre,
    Wavelength,
    From,
    To,
    Cable,
    Any,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(String),
    Field(Field),
}

/// A pattern of file names: text, and fields in braces.
///
/// A field holds at least one character and ends where the text behind it first fits;
/// `{any}` stands for whatever tells nothing. The pattern fits a file's name whole; a
/// pattern with slashes fits that many folders too. Case does not count in the text.
///
/// ```
/// use bothends::cable::NamePattern;
/// let pattern = NamePattern::new("{fibre}-{wavelength}-{from}.txt").unwrap();
/// let told = pattern.read("day 1/017-1550-Mill Bridge.txt").unwrap();
/// assert_eq!(told.fibre.as_deref(), Some("017"));
/// assert_eq!(told.wavelength_nm, Some(1550.0));
/// assert_eq!(told.from.as_deref(), Some("Mill Bridge"));
/// assert!(pattern.read("017-1550.txt").is_none());
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamePattern {
    pieces: Vec<Piece>,
    folders: usize,
    text: String,
}

/// What a file's name tells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Told {
    /// The fibre.
    pub fibre: Option<String>,
    /// The wavelength in nanometres; a trailing `nm` does not count.
    pub wavelength_nm: Option<f64>,
    /// The end it was taken from.
    pub from: Option<String>,
    /// The far end.
    pub to: Option<String>,
    /// The cable.
    pub cable: Option<String>,
}

impl NamePattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// [`PatternError`] with the column.
    pub fn new(text: &str) -> Result<Self, PatternError> {
        let mut pieces: Vec<Piece> = Vec::new();
        let mut plain = String::new();
        let mut letters = text.chars().enumerate();
        while let Some((index, letter)) = letters.next() {
            let column = index + 1;
            if letter != '{' {
                plain.extend(letter.to_lowercase());
                continue;
            }
            let mut name = String::new();
            loop {
                match letters.next() {
                    Some((_, '}')) => break,
                    Some((_, letter)) => name.push(letter),
                    None => return Err(PatternError::Open { column }),
                }
            }
            let field = match name.trim() {
                "fibre" => Field::Fibre,
                "wavelength" => Field::Wavelength,
                "from" => Field::From,
                "to" => Field::To,
                "cable" => Field::Cable,
                "any" => Field::Any,
                _ => {
                    return Err(PatternError::Unknown {
                        column,
                        found: name,
                    });
                }
            };
            if !plain.is_empty() {
                pieces.push(Piece::Text(std::mem::take(&mut plain)));
            } else if matches!(pieces.last(), Some(Piece::Field(_))) {
                return Err(PatternError::NothingBetween { column });
            }
            if field != Field::Any && pieces.contains(&Piece::Field(field)) {
                return Err(PatternError::Twice {
                    column,
                    found: name,
                });
            }
            pieces.push(Piece::Field(field));
        }
        if !plain.is_empty() {
            pieces.push(Piece::Text(plain));
        }
        if !pieces.contains(&Piece::Field(Field::Fibre)) {
            return Err(PatternError::NoFibre);
        }
        Ok(Self {
            pieces,
            folders: text.matches('/').count(),
            text: text.to_owned(),
        })
    }

    /// The pattern as it was given.
    pub fn as_str(&self) -> &str {
        &self.text
    }

    /// What a file's name tells; none where the pattern does not fit. Folders are
    /// separated by slashes; as many as the pattern has are looked at.
    pub fn read(&self, path: &str) -> Option<Told> {
        let mut parts: Vec<&str> = path.rsplit('/').take(self.folders + 1).collect();
        parts.reverse();
        let name: Vec<char> = parts.join("/").chars().collect();
        let mut told = Told::default();
        self.fit(&name, 0, 0, &mut told).then_some(told)
    }

    /// Fits the pieces from `piece` on to the name from `at` on.
    fn fit(&self, name: &[char], piece: usize, at: usize, told: &mut Told) -> bool {
        match self.pieces.get(piece) {
            None => at == name.len(),
            Some(Piece::Text(text)) => starts_with(name, at, text)
                .is_some_and(|behind| self.fit(name, piece + 1, behind, told)),
            Some(Piece::Field(field)) => (at + 1..=name.len()).any(|end| {
                let holds: String = name.get(at..end).unwrap_or_default().iter().collect();
                if holds.contains('/') {
                    return false;
                }
                let wavelength = wavelength(&holds);
                if *field == Field::Wavelength && wavelength.is_none() {
                    return false;
                }
                let next_fits = match self.pieces.get(piece + 1) {
                    Some(Piece::Text(text)) => starts_with(name, end, text).is_some(),
                    _ => end == name.len(),
                };
                if !next_fits || !self.fit(name, piece + 1, end, told) {
                    return false;
                }
                let holds = Some(holds.trim().to_owned());
                match field {
                    Field::Fibre => told.fibre = holds,
                    Field::Wavelength => told.wavelength_nm = wavelength,
                    Field::From => told.from = holds,
                    Field::To => told.to = holds,
                    Field::Cable => told.cable = holds,
                    Field::Any => {}
                }
                true
            }),
        }
    }
}

/// Place behind `text` where it stands at `at`, without regard to case.
fn starts_with(name: &[char], at: usize, text: &str) -> Option<usize> {
    let mut place = at;
    let mut wanted = text.chars().peekable();
    while wanted.peek().is_some() {
        for letter in name.get(place)?.to_lowercase() {
            if wanted.next() != Some(letter) {
                return None;
            }
        }
        place += 1;
    }
    Some(place)
}

/// A wavelength in nanometres: digits, perhaps with `nm` behind them.
fn wavelength(text: &str) -> Option<f64> {
    let text = text.trim().to_lowercase();
    let number = text.strip_suffix("nm").unwrap_or(&text).trim();
    let plain = number.chars().all(|c| c.is_ascii_digit() || c == '.');
    number.parse().ok().filter(|nm: &f64| plain && *nm > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_end_where_the_text_behind_them_fits() {
        let pattern = NamePattern::new("{cable}-{fibre}-{wavelength}nm-from-{from}.csv").unwrap();
        let told = pattern.read("HL-204-017-1310nm-from-a.CSV").unwrap();
        assert_eq!(
            (told.cable.as_deref(), told.fibre.as_deref()),
            (Some("HL"), Some("204-017"))
        );
        assert_eq!(
            (told.wavelength_nm, told.from.as_deref()),
            (Some(1310.0), Some("a"))
        );
        let pattern = NamePattern::new("{fibre}/{wavelength}-{from}.txt").unwrap();
        let told = pattern.read("day/f 3/1550-b.txt").unwrap();
        assert_eq!(told.fibre.as_deref(), Some("f 3"));
        assert!(pattern.read("1550-b.txt").is_none());
    }

    #[test]
    fn what_is_wrong_with_a_pattern_is_said_with_its_column() {
        let fault = |text| NamePattern::new(text).unwrap_err().to_string();
        assert!(fault("{fibre}-{lambda}").starts_with("column 9: {lambda} is not known"));
        assert!(fault("{fibre").starts_with("column 1: the brace"));
        assert!(fault("{fibre}{from}").starts_with("column 8: two fields meet"));
        assert!(fault("{fibre}-{fibre}").starts_with("column 9: {fibre} stands"));
        assert!(fault("{from}.txt").contains("no {fibre}"));
    }
}
