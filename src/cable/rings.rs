//! Crossed fibres: what is said of them, and what is measured.

use std::collections::BTreeMap;

use crate::warning::Warning;

use super::crossing::{Crossing, Labelled, crossings, support};
use super::finding::{Finding, FindingKind};
use super::measure::{FibreJob, PairJob};
use super::pairing::{Changes, end_name, fibre_name, pair_of, wave_words, wavelength};
use super::place::Reference;
use super::record::Record;
use super::roster::Roster;
use super::settings::AcceptPairing;

/// Looks for crossed fibres; they are withheld, or measured in another pairing, as `accept` says.
pub(super) fn crossed(
    records: &[Record],
    jobs: &[FibreJob],
    reference: &Reference,
    roster: &Roster,
    accept: Option<AcceptPairing>,
    changes: &mut Changes,
    new_pairs: &mut BTreeMap<(usize, usize), PairJob>,
) {
    let labelled = |wavelength: usize| -> Vec<Labelled<'_>> {
        records
            .iter()
            .filter(|r| r.wavelength == wavelength)
            .filter(|r| !changes.withheld.contains(&(r.fibre, r.wavelength)))
            .filter(|r| !new_pairs.contains_key(&(r.fibre, r.wavelength)))
            .filter(|r| r.link().is_none_or(|l| l.registration.is_some()))
            .filter_map(|r| {
                Some(Labelled {
                    fibre: r.fibre,
                    seen: r.seen.as_ref()?,
                    slopes: r.slopes.as_ref(),
                    longer: None,
                })
            })
            .collect()
    };
    let all: Vec<Vec<Labelled<'_>>> = (0..roster.wavelengths_nm.len()).map(labelled).collect();
    // A ring found at several wavelengths is one; a wavelength that does not speak against
    // it belongs to it.
    let mut rings: Vec<(Crossing, Vec<usize>)> = Vec::new();
    let together = together(&all);
    let last = all.len().saturating_sub(1);
    let looks = (all.iter().enumerate().map(|(w, traces)| (vec![w], traces)))
        .chain((last > 0).then_some((vec![0, last], &together)));
    for (at, traces) in looks {
        for crossing in crossings(traces, reference) {
            let mut members: Vec<(usize, usize)> = crossing.pairs.clone();
            members.sort_unstable();
            let same = rings.iter_mut().find(|(other, _)| {
                let mut theirs = other.pairs.clone();
                theirs.sort_unstable();
                theirs == members
            });
            match same {
                Some((other, waves)) => {
                    waves.extend(&at);
                    if crossing.log_likelihood_ratio > other.log_likelihood_ratio {
                        *other = crossing;
                    }
                }
                None => rings.push((crossing, at.clone())),
            }
        }
    }
    for (crossing, waves) in &mut rings {
        for (w, traces) in all.iter().enumerate() {
            let for_it = support(traces, reference, &crossing.pairs);
            if !waves.contains(&w) && for_it.is_some_and(|s| s > 0.0) {
                waves.push(w);
            }
        }
        waves.sort_unstable();
        waves.dedup();
    }
    drop(all);
    let mut accepted = Vec::new();
    for (crossing, waves) in rings {
        let finding = crossing_finding(&crossing, &waves, roster, accept);
        changes.findings.push(finding);
        for &w in &waves {
            for &(a, b) in &crossing.pairs {
                match accept {
                    Some(AcceptPairing::Labelled) => {}
                    Some(AcceptPairing::Found) => accepted.push((a, b, w)),
                    None => {
                        let reason = format!(
                            "crossed: the trace from {} of fibre {} belongs to the trace from {} of \
                             fibre {}; not averaged until you say which pairing holds \
                             (--accept-pairing)",
                            end_name(roster, false),
                            fibre_name(roster, a),
                            end_name(roster, true),
                            fibre_name(roster, b),
                        );
                        changes.withhold((a, w), reason);
                    }
                }
            }
        }
    }
    for (a, b, w) in accepted {
        let (Some(mine), Some(other)) = (pair_of(jobs, a, w), pair_of(jobs, b, w)) else {
            continue;
        };
        new_pairs.insert(
            (a, w),
            PairJob {
                wavelength: w,
                a: mine.a,
                b: other.b,
            },
        );
        changes.warnings.insert(
            (a, w),
            Warning::new(
                "pairing accepted",
                format!(
                    "the trace from B is the one labelled fibre {}: the pairing that the traces \
                     support was accepted",
                    fibre_name(roster, b)
                ),
            ),
        );
    }
}

/// The traces at the shortest wavelength with those at the longest beside them. What the
/// two have in common (places, lengths, the loss itself) counts once, from the shortest.
fn together<'g>(all: &[Vec<Labelled<'g>>]) -> Vec<Labelled<'g>> {
    let [shortest, .., longest] = all else {
        return Vec::new();
    };
    let of = |fibre: usize| longest.iter().find(|l| l.fibre == fibre).map(|l| l.seen);
    (shortest.iter())
        .map(|l| Labelled {
            longer: of(l.fibre),
            ..*l
        })
        .collect()
}

fn crossing_finding(
    crossing: &Crossing,
    waves: &[usize],
    roster: &Roster,
    accept: Option<AcceptPairing>,
) -> Finding {
    let mut members: Vec<usize> = crossing.pairs.iter().map(|(a, _)| *a).collect();
    members.sort_unstable();
    let names: Vec<String> = members.iter().map(|&f| fibre_name(roster, f)).collect();
    let mut pairs = crossing.pairs.clone();
    pairs.sort_unstable();
    let pairs: Vec<String> = pairs
        .iter()
        .map(|&(a, b)| format!("{} with {}", fibre_name(roster, a), fibre_name(roster, b)))
        .collect();
    let what = match accept {
        None => "they are not averaged until you say so (--accept-pairing)",
        Some(AcceptPairing::Found) => "measured in this pairing, as accepted",
        Some(AcceptPairing::Labelled) => "measured as labelled all the same, as asked",
    };
    let mut finding = Finding::of(
        FindingKind::CrossedFibres,
        names.clone(),
        format!(
            "fibres {} are crossed between {} and {}{}: by their joints and lengths the traces from \
             {} belong to those from {} as {}; {what}",
            names.join(" and "),
            end_name(roster, false),
            end_name(roster, true),
            wave_words(roster, waves.iter().copied()),
            end_name(roster, false),
            end_name(roster, true),
            pairs.join(", "),
        ),
    )
    .names("pairing", pairs)
    .number("log_likelihood_ratio", crossing.log_likelihood_ratio)
    .number("log_likelihood_ratio_needed", crossing.needed)
    .number("from_joints", crossing.from_joints)
    .number("from_lengths", crossing.from_lengths);
    if let [w] = waves {
        finding.wavelength = wavelength(roster, *w);
    }
    finding
}
