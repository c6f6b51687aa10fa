//! What was understood of a file, in words and a small picture.

use std::fmt::Write as _;

use super::dialect::Dialect;
use super::keys::is_known_key;
use super::layout::{Column, Holds};
use super::number::Thousands;
use super::picture::{Glyphs, picture};
use super::{FileContent, ReadTrace};

/// Columns and rows of the picture: a terminal of 80 columns holds it.
const PICTURE: (usize, usize) = (64, 8);

/// Notes shown; a table of events has no more rows as a rule.
const MOST_NOTES: usize = 40;

/// Describes a file's content: how it is laid out, each setting with its line,
/// the samples of each trace with a picture, and every doubt.
///
/// ```
/// let text = b"# wavelength: 1550 nm\ndistance_m,level_db\n0,-12.3\n0.5,-12.4\n";
/// let content = bothends::read::from_bytes(text).unwrap();
/// let words = bothends::read::describe(&content, bothends::read::Glyphs::Blocks);
/// assert!(words.contains("line 1: wavelength is 1550 nm"));
/// assert!(words.contains("2 samples from 0 m to 0.5 m, 0.5 m apart"));
/// ```
pub fn describe(content: &FileContent, glyphs: Glyphs) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail; the results are dropped for that reason.
    let layout = &content.layout;
    let _ = writeln!(text, "Form");
    let _ = writeln!(text, "  encoding: {}", layout.encoding);
    form(
        &mut text,
        layout.dialect,
        &layout.columns,
        layout.title_line,
    );
    for block in &layout.further_blocks {
        let (first, last) = (block.first_line, block.last_line);
        let _ = writeln!(text, "Form of the block on lines {first} to {last}");
        form(&mut text, block.dialect, &block.columns, block.title_line);
    }
    let _ = writeln!(text, "Settings");
    for setting in &layout.settings {
        let meaning = match setting.means {
            Some(means) if means == setting.key.to_lowercase() => String::new(),
            Some(means) => format!(" (read as {means})"),
            None if is_known_key(&setting.key) => " (not used)".to_owned(),
            None => " (kept, not used)".to_owned(),
        };
        let _ = writeln!(
            text,
            "  line {}: {} is {}{meaning}",
            setting.line, setting.key, setting.value
        );
    }
    for (key, value) in &layout.from_recipe {
        let _ = writeln!(text, "  from the recipe: {key} is {value}");
    }
    let header = content.traces.first().map(|trace| &trace.header);
    for (setting, missing) in [
        ("wavelength", header.is_none_or(|h| h.wavelength.is_none())),
        (
            "pulse width",
            header.is_none_or(|h| h.pulse_width.is_none()),
        ),
        (
            "group index",
            header.is_none_or(|h| h.group_index.is_none()),
        ),
    ] {
        if missing {
            let _ = writeln!(text, "  not in the file: {setting}");
        }
    }
    for (index, trace) in content.traces.iter().enumerate() {
        let _ = writeln!(text, "Trace {}{}", index + 1, trace_name(trace));
        let _ = writeln!(text, "  {}", samples_words(trace));
        let _ = writeln!(text, "  {}", levels_words(trace));
        let (distances, levels) = (trace.distances_m.as_slice(), trace.levels_db.as_slice());
        if let (Some(distances), Some(levels)) = (distances, levels) {
            for line in picture(distances, levels, PICTURE, glyphs).lines() {
                let _ = writeln!(text, "  {line}");
            }
        }
    }
    if !layout.notes.is_empty() {
        let _ = writeln!(text, "Notes");
        for note in layout.notes.iter().take(MOST_NOTES) {
            let _ = writeln!(text, "  line {}: {}", note.line, note.text);
        }
        if layout.notes.len() > MOST_NOTES {
            let _ = writeln!(text, "  and {} lines more", layout.notes.len() - MOST_NOTES);
        }
    }
    let _ = writeln!(text, "Doubts");
    if content.warnings.is_empty() {
        let _ = writeln!(text, "  none");
    }
    for warning in &content.warnings {
        let _ = writeln!(text, "  {}: {}", warning.code, warning.message);
    }
    if let Some(sha256) = &content.sha256 {
        let _ = writeln!(text, "SHA-256 {sha256}");
    }
    text
}

/// Separator, numbers and columns of a block.
fn form(text: &mut String, dialect: Dialect, columns: &[Column], title_line: Option<usize>) {
    let numbers = dialect.numbers;
    let thousands = match numbers.thousands {
        None => "",
        Some(Thousands::Comma) => ", comma for thousands",
        Some(Thousands::Point) => ", point for thousands",
        Some(Thousands::Space) => ", space for thousands",
        Some(Thousands::Apostrophe) => ", apostrophe for thousands",
    };
    let _ = writeln!(
        text,
        "  rows: columns by {}, decimal {}{thousands}",
        dialect.separator, numbers.decimal,
    );
    for (index, column) in columns.iter().enumerate() {
        let words = column_words(column, title_line);
        let _ = writeln!(text, "  column {}: {words}", index + 1);
    }
}

fn column_words(column: &Column, title_line: Option<usize>) -> String {
    let mut words = match column.holds {
        Holds::Distance { unit } => format!("distance in {unit}"),
        Holds::Level {
            unit,
            turned,
            wavelength,
            direction,
        } => {
            let mut words = format!("level in {unit}");
            if let Some(wavelength) = wavelength {
                let _ = write!(words, " at {} nm", wavelength.nm());
            }
            if let Some(direction) = direction {
                let _ = write!(words, " from {direction}");
            }
            if turned {
                words.push_str(", rising, turned");
            }
            words
        }
        Holds::Unused => "not used".to_owned(),
    };
    if let (Some(title), Some(line)) = (&column.title, title_line) {
        let _ = write!(words, ", titled {title:?} on line {line}");
    }
    words
}

fn trace_name(trace: &ReadTrace) -> String {
    let mut name = String::new();
    if let Some(wavelength) = trace.header.wavelength {
        let _ = write!(name, ", {} nm", wavelength.nm());
    }
    if let (Some(from), Some(to)) = (&trace.header.from, &trace.header.to) {
        let _ = write!(name, ", from {from} to {to}");
    }
    name
}

fn samples_words(trace: &ReadTrace) -> String {
    let n = trace.distances_m.len();
    let (Some(first), Some(last)) = (trace.distances_m.first(), trace.distances_m.last()) else {
        return "no samples".to_owned();
    };
    let lines = format!("lines {} to {}", trace.first_line, trace.last_line);
    if n < 2 {
        return format!("1 sample at {first} m, line {}", trace.first_line);
    }
    let spacing = (last - first) / (n - 1) as f64;
    format!(
        "{n} samples from {} m to {} m, {} m apart, {lines}",
        short(*first),
        short(*last),
        short(spacing)
    )
}

fn levels_words(trace: &ReadTrace) -> String {
    let finite = || trace.levels_db.iter().copied().filter(|v| v.is_finite());
    let (low, high) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    let blanks = trace.levels_db.len() - finite().count();
    let blank = if blanks > 0 {
        format!(", {blanks} without a level")
    } else {
        String::new()
    };
    if low > high {
        return "no levels at all".to_owned();
    }
    format!(
        "levels from {} dB down to {} dB{blank}",
        short(high),
        short(low)
    )
}

/// At most six decimals, without trailing zeros.
fn short(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::super::from_bytes;
    use super::*;

    #[test]
    fn everything_understood_is_named_with_its_line() {
        let rows = [
            "0,000;1,500;0",
            "0,010;1,502;0",
            "0,020;1,504;0",
            "0,030;;0",
        ]
        .join(
            "
",
        );
        let text =
            format!("Fibre;017\nPulse;0,1 µs\nFilter;on\nDistance (km);Loss (dB);Mark\n{rows}\n");
        let content = from_bytes(text.as_bytes()).unwrap();
        insta::assert_snapshot!(describe(&content, Glyphs::Ascii));
    }
}
