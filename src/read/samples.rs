//! Reads the rows of a block whose form is known.
//!
//! The plain form, two columns of distance and level, goes through `rows`; a row
//! that it does not take, and every other form, goes field by field.

use super::dialect::{Dialect, split};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::limits::Limits;
use super::lines::{Line, lines_from};
use super::number::{Field, field};
use super::rows::fast_rows;
use super::tail::is_drawn;

/// Which columns are wanted, counted from 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Wanted {
    /// Columns in a row.
    pub(super) columns: usize,
    pub(super) distance: Option<usize>,
    pub(super) levels: Vec<usize>,
    /// The header tells the grid, so that rounded distances may repeat.
    pub(super) repeats: bool,
}

/// The samples of one block, in the file's own units.
#[derive(Debug, Clone, Default)]
pub(super) struct Samples {
    pub(super) distances: Vec<f64>,
    /// One list for each wanted column; NaN where the file has no level.
    pub(super) levels: Vec<Vec<f64>>,
    /// Start and number of the first line not read.
    pub(super) end: usize,
    pub(super) end_line: usize,
    /// Line of the last sample.
    pub(super) last_line: usize,
    /// Why the reading stopped, where lines are left.
    pub(super) stopped: Option<Misfit>,
}

impl Samples {
    pub(super) fn len(&self) -> usize {
        self.levels.first().map_or(0, Vec::len)
    }

    /// Index of the first sample that stands at the distance before it.
    pub(super) fn first_repeat(&self) -> Option<usize> {
        let repeats = |pair: &[f64]| matches!(pair, [a, b] if b <= a);
        self.distances.windows(2).position(repeats).map(|at| at + 1)
    }

    /// Mean step of the distances.
    pub(super) fn step(&self) -> Option<f64> {
        let (first, last) = (self.distances.first()?, self.distances.last()?);
        (self.len() > 1).then(|| (last - first) / (self.len() - 1) as f64)
    }
}

/// A line that is no sample, and the distance in it if that much is there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Misfit {
    pub(super) error: ParseError,
    pub(super) distance: Option<f64>,
}

/// Reads rows from a line start on until a line is no sample.
pub(super) fn read(
    text: &str,
    start: usize,
    line: usize,
    dialect: Dialect,
    wanted: &Wanted,
    limits: Limits,
) -> Result<Samples, ParseError> {
    let fast = fast_rows(dialect, wanted);
    let most = limits.samples_of(text.len(), wanted.levels.len());
    let guess = rows_expected(text, start).min(most + 1);
    // The C library gives memory back to the system once what is free exceeds twice
    // the largest piece. With one list a little larger than the other it keeps both
    // for the next file; getting them anew was a third of the time of a long one.
    let spare = guess / 16;
    let mut samples = Samples {
        distances: Vec::with_capacity(if wanted.distance.is_some() {
            guess + spare
        } else {
            0
        }),
        levels: wanted
            .levels
            .iter()
            .map(|_| Vec::with_capacity(guess))
            .collect(),
        end: start,
        end_line: line,
        last_line: line,
        stopped: None,
    };
    let mut gaps = Gaps::default();
    let mut strokes = Strokes::default();
    loop {
        if let Some(fast) = fast
            && let [levels] = samples.levels.as_mut_slice()
        {
            let rest = text.as_bytes().get(samples.end..).unwrap_or_default();
            let before = levels.len();
            let used = fast(rest, &mut samples.distances, levels, most);
            samples.end += used;
            samples.end_line += levels.len() - before;
            if levels.len() > before {
                samples.last_line = samples.end_line - 1;
            }
        }
        let mut lines = lines_from(text, samples.end, samples.end_line);
        let Some(line) = lines.next() else {
            break;
        };
        if !line.text.trim().is_empty() {
            if let Err(misfit) = take_row(line, dialect, wanted, &mut samples) {
                samples.stopped = Some(misfit);
                break;
            }
            let drawn = wanted.columns == 1 && is_drawn(line.text);
            strokes.row(drawn, line, &samples);
            if !drawn {
                gaps.row();
            }
            samples.last_line = line.number;
        } else if samples.len() > 0 {
            gaps.empty(line.number);
        }
        samples.end_line = line.number + 1;
        samples.end = lines.next().map_or(text.len(), |next| next.start);
        if samples.len() > most {
            break;
        }
    }
    strokes.take_end(&mut samples);
    if let Some(line) = gaps.irregular().filter(|_| wanted.distance.is_none()) {
        return Err(ParseErrorKind::EmptyRow.at(line, "", 0));
    }
    if samples.len() > most {
        let kind = ParseErrorKind::LimitExceeded {
            what: if most < limits.samples {
                "samples or more in so few bytes"
            } else {
                "samples or more"
            },
            found: most as u64 + 1,
            limit: most as u64,
        };
        return Err(kind.of_file());
    }
    Ok(samples)
}

/// Strokes of drawing among levels without distances: `---` may be a level that is
/// not known, or the end of the table where it stands behind the last level only.
#[derive(Debug, Default)]
struct Strokes {
    /// The first stroke since the last level: rows, byte, line, and line of the level before it.
    end: Option<(usize, usize, usize, usize)>,
    inside: bool,
}

impl Strokes {
    /// Takes note of a row that has just been read.
    fn row(&mut self, drawn: bool, line: Line<'_>, samples: &Samples) {
        if drawn {
            let rows = samples.len().saturating_sub(1);
            self.end
                .get_or_insert((rows, line.start, line.number, samples.last_line));
        } else {
            self.inside |= self.end.take().is_some();
        }
    }

    /// Ends the samples before the strokes that end them.
    fn take_end(&self, samples: &mut Samples) {
        let Some((rows, end, end_line, last_line)) = self.end.filter(|_| !self.inside) else {
            return;
        };
        for levels in &mut samples.levels {
            levels.truncate(rows);
        }
        samples.distances.truncate(rows);
        (samples.end, samples.end_line, samples.last_line) = (end, end_line, last_line);
    }
}

/// Empty lines between rows: behind every row or behind none, where the rows are counted.
#[derive(Debug, Default)]
struct Gaps {
    rows: usize,
    /// Rows that an empty line stands before, and the first such line.
    with: usize,
    first: usize,
    open: bool,
}

impl Gaps {
    fn row(&mut self) {
        self.with += usize::from(std::mem::take(&mut self.open));
        self.rows += 1;
    }

    fn empty(&mut self, line: usize) {
        if self.first == 0 {
            self.first = line;
        }
        self.open = true;
    }

    /// The first empty line, where only some rows have one before them.
    fn irregular(&self) -> Option<usize> {
        (self.with > 0 && self.with + 1 != self.rows).then_some(self.first)
    }
}

/// Rows to make room for: as many as lines like the first and one in the middle
/// would fill the text.
fn rows_expected(text: &str, start: usize) -> usize {
    let length = |at: usize, nth: usize| {
        let line = lines_from(text, at, 0).nth(nth);
        line.map(|line| line.text.len() + 1)
    };
    let mut middle = usize::midpoint(start, text.len());
    while !text.is_char_boundary(middle) {
        middle += 1;
    }
    let first = length(start, 0).unwrap_or(1);
    // The line that is cut by the jump says nothing.
    let mean = usize::midpoint(first, length(middle, 1).unwrap_or(first));
    (text.len() - start) / mean.max(2) + 1
}

/// Adds the samples of one line that is not empty.
fn take_row(
    line: Line<'_>,
    dialect: Dialect,
    wanted: &Wanted,
    samples: &mut Samples,
) -> Result<(), Misfit> {
    let row = parse_row(line, dialect, wanted)?;
    if let Some(distance) = row.distance {
        if let Some(&before) = samples.distances.last()
            && (distance < before || distance <= before && !wanted.repeats)
        {
            let found = excerpt(row.distance_text);
            let kind = if distance < before {
                ParseErrorKind::DistanceNotIncreasing { found, before }
            } else {
                ParseErrorKind::DistanceRepeats { found }
            };
            let error = kind.at(line.number, line.text, row.distance_start);
            return Err(Misfit {
                error,
                distance: Some(distance),
            });
        }
        samples.distances.push(distance);
    }
    for (list, level) in samples.levels.iter_mut().zip(row.levels) {
        list.push(level);
    }
    Ok(())
}

/// One row, field by field.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row<'t> {
    pub(super) distance: Option<f64>,
    distance_text: &'t str,
    distance_start: usize,
    pub(super) levels: Vec<f64>,
}

/// Reads a line as a sample row.
pub(super) fn parse_row<'t>(
    line: Line<'t>,
    dialect: Dialect,
    wanted: &Wanted,
) -> Result<Row<'t>, Misfit> {
    let mut row = Row {
        distance: None,
        distance_text: line.text,
        distance_start: 0,
        levels: vec![f64::NAN; wanted.levels.len()],
    };
    let mut fault: Option<(ParseErrorKind, usize)> = None;
    let mut count = 0;
    let mut extra = line.text.trim_end().len();
    for (column, piece) in split(line.text, dialect.separator).enumerate() {
        count += 1;
        if count > wanted.columns {
            // A separator at the line's end is no column.
            if piece.text.is_empty() {
                count -= 1;
            } else {
                extra = extra.min(piece.start);
            }
            continue;
        }
        let is_distance = wanted.distance == Some(column);
        let level = wanted.levels.iter().position(|&level| level == column);
        if !is_distance && level.is_none() {
            continue;
        }
        let wanted_words = if is_distance { "distance" } else { "level" };
        let found = || excerpt(&piece.text);
        match field(&piece.text, dialect.numbers) {
            Field::Number(value) if is_distance => {
                row.distance = Some(value);
                row.distance_start = piece.start;
                row.distance_text = line.text.get(piece.start..).unwrap_or_default();
                row.distance_text = row
                    .distance_text
                    .get(..piece.text.len())
                    .unwrap_or(row.distance_text);
            }
            Field::Number(value) => {
                if let Some(slot) = level.and_then(|level| row.levels.get_mut(level)) {
                    *slot = value;
                }
            }
            Field::Blank if !is_distance => {}
            Field::TooLarge => {
                let kind = ParseErrorKind::NumberTooLarge {
                    found: found(),
                    wanted: wanted_words,
                };
                fault.get_or_insert((kind, piece.start));
            }
            _ => {
                let kind = ParseErrorKind::NotANumber {
                    found: found(),
                    wanted: wanted_words,
                };
                fault.get_or_insert((kind, piece.start));
            }
        }
    }
    if count != wanted.columns {
        let kind = ParseErrorKind::ColumnCount {
            found: count,
            wanted: wanted.columns,
        };
        // A word where a number should be says more than a count.
        if !matches!(fault, Some((ParseErrorKind::NotANumber { .. }, _))) {
            fault = Some((kind, extra));
        }
    }
    match fault {
        None => Ok(row),
        Some((kind, start)) => Err(Misfit {
            error: kind.at(line.number, line.text, start),
            distance: row.distance,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::super::dialect::Separator;
    use super::super::number::{DecimalMark, NumberStyle};
    use super::*;

    const PLAIN: Dialect = Dialect {
        separator: Separator::Comma,
        numbers: NumberStyle {
            decimal: DecimalMark::Point,
            thousands: None,
        },
    };

    fn two() -> Wanted {
        Wanted {
            columns: 2,
            distance: Some(0),
            levels: vec![1],
            repeats: false,
        }
    }

    #[test]
    fn blank_levels_are_not_a_number_and_keep_their_place() {
        let samples = read(
            "0,-1\n0.5,\n1,nan\n1.5,-inf\n2,---\n2.5,-2",
            0,
            1,
            PLAIN,
            &two(),
            Limits::default(),
        )
        .unwrap();
        assert_eq!(samples.distances, [0.0, 0.5, 1.0, 1.5, 2.0, 2.5]);
        let levels: Vec<bool> = samples.levels[0].iter().map(|v| v.is_nan()).collect();
        assert_eq!(levels, [false, true, true, true, true, false]);
        assert_eq!(samples.stopped, None);
        assert_eq!(samples.last_line, 6);
    }

    #[test]
    fn stops_at_the_first_line_that_is_no_sample_and_says_why() {
        let samples = read(
            "0,-1\r\n0.5,-2\r\n\r\n1.0,x\r\n",
            0,
            1,
            PLAIN,
            &two(),
            Limits::default(),
        )
        .unwrap();
        assert_eq!(samples.len(), 2);
        let misfit = samples.stopped.unwrap();
        assert_eq!(misfit.distance, Some(1.0));
        assert_eq!(
            misfit.error.to_string(),
            "line 4, column 5: \"x\" is not a number; wanted a level; write `nan` where \
             there is no level, or export the trace again"
        );
    }

    #[test]
    fn a_distance_that_goes_back_stops_the_reading() {
        let samples = read(
            "0,-1\n0.5,-2\n0.25,-3\n",
            0,
            1,
            PLAIN,
            &two(),
            Limits::default(),
        )
        .unwrap();
        assert_eq!(samples.len(), 2);
        assert_eq!(
            samples.stopped.unwrap().error.to_string(),
            "line 3, column 1: distance \"0.25\" does not exceed the one before it, 0.5; \
             sort the rows by distance, or export the trace again"
        );
    }

    #[test]
    fn huge_numbers_are_refused() {
        let samples = read("0,-1\n1,1e999\n", 0, 1, PLAIN, &two(), Limits::default()).unwrap();
        let error = samples.stopped.unwrap().error;
        assert!(matches!(error.kind, ParseErrorKind::NumberTooLarge { .. }));
    }
}
