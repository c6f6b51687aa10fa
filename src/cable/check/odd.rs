//! Trays that are shifted as a whole, and single fibres far from the others.

use std::collections::{BTreeMap, BTreeSet};

use crate::cable::cluster::quantile;
use crate::cable::draft::median;
use crate::cable::finding::{Finding, FindingKind};
use crate::units::Loss;

use super::{At, Facts, known, measured, plus_minus};

/// Fewest fibres of a tube, and of the others, that can show a shift: fewer leave too few
/// orders to be beyond chance.
const FEWEST: usize = 4;

/// Standard errors by which an outlier must also exceed its joint's middle, so that
/// none is made of noise alone.
const ABOVE_NOISE: f64 = 5.0;

/// Chance that a cable without outliers shows one. Larger than for other findings: an
/// outlier asks for a look, not for a splice. Our choice.
const CHANCE: f64 = 0.2;

/// One fibre's loss at a joint, with its error.
struct Loss1 {
    fibre: usize,
    loss: f64,
    error: f64,
}

fn losses(
    facts: &Facts<'_>,
    joint: usize,
    wavelength: usize,
    leave_out: &BTreeSet<At>,
) -> Vec<Loss1> {
    (0..facts.fibres())
        .filter(|fibre| !leave_out.contains(&(*fibre, joint)))
        .filter_map(|fibre| {
            let (loss, error) = known(&facts.cell(fibre, joint, wavelength)?.loss)?;
            Some(Loss1 { fibre, loss, error })
        })
        .collect()
}

/// Tubes whose fibres all lose more at a joint than those of the other tubes.
///
/// The ranks of the tube's losses among all are held against chance, whatever the
/// distribution of splice losses.
///
/// # Source
/// H. B. Mann, D. R. Whitney, Ann. Math. Stat. 18 (1947) 50: mean and variance of the
/// rank sum (from memory), with its normal limit.
pub(super) fn shifted_trays(facts: &Facts<'_>, leave_out: &BTreeSet<At>) -> Vec<Finding> {
    let mut tubes: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (index, fibre) in facts.draft.fibres.iter().enumerate() {
        if let Some(tube) = &fibre.tube {
            tubes.entry(tube).or_default().push(index);
        }
    }
    let splices: Vec<usize> = facts.splices().collect();
    let tests = tubes.len() * splices.len() * facts.wavelengths();
    let needed = super::threshold(facts.rules.false_finding_chance, tests);
    let mut findings = Vec::new();
    for &joint in &splices {
        for (tube, members) in &tubes {
            let best = (0..facts.wavelengths())
                .filter_map(|w| {
                    let all = losses(facts, joint, w, leave_out);
                    shift(&all, members).map(|shift| (w, shift))
                })
                .filter(|(_, shift)| shift.z > needed && shift.by > ABOVE_NOISE * shift.error)
                .max_by(|p, q| p.1.z.total_cmp(&q.1.z));
            let Some((w, shift)) = best else { continue };
            findings.push(
                Finding::of(
                    FindingKind::ShiftedTray,
                    members.iter().map(|&f| facts.fibre_name(f)).collect(),
                    format!(
                        "the fibres of {tube} lose {:.3} dB more at {} than those of the other tubes \
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
                .losing(crate::units::Measured {
                    value: Loss::from_db(shift.by),
                    std_error: Some(Loss::from_db(shift.error)),
                })
                .text("tube", *tube)
                .number("middle_of_tube_db", shift.middle)
                .number("middle_of_others_db", shift.others)
                .number("standard_errors", shift.z)
                .number("standard_errors_needed", needed),
            );
        }
    }
    findings
}

/// By how much a tube lies above the others.
struct Shift {
    by: f64,
    error: f64,
    middle: f64,
    others: f64,
    /// Rank sum over its standard deviation.
    z: f64,
}

fn shift(all: &[Loss1], members: &[usize]) -> Option<Shift> {
    let (inside, outside): (Vec<&Loss1>, Vec<&Loss1>) =
        all.iter().partition(|one| members.contains(&one.fibre));
    let (n, m) = (inside.len(), outside.len());
    if n < FEWEST || m < FEWEST {
        return None;
    }
    // Pairs in which the tube's fibre loses more.
    let wins: f64 = inside
        .iter()
        .map(|p| {
            let above = |q: &&&Loss1| q.loss < p.loss;
            outside.iter().filter(above).count() as f64
        })
        .sum();
    let (nf, mf) = (n as f64, m as f64);
    let z = (wins - 0.5 * nf * mf) / (nf * mf * (nf + mf + 1.0) / 12.0).sqrt();
    let middle = median(inside.iter().map(|one| one.loss).collect())?;
    let others = median(outside.iter().map(|one| one.loss).collect())?;
    let typical = median(all.iter().map(|one| one.error).collect())?;
    // A median's error is √(π/2) of a mean's.
    let error = typical * (std::f64::consts::FRAC_PI_2 * (1.0 / nf + 1.0 / mf)).sqrt();
    Some(Shift {
        by: middle - others,
        error,
        middle,
        others,
        z,
    })
}

/// Fibres whose loss at a joint is far above the others', though within the limit.
///
/// Splice losses are skewed, so no normal distribution tells how far is far. All losses
/// over the middle of their tray (of their joint, where no plan tells the tubes) give the
/// tail: its quantiles at 50 and 95 % of the positive ones fix an exponential, and the
/// place where it leaves one of so many cells with [`CHANCE`] is the bound. Gives the
/// fibres and joints, too.
pub(super) fn outliers(
    facts: &Facts<'_>,
    leave_out: &BTreeSet<At>,
) -> (Vec<Finding>, BTreeSet<At>) {
    let mut trays: BTreeMap<Option<&str>, Vec<usize>> = BTreeMap::new();
    for (index, fibre) in facts.draft.fibres.iter().enumerate() {
        trays.entry(fibre.tube.as_deref()).or_default().push(index);
    }
    let mut findings: BTreeMap<At, (f64, Finding)> = BTreeMap::new();
    for w in 0..facts.wavelengths() {
        let mut above: Vec<(At, f64, f64, f64)> = Vec::new();
        let mut cells = 0;
        for joint in facts.splices() {
            let whole = losses(facts, joint, w, leave_out);
            for members in trays.values() {
                let all: Vec<&Loss1> = whole
                    .iter()
                    .filter(|one| members.contains(&one.fibre))
                    .collect();
                if all.len() < FEWEST {
                    continue;
                }
                let Some(middle) = median(all.iter().map(|one| one.loss).collect()) else {
                    continue;
                };
                cells += all.len();
                above.extend(
                    all.iter()
                        .filter(|one| one.loss > middle)
                        .map(|one| ((one.fibre, joint), one.loss - middle, one.error, middle)),
                );
            }
        }
        let mut values: Vec<f64> = above.iter().map(|one| one.1).collect();
        let (Some(low), Some(high)) = (quantile(&mut values, 0.5), quantile(&mut values, 0.95))
        else {
            continue;
        };
        // 50 % lie above the lower and 5 % above the higher: a factor of ten.
        let length = (high - low) / 10f64.ln();
        let expected = 0.05 * above.len() as f64 / CHANCE;
        let bound = high + length * expected.max(1.0).ln();
        for (at, excess, error, middle) in above {
            if excess <= bound || excess <= ABOVE_NOISE * error || cells < 2 * FEWEST {
                continue;
            }
            let (fibre, joint) = at;
            let name = facts.fibre_name(fibre);
            let loss = middle + excess;
            let finding = Finding::of(
                FindingKind::Outlier,
                vec![name.clone()],
                format!(
                    "fibre {name} loses {} dB at {}, where the middle of the \
                     others of its tray is {middle:.3} dB ({:.0} nm): within the limit, and far off all the same",
                    plus_minus(loss, error),
                    facts.joint_name(joint),
                    facts.wavelength(w).nm(),
                ),
            )
            .at(
                Some(joint),
                facts.cell(fibre, joint, w).and_then(|cell| cell.position),
            )
            .in_light(facts.wavelength(w))
            .losing(measured(loss, error))
            .number("middle_of_joint_db", middle)
            .number("excess_db", excess)
            .number("excess_needed_db", bound);
            let ratio = excess / bound;
            if findings.get(&at).is_none_or(|(other, _)| ratio > *other) {
                findings.insert(at, (ratio, finding));
            }
        }
    }
    let mut found: Vec<(At, Finding)> = findings.into_iter().map(|(at, (_, f))| (at, f)).collect();
    found.sort_by_key(|((fibre, joint), _)| (*joint, *fibre));
    let places = found.iter().map(|(at, _)| *at).collect();
    (
        found.into_iter().map(|(_, finding)| finding).collect(),
        places,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(fibre: usize, loss: f64) -> Loss1 {
        Loss1 {
            fibre,
            loss,
            error: 0.001,
        }
    }

    /// Closed form: four above four others is 16 of 16 pairs; mean 8, variance
    /// 4·4·9/12 = 12, so z = 8/√12.
    #[test]
    fn ranks_of_a_tube_wholly_above_the_others() {
        let all: Vec<Loss1> = (0..8).map(|k| one(k, f64::from(k as u8) / 100.0)).collect();
        let found = shift(&all, &[4, 5, 6, 7]).unwrap();
        assert!((found.z - 8.0 / 12f64.sqrt()).abs() < 1e-12);
        assert!((found.by - 0.04).abs() < 1e-12);
        assert!(shift(&all, &[5, 6, 7]).is_none());
    }
}
