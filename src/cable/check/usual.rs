//! How the losses of a cable's splices usually scatter about their tray's middle.

use std::collections::{BTreeMap, BTreeSet};

use crate::cable::cluster::quantile;
use crate::cable::draft::median;

use super::{At, Facts, known};

/// Fewest fibres of a tray whose middle can stand for it: half of them lie on either side
/// of it whatever they are, and fewer leave nothing to tell.
const FEWEST: usize = 4;

/// Fewest losses that tell a tail: one in twenty of those above the middle is to be seen.
const FEWEST_LOSSES: usize = 2 * FEWEST;

/// One fibre's loss at a joint.
pub(super) struct Residual {
    pub(super) at: At,
    pub(super) loss: f64,
    pub(super) error: f64,
    /// Middle of its tray at the joint.
    pub(super) middle: f64,
    /// What its distance from the middle is multiplied by: the middle follows the fibres
    /// it is taken of, so that they lie closer to it than to the true one, as √(1 − 1/n).
    pub(super) scale: f64,
}

impl Residual {
    fn off(&self) -> f64 {
        self.scale * (self.loss - self.middle)
    }
}

/// All losses of a cable at one wavelength, each against the middle of its own tray (of its
/// joint, where no plan tells the tubes), so that a tray as a whole does not count.
///
/// Splice losses are skewed, so no normal distribution tells how far is far. The losses
/// themselves do as far as there are some; beyond 95 % of those above the middle an
/// exponential goes on, which has the distance from their 50 to their 95 %.
pub(super) struct Usual {
    pub(super) residuals: Vec<Residual>,
    /// Distances from the middle, ascending.
    off: Vec<f64>,
    /// Where the exponential begins, the share beyond it, and its length.
    high: f64,
    share: f64,
    length: f64,
}

/// A joint and the tube whose fibres lie in one tray there.
type Tray<'t> = (usize, Option<&'t str>);

impl Usual {
    /// Of all splices of a wavelength but those left out; none where they are too few.
    pub(super) fn of(
        facts: &Facts<'_>,
        wavelength: usize,
        leave_out: &BTreeSet<At>,
    ) -> Option<Self> {
        let mut trays: BTreeMap<Tray<'_>, Vec<(usize, f64, f64)>> = BTreeMap::new();
        for joint in facts.splices() {
            for (fibre, loss, error) in losses(facts, joint, wavelength, leave_out) {
                let tube = facts
                    .draft
                    .fibres
                    .get(fibre)
                    .and_then(|f| f.tube.as_deref());
                let tray = trays.entry((joint, tube)).or_default();
                tray.push((fibre, loss, error));
            }
        }
        let mut residuals = Vec::new();
        for ((joint, _), tray) in trays.iter().filter(|(_, tray)| tray.len() >= FEWEST) {
            let middle = median(tray.iter().map(|one| one.1).collect())?;
            let n = tray.len() as f64;
            residuals.extend(tray.iter().map(|&(fibre, loss, error)| Residual {
                at: (fibre, *joint),
                loss,
                error,
                middle,
                scale: (n / (n - 1.0)).sqrt(),
            }));
        }
        Self::from_residuals(residuals)
    }

    fn from_residuals(residuals: Vec<Residual>) -> Option<Self> {
        if residuals.len() < FEWEST_LOSSES {
            return None;
        }
        let mut off: Vec<f64> = residuals.iter().map(Residual::off).collect();
        off.sort_by(f64::total_cmp);
        let mut above: Vec<f64> = off.iter().copied().filter(|x| *x > 0.0).collect();
        let (low, high) = (quantile(&mut above, 0.5)?, quantile(&mut above, 0.95)?);
        Some(Self {
            residuals,
            high,
            // 50 % lie above the lower and 5 % above the higher: a factor of ten.
            length: (high - low) / 10f64.ln(),
            share: 0.05 * above.len() as f64 / off.len() as f64,
            off,
        })
    }

    /// Chance that a splice lies at or beyond a distance from the middle.
    pub(super) fn beyond(&self, distance: f64) -> f64 {
        let seen = self.off.partition_point(|x| *x < distance);
        let n = self.off.len();
        // One more than was seen, of one more: nothing is impossible for not being there.
        let counted = (n - seen + 1) as f64 / (n + 1) as f64;
        if distance <= self.high {
            return counted;
        }
        counted.min(self.share * (-(distance - self.high) / self.length).exp())
    }

    /// Distance from the middle that a splice exceeds with a small chance.
    pub(super) fn level(&self, chance: f64) -> f64 {
        self.high + self.length * (self.share / chance).max(1.0).ln()
    }

    /// Distances from the middle, ascending, each as likely as the other.
    pub(super) fn distances(&self) -> &[f64] {
        &self.off
    }
}

/// Fibre, loss and error of all that were measured at a joint.
pub(super) fn losses(
    facts: &Facts<'_>,
    joint: usize,
    wavelength: usize,
    leave_out: &BTreeSet<At>,
) -> Vec<(usize, f64, f64)> {
    (0..facts.fibres())
        .filter(|fibre| !leave_out.contains(&(*fibre, joint)))
        .filter_map(|fibre| {
            let (loss, error) = known(&facts.cell(fibre, joint, wavelength)?.loss)?;
            Some((fibre, loss, error))
        })
        .collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Distances from the middle as given.
    pub(in super::super) fn usual(off: &[f64]) -> Usual {
        let residuals = off.iter().enumerate().map(|(fibre, &loss)| Residual {
            at: (fibre, 0),
            loss,
            error: 0.001,
            middle: 0.0,
            scale: 1.0,
        });
        Usual::from_residuals(residuals.collect()).unwrap()
    }

    /// Closed form: quantiles of an exponential of length 0.01 above the middle, and as
    /// many below; half of e^(−x/0.01) lies beyond x, also where none was drawn.
    #[test]
    fn the_tail_goes_on_as_it_began() {
        let above = (0..500).map(|k| -0.01 * (1.0 - (f64::from(k) + 0.5) / 500.0).ln());
        let off: Vec<f64> = above.flat_map(|x| [x, -x]).collect();
        let usual = usual(&off);
        for x in [0.005, 0.02, 0.05, 0.1, 0.2] {
            let wanted = 0.5 * (-x / 0.01_f64).exp();
            // A thousand values tell the length to some per cent; far out it is a power.
            let relative = 0.03 * (x / 0.01) + 0.02;
            assert!((usual.beyond(x) / wanted - 1.0).abs() < relative, "{x}");
        }
        let far = usual.level(1e-6);
        assert!((usual.beyond(far) / 1e-6 - 1.0).abs() < 1e-9);
    }
}
