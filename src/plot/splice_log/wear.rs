//! Measured loss against a count of wear, with each machine's line.

use super::{marks, ticks};
use crate::cable::splice_log::{LoggedSplice, Part, SpliceLog};
use crate::plot::PlotError;
use crate::plot::canvas::{Anchor, Canvas, Pen, colour};
use crate::plot::figure::{LevelAxis, Panel, SMALL, TEXT, axes};
use crate::plot::phrases::Phrase;
use crate::plot::pixels::Span;
use crate::plot::text::Fonts;
use crate::report::number::signed;

/// Adjusted probability below which a line is drawn thick; only the drawing changes.
const THICK_BELOW: f64 = 0.05;

pub(super) fn draw(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    log: &SpliceLog,
    part: Part,
    machines: &[String],
    panel: &Panel,
) -> Result<(), PlotError> {
    let count_of = |splice: &LoggedSplice| match part {
        Part::Electrodes => splice.arcs,
        Part::Blade => splice.cleaves,
    };
    let points: Vec<(usize, f64, f64)> = (log.splices.iter())
        .filter_map(|splice| {
            let name = splice.machine.as_ref()?;
            let machine = machines.iter().position(|it| it == name)?;
            Some((machine, count_of(splice)?, splice.loss.db()))
        })
        .collect();
    let name = canvas.words.of(match part {
        Part::Electrodes => Phrase::LogArcs,
        Part::Blade => Phrase::LogCleaves,
    });
    let middle = f64::midpoint(panel.left, panel.right);
    if points.is_empty() {
        let pen = Pen::new(TEXT, Anchor::Middle).coloured(colour::SOFT);
        let text = canvas.words.filled(Phrase::LogNone, &[("count", name)]);
        return canvas.text(&text, middle, f64::midpoint(panel.top, panel.bottom), pen);
    }
    let bounds = |value: fn(&(usize, f64, f64)) -> f64| {
        let all = || points.iter().map(value);
        (
            all().fold(f64::INFINITY, f64::min),
            all().fold(0.0, f64::max),
        )
    };
    let (first, last) = bounds(|point| point.1);
    let (low, high) = bounds(|point| point.2);
    let pad = 0.02 * (last - first).max(1.0);
    let x = Span {
        from: first - pad,
        to: last + pad,
        from_px: panel.left,
        to_px: panel.right,
    };
    let axis = LevelAxis {
        from: low.min(0.0),
        to: 1.05 * high.max(0.01),
        names: [Phrase::LogLossAxis, Phrase::LossAxisShort].map(|name| canvas.words.of(name)),
        ticks: 7,
    };
    axes(canvas, fonts, panel, &axis, None)?;
    let y = axis.span(panel);
    let pen = Pen::new(SMALL, Anchor::Middle);
    canvas.line(
        &[(panel.left, panel.bottom), (panel.right, panel.bottom)],
        1.0,
        colour::SOFT,
    )?;
    for tick in ticks(x.from, x.to, 6) {
        let at = x.px(tick);
        canvas.line(
            &[(at, panel.bottom), (at, panel.bottom + 4.0)],
            1.0,
            colour::SOFT,
        )?;
        canvas.text(&signed(tick, 0), at, panel.bottom + 14.0, pen)?;
    }
    canvas.text(name, middle, panel.bottom + 34.0, pen)?;
    for (machine, count, loss_db) in &points {
        marks::mark(canvas, *machine, (x.px(*count), y.px(*loss_db)))?;
    }
    for trend in log.trends.iter().filter(|trend| trend.part == part) {
        let Some(machine) = machines.iter().position(|it| *it == trend.machine) else {
            continue;
        };
        let line = trend.line.test;
        let end = |count: f64| {
            let db = line.intercept + line.slope * count;
            (x.px(count), y.px_inside(db))
        };
        let width = if trend.line.p_adjusted < THICK_BELOW {
            3.0
        } else {
            1.2
        };
        let ends = [end(trend.counts.0), end(trend.counts.1)];
        marks::line(canvas, machine, &ends, width)?;
    }
    Ok(())
}
