//! Values of settings: a number and its unit.

use nom::branch::alt;
use nom::bytes::complete::take_while;
use nom::character::complete::{char, one_of};
use nom::combinator::{opt, recognize, verify};
use nom::multi::many0;
use nom::sequence::{pair, preceded, terminated};
use nom::{IResult, Parser};

use super::number::{DecimalMark, Field, NumberStyle, Thousands, field};

/// What a setting's value may be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    /// Units understood, in lower case with `u` for micro, and their size in
    /// the setting's own unit.
    pub(super) units: &'static [(&'static str, f64)],
    /// Bounds in the setting's own unit, to tell `1,550 nm` from `1,550 µm`.
    pub(super) min: f64,
    pub(super) max: f64,
    /// In words, with an example.
    pub(super) words: &'static str,
}

/// Longest value, in bytes; more is no number with a unit.
const LONGEST: usize = 400;

/// Why a value was not understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Refusal {
    NotUnderstood,
    UnitMissing,
}

/// Reads `value`, or with no unit in it `value` and the unit that the key names.
///
/// Both decimal marks are tried, the file's own first; a reading outside the
/// bounds does not count, and two different readings inside them count only as
/// the file's own style has it.
pub(super) fn quantity(
    value: &str,
    unit_of_key: Option<&str>,
    wanted: Wanted,
    style: Option<DecimalMark>,
) -> Result<f64, Refusal> {
    if value.len() > LONGEST {
        return Err(Refusal::NotUnderstood);
    }
    let Ok((unit, digits)) = number_text(value.trim()) else {
        return Err(Refusal::NotUnderstood);
    };
    let unit = unit.trim().trim_matches(['(', ')', '[', ']']);
    let unit = if unit.is_empty() {
        unit_of_key.unwrap_or_default()
    } else {
        unit
    };
    let unit = unit.replace(['µ', 'μ'], "u").to_lowercase();
    let sizes: Vec<f64> = if unit.is_empty() && wanted.units.len() > 1 {
        wanted.units.iter().map(|(_, size)| *size).collect()
    } else {
        wanted
            .units
            .iter()
            .filter(|(name, _)| unit.is_empty() || *name == unit)
            .map(|(_, size)| *size)
            .take(1)
            .collect()
    };
    let read = |decimal, thousands| match field(digits, NumberStyle { decimal, thousands }) {
        Field::Number(number) => Some(number),
        _ => None,
    };
    let point = [
        read(DecimalMark::Point, None),
        read(DecimalMark::Point, Some(Thousands::Comma)),
        read(DecimalMark::Point, Some(Thousands::Space)),
        read(DecimalMark::Point, Some(Thousands::Apostrophe)),
    ];
    let comma = [
        read(DecimalMark::Comma, None),
        read(DecimalMark::Comma, Some(Thousands::Point)),
        read(DecimalMark::Comma, Some(Thousands::Space)),
    ];
    let in_bounds = |numbers: &[Option<f64>]| -> Vec<f64> {
        let mut found: Vec<f64> = Vec::new();
        for number in numbers.iter().flatten() {
            for size in &sizes {
                let value = scaled(*number, *size);
                if (wanted.min..=wanted.max).contains(&value)
                    && !found.iter().any(|other| other.to_bits() == value.to_bits())
                {
                    found.push(value);
                }
            }
        }
        found
    };
    let all: Vec<Option<f64>> = point.iter().chain(&comma).copied().collect();
    let unit_matters = unit.is_empty() && wanted.units.len() > 1;
    match in_bounds(&all).as_slice() {
        [] => Err(Refusal::NotUnderstood),
        [one] => Ok(*one),
        _ if unit_matters => Err(Refusal::UnitMissing),
        _ => {
            let own = match style {
                Some(DecimalMark::Point) => in_bounds(&point),
                Some(DecimalMark::Comma) => in_bounds(&comma),
                None => Vec::new(),
            };
            match own.as_slice() {
                [one] => Ok(*one),
                _ => Err(Refusal::NotUnderstood),
            }
        }
    }
}

/// Multiplies; divides where the factor is the inverse of a whole number, which
/// keeps `0.1 us` at 100 ns and `250 mm` at 0.25 m.
fn scaled(number: f64, size: f64) -> f64 {
    if size < 1.0 && (1.0 / size).fract() == 0.0 {
        number / (1.0 / size)
    } else {
        number * size
    }
}

/// The text of a number at the start of a value: digits with marks and spaces
/// between, and an exponent.
fn number_text(input: &str) -> IResult<&str, &str> {
    let sign = alt((one_of("+-"), char('\u{2212}')));
    let digits = |input| {
        verify(take_while(|c: char| c.is_ascii_digit()), |d: &str| {
            !d.is_empty()
        })
        .parse(input)
    };
    let group = |input| preceded(one_of(" \u{A0}\u{2009}\u{202F}'.,"), digits).parse(input);
    let leading = preceded(one_of(".,"), digits);
    let exponent = (one_of("eE"), opt(one_of("+-")), digits);
    recognize((
        opt(sign),
        alt((
            recognize(terminated(pair(digits, many0(group)), opt(one_of(".,")))),
            recognize(leading),
        )),
        opt(exponent),
    ))
    .parse(input)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIME_NS: Wanted = Wanted {
        units: &[("ns", 1.0), ("us", 1000.0), ("ms", 1e6), ("s", 1e9)],
        min: 0.01,
        max: 200_000.0,
        words: "a time, such as `100 ns`",
    };
    const NM: Wanted = Wanted {
        units: &[("nm", 1.0), ("um", 1000.0)],
        min: 600.0,
        max: 2000.0,
        words: "a wavelength",
    };
    const RATIO: Wanted = Wanted {
        units: &[("", 1.0)],
        min: 1.3,
        max: 1.7,
        words: "a ratio",
    };

    #[test]
    fn units_are_turned_into_one() {
        for text in ["100 ns", "100ns", "0.1 us", "0,1 µs", "1e2 ns", "0.0001 ms"] {
            let found = quantity(text, None, TIME_NS, None).unwrap();
            assert!((found - 100.0).abs() < 1e-12, "{text}");
        }
        assert_eq!(quantity("100", Some("ns"), TIME_NS, None), Ok(100.0));
    }

    #[test]
    fn a_missing_unit_is_filled_only_when_one_fits() {
        assert_eq!(quantity("1550", None, NM, None), Ok(1550.0));
        assert_eq!(quantity("1.55", None, NM, None), Ok(1550.0));
        assert_eq!(
            quantity("100", None, TIME_NS, None),
            Err(Refusal::UnitMissing)
        );
        assert_eq!(
            quantity("100 m", None, TIME_NS, None),
            Err(Refusal::NotUnderstood)
        );
    }

    #[test]
    fn bounds_tell_thousands_from_decimals() {
        assert_eq!(quantity("1,550 nm", None, NM, None), Ok(1550.0));
        assert_eq!(quantity("1,550 um", None, NM, None), Ok(1550.0));
        assert_eq!(quantity("1,468", None, RATIO, None), Ok(1.468));
        assert_eq!(
            quantity("1,000 ns", None, TIME_NS, None),
            Err(Refusal::NotUnderstood)
        );
        assert_eq!(
            quantity("1,000 ns", None, TIME_NS, Some(DecimalMark::Point)),
            Ok(1000.0)
        );
        assert_eq!(
            quantity("1,000 ns", None, TIME_NS, Some(DecimalMark::Comma)),
            Ok(1.0)
        );
    }
}
