//! What the values of settings may be.

use super::{DistanceUnit, Known, Length, Refusal, Wanted, Warning};
use crate::read::keys::{
    AVERAGING_S, BACKSCATTER_DB, CORD_M, INDEX, PULSE_NS, SPACING_M, START_M, WAVELENGTH_NM,
};

pub(super) fn cord(
    value: &str,
    read: impl Fn(Wanted) -> Result<f64, Refusal>,
) -> Result<Length, Refusal> {
    let none = ["none", "no"]
        .iter()
        .any(|word| word.eq_ignore_ascii_case(value));
    Ok(Length::from_m(if none { 0.0 } else { read(CORD_M)? }))
}

pub(super) fn doubt_backscatter(db: f64, line: usize) -> Option<Warning> {
    let message = if db > 0.0 {
        format!("line {line}: backscatter coefficient {db} dB is taken as -{db} dB")
    } else if db > -70.0 {
        // At 1 µs the same fibre reads 10·log10(1000) = 30 dB more.
        format!(
            "line {line}: backscatter coefficient {db} dB looks like one at 1 µs; wanted is the one \
             at 1 ns, 30 dB lower"
        )
    } else {
        return None;
    };
    Some(Warning::new("backscatter coefficient doubtful", message))
}

/// What the value of a setting may be, where columns can differ in it.
pub(in crate::read) const fn wanted_of(known: Known) -> Option<Wanted> {
    match known {
        Known::Wavelength => Some(WAVELENGTH_NM),
        Known::Pulse => Some(PULSE_NS),
        Known::Index => Some(INDEX),
        Known::Backscatter => Some(BACKSCATTER_DB),
        Known::Averaging => Some(AVERAGING_S),
        _ => None,
    }
}

/// The unit of distances that a value names, in lower case: `km`, `ns (round trip)`.
pub(super) fn unit_of_distance(value: &str) -> Option<DistanceUnit> {
    let mut words = value
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty());
    let unit = DistanceUnit::from_word(words.next()?)?;
    let trip = ["round", "trip", "two", "way", "there", "and", "back"];
    let rest = words.all(|word| unit.is_time() && trip.contains(&word));
    rest.then_some(unit)
}

pub(super) const fn wanted_words(known: Known) -> &'static str {
    match known {
        Known::Wavelength => WAVELENGTH_NM.words,
        Known::Pulse => PULSE_NS.words,
        Known::Index => INDEX.words,
        Known::Backscatter => BACKSCATTER_DB.words,
        Known::Averaging => AVERAGING_S.words,
        Known::Launch | Known::Tail => CORD_M.words,
        Known::Spacing => SPACING_M.words,
        Known::Start => START_M.words,
        Known::DistanceUnit => "one of m, km, ft, kft, miles, ns, us",
        Known::LevelUnit => "dB or mdB; levels in linear units are not read",
        _ => "a value",
    }
}
