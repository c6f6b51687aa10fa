//! What a column title says: quantity, unit, wavelength, direction.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::keys::plain_key;
use super::settings::TO;
use super::words::{Known, Quantity, Vocabulary, title_word};

/// Unit of a column of distances; the last ones are of round-trip time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum DistanceUnit {
    /// Metres.
    #[serde(rename = "m")]
    Metre,
    /// Kilometres.
    #[serde(rename = "km")]
    Kilometre,
    /// Feet of 0.3048 m.
    #[serde(rename = "ft")]
    Foot,
    /// Thousands of feet.
    #[serde(rename = "kft")]
    Kilofoot,
    /// Miles of 1609.344 m.
    #[serde(rename = "mi")]
    Mile,
    /// Nanoseconds, there and back.
    #[serde(rename = "ns")]
    Nanosecond,
    /// Microseconds, there and back.
    #[serde(rename = "us")]
    Microsecond,
}

impl DistanceUnit {
    /// Metres in one unit of length, or seconds in one of time.
    pub(super) const fn factor(self) -> f64 {
        match self {
            Self::Metre => 1.0,
            Self::Kilometre => 1000.0,
            // International foot and mile, exact since 1959.
            Self::Foot => 0.3048,
            Self::Kilofoot => 304.8,
            Self::Mile => 1609.344,
            Self::Nanosecond => 1e-9,
            Self::Microsecond => 1e-6,
        }
    }

    /// Whether the unit is one of time.
    pub(super) const fn is_time(self) -> bool {
        matches!(self, Self::Nanosecond | Self::Microsecond)
    }

    /// The unit as a recipe writes it.
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Metre => "m",
            Self::Kilometre => "km",
            Self::Foot => "ft",
            Self::Kilofoot => "kft",
            Self::Mile => "mi",
            Self::Nanosecond => "ns",
            Self::Microsecond => "us",
        }
    }

    /// The unit that a word names, in lower case.
    pub(super) fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "m" | "metre" | "metres" | "meter" | "meters" | "mtr" | "mètre" | "mètres"
            | "metro" | "metros" | "metri" | "metry" => Self::Metre,
            "km" | "kilometre" | "kilometres" | "kilometer" | "kilometers" | "kilomètres"
            | "kilómetros" | "quilómetros" | "quilômetros" | "chilometri" | "kilometry" => {
                Self::Kilometre
            }
            "ft" | "feet" | "foot" => Self::Foot,
            "kft" | "kilofeet" => Self::Kilofoot,
            "mi" | "mile" | "miles" => Self::Mile,
            "ns" | "nsec" | "nanosecond" | "nanoseconds" => Self::Nanosecond,
            "us" | "µs" | "μs" | "usec" | "µsec" | "μsec" | "microsecond" | "microseconds" => {
                Self::Microsecond
            }
            _ => return None,
        })
    }
}

impl fmt::Display for DistanceUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Metre => "m",
            Self::Kilometre => "km",
            Self::Foot => "ft",
            Self::Kilofoot => "kft",
            Self::Mile => "miles",
            Self::Nanosecond => "ns round trip",
            Self::Microsecond => "µs round trip",
        })
    }
}

/// Which way the light of a column went, by the column's title.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Direction {
    /// From end A.
    #[serde(rename = "A to B")]
    AToB,
    /// From end B.
    #[serde(rename = "B to A")]
    BToA,
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::AToB => "A to B",
            Self::BToA => "B to A",
        })
    }
}

/// Unit of a column of levels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum LevelUnit {
    /// Decibels, or decibels over a milliwatt: only differences count.
    #[serde(rename = "dB")]
    Decibel,
    /// Thousandths of a decibel.
    #[serde(rename = "mdB")]
    Millidecibel,
}

impl LevelUnit {
    /// The unit that a word names, in lower case.
    pub(super) fn from_word(word: &str) -> Option<Self> {
        match word {
            "db" | "dbm" | "decibel" | "decibels" => Some(Self::Decibel),
            "mdb" => Some(Self::Millidecibel),
            _ => None,
        }
    }

    /// Units in one decibel; to divide by, which keeps decimals exact.
    pub(super) const fn per_db(self) -> f64 {
        match self {
            Self::Decibel => 1.0,
            Self::Millidecibel => 1000.0,
        }
    }
}

impl fmt::Display for LevelUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Decibel => "dB",
            Self::Millidecibel => "mdB",
        })
    }
}

/// What a title says about its column; each part may be missing.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Meaning {
    pub(super) quantity: Option<Quantity>,
    /// A word says whether the numbers are levels or losses; a unit does not.
    pub(super) named: bool,
    /// A setting that stands in a column of its own.
    pub(super) setting: Option<Known>,
    pub(super) distance_unit: Option<DistanceUnit>,
    pub(super) level_unit: Option<LevelUnit>,
    /// A linear unit of power, as written.
    pub(super) linear: Option<String>,
    pub(super) wavelength_nm: Option<f64>,
    pub(super) direction: Option<Direction>,
}

/// Reads a title.
pub(super) fn meaning(title: &str, vocabulary: &Vocabulary) -> Meaning {
    if let Some(setting) = setting(title, vocabulary) {
        return Meaning {
            quantity: Some(Quantity::Other),
            setting: Some(setting),
            ..Meaning::default()
        };
    }
    let title = title
        .replace('→', " to ")
        .replace("->", " to ")
        .to_lowercase();
    let words: Vec<&str> = title
        .split(|c: char| !c.is_alphanumeric() && !matches!(c, '%' | '#' | 'µ' | 'μ'))
        .filter(|word| !word.is_empty())
        .collect();
    let mut found = Meaning {
        direction: direction(&words),
        wavelength_nm: wavelength(&title),
        ..Meaning::default()
    };
    let per_length = words
        .windows(2)
        .any(|pair| pair[0] == "db" && DistanceUnit::from_word(pair[1]).is_some());
    for (index, &word) in words.iter().enumerate() {
        let quantity = title_word(word);
        // The first quantity named counts, but a plain count gives way: "sample level".
        if found.quantity.is_none() || found.quantity == Some(Quantity::Index) {
            found.quantity = quantity.or(found.quantity);
        }
        found.named |= quantity.is_some() && !VAGUE.contains(&word);
        match word {
            "db" | "dbm" => found.level_unit = Some(LevelUnit::Decibel),
            "mdb" => found.level_unit = Some(LevelUnit::Millidecibel),
            "w" | "mw" | "uw" | "µw" | "μw" | "nw" | "pw" | "v" | "mv" | "counts" | "adc"
            | "lsb" | "linear" | "%" | "percent" => found.linear = Some(word.to_owned()),
            _ => {}
        }
        // A letter alone is a unit only at the end: `distance_m`, `z (m)`.
        if (word.len() > 1 || index + 1 == words.len())
            && let Some(unit) = DistanceUnit::from_word(word)
        {
            found.distance_unit = Some(unit);
        }
    }
    if per_length {
        return Meaning {
            quantity: Some(Quantity::Other),
            ..Meaning::default()
        };
    }
    if found.linear.is_none() && LINEAR.iter().any(|words| title.contains(words)) {
        found.linear = Some(title.trim().to_owned());
    }
    if let Some(own) = vocabulary.column(&title) {
        found.quantity = Some(own);
        found.named = true;
    }
    if found.quantity.is_none() {
        found.quantity = match (found.distance_unit, found.level_unit, &found.linear) {
            (Some(_), None, None) => Some(Quantity::Distance),
            (None, Some(_), _) | (None, None, Some(_)) => Some(Quantity::Level),
            _ => None,
        };
    }
    if found.quantity.is_none() && (found.wavelength_nm.is_some() || found.direction.is_some()) {
        found.quantity = Some(Quantity::Level);
    }
    found
}

/// Words that leave open whether the numbers are levels or losses.
const VAGUE: [&str; 11] = [
    "y",
    "value",
    "reading",
    "magnitude",
    "trace",
    "kurve",
    "courbe",
    "traza",
    "traccia",
    "traço",
    "krzywa",
];

/// Words of a linear scale that are no units.
const LINEAR: [&str; 5] = ["a.u.", "arb. u", "arbitrary u", "normalised", "normalized"];

/// The setting that a title names: `Wavelength (nm)` over a column that holds
/// the same in every row.
fn setting(title: &str, vocabulary: &Vocabulary) -> Option<Known> {
    let (words, _) = plain_key(title);
    let key = vocabulary.key(&words).filter(|key| key.sure)?;
    match key.known {
        // `Backscatter` and the like are titles of levels, too.
        Known::Backscatter if !words.contains("coef") => None,
        Known::Wavelength
        | Known::Pulse
        | Known::Index
        | Known::Backscatter
        | Known::Averaging
        | Known::Launch
        | Known::Tail
        | Known::Fibre
        | Known::Cable
        | Known::From
        | Known::To
        | Known::Instrument
        | Known::Serial
        | Known::Operator => Some(key.known),
        _ => None,
    }
}

fn direction(words: &[&str]) -> Option<Direction> {
    let has = |pattern: &[&str]| words.windows(pattern.len()).any(|part| part == pattern);
    // `A nach B`
    let goes = |ends: [&str; 2]| {
        words
            .windows(3)
            .any(|part| part[0] == ends[0] && part[2] == ends[1] && TO.contains(&part[1]))
    };
    if goes(["a", "b"]) || has(&["a", "b"]) || has(&["ab"]) || has(&["from", "a"]) {
        Some(Direction::AToB)
    } else if goes(["b", "a"]) || has(&["b", "a"]) || has(&["ba"]) || has(&["from", "b"]) {
        Some(Direction::BToA)
    } else {
        None
    }
}

/// A wavelength such as `1550nm`, `1549.5 nm`, `1,55 µm` or a bare `1550`, in a title in
/// lower case.
fn wavelength(title: &str) -> Option<f64> {
    let mut from = 0;
    while let Some(at) = title.get(from..)?.find(|c: char| c.is_ascii_digit()) {
        let start = from + at;
        let rest = title.get(start..)?;
        let end = rest
            .char_indices()
            .find(|&(i, c)| {
                let decimal = matches!(c, '.' | ',')
                    && rest
                        .get(i + 1..)
                        .is_some_and(|after| after.starts_with(|c: char| c.is_ascii_digit()));
                !c.is_ascii_digit() && !decimal
            })
            .map_or(rest.len(), |(i, _)| i);
        from = start + end;
        // `J-978` is the number of something.
        let before = title.get(..start)?;
        let inside = before.ends_with(char::is_alphanumeric)
            || before
                .strip_suffix('-')
                .is_some_and(|b| b.ends_with(char::is_alphanumeric));
        let after = rest.get(end..)?;
        let unit = after
            .trim_start_matches([' ', '_', '\u{A0}'])
            .split(|c: char| !c.is_alphabetic())
            .next();
        let glued = after.starts_with(char::is_alphabetic);
        let factor = match unit.unwrap_or_default() {
            "nm" => 1.0,
            "um" | "µm" | "μm" => 1000.0,
            _ if glued => continue,
            _ => 1.0,
        };
        let number = rest.get(..end)?;
        // Whole nanometres may be bare; what has decimals names its unit.
        let whole = number.bytes().all(|b| b.is_ascii_digit());
        let named = matches!(unit, Some("nm" | "um" | "µm" | "μm"));
        let value: Option<f64> = number.replace(',', ".").parse().ok();
        let nm = value.map(|value| (value * factor * 1e6).round() / 1e6);
        // Where fibre guides; the range that `Trace` accepts.
        let fits = nm.filter(|nm| (600.0..=2000.0).contains(nm));
        if fits.is_some() && !inside && (whole && factor < 2.0 || named) {
            return fits;
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(title: &str) -> (Option<Quantity>, Option<DistanceUnit>, Option<LevelUnit>) {
        let found = meaning(title, &Vocabulary::default());
        (found.quantity, found.distance_unit, found.level_unit)
    }

    #[test]
    fn titles_name_quantity_and_unit() {
        use DistanceUnit as D;
        use Quantity as Q;
        let db = Some(LevelUnit::Decibel);
        assert_eq!(
            said("distance_m"),
            (Some(Q::Distance), Some(D::Metre), None)
        );
        assert_eq!(
            said("Distance (km)"),
            (Some(Q::Distance), Some(D::Kilometre), None)
        );
        assert_eq!(
            said("Fibre length [ft]"),
            (Some(Q::Distance), Some(D::Foot), None)
        );
        assert_eq!(said("km"), (Some(Q::Distance), Some(D::Kilometre), None));
        assert_eq!(
            said("round trip time / µs"),
            (Some(Q::Distance), Some(D::Microsecond), None)
        );
        assert_eq!(said("level_db"), (Some(Q::Level), None, db));
        assert_eq!(said("Loss, dB"), (Some(Q::Loss), None, db));
        assert_eq!(said("dB"), (Some(Q::Level), None, db));
        assert_eq!(said("Sample no."), (Some(Q::Index), None, None));
        assert_eq!(said("Slope dB/km"), (Some(Q::Other), None, None));
        assert_eq!(said("remark"), (None, None, None));
        assert_eq!(said("Pulse length (ns)"), (Some(Q::Other), None, None));
        assert_eq!(said("Group index"), (Some(Q::Other), None, None));
        assert_eq!(
            meaning("power (mW)", &Vocabulary::default())
                .linear
                .as_deref(),
            Some("mw")
        );
    }

    #[test]
    fn titles_name_wavelength_and_direction() {
        let found = meaning("A→B 1550 nm (dB)", &Vocabulary::default());
        assert_eq!(found.quantity, Some(Quantity::Level));
        assert_eq!(found.wavelength_nm, Some(1550.0));
        assert_eq!(found.direction, Some(Direction::AToB));
        let found = meaning("level_b_to_a_1310nm_db", &Vocabulary::default());
        assert_eq!(found.wavelength_nm, Some(1310.0));
        assert_eq!(found.direction, Some(Direction::BToA));
    }

    #[test]
    fn wavelengths_in_titles_keep_their_decimals() {
        for (title, nm) in [
            ("1549.5 nm (db)", Some(1549.5)),
            ("level 1549,32nm", Some(1549.32)),
            ("1.55 µm, db", Some(1550.0)),
            ("power_1549.5_nm_db", Some(1549.5)),
            ("level_1550", Some(1550.0)),
            ("1310/1550 nm", Some(1310.0)),
            ("level 1549.5", None),
            ("trace1550", None),
            ("j-978", None),
            ("level 2", None),
            ("1550a", None),
        ] {
            assert_eq!(wavelength(title), nm, "{title}");
        }
    }
}
