//! Bends: more loss at the longer wavelength at the same place.

use std::collections::BTreeSet;

use crate::both_ways::{Event, mismatch_loss};
use crate::cable::cluster::{REACH, quantile};
use crate::cable::draft::median;
use crate::cable::finding::{Finding, FindingKind};
use crate::trace::Header;
use crate::units::{Length, Loss, Measurement, Position};

use super::{At, Facts, known, measured, threshold};

/// Share of the places that may lie above the one from which the scale of the errors is
/// taken: as many may be bent. Our choice.
const MAY_BE_BENT: f64 = 0.15;

/// Standard deviations beyond which that share of a normal distribution lies.
const AT_THAT: f64 = 1.036;

/// Least loss that a bend adds for it to be worth a closure: limits are written, and losses
/// agreed, in hundredths of a decibel. What long averaging can tell below that changes
/// nothing for whoever uses the fibre. Our choice.
const WORTH_DRESSING_DB: f64 = 0.01;

/// One place of one fibre at two wavelengths.
struct Both {
    fibre: usize,
    joint: Option<usize>,
    position: Option<Position>,
    /// Indices of the shorter and the longer wavelength.
    wavelengths: (usize, usize),
    shorter: (f64, f64),
    longer: (f64, f64),
    /// What a splice may lose more at the longer wavelength: its mode fields' mismatch there.
    forced: f64,
    /// Metres within which two places of a fibre are the same.
    reach_m: f64,
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
/// A splice of usual fibres loses less at the longer wavelength, where the mode field is
/// wider, or by a tilt much the same; only by the mismatch of its mode fields may it lose
/// more there, and by no more than the backscatter step at that wavelength tells. What
/// exceeds that (and what the middle place of the cable exceeds it by) is noise or a bend.
/// The noise is what the errors state, or as much more as the upper tail of all places,
/// most of which are not bent, shows; a bend exceeds it beyond what noise does once in so
/// many cables, and by what matters in use ([`WORTH_DRESSING_DB`]).
///
/// An event at no joint was found among all the places of a fibre, not only measured at one:
/// noise had as many to make it at as the cable holds such reaches.
///
/// Of the `poor` fibres, taken with poor settings, twice as much is asked: their errors
/// are the least certain.
pub(super) fn bends(facts: &Facts<'_>, poor: &BTreeSet<usize>) -> (Vec<Finding>, BTreeSet<At>) {
    let mut places = places(facts);
    // Of fibres measured as labelled although their traces say that they are crossed, the two
    // directions are two fibres'.
    places.retain(|both| !facts.disputed.contains(&both.fibre));
    let excess = |both: &Both| both.difference() - both.forced;
    let usual = median(places.iter().map(excess).collect()).map_or(0.0, |db| db.max(0.0));
    let added = |both: &Both| {
        let usual = if both.joint.is_some() { usual } else { 0.0 };
        excess(both) - usual
    };
    let score = |both: &Both| added(both) / both.error();
    let mut scores: Vec<f64> = places.iter().map(score).collect();
    let high = quantile(&mut scores, 1.0 - MAY_BE_BENT).unwrap_or(0.0);
    let scale = (high / AT_THAT).max(1.0);
    let chance = facts.rules.false_finding_chance;
    let cable_m = facts.length_m * facts.fibres_measured() as f64;
    let asked = |both: &Both| {
        let searched = match both.joint {
            None if both.reach_m > 0.0 => (cable_m / both.reach_m).ceil(),
            _ => 0.0,
        };
        threshold(chance, places.len().max(searched as usize))
    };
    let asked: Vec<f64> = places.iter().map(asked).collect();
    let mut found: Vec<(f64, f64, Both)> = (places.into_iter().zip(asked))
        .filter_map(|(both, asked)| {
            let z = score(&both) / scale;
            let is_poor = poor.contains(&both.fibre);
            let needed = if is_poor { 2.0 * asked } else { asked };
            (z > needed && added(&both) >= WORTH_DRESSING_DB).then_some((z, needed, both))
        })
        .collect();
    // One finding for a place, from the wavelengths that show it best.
    found.sort_by(|p, q| q.0.total_cmp(&p.0));
    let mut bent = BTreeSet::new();
    let mut kept: Vec<(f64, f64, Both)> = Vec::new();
    for (z, needed, both) in found {
        let is_there = kept.iter().any(|(_, _, other)| {
            other.fibre == both.fibre
                && other.joint == both.joint
                && (both.joint.is_some() || is_same_place(other, &both))
        });
        if !is_there {
            // A joint that may have been spliced again in between stays a joint to look at.
            let joint = both
                .joint
                .filter(|_| redone_between(facts, &both).is_none());
            bent.extend(joint.map(|joint| (both.fibre, joint)));
            kept.push((z, needed, both));
        }
    }
    kept.sort_by(|(_, _, p), (_, _, q)| {
        let z = |b: &Both| b.position.map_or(f64::INFINITY, Position::m);
        p.joint
            .cmp(&q.joint)
            .then(p.fibre.cmp(&q.fibre))
            .then(z(p).total_cmp(&z(q)))
    });
    let findings = kept
        .iter()
        .map(|(z, needed, both)| finding(facts, both, *z, *needed))
        .collect();
    (findings, bent)
}

fn is_same_place(p: &Both, q: &Both) -> bool {
    let places = p.position.zip(q.position);
    places.is_none_or(|(a, b)| (a - b).m().abs() < p.reach_m.max(q.reach_m))
}

/// What a splice may lose more by its mode fields' mismatch, which is nothing where the
/// backscatter step is within two of its errors.
fn forced(step: &Measurement<Loss>) -> f64 {
    known(step)
        .filter(|(h, u)| h.abs() > 2.0 * u)
        .map_or(0.0, |(h, _)| mismatch_loss(10f64.powf(h / 10.0)).db())
}

/// The days on which a fibre was measured at the longer and at the shorter wavelength, where both
/// its traces were taken at the shorter one later, and most fibres' were not: a joint spliced
/// again in between looks like a bend.
fn redone_between(facts: &Facts<'_>, both: &Both) -> Option<[String; 2]> {
    let of = |fibre: usize| taken_later(facts, fibre, both.wavelengths);
    let later = of(both.fibre)?;
    let as_well = (0..facts.fibres())
        .filter(|&fibre| of(fibre).is_some())
        .count();
    (2 * as_well <= facts.fibres_measured()).then_some(later)
}

/// The last day at the longer and the first at the shorter wavelength, where that is later.
fn taken_later(
    facts: &Facts<'_>,
    fibre: usize,
    (short, long): (usize, usize),
) -> Option<[String; 2]> {
    let days = |wavelength: usize| -> Option<[String; 2]> {
        let mut links = facts.draft.links.iter();
        let link = links.find(|l| l.fibre == fibre && l.wavelength == wavelength)?;
        let day = |header: &Header| -> Option<String> {
            // As written: year, month, day.
            let day = header.measured.as_deref()?.get(..10)?;
            let is_date = day.split('-').map(str::len).eq([4, 2, 2]);
            is_date.then(|| day.to_owned())
        };
        let mut days = [day(&link.link.a.header)?, day(&link.link.b.header)?];
        days.sort();
        Some(days)
    };
    let ([_, longer], [shorter, _]) = (days(long)?, days(short)?);
    (shorter > longer).then_some([longer, shorter])
}

fn finding(facts: &Facts<'_>, both: &Both, z: f64, needed: f64) -> Finding {
    let name = facts.fibre_name(both.fibre);
    let (short, long) = (
        facts.wavelength(both.wavelengths.0),
        facts.wavelength(both.wavelengths.1),
    );
    let cure = match (redone_between(facts, both), both.joint) {
        (Some([first, then]), Some(_)) => format!(
            "measured on {first} at {:.0} nm and on {then} at {:.0} nm: if it was spliced again in \
             between, measure it anew at {:.0} nm; else dress the fibre in its tray",
            long.nm(),
            short.nm(),
            long.nm()
        ),
        (_, Some(_)) => "dress the fibre in its tray; a new splice would not cure it".to_owned(),
        (_, None) => "look for a tight bend or a squeezed cable there".to_owned(),
    };
    Finding::of(
        FindingKind::Bend,
        vec![name.clone()],
        format!(
            "fibre {name} is bent {}: {:.3} dB at {:.0} nm and {:.3} dB at {:.0} nm, where less \
             than {WORTH_DRESSING_DB} dB more does not count as a bend; {cure}",
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
                    forced: forced(&longer.backscatter_step),
                    reach_m: 0.0,
                });
            }
        }
        places.extend(loose(facts, long));
    }
    places
}

/// An event at no joint, on its fibre's length as one.
struct Loose<'e> {
    fibre: usize,
    /// Where it begins and ends, which differ in a group.
    from: f64,
    to: f64,
    /// Within how much of it another is the same: what cannot be told from it, and by how
    /// much its place may be off.
    reach: f64,
    event: &'e Event,
}

impl Loose<'_> {
    /// How far apart two of one fibre are; nothing where they overlap.
    fn apart(&self, other: &Self) -> f64 {
        (self.from - other.to).max(other.from - self.to).max(0.0)
    }
}

/// Places of single fibres, matched between the shortest and a longer wavelength by
/// their share of the fibre's length. A group counts as the one loss that it has: two marks
/// of one bend closer than a pulse are a group at one wavelength and none at the other.
fn loose(facts: &Facts<'_>, long: usize) -> Vec<Both> {
    let of = |wavelength: usize| -> Vec<Loose<'_>> {
        facts
            .loose_places()
            .filter_map(|(index, event)| {
                let link = facts.draft.links.get(index)?;
                let length_m = link.link.length.as_ref().ok()?.value.m();
                let pulse_m = crate::cable::measure::pulse_m(&link.link);
                let error_m = event.position.std_error.map_or(0.0, Length::m);
                (link.wavelength == wavelength).then_some(Loose {
                    fibre: link.fibre,
                    from: event.position.value.m() / length_m,
                    to: event.end.unwrap_or(event.position.value).m() / length_m,
                    reach: (pulse_m + REACH * error_m) / length_m,
                    event,
                })
            })
            .collect()
    };
    let shorter = of(0);
    of(long)
        .into_iter()
        .filter_map(|one| {
            let partner = shorter
                .iter()
                .filter(|other| other.fibre == one.fibre)
                .filter(|other| one.apart(other) < one.reach.max(other.reach))
                .min_by(|p, q| one.apart(p).total_cmp(&one.apart(q)))?;
            let length_m = (one.from > 0.0).then(|| one.event.position.value.m() / one.from)?;
            Some(Both {
                fibre: one.fibre,
                joint: None,
                position: Some(one.event.position.value),
                wavelengths: (0, long),
                shorter: known(&partner.event.loss)?,
                longer: known(&one.event.loss)?,
                forced: 0.0,
                reach_m: one.reach.max(partner.reach) * length_m,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    /// Closed form: a step of 0.4 dB is a width ratio of 10^0.04 = 1.0965, whose mismatch is
    /// −20·log10(2r/(1 + r²)) = 0.03679 dB; the same from either side, and nothing where the
    /// step may be none.
    #[test]
    fn unlike_mode_fields_may_lose_more_at_the_longer_wavelength() {
        let step = |h: f64, u: f64| -> Measurement<Loss> {
            Ok(Measured {
                value: Loss::from_db(h),
                std_error: Some(Loss::from_db(u)),
            })
        };
        for h in [0.4, -0.4] {
            assert!((forced(&step(h, 0.01)) - 0.03679).abs() < 5e-6);
        }
        assert!(forced(&step(0.4, 0.3)).abs() < 1e-12);
    }
}
