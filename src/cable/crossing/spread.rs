//! How much likelier two traces are to be of one fibre than of two.

use std::collections::BTreeMap;

use crate::cable::cluster::quantile;
use crate::cable::draft::{median, robust_spread};

use super::Score;
use super::pattern::{Common, Pattern, common, slope_differences};

/// Share of single items that are wrong for reasons of their own (a missed edge, a
/// bend between the two measurements): no item can count more than a hundred to one
/// against a pairing. Our choice.
const ODD_ITEMS: f64 = 0.01;

/// Fibres further on with which each trace is compared to learn how two fibres differ.
const COMPARED: usize = 3;

/// How items scatter, for one fibre and between fibres.
pub(super) struct Spreads {
    /// Length of A's axis per length of B's, and centre of the difference.
    ratio: f64,
    length: (f64, f64),
    /// Factor on the stated errors of places.
    place_factor: f64,
    /// By joint: how far places of two fibres are apart, metres.
    place_other: BTreeMap<usize, f64>,
    /// Sums of the two readings.
    sums: ByJoint,
    /// Changes of the sums towards a longer wavelength: a splice loses much the same at
    /// both, while the backscatter steps, which cancel only within one fibre, do not.
    changes: ByJoint,
    /// Differences of the slopes, by stretch.
    slopes: ByJoint,
}

/// Middle of an item of each joint, its spread in one fibre, and between two.
type ByJoint = BTreeMap<usize, (f64, f64, f64)>;

/// Values of an item of each joint: of labelled pairs, and of traces of two fibres.
#[derive(Default)]
struct Values {
    own: BTreeMap<usize, Vec<f64>>,
    other: BTreeMap<usize, Vec<f64>>,
}

impl Values {
    fn spreads(&self) -> ByJoint {
        self.own
            .iter()
            .filter_map(|(joint, values)| {
                let middle = median(values.clone())?;
                let mut off: Vec<f64> = values.iter().map(|x| (x - middle).abs()).collect();
                // The middle of a distribution does not tell its tails: a quarter may lie
                // outside 1.15 standard deviations, as for a normal one, and no more. Of a
                // greater share, crossed fibres of a small cable would be taken for it.
                let tail = quantile(&mut off, 0.75)? / 1.15;
                let own = robust_spread(values, middle)?.max(tail);
                let other = robust_spread(self.other.get(joint)?, middle)?;
                Some((*joint, (middle, own, other)))
            })
            .collect()
    }
}

pub(super) fn spreads(patterns: &[(usize, [Pattern; 2])]) -> Spreads {
    let both = || patterns.iter().map(|(_, pair)| (&pair[0], &pair[1]));
    // Two instruments, or two group indices, scale all fibres alike.
    let enough = patterns.len() >= 6;
    let ratio = if enough {
        median(both().map(|(a, b)| a.length_m / b.length_m).collect()).unwrap_or(1.0)
    } else {
        1.0
    };
    let differences: Vec<f64> = both()
        .map(|(a, b)| a.length_m - ratio * b.length_m)
        .collect();
    let stated = median(
        both()
            .map(|(a, b)| a.length_error_m.hypot(b.length_error_m))
            .collect(),
    )
    .unwrap_or(0.0);
    let of_labels = if enough {
        robust_spread(&differences, 0.0).unwrap_or(0.0)
    } else {
        0.0
    };
    let lengths: Vec<f64> = both().map(|(a, _)| a.length_m).collect();
    let middle = median(lengths.clone()).unwrap_or(0.0);
    let among = robust_spread(&lengths, middle).unwrap_or_else(|| {
        lengths
            .iter()
            .map(|l| (l - middle).abs())
            .fold(0.0, f64::max)
    });
    let length_own = stated.max(of_labels).max(1e-6 * middle);
    let mut misses = Vec::new();
    let (mut sums, mut changes) = (Values::default(), Values::default());
    let mut slopes = Values::default();
    let values = |common: &Common| (common.sum.map(|s| s.0), common.change.map(|c| c.0));
    let mut other_places: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let n = patterns.len();
    for (i, (_, pair)) in patterns.iter().enumerate() {
        for common in common(&pair[0], &pair[1], ratio) {
            misses.push(common.off_m / common.error_m);
            let (sum, change) = values(&common);
            sums.own.entry(common.joint).or_default().extend(sum);
            changes.own.entry(common.joint).or_default().extend(change);
        }
        for (stretch, (difference, _)) in slope_differences(&pair[0], &pair[1]) {
            slopes.own.entry(stretch).or_default().push(difference);
        }
        for step in 1..=COMPARED.min(n - 1) {
            let Some((_, other)) = patterns.get((i + step) % n) else {
                continue;
            };
            for (stretch, (difference, _)) in slope_differences(&pair[0], &other[1]) {
                slopes.other.entry(stretch).or_default().push(difference);
            }
            for common in common(&pair[0], &other[1], ratio) {
                other_places
                    .entry(common.joint)
                    .or_default()
                    .push(common.off_m);
                let (sum, change) = values(&common);
                sums.other.entry(common.joint).or_default().extend(sum);
                let other = changes.other.entry(common.joint).or_default();
                other.extend(change);
            }
        }
    }
    let place_factor = robust_spread(&misses, 0.0).unwrap_or(1.0).max(1.0);
    let place_other = other_places
        .iter()
        .filter_map(|(joint, off)| Some((*joint, robust_spread(off, 0.0)?)))
        .collect();
    Spreads {
        ratio,
        length: (length_own, among * std::f64::consts::SQRT_2),
        place_factor,
        place_other,
        sums: sums.spreads(),
        changes: changes.spreads(),
        slopes: slopes.spreads(),
    }
}

/// Log of how much likelier a difference is for one fibre than for two: normal about
/// zero with either spread, and a share of odd items.
fn item(x: f64, own: f64, other: f64) -> f64 {
    let other = other.hypot(own);
    if own <= 0.0 || other <= own * 1.05 {
        return 0.0;
    }
    let ratio = (other / own) * (-0.5 * ((x / own).powi(2) - (x / other).powi(2))).exp();
    ((1.0 - ODD_ITEMS) * ratio + ODD_ITEMS).ln()
}

impl Spreads {
    pub(super) fn score(&self, a: &Pattern, b: &Pattern) -> Score {
        let mut score = Score::default();
        score.length = item(
            a.length_m - self.ratio * b.length_m,
            self.length
                .0
                .hypot(a.length_error_m.hypot(b.length_error_m)),
            self.length.1,
        );
        score.least = score.length;
        let of = |value: Option<(f64, f64)>, spread: Option<&(f64, f64, f64)>| {
            let (Some((value, error)), Some(&(middle, own, other))) = (value, spread) else {
                return 0.0;
            };
            item(value - middle, own.hypot(error), other)
        };
        for (stretch, difference) in slope_differences(a, b) {
            let slope = of(Some(difference), self.slopes.get(&stretch));
            score.joints += slope;
            score.least = score.least.min(slope);
        }
        for common in common(a, b, self.ratio) {
            let place = item(
                common.off_m,
                self.place_factor * common.error_m,
                self.place_other.get(&common.joint).copied().unwrap_or(0.0),
            );
            for item in [
                place,
                of(common.sum, self.sums.get(&common.joint)),
                of(common.change, self.changes.get(&common.joint)),
            ] {
                score.joints += item;
                score.least = score.least.min(item);
            }
        }
        score
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: two spreads 1 and √(1+9), at x = 0 the ratio of the densities is √10.
    #[test]
    fn an_item_weighs_as_its_likelihood_ratio() {
        let wanted = (0.99 * 10f64.sqrt() + 0.01_f64).ln();
        assert!((item(0.0, 1.0, 3.0) - wanted).abs() < 1e-12);
        // Far off both, the share of odd items is the floor.
        assert!((item(50.0, 1.0, 3.0) - 0.01_f64.ln()).abs() < 1e-9);
        // Fibres that do not differ tell nothing.
        assert!(item(1.0, 1.0, 0.1).abs() < 1e-12);
    }
}
