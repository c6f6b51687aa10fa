//! What the traces say about the labels: ends, shared traces, crossings.

use std::collections::{BTreeMap, BTreeSet};

use crate::warning::Warning;

use super::cords::Looks;
use super::finding::{Finding, FindingKind};
use super::measure::{FibreJob, PairJob};
use super::place::Reference;
use super::record::{FailureKind, Record};
use super::result::Skipped;
use super::rings::crossed;
use super::roster::{Roster, TraceAt, TraceEntry, shown};
use super::settings::AcceptPairing;
use super::turned::{Turned, turned, turned_anew};

/// Natural logarithm of the odds from which files are taken to name the ends the wrong
/// way round: a hundred thousand to one, so that no cable of a thousand fibres is likely
/// to have a false one. Our choice.
pub(super) const ENDS_EXCHANGED: f64 = 11.5;

/// How much better than the copy a fibre's own pair must fit for a shared trace to be
/// called its own, in standard terms of joints that agree.
const OWN_FITS_BETTER: f64 = 3.0;

/// What follows from the traces for the labels.
#[derive(Debug, Default)]
pub(super) struct Changes {
    /// Findings of all kinds about labels.
    pub(super) findings: Vec<Finding>,
    /// Fibres to measure again with other traces.
    pub(super) jobs: Vec<FibreJob>,
    /// Fibres and wavelengths that give no link.
    pub(super) withheld: Vec<(usize, usize)>,
    /// Why, for each of them.
    pub(super) reasons: BTreeMap<(usize, usize), String>,
    /// What a link must say that was measured with other traces, or whose traces are in doubt.
    pub(super) warnings: BTreeMap<(usize, usize), Warning>,
    /// Fibres that are measured as labelled although their traces say that they are crossed.
    pub(super) disputed: BTreeSet<usize>,
    /// What the cable's result must say of pairings that stay in doubt.
    pub(super) doubts: Vec<Warning>,
}

impl Changes {
    /// Warnings for a link.
    pub(super) fn warnings_of(&self, fibre: usize, wavelength: usize) -> Vec<Warning> {
        self.warnings
            .get(&(fibre, wavelength))
            .cloned()
            .into_iter()
            .collect()
    }

    pub(super) fn withhold(&mut self, at: (usize, usize), reason: String) {
        if !self.withheld.contains(&at) {
            self.withheld.push(at);
        }
        self.reasons.entry(at).or_insert(reason);
    }
}

pub(super) fn entry_at(entries: &[TraceEntry], at: TraceAt) -> Option<&TraceEntry> {
    entries
        .iter()
        .find(|e| e.file_index == at.file && e.part == at.part)
}

pub(super) fn name_at(entries: &[TraceEntry], at: TraceAt) -> String {
    entry_at(entries, at).map_or_else(String::new, shown)
}

pub(super) fn fibre_name(roster: &Roster, fibre: usize) -> String {
    roster.fibres.get(fibre).cloned().unwrap_or_default()
}

pub(super) fn end_name(roster: &Roster, is_b: bool) -> String {
    let name = roster.ends[usize::from(is_b)].as_deref();
    match (name, is_b) {
        (Some(name), _) => name.to_owned(),
        (None, false) => "A".to_owned(),
        (None, true) => "B".to_owned(),
    }
}

/// Files of a record that gave no link, with the reason.
pub(super) fn skipped_of(record: &Record, is_withheld: bool, changes: &Changes) -> Vec<Skipped> {
    let files = |reason: &str, only: Option<usize>| -> Vec<Skipped> {
        (0..2)
            .filter(|end| only.is_none_or(|o| o == *end))
            .filter_map(|end| record.sources[end].as_ref())
            .map(|source| Skipped {
                file: super::draft::source_name(source),
                reason: reason.to_owned(),
            })
            .collect()
    };
    let at = (record.fibre, record.wavelength);
    if is_withheld {
        let reason = changes
            .reasons
            .get(&at)
            .map_or("its pairing is in doubt", String::as_str);
        return files(reason, None);
    }
    match &record.outcome {
        Ok(_) => Vec::new(),
        Err(failure) => files(
            &failure.message,
            failure.file.filter(|_| failure.kind == FailureKind::File),
        ),
    }
}

/// Puts the traces of changed jobs in the place of those of the labels.
pub(super) fn put_changes(jobs: &mut [FibreJob], changed: &[FibreJob]) {
    for change in changed {
        let Some(job) = jobs.iter_mut().find(|job| job.fibre == change.fibre) else {
            continue;
        };
        job.accept_pairing |= change.accept_pairing;
        for pair in &change.pairs {
            if let Some(old) = job
                .pairs
                .iter_mut()
                .find(|p| p.wavelength == pair.wavelength)
            {
                *old = pair.clone();
            }
        }
    }
}

/// Looks at what the traces say about their labels; `anew` is what some of them show with the
/// cords of the other end.
pub(super) fn changes(
    records: &[Record],
    jobs: &[FibreJob],
    reference: &Reference,
    roster: &Roster,
    accept: Option<AcceptPairing>,
    anew: &Looks,
) -> Changes {
    let mut changes = Changes::default();
    let mut new_pairs: BTreeMap<(usize, usize), PairJob> = BTreeMap::new();
    swapped_ends(
        records,
        jobs,
        reference,
        roster,
        anew,
        &mut changes,
        &mut new_pairs,
    );
    shared_traces(records, roster, &mut changes);
    crossed(
        records,
        jobs,
        reference,
        roster,
        accept,
        &mut changes,
        &mut new_pairs,
    );
    for job in jobs {
        let pairs: Vec<PairJob> = job
            .pairs
            .iter()
            .map(|pair| {
                let new = new_pairs.get(&(job.fibre, pair.wavelength));
                new.unwrap_or(pair).clone()
            })
            .collect();
        if pairs != job.pairs {
            changes.jobs.push(FibreJob {
                pairs,
                accept_pairing: true,
                ..job.clone()
            });
        }
    }
    changes
}

pub(super) fn pair_of(jobs: &[FibreJob], fibre: usize, wavelength: usize) -> Option<&PairJob> {
    jobs.iter()
        .filter(|job| job.fibre == fibre)
        .flat_map(|job| &job.pairs)
        .find(|pair| pair.wavelength == wavelength)
}

/// Keeps the wavelengths of a fibre at which the ends are exchanged.
///
/// Each may tell by itself. Where all speak for it and two joints or more, they tell
/// together: two traces of each of two wavelengths that show few joints are enough then,
/// while one thing at one place (a bend where a joint would be seen from the other end)
/// shows at all wavelengths and is no more for that.
fn keep_exchanged(found: &mut Vec<(usize, Turned)>) {
    let joints: BTreeSet<usize> = (found.iter())
        .flat_map(|(_, turned)| turned.joints.iter().copied())
        .collect();
    let odds: f64 = found.iter().map(|(_, turned)| turned.log_odds).sum();
    let all_for_it = found.iter().all(|(_, turned)| turned.log_odds > 0.0);
    if !(all_for_it && joints.len() > 1 && odds > ENDS_EXCHANGED) {
        found.retain(|(_, turned)| turned.log_odds > ENDS_EXCHANGED);
    }
}

/// Ends named the wrong way round: measured with the two files exchanged, and said.
/// Both from one end: not measured.
fn swapped_ends(
    records: &[Record],
    jobs: &[FibreJob],
    reference: &Reference,
    roster: &Roster,
    anew: &Looks,
    changes: &mut Changes,
    new_pairs: &mut BTreeMap<(usize, usize), PairJob>,
) {
    let mut exchanged: BTreeMap<usize, Vec<(usize, Turned)>> = BTreeMap::new();
    let mut same_end: BTreeMap<usize, Vec<(usize, String)>> = BTreeMap::new();
    for record in records {
        let at = (record.fibre, record.wavelength);
        if let Err(failure) = &record.outcome
            && failure.kind == FailureKind::SameEnd
        {
            let message = failure.message.clone();
            same_end.entry(at.0).or_default().push((at.1, message));
            continue;
        }
        let seen = record.seen.as_ref();
        let found = match anew.get(&at) {
            Some(exchanged) => turned_anew(seen, exchanged, reference),
            None => seen.and_then(|seen| turned(seen, reference)),
        };
        let Some(found) = found else {
            continue;
        };
        exchanged.entry(at.0).or_default().push((at.1, found));
    }
    exchanged.retain(|_, found| {
        keep_exchanged(found);
        !found.is_empty()
    });
    let (a, b) = (end_name(roster, false), end_name(roster, true));
    for (fibre, found) in exchanged {
        let name = fibre_name(roster, fibre);
        let Some((_, best)) = found
            .iter()
            .max_by(|p, q| p.1.log_odds.total_cmp(&q.1.log_odds))
        else {
            continue;
        };
        let waves = wave_words(roster, found.iter().map(|(w, _)| *w));
        let mut finding = Finding::of(
            FindingKind::SwappedEnds,
            vec![name.clone()],
            format!(
                "the files of fibre {name}{waves} name the two ends the wrong way round: {} events \
                 fall on joints of the cable with {a} and {b} exchanged, {} as labelled; they were \
                 measured exchanged; correct the headers",
                best.exchanged, best.as_labelled
            ),
        )
        .number("events_exchanged", best.exchanged as f64)
        .number("events_as_labelled", best.as_labelled as f64)
        .number("log_odds", best.log_odds);
        if let [(w, _)] = found.as_slice() {
            finding.wavelength = wavelength(roster, *w);
        }
        changes.findings.push(finding);
        for (w, _) in found {
            if let Some(pair) = pair_of(jobs, fibre, w) {
                new_pairs.insert(
                    (fibre, w),
                    PairJob {
                        wavelength: w,
                        a: pair.b,
                        b: pair.a,
                    },
                );
                changes.warnings.insert(
                    (fibre, w),
                    Warning::new(
                        "ends exchanged",
                        format!(
                            "the headers name the ends the wrong way round: the trace that says it \
                             is from {b} was taken as the one from {a}, and the other way round"
                        ),
                    ),
                );
            }
        }
    }
    for (fibre, found) in same_end {
        let name = fibre_name(roster, fibre);
        let waves = wave_words(roster, found.iter().map(|(w, _)| *w));
        let message = found.first().map_or("", |(_, m)| m.as_str());
        changes.findings.push(Finding::of(
            FindingKind::SwappedEnds,
            vec![name.clone()],
            format!("fibre {name}{waves}: {message}; measure it from the other end, too"),
        ));
    }
}

pub(super) fn wavelength(roster: &Roster, w: usize) -> Option<crate::units::Wavelength> {
    roster
        .wavelengths_nm
        .get(w)
        .map(|nm| crate::units::Wavelength::from_nm(*nm))
}

/// ` at 1310 nm`, or nothing where it is all wavelengths.
pub(super) fn wave_words(roster: &Roster, found: impl Iterator<Item = usize>) -> String {
    let found: Vec<usize> = found.collect();
    if found.len() == roster.wavelengths_nm.len() {
        return String::new();
    }
    let names: Vec<String> = found
        .iter()
        .filter_map(|w| Some(format!("{}", roster.wavelengths_nm.get(*w)?)))
        .collect();
    format!(" at {} nm", names.join(" and "))
}

/// One trace under the names of two fibres or ends: it stays with the fibre whose own
/// joints it shows, if one stands out; the others give no link.
fn shared_traces(records: &[Record], roster: &Roster, changes: &mut Changes) {
    let mut by_samples: BTreeMap<u64, Vec<(usize, usize, usize)>> = BTreeMap::new();
    for record in records {
        for end in 0..2 {
            if let Some(samples) = record.samples[end] {
                let place = (record.fibre, record.wavelength, end);
                by_samples.entry(samples).or_default().push(place);
            }
        }
    }
    let record_at = |f: usize, w: usize| records.iter().find(|r| r.fibre == f && r.wavelength == w);
    for places in by_samples.into_values().filter(|places| places.len() > 1) {
        // How well the trace fits the other one of each pair that claims it.
        let mut fits: Vec<(f64, (usize, usize, usize))> = places
            .iter()
            .map(|&place| {
                let seen = record_at(place.0, place.1).and_then(|r| r.seen.as_ref());
                (seen.map_or(f64::NEG_INFINITY, agreement), place)
            })
            .collect();
        fits.sort_by(|p, q| q.0.total_cmp(&p.0));
        let stands_out = match fits.as_slice() {
            [best, second, ..] => best.0 - second.0 > OWN_FITS_BETTER,
            _ => false,
        };
        let file_of = |(f, w, end): (usize, usize, usize)| {
            record_at(f, w)
                .and_then(|r| r.sources[end].as_ref())
                .map_or_else(String::new, super::draft::source_name)
        };
        let mut names: Vec<String> = Vec::new();
        let mut sorted = places.clone();
        sorted.sort_unstable();
        for place in &sorted {
            let name = fibre_name(roster, place.0);
            if !names.contains(&name) {
                names.push(name);
            }
        }
        let files: Vec<String> = sorted.iter().map(|place| file_of(*place)).collect();
        let kept = fits.first().filter(|_| stands_out).map(|(_, place)| *place);
        let verdict = match kept {
            Some(place) => format!("it is that of fibre {}", fibre_name(roster, place.0)),
            None => "whose it is cannot be told".to_owned(),
        };
        changes.findings.push(
            Finding::of(
                FindingKind::DuplicateFile,
                names,
                format!(
                    "{} hold the same samples: {verdict}; measure the other again",
                    files.join(" and ")
                ),
            )
            .names("files", files.clone()),
        );
        for (f, w, _) in sorted.into_iter().filter(|place| Some(*place) != kept) {
            changes.withhold(
                (f, w),
                format!(
                    "one of its two traces is a copy: {} hold the same samples",
                    files.join(" and ")
                ),
            );
        }
    }
}

/// How well two traces agree, in joints: places within their errors for, others against,
/// and the lengths.
fn agreement(seen: &[crate::both_ways::Glimpse; 2]) -> f64 {
    let (Some(a_m), Some(b_m)) = (seen[0].length_m, seen[1].length_m) else {
        return f64::NEG_INFINITY;
    };
    let spacing = seen[0].spacing_m.max(seen[1].spacing_m);
    let mut sum = -((a_m - b_m) / (2.0 * spacing)).abs().min(6.0);
    for event in &seen[0].events {
        let nearest = seen[1]
            .events
            .iter()
            .map(|other| {
                let error = event
                    .error_m
                    .unwrap_or(spacing)
                    .hypot(other.error_m.unwrap_or(spacing));
                let off = (event.place_m - a_m * (1.0 - other.place_m / b_m)).abs();
                off / error.max(0.1 * spacing)
            })
            .fold(f64::INFINITY, f64::min);
        sum += if nearest < 4.0 { 1.0 } else { -1.0 };
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(log_odds: f64, joints: &[usize]) -> Turned {
        Turned {
            as_labelled: 0,
            exchanged: joints.len(),
            joints: joints.iter().copied().collect(),
            log_odds,
        }
    }

    /// Odds multiply where two wavelengths speak for exchanged ends by two joints; one place
    /// counts once however often it is seen, and a wavelength that speaks against leaves the
    /// other alone.
    #[test]
    fn wavelengths_tell_together_of_exchanged_ends() {
        let kept = |found: [Turned; 2]| -> Vec<usize> {
            let mut found: Vec<(usize, Turned)> = found.into_iter().enumerate().collect();
            keep_exchanged(&mut found);
            found
                .into_iter()
                .map(|(wavelength, _)| wavelength)
                .collect()
        };
        assert_eq!(kept([told(7.0, &[0]), told(7.0, &[1])]), [0, 1]);
        assert_eq!(kept([told(7.0, &[1]), told(7.0, &[1])]), [0_usize; 0]);
        assert_eq!(kept([told(14.0, &[0, 1]), told(-14.0, &[])]), [0]);
        assert_eq!(kept([told(4.0, &[0]), told(4.0, &[1])]), [0_usize; 0]);
    }
}
