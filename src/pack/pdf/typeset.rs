//! Text shaped and broken into lines, ready to be put on a page.

use std::collections::BTreeSet;
use std::ops::Range;

use parley::fontique::{Blob, Collection, CollectionOptions, SourceCache};
use parley::style::{FontFamily, FontFamilyName, FontWeight, OverflowWrap, StyleProperty};
use parley::{FontContext, Layout, LayoutContext};
use ttf_parser::Face;

use super::PdfError;
use crate::plot::{FONT_BOLD, FONT_REGULAR};
use crate::report::shortened;

/// Family of both faces.
const FAMILY: &str = "DejaVu Sans";

/// Longest text that is set; more is no name and no note.
const MOST_CHARS: usize = 4000;

/// Drawn in place of a character that the face lacks; both faces have it.
const SUBSTITUTE: char = '\u{25a1}';

/// Height of the face above and below the baseline, in em (its `hhea` table).
const ASCENT: f32 = 0.928;
const DESCENT: f32 = 0.236;

/// A colour as red, green and blue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Colour(pub(super) u8, pub(super) u8, pub(super) u8);

/// Weight of a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

/// How a text is set; sizes are points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Style {
    pub(super) size: f32,
    pub(super) weight: Weight,
    pub(super) ink: Colour,
    /// From one baseline to the next, in sizes.
    pub(super) leading: f32,
}

impl Style {
    pub(super) const fn new(size: f32, ink: Colour) -> Self {
        Self {
            size,
            weight: Weight::Regular,
            ink,
            leading: 1.35,
        }
    }

    pub(super) const fn bold(mut self) -> Self {
        self.weight = Weight::Bold;
        self
    }

    pub(super) const fn inked(mut self, ink: Colour) -> Self {
        self.ink = ink;
        self
    }

    /// Height of one line in points.
    pub(super) fn line_height(&self) -> f32 {
        self.size * self.leading
    }

    /// From the top of a line to its baseline.
    pub(super) fn baseline(&self) -> f32 {
        f32::midpoint(self.line_height(), (ASCENT - DESCENT) * self.size)
    }
}

/// One shaped glyph; advance and offsets in sizes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Glyph {
    pub(super) id: u16,
    pub(super) advance: f32,
    pub(super) offset: (f32, f32),
    /// Bytes of the line's text that it stands for.
    pub(super) text: Range<u32>,
}

/// A line of text, shaped.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    pub(super) text: Box<str>,
    pub(super) style: Style,
    pub(super) glyphs: Box<[Glyph]>,
    /// In points.
    pub(super) width: f32,
}

/// Shapes text with the program's own faces and remembers what they lack.
pub(super) struct Typesetter {
    fonts: FontContext,
    layouts: LayoutContext<()>,
    regular: Face<'static>,
    bold: Face<'static>,
    missing: BTreeSet<char>,
}

impl Typesetter {
    pub(super) fn new() -> Result<Self, PdfError> {
        let mut collection = Collection::new(CollectionOptions {
            shared: false,
            system_fonts: false,
        });
        for data in [FONT_REGULAR, FONT_BOLD] {
            collection.register_fonts(Blob::from(data.to_vec()), None);
        }
        Ok(Self {
            fonts: FontContext {
                collection,
                source_cache: SourceCache::default(),
            },
            layouts: LayoutContext::new(),
            regular: Face::parse(FONT_REGULAR, 0)?,
            bold: Face::parse(FONT_BOLD, 0)?,
            missing: BTreeSet::new(),
        })
    }

    /// Characters that were asked for and that the faces lack, in order.
    pub(super) fn missing(&self) -> &BTreeSet<char> {
        &self.missing
    }

    /// The text with what cannot be drawn replaced; what was replaced is remembered.
    pub(super) fn drawable(&mut self, text: &str, weight: Weight) -> String {
        let face = match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        };
        shortened(text, MOST_CHARS)
            .chars()
            .map(|c| {
                if c == '\n' {
                    c
                } else if c.is_control() {
                    ' '
                } else if face.glyph_index(c).is_some() {
                    c
                } else {
                    self.missing.insert(c);
                    SUBSTITUTE
                }
            })
            .collect()
    }

    /// The text in lines no wider than `room` points.
    pub(super) fn lines(&mut self, text: &str, style: Style, room: f32) -> Vec<Line> {
        let text = self.drawable(text, style.weight);
        self.shaped(&text, style, Some(room.max(style.size)))
    }

    /// The text in at most so many lines; the last one ends with `…` where more follow.
    pub(super) fn few_lines(
        &mut self,
        text: &str,
        style: Style,
        room: f32,
        most: usize,
    ) -> Vec<Line> {
        let mut lines = self.lines(text, style, room);
        if lines.len() <= most {
            return lines;
        }
        let kept = most.saturating_sub(1);
        let rest: Vec<&str> = lines.iter().skip(kept).map(|line| &*line.text).collect();
        let last = self.fitted(&rest.join(" "), style, room);
        lines.truncate(kept);
        lines.push(last);
        lines
    }

    /// The text on one line, however wide; line breaks in it become spaces.
    pub(super) fn line(&mut self, text: &str, style: Style) -> Line {
        let text = self.drawable(text, style.weight).replace('\n', " ");
        self.shaped(&text, style, None)
            .into_iter()
            .next()
            .unwrap_or_else(|| Line {
                text: "".into(),
                style,
                glyphs: Box::default(),
                width: 0.0,
            })
    }

    /// The text on one line of at most `room` points, `…` for what does not fit.
    pub(super) fn fitted(&mut self, text: &str, style: Style, room: f32) -> Line {
        self.shortened(text, style, room, |letters, count| {
            let short: String = letters.iter().take(count).collect();
            format!("{}…", short.trim_end())
        })
    }

    /// The text on one line of at most `room` points, `…` in its middle: names that begin
    /// alike are told apart by their ends.
    pub(super) fn fitted_in_middle(&mut self, text: &str, style: Style, room: f32) -> Line {
        self.shortened(text, style, room, |letters, count| {
            let (head, tail) = (count / 2, count - count / 2);
            let start: String = letters.iter().take(head).collect();
            let end: String = letters.iter().skip(letters.len() - tail).collect();
            format!("{}…{}", start.trim_end(), end.trim_start())
        })
    }

    /// The whole text where it fits, else the longest that `short` makes of so many of its
    /// letters and that fits.
    fn shortened(
        &mut self,
        text: &str,
        style: Style,
        room: f32,
        short: impl Fn(&[char], usize) -> String,
    ) -> Line {
        let whole = self.line(text, style);
        if whole.width <= room {
            return whole;
        }
        let letters: Vec<char> = text.chars().collect();
        // The widths grow with the letters, so the longest that fits is found by halving.
        let (mut fits, mut too_many) = (0, letters.len());
        let mut best = self.line("…", style);
        while fits + 1 < too_many {
            let count = usize::midpoint(fits, too_many);
            let line = self.line(&short(&letters, count), style);
            if line.width <= room {
                fits = count;
                best = line;
            } else {
                too_many = count;
            }
        }
        best
    }

    fn shaped(&mut self, text: &str, style: Style, room: Option<f32>) -> Vec<Line> {
        let mut builder = self
            .layouts
            .ranged_builder(&mut self.fonts, text, 1.0, false);
        builder.push_default(StyleProperty::FontFamily(FontFamily::Single(
            FontFamilyName::named(FAMILY),
        )));
        builder.push_default(StyleProperty::FontSize(style.size));
        builder.push_default(StyleProperty::FontWeight(match style.weight {
            Weight::Regular => FontWeight::NORMAL,
            Weight::Bold => FontWeight::BOLD,
        }));
        // A name without spaces must break somewhere rather than leave its column.
        builder.push_default(StyleProperty::OverflowWrap(OverflowWrap::Anywhere));
        let mut layout: Layout<()> = builder.build(text);
        layout.break_all_lines(room);
        layout
            .lines()
            .map(|line| gathered(&line, text, style))
            .collect()
    }
}

/// Knows which characters neither face has.
pub(super) struct Lacks {
    faces: [Face<'static>; 2],
}

impl Lacks {
    pub(super) fn new() -> Result<Self, PdfError> {
        Ok(Self {
            faces: [Face::parse(FONT_REGULAR, 0)?, Face::parse(FONT_BOLD, 0)?],
        })
    }

    /// The text with a substitute for every character that neither face has.
    pub(super) fn replaced(&self, text: &str) -> String {
        text.chars()
            .map(|c| {
                let is_there =
                    c.is_ascii() || self.faces.iter().any(|face| face.glyph_index(c).is_some());
                if is_there { c } else { SUBSTITUTE }
            })
            .collect()
    }
}

/// The glyphs of a broken line, in the order in which they are drawn.
fn gathered(line: &parley::layout::Line<'_, ()>, text: &str, style: Style) -> Line {
    let whole = line.text_range();
    let words = text.get(whole.clone()).unwrap_or_default();
    let place = |byte: usize| u32::try_from(byte.saturating_sub(whole.start)).unwrap_or(u32::MAX);
    let mut glyphs: Vec<Glyph> = Vec::new();
    for run in line.runs() {
        for cluster in run.visual_clusters() {
            let range = cluster.text_range();
            if cluster.is_ligature_continuation() {
                if let Some(glyph) = glyphs.last_mut() {
                    glyph.text.end = place(range.end);
                }
                continue;
            }
            for glyph in cluster.glyphs() {
                glyphs.push(Glyph {
                    id: u16::try_from(glyph.id).unwrap_or(0),
                    advance: glyph.advance / style.size,
                    offset: (glyph.x / style.size, glyph.y / style.size),
                    text: place(range.start)..place(range.end),
                });
            }
        }
    }
    // A space at the end of a broken line has no ink; a line break has no glyph of its own.
    while glyphs.last().is_some_and(|glyph| {
        words
            .get(glyph.text.start as usize..glyph.text.end as usize)
            .is_some_and(|letters| letters.trim().is_empty())
    }) {
        glyphs.pop();
    }
    let width = glyphs
        .iter()
        .map(|glyph| glyph.advance * style.size)
        .sum::<f32>();
    Line {
        text: words.trim_end().into(),
        style,
        glyphs: glyphs.into(),
        width,
    }
}

#[cfg(test)]
mod tests {
    use super::{Colour, Style, Typesetter};

    const STYLE: Style = Style::new(10.0, Colour(0, 0, 0));

    #[test]
    fn a_width_is_the_sum_of_the_advances() {
        let mut typesetter = Typesetter::new().unwrap();
        // DejaVu Sans: every digit advances 1303 of 2048 units; f32 sums of four.
        let line = typesetter.line("0123", STYLE);
        assert!(
            (line.width - 4.0 * 13030.0 / 2048.0).abs() < 1e-3,
            "{line:?}"
        );
    }

    #[test]
    fn no_line_is_wider_than_its_room_and_no_word_is_lost() {
        let mut typesetter = Typesetter::new().unwrap();
        let text = "chamber by the old weighbridge Überlandleitungszwischenverteilerschrank";
        let lines = typesetter.lines(text, STYLE, 90.0);
        assert!(lines.len() > 3);
        assert!(lines.iter().all(|line| line.width <= 90.0), "{lines:?}");
        let letters = |text: &str| {
            text.chars()
                .filter(|c| !c.is_whitespace())
                .collect::<String>()
        };
        let joined: String = lines.iter().map(|line| letters(&line.text)).collect();
        assert_eq!(joined, letters(text));
    }

    #[test]
    fn a_name_that_does_not_fit_ends_with_an_ellipsis() {
        let mut typesetter = Typesetter::new().unwrap();
        let line = typesetter.fitted("chamber by the old weighbridge", STYLE, 80.0);
        assert!(line.text.ends_with('…') && line.width <= 80.0, "{line:?}");
        assert_eq!(&*typesetter.fitted("017", STYLE, 80.0).text, "017");
        let line = typesetter.fitted_in_middle("chamber by the old weighbridge 17", STYLE, 80.0);
        let is_told_apart = line.text.starts_with('c') && line.text.ends_with("17");
        assert!(is_told_apart && line.width <= 80.0, "{line:?}");
    }

    #[test]
    fn greek_and_cyrillic_are_drawn_and_what_the_face_lacks_is_named() {
        let mut typesetter = Typesetter::new().unwrap();
        assert_eq!(
            &*typesetter.line("Ωρωπός – Жуковка", STYLE).text,
            "Ωρωπός – Жуковка"
        );
        assert!(typesetter.missing().is_empty());
        let line = typesetter.line("駅前 3\u{7}", STYLE);
        assert_eq!(&*line.text, "□□ 3");
        assert!(line.glyphs.iter().all(|glyph| glyph.id != 0));
        let missing: String = typesetter.missing().iter().collect();
        assert_eq!(missing, "前駅");
    }
}
