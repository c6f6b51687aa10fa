//! Names in the order a person would put them: 9 before 10.

use std::char::ToLowercase;
use std::cmp::Ordering;

/// Compares two names: runs of digits by their number, all else letter by letter
/// without regard to case; what is equal so is ordered by its bytes.
///
/// ```
/// use bothends::cable::natural_order;
/// let mut names = ["fibre 10", "Fibre 9", "fibre 010"];
/// names.sort_by(|x, y| natural_order(x, y));
/// assert_eq!(names, ["Fibre 9", "fibre 010", "fibre 10"]);
/// ```
pub fn natural_order(one: &str, other: &str) -> Ordering {
    Parts::of(one)
        .cmp(Parts::of(other))
        .then_with(|| one.cmp(other))
}

/// A number or a letter of a name.
#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Part<'n> {
    /// Digits without leading zeros, the shorter number first.
    Number(usize, &'n str),
    Letter(char),
}

/// The parts of a name one after the other.
struct Parts<'n> {
    rest: &'n str,
    /// What is left of a letter that is written small as several.
    letters: Option<ToLowercase>,
}

impl<'n> Parts<'n> {
    fn of(name: &'n str) -> Self {
        Self {
            rest: name.trim(),
            letters: None,
        }
    }
}

impl<'n> Iterator for Parts<'n> {
    type Item = Part<'n>;

    fn next(&mut self) -> Option<Part<'n>> {
        if let Some(letter) = self.letters.as_mut().and_then(Iterator::next) {
            return Some(Part::Letter(letter));
        }
        let mut letters = self.rest.chars();
        let first = letters.next()?;
        if !first.is_ascii_digit() {
            self.rest = letters.as_str();
            self.letters = Some(first.to_lowercase());
            return self.next();
        }
        let behind = self.rest.trim_start_matches(|c: char| c.is_ascii_digit());
        let (digits, _) = self.rest.split_at(self.rest.len() - behind.len());
        self.rest = behind;
        let number = digits.trim_start_matches('0');
        Some(Part::Number(number.len(), number))
    }
}

/// Whether two names are one: blanks at the ends and case do not count.
pub(super) fn same_name(one: &str, other: &str) -> bool {
    key(one) == key(other)
}

/// The form in which names are compared.
pub(super) fn key(name: &str) -> String {
    name.trim().to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::natural_order;
    use std::cmp::Ordering::{Equal, Greater, Less};

    /// By the doc: numbers before letters, shorter numbers first, case and zeros last of all; İ is
    /// two letters when small, and i comes before it.
    #[test]
    fn names_are_ordered_part_by_part() {
        for (one, other, wanted) in [
            ("fibre 9", "fibre 10", Less),
            ("Fibre 9", "fibre 9", Less),
            ("a010", "a10", Less),
            ("a010b", "a10a", Greater),
            ("a2", "aa", Less),
            ("a", "a0", Less),
            ("\u{130}1", "i1", Greater),
            ("\u{130}", "i\u{307}", Greater),
            (" x", "x ", Less),
            ("same", "same", Equal),
        ] {
            assert_eq!(natural_order(one, other), wanted, "{one:?} and {other:?}");
            assert_eq!(
                natural_order(other, one),
                wanted.reverse(),
                "{other:?} and {one:?}"
            );
        }
    }
}
