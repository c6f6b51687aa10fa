//! Words above the columns that need them.

use super::{Columns, REMARK_ROWS, ROW_PX};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{Panel, RIGHT_PX, SMALL};
use crate::plot::place::{Lean, Rows};
use crate::plot::text::Fonts;

/// Wordings of a remark, from full to short.
const WORDINGS: usize = 3;

/// A remark and where it stands.
struct Remark<'a> {
    text: &'a str,
    pen: Pen,
    row: usize,
    centre: f64,
    column_x: f64,
}

impl Columns<'_> {
    pub(super) fn remarks(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        panel: &Panel,
        top: f64,
    ) -> Result<(), PlotError> {
        // The fullest wording at which all have room; the heading lists what is left out.
        let mut best: Vec<Remark<'_>> = Vec::new();
        let all = self
            .all
            .iter()
            .filter(|column| !column.remarks.is_empty())
            .count();
        let ways = (0..WORDINGS).flat_map(|wording| {
            Lean::ALL
                .into_iter()
                .flat_map(move |first| Lean::ALL.map(|others| (wording, [first, others])))
        });
        for (wording, leans) in ways {
            let placed = self.placed_remarks(fonts, panel, wording, leans);
            if placed.len() > best.len() {
                best = placed;
            }
            if best.len() == all {
                break;
            }
        }
        let end = top + ROW_PX * REMARK_ROWS as f64 + 2.0;
        for remark in best {
            let y = top + ROW_PX * (REMARK_ROWS - 1 - remark.row) as f64;
            canvas.text(remark.text, remark.centre, y + ROW_PX * 0.4, remark.pen)?;
            canvas.line(
                &[(remark.column_x, y + ROW_PX * 0.9), (remark.column_x, end)],
                1.0,
                colour::SOFT,
            )?;
        }
        Ok(())
    }

    /// The remarks that have room in a wording, the emphasised columns' first.
    fn placed_remarks(
        &self,
        fonts: &Fonts,
        panel: &Panel,
        wording: usize,
        [first, others]: [Lean; 2],
    ) -> Vec<Remark<'_>> {
        let mut rows = Rows::new(REMARK_ROWS);
        let mut order: Vec<usize> = (0..self.all.len()).collect();
        order.sort_by_key(|&index| !self.all[index].is_emphasised);
        order
            .into_iter()
            .filter_map(|index| {
                let column = &self.all[index];
                let wording = if column.is_emphasised { 0 } else { wording };
                let text = column.remarks.get(wording).or(column.remarks.last())?;
                let mut pen = Pen::new(SMALL, Anchor::Middle);
                if column.is_emphasised {
                    pen = pen.bold();
                }
                let width = fonts.width(text, SMALL, pen.weight);
                let column_x = self.centres[index];
                let sides = (panel.left - 60.0, panel.right + RIGHT_PX - 10.0);
                let lean = if column.is_emphasised { first } else { others };
                let (row, centre) = rows.place(column_x, width, lean, sides)?;
                Some(Remark {
                    text,
                    pen,
                    row,
                    centre,
                    column_x,
                })
            })
            .collect()
    }
}
