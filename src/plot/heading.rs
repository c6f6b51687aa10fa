//! What stands above and below the panels.

use super::PlotError;
use super::canvas::{Anchor, Canvas, Pen, colour};
use super::figure::{LEFT_PX, SMALL};
use super::text::{Fonts, Weight};

/// Distance of the text from the sheet's edges.
const MARGIN_PX: f64 = 24.0;

/// Size of the line with the ends.
const IDENTITY_PX: f64 = 14.0;
/// Stands between two parts of a line.
pub(super) const SEPARATOR: &str = "  ·  ";

/// Lines of the heading, most important first.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Heading {
    /// Which link.
    pub(super) title: String,
    /// The ends, of which as much is written as the rest of their line leaves.
    pub(super) ends: Vec<String>,
    /// Length, totals.
    pub(super) identity: String,
    /// What the figure shows, in one sentence.
    pub(super) message: String,
    /// What else it shows.
    pub(super) detail: String,
    /// A word at the right edge, such as a verdict.
    pub(super) verdict: Option<String>,
    /// Settings and program, at the foot.
    pub(super) foot: String,
}

/// Bottom of the heading.
pub(super) const HEADING_PX: f64 = 112.0;
/// Height of the foot.
pub(super) const FOOT_PX: f64 = 28.0;

impl Heading {
    pub(super) fn draw(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        width: f64,
        height: f64,
    ) -> Result<(), PlotError> {
        let room = width - 2.0 * MARGIN_PX;
        let mut title_room = room;
        if let Some(verdict) = &self.verdict {
            let size = 20.0;
            let word_px = fonts.width(verdict, size, Weight::Bold);
            let right = width - MARGIN_PX;
            canvas.text(
                verdict,
                right - 10.0,
                26.0,
                Pen::new(size, Anchor::End).bold(),
            )?;
            canvas.frame(
                (right - word_px - 20.0, 10.0),
                (right, 42.0),
                2.0,
                colour::INK,
            )?;
            title_room -= word_px + 40.0;
        }
        let line = |text: &str, y: f64, room: f64, pen: Pen| {
            let text = fonts.fitted(text, pen.size, pen.weight, room);
            canvas.text(&text, MARGIN_PX, y, pen)
        };
        line(
            &self.title,
            26.0,
            title_room,
            Pen::new(22.0, Anchor::Start).bold(),
        )?;
        line(
            &self.ends_and_identity(fonts, title_room),
            52.0,
            title_room,
            Pen::new(IDENTITY_PX, Anchor::Start).coloured(colour::SOFT),
        )?;
        line(
            &self.message,
            77.0,
            room,
            Pen::new(16.0, Anchor::Start).bold(),
        )?;
        line(&self.detail, 98.0, room, Pen::new(14.0, Anchor::Start))?;
        line(
            &self.foot,
            height - FOOT_PX / 2.0,
            room - LEFT_PX / 2.0,
            Pen::new(SMALL, Anchor::Start).coloured(colour::SOFT),
        )
    }

    /// The ends' names, each cut to its share of what the rest leaves, and the rest.
    fn ends_and_identity(&self, fonts: &Fonts, room: f64) -> String {
        let width = |text: &str| fonts.width(text, IDENTITY_PX, Weight::Regular);
        let between = width(SEPARATOR);
        let mut left = room - width(&self.identity);
        let mut order: Vec<usize> = (0..self.ends.len()).collect();
        order.sort_by(|&one, &other| width(&self.ends[one]).total_cmp(&width(&self.ends[other])));
        let mut parts = vec![String::new(); self.ends.len()];
        // The shortest first: what it does not need is the others'.
        for (done, &index) in order.iter().enumerate() {
            let share = left / (order.len() - done) as f64 - between;
            let end = fonts.fitted(&self.ends[index], IDENTITY_PX, Weight::Regular, share);
            left -= width(&end) + between;
            parts[index] = end;
        }
        parts.push(self.identity.clone());
        parts.retain(|part| !part.is_empty());
        parts.join(SEPARATOR)
    }
}
