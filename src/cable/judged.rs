//! Verdicts on joints, fibres, wavelengths and the cable as a whole.

use crate::both_ways::Verdict;
use crate::verdict::roll_up;

use super::draft::Draft;
use super::result::{CableResult, NamedBy};

/// Brings all verdicts at a joint together, that of the closure's mean among them.
///
/// A fibre of which nothing was measured at a joint leaves it *not judged*.
pub(super) fn joints(draft: &mut Draft) {
    let fibres = draft.fibres.len();
    for (index, joint) in draft.joints.iter_mut().enumerate() {
        for (light, statistics) in joint.statistics.iter_mut().enumerate() {
            let cells = (0..fibres).filter_map(|fibre| draft.matrix.cell(fibre, index, light));
            let mean = statistics.mean_judged.as_ref().map(|one| one.verdict);
            statistics.verdict = roll_up(cells.map(|cell| cell.verdict).chain(mean));
        }
    }
}

impl CableResult {
    /// How many fibres have a link.
    pub fn fibres_measured(&self) -> usize {
        let has_link = |fibre: &usize| self.links.iter().any(|link| link.fibre == *fibre);
        (0..self.fibres.len()).filter(has_link).count()
    }

    /// All links of a fibre as one; a wavelength without a link is not judged, nor one of the
    /// plan's at which no trace was taken.
    pub fn verdict_of_fibre(&self, fibre: usize) -> Verdict {
        let lights = (0..self.wavelengths.len()).map(|light| self.verdict_of(fibre, light));
        let lacking = (!self.untaken.wavelengths_nm.is_empty()).then_some(Verdict::NotJudged);
        roll_up(lights.chain(lacking))
    }

    /// All fibres at a wavelength and the means of the closures as one; a fibre without a
    /// link is not judged.
    pub fn verdict_at(&self, wavelength: usize) -> Verdict {
        let links = (0..self.fibres.len()).map(|fibre| self.verdict_of(fibre, wavelength));
        let means = self.joints.iter().filter_map(|joint| {
            let statistics = joint.statistics.get(wavelength)?;
            Some(statistics.mean_judged.as_ref()?.verdict)
        });
        roll_up(links.chain(means))
    }

    /// Everything as one; what the plan has and no trace shows is not judged.
    pub fn verdict(&self) -> Verdict {
        let lights = (0..self.wavelengths.len()).map(|light| self.verdict_at(light));
        let lacking = (!self.untaken.is_empty()).then_some(Verdict::NotJudged);
        roll_up(lights.chain(lacking))
    }

    /// The verdict on a link; a closure of the plan without a loss in it is not judged.
    fn verdict_of(&self, fibre: usize, wavelength: usize) -> Verdict {
        let link = self
            .links
            .iter()
            .find(|link| link.fibre == fibre && link.wavelength == wavelength)
            .map_or(Verdict::NotJudged, |link| link.link.verdict);
        let unmeasured = self.joints.iter().enumerate().any(|(index, joint)| {
            let cell = self.matrix.cell(fibre, index, wavelength);
            joint.named_by == NamedBy::Plan
                && cell.is_some_and(|cell| cell.source.is_none() && cell.loss.is_err())
        });
        roll_up(
            [link]
                .into_iter()
                .chain(unmeasured.then_some(Verdict::NotJudged)),
        )
    }
}
