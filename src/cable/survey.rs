//! The run over all fibres: a few first, to learn where the joints are, then all.

use std::fmt::Write as _;

use rayon::prelude::*;

use crate::both_ways::Link;
use crate::measure::RESOLVED_PULSES;
use crate::read;
use crate::units::Length;

use super::cluster::{Cluster, Spot, Strand, clusters, quantile};
use super::measure::{Bench, FibreJob, inner, pulse_m, shows};
use super::place::Reference;
use super::record::Record;
use super::settings::{Journal, Progress};

/// Fibres that are looked through before all others: enough that a joint which does not
/// show in one of them in three is missed once in thousands.
const SCOUTS: usize = 8;

/// Fibres from which on a place must show in two of them to be a joint of the cable: what
/// a single one of many shows is its own.
const MANY: usize = 3;

/// Share of the scouts in which a joint must show: one that is missed is found late, one
/// too many spoils its neighbours. Our choice.
pub(super) const SHOWS_IN_SCOUTS: f64 = 0.3;

/// Share of all fibres in which a joint must show. Our choice.
pub(super) const SHOWS_IN_ALL: f64 = 0.2;

/// Pulse lengths from an end connector within which a joint must show in most fibres: the
/// receiver's recovery from the connector leaves steps there that are none. Our choice.
const NEAR_END: f64 = 4.0;

/// How the fibres are run.
pub(super) struct Survey<'s> {
    pub(super) bench: Bench<'s>,
    pub(super) progress: &'s dyn Progress,
    pub(super) journal: Option<&'s dyn Journal>,
    /// Fingerprint of every file, where a journal is kept.
    pub(super) fingerprints: Vec<Option<String>>,
    /// The program's version and all settings in words, for the journal's key.
    pub(super) settings: String,
}

impl Survey<'_> {
    /// Fingerprints of all files, for the journal's keys.
    pub(super) fn take_fingerprints(&mut self) {
        if self.journal.is_some() {
            self.fingerprints = self
                .bench
                .files
                .par_iter()
                .map(|file| Some(read::sha256_hex(&std::fs::read(&file.path).ok()?)))
                .collect();
        }
    }

    /// Some of the fibres without anything known of the joints, each at its longest wavelength,
    /// which reaches farthest. A joint that hardly shows there is found with all fibres.
    pub(super) fn scouts(&self, jobs: &[FibreJob]) -> Vec<Record> {
        let count = SCOUTS.min(jobs.len());
        let chosen: Vec<FibreJob> = (0..count)
            .filter_map(|k| {
                let job = jobs.get(k * jobs.len() / count)?;
                let longest = job.pairs.iter().max_by_key(|pair| pair.wavelength)?;
                Some(FibreJob {
                    pairs: vec![longest.clone()],
                    ..job.clone()
                })
            })
            .collect();
        self.run("looking for the joints", &chosen, None)
    }

    /// Measures fibres; the order of the records is that of the jobs.
    pub(super) fn run(
        &self,
        what: &str,
        jobs: &[FibreJob],
        reference: Option<&Reference>,
    ) -> Vec<Record> {
        self.progress.begin(what, jobs.len());
        let records: Vec<Vec<Record>> = jobs
            .par_iter()
            // One at a time: with several in a row, a core would wait at the end for the other.
            .with_max_len(1)
            .map(|job| {
                let records = self.one(job, reference);
                self.progress.step();
                records
            })
            .collect();
        records.into_iter().flatten().collect()
    }

    fn one(&self, job: &FibreJob, reference: Option<&Reference>) -> Vec<Record> {
        let Some((journal, key)) = self.journal.zip(self.key(job, reference)) else {
            return self.bench.measure(job, reference);
        };
        let kept = journal.find(&key);
        if let Some(records) = kept.and_then(|text| serde_json::from_str(&text).ok()) {
            return records;
        }
        let records = self.bench.measure(job, reference);
        // What does not come back the same (a number that is none) is measured anew.
        if let Ok(text) = serde_json::to_string(&records)
            && serde_json::from_str::<Vec<Record>>(&text).is_ok_and(|again| again == records)
        {
            journal.keep(&key, &text);
        }
        records
    }

    /// Key of a fibre's records: the program, its files, the settings, and the joints that are known.
    fn key(&self, job: &FibreJob, reference: Option<&Reference>) -> Option<String> {
        let mut text = self.settings.clone();
        // Writing to a string cannot fail; Rust writes floats so that they read back.
        let _ = write!(text, "{job:?}{reference:?}");
        for pair in &job.pairs {
            for (at, _) in [pair.a, pair.b] {
                text.push_str(self.fingerprints.get(at.file)?.as_deref()?);
            }
        }
        Some(read::sha256_hex(text.as_bytes()))
    }
}

/// The usual length of a fibre and the joints that the records show.
///
/// A joint must show in `share` of the fibres, and in two at least where there are many:
/// what a few show is their own, or an artefact that comes at one place.
pub(super) fn reference<'r>(
    records: impl Iterator<Item = &'r Record>,
    given_length_m: Option<f64>,
    share: f64,
) -> Reference {
    let usable: Vec<(&Record, &Link)> = records
        .filter_map(|record| Some((record, record.link()?)))
        .filter(|(_, link)| link.registration.is_some())
        .collect();
    let Some(length_m) = usual_length(&usable, given_length_m) else {
        return Reference::default();
    };
    let strands = strands(&usable, length_m);
    let mut fibres: Vec<usize> = strands.iter().map(|s| s.fibre).collect();
    fibres.sort_unstable();
    fibres.dedup();
    let least = if fibres.len() >= MANY {
        ((share * fibres.len() as f64).ceil() as usize).max(2)
    } else {
        1
    };
    let mut pulses: Vec<f64> = usable.iter().map(|(_, link)| pulse_m(link)).collect();
    let usual_m = quantile(&mut pulses, 0.5).unwrap_or(0.0);
    let near_m = NEAR_END * usual_m;
    let mut joints = clusters(&strands, least, RESOLVED_PULSES * usual_m);
    joints.retain(|joint| {
        let to_end_m = joint.u_m.min(length_m - joint.u_m);
        to_end_m > near_m || 2 * joint.fibres > fibres.len()
    });
    Reference { length_m, joints }
}

/// The middle length of all links of which both ends show, or the one that was given.
fn usual_length(usable: &[(&Record, &Link)], given_m: Option<f64>) -> Option<f64> {
    let mut lengths: Vec<f64> = usable
        .iter()
        .filter_map(|(_, link)| Some(link.length.as_ref().ok()?.value.m()))
        .collect();
    let middle = quantile(&mut lengths, 0.5);
    // Where most lengths are far from a given one, they are other lengths (cords, units);
    // the measured ones then scale the axis.
    match (middle, given_m) {
        (Some(middle), Some(given)) if (middle - given).abs() > 0.05 * given => Some(middle),
        (_, Some(given)) if middle.is_none() => Some(given),
        (middle, _) => middle,
    }
}

/// The events of links of the usual length on the cable's axis.
pub(super) fn strands(usable: &[(&Record, &Link)], length_m: f64) -> Vec<Strand> {
    usable
        .iter()
        .filter_map(|(record, link)| {
            let own_m = link.length.as_ref().ok()?.value.m();
            // Another length by more than the group indices of fibres differ: another fibre.
            if (own_m - length_m).abs() > 0.02 * length_m {
                return None;
            }
            Some(Strand {
                fibre: record.fibre,
                spots: spots(link, length_m / own_m)
                    .into_iter()
                    .map(|(_, s)| s)
                    .collect(),
            })
        })
        .collect()
}

/// Events of a link between its ends, on the cable's axis, with their indices.
pub(super) fn spots(link: &Link, scale: f64) -> Vec<(usize, Spot)> {
    let reach_m = pulse_m(link);
    inner(link)
        .map(|(index, event)| {
            let error_m = event.position.std_error.map_or(reach_m, Length::m);
            (
                index,
                Spot {
                    u_m: event.position.value.m() * scale,
                    error_m: error_m * scale,
                    seen: shows(event),
                },
            )
        })
        .collect()
}

/// Joints of one reference that another does not have.
pub(super) fn new_joints(found: &Reference, known: &Reference) -> bool {
    found.joints.iter().any(|joint| {
        let scale = if found.length_m > 0.0 {
            known.length_m / found.length_m
        } else {
            1.0
        };
        let at = joint.u_m * scale;
        !known
            .joints
            .iter()
            .any(|k: &Cluster| (k.u_m - at).abs() <= 6.0 * k.scatter_m.hypot(joint.scatter_m))
    })
}
