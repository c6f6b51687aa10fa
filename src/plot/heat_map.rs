//! A cable's matrix as a picture: fibres across, joints down, darker where more is lost.

use plotters::prelude::RGBColor;

use super::canvas::{Anchor, Canvas, Pen, colour};
use super::figure::{SMALL, TEXT, sheet_of};
use super::phrases::{Phrase, Phrases};
use super::text::{Fonts, Weight};
use super::{PlotError, PlotSettings};
use crate::cable::{CableResult, Cell, JointKind};
use crate::report::plain_text;
use crate::units::Loss;

/// Space for the joints' names.
const LEFT_PX: f64 = 190.0;
/// Space right of the cells.
const RIGHT_PX: f64 = 40.0;
/// Space above the cells: title and the names of tubes.
const TOP_PX: f64 = 112.0;
/// Space below the cells: fibres' names and the scale.
const BELOW_PX: f64 = 140.0;
/// Width that the cells fill, as far as their own bounds let them.
const CELLS_PX: f64 = 1330.0;
/// Narrowest and widest cell; 288 of the narrowest fit on a screen.
const CELL_PX: (f64, f64) = (4.5, 46.0);
/// Width from which a cell has its value written in it.
const VALUE_PX: f64 = 30.0;
/// Height of a cell.
const ROW_PX: f64 = 30.0;
/// Room for a word beside its mark below the cells.
const KEY_PX: f64 = 130.0;
/// Least distance of two fibres' names.
const NAME_PX: f64 = 15.0;

/// A heat map and its size.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeatMap {
    /// The drawing.
    pub svg: String,
    /// Its width in pixels.
    pub width: u32,
    /// Its height in pixels.
    pub height: u32,
}

/// Draws the two-way loss of every fibre at every joint at one wavelength, by its index.
///
/// Lightness alone carries the loss, so that it survives a grey printer: white is no
/// loss, black twice the loss above which a splice is bad. A cell above that has a
/// frame, a cell that was not measured a stroke through it.
///
/// # Errors
/// [`PlotError`] when the drawing cannot be made.
pub fn heat_map_svg(
    result: &CableResult,
    wavelength: usize,
    program: Option<&str>,
    words: &Phrases,
) -> Result<HeatMap, PlotError> {
    let fonts = Fonts::new()?;
    let fibres = result.fibres.len();
    let cell_px = (CELLS_PX / fibres.max(1) as f64).clamp(CELL_PX.0, CELL_PX.1);
    let wide = (LEFT_PX + cell_px * fibres as f64 + RIGHT_PX).max(900.0);
    let high = TOP_PX + ROW_PX * result.joints.len() as f64 + BELOW_PX;
    let map = Map {
        result,
        wavelength,
        fonts: &fonts,
        cell_px,
        bad_db: bad_db(result, wavelength),
    };
    let (width, height) = (wide.ceil() as u32, high.ceil() as u32);
    let settings = PlotSettings {
        width,
        height,
        words: words.clone(),
        ..PlotSettings::default()
    };
    let svg = sheet_of(&settings, |canvas| {
        map.heading(canvas, wide)?;
        map.cells(canvas)?;
        map.joints(canvas)?;
        map.fibres(canvas)?;
        map.scale(canvas, high, program)
    })?;
    Ok(HeatMap { svg, width, height })
}

/// Loss above which a splice is bad: the greatest limit that was applied, else the rule's.
fn bad_db(result: &CableResult, wavelength: usize) -> f64 {
    let limits = result
        .matrix
        .iter()
        .filter(|(_, j, w, _)| *w == wavelength && *j > 0 && j + 1 < result.joints.len())
        .filter_map(|(_, _, _, cell)| cell.limit.map(Loss::db));
    match limits.reduce(f64::max) {
        Some(limit) if limit > 0.0 => limit,
        _ => result.rules.bad_splice.db(),
    }
}

struct Map<'r> {
    result: &'r CableResult,
    wavelength: usize,
    fonts: &'r Fonts,
    cell_px: f64,
    bad_db: f64,
}

impl Map<'_> {
    fn left(&self, fibre: usize) -> f64 {
        LEFT_PX + self.cell_px * fibre as f64
    }

    fn bottom(&self) -> f64 {
        TOP_PX + ROW_PX * self.result.joints.len() as f64
    }

    fn heading(&self, canvas: &Canvas<'_>, width: f64) -> Result<(), PlotError> {
        let nm = self
            .result
            .wavelengths
            .get(self.wavelength)
            .map_or(f64::NAN, |w| w.nm());
        let words = canvas.words;
        let name = self.result.name.as_deref();
        let name = name.map_or_else(|| words.of(Phrase::MapNoName).to_owned(), plain_text);
        let values = [("cable", &*name), ("wavelength", &*nm.to_string())];
        let title = words.filled(Phrase::MapTitle, &values);
        let title = self.fonts.fitted(&title, 20.0, Weight::Bold, width - 48.0);
        canvas.text(&title, 24.0, 28.0, Pen::new(20.0, Anchor::Start).bold())?;
        let above = (self.result.matrix.iter())
            .filter(|(_, j, w, cell)| *w == self.wavelength && self.is_bad(*j, cell))
            .count();
        let missing = (self.result.matrix.iter())
            .filter(|(_, _, w, cell)| *w == self.wavelength && cell.loss.is_err())
            .count();
        let phrase = if self.has_limits() {
            Phrase::MapAboveLimits
        } else {
            Phrase::MapAboveSplices
        };
        let values = [
            ("count", &*above.to_string()),
            ("loss", &*self.bad_db.to_string()),
        ];
        let above = words.filled(phrase, &values);
        let values = [
            ("fibres", &*self.result.fibres.len().to_string()),
            ("joints", &*self.result.joints.len().to_string()),
            ("above", &*above),
            ("missing", &*missing.to_string()),
        ];
        let line = words.filled(Phrase::MapCounts, &values);
        let line = self
            .fonts
            .fitted(&line, TEXT, Weight::Regular, width - 48.0);
        canvas.text(
            &line,
            24.0,
            54.0,
            Pen::new(TEXT, Anchor::Start).coloured(colour::SOFT),
        )
    }

    /// Whether limits were asked for; else the rule's loss of bad splices counts.
    fn has_limits(&self) -> bool {
        self.result.rules.limits.is_some()
    }

    /// Above its own limit, or above the loss of bad splices where it has none and is one.
    fn is_bad(&self, joint: usize, cell: &Cell) -> bool {
        let is_splice = (self.result.joints.get(joint)).is_some_and(|j| j.kind == JointKind::Joint);
        let by_rule = !self.has_limits() && is_splice;
        let limit = cell.limit.map(Loss::db).or(by_rule.then_some(self.bad_db));
        let loss = cell.loss.as_ref().ok().map(|l| l.value.db());
        loss.zip(limit).is_some_and(|(loss, limit)| loss > limit)
    }

    fn cells(&self, canvas: &Canvas<'_>) -> Result<(), PlotError> {
        let gap = if self.cell_px > 10.0 { 1.0 } else { 0.0 };
        for (f, j, w, cell) in self.result.matrix.iter() {
            if w != self.wavelength {
                continue;
            }
            let top = TOP_PX + ROW_PX * j as f64;
            let (x, right) = (self.left(f), self.left(f + 1) - gap);
            let bottom = top + ROW_PX - 1.0;
            let Some(loss) = cell.loss.as_ref().ok().map(|l| l.value.db()) else {
                canvas.fill((x, top), (right, bottom), colour::PAPER)?;
                canvas.line(&[(x, bottom), (right, top)], 1.0, colour::NOISE)?;
                continue;
            };
            let share = (loss / (2.0 * self.bad_db)).clamp(0.0, 1.0);
            canvas.fill((x, top), (right, bottom), shade(share))?;
            if self.cell_px >= VALUE_PX {
                let text = crate::report::number::signed(loss, 2);
                let ink = if share > 0.5 {
                    colour::PAPER
                } else {
                    colour::INK
                };
                let pen = Pen::new(SMALL, Anchor::Middle).coloured(ink);
                let middle = f64::midpoint(x, right);
                canvas.text(&text, middle, f64::midpoint(top, bottom), pen)?;
            }
        }
        // Frames last, so that no neighbour covers them.
        for (f, j, w, cell) in self.result.matrix.iter() {
            if w == self.wavelength && self.is_bad(j, cell) {
                let top = TOP_PX + ROW_PX * j as f64;
                let corner = (self.left(f) - 1.0, top - 1.0);
                canvas.frame(corner, (self.left(f + 1), top + ROW_PX), 2.0, colour::B)?;
            }
        }
        Ok(())
    }

    fn joints(&self, canvas: &Canvas<'_>) -> Result<(), PlotError> {
        for (j, joint) in self.result.joints.iter().enumerate() {
            let y = TOP_PX + ROW_PX * (j as f64 + 0.5);
            let name = plain_text(&joint.name);
            let name = self
                .fonts
                .fitted(&name, SMALL, Weight::Regular, LEFT_PX - 34.0);
            canvas.text(&name, LEFT_PX - 10.0, y - 6.0, Pen::new(SMALL, Anchor::End))?;
            let place = format!("{:.3} km", joint.position.value.m() / 1000.0);
            let pen = Pen::new(10.5, Anchor::End).coloured(colour::SOFT);
            canvas.text(&place, LEFT_PX - 10.0, y + 7.0, pen)?;
        }
        Ok(())
    }

    /// Names of the fibres below, so many as fit; tubes above, with a line between them.
    fn fibres(&self, canvas: &Canvas<'_>) -> Result<(), PlotError> {
        let every = (NAME_PX / self.cell_px).ceil().max(1.0) as usize;
        let longest = (self.result.fibres.iter())
            .map(|f| {
                self.fonts
                    .width(&plain_text(&f.name), SMALL, Weight::Regular)
            })
            .fold(0.0, f64::max)
            .min(70.0);
        for (f, fibre) in self.result.fibres.iter().enumerate() {
            let middle = self.left(f) + 0.5 * self.cell_px;
            if f % every == 0 {
                let name = plain_text(&fibre.name);
                let name = self.fonts.fitted(&name, SMALL, Weight::Regular, 70.0);
                let y = self.bottom() + 8.0 + 0.5 * longest;
                canvas.text_upwards(&name, middle, y, Pen::new(SMALL, Anchor::Middle))?;
            }
        }
        let mut first = 0;
        for group in self.result.fibres.chunk_by(|p, q| p.tube == q.tube) {
            let (x, right) = (self.left(first), self.left(first + group.len()));
            first += group.len();
            let Some(tube) = group.first().and_then(|f| f.tube.as_ref()) else {
                continue;
            };
            canvas.line(&[(x, TOP_PX - 24.0), (x, self.bottom())], 1.0, colour::SOFT)?;
            let room = right - x - 8.0;
            let name = self
                .fonts
                .fitted(&plain_text(tube), SMALL, Weight::Regular, room);
            canvas.text(
                &name,
                x + 5.0,
                TOP_PX - 14.0,
                Pen::new(SMALL, Anchor::Start),
            )?;
        }
        Ok(())
    }

    fn scale(
        &self,
        canvas: &Canvas<'_>,
        height: f64,
        program: Option<&str>,
    ) -> Result<(), PlotError> {
        let top = height - 54.0;
        let steps = 40;
        let (left, width) = (LEFT_PX, 320.0);
        for k in 0..steps {
            let share = (f64::from(k) + 0.5) / f64::from(steps);
            let x = left + width * f64::from(k) / f64::from(steps);
            let right = x + width / f64::from(steps) + 0.3;
            canvas.fill((x, top), (right, top + 14.0), shade(share))?;
        }
        canvas.frame((left, top), (left + width, top + 14.0), 1.0, colour::SOFT)?;
        let words = canvas.words;
        let most = (2.0 * self.bad_db).to_string();
        let most = words.filled(Phrase::MapAndMore, &[("loss", &most)]);
        for (share, text) in [
            (0.0, "0".to_owned()),
            (0.5, format!("{}", self.bad_db)),
            (1.0, most),
        ] {
            let x = left + width * share;
            canvas.line(&[(x, top + 14.0), (x, top + 19.0)], 1.0, colour::SOFT)?;
            canvas.text(&text, x, top + 28.0, Pen::new(SMALL, Anchor::Middle))?;
        }
        let x = left + width + 90.0;
        canvas.frame((x, top - 1.0), (x + 15.0, top + 15.0), 2.0, colour::B)?;
        let pen = Pen::new(SMALL, Anchor::Start);
        let above = if self.has_limits() {
            words.of(Phrase::MapAbove).to_owned()
        } else {
            let loss = self.bad_db.to_string();
            words.filled(Phrase::MapAboveBad, &[("loss", &loss)])
        };
        let above = self.fonts.fitted(&above, SMALL, Weight::Regular, KEY_PX);
        canvas.text(&above, x + 24.0, top + 7.0, pen)?;
        let width = self.fonts.width(&above, SMALL, Weight::Regular);
        let x = x + 24.0 + width + 30.0;
        canvas.line(&[(x, top + 14.0), (x + 14.0, top)], 1.0, colour::NOISE)?;
        let missing = words.of(Phrase::NotMeasured);
        let missing = self.fonts.fitted(missing, SMALL, Weight::Regular, KEY_PX);
        canvas.text(&missing, x + 24.0, top + 7.0, pen)?;
        let pen = Pen::new(10.5, Anchor::Start).coloured(colour::SOFT);
        canvas.text(program.unwrap_or_default(), 24.0, height - 12.0, pen)
    }
}

/// White for nothing, then darker without a break, black for all.
fn shade(share: f64) -> RGBColor {
    let from = [255.0, 252.0, 240.0];
    let to = [40.0, 16.0, 60.0];
    let mix = |k: usize| (from[k] + (to[k] - from[k]) * share.clamp(0.0, 1.0)).round() as u8;
    RGBColor(mix(0), mix(1), mix(2))
}

#[cfg(test)]
mod tests {
    use super::shade;

    /// Luminance by ITU-R BT.709 weights (from memory) falls with every step, so that a
    /// grey printer keeps the order.
    #[test]
    fn more_loss_is_darker_in_grey_too() {
        let grey = |share: f64| {
            let c = shade(share);
            0.2126 * f64::from(c.0) + 0.7152 * f64::from(c.1) + 0.0722 * f64::from(c.2)
        };
        for k in 0..20 {
            assert!(grey(f64::from(k) / 20.0) > grey(f64::from(k + 1) / 20.0) + 5.0);
        }
    }
}
