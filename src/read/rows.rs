//! The tight reader of plain rows: two columns, distance and level.
//!
//! Most rows of a file are nearly as long as most others: separator and line end are among eight
//! bytes each, and a number has its sign, its digits and its mark where one as long had them
//! before, so that all digits are put together at a time and no branch depends on where it ends.
//! Of a row of another shape the ends of its numbers are looked for, in eight bytes at a time; one
//! with spaces, exponents or wider numbers is read character by character.

use super::bare::{ONES, WIDEST, bare, equal_to, first_in_eight, first_of};
use super::dialect::{Dialect, Separator};
use super::number::{DecimalMark, number};
use super::samples::Wanted;
use super::shape::Shape;

/// Reads whole lines of distance and level into the two lists, as far as they are
/// plain, the distance grows, and no more than so many levels are held; gives the
/// bytes used. A level that is left out is NaN.
pub(super) type FastRows = fn(&[u8], &mut Vec<f64>, &mut Vec<f64>, usize) -> usize;

/// The tight reader for a form, if there is one.
pub(super) fn fast_rows(dialect: Dialect, wanted: &Wanted) -> Option<FastRows> {
    let plain = wanted.columns == 2
        && wanted.distance == Some(0)
        && wanted.levels == [1]
        && dialect.numbers.thousands.is_none();
    if !plain {
        return None;
    }
    Some(match (dialect.separator, dialect.numbers.decimal) {
        (Separator::Comma, DecimalMark::Point) => rows::<b',', b'.'>,
        (Separator::Semicolon, DecimalMark::Point) => rows::<b';', b'.'>,
        (Separator::Semicolon, DecimalMark::Comma) => rows::<b';', b','>,
        (Separator::Tab, DecimalMark::Point) => rows::<b'\t', b'.'>,
        (Separator::Tab, DecimalMark::Comma) => rows::<b'\t', b','>,
        (Separator::WhiteSpace, DecimalMark::Point) => rows::<b' ', b'.'>,
        (Separator::WhiteSpace, DecimalMark::Comma) => rows::<b' ', b','>,
        _ => return None,
    })
}

fn rows<const SEPARATOR: u8, const MARK: u8>(
    input: &[u8],
    distances: &mut Vec<f64>,
    levels: &mut Vec<f64>,
    most: usize,
) -> usize {
    let mut at = 0;
    let mut before = distances.last().copied().unwrap_or(f64::NEG_INFINITY);
    let mut usual = Usual::unknown();
    // Lengths of the last row of another shape: met again, they are usual from then on.
    let mut other = None;
    loop {
        let (distance, level, end) = if let Some(alike) = usual.read::<SEPARATOR>(input, at) {
            alike
        } else if let Some((lengths, found)) = bare_row::<SEPARATOR, MARK>(input, at) {
            if other == Some(lengths) {
                let row = input.get(at..found.2).unwrap_or_default();
                usual.learn(row, lengths, MARK);
            }
            other = Some(lengths);
            found
        } else {
            let rest = input.get(at..).unwrap_or_default();
            let Some((distance, level, after)) = row::<SEPARATOR, MARK>(rest) else {
                break;
            };
            (distance, level, input.len() - after.len())
        };
        if !(distance > before && distance < f64::INFINITY)
            || level.is_infinite()
            || levels.len() > most
        {
            break;
        }
        distances.push(distance);
        levels.push(level);
        before = distance;
        at = end;
    }
    at
}

/// Distance and level of a row, and where the next one starts.
type ReadRow = (f64, f64, usize);

/// Characters of a row's distance and of its level.
type Lengths = (usize, usize);

/// How the rows of a file usually are.
#[derive(Debug)]
struct Usual {
    /// Shapes of distances and levels by how many characters they have.
    distances: [Option<Shape>; WIDEST + 1],
    levels: [Option<Shape>; WIDEST + 1],
    /// First of the eight characters of a row that the separator is among, and the line's end.
    separated: usize,
    ended: usize,
    /// The first byte that ends a line, and whether `\n` follows it.
    line_end: u8,
    is_pair: bool,
}

impl Usual {
    const fn unknown() -> Self {
        Self {
            distances: [const { None }; WIDEST + 1],
            levels: [const { None }; WIDEST + 1],
            separated: 0,
            ended: 0,
            line_end: b'\n',
            is_pair: false,
        }
    }

    /// Takes the shapes of a whole row without spaces, whose numbers have so many characters.
    fn learn(&mut self, row: &[u8], (distance, level): Lengths, mark: u8) {
        let (Some(first), Some(rest)) = (row.get(..distance), row.get(distance + 1..)) else {
            return;
        };
        let (Some(second), Some(&line_end)) = (rest.get(..level), rest.get(level)) else {
            return;
        };
        let tables = [(&mut self.distances, first), (&mut self.levels, second)];
        for (shapes, text) in tables {
            if let Some(slot) = shapes.get_mut(text.len()) {
                *slot = Shape::of(text, mark);
            }
        }
        let near = |first: usize, at: usize| first.clamp(at.saturating_sub(7), at);
        self.separated = near(self.separated, distance);
        // Of a row without a level the end is looked for behind the separator.
        if level > 0 {
            self.ended = near(self.ended, distance + 1 + level);
        }
        (self.line_end, self.is_pair) = (line_end, rest.len() > level + 1);
    }

    /// Distance and level of a row of usual shapes, and where the next one starts; `None`
    /// also where the text about the row is too short.
    #[inline]
    fn read<const SEPARATOR: u8>(&self, input: &[u8], at: usize) -> Option<ReadRow> {
        let first =
            |from: usize, byte: u8| first_in_eight(input, at + from, |chunk| equal_to(chunk, byte));
        let separated = first(self.separated, SEPARATOR)?;
        let start = separated + 1;
        let is_blank = SEPARATOR != b' ' && input.get(start) == Some(&self.line_end);
        let ended = if is_blank {
            start
        } else {
            first(self.ended, self.line_end)?
        };
        let distance = self.distances.get(separated - at)?.as_ref()?;
        // A pair of bytes ends the line only together: `\r` alone may be followed by `\n`.
        let is_pair = self.line_end == b'\r' && input.get(ended + 1) == Some(&b'\n');
        if is_pair != self.is_pair {
            return None;
        }
        let level = if is_blank {
            f64::NAN
        } else {
            let shape = self.levels.get(ended.checked_sub(start)?)?.as_ref()?;
            shape.read(input, ended)?
        };
        let end = ended + 1 + usize::from(is_pair);
        Some((distance.read(input, separated)?, level, end))
    }
}

/// Distance and level of a row of two bare numbers, and where the next one starts; before
/// them the lengths of the two. NaN for a level that is left out. `None` also where the text behind
/// the row is too short to be looked at in whole pieces.
#[inline]
fn bare_row<const SEPARATOR: u8, const MARK: u8>(
    input: &[u8],
    at: usize,
) -> Option<(Lengths, ReadRow)> {
    let separated = first_of(input, at, |chunk| equal_to(chunk, SEPARATOR))?;
    let start = separated + 1;
    // Line ends are below all letters, and nothing else that is may follow a bare number.
    let ended = first_of(input, start, |chunk| {
        chunk.wrapping_sub(ONES * 0x20) & !chunk
    })?;
    let distance = bare::<MARK>(input, at, separated)?;
    let level = match *input.get(start)? {
        b'-' => -bare::<MARK>(input, start + 1, ended)?,
        _ if ended == start && SEPARATOR != b' ' => f64::NAN,
        _ => bare::<MARK>(input, start, ended)?,
    };
    let end = match input.get(ended..)? {
        [b'\r', b'\n', ..] => ended + 2,
        [b'\n' | b'\r', ..] => ended + 1,
        _ => return None,
    };
    Some(((separated - at, ended - start), (distance, level, end)))
}

/// Distance and level of a whole line, and what follows it.
#[inline]
fn row<const SEPARATOR: u8, const MARK: u8>(input: &[u8]) -> Option<(f64, f64, &[u8])> {
    let (distance, rest) = number::<MARK>(unspaced(input))?;
    let (level, rest) = number::<MARK>(separated::<SEPARATOR>(rest)?)?;
    Some((distance, level, line_end(unspaced(rest))?))
}

#[inline]
fn unspaced(mut input: &[u8]) -> &[u8] {
    while let [b' ', rest @ ..] = input {
        input = rest;
    }
    input
}

/// What follows a separator and the spaces around it.
#[inline]
fn separated<const SEPARATOR: u8>(input: &[u8]) -> Option<&[u8]> {
    if SEPARATOR == b' ' {
        let mut rest = input;
        while let [b' ' | b'\t', after @ ..] = rest {
            rest = after;
        }
        return (rest.len() < input.len()).then_some(rest);
    }
    match unspaced(input) {
        [byte, rest @ ..] if *byte == SEPARATOR => Some(unspaced(rest)),
        _ => None,
    }
}

#[inline]
fn line_end(input: &[u8]) -> Option<&[u8]> {
    match input {
        [b'\r', b'\n', rest @ ..] | [b'\n' | b'\r', rest @ ..] => Some(rest),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use proptest::prelude::*;

    use super::*;

    proptest! {
        // The standard library is the second implementation. Rows in groups of one shape,
        // with lengths up to beyond what is read in one piece, and shapes by chance.
        #[test]
        fn reads_the_bits_that_the_standard_library_reads(
            groups in proptest::collection::vec(
                (0..12_usize, 0..9_usize, 0..8_usize, 0..9_usize, any::<u64>()), 1..6
            ),
            end in prop::sample::select(vec!["\n", "\r\n", "\r"]),
            mark in prop::sample::select(vec!['.', ',']),
        ) {
            let (mut text, mut wanted) = (String::new(), Vec::new());
            let mut distance = 0_u64;
            for (more, distance_decimals, whole, decimals, seed) in groups {
                distance += 10_u64.pow(more as u32) - 1;
                for row in 0..7_u64 {
                    distance += 1;
                    let some = seed.rotate_left(7 * row as u32);
                    let digits = |count: usize| -> String {
                        format!("{some:020}").chars().take(count).collect()
                    };
                    let distance = format!("{distance}.{}", digits(distance_decimals));
                    let sign = if seed % 3 > 0 { "-" } else { "" };
                    let level = match decimals {
                        0 => format!("{sign}{}", digits(whole + 1)),
                        _ => format!("{sign}{}.{}", digits(whole), digits(decimals)),
                    };
                    let value = |text: &str| text.parse::<f64>().unwrap().to_bits();
                    wanted.push((value(&distance), value(&level)));
                    let row = format!("{distance};{level}").replace('.', &mark.to_string());
                    let _ = write!(text, "{row}{end}");
                }
            }
            let (mut distances, mut levels) = (Vec::new(), Vec::new());
            let read = if mark == '.' { rows::<b';', b'.'> } else { rows::<b';', b','> };
            let used = read(text.as_bytes(), &mut distances, &mut levels, 1000);
            let bits = distances.iter().zip(&levels).map(|(d, l)| (d.to_bits(), l.to_bits()));
            prop_assert_eq!(bits.collect::<Vec<_>>(), wanted, "{}", text);
            prop_assert_eq!(used, text.len());
        }
    }

    #[test]
    fn a_row_that_is_almost_bare_is_not_misread() {
        let plain = "100.5,-12.25\n";
        for (odd, level) in [
            ("101.5,-12.2x\n", None),
            ("101.5,+12.25\n", Some(12.25)),
            ("101.5,012.25\n", Some(12.25)),
            ("101.5,-12,25\n", None),
            ("101,5,-12.25\n", None),
            ("101.5;-12.25\n", None),
            ("10\u{e9}5,-12.25\n", None),
            ("101.5,-1e.25\n", None),
            ("101.5,-12e25\n", Some(-12e25)),
            ("101.5,-12.25\r\n", Some(-12.25)),
            ("101.5,-12.2\r\n", Some(-12.2)),
            ("101.5,-12.25 \n", Some(-12.25)),
            ("101.5,-/2.25\n", None),
            ("101.5,-:2.25\n", None),
            ("101.5,.\n", None),
            ("101.5,-.\n", None),
            ("101.5,-\n", None),
            ("101.5,1.2.3\n", None),
            ("101.5,-12\u{1}25\n", None),
            ("101.5,-12.25\t\n", None),
            (".5,-12.25\n", None),
        ] {
            // Rows of one length make a usual shape, and three of different lengths none.
            for before in [["100.5", "100.6", "100.7"], ["0.5", "99.5", "100.5"]] {
                let begin = before.map(|distance| plain.replace("100.5", distance));
                let text = format!("{}{odd}102.5,-1.5\n", begin.concat());
                let (mut distances, mut levels) = (Vec::new(), Vec::new());
                rows::<b',', b'.'>(text.as_bytes(), &mut distances, &mut levels, 10);
                let wanted: Vec<f64> = [-12.25; 3]
                    .into_iter()
                    .chain(level)
                    .chain(level.map(|_| -1.5))
                    .collect();
                assert_eq!(levels, wanted, "{odd:?} behind {before:?}");
            }
        }
    }

    /// Shapes of two rows put together, line ends that change, levels that are left out, and numbers
    /// that leave the eight characters in which their ends are looked for; the standard library is
    /// the second implementation.
    #[test]
    fn rows_of_other_lengths_and_ends_are_read_as_they_stand() {
        let ends = ["\n", "\r\n", "\r"];
        let levels = [
            "-12.25",
            "-12.2",
            "-12",
            "-9.25",
            "10.5",
            "-123456.25",
            "0.123456789",
            "",
        ];
        for separator in ['\t', ' ', ';'] {
            let (mut text, mut wanted) = (String::new(), Vec::new());
            // The row behind would have no level: too short to be looked at in whole pieces.
            for row in 0..399_usize {
                // Each end and each length for some rows, then by turns.
                let turn = if row < 200 { row / 20 } else { row };
                let distance = format!("{}.{}", 10_usize.pow((row / 50) as u32) + row, row % 10);
                let distance = distance.trim_end_matches(".0");
                // A space behind a distance is no field that was left out.
                let level = match levels[turn % levels.len()] {
                    "" if separator == ' ' => "0",
                    level => level,
                };
                let end = ends[turn % ends.len()];
                let _ = write!(text, "{distance}{separator}{level}{end}");
                let value = |number: &str| number.parse().unwrap_or(f64::NAN).to_bits();
                wanted.push([distance, level].map(value));
            }
            let (mut distances, mut found) = (Vec::new(), Vec::new());
            let read = match separator {
                '\t' => rows::<b'\t', b'.'>,
                ' ' => rows::<b' ', b'.'>,
                _ => rows::<b';', b'.'>,
            };
            assert_eq!(
                read(text.as_bytes(), &mut distances, &mut found, 1000),
                text.len()
            );
            let pairs = distances
                .iter()
                .zip(&found)
                .map(|(d, l)| [d.to_bits(), l.to_bits()]);
            assert_eq!(pairs.collect::<Vec<_>>(), wanted);
        }
    }

    /// Levels left out before any shape is known and between known ones, at each line end; as
    /// written.
    #[test]
    fn levels_are_left_out_anywhere() {
        for (separator, end) in [(';', "\n"), (';', "\r\n"), (';', "\r"), ('\t', "\n")] {
            let levels = [
                "", "", "", "", "-1.25", "-1.25", "-1.25", "", "-1.25", "", "-1.25",
            ];
            let rows_of = |(k, level): (usize, &&str)| format!("{k}.5{separator}{level}{end}");
            let text: String = levels.iter().enumerate().map(rows_of).collect();
            let read = match separator {
                '\t' => rows::<b'\t', b'.'>,
                _ => rows::<b';', b'.'>,
            };
            let (mut distances, mut found) = (Vec::new(), Vec::new());
            let used = read(text.as_bytes(), &mut distances, &mut found, 100);
            assert_eq!(used, text.len(), "{text:?}");
            assert_eq!(
                distances,
                (0..11).map(|k| f64::from(k) + 0.5).collect::<Vec<_>>()
            );
            for (level, found) in levels.iter().zip(found) {
                assert_eq!(found.is_nan(), level.is_empty(), "{text:?}");
                assert!(found.is_nan() || (found + 1.25).abs() < f64::EPSILON);
            }
        }
    }

    #[test]
    fn takes_plain_rows_and_stops_before_the_first_that_is_none() {
        let read = |text: &[u8]| {
            let (mut distances, mut levels) = (Vec::new(), Vec::new());
            let used = rows::<b';', b','>(text, &mut distances, &mut levels, 4);
            (distances, levels, used)
        };
        for (text, count, used) in [
            (&b"0,5;-1,25\r\n 1 ; -2\n1,5;+3\rrest"[..], 3, 26),
            (b"0;-1\n0;-2\n", 1, 5),
            (b"0;-1\n1;nan\n", 1, 5),
            (b"0;-1\n1;1e999\n", 1, 5),
            (b"0;-1\n1;-2;3\n", 1, 5),
            // Without its end a line may not be whole.
            (b"0;-1\n1;-2", 1, 5),
            // One more than the limit, so that the limit is seen to be passed.
            (b"0;1\n1;1\n2;1\n3;1\n4;1\n5;1\n6;1\n", 5, 20),
        ] {
            let found = read(text);
            assert_eq!((found.0.len(), found.2), (count, used), "{text:?}");
        }
        let blank = read(b"0;-1\n1;\n2;-3\n 3; -4\n                ");
        let kept: Vec<f64> = blank.1.iter().copied().filter(|v| !v.is_nan()).collect();
        assert_eq!(
            (blank.0, kept),
            (vec![0.0, 1.0, 2.0, 3.0], vec![-1.0, -3.0, -4.0])
        );
        assert!(blank.1[1].is_nan());
        assert_eq!(read(b"0,5;-1,25\n1;2\n").0, [0.5, 1.0]);
        assert_eq!(read(b"0,5;-1,25\n1;2\n").1, [-1.25, 2.0]);
    }
}
