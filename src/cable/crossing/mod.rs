//! Crossed fibres: which trace from B belongs to which trace from A.
//!
//! The two traces of one fibre agree in five things that fibres of one cable differ
//! in: the length, the places of the joints along it, how steeply they fall between
//! these, the sum of the two one-way readings of a joint, in which the backscatter step
//! cancels, and how that sum changes from one wavelength to another, which in one fibre
//! is next to nothing. Where one wavelength alone may be crossed, its traces also agree
//! with those of another wavelength from the same end, in readings and length. Each item
//! weighs as the logarithm of how much likelier its difference is for one fibre
//! than for two. How far the differences scatter is taken from the cable itself: for
//! one fibre from the labelled pairs, most of which are right, by medians; for two
//! from the fibres among each other.

mod assign;
mod pattern;
mod spread;

use std::collections::BTreeSet;

use crate::both_ways::{Glimpse, Link};

use super::place::Reference;
use super::slopes::Slopes;
use assign::{best_images, rings, suspects, with_best_partners};
use pattern::patterns;
use spread::{Most, Spreads, Tails, spreads};

/// Chance of a false crossing in a whole cable. Our choice: nobody should open a closure
/// for one.
const FALSE_CROSSING: f64 = 1e-3;

/// What the joints alone must say for each exchange of a crossing, as natural logarithm of
/// the odds: twenty to one, what is called significant. Lengths alone are never enough,
/// neither for a ring nor for taking two fibres more into one. Our choice.
const FROM_JOINTS: f64 = 3.0;

/// Share of crossings that have a third fibre: they are two exchanges, and of those which
/// hold a given exchange there are two thirds as many as fibres. Our choice.
const OF_THREE: f64 = 0.1;

/// Two traces of one label at one wavelength.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown<'g> {
    /// What each shows by itself, A's first.
    pub(super) seen: &'g [Glimpse; 2],
    /// What they read at the cable's joints, measured together as labelled.
    pub(super) link: Option<&'g Link>,
}

/// The traces of one fibre at one wavelength.
#[derive(Debug, Clone, Copy)]
pub(super) struct Labelled<'g> {
    /// Index of the fibre.
    pub(super) fibre: usize,
    /// What its two traces show.
    pub(super) here: Shown<'g>,
    /// How steeply they fall between the joints.
    pub(super) slopes: Option<&'g [Slopes; 2]>,
    /// The same label at another wavelength, where the traces of both are taken to be crossed
    /// alike.
    pub(super) other: Option<Shown<'g>>,
    /// The same label at another wavelength, where only the traces of this one are taken to
    /// be crossed.
    pub(super) beside: Option<Shown<'g>>,
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
    /// Whether the joints give their share; where they do not, it is a doubt and no more.
    pub(super) joints_agree: bool,
}

/// Sums over the items of a pairing.
#[derive(Debug, Clone, Copy, Default)]
struct Score {
    length: f64,
    joints: f64,
}

impl Score {
    fn total(self) -> f64 {
        self.length + self.joints
    }
}

/// What a third fibre must gain to be held as doubtful among so many: it need only be
/// likelier than not.
fn to_doubt(fibres: usize) -> f64 {
    (2.0 / 3.0 * fibres as f64 / OF_THREE).ln()
}

/// What a third must gain to be named. It must earn it as two do: of all the other fibres, each
/// in either order, hardly any may join a crossing of two by chance.
fn to_join(fibres: usize) -> f64 {
    let thirds = 2.0 * (fibres as f64 - 2.0);
    to_doubt(fibres).max((thirds / FALSE_CROSSING).ln())
}

/// Looks for traces that belong together under other names than they carry. Where the
/// lengths say so and the joints cannot tell, that is a doubt ([`Crossing::joints_agree`]).
pub(super) fn crossings(labelled: &[Labelled<'_>], reference: &Reference) -> Vec<Crossing> {
    let patterns = patterns(labelled, reference);
    let n = patterns.len();
    if n < 2 {
        return Vec::new();
    }
    let pairs_of_cable = n as f64 * (n as f64 - 1.0) / 2.0;
    let needed = (pairs_of_cable / FALSE_CROSSING).ln();
    let look = |spreads: &Spreads, to_join: f64| {
        let score = |i: usize, j: usize| spreads.score(&patterns[i].1[0], &patterns[j].1[1]);
        let total = |i: usize, j: usize| score(i, j).total();
        let own: Vec<f64> = (0..n).map(|i| total(i, i)).collect();
        let most: Vec<Most> = (patterns.iter().map(|(_, pair)| spreads.most(&pair[0]))).collect();
        let above = |i: usize, j: usize, least: f64| {
            spreads.total_above((&patterns[i].1[0], &most[i]), &patterns[j].1[1], least)
        };
        let suspects = with_best_partners(suspects(&own, &above), n, &total);
        let scores: Vec<Vec<Score>> = suspects
            .iter()
            .map(|&i| suspects.iter().map(|&j| score(i, j)).collect())
            .collect();
        let image = best_images(&scores, to_join);
        (suspects, scores, image)
    };
    // Where many fibres of a small cable are crossed, what the labels show is theirs in
    // part: the fibres that may be are found first, and then held against the others.
    let (suspects, _, image) = look(
        &spreads(&patterns, &BTreeSet::new(), Tails::LeftOut),
        to_doubt(n),
    );
    let in_doubt: BTreeSet<usize> = (suspects.iter().enumerate())
        .filter(|&(s, _)| image[s] != s)
        .map(|(_, &i)| i)
        .collect();
    let (suspects, scores, image) =
        look(&spreads(&patterns, &in_doubt, Tails::Counted), to_join(n));
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
            let exchanges = ring.len() as f64 - 1.0;
            // What the joints deny is no doubt either.
            let denied = from_joints < -exchanges * FROM_JOINTS;
            (found > needed && !denied).then(|| Crossing {
                pairs: ring
                    .iter()
                    .map(|&s| (patterns[suspects[s]].0, patterns[suspects[image[s]]].0))
                    .collect(),
                log_likelihood_ratio: found,
                from_joints,
                from_lengths,
                needed,
                joints_agree: from_joints > exchanges * FROM_JOINTS,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::cluster::Cluster;
    use super::*;
    use crate::both_ways::OwnEvent;
    use proptest::prelude::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

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

    fn exchange(fibres: &mut [[Glimpse; 2]], i: usize, j: usize) {
        let of_i = fibres[i][1].clone();
        fibres[i][1] = std::mem::replace(&mut fibres[j][1], of_i);
    }

    fn found(fibres: &[[Glimpse; 2]], reference: &Reference) -> Vec<Crossing> {
        let labelled: Vec<Labelled<'_>> = fibres
            .iter()
            .enumerate()
            .map(|(fibre, seen)| Labelled {
                fibre,
                here: Shown { seen, link: None },
                slopes: None,
                other: None,
                beside: None,
            })
            .collect();
        crossings(&labelled, reference)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Right labels are never called crossed; two traces from B exchanged are found,
        /// with their own fibres and no other, where the two fibres differ by six standard
        /// deviations at two joints. One such joint gives at most twice ln 100 and what the
        /// right pairing earns, some 12.6 against the 11.1 that are needed, so that the
        /// others can take it away (one draw in 15,000); fibres of like joints cannot be
        /// told apart at all.
        ///
        /// The standard deviation is that of the sum of two readings in one fibre, twice a
        /// loss uniform over 0.04 dB: 2 × 0.04 / √12 = 0.0231 dB.
        #[test]
        fn what_is_crossed_is_found_and_nothing_else(
            seeds in prop::collection::vec(0.0..1.0f64, 13 * 12),
            pair in (0usize..12, 1usize..12),
        ) {
            let (mut fibres, reference) = cable(&seeds);
            prop_assert_eq!(found(&fibres, &reference), Vec::new());
            let (i, j) = (pair.0, (pair.0 + pair.1) % 12);
            let step = |fibre: usize, joint: usize| 0.4 * seeds[13 * fibre + 8 + joint];
            let unlike = |k: &usize| (step(i, *k) - step(j, *k)).abs() > 6.0 * 0.0231;
            prop_assume!((0..4).filter(unlike).count() >= 2);
            exchange(&mut fibres, i, j);
            let crossings = found(&fibres, &reference);
            prop_assert_eq!(crossings.len(), 1);
            let mut pairs = crossings[0].pairs.clone();
            pairs.sort_unstable();
            let mut wanted = vec![(i, j), (j, i)];
            wanted.sort_unstable();
            prop_assert_eq!(pairs, wanted);
        }
    }

    /// Of a hundred cables of twelve fibres, those of which a test says that it missed.
    fn missed_of_a_hundred(
        seed: u64,
        is_missed: impl Fn(Vec<[Glimpse; 2]>, &Reference) -> bool,
    ) -> usize {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..100)
            .filter(|_| {
                let seeds: Vec<f64> = (0..13 * 12).map(|_| random.random()).collect();
                let (fibres, reference) = cable(&seeds);
                is_missed(fibres, &reference)
            })
            .count()
    }

    /// Two crossed pairs of twelve fibres, a third of what the labels show of one fibre, are
    /// both found, and nothing else. Of a hundred draws some hold two fibres that are alike
    /// at most joints, which nothing can tell apart: five may fail.
    #[test]
    fn a_third_of_the_fibres_crossed_hides_no_crossing() {
        let missed = missed_of_a_hundred(5, |mut fibres, reference| {
            for (i, j) in [(1, 7), (4, 9)] {
                exchange(&mut fibres, i, j);
            }
            let mut pairs: Vec<(usize, usize)> = (found(&fibres, reference).into_iter())
                .flat_map(|crossing| crossing.pairs)
                .collect();
            pairs.sort_unstable();
            pairs != [(1, 7), (4, 9), (7, 1), (9, 4)]
        });
        assert!(missed <= 5, "{missed} of 100");
    }

    /// Three fibres crossed in a ring are one crossing of three, not one of the two that
    /// explain most of it; of a hundred draws five may hold fibres too much alike.
    #[test]
    fn a_ring_of_three_is_found_whole() {
        let missed = missed_of_a_hundred(6, |mut fibres, reference| {
            exchange(&mut fibres, 2, 5);
            exchange(&mut fibres, 5, 8);
            let crossings = found(&fibres, reference);
            crossings.len() != 1 || crossings[0].pairs.len() != 3
        });
        assert!(missed <= 5, "{missed} of 100");
    }

    /// Traces from B exchanged at one wavelength: taken alone they are crossed, held against
    /// the other wavelength, at which they are not. Taken as crossed at both they agree with
    /// nothing, and where both are, the one alone is not said to be.
    #[test]
    fn which_wavelengths_are_crossed_is_told() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let seeds: Vec<f64> = (0..13 * 12).map(|_| random.random()).collect();
        let (there, reference) = cable(&seeds);
        let mut here = there.clone();
        exchange(&mut here, 3, 10);
        let of = |here: &[[Glimpse; 2]], there: &[[Glimpse; 2]], alone: bool| {
            let labelled: Vec<Labelled<'_>> = (here.iter().zip(there).enumerate())
                .map(|(fibre, (here, there))| {
                    let there = Some(Shown {
                        seen: there,
                        link: None,
                    });
                    Labelled {
                        fibre,
                        here: Shown {
                            seen: here,
                            link: None,
                        },
                        slopes: None,
                        other: there.filter(|_| !alone),
                        beside: there.filter(|_| alone),
                    }
                })
                .collect();
            let ratio = crossings(&labelled, &reference);
            ratio.iter().map(|c| c.log_likelihood_ratio).sum::<f64>()
        };
        let (alone, both) = (of(&here, &there, true), of(&here, &there, false));
        assert!(alone > both && alone > 20.0, "{alone} and {both}");
        assert!(of(&here, &here, true) < of(&here, &here, false));
    }

    /// A third fibre must gain as much as one of the 2·142 ways to add it to a crossing of two
    /// among 144 fibres gains by chance in one cable of a thousand: ln 284,000 = 12.557. One
    /// that adds 8 stays with its own; one that adds 13 does not.
    #[test]
    fn a_third_fibre_must_earn_its_place() {
        assert!((to_join(144) - 12.557).abs() < 5e-4);
        for (adds, wanted) in [(8.0, [1, 0, 2]), (13.0, [1, 2, 0])] {
            let mut scores = vec![vec![Score::default(); 3]; 3];
            // Exchanged, 0 and 1 gain 30; in a ring with 2 they gain so much more.
            for (i, j, joints) in [(0, 1, 20.0), (1, 0, 10.0), (1, 2, 5.0), (2, 0, 5.0 + adds)] {
                scores[i][j].joints = joints;
            }
            assert_eq!(best_images(&scores, to_join(144)), wanted);
        }
        // Two fibres have no third.
        assert!((to_join(2) - to_doubt(2)).abs() < f64::EPSILON);
    }

    /// Two fibres exactly alike but for their lengths, crossed: the lengths say so, the joints
    /// nothing, and that is a doubt and no finding.
    ///
    /// Closed form: lengths lie evenly over 8 m, so that the middle distance from their middle is
    /// 8·6/22 m, the spread between two fibres 1.4826·√2 times that, 4.574 m, and with the
    /// stated error of 0.3·√2 m once, 4.594 m. Exchanged, each of the two agrees exactly and
    /// earns ln(0.99·4.594/0.4243 + 0.01); as labelled it is 8 m off, 19 errors, and an odd
    /// item: ln 0.01. The millionth of 10 km that lengths may scatter beside changes that by
    /// less than 0.001.
    #[test]
    fn lengths_alone_are_a_doubt_where_the_joints_tell_nothing() {
        let mut random = ChaCha8Rng::seed_from_u64(8);
        let mut seeds: Vec<f64> = (0..13 * 12).map(|_| random.random()).collect();
        for fibre in 0..12 {
            seeds[13 * fibre + 12] = fibre as f64 / 11.0;
        }
        let alike: Vec<f64> = seeds[..12].to_vec();
        seeds[13 * 11..13 * 11 + 12].copy_from_slice(&alike);
        let (mut fibres, reference) = cable(&seeds);
        exchange(&mut fibres, 0, 11);
        let found = found(&fibres, &reference);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].pairs, [(0, 11), (11, 0)]);
        assert!(!found[0].joints_agree);
        assert!(found[0].from_joints.abs() < 0.01, "{found:?}");
        let earned = (0.99_f64 * 4.594 / 0.4243 + 0.01).ln();
        let wanted = 2.0 * (earned - 0.01_f64.ln());
        assert!(
            (found[0].from_lengths - wanted).abs() < 0.005,
            "{found:?}, {wanted}"
        );
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
}
