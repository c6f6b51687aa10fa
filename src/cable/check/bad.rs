//! Joints above the limit, and joints that only look so from one end.

use std::collections::BTreeSet;

use crate::both_ways::Verdict;
use crate::cable::finding::{Finding, FindingKind};
use crate::verdict::{Decision, Limit, decide};

use super::{At, Facts, known, measured, plus_minus, threshold};

/// Standard errors within which of the limit a loss may truly lie at it: what is farther off
/// is no case that noise could decide.
const AT_THE_LIMIT: f64 = 3.0;

/// A joint above the limit.
pub(in crate::cable) struct Bad {
    pub(in crate::cable) at: At,
    /// Index of the wavelength at which it is worst.
    pub(in crate::cable) wavelength: usize,
    /// Whether it is so by more than noise may do anywhere in the cable: nobody should open
    /// a closure for less.
    pub(in crate::cable) is_certain: bool,
}

/// Index of a wavelength, loss, error, limit, what was decided, and whether it is certain.
type Worst = (usize, f64, f64, f64, Decision, bool);

/// Standard errors above the limit from which a joint is worth a visit.
///
/// A joint at the very limit is above it by [`Rules::coverage`] once in twenty times. In a
/// cable of noisy traces hundreds may lie there for all that is known, and their dozens are
/// no list to open closures by: of all that may, noise takes one beyond with the chance that
/// a whole cable is allowed for a false finding.
///
/// [`Rules::coverage`]: crate::cable::Rules::coverage
fn needed_to_redo(facts: &Facts<'_>) -> f64 {
    let mut near = 0;
    for joint in facts.splices() {
        for fibre in 0..facts.fibres() {
            let may_be = |w: usize| -> Option<bool> {
                let cell = facts.cell(fibre, joint, w)?;
                let (loss, u) = known(&cell.loss)?;
                Some(loss + AT_THE_LIMIT * u > facts.limit_of(joint, cell)?)
            };
            near += (0..facts.wavelengths())
                .filter(|&w| may_be(w) == Some(true))
                .count();
        }
    }
    threshold(facts.rules.false_finding_chance, near).max(facts.rules.coverage)
}

/// Bad joints, each at the wavelength at which it is worst.
///
/// At a place where the fibre is bent, part of the loss is the bend's, which a new splice
/// would not cure. A bend loses at the longer wavelength at least twice what it loses at
/// the shorter one (bends of usual radius lose several times as much; from memory), so
/// the joint itself loses at least twice the shorter's loss less the longer's; only that
/// counts there.
pub(super) fn bad_joints(facts: &Facts<'_>, bent: &BTreeSet<At>) -> (Vec<Finding>, Vec<Bad>) {
    let mut findings = Vec::new();
    let mut bad = Vec::new();
    let needed = needed_to_redo(facts);
    for joint in 0..facts.draft.joints.len() {
        for fibre in 0..facts.fibres() {
            let is_bent = bent.contains(&(fibre, joint));
            let count = if is_bent { 1 } else { facts.wavelengths() };
            let worst = (0..count)
                .filter_map(|w| {
                    let cell = facts.cell(fibre, joint, w)?;
                    let limit = facts.limit_of(joint, cell)?;
                    let (loss, u) = known(&cell.loss)?;
                    let judged = if is_bent {
                        without_bend(facts, fibre, joint)?
                    } else {
                        (loss, u)
                    };
                    let limit_on = Limit::AtMost(limit);
                    let k = facts.rules.coverage;
                    let decision = decide(judged.0, Some(judged.1), limit_on, k);
                    let is_bad = decision.verdict == Verdict::Fail;
                    let is_certain = judged.0 - limit > needed * judged.1;
                    is_bad.then_some((w, loss, u, limit, decision, is_certain))
                })
                // One that is certain goes before one that reads more and is not.
                .max_by(|p, q| {
                    let over = |one: &Worst| one.1 - one.3;
                    p.5.cmp(&q.5).then(over(p).total_cmp(&over(q)))
                });
            let Some((w, loss, u, limit, decision, is_certain)) = worst else {
                continue;
            };
            let Some(cell) = facts.cell(fibre, joint, w) else {
                continue;
            };
            let name = facts.fibre_name(fibre);
            let doubt = if is_certain {
                ""
            } else {
                "; by too little for its error to open the closure: measure it again with a longer \
                 averaging time"
            };
            let mut finding = Finding::of(
                FindingKind::BadJoint,
                vec![name.clone()],
                format!(
                    "fibre {name} loses {} dB at {}, two-way at {:.0} nm: above {}{doubt}",
                    plus_minus(loss, u),
                    facts.joint_name(joint),
                    facts.wavelength(w).nm(),
                    facts.limit_words(limit),
                ),
            )
            .at(Some(joint), cell.position)
            .in_light(facts.wavelength(w))
            .losing(measured(loss, u))
            .number("limit_db", limit)
            .number("coverage_factor", facts.rules.coverage)
            .number("conformance", decision.conformance.unwrap_or(f64::NAN))
            .number("standard_errors_needed_to_redo", needed);
            if let (Some((a, _)), Some((b, _))) =
                (known(&cell.loss_a_to_b), known(&cell.loss_b_to_a))
            {
                finding = finding
                    .number("loss_a_to_b_db", a)
                    .number("loss_b_to_a_db", b);
            }
            findings.push(finding);
            bad.push(Bad {
                at: (fibre, joint),
                wavelength: w,
                is_certain,
            });
        }
    }
    findings.extend(loose(facts));
    (findings, bad)
}

/// What a joint beside a bend loses at least, with its error.
fn without_bend(facts: &Facts<'_>, fibre: usize, joint: usize) -> Option<(f64, f64)> {
    let shorter = known(&facts.cell(fibre, joint, 0)?.loss)?;
    (1..facts.wavelengths())
        .filter_map(|w| known(&facts.cell(fibre, joint, w)?.loss))
        .map(|longer| {
            (
                2.0 * shorter.0 - longer.0,
                (2.0 * shorter.1).hypot(longer.1),
            )
        })
        .min_by(|p, q| p.0.total_cmp(&q.0))
}

/// Losses above the limit where the cable has no joint, other than bends, which are
/// found by themselves.
fn loose(facts: &Facts<'_>) -> Vec<Finding> {
    let limit = facts.rules.bad_splice.db();
    let mut found: Vec<(usize, f64, Finding)> = Vec::new();
    for (index, event) in facts.loose_events() {
        let Some(link) = facts.draft.links.get(index) else {
            continue;
        };
        let limit = if facts.rules.limits.is_some() {
            match event.limit {
                Some(limit) => limit.db(),
                None => continue,
            }
        } else {
            limit
        };
        // The shortest wavelength of the fibre: a bend shows there least.
        let is_first = facts
            .draft
            .links
            .iter()
            .all(|l| l.fibre != link.fibre || l.wavelength >= link.wavelength);
        let Some((loss, u)) = known(&event.loss) else {
            continue;
        };
        let decision = decide(loss, Some(u), Limit::AtMost(limit), facts.rules.coverage);
        if !is_first || decision.verdict != Verdict::Fail {
            continue;
        }
        let name = facts.fibre_name(link.fibre);
        let place = event.position.value;
        let finding = Finding::of(
            FindingKind::BadJoint,
            vec![name.clone()],
            format!(
                "fibre {name} loses {} dB {}, two-way at {:.0} nm: above {}; the \
                 cable has no joint there: damage, or a repair that no plan shows",
                plus_minus(loss, u),
                facts.where_is(Some(place), None),
                facts.wavelength(link.wavelength).nm(),
                facts.limit_words(limit),
            ),
        )
        .at(None, Some(place))
        .in_light(facts.wavelength(link.wavelength))
        .losing(measured(loss, u))
        .number("limit_db", limit)
        .number("coverage_factor", facts.rules.coverage);
        found.push((link.fibre, place.m(), finding));
    }
    found.into_iter().map(|(_, _, finding)| finding).collect()
}

/// Joints whose reading from one end is above the limit and whose two-way loss is
/// within it, both beyond their errors.
pub(super) fn looks_bad_one_way(facts: &Facts<'_>, bent: &BTreeSet<At>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for joint in facts.splices() {
        for fibre in 0..facts.fibres() {
            if bent.contains(&(fibre, joint)) {
                continue;
            }
            let worst = (0..facts.wavelengths())
                .filter_map(|w| {
                    let cell = facts.cell(fibre, joint, w)?;
                    let limit = facts.limit_of(joint, cell)?;
                    let judged = |(value, u): (f64, f64)| {
                        decide(value, Some(u), Limit::AtMost(limit), facts.rules.coverage).verdict
                    };
                    let two_way = known(&cell.loss)?;
                    let (a, b) = (known(&cell.loss_a_to_b)?, known(&cell.loss_b_to_a)?);
                    let (end, bad, other) = if a.0 > b.0 { ("A", a, b) } else { ("B", b, a) };
                    let only_looks =
                        judged(two_way) == Verdict::Pass && judged(bad) == Verdict::Fail;
                    only_looks.then_some((w, cell, two_way, end, bad, other, limit))
                })
                .max_by(|p, q| p.4.0.total_cmp(&q.4.0));
            let Some((w, cell, two_way, end, bad, other, limit)) = worst else {
                continue;
            };
            let name = facts.fibre_name(fibre);
            let gain = if other.0 < 0.0 {
                format!("a gain of {:.3} dB", -other.0)
            } else {
                format!("{:.3} dB", other.0)
            };
            let from_other = if end == "A" { "B" } else { "A" };
            findings.push(
                Finding::of(
                    FindingKind::LooksBadOneWay,
                    vec![name.clone()],
                    format!(
                        "fibre {name} at {} reads {:.3} dB from {end} and {gain} from {from_other}; \
                         two-way it loses {} dB: do not redo it",
                        facts.joint_name(joint),
                        bad.0,
                        plus_minus(two_way.0, two_way.1),
                    ),
                )
                .at(Some(joint), cell.position)
                .in_light(facts.wavelength(w))
                .losing(measured(two_way.0, two_way.1))
                .text("looks_bad_from", end)
                .number("reading_db", bad.0)
                .number("reading_from_other_end_db", other.0)
                .number("limit_db", limit),
            );
        }
    }
    findings
}
