//! How much likelier two traces are to be of one fibre than of two.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use crate::cable::cluster::quantile;
use crate::cable::draft::{median, robust_spread};

use super::Score;
use super::pattern::{
    Common, Pattern, common, least_errors, length_beside, places_off, root_sum, slope_differences,
    slope_errors,
};

/// Share of single items that are wrong for reasons of their own (a missed edge, a
/// bend between the two measurements): no item can count more than a hundred to one
/// against a pairing. Our choice.
const ODD_ITEMS: f64 = 0.01;

/// Fibres as many as which the whole cable counts where a joint's own spread is taken:
/// that of a dozen values may be off by a third. Our choice.
const OF_ALL: f64 = 8.0;

/// Fewest fibres from whose labels anything is taken of the scatter of lengths.
const ENOUGH: usize = 6;

/// Fibres further on with which each trace is compared to learn how two fibres differ.
const COMPARED: usize = 3;

/// How items scatter, for one fibre and between fibres.
pub(super) struct Spreads {
    /// Length of A's axis per length of B's.
    ratio: f64,
    /// Spread of the lengths' differences in one fibre beyond their stated errors, and that
    /// between two fibres.
    length: (f64, f64),
    /// Factor on the stated errors of places.
    place_factor: f64,
    /// By joint: how far places of two fibres are apart, metres.
    place_other: Vec<f64>,
    /// Sums of the two readings.
    sums: ByJoint,
    /// Changes of the sums towards another wavelength: a splice loses much the same at
    /// both, while the backscatter steps, which cancel only within one fibre, do not.
    changes: ByJoint,
    /// Differences of the slopes, by stretch.
    slopes: ByJoint,
    /// Readings from B less those from B of the same label at another wavelength.
    beside: ByJoint,
    /// The same of the lengths: middle, spread in one fibre, between two.
    length_beside: Option<(f64, f64, f64)>,
}

/// How an item of each joint scatters, as far as it is known.
type ByJoint = Vec<Option<Spread>>;

/// Middle of an item, its spread in one fibre beyond the errors of the readings, below and
/// above that (a splice may lose much, and never less than nothing), and between two.
#[derive(Debug, Clone, Copy)]
struct Spread {
    middle: f64,
    own: [f64; 2],
    other: f64,
}

/// Values of an item of each joint: of labelled pairs, with their errors, and of traces of
/// two fibres.
#[derive(Default)]
struct Values {
    own: BTreeMap<usize, Vec<(f64, f64)>>,
    other: BTreeMap<usize, Vec<f64>>,
}

impl Values {
    /// Middles and spreads; those of a joint and of all joints together, by their numbers.
    ///
    /// The middle of a distribution does not tell its tails: a quarter may lie outside
    /// 1.15 standard deviations, as for a normal one, and no more. Of a greater share,
    /// crossed fibres of a small cable would be taken for it. What the errors of the readings
    /// make of the spread is taken off: each pair brings its own.
    fn spreads(&self, tails: Tails) -> ByJoint {
        let middle_of = |values: &[(f64, f64)], part: fn(&(f64, f64)) -> f64| {
            median(values.iter().map(part).collect())
        };
        let middles: BTreeMap<usize, f64> = (self.own.iter())
            .filter_map(|(joint, values)| Some((*joint, middle_of(values, |v| v.0)?)))
            .collect();
        let own_off = |joint: &usize| -> Vec<f64> {
            let middle = middles.get(joint).copied().unwrap_or(0.0);
            let values = self.own.get(joint).into_iter().flatten();
            values.map(|(x, _)| x - middle).collect()
        };
        let other_off = |joint: &usize| -> Vec<f64> {
            let middle = middles.get(joint).copied().unwrap_or(0.0);
            let values = self.other.get(joint).into_iter().flatten();
            values.map(|x| x - middle).collect()
        };
        let own_spread = |off: &[f64], above: bool| -> Option<f64> {
            // The middle one itself lies on no side.
            let is_there = |x: &f64| if above { *x > 0.0 } else { *x < 0.0 };
            let side = off.iter().copied().filter(is_there);
            let mut far: Vec<f64> = side.map(f64::abs).collect();
            let inner = robust_spread(&far, 0.0)?;
            Some(match tails {
                Tails::Counted => inner.max(quantile(&mut far, 0.75)? / 1.15),
                Tails::LeftOut => inner,
            })
        };
        let own_all: Vec<f64> = middles.keys().flat_map(own_off).collect();
        let other_all: Vec<f64> = middles.keys().flat_map(other_off).collect();
        let (Some(below), Some(above), Some(other_all)) = (
            own_spread(&own_all, false),
            own_spread(&own_all, true),
            robust_spread(&other_all, 0.0),
        ) else {
            return ByJoint::new();
        };
        let both = |own: Option<f64>, count: usize, all: f64| {
            let n = own.map_or(0.0, |_| count as f64);
            let own = own.unwrap_or(0.0);
            ((n * own * own + OF_ALL * all * all) / (n + OF_ALL)).sqrt()
        };
        let mut spreads = ByJoint::new();
        for (joint, middle) in &middles {
            let (own, other) = (own_off(joint), other_off(joint));
            let errors = self.own.get(joint).map_or(&[][..], Vec::as_slice);
            let error = middle_of(errors, |v| v.1).unwrap_or(0.0);
            let side = |is_above: bool, of_all: f64| {
                let all = both(own_spread(&own, is_above), own.len() / 2, of_all);
                (all * all - error * error).max(0.0).sqrt()
            };
            let spread = Spread {
                middle: *middle,
                own: [side(false, below), side(true, above)],
                other: both(robust_spread(&other, 0.0), other.len(), other_all),
            };
            spreads.resize(joint + 1, None);
            spreads[*joint] = Some(spread);
        }
        spreads
    }
}

/// Whether the tails of what labelled pairs show count for their spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tails {
    /// As they are: what few fibres show by themselves does not make them strangers.
    Counted,
    /// Not: to see which fibres may be crossed, of which there may be many.
    LeftOut,
}

/// How items scatter; the labels of the fibres (by their indices among the patterns)
/// `in_doubt` tell nothing of what one fibre shows, as long as enough others do.
pub(super) fn spreads(
    patterns: &[(usize, [Pattern; 2])],
    in_doubt: &BTreeSet<usize>,
    tails: Tails,
) -> Spreads {
    let all = move || patterns.iter().map(|(_, pair)| (&pair[0], &pair[1]));
    let left = patterns.len() - in_doubt.len();
    let counts = move |i: usize| left < ENOUGH || !in_doubt.contains(&i);
    let both = move || {
        let labelled = all().enumerate().filter(move |(i, _)| counts(*i));
        labelled.map(|(_, pair)| pair)
    };
    // Two instruments, or two group indices, scale all fibres alike.
    let enough = patterns.len() >= ENOUGH;
    let ratio = if enough {
        median(both().map(|(a, b)| a.length_m / b.length_m).collect()).unwrap_or(1.0)
    } else {
        1.0
    };
    let differences: Vec<f64> = both()
        .map(|(a, b)| a.length_m - ratio * b.length_m)
        .collect();
    let stated = median(
        all()
            .map(|(a, b)| a.length_error_m.hypot(b.length_error_m))
            .collect(),
    )
    .unwrap_or(0.0);
    let of_labels = if enough {
        robust_spread(&differences, 0.0).unwrap_or(0.0)
    } else {
        0.0
    };
    let lengths: Vec<f64> = all().map(|(a, _)| a.length_m).collect();
    let middle = median(lengths.clone()).unwrap_or(0.0);
    let among = robust_spread(&lengths, middle).unwrap_or_else(|| {
        lengths
            .iter()
            .map(|l| (l - middle).abs())
            .fold(0.0, f64::max)
    });
    // Each pair brings its own stated error: only what lies beyond that is left.
    let beyond = (of_labels * of_labels - stated * stated).max(0.0).sqrt();
    let length_own = beyond.max(1e-6 * middle);
    let among = among * std::f64::consts::SQRT_2;
    let lengths_beside: Vec<f64> = both().filter_map(|(a, b)| length_beside(a, b)).collect();
    let length_beside = (lengths_beside.len() >= ENOUGH)
        .then(|| {
            let middle = median(lengths_beside.clone())?;
            let own = robust_spread(&lengths_beside, middle)?;
            Some((middle, own.max(stated).max(of_labels), among))
        })
        .flatten();
    let mut misses = Vec::new();
    let mut values: [Values; 3] = std::array::from_fn(|_| Values::default());
    let mut slopes = Values::default();
    let mut other_places: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let n = patterns.len();
    for (i, (_, pair)) in patterns.iter().enumerate() {
        if counts(i) {
            let off = places_off(&pair[0], &pair[1], ratio);
            misses.extend(off.iter().map(|(_, (off_m, error_m))| off_m / error_m));
            for common in common(&pair[0], &pair[1]) {
                for (values, item) in values.iter_mut().zip(items(&common)) {
                    let own = values.own.entry(common.joint).or_default();
                    own.extend(item);
                }
            }
            for (stretch, difference) in slope_differences(&pair[0], &pair[1]) {
                slopes.own.entry(stretch).or_default().push(difference);
            }
        }
        for step in 1..=COMPARED.min(n - 1) {
            let Some((_, other)) = patterns.get((i + step) % n) else {
                continue;
            };
            for (stretch, (difference, _)) in slope_differences(&pair[0], &other[1]) {
                slopes.other.entry(stretch).or_default().push(difference);
            }
            for (joint, (off_m, _)) in places_off(&pair[0], &other[1], ratio) {
                other_places.entry(joint).or_default().push(off_m);
            }
            for common in common(&pair[0], &other[1]) {
                for (values, item) in values.iter_mut().zip(items(&common)) {
                    let other = values.other.entry(common.joint).or_default();
                    other.extend(item.map(|(value, _)| value));
                }
            }
        }
    }
    let place_factor = robust_spread(&misses, 0.0).unwrap_or(1.0).max(1.0);
    let mut place_other = Vec::new();
    for (joint, off) in &other_places {
        place_other.resize(joint + 1, 0.0);
        place_other[*joint] = robust_spread(off, 0.0).unwrap_or(0.0);
    }
    let [sums, changes, beside] = values.map(|values| values.spreads(tails));
    Spreads {
        ratio,
        length: (length_own, among),
        place_factor,
        place_other,
        sums,
        changes,
        slopes: slopes.spreads(tails),
        beside,
        length_beside,
    }
}

/// The values that a joint has in a pairing: the sum of its readings, the change of that
/// towards another wavelength, and what one of them is off the other wavelength's.
fn items(common: &Common) -> [Option<(f64, f64)>; 3] {
    [common.sum, common.change, common.beside]
}

/// How much likelier a difference is for one fibre than for two: normal about zero with
/// either spread, and a share of odd items.
fn item(x: f64, own: f64, other: f64) -> f64 {
    two_sided(x, [own, own], other)
}

/// The same with one spread below zero and another above for one fibre.
fn two_sided(x: f64, own: [f64; 2], other: f64) -> f64 {
    let here = own[usize::from(x > 0.0)];
    let mean = f64::midpoint(own[0], own[1]);
    let other = root_sum(other, mean);
    if here <= 0.0 || other <= mean * 1.05 {
        return 1.0;
    }
    let exponent = 0.5 * ((x / other).powi(2) - (x / here).powi(2));
    if exponent < LOST {
        return ODD_ITEMS;
    }
    (1.0 - ODD_ITEMS) * (other / mean) * exponent.exp() + ODD_ITEMS
}

/// Exponent below which an exponential is lost in rounding beside the share of odd items.
const LOST: f64 = -45.0;

/// The most that the parts of a total can be for one trace from A.
pub(super) struct Most {
    /// What each joint's readings and those of all behind it add.
    readings: Vec<f64>,
    /// What the places of all joints add.
    places: f64,
    /// What the slopes add.
    slopes: f64,
}

impl Spreads {
    pub(super) fn score(&self, a: &Pattern, b: &Pattern) -> Score {
        let readings = common(a, b).flat_map(|common| self.readings(&common));
        let places = self.places(a, b);
        let slopes = self.slopes(a, b);
        Score {
            length: self.lengths(a, b).ln(),
            joints: log_of_product(readings.chain(places).chain(slopes)),
        }
    }

    /// The total of [`Self::score`] where it exceeds `least`; `most` is that of the trace from
    /// A. Most pairings of a large cable are out of the question after the readings of a few
    /// joints.
    pub(super) fn total_above(
        &self,
        (a, most): (&Pattern, &Most),
        b: &Pattern,
        least: f64,
    ) -> Option<f64> {
        // A logarithm takes longer than all factors of a joint, and what it is at most is enough.
        let (mut log, mut product) = (0.0, self.lengths(a, b));
        for (common, readings) in common(a, b).zip(&most.readings) {
            if log + log_at_most(product) + readings + most.places + most.slopes < least {
                return None;
            }
            product *= self.readings(&common).iter().product::<f64>();
            if !HELD.contains(&product) {
                log += f64::ln(product);
                product = 1.0;
            }
        }
        let mut total = log + product.ln();
        if total + most.places + most.slopes < least {
            return None;
        }
        total += log_of_product(self.slopes(a, b));
        if total + most.places < least {
            return None;
        }
        total += log_of_product(self.places(a, b));
        (total > least).then_some(total)
    }

    /// The most that the parts of a total can be for a trace from A.
    pub(super) fn most(&self, a: &Pattern) -> Most {
        let of = |error: Option<f64>, joint: usize, spreads: &ByJoint| {
            let spread = spreads.get(joint).and_then(Option::as_ref);
            error.zip(spread).map_or(1.0, |(error, spread)| {
                greatest(spread.own.map(|own| root_sum(own, error)), spread.other)
            })
        };
        let mut most = Most {
            readings: Vec::new(),
            places: 0.0,
            slopes: 0.0,
        };
        for (joint, [place, sum, change, beside]) in least_errors(a).enumerate() {
            let readings = of(sum, joint, &self.sums)
                * of(change, joint, &self.changes)
                * of(beside, joint, &self.beside);
            most.readings.push(readings.ln());
            most.places += place.map_or(0.0, |error_m| {
                let other = self.place_other.get(joint).copied().unwrap_or(0.0);
                greatest([self.place_factor * error_m; 2], other).ln()
            });
        }
        for (stretch, error) in slope_errors(a) {
            most.slopes += of(Some(error), stretch, &self.slopes).ln();
        }
        let mut behind = 0.0;
        for joint in most.readings.iter_mut().rev() {
            behind += *joint;
            *joint = behind;
        }
        most
    }

    /// What the lengths say.
    fn lengths(&self, a: &Pattern, b: &Pattern) -> f64 {
        let length = item(
            a.length_m - self.ratio * b.length_m,
            root_sum(self.length.0, root_sum(a.length_error_m, b.length_error_m)),
            self.length.1,
        );
        let beside = (length_beside(a, b).zip(self.length_beside))
            .map_or(1.0, |(off, (middle, own, other))| {
                item(off - middle, own, other)
            });
        length * beside
    }

    /// What the slopes between the joints say.
    fn slopes<'s>(&'s self, a: &'s Pattern, b: &'s Pattern) -> impl Iterator<Item = f64> + 's {
        slope_differences(a, b)
            .map(|(stretch, difference)| ratio_of(Some(difference), stretch, &self.slopes))
    }

    /// What the readings of a joint say: their sum, its change, and what one of them is off the
    /// other wavelength's.
    fn readings(&self, common: &Common) -> [f64; 3] {
        let joint = common.joint;
        let [sum, change, beside] = items(common);
        [
            ratio_of(sum, joint, &self.sums),
            ratio_of(change, joint, &self.changes),
            ratio_of(beside, joint, &self.beside),
        ]
    }

    /// What the places of the joints say.
    fn places(&self, a: &Pattern, b: &Pattern) -> impl Iterator<Item = f64> + '_ {
        let off = places_off(a, b, self.ratio).into_iter();
        off.map(|(joint, (off_m, error_m))| {
            let other = self.place_other.get(joint).copied().unwrap_or(0.0);
            item(off_m, self.place_factor * error_m, other)
        })
    }
}

/// How much likelier the item of a joint is for one fibre than for two; 1 where it is not
/// there or its spread is not known.
fn ratio_of(value: Option<(f64, f64)>, joint: usize, spreads: &ByJoint) -> f64 {
    let spread = spreads.get(joint).and_then(Option::as_ref);
    value.zip(spread).map_or(1.0, |((value, error), spread)| {
        let own = spread.own.map(|own| root_sum(own, error));
        two_sided(value - spread.middle, own, spread.other)
    })
}

/// The greatest that [`two_sided`] can be with these spreads or wider ones of one fibre. Where
/// one fibre spreads farther on a side than two do, it has no bound there.
fn greatest(own: [f64; 2], other: f64) -> f64 {
    let mean = f64::midpoint(own[0], own[1]);
    let other = root_sum(other, mean);
    if own[0].max(own[1]) > other {
        return f64::INFINITY;
    }
    ((1.0 - ODD_ITEMS) * (other / mean) + ODD_ITEMS).max(1.0)
}

/// Products that a number holds with more factors of a joint.
const HELD: Range<f64> = 1e-150..1e150;

/// A bound of the logarithm of a number that is [`HELD`], by its binary exponent alone.
fn log_at_most(x: f64) -> f64 {
    let exponent = (x.to_bits() >> 52) as i32 - 1022;
    f64::from(exponent) * std::f64::consts::LN_2
}

/// Logarithm of a product of factors, taken of as many at a time as a number holds: a logarithm
/// of each took longer than the factors.
fn log_of_product(factors: impl Iterator<Item = f64>) -> f64 {
    let (mut log, mut product) = (0.0, 1.0);
    for factor in factors {
        product *= factor;
        if !HELD.contains(&product) {
            log += f64::ln(product);
            product = 1.0;
        }
    }
    log + product.ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// The next power of two is never less, and at most twice as much.
    #[test]
    fn a_logarithm_is_bounded_by_that_of_the_next_power_of_two() {
        for k in -490..490 {
            for x in [1.0, 1.3, 1.999].map(|part| part * 2f64.powi(k)) {
                let bound = log_at_most(x);
                assert!(bound >= x.ln() && bound <= x.ln() + 0.7, "{bound} for {x}");
            }
        }
    }

    /// Closed form: two spreads 1 and √(1+9), at x = 0 the ratio of the densities is √10.
    #[test]
    fn an_item_weighs_as_its_likelihood_ratio() {
        let wanted = 0.99 * 10f64.sqrt() + 0.01_f64;
        assert!((item(0.0, 1.0, 3.0) - wanted).abs() < 1e-12);
        // Far off both, the share of odd items is the floor.
        assert!((item(50.0, 1.0, 3.0) - 0.01).abs() < 1e-9);
        // Fibres that do not differ tell nothing.
        assert!((item(1.0, 1.0, 0.1) - 1.0).abs() < 1e-12);
        // Two half normals of spreads 1 and 3 have the height of a normal of spread 2; at
        // two below zero e^(−2) of it is left, and √(4 + 9) is the other spread.
        let other = 13f64.sqrt();
        let wanted = (other / 2.0) * (-2.0 + 2.0 / 13.0_f64).exp();
        let wanted = 0.99 * wanted + 0.01;
        assert!((two_sided(-2.0, [1.0, 3.0], 3.0) - wanted).abs() < 1e-12);
    }

    /// Second computation: the sum of the logarithms, of more factors than a number holds.
    #[test]
    fn logarithms_of_long_products_are_sums() {
        for scale in [1e-3, 1e6] {
            let factors = (1..=400).map(|k| scale * f64::from(k));
            let wanted: f64 = factors.clone().map(f64::ln).sum();
            let found = log_of_product(factors);
            // Four hundred roundings of numbers below 4,000.
            assert!((found - wanted).abs() < 1e-9, "{found} for {wanted}");
        }
    }

    /// A place or spread that is wider makes it less likely, never more.
    #[test]
    fn no_item_exceeds_its_greatest() {
        for own in [[0.5, 0.5], [0.2, 1.0], [1.0, 0.0]] {
            for other in [0.1, 0.5, 1.0, 10.0] {
                let most = greatest(own, other);
                for (x, wider) in (-40..=40).flat_map(|x| [(x, 0.0), (x, 0.3), (x, 2.0)]) {
                    let own = own.map(|own| root_sum(own, wider));
                    let found = two_sided(0.1 * f64::from(x), own, other);
                    assert!(found <= most * (1.0 + 1e-12), "{found} above {most}");
                }
            }
        }
    }

    /// What a joint's values scatter by is the splices' own scatter and the errors of the
    /// readings together: values drawn with 0.03 of the one and 0.04 of the other, which is
    /// 0.05, leave 0.03. The errors alone leave nothing.
    ///
    /// 2000 values, of which half lie on either side: their middle distance is off by 2.7 %
    /// (a deviation), and (0.05 ± 0.00135)² less 0.04² is 0.03² to 7.5 %; four of these.
    #[test]
    fn the_errors_of_the_readings_are_no_scatter_of_the_splices() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mut drawn = |scatter: f64| -> Values {
            let normal = Normal::new(0.0, scatter).unwrap();
            let own = (0..2000).map(|_| (normal.sample(&mut random), 0.04));
            let own: Vec<(f64, f64)> = own.collect();
            let other = own.iter().map(|(x, _)| 3.0 * x).collect();
            Values {
                own: BTreeMap::from([(0, own)]),
                other: BTreeMap::from([(0, other)]),
            }
        };
        let [below, above] = drawn(0.05).spreads(Tails::LeftOut)[0].unwrap().own;
        assert!((below - 0.03).abs() < 0.009, "{below}");
        assert!((above - 0.03).abs() < 0.009, "{above}");
        let [below, above] = drawn(0.03).spreads(Tails::LeftOut)[0].unwrap().own;
        assert!(below.abs() + above.abs() < f64::EPSILON);
    }
}
