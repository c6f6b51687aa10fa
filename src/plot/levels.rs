//! The panels of levels along the fibre, and the strips that say what is hidden.

use plotters::prelude::RGBColor;

use super::PlotError;
use super::canvas::{Anchor, Canvas, Pen, colour};
use super::figure::{FibreAxis, LevelAxis, Panel, RIGHT_PX, ROW_NAME_PX, SMALL, axes};
use super::phrases::Phrase;
use super::pixels::{PixelColumn, Span, pixel_columns, polylines};
use super::place::side_by_side;
use super::text::{Fonts, Weight};

/// Space above and below the strips, for the ticks of the panels beside them.
pub(super) const STRIP_MARGIN_PX: f64 = 7.0;
/// Height of one strip.
pub(super) const STRIP_PX: f64 = 17.0;
/// Levels that differ by less than this in one pixel column are drawn as their mean.
const MERGE_PX: f64 = 1.6;
/// Share of the levels left outside the range at either end: peaks and dips of noise.
const OUTSIDE: f64 = 0.015;

/// Fewest samples whose median stands for a level.
const FEWEST_LEVELS: usize = 8;

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stroke {
    /// The trace taken from A: thin and solid.
    FromA,
    /// The trace taken from B: dashed.
    FromB,
    /// A two-way profile: thick and black.
    TwoWay,
}

impl Stroke {
    fn draw(
        self,
        canvas: &Canvas<'_>,
        points: &[(f64, f64)],
        colour: Option<RGBColor>,
    ) -> Result<(), PlotError> {
        match self {
            Self::FromA => canvas.line(points, 1.5, colour.unwrap_or(colour::A)),
            Self::FromB => canvas.dashed(points, 1.75, colour.unwrap_or(colour::B), (8.0, 4.0)),
            Self::TwoWay => canvas.line(points, 2.5, colour.unwrap_or(colour::INK)),
        }
    }

    /// A trace keeps its peaks; a profile has none and is drawn as its mean.
    const fn merge_px(self) -> f64 {
        match self {
            Self::FromA | Self::FromB => MERGE_PX,
            Self::TwoWay => f64::INFINITY,
        }
    }

    fn ink(self) -> RGBColor {
        match self {
            Self::FromA => colour::A,
            Self::FromB => colour::B,
            Self::TwoWay => colour::INK,
        }
    }
}

/// One line of levels.
#[derive(Debug, Clone)]
pub(super) struct Line {
    pub(super) stroke: Stroke,
    /// Name, in one or two lines.
    pub(super) name: Vec<String>,
    /// Places in metres, ascending.
    pub(super) x_m: Vec<f64>,
    /// Levels, NaN where there is none.
    pub(super) y_db: Vec<f64>,
    /// Stretch in which the level stands clear of the noise.
    pub(super) usable_m: (f64, f64),
}

impl Line {
    /// The line moved so that the level at the beginning of its usable stretch
    /// within `link_m` is zero. `from_far_end` begins at the other end;
    /// `clear_db` holds the levels outside dead zones.
    pub(super) fn moved_to_own_start(
        mut self,
        clear_db: &[f64],
        link_m: (f64, f64),
        from_far_end: bool,
    ) -> Self {
        if let Some(start_db) = self.start_db(clear_db, link_m, from_far_end) {
            for level in &mut self.y_db {
                *level -= start_db;
            }
        }
        self
    }

    /// Median of the first levels: of the first fiftieth of the stretch, or of
    /// more of it where that is hidden.
    fn start_db(&self, clear_db: &[f64], link_m: (f64, f64), from_far_end: bool) -> Option<f64> {
        let from = self.usable_m.0.max(link_m.0);
        let to = self.usable_m.1.min(link_m.1);
        [0.02, 0.05, 0.1, 0.2, 0.5, 1.0]
            .into_iter()
            .find_map(|share| {
                let window = (to - from) * share;
                let within = if from_far_end {
                    to - window..=to
                } else {
                    from..=from + window
                };
                let mut levels: Vec<f64> = self
                    .x_m
                    .iter()
                    .zip(clear_db)
                    .filter(|&(x, y)| within.contains(x) && y.is_finite())
                    .map(|(_, &y)| y)
                    .collect();
                levels.sort_by(f64::total_cmp);
                let middle = levels.get(levels.len() / 2).copied()?;
                (levels.len() >= FEWEST_LEVELS).then_some(middle)
            })
    }

    /// Least and greatest level of the usable stretch, without its outermost shares.
    pub(super) fn range(&self, axis: &FibreAxis) -> Option<(f64, f64)> {
        let mut means: Vec<f64> = self
            .columns(axis, self.usable_m)
            .iter()
            .flatten()
            .map(|column| column.mean)
            .collect();
        means.sort_by(f64::total_cmp);
        let last = means.len().checked_sub(1)?;
        let outside = share_of(last, OUTSIDE);
        Some((means[outside], means[last - outside]))
    }

    fn columns(&self, axis: &FibreAxis, within_m: (f64, f64)) -> Vec<Option<PixelColumn>> {
        let y: Vec<f64> = self
            .x_m
            .iter()
            .zip(&self.y_db)
            .map(|(x, &y)| {
                if (within_m.0..=within_m.1).contains(x) {
                    y
                } else {
                    f64::NAN
                }
            })
            .collect();
        pixel_columns(&self.x_m, &y, &axis.span)
    }

    fn draw(&self, canvas: &Canvas<'_>, axis: &FibreAxis, y: &Span) -> Result<(), PlotError> {
        let everything = (f64::NEG_INFINITY, f64::INFINITY);
        let parts = [
            ((everything.0, self.usable_m.0), Some(colour::NOISE)),
            ((self.usable_m.1, everything.1), Some(colour::NOISE)),
            (self.usable_m, None),
        ];
        for (within_m, ink) in parts {
            if ink.is_some() && self.stroke == Stroke::TwoWay {
                // Half the sum or difference of noise is no profile.
                continue;
            }
            let columns = self.columns(axis, within_m);
            for points in polylines(&columns, &axis.span, y, self.stroke.merge_px()) {
                if points.len() > 1 {
                    self.stroke.draw(canvas, &points, ink)?;
                }
            }
        }
        Ok(())
    }

    /// Height of the last level near the right edge, where the name stands.
    fn end_px(&self, axis: &FibreAxis, y: &Span) -> Option<f64> {
        let columns = self.columns(axis, self.usable_m);
        let mut last: Vec<f64> = columns
            .iter()
            .rev()
            .flatten()
            .take(30)
            .map(|column| column.mean)
            .collect();
        last.sort_by(f64::total_cmp);
        last.get(last.len() / 2).map(|&level| y.px_inside(level))
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of a small count"
)]
fn share_of(count: usize, share: f64) -> usize {
    (count as f64 * share) as usize
}

/// What an event looks like where its place runs through the panels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub(super) at_m: f64,
    /// End of a group.
    pub(super) end_m: Option<f64>,
    pub(super) is_emphasised: bool,
    /// An echo is no place of the fibre.
    pub(super) is_echo: bool,
}

/// What lies outside the link.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cord {
    pub(super) from_m: f64,
    pub(super) to_m: f64,
    pub(super) name: Phrase,
    /// Height of its name, as a share of the panel from the top.
    pub(super) name_at: f64,
}

/// Writes the names of cords that are wide enough, over whatever runs through them.
pub(super) fn cord_names(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    panel: &Panel,
    cords: &[Cord],
) -> Result<(), PlotError> {
    for cord in cords {
        let from = axis.span.px_inside(cord.from_m);
        let to = axis.span.px_inside(cord.to_m);
        let name = canvas.words.of(cord.name);
        let half = fonts.width(name, SMALL, Weight::Regular) / 2.0 + 4.0;
        if to - from < SMALL + 6.0 || panel.bottom - panel.top < 2.0 * half {
            continue;
        }
        let x = f64::midpoint(from, to);
        let y = (panel.top + cord.name_at * (panel.bottom - panel.top))
            .clamp(panel.top + half, panel.bottom - half);
        canvas.fill((x - 8.0, y - half), (x + 8.0, y + half), colour::GROUND)?;
        let pen = Pen::new(SMALL, Anchor::Middle).coloured(colour::SOFT);
        canvas.text_upwards(name, x, y, pen)?;
    }
    Ok(())
}

/// Shades cords and draws the events' lines; goes under everything else.
pub(super) fn ground(
    canvas: &Canvas<'_>,
    axis: &FibreAxis,
    panel: &Panel,
    cords: &[Cord],
    places: &[Place],
) -> Result<(), PlotError> {
    for cord in cords {
        let (from, to) = (
            axis.span.px_inside(cord.from_m),
            axis.span.px_inside(cord.to_m),
        );
        if to - from < 1.0 {
            continue;
        }
        canvas.fill((from, panel.top), (to, panel.bottom), colour::GROUND)?;
    }
    for place in places {
        let x = axis.span.px_inside(place.at_m);
        if let Some(end_m) = place.end_m {
            let end = axis.span.px_inside(end_m);
            canvas.fill(
                (x, panel.top),
                (end.max(x + 1.0), panel.bottom),
                colour::GUIDE,
            )?;
        }
        let line = [(x, panel.top), (x, panel.bottom)];
        if place.is_echo {
            canvas.dashed(&line, 1.0, colour::GUIDE, (2.0, 4.0))?;
        } else if place.is_emphasised {
            canvas.line(&line, 2.0, colour::INK)?;
        } else {
            canvas.line(&line, 1.0, colour::GUIDE)?;
        }
    }
    Ok(())
}

/// Draws lines in a panel, with their names at the right edge.
pub(super) fn lines(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    panel: &Panel,
    level: &LevelAxis<'_>,
    lines: &[Line],
) -> Result<(), PlotError> {
    let y = level.span(panel);
    for line in lines {
        line.draw(canvas, axis, &y)?;
    }
    canvas.frame(
        (panel.left, panel.top),
        (panel.right, panel.bottom),
        1.0,
        colour::SOFT,
    )?;
    let mut named: Vec<(f64, &Line)> = lines
        .iter()
        .map(|line| (line.end_px(axis, &y).unwrap_or(panel.bottom), line))
        .collect();
    named.sort_by(|one, other| one.0.total_cmp(&other.0));
    let rows = named
        .iter()
        .map(|(_, line)| line.name.len())
        .max()
        .unwrap_or(1);
    let wanted: Vec<f64> = named.iter().map(|&(end, _)| end).collect();
    let height = 15.0 * rows as f64 + 4.0;
    for ((_, line), centre) in named.iter().zip(side_by_side(
        &wanted,
        height,
        panel.top - 6.0,
        panel.bottom + 6.0,
    )) {
        let x = panel.right + 8.0;
        let pen = Pen::new(SMALL, Anchor::Start).coloured(line.stroke.ink());
        let first = centre - 15.0 * (line.name.len() as f64 - 1.0) / 2.0;
        line.stroke
            .draw(canvas, &[(x, first), (x + 24.0, first)], None)?;
        for (row, text) in line.name.iter().enumerate() {
            let (x, room) = if row == 0 {
                (x + 29.0, RIGHT_PX - 40.0)
            } else {
                (x, RIGHT_PX - 12.0)
            };
            let text = fonts.fitted(text, SMALL, Weight::Regular, room);
            canvas.text(&text, x, first + 15.0 * row as f64, pen)?;
        }
    }
    Ok(())
}

/// A level axis that holds all ranges, with room for peaks above.
pub(super) fn level_axis<'a>(
    ranges: &[(f64, f64)],
    peaks: f64,
    names: [&'a str; 2],
    ticks: usize,
) -> LevelAxis<'a> {
    let low = ranges
        .iter()
        .map(|range| range.0)
        .fold(f64::INFINITY, f64::min);
    let high = ranges
        .iter()
        .map(|range| range.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let (low, high) = if low <= high {
        (low, high)
    } else {
        (-1.0, 0.0)
    };
    let height = (high - low).max(0.1);
    LevelAxis {
        from: low - 0.06 * height,
        to: high + (0.06 + peaks) * height,
        names,
        ticks,
    }
}

/// A strip below the traces: what one end cannot see, or the sections' coefficients.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Strip {
    pub(super) name: Phrase,
    pub(super) marks: Vec<StripMark>,
}

/// One stretch on a strip.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StripMark {
    pub(super) from_m: f64,
    pub(super) to_m: f64,
    pub(super) look: Look,
    /// Written inside if it fits.
    pub(super) text: String,
}

/// How a stretch is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// Words only.
    Plain,
    /// A dead zone seen from A: filled.
    DeadFromA,
    /// A dead zone seen from B: open.
    DeadFromB,
    /// Lost in noise: grey.
    Noise,
}

/// Draws strips from `top` downwards.
pub(super) fn strips(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    top: f64,
    strips: &[Strip],
) -> Result<(), PlotError> {
    for (row, strip) in strips.iter().enumerate() {
        let y = top + STRIP_PX * row as f64;
        let (up, down) = (y + 3.0, y + STRIP_PX - 3.0);
        let name = Pen::new(SMALL, Anchor::End).coloured(colour::SOFT);
        let text = canvas.words.of(strip.name);
        let text = fonts.fitted(text, SMALL, Weight::Regular, ROW_NAME_PX);
        canvas.text(&text, axis.span.from_px - 10.0, y + STRIP_PX / 2.0, name)?;
        for mark in &strip.marks {
            let from = axis.span.px_inside(mark.from_m);
            // A dead zone of a few metres must show on an axis of many kilometres.
            let to = axis.span.px_inside(mark.to_m).max(from + 1.5);
            match mark.look {
                Look::Plain => {}
                Look::DeadFromA => canvas.fill((from, up), (to, down), colour::A)?,
                Look::DeadFromB if to - from < 4.0 => {
                    canvas.fill((from, up), (to, down), colour::B)?;
                }
                Look::DeadFromB => canvas.frame((from, up), (to, down), 1.5, colour::B)?,
                Look::Noise => canvas.fill((from, up), (to, down), colour::GUIDE)?,
            }
            let width = fonts.width(&mark.text, SMALL, Weight::Regular);
            if width + 6.0 <= to - from {
                let pen = Pen::new(SMALL, Anchor::Middle);
                canvas.text(&mark.text, f64::midpoint(from, to), y + STRIP_PX / 2.0, pen)?;
            }
        }
    }
    Ok(())
}

/// An empty panel says why it is empty.
pub(super) fn nothing(canvas: &Canvas<'_>, panel: &Panel, text: &str) -> Result<(), PlotError> {
    canvas.text(
        text,
        f64::midpoint(panel.left, panel.right),
        f64::midpoint(panel.top, panel.bottom),
        Pen::new(SMALL + 2.0, Anchor::Middle).coloured(colour::SOFT),
    )
}

/// Draws the frame and axis of a panel and then its lines.
pub(super) fn panel_of_lines(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    panel: &Panel,
    level: &LevelAxis<'_>,
    shown: &[Line],
    is_lowest: bool,
) -> Result<(), PlotError> {
    axes(canvas, fonts, panel, level, is_lowest.then_some(axis))?;
    lines(canvas, fonts, axis, panel, level, shown)
}

/// The fibre's axis below an area that has no scale of its own.
pub(super) fn fibre_axis(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    axis: &FibreAxis,
    panel: &Panel,
) -> Result<(), PlotError> {
    let level = LevelAxis {
        from: 0.0,
        to: 1.0,
        names: ["", ""],
        ticks: 0,
    };
    let axis = FibreAxis {
        is_named: false,
        ..*axis
    };
    axes(canvas, fonts, panel, &level, Some(&axis))?;
    let name = canvas
        .words
        .filled(Phrase::FibreAxisShort, &[("unit", axis.unit())]);
    let name = fonts.fitted(&name, SMALL, Weight::Regular, ROW_NAME_PX);
    let pen = Pen::new(SMALL, Anchor::End).coloured(colour::SOFT);
    canvas.text(&name, axis.span.from_px - 10.0, panel.bottom + 10.0, pen)
}
