//! The decimal mark that a header shows by its own numbers.

use std::borrow::Cow;

use super::{Context, DecimalMark, Entry, Known, Line, entries, plain_key};

/// Header lines looked at for the header's own decimal mark.
pub(super) const SHOWING: usize = 1000;

/// The decimal mark of the header, where numbers in it show one and no other: a
/// header may be written otherwise than the samples.
pub(in crate::read) fn decimal_of(
    before: &[Line<'_>],
    context: Context<'_>,
) -> Option<DecimalMark> {
    let lines = before.iter().take(SHOWING);
    let entries = lines.flat_map(|line| entries(line.text, context.separator, context.vocabulary));
    decimal_shown(entries.map(Cow::Owned), context)
}

/// The same of entries.
pub(super) fn decimal_shown<'e>(
    entries: impl Iterator<Item = Cow<'e, Entry>>,
    context: Context<'_>,
) -> Option<DecimalMark> {
    let mut shown = [false, false];
    for entry in entries {
        let key = context.vocabulary.key(&plain_key(&entry.key).0);
        if key.is_some_and(|key| !is_text(key.known))
            && let Some(mark) = mark_shown(&entry.value)
        {
            shown[usize::from(mark == DecimalMark::Comma)] = true;
        }
    }
    match shown {
        [true, false] => Some(DecimalMark::Point),
        [false, true] => Some(DecimalMark::Comma),
        _ => None,
    }
}

/// The decimal mark of a number that cannot be read with it as thousands:
/// `1.4682`, `0,125`.
fn mark_shown(value: &str) -> Option<DecimalMark> {
    let number = value.trim_start_matches(['+', '-', '\u{2212}']);
    let end = number
        .find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | ','))
        .unwrap_or(number.len());
    let (whole, decimals) = number.get(..end)?.split_once(['.', ','])?;
    let plain = |digits: &str| digits.bytes().all(|b| b.is_ascii_digit());
    if !plain(whole) || !plain(decimals) || decimals.is_empty() {
        return None;
    }
    let thousands = decimals.len() == 3 && (1..=3).contains(&whole.len()) && whole != "0";
    let mark = if number.as_bytes().get(whole.len()) == Some(&b',') {
        DecimalMark::Comma
    } else {
        DecimalMark::Point
    };
    (!thousands).then_some(mark)
}

/// Whether a setting is text, which scales no result.
pub(in crate::read) const fn is_text(known: Known) -> bool {
    use Known as K;
    matches!(
        known,
        K::Fibre
            | K::Cable
            | K::From
            | K::To
            | K::Direction
            | K::Measured
            | K::Time
            | K::Instrument
            | K::Serial
            | K::Calibrated
            | K::Operator
            | K::Note
    )
}
