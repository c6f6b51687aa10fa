//! Fibres whose ends may be named the wrong way round, looked at with the cords of the
//! other end.
//!
//! Where no header states the cords, each trace is taken to begin with the cord that the plan
//! has at the end which it names. A trace that names the wrong end then begins and ends
//! elsewhere than it seems, by the difference of the cords, and none of its events lies on a
//! joint in either direction.

use std::collections::BTreeMap;

use crate::both_ways::Glimpse;
use crate::trace::Header;

use super::draft::median;
use super::measure::{FibreJob, PairJob};
use super::pairing::{ENDS_EXCHANGED, pair_of};
use super::place::Reference;
use super::record::Record;
use super::roster::{TraceAt, TraceEntry};
use super::turned::for_the_labels;

/// What the traces of a fibre and wavelength show with the cords exchanged.
pub(super) type Looks = BTreeMap<(usize, usize), [Glimpse; 2]>;

/// Fibres to be looked at with their files, and so their cords, exchanged: those of which no
/// header states a cord, and whose events do not speak for the labels as those of the other
/// fibres do.
pub(super) fn doubtful(
    records: &[Record],
    jobs: &[FibreJob],
    entries: &[TraceEntry],
    fallback: &Header,
    reference: &Reference,
) -> Vec<FibreJob> {
    let cords = fallback.launch_cord.zip(fallback.tail_cord);
    if cords.is_none_or(|(launch, tail)| (launch - tail).m().abs() < f64::EPSILON) {
        return Vec::new();
    }
    let is_silent = |at: TraceAt| {
        let header = (entries.iter())
            .find(|e| e.file_index == at.file && e.part == at.part)
            .map(|e| &e.header);
        header.is_some_and(|h| h.launch_cord.is_none() && h.tail_cord.is_none())
    };
    let odds = |record: &Record| {
        let seen = record.seen.as_ref();
        seen.and_then(|seen| for_the_labels(seen, reference))
    };
    let usual = median(records.iter().filter_map(odds).collect()).unwrap_or(0.0);
    let asked = ENDS_EXCHANGED.max(CLEARLY * usual);
    let mut found: Vec<FibreJob> = Vec::new();
    for record in records {
        let pair = pair_of(jobs, record.fibre, record.wavelength)
            .filter(|pair| is_silent(pair.a.0) && is_silent(pair.b.0));
        let Some(pair) = pair.filter(|_| odds(record).is_none_or(|odds| odds < asked)) else {
            continue;
        };
        let exchanged = PairJob {
            wavelength: pair.wavelength,
            a: pair.b,
            b: pair.a,
        };
        match found.iter_mut().find(|job| job.fibre == record.fibre) {
            Some(job) => job.pairs.push(exchanged),
            None => found.extend(
                jobs.iter()
                    .find(|job| job.fibre == record.fibre)
                    .map(|job| FibreJob {
                        pairs: vec![exchanged],
                        accept_pairing: true,
                        ..job.clone()
                    }),
            ),
        }
    }
    found
}

/// Share of the usual odds for the labels below which a fibre is looked at again: half of a
/// fibre's joints may hide in noise, not more. Our choice; a look for nothing costs only time.
const CLEARLY: f64 = 0.5;

/// What these fibres show, measured so.
pub(super) fn looks(records: Vec<Record>) -> Looks {
    let looks = records.into_iter();
    looks
        .filter_map(|r| Some(((r.fibre, r.wavelength), r.seen?)))
        .collect()
}
