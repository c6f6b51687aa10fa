//! Rows of labels above and below the columns.

use super::{Columns, ROW_PX, Wording};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{FibreAxis, ROW_NAME_PX, SMALL, TEXT};
use crate::plot::phrases::Phrase;
use crate::plot::place::Taken;
use crate::plot::text::{Fonts, Weight};

/// Fewest characters of a name that still tell it from another.
const SHORTEST_CUT: usize = 9;

impl Columns<'_> {
    pub(super) fn labels(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        axis: &FibreAxis,
        rows: LabelRows,
        wording: Wording<'_>,
    ) -> Result<(), PlotError> {
        let left = axis.span.from_px - 10.0;
        let name = Pen::new(SMALL, Anchor::End).coloured(colour::SOFT);
        let place_y = rows.first_y + ROW_PX * 0.9;
        let number_y = rows.number_y();
        let verdict_y = rows.verdict_y();
        let words = canvas.words;
        let at = words.filled(Phrase::RowPlace, &[("unit", axis.unit())]);
        let mut named_rows = vec![(wording.values, rows.values_y)];
        if !rows.is_brief {
            named_rows.push((words.of(Phrase::RowKind), rows.first_y));
            named_rows.push((&*at, place_y));
        }
        named_rows.push((words.of(Phrase::RowNumber), number_y));
        if rows.has_verdicts {
            named_rows.push((words.of(Phrase::RowVerdict), verdict_y));
        }
        let mut widest = 0.0_f64;
        for (text, y) in named_rows {
            let text = fonts.fitted(text, SMALL, Weight::Regular, ROW_NAME_PX);
            canvas.text(&text, left, y, name)?;
            widest = widest.max(fonts.width(&text, SMALL, Weight::Regular));
        }
        let edge = left + 4.0;
        let mut taken = [
            Taken::default(),
            Taken::default(),
            Taken::default(),
            Taken::default(),
            Taken::default(),
        ];
        for line in &mut taken {
            line.take(left - widest, edge);
        }
        let mut order: Vec<usize> = (0..self.all.len()).collect();
        order.sort_by(|&one, &other| {
            let rank = |index: usize| {
                let column = &self.all[index];
                let loss = column.two_way.map_or(f64::NEG_INFINITY, |(loss, _)| loss);
                (!column.is_emphasised, column.remarks.is_empty(), -loss)
            };
            let (one, other) = (rank(one), rank(other));
            one.0
                .cmp(&other.0)
                .then(one.1.cmp(&other.1))
                .then(one.2.total_cmp(&other.2))
        });
        for index in order {
            let column = &self.all[index];
            let mut pen = Pen::new(TEXT, Anchor::Middle);
            if column.is_emphasised {
                pen = pen.bold();
            }
            let small = Pen { size: SMALL, ..pen };
            let room = 2.0 * self.half_room(index) - 4.0;
            let fitted = |text: &str| fonts.fitted(text, SMALL, small.weight, room);
            // A name cut to its first letters says less than the kind.
            let name = column
                .name
                .as_deref()
                .map(fitted)
                .filter(|name| !name.ends_with('…') || name.chars().count() > SHORTEST_CUT);
            let kind = name.unwrap_or_else(|| fitted(&column.kind));
            let kind = if kind.chars().count() < 3 {
                String::new()
            } else {
                kind
            };
            let mut put = |row: usize, text: &str, y: f64, pen: Pen| -> Result<(), PlotError> {
                let half = fonts.width(text, pen.size, pen.weight) / 2.0 + 2.0;
                let x = self.centres[index].max(edge + half);
                if taken[row].take(x - half, x + half) {
                    canvas.text(text, x, y, pen)?;
                }
                Ok(())
            };
            put(0, &column.value, rows.values_y, pen)?;
            if !rows.is_brief {
                put(1, &kind, rows.first_y, small)?;
                put(2, &column.place, place_y, small)?;
            }
            if let Some(verdict) = column.verdict.as_deref().filter(|_| rows.has_verdicts) {
                put(3, verdict, verdict_y, small)?;
            }
            self.badge(canvas, fonts, index, number_y, &mut taken[4])?;
        }
        Ok(())
    }

    /// The number in a box: filled for the emphasised joint.
    fn badge(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        index: usize,
        y: f64,
        taken: &mut Taken,
    ) -> Result<(), PlotError> {
        let column = &self.all[index];
        let text = column.number.to_string();
        let half = fonts.width(&text, TEXT, Weight::Bold) / 2.0 + 5.0;
        let x = self.centres[index];
        if !taken.take(x - half, x + half) {
            return Ok(());
        }
        let (one, other) = ((x - half, y - 10.0), (x + half, y + 10.0));
        let (ground, ink) = if column.is_emphasised {
            (colour::INK, colour::PAPER)
        } else {
            (colour::PAPER, colour::INK)
        };
        canvas.fill(one, other, ground)?;
        canvas.frame(one, other, 1.0, colour::INK)?;
        canvas.text(
            &text,
            x,
            y,
            Pen::new(TEXT, Anchor::Middle).bold().coloured(ink),
        )
    }
}

/// Heights of the rows of labels.
#[derive(Debug, Clone, Copy)]
pub(super) struct LabelRows {
    pub(super) values_y: f64,
    pub(super) first_y: f64,
    pub(super) has_verdicts: bool,
    /// Whether kinds and places are left out.
    pub(super) is_brief: bool,
}

impl LabelRows {
    fn verdict_y(&self) -> f64 {
        self.first_y + ROW_PX * if self.is_brief { 0.0 } else { 1.8 }
    }

    fn number_y(&self) -> f64 {
        let above = if self.is_brief { 0.0 } else { 2.0 };
        let rows = above + if self.has_verdicts { 0.9 } else { 0.0 };
        self.first_y + ROW_PX * rows + 2.0
    }
}
