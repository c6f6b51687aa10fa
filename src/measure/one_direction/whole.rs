//! What a single trace tells of the link as a whole: sections and return loss.

use crate::units::{Position, ReturnLoss};

use super::super::line::{Side, attenuation, side_line};
use super::super::one_way::Section;
use super::super::orl::return_loss;
use super::Measuring;

impl Measuring<'_> {
    /// Sections of the link, cords left out.
    pub(super) fn sections(&self) -> Vec<Section> {
        let look = self.look;
        let slack = 0.5 * look.eye.spacing_m;
        let end_m = look.far.map_or(look.usable_to_m(), |far| far.own_m);
        (0..=self.groups.len())
            .filter_map(|k| {
                let from_m = match k.checked_sub(1) {
                    Some(j) => look.marks[self.groups[j].end - 1].z_m,
                    None => 0.0,
                };
                let to_m = self
                    .groups
                    .get(k)
                    .map_or(end_m, |group| look.marks[group.start].z_m);
                let inside = from_m > look.near.own_m - slack && to_m < end_m + slack;
                if !inside || to_m <= from_m {
                    return None;
                }
                attenuation(self.view(), self.span_before(k)).map(|attenuation| Section {
                    from: Position::from_m(from_m),
                    to: Position::from_m(to_m),
                    attenuation,
                })
            })
            .collect()
    }

    /// Return loss of the link against the launch cord's line before its connector.
    pub(super) fn orl(&self) -> Option<ReturnLoss> {
        let look = self.look;
        let eye = &look.eye;
        let far = look.far?;
        let at = |z_m: f64| {
            self.groups.iter().position(|group| {
                look.marks[group.clone()]
                    .iter()
                    .any(|m| (m.z_m - z_m).abs() < 0.5 * eye.spacing_m)
            })
        };
        let near = at(look.near.own_m).filter(|_| look.near.has_cord)?;
        let line = side_line(eye, self.span_before(near), Side::Before, None)?.line;
        let from = look.marks[self.groups[near].start].blocks[0]?.0;
        let to = match look.end {
            _ if far.has_cord => look.marks[self.groups[at(far.own_m)?].end - 1].blocks[0]?.1,
            // The end's own reflection counts.
            end => end.limit(eye.len()) + eye.hidden_samples(),
        };
        let x = from as f64;
        let level_db = line.at(x) + eye.trend.0 + eye.trend.1 * x;
        let reference = 10f64.powf(level_db / 5.0);
        return_loss(self.trace, eye, from + 1, to, reference, self.backscatter)
    }
}
