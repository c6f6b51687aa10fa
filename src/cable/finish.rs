//! The last step: everything that was made, brought together as the result.

use crate::units::{Length, Loss};
use crate::verdict::{BAD_SPLICE_DB, judge};
use crate::warning::Warning;

use super::calibrate::{self, Fit};
use super::check::{self, Facts};
use super::draft::{draft, statistics};
use super::finding::{Finding, FindingKind};
use super::judged;
use super::pairing;
use super::place::Reference;
use super::plan::CablePlan;
use super::record::Record;
use super::result::{CableResult, NamedBy, Rules, Skipped, Untaken};
use super::roster::{Roster, SAME_WAVELENGTH_NM};
use super::settings::CableSettings;
use super::worth;

/// Puts records, findings and skipped files together and runs the checks.
#[expect(
    clippy::too_many_arguments,
    reason = "the last step brings together what all others have made"
)]
pub(super) fn finish(
    records: Vec<Record>,
    roster: Roster,
    settings: &CableSettings,
    known: &Reference,
    fit: Option<&Fit>,
    mut findings: Vec<Finding>,
    mut skipped: Vec<Skipped>,
    dark: &mut Vec<(usize, Option<f64>, Option<f64>)>,
    changes: &pairing::Changes,
) -> CableResult {
    let rules = Rules {
        limits: settings.limits.as_ref().map(|l| l.name.clone()),
        coverage: settings.coverage,
        bad_splice: settings.bad_splice.unwrap_or(Loss::from_db(BAD_SPLICE_DB)),
        bad_splice_is_default: settings.bad_splice.is_none(),
        false_finding_chance: settings.false_finding_chance,
    };
    let mut draft = draft(records, &roster, &settings.plan, known, fit);
    for link in &mut draft.links {
        (link.link.from, link.link.to) = (roster.ends[0].clone(), roster.ends[1].clone());
        link.link.cable = link.link.cable.take().or_else(|| roster.cable.clone());
        link.link.fibre = draft.fibres.get(link.fibre).map(|f| f.name.clone());
        link.link
            .warnings
            .extend(changes.warnings_of(link.fibre, link.wavelength));
        if let Some(limits) = &settings.limits {
            link.judged = Some(judge(&mut link.link, limits, settings.coverage));
        }
    }
    for cell in &mut draft.matrix.cells {
        let event = cell
            .source
            .and_then(|(link, event)| draft.links.get(link)?.link.events.get(event));
        if let Some(event) = event {
            cell.verdict = event.verdict;
            cell.limit = event.limit;
        }
    }
    let fibres = draft.fibres.len();
    let judging = settings.limits.as_ref().map(|l| (l, settings.coverage));
    statistics(
        &mut draft.joints,
        &draft.matrix,
        &draft.wavelengths,
        fibres,
        judging,
    );
    judged::joints(&mut draft);
    let chainage_m = |u_m: f64| fit.map(|fit| fit.chainage_m(u_m));
    let facts = Facts {
        draft: &draft,
        rules: &rules,
        chainage_m: &chainage_m,
        length_m: known.length_m,
        disputed: &changes.disputed,
    };
    let checked = check::check(&facts);
    // A fibre that is too dark at one wavelength needs not be told of again at another.
    let is_poor = |finding: &Finding| finding.kind == FindingKind::PoorSettings;
    let told: Vec<String> = (findings.iter().filter(|f| is_poor(f)))
        .flat_map(|finding| finding.fibres.clone())
        .collect();
    let is_told = |finding: &Finding| finding.fibres.iter().all(|name| told.contains(name));
    findings.extend(
        (checked.findings.into_iter()).filter(|finding| !(is_poor(finding) && is_told(finding))),
    );
    for (fibre, from_a, from_b) in dark.drain(..) {
        let place = from_a.unwrap_or_else(|| (known.length_m - from_b.unwrap_or(0.0)).max(0.0));
        findings.push(check::breaks::break_at(
            &facts, fibre, place, from_a, from_b,
        ));
    }
    // The kind first; the checks have them in the order of places already.
    findings.sort_by_key(|finding| finding.kind);
    let redo = worth::redo_list(&draft, &checked.bad, judging, &chainage_m, known.length_m);
    let visits = worth::visits(&redo, &settings.plan.visit);
    skipped.sort_by(|p, q| super::natural::natural_order(&p.file, &q.file));
    skipped.dedup();
    let untaken = untaken(&roster, &settings.plan);
    let mut warnings = warnings(&roster, settings, known);
    warnings.extend(untaken.said.iter().cloned());
    warnings.extend(changes.doubts.iter().cloned());
    let nowhere = draft.joints.iter().filter(|joint| {
        joint.named_by == NamedBy::Plan && joint.statistics.iter().all(|one| one.measured == 0)
    });
    warnings.extend(nowhere.map(|joint| {
        Warning::new(
            "closure not measured",
            format!(
                "{} of the plan was measured in no fibre: check its chainage",
                joint.name
            ),
        )
    }));
    let of_route = calibrate::doubts(&settings.plan, known.length_m, fit);
    warnings.extend((of_route.into_iter()).map(|said| Warning::new("chainages doubtful", said)));
    let [from, to] = roster.ends;
    CableResult {
        name: roster.cable,
        from,
        to,
        fibres: draft.fibres,
        wavelengths: draft.wavelengths,
        length: (known.length_m > 0.0).then(|| Length::from_m(known.length_m)),
        joints: draft.joints,
        matrix: draft.matrix,
        findings,
        redo,
        visits,
        links: draft.links,
        skipped,
        calibration: fit.map(|fit| calibration(fit, known)),
        rules,
        warnings,
        untaken,
    }
}

/// The calibration with the joints' indices as the result counts them, A's end first.
fn calibration(fit: &Fit, known: &Reference) -> super::result::Calibration {
    let mut calibration = fit.calibration.clone();
    for closure in &mut calibration.closures {
        closure.joint += 1;
    }
    let shown: Vec<usize> = (0..known.joints.len())
        .filter(|&j| known.joints[j].fibres == 0)
        .map(|j| j + 1)
        .collect();
    // Closures that were only placed by the calibration say nothing about it.
    calibration.closures.retain(|c| !shown.contains(&c.joint));
    calibration
}

/// Fibres and wavelengths that the plan has and no trace shows.
fn untaken(roster: &Roster, plan: &CablePlan) -> Untaken {
    let mut said = Vec::new();
    let has_trace = |fibre: usize| roster.slots.iter().any(|slot| slot.fibre == fibre);
    let (taken, none): (Vec<usize>, Vec<usize>) =
        (0..roster.fibres.len()).partition(|&fibre| has_trace(fibre));
    if let Some(planned) = plan.fibres_planned().filter(|_| roster.untaken > 0) {
        let names: Vec<&str> = none.iter().map(|&f| roster.fibres[f].as_str()).collect();
        let which = if names.is_empty() {
            String::new()
        } else {
            format!(": none of {}", names.join(", "))
        };
        said.push(Warning::new(
            "number of fibres",
            format!(
                "the plan has {planned} fibres, and there are traces of {}{which}",
                taken.len()
            ),
        ));
    }
    let lacks = |nm: &&f64| {
        roster
            .wavelengths_nm
            .iter()
            .all(|found| (found - **nm).abs() > SAME_WAVELENGTH_NM)
    };
    let wavelengths_nm: Vec<f64> = plan.wavelengths_nm.iter().filter(lacks).copied().collect();
    said.extend(wavelengths_nm.iter().map(|nm| {
        Warning::new(
            "wavelength missing",
            format!("the plan asks for {nm} nm, and no trace was taken at it"),
        )
    }));
    Untaken {
        fibres: roster.untaken,
        wavelengths_nm,
        said,
    }
}

fn warnings(roster: &Roster, settings: &CableSettings, known: &Reference) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let plan = &settings.plan;
    let found = roster.fibres.len()
        - if plan.fibre_names.is_empty() {
            0
        } else {
            roster.untaken
        };
    if let Some(planned) = plan.fibres_planned().filter(|planned| *planned < found) {
        warnings.push(Warning::new(
            "number of fibres",
            format!("the plan has {planned} fibres, and there are traces of {found}"),
        ));
    }
    if let Some(given) = plan.length_m
        && known.length_m > 0.0
        && (known.length_m - given).abs() > 0.005 * given
    {
        warnings.push(Warning::new(
            "length of the cable",
            format!(
                "the plan gives {given} m of fibre, and the middle fibre is {:.1} m long: check \
                 cords and group index",
                known.length_m
            ),
        ));
    }
    if roster.ends[0].is_none() {
        warnings.push(Warning::new(
            "ends not named",
            "no plan and no header names the ends: A and B are as the file names have them"
                .to_owned(),
        ));
    }
    warnings
}
