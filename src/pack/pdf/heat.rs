//! Every fibre at every joint as a picture: joints downwards, fibres across.

use super::flow::{Flow, NOTE};
use super::page::{ACCENT, Anchor, Area, Item, PAPER, SOFT};
use super::typeset::{Colour, Style};
use super::words::{self, FibrePage};
use crate::both_ways::Verdict;
use crate::cable::{CableResult, Cell, JointKind};
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::signed;
use crate::report::plain_text;
use crate::units::Loss;

/// Greatest width of the joints' names.
const NAMES: f32 = 110.0;
/// Fibres that stay together in a row, as they do in a tube.
const GROUP: usize = 12;
/// Narrowest and widest cell.
const CELL: (f32, f32) = (2.8, 20.0);
/// Lightest and darkest grey of a loss within its limit.
const GREY: (f32, f32) = (246.0, 128.0);
/// Above the value that stands in where no limit was asked for.
const OVER: Colour = Colour(60, 62, 65);
/// Undecided: between the two.
const BETWEEN: Colour = Colour(214, 170, 192);
/// Labels of fibres and joints.
const LABEL: Style = Style {
    leading: 1.15,
    ..Style::new(6.2, SOFT)
};

/// Lays one picture a wavelength.
pub(super) fn lay(
    flow: &mut Flow,
    content: &Content<'_>,
    cable: &CableResult,
    fibres: &[FibrePage],
) {
    if cable.joints.is_empty() || cable.fibres.is_empty() {
        return;
    }
    let grid = Grid::of(flow, cable);
    for (index, &wavelength) in cable.wavelengths.iter().enumerate() {
        let title = content.wording.filled(
            Text::HeatMap,
            &[("wavelength", &words::wavelength(wavelength))],
        );
        // Whole on one page where a page holds it.
        let whole = grid.band_height() * grid.bands as f32 + 2.0 * NOTE.line_height();
        let together = if whole + 30.0 <= flow.height() {
            whole
        } else {
            grid.band_height()
        };
        flow.section(&title, together + 14.0);
        for band in 0..grid.bands {
            grid.band(flow, cable, fibres, index, band);
        }
        key(flow, content, cable);
    }
}

/// How the picture is cut into bands.
struct Grid {
    per_band: usize,
    bands: usize,
    cell: (f32, f32),
    joints: usize,
    /// Width of the joints' names.
    names: f32,
    /// Loss that is drawn darkest where there is no limit: of joints, of the ends.
    scale_db: f64,
    ends_db: f64,
}

impl Grid {
    fn of(flow: &mut Flow, cable: &CableResult) -> Self {
        let names = cable
            .joints
            .iter()
            .map(|joint| flow.typesetter.line(&plain_text(&joint.name), LABEL).width)
            .fold(0.0, f32::max)
            .min(NAMES - 10.0)
            + 10.0;
        let room = flow.room() - names;
        let fibres = cable.fibres.len();
        let most = ((room / CELL.0) as usize / GROUP).max(1) * GROUP;
        let bands = fibres.div_ceil(most);
        // Bands of the same length, in whole groups.
        let per_band = fibres.div_ceil(bands).div_ceil(GROUP) * GROUP;
        let across = per_band.min(fibres.div_ceil(bands).max(per_band.min(fibres)));
        let width = (room / across as f32).clamp(CELL.0, CELL.1);
        let height = if bands > 3 { 7.6 } else { 9.6 };
        Self {
            per_band,
            bands: fibres.div_ceil(per_band),
            cell: (width, height),
            joints: cable.joints.len(),
            names,
            scale_db: cable.rules.bad_splice.db(),
            ends_db: most_at_ends_db(cable),
        }
    }

    fn band_height(&self) -> f32 {
        LABEL.line_height() + 2.0 + self.cell.1 * self.joints as f32 + 9.0
    }

    fn band(
        &self,
        flow: &mut Flow,
        cable: &CableResult,
        fibres: &[FibrePage],
        wavelength: usize,
        band: usize,
    ) {
        let from = band * self.per_band;
        let to = (from + self.per_band).min(cable.fibres.len());
        flow.need(self.band_height());
        let left = flow.left() + self.names;
        self.fibre_names(flow, cable, from, to, left);
        flow.advance(LABEL.line_height() + 2.0);
        for (joint, named) in cable.joints.iter().enumerate() {
            // Many joints: the picture goes on over the page.
            flow.need(self.cell.1);
            let y = flow.y();
            let name = plain_text(&named.name);
            let line = flow
                .typesetter
                .fitted_in_middle(&name, LABEL, self.names - 10.0);
            let baseline = y + (self.cell.1 - LABEL.line_height()) / 2.0 + LABEL.baseline();
            flow.put_line(line, flow.left(), baseline, 0.0);
            for fibre in from..to {
                let area = Area {
                    x: left + self.cell.0 * (fibre - from) as f32,
                    y,
                    width: self.cell.0,
                    height: self.cell.1,
                };
                let scale = match named.kind {
                    JointKind::Joint => self.scale_db,
                    JointKind::EndA | JointKind::EndB => self.ends_db,
                };
                let cell = cable.matrix.cell(fibre, joint, wavelength);
                self.draw(flow, cell.and_then(|cell| colour(cell, scale)), area);
            }
            flow.advance(self.cell.1);
        }
        // The whole column of a fibre leads to its page.
        let top = flow.y() - self.cell.1 * self.joints as f32;
        for fibre in from..to {
            let page = fibres.iter().position(|page| page.of_cable == Some(fibre));
            if let Some(page) = page.filter(|_| top >= 0.0) {
                let area = Area {
                    x: left + self.cell.0 * (fibre - from) as f32,
                    y: top,
                    width: self.cell.0,
                    height: self.cell.1 * self.joints as f32,
                };
                flow.jump(area, Anchor::Fibre(page));
            }
        }
        flow.advance(9.0);
    }

    /// Names above the columns: all of them where they fit, else the first of a group.
    fn fibre_names(&self, flow: &mut Flow, cable: &CableResult, from: usize, to: usize, left: f32) {
        let names: Vec<_> = cable
            .fibres
            .get(from..to)
            .unwrap_or_default()
            .iter()
            .map(|fibre| flow.typesetter.line(&plain_text(&fibre.name), LABEL))
            .collect();
        let widest = names.iter().map(|name| name.width).fold(0.0, f32::max);
        let y = flow.y() + LABEL.baseline();
        if widest + 2.0 <= self.cell.0 {
            for (index, name) in names.into_iter().enumerate() {
                let x = left + self.cell.0 * (index as f32 + 0.5);
                flow.put_line(name, x, y, 0.5);
            }
            return;
        }
        let room = self.cell.0 * GROUP as f32 - 3.0;
        for (index, name) in names.into_iter().enumerate().step_by(GROUP) {
            let x = left + self.cell.0 * index as f32;
            let name = flow.typesetter.fitted_in_middle(&name.text, LABEL, room);
            let tick = Area {
                x,
                y: flow.y() + LABEL.line_height(),
                width: 0.5,
                height: 2.0,
            };
            flow.put(Item::Filled {
                area: tick,
                colour: SOFT,
            });
            flow.put_line(name, x, y, 0.0);
        }
    }

    fn draw(&self, flow: &mut Flow, colour: Option<Colour>, area: Area) {
        let gap = if self.cell.0 > 6.0 { 0.8 } else { 0.3 };
        let inner = Area {
            width: area.width - gap,
            height: area.height - 0.8,
            ..area
        };
        if let Some(colour) = colour {
            flow.put(Item::Filled {
                area: inner,
                colour,
            });
            return;
        }
        // A short stroke: nothing was measured here.
        let stroke = Area {
            x: inner.x + inner.width * 0.25,
            y: inner.y + inner.height / 2.0 - 0.25,
            width: inner.width * 0.5,
            height: 0.5,
        };
        flow.put(Item::Filled {
            area: stroke,
            colour: SOFT,
        });
    }
}

/// Colour of a loss; none where it was not measured.
fn colour(cell: &Cell, scale_db: f64) -> Option<Colour> {
    let loss_db = cell.loss.as_ref().ok()?.value.db();
    if !loss_db.is_finite() {
        return None;
    }
    match cell.verdict {
        Verdict::Fail => return Some(ACCENT),
        Verdict::Undecided => return Some(BETWEEN),
        Verdict::Pass | Verdict::NotJudged => {}
    }
    let limit_db = cell.limit.map_or(scale_db, Loss::db);
    let share = loss_db / limit_db.max(1e-6);
    if cell.verdict == Verdict::NotJudged && share > 1.0 {
        return Some(OVER);
    }
    Some(grey(share.clamp(0.0, 1.0) as f32))
}

/// Greatest loss of the connectors at the ends; no limit says what is much.
fn most_at_ends_db(cable: &CableResult) -> f64 {
    let is_end = |joint: usize| {
        cable
            .joints
            .get(joint)
            .is_some_and(|joint| joint.kind != JointKind::Joint)
    };
    cable
        .matrix
        .iter()
        .filter(|&(_, joint, _, _)| is_end(joint))
        .filter_map(|(_, _, _, cell)| cell.loss.as_ref().ok())
        .map(|loss| loss.value.db())
        .filter(|loss| loss.is_finite())
        .fold(0.01, f64::max)
}

/// A grey from light to dark.
fn grey(share: f32) -> Colour {
    let value = (GREY.0 + share * (GREY.1 - GREY.0)).round() as u8;
    Colour(value, value, value)
}

/// What the colours mean, on as many lines as it takes.
fn key(flow: &mut Flow, content: &Content<'_>, cable: &CableResult) {
    let wording = content.wording;
    let is_judged = cable
        .matrix
        .iter()
        .any(|(_, _, _, cell)| cell.verdict != Verdict::NotJudged);
    let reference = signed(Loss::db(cable.rules.bad_splice), 2);
    let with_reference = |text: Text| wording.filled(text, &[("reference", &reference)]);
    let most = signed(most_at_ends_db(cable), 2);
    let ends = wording.filled(Text::HeatEnds, &[("most", &most)]);
    let greys = vec![grey(0.0), grey(0.33), grey(0.67), grey(1.0)];
    let mut entries = if is_judged {
        vec![
            (greys, wording.of(Text::HeatWithin).to_owned()),
            (vec![BETWEEN], wording.of(Text::Undecided).to_owned()),
            (vec![ACCENT], wording.of(Text::Fail).to_owned()),
        ]
    } else {
        vec![
            (greys, with_reference(Text::HeatUnder)),
            (vec![OVER], with_reference(Text::HeatOver)),
        ]
    };
    entries.push((vec![PAPER], wording.of(Text::NotMeasured).to_owned()));
    if !is_judged {
        entries.push((Vec::new(), ends));
    }
    let (left, right) = (flow.left(), flow.left() + flow.room());
    flow.need(NOTE.line_height() * 2.0);
    let mut x = left;
    for (colours, text) in entries {
        let boxes = 9.0 * colours.len() as f32;
        let room = flow.room() - boxes - 4.0;
        let line = flow.typesetter.fitted(&text, NOTE, room);
        if x > left && x + boxes + 4.0 + line.width > right {
            x = left;
            flow.advance(NOTE.line_height() + 2.0);
        }
        for colour in colours {
            let area = Area {
                x,
                y: flow.y() + 1.0,
                width: 8.4,
                height: 7.0,
            };
            if colour == PAPER {
                let stroke = Area {
                    x: x + 2.1,
                    y: flow.y() + 4.25,
                    width: 4.2,
                    height: 0.5,
                };
                flow.put(Item::Filled {
                    area: stroke,
                    colour: SOFT,
                });
            } else {
                flow.put(Item::Filled { area, colour });
            }
            x += 9.0;
        }
        let width = line.width;
        flow.put_line(line, x + 4.0, flow.y() + NOTE.baseline(), 0.0);
        x += width + 4.0 + 16.0;
    }
    flow.advance(NOTE.line_height() + 4.0);
}
