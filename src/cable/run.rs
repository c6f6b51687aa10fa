//! From files to the result of a cable.

use rayon::prelude::*;

use crate::read;
use crate::trace::Header;
use crate::units::{Length, Loss};
use crate::verdict::BAD_SPLICE_DB;

use super::calibrate::{self, Fit};
use super::cluster::Cluster;
use super::cords;
use super::dark::too_dark;
use super::doubles;
use super::finish::finish;
use super::measure::{Bench, CableFile, FibreJob, PairJob};
use super::pairing;
use super::place::Reference;
use super::record::{FailureKind, Record};
use super::result::{CableResult, Rules, Skipped};
use super::roster::{Roster, Slot, TraceEntry};
use super::settings::{CableSettings, Journal, Progress};
use super::survey::{SHOWS_IN_ALL, SHOWS_IN_SCOUTS, Survey, new_joints, reference};

/// Rounds in which joints that only some fibres show are brought to the others; one is
/// the rule, and the second finds nothing new.
const ROUNDS: usize = 3;

/// Why a cable gave no result at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CableError {
    /// No file was given.
    #[error("no trace file was found")]
    NoFiles,
    /// No two traces belong together.
    #[error(
        "none of the {files} files has a partner: {reason} (pairs are found by fibre, wavelength \
         and ends in the headers, or by a pattern of the file names)"
    )]
    NoPairs {
        /// How many files were looked at.
        files: usize,
        /// What was wrong with the first of them.
        reason: String,
    },
}

/// Measures a whole cable from its trace files.
///
/// Some fibres are looked through first, to learn where the joints are; then all are
/// measured at all joints, so that also a splice that shows in no trace has its loss.
/// Results come in the order of fibres and wavelengths, whatever the order in which
/// they were finished; a file that cannot be used is listed and stops nothing.
///
/// # Errors
/// [`CableError`] when there is not one pair of traces to measure.
pub fn measure_cable(
    files: &[CableFile],
    settings: &CableSettings,
    progress: &dyn Progress,
    journal: Option<&dyn Journal>,
) -> Result<CableResult, CableError> {
    if files.is_empty() {
        return Err(CableError::NoFiles);
    }
    let (mut entries, mut unreadable) = heads(files, settings);
    let mut run = attempt(files, settings, progress, journal, &entries, &unreadable)?;
    // A file that holds more traces than its beginning showed is counted again, once.
    let more: Vec<usize> = run.more_traces.clone();
    if !more.is_empty() {
        let mut again = Vec::new();
        for index in more {
            entries.retain(|e| e.file_index != index);
            match whole_heads(files, index, settings) {
                Ok(headers) => again.extend(entries_of(files, index, headers)),
                Err(skipped) => unreadable.push(skipped),
            }
        }
        entries.extend(again);
        entries.sort_by_key(|e| (e.file_index, e.part));
        run = attempt(files, settings, progress, journal, &entries, &unreadable)?;
    }
    Ok(run.result)
}

/// A result, and the files that must be counted again.
struct Run {
    result: CableResult,
    more_traces: Vec<usize>,
}

fn entries_of(files: &[CableFile], index: usize, headers: Vec<Header>) -> Vec<TraceEntry> {
    let parts = headers.len();
    headers
        .into_iter()
        .enumerate()
        .map(|(part, header)| TraceEntry {
            file: files
                .get(index)
                .map_or_else(String::new, |f| f.name.clone()),
            file_index: index,
            part,
            parts,
            header,
        })
        .collect()
}

/// Settings of all traces from the beginnings of their files.
fn heads(files: &[CableFile], settings: &CableSettings) -> (Vec<TraceEntry>, Vec<Skipped>) {
    let found: Vec<Result<Vec<TraceEntry>, Skipped>> = (0..files.len())
        .into_par_iter()
        .map(|index| {
            let file = &files[index];
            read::heads_of_path(&file.path, &settings.fallback, &settings.recipe)
                .map(|headers| {
                    let filled = headers
                        .into_iter()
                        .map(|h| with_wavelength(h, settings))
                        .collect();
                    entries_of(files, index, filled)
                })
                .map_err(|error| Skipped {
                    file: file.name.clone(),
                    reason: super::measure::reason_of(&error),
                })
        })
        .collect();
    let mut entries = Vec::new();
    let mut skipped = Vec::new();
    for one in found {
        match one {
            Ok(more) => entries.extend(more),
            Err(one) => skipped.push(one),
        }
    }
    (entries, skipped)
}

fn whole_heads(
    files: &[CableFile],
    index: usize,
    settings: &CableSettings,
) -> Result<Vec<Header>, Skipped> {
    let skipped = |reason: String| Skipped {
        file: files
            .get(index)
            .map_or_else(String::new, |f| f.name.clone()),
        reason,
    };
    let file = files
        .get(index)
        .ok_or_else(|| skipped("no such file".to_owned()))?;
    read::from_path_with_recipe(&file.path, &settings.fallback, &settings.recipe)
        .map(|content| {
            let headers = content.traces.into_iter().map(|t| t.header);
            headers.map(|h| with_wavelength(h, settings)).collect()
        })
        .map_err(|error| skipped(super::measure::reason_of(&error)))
}

fn with_wavelength(mut header: Header, settings: &CableSettings) -> Header {
    // A name may tell the wavelength; an option is for files that nothing tells of.
    if settings.plan.file_names.is_none() {
        header.wavelength = header.wavelength.or(settings.fallback.wavelength);
    }
    header
}

fn attempt(
    files: &[CableFile],
    settings: &CableSettings,
    progress: &dyn Progress,
    journal: Option<&dyn Journal>,
    entries: &[TraceEntry],
    unreadable: &[Skipped],
) -> Result<Run, CableError> {
    let roster = Roster::of(entries, &settings.plan);
    let parts_of = |at: super::roster::TraceAt| {
        // They are in the order of the files.
        let first = entries.partition_point(|e| e.file_index < at.file);
        let of_file = entries.get(first).filter(|e| e.file_index == at.file);
        of_file.map_or(1, |e| e.parts)
    };
    let labels = doubles::of_one_label(&roster, entries, (files, settings));
    let slots = roster
        .slots
        .iter()
        .filter(|slot| !labels.is_contradicted(slot));
    let mut jobs = jobs(slots, &roster, &parts_of);
    if jobs.is_empty() {
        let first = unreadable.iter().chain(&roster.skipped).next();
        let contradiction = labels.doubts().next().map(|warning| warning.message);
        return Err(CableError::NoPairs {
            files: files.len(),
            reason: contradiction.unwrap_or_else(|| {
                first.map_or_else(
                    || "each fibre and wavelength has a trace from one end only".to_owned(),
                    |skipped| format!("{}: {}", skipped.file, skipped.reason),
                )
            }),
        });
    }
    let mut fallback = settings.fallback.clone();
    let [cord_a, cord_b] = settings.plan.cords_m;
    fallback.launch_cord = fallback.launch_cord.or(cord_a.map(Length::from_m));
    fallback.tail_cord = fallback.tail_cord.or(cord_b.map(Length::from_m));
    let [end_a, end_b] = &roster.ends;
    let mut survey = Survey {
        bench: Bench {
            files,
            wavelengths_nm: &roster.wavelengths_nm,
            fallback: &fallback,
            recipe: &settings.recipe,
            settings: &settings.link,
            cable: roster.cable.as_deref(),
            ends: [end_a.as_deref(), end_b.as_deref()],
        },
        progress,
        journal,
        fingerprints: Vec::new(),
        settings: format!(
            "{}{:?}{:?}{:?}{:?}",
            env!("CARGO_PKG_VERSION"),
            settings.link,
            fallback,
            settings.recipe,
            roster.ends
        ),
    };
    survey.take_fingerprints();
    let scouted = survey.scouts(&jobs);
    let (mut known, mut fit) = with_plan(
        reference(scouted.iter(), settings.plan.length_m, SHOWS_IN_SCOUTS),
        settings,
    );
    let mut records = survey.run("measuring", &jobs, Some(&known));
    let more_traces = more_traces(&jobs, &records);
    if !more_traces.is_empty() {
        // Nothing of it is kept: the next attempt counts these files whole.
        let result = empty(&roster);
        return Ok(Run {
            result,
            more_traces,
        });
    }
    let mut findings = labels.findings.clone();
    let mut skipped: Vec<Skipped> = unreadable.to_vec();
    skipped.extend(roster.skipped.iter().cloned());
    skipped.extend(doubles::skipped_doubles(&roster, entries, &labels));
    let left_out = unreadable.len() + roster.skipped.len();
    let mut partners = doubles::missing_partners(&roster, entries, &labels, left_out);
    findings.append(&mut partners.findings);
    skipped.append(&mut partners.skipped);
    let doubtful = cords::doubtful(&records, &jobs, entries, &fallback, &known);
    let mut anew = cords::Looks::new();
    if !doubtful.is_empty() {
        anew = cords::looks(survey.run("trying cords exchanged", &doubtful, Some(&known)));
    }
    let mut changes = pairing::changes(
        &records,
        &jobs,
        &known,
        &roster,
        settings.accept_pairing,
        &anew,
    );
    changes.doubts.extend(labels.doubts());
    findings.extend(changes.findings.iter().cloned());
    if !changes.jobs.is_empty() {
        let again = survey.run("measuring exchanged traces", &changes.jobs, Some(&known));
        replace(&mut records, again);
        pairing::put_changes(&mut jobs, &changes.jobs);
    }
    let mut withheld = changes.withheld.clone();
    for _ in 0..ROUNDS {
        let healthy = records
            .iter()
            .filter(|r| !withheld.contains(&(r.fibre, r.wavelength)));
        let (found, found_fit) = with_plan(
            reference(healthy, settings.plan.length_m, SHOWS_IN_ALL),
            settings,
        );
        let are_new = new_joints(&found, &known);
        fit = found_fit;
        known = found;
        if !are_new {
            break;
        }
        let lacking = lacking(&jobs, &records, &known);
        let again = survey.run("measuring joints found late", &lacking, Some(&known));
        replace(&mut records, again);
    }
    withheld.sort_unstable();
    for record in &records {
        skipped.extend(pairing::skipped_of(
            record,
            withheld.contains(&(record.fibre, record.wavelength)),
            &changes,
        ));
    }
    let mut dark = dark_breaks(&records, &known);
    findings.extend(too_dark(&records, &jobs, entries, &roster));
    let measured: Vec<Record> = records
        .into_iter()
        .filter(|r| !withheld.contains(&(r.fibre, r.wavelength)))
        .collect();
    let result = finish(
        measured,
        roster,
        settings,
        &known,
        fit.as_ref(),
        findings,
        skipped,
        &mut dark,
        &changes,
    );
    Ok(Run {
        result,
        more_traces: Vec::new(),
    })
}

/// Jobs of all fibres of which two traces are there.
fn jobs<'s>(
    slots: impl Iterator<Item = &'s Slot>,
    roster: &Roster,
    parts_of: &dyn Fn(super::roster::TraceAt) -> usize,
) -> Vec<FibreJob> {
    let mut jobs: Vec<FibreJob> = Vec::new();
    for slot in slots {
        let (Some(a), Some(b)) = (slot.a, slot.b) else {
            continue;
        };
        let pair = PairJob {
            wavelength: slot.wavelength,
            a: (a, parts_of(a)),
            b: (b, parts_of(b)),
        };
        match jobs.last_mut() {
            Some(job) if job.fibre == slot.fibre => job.pairs.push(pair),
            _ => jobs.push(FibreJob {
                fibre: slot.fibre,
                name: roster.fibres.get(slot.fibre).cloned().unwrap_or_default(),
                pairs: vec![pair],
                accept_pairing: false,
            }),
        }
    }
    jobs
}

/// The joints with the plan's closures that no fibre shows, and the calibration.
fn with_plan(mut reference: Reference, settings: &CableSettings) -> (Reference, Option<Fit>) {
    let Some(fit) = fit_of(&reference, settings) else {
        return (reference, None);
    };
    let missing: Vec<f64> = fit
        .expected_m
        .iter()
        .enumerate()
        .filter(|(k, _)| !fit.closure_of.contains(&Some(*k)))
        .filter_map(|(_, place)| *place)
        .filter(|place| (0.0..reference.length_m).contains(place))
        .collect();
    if missing.is_empty() {
        return (reference, Some(fit));
    }
    let scatter_m = reference
        .joints
        .iter()
        .map(|j| j.scatter_m)
        .fold(fit.spread_m, f64::max);
    reference
        .joints
        .extend(missing.into_iter().map(|u_m| Cluster {
            u_m,
            scatter_m,
            fibres: 0,
        }));
    reference.joints.sort_by(|p, q| p.u_m.total_cmp(&q.u_m));
    let fit = fit_of(&reference, settings);
    (reference, fit)
}

/// The calibration by the joints that most fibres show, where all closures are among them:
/// what a few fibres show beside a closure is not it. Else by all joints.
fn fit_of(reference: &Reference, settings: &CableSettings) -> Option<Fit> {
    let of = |joints: &[usize]| {
        let places = reference.places_of(joints);
        calibrate::fit(&settings.plan, reference.length_m, &places)
    };
    let all: Vec<usize> = (0..reference.joints.len()).collect();
    let clear = reference.clear_joints();
    let fit = of(&clear)?;
    if !fit.calibration.unmatched.is_empty() {
        return of(&all);
    }
    Some(fit.among(&clear, all.len()))
}

fn more_traces(jobs: &[FibreJob], records: &[Record]) -> Vec<usize> {
    let mut files = Vec::new();
    for record in records {
        let Err(failure) = &record.outcome else {
            continue;
        };
        if failure.kind != FailureKind::MoreTraces {
            continue;
        }
        let pair = jobs
            .iter()
            .filter(|job| job.fibre == record.fibre)
            .flat_map(|job| &job.pairs)
            .find(|pair| pair.wavelength == record.wavelength);
        let Some(pair) = pair else { continue };
        files.push(if failure.file == Some(0) {
            pair.a.0.file
        } else {
            pair.b.0.file
        });
    }
    files.sort_unstable();
    files.dedup();
    files
}

/// Fibres of which some link has no event at some joint.
fn lacking(jobs: &[FibreJob], records: &[Record], known: &Reference) -> Vec<FibreJob> {
    let joints: Vec<(f64, f64)> = known.joints.iter().map(|j| (j.u_m, j.scatter_m)).collect();
    let lacks = |record: &Record| {
        let Some(link) = record.link() else {
            return false;
        };
        let Some(own_m) = link.length.as_ref().ok().map(|l| l.value.m()) else {
            return false;
        };
        if link.registration.is_none() || own_m <= 0.0 {
            return false;
        }
        let spots: Vec<_> = super::survey::spots(link, known.length_m / own_m)
            .into_iter()
            .map(|(_, spot)| spot)
            .collect();
        let found = super::cluster::assign_fibre(&spots, &joints);
        found.iter().flatten().count() < joints.len()
    };
    jobs.iter()
        .filter(|job| records.iter().any(|r| r.fibre == job.fibre && lacks(r)))
        .cloned()
        .collect()
}

/// Puts records in the place of older ones of the same fibre and wavelength.
fn replace(records: &mut [Record], newer: Vec<Record>) {
    for record in newer {
        if let Some(place) = records
            .iter_mut()
            .find(|r| r.fibre == record.fibre && r.wavelength == record.wavelength)
        {
            *place = record;
        }
    }
}

/// Fibres of which one trace shows no light at all while the other shows how far its own
/// goes: broken near the dark end. Fibre, and metres from B or from A.
fn dark_breaks(records: &[Record], known: &Reference) -> Vec<(usize, Option<f64>, Option<f64>)> {
    let mut found: Vec<(usize, Option<f64>, Option<f64>)> = Vec::new();
    for record in records {
        let (Err(failure), Some(seen)) = (&record.outcome, &record.seen) else {
            continue;
        };
        if failure.kind != FailureKind::NoLight || found.iter().any(|f| f.0 == record.fibre) {
            continue;
        }
        let dark_a = failure.file == Some(0);
        let reach_m = seen[usize::from(dark_a)].light_ends_m;
        let near = reach_m.filter(|r| *r > 0.0 && *r < 1.01 * known.length_m);
        if let Some(reach_m) = near {
            found.push(if dark_a {
                (record.fibre, None, Some(reach_m))
            } else {
                (record.fibre, Some(reach_m), None)
            });
        }
    }
    found
}

fn empty(roster: &Roster) -> CableResult {
    CableResult {
        name: roster.cable.clone(),
        from: None,
        to: None,
        fibres: Vec::new(),
        wavelengths: Vec::new(),
        length: None,
        joints: Vec::new(),
        matrix: super::result::Matrix::default(),
        findings: Vec::new(),
        redo: Vec::new(),
        visits: Vec::new(),
        links: Vec::new(),
        skipped: Vec::new(),
        calibration: None,
        rules: Rules {
            limits: None,
            coverage: 0.0,
            bad_splice: Loss::from_db(BAD_SPLICE_DB),
            bad_splice_is_default: true,
            false_finding_chance: 0.0,
        },
        warnings: Vec::new(),
        untaken: super::result::Untaken::default(),
    }
}
