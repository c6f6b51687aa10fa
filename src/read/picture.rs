//! A trace in a few lines of characters.

use std::fmt::Write as _;

/// Which characters a picture is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Glyphs {
    /// Blocks in eighths of a line.
    #[default]
    Blocks,
    /// `#` and `'` only, for terminals without blocks.
    Ascii,
}

/// Draws levels over distance, `(columns, rows)` characters large, with the
/// range of both written beside.
///
/// The filled height of a column is the middle of its levels; a mark above it
/// is the highest of them, where that stands clear. A column without a level is
/// empty. Empty or unequal lists give an empty picture.
pub fn picture(
    distances_m: &[f64],
    levels_db: &[f64],
    size: (usize, usize),
    glyphs: Glyphs,
) -> String {
    let (columns, rows) = (size.0.clamp(1, 1000), size.1.clamp(1, 200));
    let (Some(first), Some(last)) = (distances_m.first(), distances_m.last()) else {
        return String::new();
    };
    let cells: Vec<Option<(f64, f64)>> = (0..columns)
        .map(|column| {
            let from = column * levels_db.len() / columns;
            let to = ((column + 1) * levels_db.len() / columns).max(from + 1);
            let mut values: Vec<f64> = levels_db
                .get(from..to)?
                .iter()
                .copied()
                .filter(|v| v.is_finite())
                .collect();
            values.sort_by(f64::total_cmp);
            Some((*values.get(values.len() / 2)?, *values.last()?))
        })
        .collect();
    let filled = || cells.iter().flatten();
    let low = filled().map(|cell| cell.0).fold(f64::INFINITY, f64::min);
    let high = filled()
        .map(|cell| cell.1)
        .fold(f64::NEG_INFINITY, f64::max);
    if low > high || distances_m.len() != levels_db.len() {
        return String::new();
    }
    let range = if high > low { high - low } else { 1.0 };
    // One eighth at the lowest level, so that it shows.
    let height = |level: f64| 0.125 + (level - low) / range * (rows as f64 - 0.125);
    // Adding zero turns a negative zero.
    let labels = [high, low].map(|level| format!("{:.1} dB", level + 0.0));
    let margin = labels.iter().map(String::len).max().unwrap_or(0);
    let mut text = String::new();
    for row in (0..rows).rev() {
        let label = match row {
            _ if row + 1 == rows => labels[0].as_str(),
            0 => labels[1].as_str(),
            _ => "",
        };
        let line: String = cells
            .iter()
            .map(|cell| {
                cell.map_or(' ', |(middle, top)| {
                    glyph(
                        height(middle) - row as f64,
                        height(top) - row as f64,
                        glyphs,
                    )
                })
            })
            .collect();
        text.push_str(format!("{label:>margin$} |{line}").trim_end());
        text.push('\n');
    }
    let ends = [format!("{first:.0} m"), format!("{last:.0} m")];
    let gap = columns.saturating_sub(ends[0].len() + ends[1].len());
    // Writing to a string cannot fail.
    let _ = writeln!(text, "{:margin$}  {}{:gap$}{}", "", ends[0], "", ends[1]);
    text
}

/// The character of one cell, by how far the middle and the top reach into it.
fn glyph(middle: f64, top: f64, glyphs: Glyphs) -> char {
    const EIGHTHS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let eighth = EIGHTHS
        .iter()
        .enumerate()
        .rev()
        .find(|(i, _)| middle * 8.0 >= *i as f64 + 0.999);
    match (glyphs, eighth) {
        (Glyphs::Blocks, Some((_, block))) => *block,
        (Glyphs::Ascii, _) if middle >= 0.5 => '#',
        _ if (0.0..=1.0).contains(&top) && middle < 0.0 && top > 0.0 => '\'',
        (Glyphs::Ascii, _) if middle > 0.0 => '.',
        _ => ' ',
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_falling_trace_with_one_spike() {
        let distances: Vec<f64> = (0..400).map(f64::from).collect();
        let mut levels: Vec<f64> = distances.iter().map(|d| -d / 40.0).collect();
        levels[205] = 0.0;
        insta::assert_snapshot!(picture(&distances, &levels, (20, 5), Glyphs::Blocks));
        insta::assert_snapshot!(picture(&distances, &levels, (20, 5), Glyphs::Ascii));
    }

    #[test]
    fn nothing_to_draw_is_an_empty_picture() {
        assert_eq!(picture(&[], &[], (10, 4), Glyphs::Blocks), "");
        assert_eq!(picture(&[0.0], &[f64::NAN], (10, 4), Glyphs::Blocks), "");
        assert!(!picture(&[0.0], &[1.0], (10, 4), Glyphs::Blocks).is_empty());
    }
}
