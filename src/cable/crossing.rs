//! Crossed fibres: which trace from B belongs to which trace from A.
//!
//! The two traces of one fibre agree in three things that fibres of one cable differ
//! in: the length, the places of the joints along it, and the sum of the two
//! one-way readings of a joint, in which the backscatter step cancels. Each item
//! weighs as the logarithm of how much likelier its difference is for one fibre
//! than for two. How far the differences scatter is taken from the cable itself: for
//! one fibre from the labelled pairs, most of which are right, by medians; for two
//! from the fibres among each other.

use std::collections::BTreeMap;

use pathfinding::prelude::{Matrix, kuhn_munkres};

use crate::both_ways::Glimpse;

use super::cluster::{Spot, assign_fibre};
use super::draft::{median, robust_spread};
use super::place::Reference;

/// Share of single items that are wrong for reasons of their own (a missed edge, a
/// bend between the two measurements): no item can count more than a hundred to one
/// against a pairing. Our choice.
const ODD_ITEMS: f64 = 0.01;

/// An item this far below zero is one in which the labelled traces contradict each other.
const CONTRADICTS: f64 = -2.0;

/// Least standard error of a place, in samples: what a shape that is not quite the
/// receiver's leaves.
const LEAST_ERROR: f64 = 0.02;

/// Fibres further on with which each trace is compared to learn how two fibres differ.
const COMPARED: usize = 3;

/// Chance of a false crossing in a whole cable. Our choice: nobody should open a closure
/// for one.
const FALSE_CROSSING: f64 = 1e-3;

/// What the joints alone must say for a crossing, as natural logarithm of the odds: a
/// hundred to one. Lengths alone are never enough.
const FROM_JOINTS: f64 = 4.6;

/// Loss of log-likelihood at which a fibre is put back to its own trace: twenty to one
/// tells nothing about a fibre that takes part in a ring.
const TELLS_NOTHING: f64 = 3.0;

/// The traces of one fibre at one wavelength.
#[derive(Debug, Clone, Copy)]
pub(super) struct Labelled<'g> {
    /// Index of the fibre.
    pub(super) fibre: usize,
    /// What its two traces show, A's first.
    pub(super) seen: &'g [Glimpse; 2],
}

/// Traces that belong together under other names.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Crossing {
    /// Fibre of the trace from A, and fibre of the trace from B that belongs to it.
    pub(super) pairs: Vec<(usize, usize)>,
    /// Natural logarithm of the likelihood of this pairing over that of the labels.
    pub(super) log_likelihood_ratio: f64,
    /// The part of it that the joints give, places and sums of readings.
    pub(super) from_joints: f64,
    /// The part that the lengths give.
    pub(super) from_lengths: f64,
    /// What it had to exceed.
    pub(super) needed: f64,
}

/// One joint as one trace shows it: metres from the trace's own end of the link, their
/// error, and reading with error.
#[derive(Debug, Clone, Copy)]
struct Seen {
    place_m: f64,
    error_m: f64,
    reading: Option<(f64, f64)>,
}

/// A trace's length with its error, and its joints by index.
#[derive(Debug, Clone)]
struct Pattern {
    length_m: f64,
    length_error_m: f64,
    joints: BTreeMap<usize, Seen>,
}

/// Sums over the items of a pairing.
#[derive(Debug, Clone, Copy, Default)]
struct Score {
    length: f64,
    joints: f64,
    least: f64,
}

impl Score {
    fn total(self) -> f64 {
        self.length + self.joints
    }
}

/// How items scatter, for one fibre and between fibres.
struct Spreads {
    /// Length of A's axis per length of B's, and centre of the difference.
    ratio: f64,
    length: (f64, f64),
    /// Factor on the stated errors of places.
    place_factor: f64,
    /// By joint: how far places of two fibres are apart, metres.
    place_other: BTreeMap<usize, f64>,
    /// By joint: middle of the sums, their spread in one fibre, and between fibres.
    sum: BTreeMap<usize, (f64, f64, f64)>,
}

fn patterns(labelled: &[Labelled<'_>], reference: &Reference) -> Vec<(usize, [Pattern; 2])> {
    labelled
        .iter()
        .filter_map(|l| {
            let a = pattern(&l.seen[0], false, reference)?;
            let b = pattern(&l.seen[1], true, reference)?;
            Some((l.fibre, [a, b]))
        })
        .collect()
}

/// Natural logarithm of the likelihood of a pairing over that of the labels, in traces of
/// another wavelength than that at which it was found; none where some are not there.
pub(super) fn support(
    labelled: &[Labelled<'_>],
    reference: &Reference,
    pairs: &[(usize, usize)],
) -> Option<f64> {
    let patterns = patterns(labelled, reference);
    let spreads = spreads(&patterns);
    let of = |fibre: usize| patterns.iter().find(|(f, _)| *f == fibre).map(|(_, p)| p);
    let mut sum = 0.0;
    for &(a, b) in pairs {
        let (mine, other) = (of(a)?, of(b)?);
        sum +=
            spreads.score(&mine[0], &other[1]).total() - spreads.score(&mine[0], &mine[1]).total();
    }
    Some(sum)
}

/// Looks for traces that belong together under other names than they carry.
pub(super) fn crossings(labelled: &[Labelled<'_>], reference: &Reference) -> Vec<Crossing> {
    let patterns = patterns(labelled, reference);
    let n = patterns.len();
    if n < 2 {
        return Vec::new();
    }
    let spreads = spreads(&patterns);
    let score = |i: usize, j: usize| spreads.score(&patterns[i].1[0], &patterns[j].1[1]);
    let own: Vec<Score> = (0..n).map(|i| score(i, i)).collect();
    let suspects: Vec<usize> = (0..n).filter(|&i| own[i].least < CONTRADICTS).collect();
    if suspects.len() < 2 {
        return Vec::new();
    }
    let scores: Vec<Vec<Score>> = suspects
        .iter()
        .map(|&i| suspects.iter().map(|&j| score(i, j)).collect())
        .collect();
    let image = best_images(&scores);
    let pairs_of_cable = n as f64 * (n as f64 - 1.0) / 2.0;
    let needed = (pairs_of_cable / FALSE_CROSSING).ln();
    rings(&image)
        .into_iter()
        .filter_map(|ring| {
            let gain = |part: fn(Score) -> f64| -> f64 {
                ring.iter()
                    .map(|&s| part(scores[s][image[s]]) - part(scores[s][s]))
                    .sum()
            };
            let (from_lengths, from_joints) = (gain(|s| s.length), gain(|s| s.joints));
            let found = from_lengths + from_joints;
            (found > needed && from_joints > FROM_JOINTS).then(|| Crossing {
                pairs: ring
                    .iter()
                    .map(|&s| (patterns[suspects[s]].0, patterns[suspects[image[s]]].0))
                    .collect(),
                log_likelihood_ratio: found,
                from_joints,
                from_lengths,
                needed,
            })
        })
        .collect()
}

/// For each trace from A the trace from B that belongs to it in the likeliest pairing of
/// all, with those put back to their own that the likelihood hardly needs elsewhere.
fn best_images(scores: &[Vec<Score>]) -> Vec<usize> {
    let n = scores.len();
    let weights = Matrix::from_fn(n, n, |(i, j)| (scores[i][j].total() * 1e6).round() as i64);
    let (_, mut image) = kuhn_munkres(&weights);
    let total = |image: &[usize]| -> f64 {
        image
            .iter()
            .enumerate()
            .map(|(i, &j)| scores[i][j].total())
            .sum()
    };
    loop {
        let now = total(&image);
        let back = (0..n)
            .filter(|&s| image[s] != s)
            .filter_map(|s| {
                let taker = image.iter().position(|&j| j == s)?;
                let mut other = image.clone();
                other.swap(s, taker);
                let lost = now - total(&other);
                (lost < TELLS_NOTHING).then_some((lost, other))
            })
            .min_by(|p, q| p.0.total_cmp(&q.0));
        match back {
            Some((_, other)) => image = other,
            None => return image,
        }
    }
}

/// The rings of a permutation that have more than one member.
fn rings(image: &[usize]) -> Vec<Vec<usize>> {
    let mut done = vec![false; image.len()];
    let mut found = Vec::new();
    for start in 0..image.len() {
        let mut ring = Vec::new();
        let mut at = start;
        while !done[at] {
            done[at] = true;
            ring.push(at);
            at = image[at];
        }
        if ring.len() > 1 {
            found.push(ring);
        }
    }
    found
}

/// What a trace shows of the cable's joints, B's turned onto A's side.
fn pattern(glimpse: &Glimpse, is_b: bool, reference: &Reference) -> Option<Pattern> {
    let length_m = glimpse.length_m.filter(|l| *l > 0.0)?;
    // A broken fibre, or no fibre of this cable.
    if (length_m - reference.length_m).abs() > 0.02 * reference.length_m {
        return None;
    }
    let joints: Vec<(f64, f64)> = reference
        .joints
        .iter()
        .map(|j| (j.u_m, j.scatter_m))
        .collect();
    let mut events: Vec<(f64, Spot)> = glimpse
        .events
        .iter()
        .enumerate()
        .map(|(index, event)| {
            let share = event.place_m / length_m;
            let share = if is_b { 1.0 - share } else { share };
            let error_m = event.error_m.unwrap_or(glimpse.pulse_m);
            (
                index as f64,
                Spot {
                    u_m: share * reference.length_m,
                    error_m,
                    seen: true,
                },
            )
        })
        .collect();
    events.sort_by(|p, q| p.1.u_m.total_cmp(&q.1.u_m));
    let spots: Vec<Spot> = events.iter().map(|(_, spot)| *spot).collect();
    let found = assign_fibre(&spots, &joints)
        .into_iter()
        .zip(&events)
        .filter_map(|(joint, (index, spot))| {
            let event = glimpse.events.get(*index as usize)?;
            Some((
                joint?,
                Seen {
                    place_m: event.place_m,
                    error_m: spot.error_m.max(LEAST_ERROR * glimpse.spacing_m),
                    reading: event.reading_db.zip(event.reading_error_db),
                },
            ))
        })
        .collect();
    Some(Pattern {
        length_m,
        length_error_m: glimpse.length_error_m.unwrap_or(glimpse.spacing_m),
        joints: found,
    })
}

fn spreads(patterns: &[(usize, [Pattern; 2])]) -> Spreads {
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
    let mut sums: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let mut other_places: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let mut other_sums: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    let n = patterns.len();
    for (i, (_, pair)) in patterns.iter().enumerate() {
        for common in common(&pair[0], &pair[1], ratio) {
            misses.push(common.off_m / common.error_m);
            if let Some((sum, _)) = common.sum {
                sums.entry(common.joint).or_default().push(sum);
            }
        }
        for step in 1..=COMPARED.min(n - 1) {
            let Some((_, other)) = patterns.get((i + step) % n) else {
                continue;
            };
            for common in common(&pair[0], &other[1], ratio) {
                other_places
                    .entry(common.joint)
                    .or_default()
                    .push(common.off_m);
                if let Some((sum, _)) = common.sum {
                    other_sums.entry(common.joint).or_default().push(sum);
                }
            }
        }
    }
    let place_factor = robust_spread(&misses, 0.0).unwrap_or(1.0).max(1.0);
    let spread_of = |values: &[f64]| -> Option<(f64, f64)> {
        let middle = median(values.to_vec())?;
        Some((middle, robust_spread(values, middle)?))
    };
    let place_other = other_places
        .iter()
        .filter_map(|(joint, off)| Some((*joint, robust_spread(off, 0.0)?)))
        .collect();
    let sum = sums
        .iter()
        .filter_map(|(joint, sums)| {
            let (middle, own) = spread_of(sums)?;
            let other = robust_spread(other_sums.get(joint)?, middle)?;
            Some((*joint, (middle, own, other)))
        })
        .collect();
    Spreads {
        ratio,
        length: (length_own, among * std::f64::consts::SQRT_2),
        place_factor,
        place_other,
        sum,
    }
}

/// A joint that both traces of a pairing show.
struct Common {
    joint: usize,
    /// How far its two places are from meeting, once the others meet on the whole.
    off_m: f64,
    error_m: f64,
    /// Sum of the two readings, with its error.
    sum: Option<(f64, f64)>,
}

/// The joints that a trace from A and one from B both show, with B laid on A so that their
/// joints meet on the whole: no length enters.
fn common(a: &Pattern, b: &Pattern, ratio: f64) -> Vec<Common> {
    let mut found: Vec<Common> = a
        .joints
        .iter()
        .filter_map(|(joint, p)| {
            let q = b.joints.get(joint)?;
            let sum = p.reading.zip(q.reading);
            Some(Common {
                joint: *joint,
                off_m: p.place_m + ratio * q.place_m,
                error_m: p.error_m.hypot(ratio * q.error_m),
                sum: sum.map(|((x, u), (y, v))| (x + y, u.hypot(v))),
            })
        })
        .collect();
    let middle = median(found.iter().map(|c| c.off_m).collect()).unwrap_or(0.0);
    for common in &mut found {
        common.off_m -= middle;
    }
    found
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
    fn score(&self, a: &Pattern, b: &Pattern) -> Score {
        let mut score = Score::default();
        score.length = item(
            a.length_m - self.ratio * b.length_m,
            self.length
                .0
                .hypot(a.length_error_m.hypot(b.length_error_m)),
            self.length.1,
        );
        score.least = score.length;
        for common in common(a, b, self.ratio) {
            let place = item(
                common.off_m,
                self.place_factor * common.error_m,
                self.place_other.get(&common.joint).copied().unwrap_or(0.0),
            );
            let sum = match (common.sum, self.sum.get(&common.joint)) {
                (Some((sum, error)), Some(&(middle, own, other))) => {
                    item(sum - middle, own.hypot(error), other)
                }
                _ => 0.0,
            };
            score.joints += place + sum;
            score.least = score.least.min(place).min(sum);
        }
        score
    }
}

#[cfg(test)]
mod tests {
    use super::super::cluster::Cluster;
    use super::*;
    use crate::both_ways::OwnEvent;
    use proptest::prelude::*;

    /// A fibre of invented joints: places off the usual by `off` metres, losses, steps.
    fn fibre(off: &[f64], loss: &[f64], step: &[f64], length_m: f64) -> [Glimpse; 2] {
        let places: Vec<f64> = (0..off.len())
            .map(|k| (k + 1) as f64 * 2000.0 + off[k])
            .collect();
        let of = |is_b: bool| Glimpse {
            length_m: Some(length_m),
            length_error_m: Some(0.3),
            light_ends_m: None,
            ends_reflective: true,
            pulse_m: 10.0,
            spacing_m: 1.0,
            events: (0..off.len())
                .map(|k| OwnEvent {
                    place_m: if is_b {
                        length_m - places[k]
                    } else {
                        places[k]
                    },
                    error_m: Some(0.4),
                    reading_db: Some(if is_b {
                        loss[k] - step[k]
                    } else {
                        loss[k] + step[k]
                    }),
                    reading_error_db: Some(0.002),
                    reflective: false,
                })
                .collect(),
        };
        [of(false), of(true)]
    }

    fn cable(seeds: &[f64]) -> (Vec<[Glimpse; 2]>, Reference) {
        let fibres = seeds
            .chunks_exact(13)
            .map(|s| {
                let off: Vec<f64> = s[..4].iter().map(|x| 6.0 * (x - 0.5)).collect();
                let loss: Vec<f64> = s[4..8].iter().map(|x| 0.03 + 0.04 * x).collect();
                let step: Vec<f64> = s[8..12].iter().map(|x| 0.4 * (x - 0.5)).collect();
                fibre(&off, &loss, &step, 10_000.0 + 8.0 * (s[12] - 0.5))
            })
            .collect();
        let reference = Reference {
            length_m: 10_000.0,
            joints: (1..=4)
                .map(|k| Cluster {
                    u_m: f64::from(k) * 2000.0,
                    scatter_m: 2.0,
                    fibres: 12,
                })
                .collect(),
        };
        (fibres, reference)
    }

    fn found(fibres: &[[Glimpse; 2]], reference: &Reference) -> Vec<Crossing> {
        let labelled: Vec<Labelled<'_>> = fibres
            .iter()
            .enumerate()
            .map(|(fibre, seen)| Labelled { fibre, seen })
            .collect();
        crossings(&labelled, reference)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Right labels are never called crossed; two traces from B exchanged are found,
        /// with their own fibres and no other.
        #[test]
        fn what_is_crossed_is_found_and_nothing_else(
            seeds in prop::collection::vec(0.0..1.0f64, 13 * 12),
            pair in (0usize..12, 1usize..12),
        ) {
            let (mut fibres, reference) = cable(&seeds);
            prop_assert_eq!(found(&fibres, &reference), Vec::new());
            let (i, j) = (pair.0, (pair.0 + pair.1) % 12);
            let of_i = fibres[i][1].clone();
            fibres[i][1] = std::mem::replace(&mut fibres[j][1], of_i);
            let crossings = found(&fibres, &reference);
            prop_assert_eq!(crossings.len(), 1);
            let mut pairs = crossings[0].pairs.clone();
            pairs.sort_unstable();
            let mut wanted = vec![(i, j), (j, i)];
            wanted.sort_unstable();
            prop_assert_eq!(pairs, wanted);
        }
    }

    /// Lengths that would fit better the other way round are not enough where the joints
    /// fit as labelled.
    #[test]
    fn lengths_alone_cross_no_fibres() {
        let seeds: Vec<f64> = (0..13 * 12)
            .map(|k| f64::from(k * 37 % 101) / 101.0)
            .collect();
        let (mut fibres, reference) = cable(&seeds);
        let lengths = [fibres[2][1].length_m, fibres[3][1].length_m];
        for (fibre, length) in [(2, lengths[1]), (3, lengths[0])] {
            let seen = &mut fibres[fibre][1];
            let ratio = length.unwrap() / seen.length_m.unwrap();
            seen.length_m = length;
            for event in &mut seen.events {
                event.place_m *= ratio;
            }
        }
        assert_eq!(found(&fibres, &reference), Vec::new());
    }

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
