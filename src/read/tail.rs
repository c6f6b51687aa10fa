//! What follows the samples: notes and tables, a cut last line, or the rest of
//! the samples behind a damaged row.

use super::block::{Run, find_run, is_blank_level, looks_numeric};
use super::dialect::{Dialect, split};
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::lines::{Line, lines_from};
use super::number::is_blank;
use super::samples::{Samples, Wanted, parse_row};

/// Lines searched behind a row that is no sample for the rest of the samples.
const FARTHEST: usize = 10_000;

/// What the lines after the samples are.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Tail {
    /// Notes, or nothing.
    Notes,
    /// One last line that was not written to its end.
    CutLine,
    /// A longer run of rows, so that the samples read were another table.
    LongerRun(Run),
}

/// Judges the lines from where reading stopped.
///
/// A damaged row must not end a trace in silence: where samples go on behind
/// it, at the distance that follows, the row is an error.
pub(super) fn judge(
    text: &str,
    samples: &Samples,
    dialect: Dialect,
    wanted: &Wanted,
    is_first: bool,
) -> Result<Tail, ParseError> {
    let Some(misfit) = &samples.stopped else {
        return Ok(Tail::Notes);
    };
    let rest = || lines_from(text, samples.end, samples.end_line);
    if let Some(last) = rest().next()
        && !last.ended
        && samples.len() > 1
        && is_cut(last, samples)
    {
        return Ok(Tail::CutLine);
    }
    let follows = |distance: f64, skipped: usize| {
        let (Some(&before), Some(step)) = (samples.distances.last(), samples.step()) else {
            return samples.len() == 1;
        };
        distance > before && distance <= before + step * (skipped as f64 + 1.5)
    };
    // Rows behind it must keep the step, or else they are another table.
    let steps_on = |lines: &dyn Fn() -> Option<f64>, distance: f64| {
        let step = samples.step().unwrap_or(f64::NAN);
        lines().is_none_or(|next| {
            let ratio = (next - distance) / step;
            step.is_nan() || (0.5..=1.5).contains(&ratio)
        })
    };
    let adjacent = samples.end_line == samples.last_line + 1;
    // A row whose distance is beyond all numbers is no note.
    // A line drawn behind a table is no row of it, nor is one of words: `*** end ***`.
    let drawn = wanted.columns > 1
        && rest().next().is_some_and(|line| {
            let words =
                !line.text.contains(|c: char| c.is_ascii_digit()) && !is_blank_level(line.text);
            words || is_drawn(line.text)
        });
    let beyond = match &misfit.error.kind {
        _ if drawn => false,
        ParseErrorKind::NumberTooLarge { .. } => true,
        ParseErrorKind::NotANumber { found, .. } => is_blank(found),
        _ => false,
    };
    if adjacent && beyond {
        return Err(misfit.error.clone());
    }
    // A row of as many numbers, written otherwise than those before it: `1,002.5`.
    let row_of_numbers = |line: Line<'_>| {
        let columns = split(line.text, dialect.separator);
        looks_numeric(line.text)
            && !line.text.contains(char::is_alphabetic)
            && columns.filter(|piece| !piece.text.is_empty()).count() == wanted.columns
    };
    if adjacent && wanted.columns > 1 && rest().next().is_some_and(row_of_numbers) {
        return Err(misfit.error.clone());
    }
    match misfit.distance {
        Some(distance) if follows(distance, 0) => return Err(misfit.error.clone()),
        // A whole row that goes back.
        Some(_)
            if adjacent
                && rest()
                    .next()
                    .is_some_and(|line| parse_row(line, dialect, wanted).is_ok()) =>
        {
            return Err(misfit.error.clone());
        }
        _ => {}
    }
    let mut skipped = 0;
    let mut lines = rest().skip(1).take(FARTHEST);
    while let Some(line) = lines.next() {
        if line.text.trim().is_empty() {
            continue;
        }
        skipped += 1;
        if !looks_numeric(line.text) {
            continue;
        }
        if let Ok(row) = parse_row(line, dialect, wanted) {
            let goes_on = match row.distance {
                Some(distance) => {
                    let next = || {
                        let row = lines.clone().find(|line| looks_numeric(line.text))?;
                        parse_row(row, dialect, wanted).ok()?.distance
                    };
                    follows(distance, skipped) && steps_on(&next, distance)
                }
                None => true,
            };
            if goes_on {
                return Err(misfit.error.clone());
            }
        }
    }
    // Once a block is read, a search of the whole rest for each would take long.
    if !is_first {
        return Ok(Tail::Notes);
    }
    match find_run(text, samples.end, samples.end_line, usize::MAX) {
        Some(run) if run.rows > samples.len() => Ok(Tail::LongerRun(run)),
        _ => Ok(Tail::Notes),
    }
}

/// Whether a line is a stroke of drawing: `---`.
pub(super) fn is_drawn(line: &str) -> bool {
    line.trim().chars().all(|c| "-=*_#~+".contains(c))
}

/// Whether a last line without a line end is the start of a row.
fn is_cut(last: Line<'_>, samples: &Samples) -> bool {
    let text = last.text.trim();
    let digits = text.trim_end_matches(|c: char| !c.is_ascii_digit());
    samples.end_line <= samples.last_line + 1
        && text.len() < 200
        && (is_blank(text) || looks_numeric(text) || digits.is_empty() && !is_word(text))
}

/// Whether a text has letters enough for a word: a note that ends the file.
fn is_word(text: &str) -> bool {
    text.chars().filter(|c| c.is_alphabetic()).count() > 3
}

/// Rows whose decimals must agree before a shorter last one counts as cut, and how
/// many of them are looked at: where zeros at the end are left out, one number in
/// ten is shorter, and of so many all are alike once in 10¹¹ files.
const ALIKE: (usize, usize) = (16, 256);

/// Whether the last sample stands on a line without an end and with fewer
/// decimals than all the rows before it: `-12.` after `-12.345`.
pub(super) fn last_sample_is_cut(text: &str) -> bool {
    if text.ends_with(['\n', '\r']) {
        return false;
    }
    let mut lines = text
        .rsplit(['\n', '\r'])
        .map(str::trim)
        .filter(|line| !line.is_empty());
    // A word for a blank level is whole: `7.525 nan`.
    let Some(last) = lines
        .next()
        .filter(|line| !line.ends_with(char::is_alphabetic))
    else {
        return false;
    };
    let before: Vec<Vec<usize>> = lines
        .take_while(|line| looks_numeric(line))
        .take(ALIKE.1)
        .map(decimals)
        .collect();
    // A column of more and fewer decimals leaves out zeros at the end.
    let Some(usual) = before.first() else {
        return false;
    };
    let cut = decimals(last).last() < usual.last();
    cut && before.len() >= ALIKE.0 && before.iter().all(|row| row == usual)
}

/// Decimals of each number of a row.
fn decimals(line: &str) -> Vec<usize> {
    let points = line.contains('.');
    line.split(|c: char| matches!(c, ';' | '\t' | '|' | ' ' | '"' | '\'') || points && c == ',')
        .filter(|field| field.contains(|c: char| c.is_ascii_digit()))
        .map(|field| {
            let tail = field.trim_end_matches(|c: char| c.is_ascii_digit());
            let marked = tail.ends_with(['.', ',']);
            if marked { field.len() - tail.len() } else { 0 }
        })
        .collect()
}

/// The damaged row just before a block, where a short run of rows ends before
/// it and the block goes on at the distance that follows.
pub(super) fn broken_before(
    before: &[Line<'_>],
    samples: &Samples,
    dialect: Dialect,
    wanted: &Wanted,
    title_line: Option<usize>,
) -> Option<ParseError> {
    if wanted.distance.is_none() {
        return level_lost_before(before, dialect, wanted, title_line);
    }
    let (&first, step) = (samples.distances.first()?, samples.step()?);
    let filled: Vec<&Line<'_>> = before
        .iter()
        .rev()
        .filter(|line| !line.text.trim().is_empty())
        .take(20)
        .collect();
    for (skipped, line) in filled.iter().enumerate() {
        if !looks_numeric(line.text) {
            continue;
        }
        let row = parse_row(**line, dialect, wanted).ok()?;
        let gap = first - row.distance?;
        if skipped > 0 && gap > 0.0 && gap <= step * (skipped as f64 + 1.5) {
            let damaged = filled.get(skipped - 1)?;
            let found = excerpt(damaged.text);
            let odd = ParseErrorKind::NoCommonForm { found };
            return Some(match parse_row(**damaged, dialect, wanted) {
                Err(misfit) => misfit.error,
                Ok(_) => odd.at(damaged.number, damaged.text, 0),
            });
        }
        return None;
    }
    None
}

/// For levels without distances, which are counted from the first: the damaged
/// line before a block that has levels before it, or is a blank level itself.
fn level_lost_before(
    before: &[Line<'_>],
    dialect: Dialect,
    wanted: &Wanted,
    title_line: Option<usize>,
) -> Option<ParseError> {
    let filled: Vec<&Line<'_>> = before
        .iter()
        .rev()
        .filter(|line| !line.text.trim().is_empty())
        .take_while(|line| title_line.is_none_or(|title| line.number > title))
        .take(FARTHEST)
        .collect();
    let drawn = |line: &Line<'_>| !line.text.contains(char::is_alphanumeric);
    if let Some(line) = filled.first()
        && is_blank_level(line.text)
        && !drawn(line)
    {
        let kind = ParseErrorKind::EmptyRow;
        return Some(kind.at(line.number, line.text, 0));
    }
    let level = filled
        .iter()
        .position(|line| looks_numeric(line.text) && parse_row(**line, dialect, wanted).is_ok())?;
    let damaged = filled
        .get(..level)?
        .iter()
        .rev()
        .find(|line| !drawn(line))?;
    // A row without a level, `nan;nan;ok`, ends the rows before it.
    let blank = ParseErrorKind::EmptyRow;
    Some(match parse_row(**damaged, dialect, wanted) {
        Err(misfit) => misfit.error,
        Ok(_) => blank.at(damaged.number, damaged.text, 0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shorter_last_number_is_cut_only_after_many_alike() {
        let rows = ["1.0,-12.345\n"; 20].concat();
        assert!(last_sample_is_cut(&format!("{rows}20.0,-12.")));
        assert!(last_sample_is_cut(&format!("{rows}20.0,-12")));
        assert!(!last_sample_is_cut(&format!("{rows}20.0,-12.345")));
        assert!(!last_sample_is_cut(&format!("{rows}20.0,-12.\n")));
        assert!(!last_sample_is_cut(&format!("{rows}20.0,-inf")));
        assert!(!last_sample_is_cut("0.0,-12.345\n20.0,-12."));
        // Zeros at the end are left out elsewhere, too.
        let shorter = format!("0.0,-12.34\n{rows}20.0,-12.34");
        assert!(!last_sample_is_cut(&shorter));
    }
}
