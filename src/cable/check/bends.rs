//! Bends: more loss at the longer wavelength at the same place.

use std::collections::BTreeSet;

use crate::both_ways::Event;
use crate::cable::cluster::quantile;
use crate::cable::draft::{median, robust_spread};
use crate::cable::finding::{Finding, FindingKind};
use crate::units::Position;

use super::{At, Facts, known, measured, threshold};

/// One place of one fibre at two wavelengths.
struct Both {
    fibre: usize,
    joint: Option<usize>,
    position: Option<Position>,
    /// Indices of the shorter and the longer wavelength.
    wavelengths: (usize, usize),
    shorter: (f64, f64),
    longer: (f64, f64),
}

impl Both {
    fn difference(&self) -> f64 {
        self.longer.0 - self.shorter.0
    }

    fn error(&self) -> f64 {
        self.longer.1.hypot(self.shorter.1)
    }
}

/// Bends, and the fibres and joints at which they lie.
///
/// The differences of all places, most of which are not bent, give their usual middle and
/// spread: splices lose a little more or less at another wavelength, and stated errors
/// may be short. A bend exceeds both, beyond what noise does once in so many cables.
pub(super) fn bends(facts: &Facts<'_>) -> (Vec<Finding>, BTreeSet<At>) {
    let places = places(facts);
    let differences: Vec<f64> = places.iter().map(Both::difference).collect();
    let usual = median(differences.clone()).unwrap_or(0.0);
    let noise = median(places.iter().map(Both::error).collect()).unwrap_or(0.0);
    let spread = robust_spread(&differences, usual).unwrap_or(0.0);
    // The middle of a distribution does not tell its tails: a tenth may lie outside 1.645
    // standard deviations, as for a normal one, and no more.
    let mut off: Vec<f64> = differences.iter().map(|d| (d - usual).abs()).collect();
    let tail = quantile(&mut off, 0.9).unwrap_or(0.0) / 1.645;
    let spread = spread.max(tail);
    let natural = (spread * spread - noise * noise).max(0.0).sqrt();
    let needed = threshold(facts.rules.false_finding_chance, places.len());
    let mut found: Vec<(f64, Both)> = places
        .into_iter()
        .filter_map(|both| {
            let excess = both.difference() - usual.max(0.0);
            let z = excess / both.error().hypot(natural);
            (z > needed).then_some((z, both))
        })
        .collect();
    // One finding for a place, from the wavelengths that show it best.
    found.sort_by(|p, q| q.0.total_cmp(&p.0));
    let mut bent = BTreeSet::new();
    let mut kept: Vec<(f64, Both)> = Vec::new();
    for (z, both) in found {
        let is_there = kept.iter().any(|(_, other)| {
            other.fibre == both.fibre
                && other.joint == both.joint
                && (both.joint.is_some() || close(other.position, both.position))
        });
        if !is_there {
            bent.extend(both.joint.map(|joint| (both.fibre, joint)));
            kept.push((z, both));
        }
    }
    kept.sort_by(|(_, p), (_, q)| {
        let z = |b: &Both| b.position.map_or(f64::INFINITY, Position::m);
        p.joint
            .cmp(&q.joint)
            .then(p.fibre.cmp(&q.fibre))
            .then(z(p).total_cmp(&z(q)))
    });
    let findings = kept
        .iter()
        .map(|(z, both)| finding(facts, both, *z, needed))
        .collect();
    (findings, bent)
}

fn close(p: Option<Position>, q: Option<Position>) -> bool {
    p.zip(q)
        .is_none_or(|(p, q)| (p - q).m().abs() < 1e-3 * p.m().abs() + 50.0)
}

fn finding(facts: &Facts<'_>, both: &Both, z: f64, needed: f64) -> Finding {
    let name = facts.fibre_name(both.fibre);
    let (short, long) = (
        facts.wavelength(both.wavelengths.0),
        facts.wavelength(both.wavelengths.1),
    );
    let cure = if both.joint.is_some() {
        "dress the fibre in its tray; a new splice would not cure it"
    } else {
        "look for a tight bend or a squeezed cable there"
    };
    Finding::of(
        FindingKind::Bend,
        vec![name.clone()],
        format!(
            "fibre {name} is bent {}: {:.3} dB at {:.0} nm and {:.3} dB at {:.0} nm; {cure}",
            facts.where_is(both.position, both.joint),
            both.longer.0,
            long.nm(),
            both.shorter.0,
            short.nm(),
        ),
    )
    .at(both.joint, both.position)
    .in_light(long)
    .losing(measured(both.longer.0, both.longer.1))
    .number("loss_at_shorter_db", both.shorter.0)
    .number("shorter_wavelength_nm", short.nm())
    .number("difference_db", both.difference())
    .number("difference_std_error_db", both.error())
    .number("standard_errors", z)
    .number("standard_errors_needed", needed)
}

/// Every place that was measured at two wavelengths: the longest against each shorter one.
fn places(facts: &Facts<'_>) -> Vec<Both> {
    let mut places = Vec::new();
    let count = facts.wavelengths();
    for long in 1..count {
        for fibre in 0..facts.fibres() {
            for joint in 0..facts.draft.joints.len() {
                let cells = (facts.cell(fibre, joint, 0), facts.cell(fibre, joint, long));
                let (Some(shorter), Some(longer)) = cells else {
                    continue;
                };
                let (Some(s), Some(l)) = (known(&shorter.loss), known(&longer.loss)) else {
                    continue;
                };
                places.push(Both {
                    fibre,
                    joint: Some(joint),
                    position: longer.position,
                    wavelengths: (0, long),
                    shorter: s,
                    longer: l,
                });
            }
        }
        places.extend(loose(facts, long));
    }
    places
}

/// Places of single fibres, matched between the shortest and a longer wavelength by
/// their share of the fibre's length.
fn loose(facts: &Facts<'_>, long: usize) -> Vec<Both> {
    let of = |wavelength: usize| -> Vec<(usize, f64, f64, &Event)> {
        facts
            .loose_events()
            .filter_map(|(index, event)| {
                let link = facts.draft.links.get(index)?;
                let length_m = link.link.length.as_ref().ok()?.value.m();
                let reach = crate::cable::measure::pulse_m(&link.link) / length_m;
                (link.wavelength == wavelength).then_some((
                    link.fibre,
                    event.position.value.m() / length_m,
                    reach,
                    event,
                ))
            })
            .collect()
    };
    let shorter = of(0);
    of(long)
        .into_iter()
        .filter_map(|(fibre, share, reach, event)| {
            let partner = shorter
                .iter()
                .filter(|(f, s, r, _)| *f == fibre && (s - share).abs() < reach.max(*r))
                .min_by(|p, q| (p.1 - share).abs().total_cmp(&(q.1 - share).abs()))?;
            Some(Both {
                fibre,
                joint: None,
                position: Some(event.position.value),
                wavelengths: (0, long),
                shorter: known(&partner.3.loss)?,
                longer: known(&event.loss)?,
            })
        })
        .collect()
}
