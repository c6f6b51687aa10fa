//! Draws in pixels of the finished picture onto an SVG of four times the size.
//!
//! The backend's coordinates are whole numbers; drawing at four times the size
//! and stating the true size in the root element gives quarter pixels.

use plotters::coord::Shift;
use plotters::element::{DashedPathElement, PathElement, Polygon, Rectangle, Text};
use plotters::prelude::{DrawingArea, IntoFont, RGBColor, SVGBackend, ShapeStyle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, FontTransform, TextStyle};

use super::PlotError;
use super::phrases::Phrases;
use super::text::{FAMILY, Weight};

/// Units of the drawing in one pixel of the picture.
pub(super) const UNITS: f64 = 4.0;

/// What the backend divides a font's size by when it writes it.
const FONT_FACTOR: f64 = 1.24;

/// Colours that stay apart for colour-blind readers and, by lightness or line
/// style, in black and white.
///
/// # Source
/// Okabe and Ito, *Color Universal Design* (2008).
pub(super) mod colour {
    use plotters::prelude::RGBColor;

    /// The trace taken from A.
    pub(crate) const A: RGBColor = RGBColor(0, 90, 160);
    /// The trace taken from B.
    pub(crate) const B: RGBColor = RGBColor(213, 94, 0);
    /// Two-way values and text.
    pub(crate) const INK: RGBColor = RGBColor(0, 0, 0);
    /// Second-rank text.
    pub(crate) const SOFT: RGBColor = RGBColor(75, 75, 75);
    /// Lines that only guide the eye.
    pub(crate) const GUIDE: RGBColor = RGBColor(190, 190, 190);
    /// What is lost in noise.
    pub(crate) const NOISE: RGBColor = RGBColor(170, 170, 170);
    /// Ground of cords and of the range below zero.
    pub(crate) const GROUND: RGBColor = RGBColor(240, 240, 240);
    /// Ground of the emphasised joint.
    pub(crate) const EMPHASIS: RGBColor = RGBColor(255, 238, 170);
    /// Paper.
    pub(crate) const PAPER: RGBColor = RGBColor(255, 255, 255);
}

/// Which point of a text stands at the place given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text is written.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pen {
    pub(super) size: f64,
    pub(super) weight: Weight,
    pub(super) colour: RGBColor,
    pub(super) anchor: Anchor,
}

impl Pen {
    pub(super) const fn new(size: f64, anchor: Anchor) -> Self {
        Self {
            size,
            weight: Weight::Regular,
            colour: colour::INK,
            anchor,
        }
    }

    pub(super) const fn bold(mut self) -> Self {
        self.weight = Weight::Bold;
        self
    }

    pub(super) const fn coloured(mut self, colour: RGBColor) -> Self {
        self.colour = colour;
        self
    }

    /// The style that the drawing library wants, at the drawing's scale.
    pub(super) fn style(&self) -> TextStyle<'static> {
        let style = match self.weight {
            Weight::Regular => FontStyle::Normal,
            Weight::Bold => FontStyle::Bold,
        };
        let h_pos = match self.anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        TextStyle {
            font: (FAMILY, self.size * UNITS * FONT_FACTOR, style).into_font(),
            color: self.colour.to_backend_color(),
            pos: Pos::new(h_pos, VPos::Center),
        }
    }
}

/// The picture being drawn, and the words to write on it.
pub(super) struct Canvas<'a> {
    pub(super) area: DrawingArea<SVGBackend<'a>, Shift>,
    pub(super) words: &'a Phrases,
}

impl Canvas<'_> {
    /// Writes one line of text, centred on `y`.
    pub(super) fn text(&self, text: &str, x: f64, y: f64, pen: Pen) -> Result<(), PlotError> {
        if text.is_empty() {
            return Ok(());
        }
        let element = Text::new(text.to_owned(), point((x, y)), pen.style());
        self.area.draw(&element).map_err(PlotError::drawing)
    }

    /// Writes text that reads upwards, its middle at `x`, `y`.
    pub(super) fn text_upwards(
        &self,
        text: &str,
        x: f64,
        y: f64,
        pen: Pen,
    ) -> Result<(), PlotError> {
        if text.is_empty() {
            return Ok(());
        }
        let style = pen.style().transform(FontTransform::Rotate270);
        let element = Text::new(text.to_owned(), point((x, y)), style);
        self.area.draw(&element).map_err(PlotError::drawing)
    }

    /// Draws a line through points.
    pub(super) fn line(
        &self,
        points: &[(f64, f64)],
        width: f64,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        let points: Vec<(i32, i32)> = points.iter().copied().map(point).collect();
        let element = PathElement::new(points, stroke(width, colour));
        self.area.draw(&element).map_err(PlotError::drawing)
    }

    /// Draws a dashed line through points.
    pub(super) fn dashed(
        &self,
        points: &[(f64, f64)],
        width: f64,
        colour: RGBColor,
        dash: (f64, f64),
    ) -> Result<(), PlotError> {
        let points: Vec<(i32, i32)> = points.iter().copied().map(point).collect();
        let element = DashedPathElement::new(
            points,
            whole(dash.0 * UNITS),
            whole(dash.1 * UNITS),
            stroke(width, colour),
        );
        self.area.draw(&element).map_err(PlotError::drawing)
    }

    /// Fills a rectangle given by two corners.
    pub(super) fn fill(
        &self,
        one: (f64, f64),
        other: (f64, f64),
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        let element = Rectangle::new([point(one), point(other)], colour.filled());
        self.area.draw(&element).map_err(PlotError::drawing)
    }

    /// Outlines a rectangle given by two corners.
    ///
    /// As a path, because the backend draws a rectangle's outline as a hairline.
    pub(super) fn frame(
        &self,
        one: (f64, f64),
        other: (f64, f64),
        width: f64,
        colour: RGBColor,
    ) -> Result<(), PlotError> {
        let corners = [
            one,
            (other.0, one.1),
            other,
            (one.0, other.1),
            one,
            (other.0, one.1),
        ];
        self.line(&corners, width, colour)
    }

    /// Draws a closed shape, filled and outlined.
    pub(super) fn shape(
        &self,
        corners: &[(f64, f64)],
        filling: RGBColor,
        width: f64,
        outline: RGBColor,
    ) -> Result<(), PlotError> {
        let mut points: Vec<(i32, i32)> = corners.iter().copied().map(point).collect();
        let element = Polygon::new(points.clone(), filling.filled());
        self.area.draw(&element).map_err(PlotError::drawing)?;
        points.extend(points.first().copied());
        let element = PathElement::new(points, stroke(width, outline));
        self.area.draw(&element).map_err(PlotError::drawing)
    }
}

fn stroke(width: f64, colour: RGBColor) -> ShapeStyle {
    colour.stroke_width(whole(width * UNITS))
}

fn point(px: (f64, f64)) -> (i32, i32) {
    (units(px.0), units(px.1))
}

/// A pixel of the picture in units of the drawing.
#[expect(
    clippy::cast_possible_truncation,
    reason = "clamped to a size no picture has"
)]
pub(super) fn units(px: f64) -> i32 {
    (px * UNITS).round().clamp(-1e6, 1e6) as i32
}

/// A length in units of the drawing.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a size no picture has"
)]
pub(super) fn whole(units: f64) -> u32 {
    units.round().clamp(0.0, 1e6) as u32
}
