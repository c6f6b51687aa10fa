//! Marks that tell machines apart without colour, and their key.

use crate::cable::splice_log::{GroupBy, SpliceLog};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{RIGHT_PX, SMALL, TEXT};
use crate::plot::phrases::Phrase;
use crate::plot::text::{Fonts, Weight};
use crate::report::plain_text;

/// Machines that get a mark of their own; more cannot be told apart.
pub(super) const MOST: usize = 4;

/// Half the size of a mark.
const HALF_PX: f64 = 4.5;

/// Corners of a mark as shares of its half size, and whether it is filled.
type Shape = (&'static [(f64, f64)], bool);

const SHAPES: [Shape; MOST] = [
    (&[(-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)], true),
    (&[(0.0, -1.2), (1.1, 0.8), (-1.1, 0.8)], false),
    (&[(0.0, -1.2), (1.2, 0.0), (0.0, 1.2), (-1.2, 0.0)], true),
    (&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)], false),
];

/// Dashes of the lines: none for the first.
const DASHES: [Option<(f64, f64)>; MOST] =
    [None, Some((9.0, 5.0)), Some((3.0, 3.0)), Some((14.0, 4.0))];

/// The machines with most splices, at most [`MOST`], by name.
pub(super) fn machines(log: &SpliceLog) -> Vec<String> {
    let mut all: Vec<(usize, &str)> = (log.groups.iter())
        .filter(|group| group.by == GroupBy::Machine)
        .map(|group| (group.splices, group.name.as_str()))
        .collect();
    all.sort_by(|one, other| other.0.cmp(&one.0).then(one.1.cmp(other.1)));
    let mut names: Vec<String> = (all.into_iter().take(MOST))
        .map(|(_, name)| name.to_owned())
        .collect();
    names.sort();
    names
}

/// Draws the mark of a machine.
pub(super) fn mark(canvas: &Canvas<'_>, machine: usize, at: (f64, f64)) -> Result<(), PlotError> {
    let Some((corners, filled)) = SHAPES.get(machine) else {
        return Ok(());
    };
    let corners: Vec<(f64, f64)> = corners
        .iter()
        .map(|(x, y)| (at.0 + x * HALF_PX, at.1 + y * HALF_PX))
        .collect();
    let filling = if *filled { colour::SOFT } else { colour::PAPER };
    canvas.shape(&corners, filling, 1.2, colour::INK)
}

/// Draws a line in the manner of a machine.
pub(super) fn line(
    canvas: &Canvas<'_>,
    machine: usize,
    points: &[(f64, f64)],
    width: f64,
) -> Result<(), PlotError> {
    match DASHES.get(machine).copied().flatten() {
        Some(dash) => canvas.dashed(points, width, colour::INK, dash),
        None => canvas.line(points, width, colour::INK),
    }
}

/// Names of the machines with mark and line, below each other.
pub(super) fn key(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    machines: &[String],
    (x, top): (f64, f64),
) -> Result<(), PlotError> {
    let room = RIGHT_PX - 70.0;
    let pen = Pen::new(TEXT, Anchor::Start);
    let head = fonts.fitted(
        canvas.words.of(Phrase::LogMachine),
        TEXT,
        Weight::Bold,
        room,
    );
    canvas.text(&head, x, top + 8.0, pen.bold())?;
    for (idx, name) in machines.iter().enumerate() {
        let y = top + 30.0 + 22.0 * idx as f64;
        line(canvas, idx, &[(x, y), (x + 34.0, y)], 1.6)?;
        mark(canvas, idx, (x + 17.0, y))?;
        let name = fonts.fitted(&plain_text(name), TEXT, Weight::Regular, room);
        canvas.text(&name, x + 42.0, y, pen)?;
    }
    let y = top + 30.0 + 22.0 * machines.len() as f64;
    let small = Pen::new(SMALL, Anchor::Start).coloured(colour::SOFT);
    let room = RIGHT_PX - 30.0;
    let note = fonts.wrapped(canvas.words.of(Phrase::LogThick), SMALL, (room, room), 3);
    for (row, line) in note.iter().enumerate() {
        canvas.text(line, x, y + 10.0 + 16.0 * row as f64, small)?;
    }
    Ok(())
}
