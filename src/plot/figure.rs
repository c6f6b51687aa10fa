//! The sheet: its panels, its axes, and the SVG text at its true size.

use plotters::chart::{ChartBuilder, LabelAreaPosition};
use plotters::prelude::{IntoDrawingArea, SVGBackend, TRANSPARENT};
use plotters::style::Color;

use super::canvas::{Anchor, Canvas, Pen, colour, units};
use super::compact::compact;
use super::phrases::Phrase;
use super::pixels::Span;
use super::text::{Fonts, Weight};
use super::{PlotError, PlotSettings};
use crate::report::number::signed;

/// Space for the labels of the vertical axes.
pub(super) const LEFT_PX: f64 = 112.0;
/// Space for the names of the lines.
pub(super) const RIGHT_PX: f64 = 172.0;
/// Space below the lowest panel for the ticks and the name of the axis.
const X_LABELS_PX: f64 = 46.0;
/// The same without the name.
pub(super) const X_TICKS_PX: f64 = 26.0;
/// Distance of a vertical axis' name from the axis.
const NAME_PX: f64 = 56.0;
/// From the outer end of an axis' labels to the middle of its name: what the ticks take, half
/// of the name's height, and a little.
const LABEL_GAP_PX: f64 = 17.0;
/// Room for the name of a row, left of the vertical axis.
pub(super) const ROW_NAME_PX: f64 = LEFT_PX - 14.0;
/// Size of the smallest text.
pub(super) const SMALL: f64 = 12.0;
/// Size of ordinary text.
pub(super) const TEXT: f64 = 13.0;

/// Spans longer than this are labelled in kilometres.
const KILOMETRES_FROM_M: f64 = 2000.0;

/// A panel's frame in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Panel {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
}

/// The common horizontal axis: metres of fibre, and how they are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FibreAxis {
    /// Metres to pixels.
    pub(super) span: Span,
    /// Metres in one unit of the labels.
    pub(super) unit_m: f64,
    /// Decimals of a place in that unit.
    pub(super) decimals: usize,
    /// Its name, which says where it begins.
    pub(super) name: Phrase,
    /// Whether the axis' name stands below it; else something else says it.
    pub(super) is_named: bool,
}

impl FibreAxis {
    /// An axis over the panels of a sheet of `width` pixels; an empty or
    /// undefined range becomes one metre.
    pub(super) fn new(from_m: f64, to_m: f64, width: f64) -> Self {
        let (from_m, to_m) = if to_m > from_m && from_m.is_finite() && to_m.is_finite() {
            (from_m, to_m)
        } else {
            (0.0, 1.0)
        };
        let is_long = to_m - from_m >= KILOMETRES_FROM_M;
        Self {
            span: Span {
                from: from_m,
                to: to_m,
                from_px: LEFT_PX,
                to_px: width - RIGHT_PX,
            },
            unit_m: if is_long { 1000.0 } else { 1.0 },
            decimals: if is_long { 3 } else { 1 },
            name: Phrase::FibreAxis,
            is_named: true,
        }
    }

    /// `km` or `m`.
    pub(super) fn unit(&self) -> &'static str {
        if self.unit_m > 1.0 { "km" } else { "m" }
    }

    /// The axis with places written shorter where many columns stand side by side.
    pub(super) fn with_room_for(mut self, columns: usize) -> Self {
        /// Room that a place to the metre takes.
        const WIDE_PX: f64 = 52.0;
        if columns as f64 * WIDE_PX > self.span.to_px - self.span.from_px {
            self.decimals = self.decimals.min(2);
        }
        self
    }

    /// A place as the labels write it: to the metre or the decimetre, to ten
    /// metres where there are many.
    pub(super) fn place(&self, position_m: f64) -> String {
        signed(position_m / self.unit_m, self.decimals)
    }

    pub(super) fn panel(&self, top: f64, bottom: f64) -> Panel {
        Panel {
            left: self.span.from_px,
            right: self.span.to_px,
            top,
            bottom,
        }
    }
}

/// Draws on a sheet of the size in `settings`, at least `least_height` high, and
/// returns the SVG text.
pub(super) fn sheet(
    settings: &PlotSettings,
    least_height: u32,
    draw: impl FnOnce(&Canvas<'_>) -> Result<(), PlotError>,
) -> Result<String, PlotError> {
    let (width, height) = (settings.width, settings.height);
    if width < PlotSettings::LEAST_WIDTH || height < least_height {
        return Err(PlotError::TooSmall {
            width,
            height,
            least_width: PlotSettings::LEAST_WIDTH,
            least_height,
        });
    }
    sheet_of(settings, draw)
}

/// The same for a picture that needs no room for panels.
pub(super) fn sheet_of(
    settings: &PlotSettings,
    draw: impl FnOnce(&Canvas<'_>) -> Result<(), PlotError>,
) -> Result<String, PlotError> {
    let (width, height) = (settings.width, settings.height);
    if width > PlotSettings::MOST || height > PlotSettings::MOST {
        return Err(PlotError::Size {
            width,
            height,
            most: PlotSettings::MOST,
        });
    }
    let (wide, high) = (width * 4, height * 4);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (wide, high)).into_drawing_area();
        area.fill(&colour::PAPER).map_err(PlotError::drawing)?;
        let canvas = Canvas {
            area,
            words: &settings.words,
        };
        draw(&canvas)?;
        canvas.area.present().map_err(PlotError::drawing)?;
    }
    Ok(compact(&svg.replacen(
        &format!("<svg width=\"{wide}\" height=\"{high}\""),
        &format!("<svg width=\"{width}\" height=\"{height}\" stroke-linejoin=\"round\""),
        1,
    )))
}

/// A vertical axis: range, name, and how many ticks it should about have.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LevelAxis<'a> {
    pub(super) from: f64,
    pub(super) to: f64,
    /// Its name, and a shorter one for a low panel.
    pub(super) names: [&'a str; 2],
    pub(super) ticks: usize,
}

impl LevelAxis<'_> {
    pub(super) fn span(&self, panel: &Panel) -> Span {
        Span {
            from: self.from,
            to: self.to,
            from_px: panel.bottom,
            to_px: panel.top,
        }
    }
}

/// Draws a panel's vertical axis with light rules, and the fibre's axis below it if given.
pub(super) fn axes(
    canvas: &Canvas<'_>,
    fonts: &Fonts,
    panel: &Panel,
    level: &LevelAxis<'_>,
    fibre: Option<&FibreAxis>,
) -> Result<(), PlotError> {
    let below = fibre.map_or(0.0, |axis| {
        if axis.is_named {
            X_LABELS_PX
        } else {
            X_TICKS_PX
        }
    });
    let width = panel.right - panel.left + LEFT_PX;
    let height = panel.bottom - panel.top + below;
    let area = canvas.area.clone().shrink(
        (units(panel.left - LEFT_PX), units(panel.top)),
        (units(width), units(height)),
    );
    let (from, to) = fibre.map_or((0.0, 1.0), |axis| {
        (axis.span.from / axis.unit_m, axis.span.to / axis.unit_m)
    });
    let mut chart = ChartBuilder::on(&area)
        .set_label_area_size(LabelAreaPosition::Left, units(LEFT_PX))
        .set_label_area_size(LabelAreaPosition::Bottom, units(below))
        .build_cartesian_2d(from..to, level.from..level.to)
        .map_err(PlotError::drawing)?;
    let name = fibre
        .filter(|axis| axis.is_named)
        .map(|axis| canvas.words.filled(axis.name, &[("unit", axis.unit())]));
    let tick = |value: &f64| tick_label(*value);
    let pen = Pen::new(SMALL, Anchor::Middle);
    let mut mesh = chart.configure_mesh();
    mesh.disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(colour::GROUND.stroke_width(4))
        .axis_style(colour::SOFT.stroke_width(4))
        .label_style(pen.style())
        .axis_desc_style(pen.style())
        .y_labels(level.ticks.min(fitting(panel.bottom - panel.top, 20.0)))
        .y_label_formatter(&tick)
        .x_labels(fitting(panel.right - panel.left, 80.0))
        .x_label_formatter(&tick);
    if level.ticks == 0 {
        mesh.disable_y_axis().disable_y_mesh();
    }
    if let Some(name) = &name {
        mesh.x_desc(name);
    }
    if fibre.is_none() {
        mesh.disable_x_axis();
    }
    mesh.draw().map_err(PlotError::drawing)?;
    let height = panel.bottom - panel.top;
    let name = level
        .names
        .into_iter()
        .find(|name| fonts.width(name, SMALL, Weight::Regular) <= height)
        .unwrap_or_default();
    // Levels far from zero on a narrow range have the longest labels.
    let step = (level.to - level.from) / level.ticks.max(1) as f64;
    let decimals = (-step.log10()).ceil().clamp(0.0, 3.0) as usize;
    let widest = [level.from, level.to]
        .map(|end| fonts.width(&signed(end, decimals), SMALL, Weight::Regular))
        .into_iter()
        .fold(0.0, f64::max);
    canvas.text_upwards(
        name,
        panel.left - NAME_PX.max(widest + LABEL_GAP_PX),
        f64::midpoint(panel.top, panel.bottom),
        pen,
    )
}

/// How many labels that each want `each_px` fit; two at least, so that a scale can be read.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a positive count of a few dozen"
)]
fn fitting(room_px: f64, each_px: f64) -> usize {
    (room_px / each_px).max(2.0) as usize
}

/// Up to three decimals, none of them an idle zero.
fn tick_label(value: f64) -> String {
    let text = signed(value, 3);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}
