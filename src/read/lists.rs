//! Settings that hold one value for each column of levels, and times as a clock
//! writes them.

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, PulseWidth, Wavelength};
use crate::warning::Warning;

use super::dialect::{Separator, split};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::number::DecimalMark;
use super::quantity::quantity;
use super::settings::wanted_of;
use super::words::{Known, Vocabulary};

/// Values of one setting, one for each column of levels.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct List {
    pub(super) known: Known,
    pub(super) values: Vec<f64>,
    /// The wavelength of each value in nanometres, where the keys name it.
    pub(super) at_nm: Vec<f64>,
    /// Line, key and value as written, for messages.
    pub(super) line: usize,
    pub(super) key: String,
    pub(super) text: String,
}

/// One value of a list that stands behind a numbered key: `wavelength 2: 1550 nm`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Numbered {
    pub(super) known: Known,
    /// The number in the key, or the wavelength in nanometres.
    pub(super) place: usize,
    pub(super) value: f64,
    /// Line, key and value as written.
    pub(super) line: usize,
    pub(super) key: String,
    pub(super) text: String,
}

/// Least number in a key that is a wavelength; a column's number is below.
const LEAST_NM: usize = 600;

/// The lists that numbered keys make, whatever order they stand in; the second
/// are those whose numbers do not go from 1 on and are no wavelengths.
pub(super) fn lists_by_number(mut numbered: Vec<Numbered>) -> (Vec<List>, Vec<Numbered>) {
    let (mut lists, mut left) = (Vec::new(), Vec::new());
    while let Some(known) = numbered.first().map(|one| one.known) {
        let (mut same, others): (Vec<_>, Vec<_>) =
            numbered.into_iter().partition(|one| one.known == known);
        numbered = others;
        same.sort_by_key(|one| one.place);
        let by_nm = same.iter().all(|one| one.place >= LEAST_NM)
            && same.windows(2).all(|pair| pair[0].place < pair[1].place);
        if !by_nm && same.iter().enumerate().any(|(i, one)| one.place != i + 1) {
            left.extend(same);
        } else if let Some(first) = same.first() {
            let texts: Vec<&str> = same.iter().map(|one| one.text.as_str()).collect();
            lists.push(List {
                known,
                values: same.iter().map(|one| one.value).collect(),
                at_nm: if by_nm {
                    same.iter().map(|one| one.place as f64).collect()
                } else {
                    Vec::new()
                },
                line: first.line,
                key: first.key.clone(),
                text: texts.join(" / "),
            });
        }
    }
    (lists, left)
}

/// Longest text of a list, in bytes.
const LONGEST: usize = 1000;

/// The values of `1310/1550 nm` or `1310 nm and 1550 nm`; `None` where the text
/// is one value, or one value repeated.
pub(super) fn list_of(
    known: Known,
    text: &str,
    unit_of_key: Option<&str>,
    style: Option<DecimalMark>,
) -> Option<Vec<f64>> {
    let wanted = wanted_of(known).filter(|_| text.len() <= LONGEST)?;
    let pieces = ["/", ";", "|", "&", " and ", ", ", "+ "]
        .iter()
        .map(|mark| text.split(mark).map(str::trim).collect::<Vec<_>>())
        .find(|pieces| pieces.len() > 1)?;
    let unit = |piece: &str| {
        let unit = piece.trim_start_matches(|c: char| !c.is_alphabetic() && c != '(');
        (!unit.is_empty()).then(|| unit.to_owned())
    };
    let shared = pieces.last().and_then(|piece| unit(piece));
    let shared = shared.as_deref().or(unit_of_key);
    pieces
        .iter()
        .map(|piece| quantity(piece, shared, wanted, style).ok())
        .collect()
}

/// The values of `1310 nm;1550 nm`, in columns of their own.
pub(super) fn list_in_columns(
    known: Known,
    text: &str,
    unit_of_key: Option<&str>,
    separator: Separator,
    style: Option<DecimalMark>,
) -> Option<Vec<f64>> {
    let wanted = wanted_of(known).filter(|_| text.len() <= LONGEST)?;
    let others = [
        Separator::Tab,
        Separator::Semicolon,
        Separator::Bar,
        Separator::Comma,
    ];
    let separator = [separator]
        .into_iter()
        .chain(others)
        .find(|separator| separator.char().is_some_and(|c| text.contains(c)))?;
    let values: Option<Vec<f64>> = split(text, separator)
        .filter(|piece| !piece.text.trim().is_empty())
        .map(|piece| quantity(&piece.text, unit_of_key, wanted, style).ok())
        .collect();
    values.filter(|values| values.len() > 1)
}

/// A known key with a number behind it, of a column or a wavelength: `wavelength 2`,
/// `pulse width 1550`.
pub(super) fn numbered(words: &str, vocabulary: &Vocabulary) -> Option<(Known, usize)> {
    let (key, number) = words.trim_end_matches(" nm").rsplit_once(' ')?;
    let digits = number.trim_end_matches("nm");
    let place = digits.parse().ok().filter(|place| {
        digits.len() == number.len() && (1..=64).contains(place)
            || (LEAST_NM..=2000).contains(place)
    })?;
    let key = vocabulary.key(key).filter(|key| key.sure)?;
    if place >= LEAST_NM && key.known == Known::Wavelength {
        return None;
    }
    wanted_of(key.known).map(|_| (key.known, place))
}

/// Seconds in `3:20` (minutes and seconds), `1:03:20` or `3 min 20 s`.
///
/// Minutes and seconds, not hours and minutes: nobody averages for hours, and
/// the averaging time scales no result.
pub(super) fn clock(text: &str) -> Option<f64> {
    let text = text.to_lowercase();
    let text = text
        .trim_end_matches(|c: char| c.is_alphabetic() && text.contains(':'))
        .trim_end_matches(" (")
        .trim();
    let parts: Vec<&str> = if text.contains(':') {
        text.split(':').collect()
    } else {
        let worded = ["minutes", "min", "m"].iter().find_map(|m| {
            let (minutes, seconds) = text.split_once(m)?;
            let seconds = ["seconds", "sec", "s"]
                .iter()
                .find_map(|s| seconds.trim().strip_suffix(s))?;
            Some(vec![minutes, seconds])
        });
        worded?
    };
    if !(2..=3).contains(&parts.len()) {
        return None;
    }
    parts.iter().try_fold(0.0, |sum, part| {
        let part = part.trim();
        let whole = !part.is_empty() && part.len() <= 4 && part.bytes().all(|b| b.is_ascii_digit());
        let value: f64 = whole.then(|| part.parse().ok())??;
        Some(sum * 60.0 + value)
    })
}

/// Lists that say the wavelength of each value, and so hold for traces further down.
pub(super) fn by_wavelength(lists: &[List]) -> impl Iterator<Item = &List> {
    lists.iter().filter(|list| !list.at_nm.is_empty())
}

/// Takes out of a header what such lists put there: another trace has another value.
pub(super) fn take_out(lists: &[List], header: &mut Header) {
    for list in by_wavelength(lists) {
        match list.known {
            Known::Pulse => header.pulse_width = None,
            Known::Index => header.group_index = None,
            Known::Backscatter => header.backscatter = None,
            Known::Averaging => header.averaging_time_s = None,
            _ => {}
        }
    }
}

/// Puts the values of each list into the headers of the columns: by the
/// wavelength that the column names, else in order.
pub(super) fn spread(
    lists: &[List],
    titled_nm: &[Option<f64>],
    headers: &mut [Header],
) -> Result<(), ParseError> {
    let wavelengths = lists.iter().find(|list| list.known == Known::Wavelength);
    // Wavelengths first: other lists may go by them.
    let ordered = lists.iter().filter(|list| list.at_nm.is_empty());
    let ordered = ordered.chain(lists.iter().filter(|list| !list.at_nm.is_empty()));
    for list in ordered {
        let same = list
            .values
            .windows(2)
            .all(|pair| pair[0].to_bits() == pair[1].to_bits());
        for (column, header) in headers.iter_mut().enumerate() {
            if !list.at_nm.is_empty() {
                let nm = header.wavelength.map(Wavelength::nm);
                let here = |at: &f64| nm.is_some_and(|nm| (nm - at).abs() < 0.5);
                let value = list.at_nm.iter().position(here);
                if let Some(value) = value.and_then(|at| list.values.get(at)) {
                    put(header, list.known, *value);
                }
                continue;
            }
            let titled = titled_nm.get(column).copied().flatten();
            let by_wavelength = wavelengths
                .filter(|w| w.values.len() == list.values.len())
                .zip(titled)
                .map(|(w, nm)| w.values.iter().position(|value| (value - nm).abs() < 0.5));
            let at = match by_wavelength {
                _ if same => Some(0),
                Some(at) => at,
                None => (list.values.len() == titled_nm.len()).then_some(column),
            };
            let Some(value) = at.and_then(|at| list.values.get(at)) else {
                let kind = ParseErrorKind::ListDiffers {
                    key: list.key.clone(),
                    found: excerpt(&list.text),
                    values: list.values.len(),
                    columns: titled_nm.len(),
                };
                return Err(kind.at(list.line, "", 0));
            };
            put(header, list.known, *value);
        }
    }
    Ok(())
}

/// Says of values that hold for one wavelength where no trace has it: they are not used.
pub(super) fn unused(lists: &[List], headers: &[&Header]) -> Vec<Warning> {
    let wavelengths = lists.iter().find(|list| list.known == Known::Wavelength);
    let has = |nm: f64| {
        let found = headers.iter().filter_map(|header| header.wavelength);
        found
            .map(Wavelength::nm)
            .any(|found| (found - nm).abs() < 0.5)
    };
    let warn = |list: &List| {
        let at_nm = match wavelengths {
            _ if !list.at_nm.is_empty() => list.at_nm.as_slice(),
            Some(of) if of.values.len() == list.values.len() => of.values.as_slice(),
            _ => &[],
        };
        let without: Vec<String> = at_nm
            .iter()
            .filter(|nm| !has(**nm))
            .map(|nm| format!("{nm} nm"))
            .collect();
        (!without.is_empty()).then(|| {
            Warning::new(
                "setting of no trace",
                format!(
                    "line {}: {:?} is {:?}, and no trace is at {}; what it says of that is not used; state the \
                     wavelength of each trace in its column's title or in the header",
                    list.line,
                    list.key,
                    excerpt(&list.text),
                    without.join(" or "),
                ),
            )
        })
    };
    lists.iter().filter_map(warn).collect()
}

fn put(header: &mut Header, known: Known, value: f64) {
    match known {
        Known::Wavelength => header.wavelength = Some(Wavelength::from_nm(value)),
        Known::Pulse => header.pulse_width = Some(PulseWidth::from_ns(value)),
        Known::Index => header.group_index = Some(GroupIndex::from_ratio(value)),
        Known::Backscatter => {
            header.backscatter = Some(BackscatterCoefficient::from_db(-value.abs()));
        }
        Known::Averaging => header.averaging_time_s = Some(value),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_are_split_and_single_values_are_not() {
        let nm = |text| list_of(Known::Wavelength, text, None, None);
        for text in [
            "1310/1550 nm",
            "1310 nm / 1550 nm",
            "1310 and 1550 nm",
            "1310, 1550 nm",
            "1.31/1.55 µm",
        ] {
            assert_eq!(nm(text), Some(vec![1310.0, 1550.0]), "{text}");
        }
        assert_eq!(nm("1550 nm"), None);
        assert_eq!(nm("1550 nm / single mode"), None);
    }

    #[test]
    fn clocks_are_seconds() {
        for (text, seconds) in [
            ("3:20", 200.0),
            ("00:00:15", 15.0),
            ("3 min 20 s", 200.0),
            ("1m30s", 90.0),
        ] {
            assert_eq!(clock(text), Some(seconds), "{text}");
        }
        for text in ["60 s", "3 min", "1:2:3:4", "a:b", "1.5:3"] {
            assert_eq!(clock(text), None, "{text}");
        }
    }
}
