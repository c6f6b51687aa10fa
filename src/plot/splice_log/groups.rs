//! Measured less estimated loss of every group.

use crate::cable::splice_log::{Group, GroupBy, SpliceLog};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{LevelAxis, Panel, RIGHT_PX, SMALL, TEXT, axes};
use crate::plot::phrases::Phrase;
use crate::plot::text::{Fonts, Weight};
use crate::report::number::signed;
use crate::report::plain_text;

/// Space between groups of different kinds, in columns.
const GAP: f64 = 0.6;
/// Narrowest column that still has its labels below.
const LEAST_PX: f64 = 26.0;

pub(super) fn draw(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    log: &SpliceLog,
    panel: &Panel,
) -> Result<(), PlotError> {
    let words = canvas.words;
    let values = || log.groups.iter().filter_map(ends);
    let low = values().map(|ends| ends.0).fold(-0.01, f64::min);
    let high = values().map(|ends| ends.1).fold(0.01, f64::max);
    let pad = 0.1 * (high - low);
    let axis = LevelAxis {
        from: low - pad,
        to: high + pad,
        names: [words.of(Phrase::LogAxis), words.of(Phrase::LogAxisShort)],
        ticks: 6,
    };
    axes(canvas, fonts, panel, &axis, None)?;
    let y = axis.span(panel);
    let zero = y.px(0.0);
    canvas.line(&[(panel.left, zero), (panel.right, zero)], 1.0, colour::INK)?;
    let soft = Pen::new(SMALL, Anchor::Start).coloured(colour::SOFT);
    let x = panel.right + 8.0;
    let room = RIGHT_PX - 12.0;
    let note = fonts.wrapped(words.of(Phrase::LogAboveZero), SMALL, (room, room), 3);
    for (row, line) in note.iter().rev().enumerate() {
        canvas.text(line, x, zero - 7.0 - 15.0 * row as f64, soft)?;
    }

    let mut at = 0.0;
    let mut before = None;
    let mut columns = Vec::new();
    for group in &log.groups {
        if before.is_some_and(|by| by != group.by) {
            at += GAP;
        }
        columns.push((at + 0.5, group));
        at += 1.0;
        before = Some(group.by);
    }
    let column_px = (panel.right - panel.left) / at.max(1.0);
    for (centre, group) in &columns {
        let x = panel.left + centre * column_px;
        column(canvas, group, x, &y)?;
        if column_px >= LEAST_PX {
            labels(canvas, fonts, group, x, panel.bottom, column_px - 6.0)?;
        }
    }
    kinds(canvas, fonts, &columns, panel, column_px)?;
    if column_px < LEAST_PX {
        let note = words.of(Phrase::LogNamesLeftOut);
        canvas.text(note, panel.left, panel.bottom + 14.0, soft)?;
    }
    Ok(())
}

/// Mean less and plus two standard errors.
fn ends(group: &Group) -> Option<(f64, f64)> {
    let test = group.bias.as_ref()?.test;
    Some((
        test.mean - 2.0 * test.std_error,
        test.mean + 2.0 * test.std_error,
    ))
}

fn column(
    canvas: &Canvas<'_>,
    group: &Group,
    x: f64,
    y: &crate::plot::pixels::Span,
) -> Result<(), PlotError> {
    let Some((low, high)) = ends(group) else {
        let pen = Pen::new(TEXT, Anchor::Middle).coloured(colour::SOFT);
        return canvas.text("—", x, y.px(0.0) - 12.0, pen);
    };
    let (low, high) = (y.px(low), y.px(high));
    canvas.line(&[(x, low), (x, high)], 1.6, colour::INK)?;
    for end in [low, high] {
        canvas.line(&[(x - 5.0, end), (x + 5.0, end)], 1.6, colour::INK)?;
    }
    let middle = f64::midpoint(low, high);
    let corners = [
        (x - 4.0, middle - 4.0),
        (x + 4.0, middle - 4.0),
        (x + 4.0, middle + 4.0),
        (x - 4.0, middle + 4.0),
    ];
    canvas.shape(&corners, colour::SOFT, 1.2, colour::INK)
}

fn labels(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    group: &Group,
    x: f64,
    bottom: f64,
    room: f64,
) -> Result<(), PlotError> {
    let name = match group.by {
        GroupBy::All => canvas.words.of(Phrase::LogAll).to_owned(),
        GroupBy::Day if fonts.width(&group.name, SMALL, Weight::Regular) > room => {
            // The year is the same for most and stands in the table.
            group.name.chars().skip(5).collect()
        }
        _ => plain_text(&group.name),
    };
    let pen = Pen::new(SMALL, Anchor::Middle);
    let name = fonts.fitted(&name, SMALL, Weight::Regular, room);
    canvas.text(&name, x, bottom + 13.0, pen)?;
    let count = format!("n {}", group.splices);
    let count = fonts.fitted(&count, SMALL, Weight::Regular, room);
    canvas.text(&count, x, bottom + 29.0, pen.coloured(colour::SOFT))?;
    let mean = (group.bias.as_ref()).map_or("—".to_owned(), |it| signed(it.test.mean, 3));
    if fonts.width(&mean, SMALL, Weight::Regular) <= room {
        canvas.text(&mean, x, bottom + 45.0, pen)?;
    }
    Ok(())
}

/// What each row of columns has in common, above it.
fn kinds(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    columns: &[(f64, &Group)],
    panel: &Panel,
    column_px: f64,
) -> Result<(), PlotError> {
    for (by, phrase) in [
        (GroupBy::Machine, Phrase::LogByMachine),
        (GroupBy::Operator, Phrase::LogByOperator),
        (GroupBy::Day, Phrase::LogByDay),
    ] {
        let centres: Vec<f64> = (columns.iter())
            .filter(|(_, group)| group.by == by)
            .map(|(centre, _)| *centre)
            .collect();
        let (Some(first), Some(last)) = (centres.first(), centres.last()) else {
            continue;
        };
        let middle = panel.left + f64::midpoint(*first, *last) * column_px;
        let room = (last - first + 1.4) * column_px;
        let word = canvas.words.of(phrase);
        let word = fonts.fitted(word, SMALL, Weight::Bold, room.min(RIGHT_PX));
        let pen = Pen::new(SMALL, Anchor::Middle).bold();
        canvas.text(&word, middle, panel.top - 10.0, pen)?;
    }
    Ok(())
}
