//! Which way the light went, said by the two ends: in a header (`Direction: A to B`), and
//! in a title (`Harrow Lane → Mill Bridge (dB)`).

use super::{Settings, Warning, plain_key};
use crate::read::titles::{Direction, LevelUnit};
use crate::read::words::title_word;
use crate::trace::Header;

/// Words between the end the light left and the one it went to.
pub(in crate::read) const TO: [&str; 11] = [
    "to", "towards", "nach", "vers", "hasta", "naar", "para", "verso", "do", "a", "à",
];

/// Words before the end the light left.
const FROM: [&str; 12] = [
    "from",
    "von",
    "de",
    "depuis",
    "desde",
    "da",
    "dal",
    "dalla",
    "van",
    "od",
    "taken from",
    "measured from",
];

/// Marks between two ends.
const ARROWS: [&str; 6] = ["\u{2192}", "\u{21D2}", "-->", "->", "=>", ">"];

/// Longest text that names two ends, in bytes.
const LONGEST: usize = 400;

/// The two ends of `A → B`, `Harrow Lane to Mill Bridge`, `A-B` or `AB`, in that order.
pub(super) fn ends_of(value: &str) -> Option<(String, String)> {
    if value.len() > LONGEST {
        return None;
    }
    let value = value.trim();
    let pair = |parts: Option<(&str, &str)>| {
        let (first, second) = parts?;
        let (first, second) = (after_from(first.trim()), second.trim());
        let named = |end: &str| end.contains(char::is_alphanumeric);
        (named(first) && named(second)).then(|| (first.to_owned(), second.to_owned()))
    };
    let once = |mark: &str| {
        let (first, second) = value.split_once(mark)?;
        (!second.contains(mark)).then_some((first, second))
    };
    if let Some(mark) = ARROWS.iter().find(|mark| value.contains(**mark)) {
        return pair(once(mark));
    }
    let letters: String = value
        .chars()
        .filter(|c| !matches!(c, '-' | '\u{2013}' | ' '))
        .collect();
    match letters.to_uppercase().as_str() {
        "AB" => return Some(("A".to_owned(), "B".to_owned())),
        "BA" => return Some(("B".to_owned(), "A".to_owned())),
        _ => {}
    }
    let by_word = TO.iter().find_map(|word| pair(once_word(value, word)));
    by_word.or_else(|| pair(once(" - ").or_else(|| once(" \u{2013} "))))
}

/// The parts before and behind a word that stands in a text once.
fn once_word<'v>(value: &'v str, word: &str) -> Option<(&'v str, &'v str)> {
    let mark = format!(" {word} ");
    let lower = value.to_ascii_lowercase();
    let at = lower.find(&mark)?;
    let rest = value.get(at + mark.len()..)?;
    let again = lower.get(at + mark.len()..)?.contains(&mark);
    (!again).then(|| Some((value.get(..at)?, rest)))?
}

/// A text without a word such as `from` before it.
fn after_from(text: &str) -> &str {
    FROM.iter()
        .find_map(|word| {
            let (head, rest) = text.split_at_checked(word.len())?;
            let rest = rest.strip_prefix(' ')?;
            head.eq_ignore_ascii_case(word).then_some(rest.trim_start())
        })
        .unwrap_or(text)
}

/// Keys of one letter that name an end beside the key of the other end: `Da: … A: …`,
/// `Z: … Do: …`.
const BESIDE: [(&str, &str); 6] = [
    ("da", "a"),
    ("de", "a"),
    ("origine", "a"),
    ("partenza", "a"),
    ("origen", "a"),
    ("z", "do"),
];

impl Settings {
    /// Takes the end whose key is a letter, beside the other end's.
    pub(super) fn pair_ends(&mut self) {
        for (from, to) in BESIDE {
            let plain = |key: &str| plain_key(key).0;
            let key_of = |means: &str| {
                let entry = self.entries.iter().find(|e| e.means == Some(means));
                entry.map(|e| plain(&e.key))
            };
            let (known, letter, means) = if from.len() > to.len() {
                (("from", from), to, "to")
            } else {
                (("to", to), from, "from")
            };
            let header = &self.header;
            let missing = if means == "to" {
                &header.to
            } else {
                &header.from
            };
            if missing.is_some() || key_of(known.0).as_deref() != Some(known.1) {
                continue;
            }
            // Beside `B` the other letter is an end's name.
            if letter == "a" && self.entries.iter().any(|e| plain(&e.key) == "b") {
                continue;
            }
            let unknown = |e: &&mut super::Setting| e.means.is_none() && plain(&e.key) == letter;
            let Some(entry) = self.entries.iter_mut().find(unknown) else {
                continue;
            };
            entry.means = Some(means);
            let (key, value) = (entry.key.clone(), entry.value.clone());
            self.header.other.retain(|(other, _)| *other != key);
            if means == "to" {
                self.header.to = Some(value);
            } else {
                self.header.from = Some(value);
            }
        }
    }

    /// The direction between the ends A and B that a line gives whose key is no known word:
    /// without it the first of two lettered ends would be taken for the near one.
    fn way_of_others(&self) -> Option<(String, String, usize)> {
        let mut found = self
            .entries
            .iter()
            .filter(|e| e.means.is_none())
            .filter_map(|e| {
                let says = ARROWS.iter().any(|arrow| e.value.contains(arrow))
                    || has_word_between(&e.value);
                let (first, second) = ends_of(&e.value).filter(|_| says)?;
                let ends = [first.to_uppercase(), second.to_uppercase()];
                let lettered = ends == ["A", "B"] || ends == ["B", "A"];
                lettered.then_some((first, second, e.line))
            });
        let one = found.next()?;
        let agree = found.all(|other| (&other.0, &other.1) == (&one.0, &one.1));
        agree.then_some(one)
    }

    /// Puts the ends in the order that the direction names.
    pub(super) fn turn_ends(&mut self) {
        let Some((first, second, line)) = self.way.take().or_else(|| self.way_of_others()) else {
            return;
        };
        let letters = (first.to_uppercase(), second.to_uppercase());
        let lettered = match (letters.0.as_str(), letters.1.as_str()) {
            ("A", "B") => Some(false),
            ("B", "A") => Some(true),
            _ => None,
        };
        // `Location A: Harrow Lane` names an end, `From: Harrow Lane` the one the light left.
        let of_letter = |means: &str, letter: &str| {
            let entry = self.entries.iter().find(|e| e.means == Some(means));
            entry.is_some_and(|e| plain_key(&e.key).0.split(' ').any(|word| word == letter))
        };
        let ends = of_letter("from", "a") && of_letter("to", "b");
        let header = &mut self.header;
        let same = |one: Option<&String>, other: &str| {
            one.is_some_and(|one| one.to_lowercase() == other.to_lowercase())
        };
        let fits = match (lettered, &header.from, &header.to) {
            (Some(_), None, None) => {
                (header.from, header.to) = (Some(letters.0), Some(letters.1));
                true
            }
            (None, None, None) => {
                (header.from, header.to) = (Some(first.clone()), Some(second.clone()));
                true
            }
            (Some(false), _, _) => true,
            (None, Some(from), None) if same(Some(from), &first) => {
                header.to = Some(second.clone());
                true
            }
            (None, None, Some(to)) if same(Some(to), &second) => {
                header.from = Some(first.clone());
                true
            }
            (Some(true), Some(_), Some(_)) if ends => {
                std::mem::swap(&mut header.from, &mut header.to);
                true
            }
            (None, from, to) if same(from.as_ref(), &first) && same(to.as_ref(), &second) => true,
            (None, from, to)
                if same(from.as_ref(), &second) && same(to.as_ref(), &first) && ends =>
            {
                std::mem::swap(&mut header.from, &mut header.to);
                true
            }
            _ => false,
        };
        if !fits {
            self.warnings.push(Warning::new(
                "direction differs",
                format!(
                    "line {line}: the direction is from {first:?} to {second:?}, and the header has from {:?} and to \
                     {:?}; these are kept",
                    self.header.from.as_deref().unwrap_or("nothing"),
                    self.header.to.as_deref().unwrap_or("nothing"),
                ),
            ));
        }
    }
}

/// Whether a word that means `to` stands between two others.
fn has_word_between(value: &str) -> bool {
    let words: Vec<&str> = value.split_whitespace().collect();
    words
        .windows(3)
        .any(|three| TO.contains(&three[1].to_lowercase().as_str()))
}

/// The direction that a title gives by the names of the two ends: `Harrow Lane → Mill
/// Bridge`, or one of them behind a word such as `from`.
///
/// `others` are the titles of all columns of levels: where each name stands in one of them,
/// a name is not taken for a part of a longer one.
pub(in crate::read) fn direction_by_names(
    title: &str,
    header: &Header,
    others: &[String],
) -> Option<Direction> {
    let (from, to) = (header.from.as_deref(), header.to.as_deref());
    // Control characters stand in no title.
    let (from, to) = match (from, to) {
        (None, None) => return None,
        (from, to) => (from.unwrap_or("\u{2}"), to.unwrap_or("\u{3}")),
    };
    if title.len() > LONGEST || from.len().max(to.len()) > LONGEST {
        return None;
    }
    let (title, from, to) = (plain(title), plain(from), plain(to));
    if from == to || from.is_empty() || to.is_empty() {
        return None;
    }
    // The longer name first: one may be a part of the other.
    let longer_first = from.len() >= to.len();
    let (long, short) = if longer_first {
        (&from, &to)
    } else {
        (&to, &from)
    };
    let long_at = whole(&title, long);
    let mut left = title.clone();
    if let Some(at) = long_at {
        left.replace_range(at..at + long.len(), &"\u{1}".repeat(long.len()));
    }
    let short_at = whole(&left, short);
    let (from_at, to_at) = if longer_first {
        (long_at, short_at)
    } else {
        (short_at, long_at)
    };
    let is_to = |text: &str| {
        TO.contains(&text) || ARROWS.contains(&text) || matches!(text, "-" | "\u{2013}")
    };
    let word_before = |at: usize| {
        let before = title.get(..at).unwrap_or_default().trim_end();
        before
            .rsplit(|c: char| !c.is_alphabetic() && c != '\u{2192}' && c != '>' && c != '-')
            .next()
            .unwrap_or_default()
            .to_owned()
    };
    // `Harrow Lane → …`: the name stands before a word or an arrow.
    let goes_on = |behind: usize| {
        let rest = title.get(behind..).unwrap_or_default().trim_start();
        let word = rest.split(' ').next().unwrap_or_default();
        TO.contains(&word) || ARROWS.iter().any(|arrow| rest.starts_with(arrow))
    };
    // `Mill` alone is not the `Mill` of `Mill Bridges`.
    let alone = |behind: usize| {
        let rest = title.get(behind..).unwrap_or_default().trim_start();
        let word = rest
            .split(|c: char| !c.is_alphabetic())
            .next()
            .unwrap_or_default();
        word.is_empty()
            || TO.contains(&word)
            || LevelUnit::from_word(word).is_some()
            || title_word(word).is_some()
    };
    let among = |name: &str| {
        let mut titles = others.iter().filter(|other| other.len() <= LONGEST);
        titles.any(|other| whole(&plain(other), name).is_some())
    };
    let told_apart = among(&from) && among(&to);
    let alone = |behind: usize| told_apart || alone(behind);
    let from_at = from_at.filter(|at| to_at.is_some() || alone(at + from.len()));
    let to_at = to_at.filter(|at| from_at.is_some() || alone(at + to.len()));
    match (from_at, to_at) {
        (Some(a), Some(b)) if a < b => {
            let between = title.get(a + from.len()..b)?.trim();
            is_to(between).then_some(Direction::AToB)
        }
        (Some(a), Some(b)) => {
            let between = title.get(b + to.len()..a)?.trim();
            is_to(between).then_some(Direction::BToA)
        }
        (Some(at), None) => match word_before(at).as_str() {
            word if FROM.contains(&word) => Some(Direction::AToB),
            word if is_to(word) => Some(Direction::BToA),
            _ => goes_on(at + from.len()).then_some(Direction::AToB),
        },
        (None, Some(at)) => match word_before(at).as_str() {
            word if FROM.contains(&word) => Some(Direction::BToA),
            word if is_to(word) => Some(Direction::AToB),
            _ => goes_on(at + to.len()).then_some(Direction::BToA),
        },
        (None, None) => None,
    }
}

/// Whether a title names an end of the header.
pub(in crate::read) fn names_an_end(title: &str, header: &Header) -> bool {
    let ends = [&header.from, &header.to];
    let named =
        |end: &String| title.len() <= LONGEST && whole(&plain(title), &plain(end)).is_some();
    ends.into_iter().flatten().any(named)
}

/// A text as names are compared: in lower case, with single spaces.
fn plain(text: &str) -> String {
    let spaced = text.to_lowercase().replace(['_', '\u{A0}'], " ");
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Where a name stands in a text, not as a part of a word.
fn whole(text: &str, name: &str) -> Option<usize> {
    if name.is_empty() {
        return None;
    }
    text.match_indices(name).map(|(at, _)| at).find(|at| {
        let before = text.get(..*at).unwrap_or_default();
        let after = text.get(*at + name.len()..).unwrap_or_default();
        !before.ends_with(char::is_alphanumeric) && !after.starts_with(char::is_alphanumeric)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_ends_are_told_apart_by_arrows_letters_and_words() {
        let ends = |text: &str| ends_of(text).map(|(first, second)| format!("{first}|{second}"));
        for (text, wanted) in [
            ("A to B", Some("A|B")),
            ("B→A", Some("B|A")),
            ("A --> B", Some("A|B")),
            ("ba", Some("B|A")),
            ("A-B", Some("A|B")),
            (
                "from Harrow Lane to Mill Bridge",
                Some("Harrow Lane|Mill Bridge"),
            ),
            ("von Käse Hof nach Tern Quay", Some("Käse Hof|Tern Quay")),
            ("Harrow Lane > Mill Bridge", Some("Harrow Lane|Mill Bridge")),
            ("Harrow Lane - Mill Bridge", Some("Harrow Lane|Mill Bridge")),
            ("A → B → C", None),
            ("on to where to go to rest", None),
            ("forward", None),
            ("→ B", None),
            ("", None),
        ] {
            assert_eq!(ends(text).as_deref(), wanted, "{text}");
        }
    }

    #[test]
    fn names_in_a_title_give_its_direction() {
        let header = Header {
            from: Some("Mill".to_owned()),
            to: Some("Mill Bridge".to_owned()),
            ..Header::default()
        };
        let (a, b) = (Some(Direction::AToB), Some(Direction::BToA));
        for (title, wanted) in [
            ("Mill → Mill Bridge (dB)", a),
            ("Mill Bridge->Mill [dB]", b),
            ("level_Mill_Bridge_to_Mill_db", b),
            ("Loss, 1550 nm Mill nach Mill Bridge", a),
            ("Level from Mill Bridge (dB)", b),
            ("Level from Mill (dB)", a),
            ("towards Mill Bridge (dB)", a),
            ("Mill, Mill Bridge", None),
            ("Mill Bridge (dB)", None),
            ("Millstone to Mill Bridges", None),
            ("Level (dB)", None),
        ] {
            assert_eq!(direction_by_names(title, &header, &[]), wanted, "{title}");
        }
    }
}
