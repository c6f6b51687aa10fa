//! Fibres that gave no link because their light sinks into the noise too soon.

use std::collections::BTreeMap;

use super::finding::{Finding, FindingKind};
use super::measure::FibreJob;
use super::pairing::{fibre_name, pair_of, wave_words, wavelength};
use super::record::Record;
use super::roster::{Roster, TraceAt, TraceEntry};

/// Pulse width in nanoseconds and averaging time in seconds of both ends' traces.
type Taken = [(Option<f64>, Option<f64>); 2];

/// Findings of fibres of which neither trace shows where the fibre ends, although
/// most of the cable's do.
///
/// A broken fibre ends where it is broken and shows it; a fibre of which neither trace
/// shows an end was taken with too little light.
pub(super) fn too_dark(
    records: &[Record],
    jobs: &[FibreJob],
    entries: &[TraceEntry],
    roster: &Roster,
) -> Vec<Finding> {
    let mut dark: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for record in records {
        let sees_no_end = record.outcome.is_err()
            && (record.seen.as_ref())
                .is_some_and(|seen| seen.iter().all(|one| one.light_ends_m.is_none()));
        let of_it = || records.iter().filter(|r| r.wavelength == record.wavelength);
        let measured = of_it().filter(|r| r.link().is_some()).count();
        if sees_no_end && 2 * measured > of_it().count() {
            dark.entry(record.fibre)
                .or_default()
                .push(record.wavelength);
        }
    }
    // Fibres of which the same is to be said are one finding.
    let mut said: BTreeMap<(Vec<usize>, String, String), Vec<usize>> = BTreeMap::new();
    for (fibre, waves) in dark {
        let Some(&first) = waves.first() else {
            continue;
        };
        let taken = |fibre: usize| settings(jobs, entries, fibre, first);
        let usual = (records.iter())
            .filter(|r| r.wavelength == first && r.link().is_some())
            .filter_map(|r| taken(r.fibre));
        let (how, advice) = match (taken(fibre), most_common(&usual.collect::<Vec<_>>())) {
            (Some(mine), Some(usual)) if mine != usual => (
                format!(", taken with {},", words(mine)),
                format!("take it again as the others ({})", words(usual)),
            ),
            (Some(mine), _) => (
                format!(", taken with {} as the others,", words(mine)),
                "take it again with a longer pulse or averaging time".to_owned(),
            ),
            (None, _) => (
                String::new(),
                "take it again with a longer pulse or averaging time".to_owned(),
            ),
        };
        said.entry((waves, how, advice)).or_default().push(fibre);
    }
    (said.into_iter())
        .map(|((waves, how, advice), fibres)| {
            let names: Vec<String> = (fibres.iter())
                .map(|&fibre| fibre_name(roster, fibre))
                .collect();
            let waves_said = wave_words(roster, waves.iter().copied());
            let one = names.len() == 1;
            let mut finding = Finding::of(
                FindingKind::PoorSettings,
                names.clone(),
                format!(
                    "fibre{} {}{waves_said}{how} sink{} into the noise before the far end in both \
                     traces, which cannot be laid on each other: {advice}",
                    if one { "" } else { "s" },
                    names.join(", "),
                    if one { "s" } else { "" },
                ),
            )
            .text("advice", advice);
            if let [w] = waves.as_slice() {
                finding.wavelength = wavelength(roster, *w);
            }
            finding
        })
        .collect()
}

fn settings(jobs: &[FibreJob], entries: &[TraceEntry], fibre: usize, w: usize) -> Option<Taken> {
    let pair = pair_of(jobs, fibre, w)?;
    let of = |at: TraceAt| -> Option<(Option<f64>, Option<f64>)> {
        let entry = entries
            .iter()
            .find(|e| e.file_index == at.file && e.part == at.part)?;
        let pulse = entry.header.pulse_width?;
        Some((Some(pulse.ns()), entry.header.averaging_time_s))
    };
    Some([of(pair.a.0)?, of(pair.b.0)?])
}

fn most_common(all: &[Taken]) -> Option<Taken> {
    let count = |one: &Taken| all.iter().filter(|other| *other == one).count();
    all.iter().max_by_key(|one| count(one)).copied()
}

/// Settings in words: those of the trace from A.
fn words(taken: Taken) -> String {
    let (pulse_ns, time_s) = taken[0];
    let pulse = pulse_ns.map_or_else(String::new, |ns| format!("a pulse of {ns} ns"));
    let time = time_s.map_or_else(String::new, |s| format!(" averaged {s} s"));
    format!("{pulse}{time}")
}
