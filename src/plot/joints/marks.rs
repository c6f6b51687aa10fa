//! Bars, triangles and diamonds, the line they are held against, and their key.

use super::{Column, Columns, Wording};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{Panel, RIGHT_PX, SMALL, TEXT};
use crate::plot::phrases::Phrase;
use crate::plot::pixels::Span;
use crate::plot::text::{Fonts, Weight};
use crate::report::number::signed;

/// Most lines of the note on gains, which ends where the range below zero has its middle.
const GAIN_LINES: usize = 2;
/// Most lines of a note beside the columns.
const NOTE_LINES: usize = 3;
/// Space of a mark in the key.
const MARK_PX: f64 = 14.0;
/// Space between two entries of the key.
const ENTRY_GAP_PX: f64 = 34.0;

impl Columns<'_> {
    /// The line that a reader may know, or each joint's own limit.
    pub(super) fn reference(
        &self,
        canvas: &Canvas<'_>,
        fonts: &Fonts,
        panel: &Panel,
        y: &Span,
        reference_db: f64,
        wording: Wording<'_>,
    ) -> Result<(), PlotError> {
        let limits: Vec<(usize, f64)> = self
            .all
            .iter()
            .enumerate()
            .filter_map(|(index, column)| Some((index, column.limit?)))
            .collect();
        let x = panel.right + 8.0;
        let pen = Pen::new(SMALL, Anchor::Start).coloured(colour::SOFT);
        let gain_y = f64::midpoint(y.px(0.0), panel.bottom).min(panel.bottom - 8.0);
        // A brief figure has no room for two notes.
        let lowest_y = if wording.is_brief {
            panel.bottom + 8.0
        } else {
            gain_y
        };
        // Lines of a note, the first near `line_y`, the last clear of the note on gains.
        let room = RIGHT_PX - 12.0;
        let note = |text: &str, line_y: f64| -> Result<(), PlotError> {
            let lines = fonts.wrapped(text, SMALL, (room, room), NOTE_LINES);
            let last_row = lines.len().saturating_sub(1) as f64;
            let first = line_y
                .min(lowest_y - 16.0 - 15.0 * last_row)
                .max(panel.top + 8.0);
            for (row, text) in lines.iter().enumerate() {
                canvas.text(text, x, first + 15.0 * row as f64, pen)?;
            }
            Ok(())
        };
        if limits.is_empty() {
            let line_y = y.px(reference_db);
            canvas.dashed(
                &[(panel.left, line_y), (panel.right, line_y)],
                1.2,
                colour::SOFT,
                (9.0, 5.0),
            )?;
            let loss = signed(reference_db, 2);
            let text = canvas.words.filled(Phrase::Reference, &[("loss", &loss)]);
            note(&text, line_y - 15.0)?;
        } else {
            for &(index, limit_db) in &limits {
                let half = self.half_room(index).min(24.0);
                let centre = self.centres[index];
                canvas.dashed(
                    &[
                        (centre - half, y.px(limit_db)),
                        (centre + half, y.px(limit_db)),
                    ],
                    2.0,
                    colour::INK,
                    (5.0, 3.0),
                )?;
            }
            note(canvas.words.of(Phrase::ShortDashes), panel.top + 8.0)?;
        }
        if wording.is_brief {
            return Ok(());
        }
        let text = canvas.words.of(Phrase::ReadsAsGain);
        let lines = fonts.wrapped(text, SMALL, (room, room), GAIN_LINES);
        for (row, text) in lines.iter().rev().enumerate() {
            canvas.text(text, x, gain_y - 15.0 * row as f64, pen)?;
        }
        Ok(())
    }

    pub(super) fn marks(
        &self,
        canvas: &Canvas<'_>,
        index: usize,
        column: &Column,
        y: &Span,
        wording: Wording<'_>,
    ) -> Result<(), PlotError> {
        let centre = self.centres[index];
        let aside = (self.half_room(index) * 0.55).clamp(2.0, 14.0);
        let (a_x, b_x) = if wording.is_two_way {
            (centre - aside, centre + aside)
        } else {
            (centre, centre)
        };
        if let Some((loss_db, _)) = column.two_way {
            let half = (aside * 0.45).clamp(1.0, 5.0);
            canvas.fill(
                (centre - half, y.px(loss_db.max(0.0))),
                (centre + half, y.px(loss_db.min(0.0))),
                if column.is_emphasised {
                    colour::INK
                } else {
                    colour::NOISE
                },
            )?;
        }
        if let (Some(a), Some(b)) = (column.from_a, column.from_b) {
            canvas.line(&[(a_x, y.px(a)), (b_x, y.px(b))], 1.0, colour::SOFT)?;
        }
        let size = (aside * 0.6).clamp(2.5, 6.0);
        if let Some(reading) = column.from_a {
            triangle_from_a(canvas, a_x, y.px(reading), size)?;
        }
        if let Some(reading) = column.from_b {
            triangle_from_b(canvas, b_x, y.px(reading), size)?;
        }
        if let Some((loss_db, error_db)) = column.two_way {
            if let Some(error_db) = error_db {
                let (up, down) = (
                    y.px_inside(loss_db + error_db),
                    y.px_inside(loss_db - error_db),
                );
                canvas.line(&[(centre, up), (centre, down)], 1.5, colour::INK)?;
                for end in [up, down] {
                    canvas.line(
                        &[(centre - 4.0, end), (centre + 4.0, end)],
                        1.2,
                        colour::INK,
                    )?;
                }
            }
            diamond(canvas, centre, y.px(loss_db), size * 0.8)?;
        }
        Ok(())
    }
}

/// Explains the marks, on one line.
pub(super) fn key(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    (left, right): (f64, f64),
    y: f64,
    wording: Wording<'_>,
    notes: &str,
) -> Result<(), PlotError> {
    type Mark = fn(&Canvas<'_>, f64, f64, f64) -> Result<(), PlotError>;
    // Each mark with a full and a short explanation.
    let of = |phrase| canvas.words.of(phrase);
    let entries: &[(Mark, [&str; 2])] = if wording.is_two_way {
        &[
            (
                triangle_from_a,
                [of(Phrase::KeyFromA), of(Phrase::KeyFromAShort)],
            ),
            (diamond, [of(Phrase::KeyTwoWay), of(Phrase::KeyTwoWayShort)]),
            (
                triangle_from_b,
                [of(Phrase::KeyFromB), of(Phrase::KeyFromBShort)],
            ),
        ]
    } else {
        &[(
            triangle_from_a,
            [of(Phrase::OneWayKey), of(Phrase::OneWayKeyShort)],
        )]
    };
    let entry_px = |text: &str| MARK_PX + fonts.width(text, TEXT, Weight::Regular) + ENTRY_GAP_PX;
    let full_px: f64 = entries.iter().map(|(_, texts)| entry_px(texts[0])).sum();
    let room = right - left - entry_px(notes);
    let wording = usize::from(full_px > room);
    let pen = Pen::new(TEXT, Anchor::Start);
    let mut x = left + 8.0;
    for (mark, texts) in entries {
        mark(canvas, x, y, 6.0)?;
        let room = right - x - MARK_PX;
        let text = fonts.fitted(texts[wording], TEXT, Weight::Regular, room);
        canvas.text(&text, x + MARK_PX, y, pen)?;
        x += entry_px(&text);
    }
    let notes = fonts.fitted(notes, TEXT, Weight::Regular, right - x);
    canvas.text(&notes, x - 8.0, y, pen)
}

/// Points the way the light of A's trace goes; filled.
fn triangle_from_a(canvas: &Canvas<'_>, x: f64, y: f64, size: f64) -> Result<(), PlotError> {
    canvas.shape(
        &[(x - size, y - size), (x + size, y), (x - size, y + size)],
        colour::A,
        1.0,
        colour::A,
    )
}

/// Points the way the light of B's trace goes; open.
fn triangle_from_b(canvas: &Canvas<'_>, x: f64, y: f64, size: f64) -> Result<(), PlotError> {
    canvas.shape(
        &[(x + size, y - size), (x - size, y), (x + size, y + size)],
        colour::PAPER,
        1.6,
        colour::B,
    )
}

fn diamond(canvas: &Canvas<'_>, x: f64, y: f64, size: f64) -> Result<(), PlotError> {
    canvas.shape(
        &[(x, y - size), (x + size, y), (x, y + size), (x - size, y)],
        colour::INK,
        1.0,
        colour::INK,
    )
}
