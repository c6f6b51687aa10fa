//! Widths of text in the font that is really used.

use resvg::usvg::fontdb;
use ttf_parser::Face;

use super::PlotError;

/// The upright face.
pub(crate) const REGULAR: &[u8] = include_bytes!("fonts/DejaVuSans.ttf");
/// The bold face.
pub(crate) const BOLD: &[u8] = include_bytes!("fonts/DejaVuSans-Bold.ttf");

/// Family written into the drawing; a viewer without it falls back to its own.
pub(super) const FAMILY: &str = "DejaVu Sans, sans-serif";

/// Width taken for a character that the font lacks, in em: a full-width one.
const UNKNOWN_EM: f64 = 1.0;

/// Weight of a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// Both weights, ready to be measured.
pub(super) struct Fonts {
    regular: Face<'static>,
    bold: Face<'static>,
}

impl Fonts {
    pub(super) fn new() -> Result<Self, PlotError> {
        Ok(Self {
            regular: Face::parse(REGULAR, 0)?,
            bold: Face::parse(BOLD, 0)?,
        })
    }

    /// Width of a line of text in pixels: the sum of its advances, kerning left out.
    pub(super) fn width(&self, text: &str, size: f64, weight: Weight) -> f64 {
        let face = match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        };
        let em = f64::from(face.units_per_em());
        text.chars()
            .map(|c| {
                face.glyph_index(c)
                    .and_then(|glyph| face.glyph_hor_advance(glyph))
                    .map_or(UNKNOWN_EM, |advance| f64::from(advance) / em)
            })
            .sum::<f64>()
            * size
    }

    /// The text, or as much of it as fits with `…` in place of the rest.
    pub(super) fn fitted(&self, text: &str, size: f64, weight: Weight, room: f64) -> String {
        if self.width(text, size, weight) <= room {
            return text.to_owned();
        }
        let mut short: Vec<char> = text.chars().collect();
        while short.pop().is_some() {
            let candidate: String = short.iter().collect::<String>().trim_end().to_owned() + "…";
            if self.width(&candidate, size, weight) <= room {
                return candidate;
            }
        }
        String::new()
    }

    /// The text on at most `most` lines, broken between words: the first in `first` pixels,
    /// the others in `rest`. What does not fit on the last is cut.
    pub(super) fn wrapped(
        &self,
        text: &str,
        size: f64,
        (first, rest): (f64, f64),
        most: usize,
    ) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            let room = if lines.len() <= 1 { first } else { rest };
            match lines.last_mut() {
                Some(line)
                    if self.width(&format!("{line} {word}"), size, Weight::Regular) <= room =>
                {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.to_owned()),
            }
        }
        if let Some((last, more)) = lines.split_at_mut_checked(most).and_then(|(kept, more)| {
            let last = kept.last_mut()?;
            Some((last, more))
        }) {
            for line in more {
                last.push(' ');
                last.push_str(line);
            }
        }
        lines.truncate(most);
        lines
            .iter()
            .enumerate()
            .map(|(row, line)| {
                let room = if row == 0 { first } else { rest };
                self.fitted(line, size, Weight::Regular, room)
            })
            .collect()
    }
}

/// A font database that holds our two faces and nothing of the machine's.
pub(crate) fn database() -> fontdb::Database {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(REGULAR.to_vec());
    fonts.load_font_data(BOLD.to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    fonts
}

#[cfg(test)]
mod tests {
    use super::{Fonts, Weight};

    #[test]
    fn a_width_is_the_sum_of_the_advances() {
        let fonts = Fonts::new().unwrap();
        // DejaVu Sans: every digit advances 1303 of 2048 units.
        let width = fonts.width("0123", 20.48, Weight::Regular);
        assert!((width - 4.0 * 13.03).abs() < 1e-9, "{width}");
        assert!(fonts.width("0123", 20.48, Weight::Bold) > width);
    }

    #[test]
    fn a_long_text_is_cut_to_its_room() {
        let fonts = Fonts::new().unwrap();
        let text = "chamber by the old weighbridge";
        let short = fonts.fitted(text, 12.0, Weight::Regular, 100.0);
        assert!(short.ends_with('…') && short.len() < text.len());
        assert!(fonts.width(&short, 12.0, Weight::Regular) <= 100.0);
        assert_eq!(fonts.fitted("17", 12.0, Weight::Regular, 100.0), "17");
        assert_eq!(fonts.fitted("17", 12.0, Weight::Regular, 1.0), "");
    }

    #[test]
    fn a_long_name_is_broken_between_words_and_then_cut() {
        let fonts = Fonts::new().unwrap();
        let text = "chamber by the old weighbridge near the lock";
        let lines = fonts.wrapped(text, 12.0, (90.0, 130.0), 9);
        assert!(lines.len() > 2 && lines.join(" ") == text, "{lines:?}");
        for (line, room) in lines.iter().zip([90.0, 130.0, 130.0, 130.0]) {
            assert!(fonts.width(line, 12.0, Weight::Regular) <= room);
        }
        let two = fonts.wrapped(text, 12.0, (90.0, 130.0), 2);
        assert_eq!((two.len(), &two[0]), (2, &lines[0]));
        assert!(two[1].ends_with('…'), "{two:?}");
        assert_eq!(fonts.wrapped("", 12.0, (90.0, 90.0), 2), [""; 0]);
    }
}
