//! Files of one label, and traces without a partner.

use std::collections::BTreeMap;

use ndarray::Array1;

use crate::read::{self, ReadTrace};
use crate::warning::Warning;

use super::finding::{Finding, FindingKind};
use super::measure::CableFile;
use super::pairing::{end_name, entry_at, fibre_name, name_at};
use super::result::Skipped;
use super::roster::{Double, Roster, Slot, TraceAt, TraceEntry};
use super::settings::CableSettings;

/// Two traces of one label: the same ones are a duplicate, others contradict each other.
pub(super) fn of_one_label(
    roster: &Roster,
    entries: &[TraceEntry],
    (files, settings): (&[CableFile], &CableSettings),
) -> Doubles {
    let read = |at: TraceAt| -> Option<ReadTrace> {
        let path = &files.get(at.file)?.path;
        let content =
            read::from_path_with_recipe(path, &settings.fallback, &settings.recipe).ok()?;
        content.traces.into_iter().nth(at.part)
    };
    let mut found = Doubles::default();
    for double in &roster.doubles {
        let is_same = (read(double.used).zip(read(double.other)))
            .is_some_and(|(used, other)| is_same(&used, &other));
        if is_same {
            found.findings.push(duplicate(roster, entries, double));
        } else {
            let reason = contradiction(roster, entries, double);
            let at = (double.fibre, double.wavelength, double.from_a);
            found.contradicting.entry(at).or_insert(reason);
        }
    }
    found
}

/// Whether two traces have the same samples and everything alike that a result scales with.
fn is_same(one: &ReadTrace, other: &ReadTrace) -> bool {
    let scale = |trace: &ReadTrace| {
        let h = &trace.header;
        let cords = (h.launch_cord, h.tail_cord);
        (
            h.wavelength,
            h.pulse_width,
            h.group_index,
            h.backscatter,
            cords,
        )
    };
    let bits = |values: &Array1<f64>| values.mapv(f64::to_bits);
    bits(&one.levels_db) == bits(&other.levels_db)
        && bits(&one.distances_m) == bits(&other.distances_m)
        && scale(one) == scale(other)
}

/// What comes of traces of one label.
#[derive(Debug, Default)]
pub(super) struct Doubles {
    pub(super) findings: Vec<Finding>,
    /// Fibre, wavelength and whether it is A of each end of which traces differ, and why they
    /// give no link.
    contradicting: BTreeMap<(usize, usize, bool), String>,
}

impl Doubles {
    /// Whether the traces of an end differ.
    fn contradict(&self, fibre: usize, wavelength: usize, from_a: bool) -> Option<&String> {
        self.contradicting.get(&(fibre, wavelength, from_a))
    }

    /// Whether one of a pair of traces may be another one.
    pub(super) fn is_contradicted(&self, slot: &Slot) -> bool {
        [true, false].iter().any(|&from_a| {
            self.contradict(slot.fibre, slot.wavelength, from_a)
                .is_some()
        })
    }

    /// What the cable's result says of traces that differ.
    pub(super) fn doubts(&self) -> impl Iterator<Item = Warning> + '_ {
        let reasons = self.contradicting.values();
        reasons.map(|reason| Warning::new("traces contradict each other", reason.clone()))
    }
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
        "two traces that are not the same say that they are of fibre {} from {} at {} nm, {} and {}: \
         neither is used until one is taken out of the folder, or labelled anew",
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

/// Of two traces of one label the second, as skipped; where they contradict each other both, and
/// the one from the other end with them.
pub(super) fn skipped_doubles(
    roster: &Roster,
    entries: &[TraceEntry],
    doubles: &Doubles,
) -> Vec<Skipped> {
    let mut skipped: BTreeMap<TraceAt, String> = BTreeMap::new();
    for double in &roster.doubles {
        let at = (double.fibre, double.wavelength);
        let Some(reason) = doubles.contradict(at.0, at.1, double.from_a) else {
            let reason = format!(
                "it says that it is fibre {} from {} at {} nm, as {} does, which is the same",
                fibre_name(roster, double.fibre),
                end_name(roster, !double.from_a),
                nominal_nm(roster, double.wavelength),
                name_at(entries, double.used)
            );
            skipped.entry(double.other).or_insert(reason);
            continue;
        };
        let slot = (roster.slots.iter()).find(|s| (s.fibre, s.wavelength) == at);
        let partner = slot.and_then(|s| s.a.zip(s.b));
        let partner = partner.map(|(a, b)| if double.from_a { b } else { a });
        for at in [double.used, double.other].into_iter().chain(partner) {
            skipped.entry(at).or_insert_with(|| reason.clone());
        }
    }
    (skipped.into_iter())
        .map(|(at, reason)| Skipped {
            file: name_at(entries, at),
            reason,
        })
        .collect()
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
        let is_double = doubles.is_contradicted(slot);
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
        if !is_double {
            found.skipped.push(Skipped {
                file,
                reason: format!("taken from {here}; there is no trace from {there} to go with it"),
            });
        }
    }
    found
}

/// Traces without a partner: findings, and the files that they leave out.
#[derive(Debug, Default)]
pub(super) struct Partners {
    pub(super) findings: Vec<Finding>,
    pub(super) skipped: Vec<Skipped>,
}
