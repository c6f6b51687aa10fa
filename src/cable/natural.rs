//! Names in the order a person would put them: 9 before 10.

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
    let (mut x, mut y) = (parts(one).into_iter(), parts(other).into_iter());
    loop {
        let order = match (x.next(), y.next()) {
            (None, None) => return one.cmp(other),
            (None, Some(_)) => Ordering::Less,
            (Some(_), None) => Ordering::Greater,
            (Some(p), Some(q)) => p.cmp(&q),
        };
        if order != Ordering::Equal {
            return order;
        }
    }
}

#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Part {
    /// Digits without leading zeros, the shorter number first.
    Number(usize, String),
    Letter(char),
}

fn parts(name: &str) -> Vec<Part> {
    let mut found = Vec::new();
    let mut digits = String::new();
    let close = |digits: &mut String, found: &mut Vec<Part>| {
        if !digits.is_empty() {
            let number = digits.trim_start_matches('0').to_owned();
            found.push(Part::Number(number.len(), number));
            digits.clear();
        }
    };
    for letter in name.trim().chars() {
        if letter.is_ascii_digit() {
            digits.push(letter);
        } else {
            close(&mut digits, &mut found);
            found.extend(letter.to_lowercase().map(Part::Letter));
        }
    }
    close(&mut digits, &mut found);
    found
}

/// Whether two names are one: blanks at the ends and case do not count.
pub(super) fn same_name(one: &str, other: &str) -> bool {
    key(one) == key(other)
}

/// The form in which names are compared.
pub(super) fn key(name: &str) -> String {
    name.trim().to_lowercase()
}
