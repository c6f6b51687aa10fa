//! Crossed fibres: what is said of them, and what is measured.

use std::collections::BTreeMap;

use rayon::prelude::*;

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
/// Those of which only the lengths say that they are crossed are measured as labelled, and
/// carry a warning.
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
    let found: Vec<(Vec<usize>, Vec<Crossing>)> = (looks(&all).into_par_iter())
        .map(|(waves, traces)| (waves, crossings(&traces, reference)))
        .collect();
    for (waves, found) in found {
        for crossing in found {
            let pairs = members(&crossing);
            let same = (rings.iter_mut()).find(|(other, _)| members(other) == pairs);
            match same {
                // What explains the traces best holds, wavelengths included.
                Some((other, theirs)) => {
                    if weight(&crossing) > weight(other) {
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
        if !crossing.joints_agree {
            doubt(&crossing, &waves, roster, changes);
            continue;
        }
        let finding = crossing_finding(&crossing, &waves, roster, accept);
        changes.findings.push(finding);
        for &w in &waves {
            for &(a, b) in &crossing.pairs {
                match accept {
                    Some(AcceptPairing::Labelled) => {
                        changes.disputed.insert(a);
                        changes.warnings.insert((a, w), as_labelled(roster, b));
                    }
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

/// What a link says that was measured as labelled against its traces.
fn as_labelled(roster: &Roster, b: usize) -> Warning {
    Warning::new(
        "pairing in doubt",
        format!(
            "measured as labelled, as asked, although the trace from {} fits the one from {} of fibre \
             {}: if it is crossed, its losses are the means of two fibres' and wrong",
            end_name(roster, false),
            end_name(roster, true),
            fibre_name(roster, b),
        ),
    )
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

/// What decides between two crossings: whether the joints agree, then how likely it is.
fn weight(crossing: &Crossing) -> (bool, f64) {
    (crossing.joints_agree, crossing.log_likelihood_ratio)
}

/// Of crossings that claim a fibre at the same wavelength in different ways, the likelier.
fn without_overlap(mut rings: Vec<(Crossing, Vec<usize>)>) -> Vec<(Crossing, Vec<usize>)> {
    rings.sort_by(|(p, _), (q, _)| {
        let ((p, u), (q, v)) = (weight(p), weight(q));
        q.cmp(&p).then(v.total_cmp(&u))
    });
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

/// Says of fibres whose lengths contradict their labels, and would fit exchanged, that their
/// pairing is in doubt: on each of their links, and once for the cable.
fn doubt(crossing: &Crossing, waves: &[usize], roster: &Roster, changes: &mut Changes) {
    let warning = Warning::new(
        "pairing in doubt",
        format!(
            "by their lengths the traces from {} belong to those from {}{} as {} (log likelihood \
             ratio {:.1} for it, where {:.1} is needed), and their joints cannot tell, which give \
             {:.1} of that: the losses are averaged as labelled, and wrong if the fibres are crossed; \
             if light sent into them shows that they are, exchange the labels of the traces from {}",
            end_name(roster, false),
            end_name(roster, true),
            wave_words(roster, waves.iter().copied()),
            pairing(crossing, roster).join(", "),
            crossing.log_likelihood_ratio,
            crossing.needed,
            crossing.from_joints,
            end_name(roster, true),
        ),
    );
    for &w in waves {
        for &(fibre, _) in &crossing.pairs {
            changes.warnings.insert((fibre, w), warning.clone());
        }
    }
    changes.doubts.push(warning);
}

/// Which trace from A belongs to which from B, in words.
fn pairing(crossing: &Crossing, roster: &Roster) -> Vec<String> {
    members(crossing)
        .iter()
        .map(|&(a, b)| format!("{} with {}", fibre_name(roster, a), fibre_name(roster, b)))
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
    let pairs = pairing(crossing, roster);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// What the lengths alone say is a warning on the links of both fibres and on the cable;
    /// nothing is found and nothing withheld, and at the same fibres a crossing of which the
    /// joints agree comes before it, however much less likely.
    #[test]
    fn a_doubt_is_said_and_withholds_nothing() {
        let of = |joints_agree, log_likelihood_ratio| Crossing {
            pairs: vec![(0, 2), (2, 0)],
            log_likelihood_ratio,
            from_joints: 0.5,
            from_lengths: log_likelihood_ratio - 0.5,
            needed: 11.0,
            joints_agree,
        };
        let roster = Roster {
            fibres: ["001", "002", "003"].map(str::to_owned).to_vec(),
            wavelengths_nm: vec![1310.0, 1550.0],
            ..Roster::default()
        };
        let mut changes = Changes::default();
        doubt(&of(false, 14.0), &[0, 1], &roster, &mut changes);
        let at: Vec<(usize, usize)> = changes.warnings.keys().copied().collect();
        assert_eq!(at, [(0, 0), (0, 1), (2, 0), (2, 1)]);
        assert_eq!(changes.doubts.len(), 1);
        assert_eq!(changes.doubts[0].code, "pairing in doubt");
        assert!(
            changes.doubts[0]
                .message
                .contains("001 with 003, 003 with 001")
        );
        assert!(changes.findings.is_empty() && changes.withheld.is_empty());
        let rings = vec![(of(false, 20.0), vec![0, 1]), (of(true, 12.0), vec![0])];
        let kept = without_overlap(rings);
        assert_eq!(kept, [(of(true, 12.0), vec![0])]);
    }
}
