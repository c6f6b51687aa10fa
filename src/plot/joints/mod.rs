//! The columns: two-way loss of each joint with what each end read.
//!
//! A column stands above its place on the fibre where there is room and is
//! moved aside where there is none; a thin line leads from its number down to
//! the place. The reading from A stands to the left, the one from B to the
//! right, and the line between them passes through the two-way loss, which is
//! their mean: two readings that cancel are seen to cancel.

mod labels;
mod marks;
mod remarks;

use self::labels::LabelRows;
use self::marks::key;
use super::PlotError;
use super::canvas::{Canvas, colour};
use super::figure::{FibreAxis, LevelAxis, Panel, RIGHT_PX, SMALL, TEXT, axes};
use super::phrases::Phrase;
use super::place::side_by_side;
use super::text::{Fonts, Weight};

/// Rows for remarks above the columns.
const REMARK_ROWS: usize = 3;
/// Height of a row of text.
const ROW_PX: f64 = 18.0;
/// Height of the fan of lines from the columns to their places, and in a brief figure.
const FAN_PX: [f64; 2] = [30.0, 18.0];
/// Least distance of two columns that still shows both readings apart.
const LEAST_COLUMN_PX: f64 = 12.0;
/// Free space between the labels of two columns.
const GAP_PX: f64 = 8.0;

/// Stands for a value that was not measured.
pub(in crate::plot) const MISSING: &str = "—";

/// One joint or event, ready to be drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::plot) struct Column {
    /// Its number in the table.
    pub(in crate::plot) number: usize,
    /// Its place on the fibre's axis, if it has one.
    pub(in crate::plot) at_m: Option<f64>,
    /// What it is.
    pub(in crate::plot) kind: String,
    /// Its name, shown instead of the kind where enough of it fits.
    pub(in crate::plot) name: Option<String>,
    /// Its place in words.
    pub(in crate::plot) place: String,
    /// The number to write: the two-way loss, or `—`.
    pub(in crate::plot) value: String,
    /// Two-way loss and its standard error.
    pub(in crate::plot) two_way: Option<(f64, Option<f64>)>,
    /// Reading from A.
    pub(in crate::plot) from_a: Option<f64>,
    /// Reading from B.
    pub(in crate::plot) from_b: Option<f64>,
    /// Limit applied.
    pub(in crate::plot) limit: Option<f64>,
    /// Verdict in a word, if judged.
    pub(in crate::plot) verdict: Option<String>,
    /// What to say about it, from the fullest wording to the shortest; empty for nothing.
    pub(in crate::plot) remarks: Vec<String>,
    /// Whether it is the one to look at.
    pub(in crate::plot) is_emphasised: bool,
}

/// Words that differ between a link and a single trace.
#[derive(Debug, Clone, Copy)]
pub(in crate::plot) struct Wording<'w> {
    /// Name of the vertical axis.
    pub(in crate::plot) axis: [&'w str; 2],
    /// Heading of the row of numbers.
    pub(in crate::plot) values: &'w str,
    /// Whether there are readings from both ends.
    pub(in crate::plot) is_two_way: bool,
    /// Whether kinds, places, verdicts and remarks are left to a table beside the figure.
    pub(in crate::plot) is_brief: bool,
}

impl Wording<'_> {
    const fn fan_px(self) -> f64 {
        FAN_PX[self.is_brief as usize]
    }
}

/// Where the columns stand.
pub(in crate::plot) struct Columns<'a> {
    pub(in crate::plot) all: &'a [Column],
    pub(in crate::plot) centres: Vec<f64>,
    /// Whether the columns stand closer than their labels are wide.
    is_crowded: bool,
}

impl<'a> Columns<'a> {
    /// Places the columns along the axis; those without a place go to the right end.
    pub(in crate::plot) fn new(columns: &'a [Column], axis: &FibreAxis, fonts: &Fonts) -> Self {
        let wanted: Vec<f64> = columns
            .iter()
            .map(|column| {
                column
                    .at_m
                    .map_or(axis.span.to_px, |at_m| axis.span.px_inside(at_m))
            })
            .collect();
        let room = axis.span.to_px - axis.span.from_px;
        let widest = columns
            .iter()
            .map(|column| label_width(column, fonts))
            .fold(LEAST_COLUMN_PX, f64::max);
        let width = widest.min(room / columns.len().max(1) as f64);
        let mut ordered: Vec<usize> = (0..columns.len()).collect();
        ordered.sort_by(|&one, &other| wanted[one].total_cmp(&wanted[other]));
        let sorted: Vec<f64> = ordered.iter().map(|&index| wanted[index]).collect();
        let placed = side_by_side(&sorted, width, axis.span.from_px, axis.span.to_px);
        let mut centres = vec![0.0; columns.len()];
        for (&index, centre) in ordered.iter().zip(placed) {
            centres[index] = centre;
        }
        Self {
            all: columns,
            centres,
            is_crowded: widest > width + GAP_PX,
        }
    }

    /// Half the distance to the nearer neighbour.
    fn half_room(&self, index: usize) -> f64 {
        self.centres
            .iter()
            .enumerate()
            .filter(|&(other, _)| other != index)
            .map(|(_, centre)| (centre - self.centres[index]).abs() / 2.0)
            .fold(60.0, f64::min)
    }

    /// Draws everything between `top` and `bottom`, the lines to the places included.
    pub(in crate::plot) fn draw(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        axis: &FibreAxis,
        (top, bottom): (f64, f64),
        wording: Wording<'_>,
        reference_db: f64,
    ) -> Result<(), PlotError> {
        let has_verdicts =
            !wording.is_brief && self.all.iter().any(|column| column.verdict.is_some());
        let (head_rows, foot_rows) = if wording.is_brief {
            (1.5, 1.0)
        } else {
            (REMARK_ROWS as f64 + 2.2, 3.0)
        };
        let foot_rows = foot_rows + if has_verdicts { 1.0 } else { 0.0 };
        let fan_px = wording.fan_px();
        let values_y = top + ROW_PX * head_rows;
        let panel = axis.panel(
            values_y + ROW_PX * 0.85,
            bottom - fan_px - ROW_PX * foot_rows - 13.0,
        );
        let (low, high) = self.range(reference_db);
        let level = LevelAxis {
            from: low,
            to: high,
            names: wording.axis,
            ticks: if wording.is_brief { 4 } else { 7 },
        };
        let y = level.span(&panel);
        canvas.fill(
            (panel.left, y.px(0.0)),
            (panel.right, panel.bottom),
            colour::GROUND,
        )?;
        self.emphasis(canvas, &panel, values_y)?;
        axes(canvas, fonts, &panel, &level, None)?;
        self.reference(canvas, fonts, &panel, &y, reference_db, wording)?;
        for (index, column) in self.all.iter().enumerate() {
            self.marks(canvas, index, column, &y, wording)?;
        }
        canvas.line(
            &[(panel.left, y.px(0.0)), (panel.right, y.px(0.0))],
            1.0,
            colour::INK,
        )?;
        let mut notes = Vec::new();
        if self.all.iter().any(|column| column.value == MISSING) {
            notes.push(format!(
                "{MISSING}  {}",
                canvas.words.of(Phrase::NotMeasured)
            ));
        }
        if self.is_crowded {
            notes.push(canvas.words.of(Phrase::NumbersLeftOut).to_owned());
        }
        let sides = (panel.left, panel.right + RIGHT_PX);
        key(
            canvas,
            fonts,
            sides,
            top + ROW_PX * 0.5,
            wording,
            &notes.join(";  "),
        )?;
        if !wording.is_brief {
            self.remarks(canvas, fonts, &panel, top + ROW_PX * 1.4)?;
        }
        let rows = LabelRows {
            values_y,
            first_y: panel.bottom + ROW_PX * 0.9,
            has_verdicts,
            is_brief: wording.is_brief,
        };
        self.labels(canvas, fonts, axis, rows, wording)?;
        self.fan(canvas, axis, bottom, fan_px)
    }

    /// Range of the vertical axis, zero and the reference always inside.
    fn range(&self, reference_db: f64) -> (f64, f64) {
        let values = || {
            self.all.iter().flat_map(|column| {
                [
                    column.two_way.map(|(value, _)| value),
                    column.from_a,
                    column.from_b,
                    column.limit,
                ]
                .into_iter()
                .flatten()
            })
        };
        let high = values().fold(reference_db.max(0.05), f64::max);
        let low = values().fold(0.0, f64::min);
        let pad = 0.07 * (high - low);
        (low - pad.max(0.02), high + pad)
    }

    fn emphasis(&self, canvas: &Canvas<'_>, panel: &Panel, top: f64) -> Result<(), PlotError> {
        for (index, column) in self.all.iter().enumerate() {
            if column.is_emphasised {
                let half = self.half_room(index).min(26.0);
                let centre = self.centres[index];
                canvas.fill(
                    (centre - half, top - ROW_PX * 0.5),
                    (centre + half, panel.bottom),
                    colour::EMPHASIS,
                )?;
            }
        }
        Ok(())
    }

    /// Lines from the numbers to the places on the fibre.
    fn fan(
        &self,
        canvas: &Canvas<'_>,
        axis: &FibreAxis,
        bottom: f64,
        fan_px: f64,
    ) -> Result<(), PlotError> {
        for (column, &centre) in self.all.iter().zip(&self.centres) {
            let Some(at_m) = column.at_m else { continue };
            let x = axis.span.px_inside(at_m);
            let (width, ink) = if column.is_emphasised {
                (2.0, colour::INK)
            } else {
                (1.0, colour::SOFT)
            };
            canvas.line(
                &[
                    (centre, bottom - fan_px + 2.0),
                    (x, bottom - 4.0),
                    (x, bottom),
                ],
                width,
                ink,
            )?;
        }
        Ok(())
    }
}

/// Room that a column's narrow labels want.
fn label_width(column: &Column, fonts: &Fonts) -> f64 {
    let weight = if column.is_emphasised {
        Weight::Bold
    } else {
        Weight::Regular
    };
    let value = fonts.width(&column.value, TEXT, weight);
    let place = fonts.width(&column.place, SMALL, weight);
    value.max(place) + GAP_PX
}
