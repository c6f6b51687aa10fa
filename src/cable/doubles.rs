//! Files of one label, and traces without a partner.

use std::collections::BTreeMap;

use crate::read;

use super::finding::{Finding, FindingKind};
use super::measure::Bench;
use super::pairing::{end_name, entry_at, fibre_name, name_at};
use super::result::Skipped;
use super::roster::{Double, Roster, TraceAt, TraceEntry};

/// Two files of one name: the same samples are a duplicate, others contradict each other.
pub(super) fn of_one_label(roster: &Roster, entries: &[TraceEntry], bench: &Bench<'_>) -> Doubles {
    let levels = |at: TraceAt| {
        let file = bench.files.get(at.file)?;
        let content = read::from_path_with_recipe(&file.path, bench.fallback, bench.recipe).ok()?;
        Some(content.traces.get(at.part)?.levels_db.mapv(f64::to_bits))
    };
    let mut found = Doubles::default();
    for double in &roster.doubles {
        match (levels(double.used), levels(double.other)) {
            (Some(used), Some(other)) if used == other => {
                found.findings.push(duplicate(roster, entries, double));
            }
            (Some(_), Some(_)) => {
                let reason = contradiction(roster, entries, double);
                let at = (double.fibre, double.wavelength);
                found.contradicting.entry(at).or_insert(reason);
            }
            _ => {}
        }
    }
    found
}

/// What comes of files of one name.
#[derive(Debug, Default)]
pub(super) struct Doubles {
    pub(super) findings: Vec<Finding>,
    /// Fibres and wavelengths of which one end has traces that differ, and why they give no link.
    pub(super) contradicting: BTreeMap<(usize, usize), String>,
}

/// Which of two traces is the one that goes with the other end's, nothing tells: not the order
/// of the files, and a date only whether they were taken together.
fn contradiction(roster: &Roster, entries: &[TraceEntry], double: &Double) -> String {
    let said = |at: TraceAt| {
        let when = entry_at(entries, at).and_then(|e| e.header.measured.clone());
        let when = when.map_or_else(String::new, |when| format!(" (measured {when})"));
        format!("{}{when}", name_at(entries, at))
    };
    format!(
        "two traces that differ say that they are of fibre {} from {} at {} nm, {} and {}: neither \
         is used until one is taken out of the folder, or labelled anew",
        fibre_name(roster, double.fibre),
        end_name(roster, !double.from_a),
        nominal_nm(roster, double.wavelength),
        said(double.used),
        said(double.other),
    )
}

fn nominal_nm(roster: &Roster, wavelength: usize) -> f64 {
    let nm = roster.wavelengths_nm.get(wavelength).copied();
    nm.unwrap_or(f64::NAN)
}

fn duplicate(roster: &Roster, entries: &[TraceEntry], double: &Double) -> Finding {
    let (used, other) = (
        name_at(entries, double.used),
        name_at(entries, double.other),
    );
    let name = fibre_name(roster, double.fibre);
    let nm = nominal_nm(roster, double.wavelength);
    Finding::of(
        FindingKind::DuplicateFile,
        vec![name.clone()],
        format!(
            "fibre {name}: {used} and {other} hold the same samples; the second of the two is left out"
        ),
    )
    .in_light(crate::units::Wavelength::from_nm(nm))
    .names("files", vec![used, other])
}

/// Of two files of one name the second, as skipped; both where they contradict each other.
pub(super) fn skipped_doubles(
    roster: &Roster,
    entries: &[TraceEntry],
    doubles: &Doubles,
) -> Vec<Skipped> {
    let mut skipped = Vec::new();
    for double in &roster.doubles {
        let at = (double.fibre, double.wavelength);
        let (files, reason) = match doubles.contradicting.get(&at) {
            Some(reason) => (vec![double.used, double.other], reason.clone()),
            None => (
                vec![double.other],
                format!(
                    "it says that it is fibre {} from {} at {} nm, as {} does, which is used",
                    fibre_name(roster, double.fibre),
                    end_name(roster, !double.from_a),
                    nominal_nm(roster, double.wavelength),
                    name_at(entries, double.used)
                ),
            ),
        };
        skipped.extend(files.into_iter().map(|at| Skipped {
            file: name_at(entries, at),
            reason: reason.clone(),
        }));
    }
    skipped
}

/// Traces without the one from the other end, which may be among `left_out` files.
pub(super) fn missing_partners(
    roster: &Roster,
    entries: &[TraceEntry],
    doubles: &Doubles,
    left_out: usize,
) -> Partners {
    let mut found = Partners::default();
    for slot in &roster.slots {
        let (at, is_b) = match (slot.a, slot.b) {
            (Some(a), None) => (a, false),
            (None, Some(b)) => (b, true),
            _ => continue,
        };
        let name = fibre_name(roster, slot.fibre);
        let nm = nominal_nm(roster, slot.wavelength);
        let file = name_at(entries, at);
        let (here, there) = (end_name(roster, is_b), end_name(roster, !is_b));
        let is_double = (doubles.contradicting).contains_key(&(slot.fibre, slot.wavelength));
        let advice = match left_out {
            _ if is_double => format!("one of the two from {here} may be it, labelled wrong"),
            0 => "measure it from there".to_owned(),
            1 => "see whether the file that was left out is it, else measure it from there"
                .to_owned(),
            _ => format!(
                "see whether one of the {left_out} files that were left out is it, else measure it from \
                 there"
            ),
        };
        found.findings.push(
            Finding::of(
                FindingKind::MissingPartner,
                vec![name.clone()],
                format!(
                    "fibre {name} has no trace from {there} at {nm} nm: {advice}; one direction alone \
                     tells no loss"
                ),
            )
            .in_light(crate::units::Wavelength::from_nm(nm))
            .text("file", file.clone())
            .text("missing_from", there.clone()),
        );
        found.skipped.push(Skipped {
            file,
            reason: format!("taken from {here}; there is no trace from {there} to go with it"),
        });
    }
    found
}

/// Traces without a partner: findings, and the files that they leave out.
#[derive(Debug, Default)]
pub(super) struct Partners {
    pub(super) findings: Vec<Finding>,
    pub(super) skipped: Vec<Skipped>,
}
