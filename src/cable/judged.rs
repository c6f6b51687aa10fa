//! Verdicts on joints, fibres, wavelengths and the cable as a whole.

use crate::both_ways::{EventKind, Verdict};
use crate::verdict::{Limits, Place, What, judge_mean, roll_up};

use super::draft::Draft;
use super::result::{CableResult, Cell, JointKind};

/// Holds the mean of every closure against its limit and brings all verdicts at a joint
/// together.
///
/// A fibre of which nothing was measured at a joint leaves it *not judged*.
pub(super) fn joints(draft: &mut Draft, limits: &Limits, coverage: f64) {
    let fibres = draft.fibres.len();
    for (index, joint) in draft.joints.iter_mut().enumerate() {
        for (light, statistics) in joint.statistics.iter_mut().enumerate() {
            let cells: Vec<&Cell> = (0..fibres)
                .filter_map(|fibre| draft.matrix.cell(fibre, index, light))
                .collect();
            let is_connector = |cell: &Cell| {
                cell.source
                    .and_then(|(link, event)| draft.links.get(link)?.link.events.get(event))
                    .is_some_and(|event| event.kind == EventKind::Connector)
            };
            statistics.mean_judgement = limits
                .mean_per_closure
                .as_ref()
                .filter(|_| joint.kind == JointKind::Joint)
                .map(|limit| {
                    judge_mean(
                        What::ClosureMean,
                        Place::Closure(joint.name.clone()),
                        cells
                            .iter()
                            .filter(|cell| !is_connector(cell))
                            .map(|cell| &cell.loss),
                        limit,
                        coverage,
                    )
                });
            let mean = statistics.mean_judgement.as_ref().map(|one| one.verdict);
            statistics.verdict = roll_up(cells.iter().map(|cell| cell.verdict).chain(mean));
        }
    }
}

impl CableResult {
    /// All links of a fibre as one; a wavelength without a link is not judged.
    pub fn verdict_of_fibre(&self, fibre: usize) -> Verdict {
        roll_up((0..self.wavelengths.len()).map(|light| self.verdict_of(fibre, light)))
    }

    /// All fibres at a wavelength and the means of the closures as one; a fibre without a
    /// link is not judged.
    pub fn verdict_at(&self, wavelength: usize) -> Verdict {
        let links = (0..self.fibres.len()).map(|fibre| self.verdict_of(fibre, wavelength));
        let means = self.joints.iter().filter_map(|joint| {
            let statistics = joint.statistics.get(wavelength)?;
            Some(statistics.mean_judgement.as_ref()?.verdict)
        });
        roll_up(links.chain(means))
    }

    /// Everything as one.
    pub fn verdict(&self) -> Verdict {
        roll_up((0..self.wavelengths.len()).map(|light| self.verdict_at(light)))
    }

    fn verdict_of(&self, fibre: usize, wavelength: usize) -> Verdict {
        self.links
            .iter()
            .find(|link| link.fibre == fibre && link.wavelength == wavelength)
            .map_or(Verdict::NotJudged, |link| link.link.verdict)
    }
}
