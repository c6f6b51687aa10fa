//! Trays that are shifted as a whole.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;
use statrs::distribution::{Binomial, DiscreteCDF};

use crate::cable::draft::median;
use crate::cable::finding::{Finding, FindingKind};
use crate::units::{Loss, Measured};

use super::usual::{Usual, losses};
use super::{At, Facts};

/// Standard errors of the measurement by which a tray must also lie above the others, so
/// that no shift is made of noise alone.
const ABOVE_NOISE: f64 = 5.0;

/// Fewest fibres of a tray: what a single one shows is an outlier.
const FEWEST: usize = 2;

/// Tubes whose fibres lose more at a joint than those of the other tubes.
///
/// The difference of the two middles is held against chance: how often two groups of so
/// many splices differ so much, if each is drawn from all the losses of the cable
/// ([`Usual`]). Ranks alone cannot tell: of three fibres among twelve, the best order of
/// all comes once in 455 draws, in a cable of a hundred trays. Bad joints count on both
/// sides, in the tray and in how splices scatter: where a tray loses 0.1 dB more, most of
/// its joints are bad, and without them nothing would be left to tell.
pub(super) fn shifted_trays(facts: &Facts<'_>, leave_out: &BTreeSet<At>) -> Vec<Finding> {
    let mut tubes: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (index, fibre) in facts.draft.fibres.iter().enumerate() {
        if let Some(tube) = &fibre.tube {
            tubes.entry(tube).or_default().push(index);
        }
    }
    let splices: Vec<usize> = facts.splices().collect();
    let tests = tubes.len() * splices.len() * facts.wavelengths();
    let allowed = facts.rules.false_finding_chance / tests.max(1) as f64;
    let usual: Vec<Option<Usual>> = (0..facts.wavelengths())
        .map(|w| Usual::of(facts, w, leave_out))
        .collect();
    let of_joint = |&joint: &usize| -> Vec<Finding> {
        let tubes = tubes.iter();
        let shifted = tubes.filter_map(|(tube, members)| {
            let best = (usual.iter().enumerate())
                .filter_map(|(w, usual)| {
                    let all = losses(facts, joint, w, leave_out);
                    let typical = median(all.iter().map(|one| one.2).collect())?;
                    let (inside, outside): (Vec<_>, Vec<_>) =
                        (all.iter()).partition(|one| members.contains(&one.0));
                    let of = |group: Vec<&(usize, f64, f64)>| group.iter().map(|g| g.1).collect();
                    let groups = (of(inside), of(outside));
                    shift(usual.as_ref()?, groups, typical, allowed).map(|s| (w, s))
                })
                .min_by(|p, q| p.1.chance.total_cmp(&q.1.chance))?;
            Some(finding(facts, joint, (tube, members), best, allowed))
        });
        shifted.collect()
    };
    let findings: Vec<Vec<Finding>> = splices.par_iter().map(of_joint).collect();
    findings.into_iter().flatten().collect()
}

/// A tube that lies above the others at a joint, at the wavelength with an index.
fn finding(
    facts: &Facts<'_>,
    joint: usize,
    (tube, members): (&str, &[usize]),
    (w, shift): (usize, Shift),
    allowed: f64,
) -> Finding {
    // Tubes without a name of their own are numbered: `tube 2`.
    let word = if tube.starts_with("tube") {
        ""
    } else {
        "tube "
    };
    Finding::of(
        FindingKind::ShiftedTray,
        members.iter().map(|&f| facts.fibre_name(f)).collect(),
        format!(
            "the fibres of {word}{tube} lose {:.3} dB more at {} than those of the other tubes \
             ({:.3} against {:.3} dB at {:.0} nm): look at the whole tray (tube kinked \
             or pulled, tray squeezed) before any single joint",
            shift.by,
            facts.joint_name(joint),
            shift.middle,
            shift.others,
            facts.wavelength(w).nm(),
        ),
    )
    .at(
        Some(joint),
        facts.draft.joints.get(joint).map(|j| j.position.value),
    )
    .in_light(facts.wavelength(w))
    .losing(Measured {
        value: Loss::from_db(shift.by),
        std_error: Some(Loss::from_db(shift.error)),
    })
    .text("tube", tube)
    .number("middle_of_tube_db", shift.middle)
    .number("middle_of_others_db", shift.others)
    .number("chance", shift.chance)
    .number("chance_allowed", allowed)
}

/// By how much a tube lies above the others.
struct Shift {
    by: f64,
    error: f64,
    middle: f64,
    others: f64,
    /// Chance that two groups of so many fibres differ so much.
    chance: f64,
}

/// The lower middle of the tube's losses above the upper middle of the others', where its
/// fibres are enough, it is above noise, and it comes less often by chance than `allowed`;
/// `typical` is the error of one loss.
fn shift(
    usual: &Usual,
    (mut inside, mut outside): (Vec<f64>, Vec<f64>),
    typical: f64,
    allowed: f64,
) -> Option<Shift> {
    let (n, m) = (inside.len(), outside.len());
    if n < FEWEST || m == 0 {
        return None;
    }
    inside.sort_by(f64::total_cmp);
    outside.sort_by(f64::total_cmp);
    let (lower, upper) = ((n - 1) / 2, m / 2);
    let (middle, others) = (*inside.get(lower)?, *outside.get(upper)?);
    let by = middle - others;
    // A median's error is √(π/2) of a mean's.
    let error = typical * (std::f64::consts::FRAC_PI_2 * (1.0 / n as f64 + 1.0 / m as f64)).sqrt();
    if by <= ABOVE_NOISE * error {
        return None;
    }
    // The others' upper middle is at or below a distance where more than `upper` of them
    // are; the tube's lower middle is at or beyond one where all but `lower` of its are.
    let at_most = |p: f64, least: usize, of: usize| -> Option<f64> {
        let count = Binomial::new(p.clamp(0.0, 1.0), of as u64).ok()?;
        Some(count.sf((least as u64).checked_sub(1)?))
    };
    let distances = usual.distances();
    let total = distances.len() as f64;
    // Of m draws a share of q or more comes less than e⁻⁴⁰ of the time where each comes with
    // a chance of q − √(20/m) at most (Hoeffding's bound, exp(−2·m·t²)), and a share less than q
    // less than e⁻⁴⁰ of the time where each comes with q + √(20/m) at least.
    let (share_of_others, reach) = ((upper + 1) as f64 / m as f64, (20.0 / m as f64).sqrt());
    let (mut before, mut chance) = (0.0, 0.0);
    for (index, distance) in distances.iter().enumerate() {
        let share = (index + 1) as f64 / total;
        if share < share_of_others - reach {
            continue;
        }
        let now = at_most(share, upper + 1, m)?;
        chance += (now - before) * at_most(usual.beyond(distance + by), n - lower, n)?;
        before = now;
        if chance >= allowed {
            return None;
        }
        // All distances beyond add less than that chance.
        if share > share_of_others + reach {
            break;
        }
    }
    Some(Shift {
        by,
        error,
        middle,
        others,
        chance,
    })
}

#[cfg(test)]
mod tests {
    use super::super::usual::tests::usual;
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, LogNormal};

    /// Closed form: three uniform draws from −1 to 1, of which two (the lower of them
    /// counts) lie d above the third: ∫ ((1 − v − d)/2)² dv/2 = (2 − d)³/24.
    #[test]
    fn two_fibres_above_a_third_one_of_an_even_spread() {
        let off: Vec<f64> = (0..2000)
            .map(|k| (f64::from(k) + 0.5) / 1000.0 - 1.0)
            .collect();
        let usual = usual(&off);
        for d in [0.1, 0.3, 1.0, 1.5] {
            let found = shift(&usual, (vec![0.2 + d, 0.5 + d], vec![0.2]), 0.001, 1.1).unwrap();
            assert!((found.by - d).abs() < 1e-12);
            let wanted = (2.0 - d).powi(3) / 24.0;
            // Two thousand steps, and one more than was seen beyond each place.
            assert!(
                (found.chance - wanted).abs() < 2e-3,
                "{d}: {} for {wanted}",
                found.chance
            );
        }
        assert!(shift(&usual, (vec![0.2], vec![0.0; 11]), 0.001, 1.1).is_none());
        // Five standard errors of two medians: 5·√(π/2·(1/2 + 1)) of one loss's, 7.675.
        let at = |error: f64| shift(&usual, (vec![1.0, 1.0], vec![0.0]), error, 1.1);
        assert!(at(1.0 / 7.6).is_none() && at(1.0 / 7.7).is_some());
    }

    /// Second computation: the sum over all distances. Twelve fibres against so many that most
    /// distances are out of the question; the middles are the seventh of 12 from above and the
    /// 195th of 388.
    #[test]
    fn distances_left_out_change_no_chance() {
        let mut random = ChaCha8Rng::seed_from_u64(2);
        let losses = LogNormal::new(0.03_f64.ln(), 0.6).unwrap();
        let mut draw =
            |n: usize| -> Vec<f64> { (0..n).map(|_| losses.sample(&mut random)).collect() };
        let (pool, inside, outside) = (draw(400), draw(12), draw(388));
        let inside: Vec<f64> = inside.iter().map(|loss| loss + 0.01).collect();
        let usual = usual(&pool);
        let found = shift(&usual, (inside, outside), 1e-4, 1.1).unwrap();
        let at_most = |p: f64, least: u64, of: u64| Binomial::new(p, of).unwrap().sf(least - 1);
        let total = usual.distances().len() as f64;
        let (mut before, mut wanted) = (0.0, 0.0);
        for (k, distance) in usual.distances().iter().enumerate() {
            let now = at_most((k + 1) as f64 / total, 195, 388);
            wanted += (now - before) * at_most(usual.beyond(distance + found.by), 7, 12);
            before = now;
        }
        assert!(wanted > 1e-6, "{wanted}");
        approx::assert_relative_eq!(found.chance, wanted, max_relative = 1e-9);
    }

    /// Groups drawn from the same skewed losses as the cable's: a chance below 5 % comes in
    /// no more than 5 % of 1,000 draws, but for three standard errors of that share (2.1 %).
    #[test]
    fn equal_trays_differ_no_more_often_than_said() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let losses = LogNormal::new(0.03_f64.ln(), 0.6).unwrap();
        let mut draw =
            |n: usize| -> Vec<f64> { (0..n).map(|_| losses.sample(&mut random) - 0.03).collect() };
        for (n, m) in [(2, 12), (3, 12), (12, 3), (12, 36)] {
            let below = (0..1000)
                .filter(|_| {
                    let (pool, inside, outside) = (draw(100), draw(n), draw(m));
                    shift(&usual(&pool), (inside, outside), 1e-4, 0.05).is_some()
                })
                .count();
            assert!(below < 72, "{n} and {m}: {below} in 1000");
            // A test that never speaks would pass, too.
            assert!(below > 5, "{n} and {m}: {below} in 1000");
        }
    }
}
