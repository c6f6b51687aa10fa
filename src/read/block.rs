//! Where in a text the rows of samples stand.

use super::lines::{Line, Lines, lines_from};
use super::number::is_blank;

/// Rows in a row that make a block of samples without a doubt. A table of
/// events is shorter, or holds words.
pub(super) const PLENTY: usize = 24;

/// Consecutive lines that look like rows of numbers; empty lines between are
/// passed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    /// Byte offset of the first row.
    pub(super) start: usize,
    /// Number of the first row's line.
    pub(super) line: usize,
    /// Rows.
    pub(super) rows: usize,
}

/// The first run of at least `enough` rows from a line start on, else the longest.
pub(super) fn find_run(text: &str, from: usize, number: usize, enough: usize) -> Option<Run> {
    let mut best: Option<Run> = None;
    let mut run: Option<Run> = None;
    for line in lines_from(text, from, number) {
        // Levels alone may be blank: `nan` between numbers.
        if looks_numeric(line.text) || run.is_some() && is_blank_level(line.text) {
            let run = run.get_or_insert(Run {
                start: line.start,
                line: line.number,
                rows: 0,
            });
            run.rows += 1;
            if best.is_none_or(|best| run.rows > best.rows) {
                best = Some(*run);
            }
            if run.rows >= enough {
                return best;
            }
        } else if !line.text.trim().is_empty() {
            run = None;
        }
    }
    best
}

/// Whether a line may be a row of samples: numbers, or two of them at least
/// followed by words.
pub(super) fn looks_numeric(line: &str) -> bool {
    let line = line.trim().trim_start_matches(['|', ' ']);
    let line = behind_blank(line).unwrap_or(line);
    let starts = line.starts_with(|c: char| c.is_ascii_digit() || "+-.\"'\u{2212}".contains(c));
    if !starts || !line.bytes().any(|b| b.is_ascii_digit()) {
        return false;
    }
    let Some((words, _)) = line.char_indices().find(|(_, c)| !is_of_numbers(*c)) else {
        return true;
    };
    let separators = [';', '\t', '|', ',', ' '];
    let numbers = line.get(..words).and_then(|start| {
        let end = start.rfind(separators)?;
        start.get(..end)
    });
    numbers.is_some_and(|numbers| {
        separators.iter().any(|separator| {
            // A level may be blank: `0.5,nan,ok` and `0.5;;ok`.
            let counts = |part: &&str| {
                let blank =
                    !matches!(separator, ' ') && is_blank(part.trim_matches(['"', '\'', ' ']));
                blank || part.bytes().any(|b| b.is_ascii_digit())
            };
            numbers.split(*separator).filter(counts).count() > 1
        })
    })
}

/// What follows a first field that holds no number: `-12.5` of `nan;-12.5` and of `;-12.5`.
fn behind_blank(line: &str) -> Option<&str> {
    let (at, mark) = line
        .char_indices()
        .find(|(_, c)| matches!(c, ';' | '\t' | '|' | ',' | ' '))?;
    let field = line.get(..at)?.trim_matches(['"', '\'']);
    // With a space behind it, a mark of drawing begins a note.
    let blank = is_blank(field) && (mark != ' ' || field.contains(char::is_alphabetic));
    blank.then(|| line.get(at + 1..).map(str::trim_start))?
}

/// Whether a line holds levels that the file does not know, and nothing else.
pub(super) fn is_blank_level(line: &str) -> bool {
    line.len() < 200
        && !line.trim().is_empty()
        && line
            .split(['"', '\'', ';', ',', '\t', ' ', '|'])
            .all(is_blank)
}

const fn is_of_numbers(c: char) -> bool {
    c.is_ascii_digit()
        || matches!(
            c,
            '+' | '-'
                | '.'
                | ','
                | ';'
                | '|'
                | '\t'
                | ' '
                | '"'
                | '\''
                | '*'
                | '/'
                | '\u{2212}'
                | '\u{A0}'
                | '\u{2009}'
                | '\u{202F}'
                | '\u{2019}'
                | 'e'
                | 'E'
                | 'n'
                | 'N'
                | 'a'
                | 'A'
                | 'i'
                | 'I'
                | 'f'
                | 'F'
        )
}

/// Rows to judge the form of a block by: the first ones in full, and others
/// taken evenly from the rest of the text.
pub(super) struct Specimens<'t> {
    pub(super) rows: Vec<&'t str>,
    /// How many of them, from the first, follow each other.
    pub(super) together: usize,
}

/// Bytes of a row that are judged: 64 columns of the longest numbers are not longer.
const LONGEST_ROW: usize = 1 << 17;

/// The part of a row that is judged.
fn judged(row: &str) -> &str {
    let mut end = row.len().min(LONGEST_ROW);
    while !row.is_char_boundary(end) {
        end -= 1;
    }
    row.get(..end).unwrap_or(row)
}

/// Takes `first` rows and about `spread` more.
pub(super) fn specimens(text: &str, run: Run, first: usize, spread: usize) -> Specimens<'_> {
    let mut lines = lines_from(text, run.start, run.line);
    let mut rows: Vec<&str> = Vec::with_capacity(first.min(run.rows.max(PLENTY)) + spread);
    for line in lines.by_ref() {
        if looks_numeric(line.text) || is_blank_level(line.text) {
            rows.push(judged(line.text));
        } else if !line.text.trim().is_empty() {
            break;
        }
        if rows.len() >= first {
            break;
        }
    }
    let together = rows.len();
    if together == first {
        rows.extend(spread_rows(within(text, &lines), &lines, spread));
    }
    Specimens { rows, together }
}

/// Text behind the first rows up to which the end of the run is searched for: a
/// table in a longer text is too small a share of it to mislead.
const SEARCHED: usize = 1 << 14;

/// The text up to the end of the run, where that is near; rows of another table
/// are no specimens.
fn within<'t>(text: &'t str, rest: &Lines<'t>) -> &'t str {
    let from = rest.clone().next().map_or(text.len(), |line| line.start);
    if text.len() - from > SEARCHED {
        return text;
    }
    let end = rest.clone().find(|line| {
        !line.text.trim().is_empty() && !looks_numeric(line.text) && !is_blank_level(line.text)
    });
    end.and_then(|line| text.get(..line.start)).unwrap_or(text)
}

fn spread_rows<'t>(text: &'t str, rest: &Lines<'t>, spread: usize) -> Vec<&'t str> {
    let from = rest
        .clone()
        .next()
        .map_or(text.len(), |line: Line<'_>| line.start);
    let left = text.len() - from;
    // Of few lines each counts once: a last one that is cut would outweigh the others.
    let mut lines: Vec<Line<'t>> = (0..spread)
        .filter_map(|step| {
            let mut at = from + left / spread * step;
            while !text.is_char_boundary(at) {
                at += 1;
            }
            // The line cut by the jump is passed over.
            lines_from(text, at, 0).nth(1)
        })
        .collect();
    lines.dedup_by_key(|line| line.start);
    lines
        .into_iter()
        .map(|line| judged(line.text))
        .filter(|row| looks_numeric(row))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_table_before_the_samples_is_not_the_block() {
        let table = "1,20.5\n2,30.5\n\nnote\n";
        let samples = ["1.5,-1\n"; 30].concat();
        let text = format!("{table}{samples}");
        let run = find_run(&text, 0, 1, PLENTY).unwrap();
        assert_eq!((run.start, run.line), (table.len(), 5));
    }

    #[test]
    fn words_and_dates_with_times_are_not_numbers() {
        assert!(looks_numeric(" -1.5 ; nan"));
        assert!(looks_numeric("1.5,---"));
        assert!(!looks_numeric("distance_m,level_db"));
        assert!(!looks_numeric("12:30"));
        assert!(!looks_numeric("---"));
        assert!(!looks_numeric("1.5 km"));
        assert!(!looks_numeric("1;splice;500.0"));
        assert!(looks_numeric("500.0;-12.3;splice"));
        assert!(looks_numeric("NaN,-210"));
        assert!(looks_numeric(";-210.5"));
        assert!(!looks_numeric("* 3 joints, 2 bends"));
    }
}
