//! Single fibres far from the others of their joint.

use std::collections::{BTreeMap, BTreeSet};

use crate::cable::finding::{Finding, FindingKind};

use super::usual::Usual;
use super::{At, Facts, measured, plus_minus};

/// Standard errors by which an outlier must also exceed its joint's middle, so that
/// none is made of noise alone.
const ABOVE_NOISE: f64 = 5.0;

/// Chance that a cable without outliers shows one. Larger than for other findings: an
/// outlier asks for a look, not for a splice. Our choice.
const CHANCE: f64 = 0.2;

/// Fibres whose loss at a joint is far above the others', though within the limit.
///
/// Splice losses are skewed, so no normal distribution tells how far is far. All losses
/// over the middle of their tray (of their joint, where no plan tells the tubes) give the
/// tail ([`Usual`]), and the place beyond which it leaves one of so many cells with
/// [`CHANCE`] is the bound.
pub(super) fn outliers(facts: &Facts<'_>, leave_out: &BTreeSet<At>) -> Vec<Finding> {
    let mut findings: BTreeMap<At, (f64, Finding)> = BTreeMap::new();
    for w in 0..facts.wavelengths() {
        let Some(usual) = Usual::of(facts, w, leave_out) else {
            continue;
        };
        for one in &usual.residuals {
            let (at, error, middle) = (one.at, one.error, one.middle);
            let excess = one.loss - middle;
            let bound = usual.level(CHANCE / usual.residuals.len() as f64) / one.scale;
            if excess <= bound || excess <= ABOVE_NOISE * error {
                continue;
            }
            let (fibre, joint) = at;
            let name = facts.fibre_name(fibre);
            let loss = one.loss;
            let cell = facts.cell(fibre, joint, w);
            let stands = match cell.and_then(|cell| facts.limit_of(joint, cell)) {
                Some(limit) if loss + facts.rules.coverage * error <= limit => "within the limit",
                Some(_) => "at the limit, within its error",
                None => "no limit is given for it",
            };
            let finding = Finding::of(
                FindingKind::Outlier,
                vec![name.clone()],
                format!(
                    "fibre {name} loses {} dB at {}, where the middle of the \
                     others of its tray is {middle:.3} dB ({:.0} nm): {stands}, and it is far off all the same",
                    plus_minus(loss, error),
                    facts.joint_name(joint),
                    facts.wavelength(w).nm(),
                ),
            )
            .at(Some(joint), cell.and_then(|cell| cell.position))
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
    found.into_iter().map(|(_, finding)| finding).collect()
}
