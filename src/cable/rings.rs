//! Crossed fibres: what is said of them, and what is measured.

use std::collections::BTreeMap;

use crate::warning::Warning;

use super::crossing::{Crossing, Labelled, Shown, crossings};
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
                    here: Shown {
                        seen: r.seen.as_ref()?,
                        link: r.link(),
                    },
                    slopes: r.slopes.as_ref(),
                    other: None,
                    beside: None,
                })
            })
            .collect()
    };
    let all: Vec<Vec<Labelled<'_>>> = (0..roster.wavelengths_nm.len()).map(labelled).collect();
    let mut rings: Vec<(Crossing, Vec<usize>)> = Vec::new();
    for (waves, traces) in looks(&all) {
        for crossing in crossings(&traces, reference) {
            let pairs = members(&crossing);
            let same = (rings.iter_mut()).find(|(other, _)| members(other) == pairs);
            match same {
                // What explains the traces best holds, wavelengths included.
                Some((other, theirs)) => {
                    if crossing.log_likelihood_ratio > other.log_likelihood_ratio {
                        *other = crossing;
                        theirs.clone_from(&waves);
                    }
                }
                None => rings.push((crossing, waves.clone())),
            }
        }
    }
    let rings = without_overlap(rings);
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

/// The ways in which traces may be crossed: those of each wavelength alone, and those of
/// all alike; with the wavelengths that each is about.
///
/// Where one wavelength alone is crossed, its traces from B agree with those that carry
/// another label at the other wavelengths. Where all are, what the shortest and the longest
/// have in common (places, lengths, the loss itself) counts once, from either of them.
fn looks<'g>(all: &[Vec<Labelled<'g>>]) -> Vec<(Vec<usize>, Vec<Labelled<'g>>)> {
    let last = all.len().saturating_sub(1);
    let at = |w: usize, fibre: usize| -> Option<Shown<'g>> {
        let there = all.get(w)?.iter().find(|l| l.fibre == fibre);
        there.map(|l| l.here)
    };
    let alone = all.iter().enumerate().map(|(w, traces)| {
        let other = if w == 0 { last } else { 0 };
        let labelled = traces.iter().map(|l| Labelled {
            beside: at(other, l.fibre).filter(|_| other != w),
            ..*l
        });
        (vec![w], labelled.collect::<Vec<_>>())
    });
    let mut found: Vec<(Vec<usize>, Vec<Labelled<'g>>)> = alone.collect();
    for (base, other) in [(0, last), (last, 0)] {
        if base != other {
            let labelled = all[base].iter().map(|l| Labelled {
                other: at(other, l.fibre),
                ..*l
            });
            found.push(((0..all.len()).collect(), labelled.collect()));
        }
    }
    found
}

fn members(crossing: &Crossing) -> Vec<(usize, usize)> {
    let mut pairs = crossing.pairs.clone();
    pairs.sort_unstable();
    pairs
}

/// Of crossings that claim a fibre at the same wavelength in different ways, the likelier.
fn without_overlap(mut rings: Vec<(Crossing, Vec<usize>)>) -> Vec<(Crossing, Vec<usize>)> {
    let ratio = |ring: &(Crossing, Vec<usize>)| ring.0.log_likelihood_ratio;
    rings.sort_by(|p, q| ratio(q).total_cmp(&ratio(p)));
    let mut kept: Vec<(Crossing, Vec<usize>)> = Vec::new();
    for (crossing, waves) in rings {
        let is_free = kept.iter().all(|(other, theirs)| {
            let meet = waves.iter().any(|w| theirs.contains(w));
            let shares = |(a, _): &(usize, usize)| other.pairs.iter().any(|(b, _)| a == b);
            !(meet && crossing.pairs.iter().any(shares))
        });
        if is_free {
            kept.push((crossing, waves));
        }
    }
    kept.sort_by_key(|(crossing, waves)| (members(crossing), waves.clone()));
    kept
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
