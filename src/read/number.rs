//! Numbers as text: one fast grammar for the plain form, one patient for fields.

use std::borrow::Cow;
use std::fmt;

use serde::{Deserialize, Serialize};

/// Character between the whole part and the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DecimalMark {
    /// `1.5`
    Point,
    /// `1,5`
    Comma,
}

impl DecimalMark {
    /// The character.
    pub const fn char(self) -> char {
        match self {
            Self::Point => '.',
            Self::Comma => ',',
        }
    }
}

impl fmt::Display for DecimalMark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Point => "point",
            Self::Comma => "comma",
        })
    }
}

/// Character between groups of three digits of the whole part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Thousands {
    /// `1,234.5`
    Comma,
    /// `1.234,5`
    Point,
    /// `1 234.5`, also with an unbreakable or thin space.
    Space,
    /// `1'234.5`
    Apostrophe,
}

impl Thousands {
    const fn is(self, c: char) -> bool {
        match self {
            Self::Comma => c == ',',
            Self::Point => c == '.',
            Self::Space => matches!(c, ' ' | '\u{A0}' | '\u{2009}' | '\u{202F}'),
            Self::Apostrophe => matches!(c, '\'' | '\u{2019}'),
        }
    }
}

impl fmt::Display for Thousands {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Comma => "comma",
            Self::Point => "point",
            Self::Space => "space",
            Self::Apostrophe => "apostrophe",
        })
    }
}

/// How a file writes its numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
pub struct NumberStyle {
    /// Mark before the decimals.
    pub decimal: DecimalMark,
    /// Mark between thousands, where the file has any.
    pub thousands: Option<Thousands>,
}

/// Powers of ten that a double holds exactly.
pub(super) const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Whole numbers up to here are exact as doubles.
pub(super) const EXACT: u64 = 1 << 53;

/// A decimal number with `MARK` before its decimals, at the start of `input`, and
/// what follows it.
///
/// The value is the double nearest to the decimal number, as the standard
/// library reads it: where digits and power of ten are both exact, one division
/// rounds once and is right; else `fast-float2` does the work. Overflow gives
/// an infinity.
#[inline]
pub(super) fn number<const MARK: u8>(input: &[u8]) -> Option<(f64, &[u8])> {
    let (negative, unsigned) = match input {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, input),
    };
    let mut digits = 0_u64;
    let (whole, rest) = take_digits(unsigned, &mut digits);
    let (fraction, rest) = match rest {
        [mark, decimals @ ..] if *mark == MARK => take_digits(decimals, &mut digits),
        _ => (0, rest),
    };
    if whole + fraction == 0 {
        return None;
    }
    let exponent = matches!(rest, [b'e' | b'E', ..]);
    // 19 digits cannot overflow the count of digits.
    if exponent || whole + fraction > 19 || digits > EXACT {
        return patient::<MARK>(input, input.len() - rest.len());
    }
    // At most 19 decimals, so the power exists.
    let value = digits as f64 / POWERS.get(fraction).copied().unwrap_or(f64::NAN);
    Some((if negative { -value } else { value }, rest))
}

#[inline]
fn take_digits<'i>(input: &'i [u8], digits: &mut u64) -> (usize, &'i [u8]) {
    let mut count = 0;
    let mut rest = input;
    while let [byte, after @ ..] = rest {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        *digits = digits.wrapping_mul(10).wrapping_add(u64::from(digit));
        count += 1;
        rest = after;
    }
    (count, rest)
}

/// The same for numbers with an exponent or very many digits; `plain` bytes of
/// `input` are sign, digits and mark.
#[cold]
fn patient<const MARK: u8>(input: &[u8], plain: usize) -> Option<(f64, &[u8])> {
    let after = input.get(plain..).unwrap_or_default();
    let exponent = match after {
        [b'e' | b'E', b'+' | b'-', digits @ ..] => Some((2, digits)),
        [b'e' | b'E', digits @ ..] => Some((1, digits)),
        _ => None,
    };
    let exponent = exponent.map_or(0, |(head, digits)| {
        match digits.iter().take_while(|b| b.is_ascii_digit()).count() {
            0 => 0,
            count => head + count,
        }
    });
    let (token, rest) = input.split_at_checked(plain + exponent)?;
    let token: Cow<'_, [u8]> = if MARK == b'.' {
        Cow::Borrowed(token)
    } else {
        Cow::Owned(
            token
                .iter()
                .map(|&b| if b == MARK { b'.' } else { b })
                .collect(),
        )
    };
    let value = fast_float2::parse::<f64, _>(token).ok()?;
    Some((value, rest))
}

/// What one field of a row holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Field {
    /// A finite number.
    Number(f64),
    /// Nothing, or a word for "no light": the level is not known.
    Blank,
    /// A number beyond the range of doubles.
    TooLarge,
    /// Anything else.
    Text,
}

/// Longest field that may be a number, in bytes: the longest double without an
/// exponent has 1079 characters.
const LONGEST: usize = 1100;

/// Reads one field, white space around it ignored.
pub(super) fn field(text: &str, style: NumberStyle) -> Field {
    let text = text.trim();
    if is_blank(text) {
        return Field::Blank;
    }
    if text.len() > LONGEST {
        return Field::Text;
    }
    let Some(plain) = ungrouped(text, style.thousands) else {
        return Field::Text;
    };
    let parsed = match style.decimal {
        DecimalMark::Point => number::<b'.'>(plain.as_bytes()),
        DecimalMark::Comma => number::<b','>(plain.as_bytes()),
    };
    match parsed {
        Some((value, [])) if value.is_finite() => Field::Number(value),
        Some((_, [])) => Field::TooLarge,
        _ => Field::Text,
    }
}

/// Whether a field says that there is no level.
pub(super) fn is_blank(text: &str) -> bool {
    const WORDS: [&str; 12] = [
        "nan",
        "-nan",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "n/a",
        "na",
        "null",
        "none",
        "-∞",
    ];
    // As most fields do, which none of these does.
    if text.ends_with(|c: char| c.is_ascii_digit()) {
        return false;
    }
    text.chars().all(|c| matches!(c, '-' | '*' | '–' | '—'))
        || (text.len() <= 9 && WORDS.iter().any(|word| word.eq_ignore_ascii_case(text)))
}

/// The field without its thousands marks and with a plain minus, or `None`
/// where the groups are wrong.
fn ungrouped(text: &str, thousands: Option<Thousands>) -> Option<Cow<'_, str>> {
    // Also before an exponent.
    let text: Cow<'_, str> = if text.is_ascii() {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.replace('\u{2212}', "-"))
    };
    let Some(mark) = thousands else {
        return Some(text);
    };
    let signed = text.strip_prefix(['-', '+']).unwrap_or(&text);
    let end = signed
        .find(|c: char| !c.is_ascii_digit() && !mark.is(c))
        .unwrap_or(signed.len());
    let (whole, rest) = signed.split_at_checked(end)?;
    let mut groups = whole.split(|c| mark.is(c));
    let first = groups.next()?;
    let mut grouped = false;
    for group in groups {
        grouped = true;
        if group.len() != 3 {
            return None;
        }
    }
    if grouped && (!(1..=3).contains(&first.len()) || first.starts_with('0')) {
        return None;
    }
    // A comma or point for thousands would have been written here, too.
    let strict = matches!(mark, Thousands::Comma | Thousands::Point);
    if !grouped && strict && first.len() > 3 {
        return None;
    }
    if rest.contains(|c| mark.is(c)) {
        return None;
    }
    if !grouped {
        return Some(text);
    }
    let sign = text.get(..text.len() - signed.len())?;
    let digits: String = whole.chars().filter(char::is_ascii_digit).collect();
    Some(Cow::Owned(format!("{sign}{digits}{rest}")))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn point(text: &str) -> Field {
        let style = NumberStyle {
            decimal: DecimalMark::Point,
            thousands: None,
        };
        field(text, style)
    }

    fn grouped(text: &str, decimal: DecimalMark, thousands: Thousands) -> Field {
        field(
            text,
            NumberStyle {
                decimal,
                thousands: Some(thousands),
            },
        )
    }

    proptest! {
        // The standard library is the second implementation.
        #[test]
        fn reads_the_same_bits_as_the_standard_library(
            text in "[+-]?([0-9]{1,25}(\\.[0-9]{0,25})?|\\.[0-9]{1,25})([eE][+-]?[0-9]{1,3})?"
        ) {
            let wanted: f64 = text.parse().unwrap();
            let (found, rest) = number::<b'.'>(text.as_bytes()).unwrap();
            prop_assert!(rest.is_empty());
            prop_assert_eq!(found.to_bits(), wanted.to_bits());
            let comma = text.replace('.', ",");
            let (found, rest) = number::<b','>(comma.as_bytes()).unwrap();
            prop_assert!(rest.is_empty());
            prop_assert_eq!(found.to_bits(), wanted.to_bits());
        }

        #[test]
        fn reads_back_any_double(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
            let text = format!("{value}");
            let (found, _) = number::<b'.'>(text.as_bytes()).unwrap();
            prop_assert_eq!(found.to_bits(), value.to_bits());
        }
    }

    #[test]
    fn stops_where_the_number_stops() {
        let stops = |text: &str, value: f64, rest: &str| {
            let found = number::<b'.'>(text.as_bytes());
            assert_eq!(found, Some((value, rest.as_bytes())), "{text}");
        };
        stops("1.5,2", 1.5, ",2");
        stops("1e,2", 1.0, "e,2");
        stops("1E1,2", 10.0, ",2");
        stops("7.,2", 7.0, ",2");
        stops("1.2.3", 1.2, ".3");
        for text in ["-", ".", "-.", "nan", "", "+-1", ".e1"] {
            assert_eq!(number::<b'.'>(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn blank_words_are_blank_and_never_zero() {
        for text in ["", " ", "nan", "NaN", "-inf", "---", "*", "n/a"] {
            assert_eq!(point(text), Field::Blank, "{text:?}");
        }
        assert_eq!(point("abc"), Field::Text);
        assert_eq!(point("1e999"), Field::TooLarge);
        assert_eq!(point("\u{2212}1.5"), Field::Number(-1.5));
        assert_eq!(point("\u{2212}1.5E\u{2212}01"), Field::Number(-0.15));
    }

    #[test]
    fn thousands_must_come_in_threes() {
        use DecimalMark as D;
        use Thousands as T;
        assert_eq!(
            grouped("1,234.5", D::Point, T::Comma),
            Field::Number(1234.5)
        );
        assert_eq!(
            grouped("-1.234.567,5", D::Comma, T::Point),
            Field::Number(-1_234_567.5)
        );
        assert_eq!(
            grouped("1\u{A0}234,5", D::Comma, T::Space),
            Field::Number(1234.5)
        );
        assert_eq!(
            grouped("12'345", D::Point, T::Apostrophe),
            Field::Number(12345.0)
        );
        assert_eq!(grouped("1,23", D::Point, T::Comma), Field::Text);
        assert_eq!(grouped("0,123", D::Point, T::Comma), Field::Text);
        assert_eq!(grouped("1234", D::Point, T::Comma), Field::Text);
        assert_eq!(grouped("999.25", D::Point, T::Comma), Field::Number(999.25));
    }
}
