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
}
