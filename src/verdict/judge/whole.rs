//! Sections, means, counts and totals of a link.

use std::fmt::Write as _;

use crate::both_ways::{Direction, Event, EventKind, Link, Verdict};
use crate::units::{Attenuation, Length, Loss, Measurement, Position};
use crate::verdict::judgement::{End, Judgement, Place, What};
use crate::verdict::limits::{Limits, LossBound, LossLimit};
use crate::verdict::rule::{Limit, conformance};

use super::words::{amount, measured, missing};

/// Standard error of a backscatter coefficient that a file or option gives, dB:
/// ±0.5 dB, all values alike (our choice; a reflectance and a return loss carry it whole).
const GIVEN_COEFFICIENT_STD_ERROR_DB: f64 = 0.29;

/// Standard error of the usual coefficient for a wavelength, dB: ±1 dB, all values
/// alike, as fibres differ (our choice).
const USUAL_COEFFICIENT_STD_ERROR_DB: f64 = 0.58;

/// Fewest events that a group holds.
const LEAST_IN_GROUP: usize = 2;

/// Standard error that the backscatter coefficient gives a reflectance or return loss.
pub(super) const fn usual_coefficient_error_db(direction: &Direction) -> f64 {
    if direction.backscatter_is_default {
        USUAL_COEFFICIENT_STD_ERROR_DB
    } else {
        GIVEN_COEFFICIENT_STD_ERROR_DB
    }
}

/// Sections that are measured, and stretches of the same length that are not. Those of a broken
/// fibre are one way only, which a slow change of the mode field tilts: none is judged.
pub(super) fn sections(link: &Link, limits: &Limits, coverage: f64) -> Vec<Judgement> {
    let Some(limit) = limits.section_attenuation_at(link.wavelength) else {
        return Vec::new();
    };
    let least_m = limit.least_length.map_or(0.0, Length::m);
    let max = limit.max.db_per_km();
    let measured_ones = link
        .sections
        .iter()
        .filter(|section| (section.to - section.from).m() >= least_m)
        .map(|section| {
            let place = Place::Section {
                from: section.from,
                to: section.to,
            };
            if link.is_broken() {
                let why = "not measured both ways: the fibre is broken";
                let what = What::SectionAttenuation;
                return missing(what, place, Some(max), why, &limit.source);
            }
            let value = section.attenuation.value.db_per_km();
            let std_error = section.attenuation.std_error.map(Attenuation::db_per_km);
            let limit_here = Limit::AtMost(max);
            let what = What::SectionAttenuation;
            measured(
                what,
                place,
                (value, std_error),
                limit_here,
                coverage,
                &limit.source,
            )
        });
    let unmeasured = stretches_without_section(link)
        .into_iter()
        .filter(|(from, to)| (*to - *from).m() >= least_m)
        .map(|(from, to)| {
            missing(
                What::SectionAttenuation,
                Place::Section { from, to },
                Some(max),
                "not measured both ways: too little of the fibre between its ends is seen from both",
                &limit.source,
            )
        });
    let mut all: Vec<Judgement> = measured_ones.chain(unmeasured).collect();
    all.sort_by(|one, other| start_m(one).total_cmp(&start_m(other)));
    all
}

fn start_m(judgement: &Judgement) -> f64 {
    match judgement.place {
        Place::Section { from, .. } => from.m(),
        _ => f64::INFINITY,
    }
}

/// Stretches between neighbouring events in which no section was measured.
fn stretches_without_section(link: &Link) -> Vec<(Position, Position)> {
    let bounds: Vec<&Event> = link
        .events
        .iter()
        .filter(|event| event.kind != EventKind::Echo && event.position_from_b.is_none())
        .collect();
    bounds
        .windows(2)
        .filter_map(|pair| {
            let from = pair[0].end.unwrap_or(pair[0].position.value);
            let to = pair[1].position.value;
            let middle_m = f64::midpoint(from.m(), to.m());
            let has_section = link
                .sections
                .iter()
                .any(|section| section.from.m() <= middle_m && middle_m <= section.to.m());
            (to > from && !has_section).then_some((from, to))
        })
        .collect()
}

fn splices(link: &Link) -> impl Iterator<Item = &Event> {
    link.events.iter().filter(|event| {
        matches!(event.kind, EventKind::Splice | EventKind::Bend) || is_group_of_splices(event)
    })
}

fn is_group_of_splices(event: &Event) -> bool {
    event.kind == EventKind::Group && !event.reflective
}

/// The mean of the fibre's splices.
pub(super) fn mean(link: &Link, limits: &Limits, coverage: f64) -> Option<Judgement> {
    let limit = limits.mean_per_fibre.as_ref()?;
    let groups = splices(link)
        .filter(|event| is_group_of_splices(event))
        .count();
    let losses: Vec<&Measurement<Loss>> = splices(link).map(|event| &event.loss).collect();
    if losses.is_empty() {
        return None;
    }
    Some(mean_of(
        What::FibreMean,
        Place::Link,
        losses,
        groups,
        limit,
        coverage,
    ))
}

/// The mean of losses of which `groups` are each the sum of two joints or more.
///
/// Divided by the fewest joints that there can be, the mean is the greatest it can
/// be: within the limit it passes, else it is undecided.
pub(in crate::verdict) fn mean_of<'m>(
    what: What,
    place: Place,
    losses: impl IntoIterator<Item = &'m Measurement<Loss>>,
    groups: usize,
    limit: &LossLimit,
    coverage: f64,
) -> Judgement {
    let (mut joints, mut unmeasured) = (groups * (LEAST_IN_GROUP - 1), 0);
    let (mut sum_db, mut variance) = (0.0, Some(0.0));
    for loss in losses {
        joints += 1;
        match loss {
            Ok(loss) => {
                sum_db += loss.value.db();
                variance = variance
                    .zip(loss.std_error)
                    .map(|(sum, error)| sum + error.db() * error.db());
            }
            Err(_) => unmeasured += 1,
        }
    }
    if joints == 0 || unmeasured > 0 {
        let why = if joints == 0 {
            "there is no splice to take the mean of".to_owned()
        } else {
            format!("{unmeasured} of {joints} splices are not measured both ways")
        };
        return missing(what, place, Some(limit.max.db()), &why, &limit.source);
    }
    let n = joints as f64;
    let value = (sum_db / n, variance.map(|sum: f64| sum.sqrt() / n));
    let at_most = Limit::AtMost(limit.max.db());
    let judgement = measured(what, place, value, at_most, coverage, &limit.source);
    let reason = format!("{}; mean of {joints}", judgement.reason);
    if groups == 0 {
        return Judgement {
            reason,
            ..judgement
        };
    }
    let reason = format!("{reason} at least, since a group holds two or more");
    if judgement.verdict == Verdict::Pass {
        Judgement {
            reason,
            ..judgement
        }
    } else {
        Judgement {
            verdict: Verdict::Undecided,
            conformance: None,
            reason,
            ..judgement
        }
    }
}

/// How many splices are above the softer limit.
///
/// Pass if even those that may be above it are few enough, fail if those that
/// certainly are are too many. The probability is exact for independent errors.
pub(super) fn splices_over(link: &Link, limits: &Limits, coverage: f64) -> Option<Judgement> {
    let limit = limits.splices_over.as_ref()?;
    let over = Limit::AtMost(limit.over.db());
    let what = What::SplicesOver;
    let (mut certain, mut perhaps, mut unmeasured, mut open, mut above) = (0, 0, 0, 0, 0_usize);
    // Probability of 0, 1, 2 … splices above the limit.
    let mut chances = vec![1.0];
    for event in splices(link) {
        let Ok(loss) = &event.loss else {
            unmeasured += 1;
            continue;
        };
        let std_error_db = loss.std_error.map(Loss::db);
        let value_db = loss.value.db();
        let one = measured(
            what,
            Place::Link,
            (value_db, std_error_db),
            over,
            coverage,
            "",
        );
        match one.verdict {
            Verdict::Pass => {}
            _ if is_group_of_splices(event) || std_error_db.is_none() => open += 1,
            Verdict::Fail => certain += 1,
            Verdict::Undecided | Verdict::NotJudged => perhaps += 1,
        }
        above += usize::from(value_db > over.value());
        let chance = 1.0 - std_error_db.map_or(0.5, |error| conformance(value_db, error, over));
        chances.push(0.0);
        for count in (0..chances.len()).rev() {
            let one_fewer = count.checked_sub(1).map_or(0.0, |fewer| chances[fewer]);
            chances[count] = chances[count] * (1.0 - chance) + one_fewer * chance;
        }
    }
    let at_most = limit.at_most;
    let verdict = if certain > at_most {
        Verdict::Fail
    } else if unmeasured > 0 && certain + perhaps + unmeasured > at_most {
        Verdict::NotJudged
    } else if open > 0 || certain + perhaps > at_most {
        Verdict::Undecided
    } else {
        Verdict::Pass
    };
    let mut reason = format!(
        "{certain} certainly and {perhaps} perhaps above {}, {at_most} allowed",
        amount(What::SpliceLoss, limit.over.db())
    );
    if unmeasured > 0 {
        let _ = write!(reason, "; {unmeasured} not measured both ways");
    }
    if open > 0 {
        let _ = write!(reason, "; {open} more of which it cannot be said");
    }
    let known = unmeasured == 0 && open == 0;
    Some(Judgement {
        what,
        place: Place::Link,
        value: known.then_some(above as f64),
        std_error: None,
        limit: Some(at_most as f64),
        conformance: known.then(|| chances.iter().take(at_most + 1).sum::<f64>().min(1.0)),
        verdict,
        reason,
        margin: known.then_some(at_most as f64 - above as f64),
        source: limit.source.clone(),
    })
}

/// The loss of the whole link against the lowest limit for its wavelength.
pub(super) fn link_loss(link: &Link, limits: &Limits, coverage: f64) -> Option<Judgement> {
    let bounds: Vec<_> = limits
        .link_loss
        .iter()
        .filter(|limit| limit.band.holds(link.wavelength))
        .map(|limit| (limit, greatest_loss(link, limit.bound)))
        .collect();
    let (limit, bound) = bounds.iter().min_by(|one, other| {
        let value = |bound: &Result<(f64, String), String>| {
            // A budget that cannot be added up must show.
            bound.as_ref().map_or(f64::NEG_INFINITY, |(db, _)| *db)
        };
        value(&one.1).total_cmp(&value(&other.1))
    })?;
    let place = Place::Link;
    let what = What::LinkLoss;
    let (max_db, how) = match bound {
        Ok((max_db, how)) => (*max_db, how),
        Err(why) => return Some(missing(what, place, None, why, &limit.source)),
    };
    let loss = match &link.loss {
        Ok(loss) => (loss.value.db(), loss.std_error.map(Loss::db)),
        Err(why) => {
            let why = format!("not measured both ways: {}", why.reason);
            return Some(missing(what, place, Some(max_db), &why, &limit.source));
        }
    };
    let at_most = Limit::AtMost(max_db);
    let judgement = measured(what, place, loss, at_most, coverage, &limit.source);
    Some(Judgement {
        reason: format!("{}{how}", judgement.reason),
        ..judgement
    })
}

/// The greatest loss allowed, and how it was added up; or why it cannot be.
fn greatest_loss(link: &Link, bound: LossBound) -> Result<(f64, String), String> {
    let (per_splice, per_connector, per_km, plus, splices, connectors) = match bound {
        LossBound::Fixed { max } => return Ok((max.db(), String::new())),
        LossBound::Budget {
            per_splice,
            per_connector,
            per_km,
            plus,
            splices,
            connectors,
        } => (per_splice, per_connector, per_km, plus, splices, connectors),
    };
    let count = |kind: &dyn Fn(&Event) -> bool, group: &dyn Fn(&Event) -> bool| -> usize {
        link.events
            .iter()
            .map(|event| match event.kind {
                EventKind::Group if group(event) => LEAST_IN_GROUP,
                EventKind::Group => 0,
                _ => usize::from(kind(event)),
            })
            .sum()
    };
    let splices = splices.unwrap_or_else(|| {
        count(&|event| event.kind == EventKind::Splice, &|event| {
            !event.reflective
        })
    });
    let connectors = connectors.unwrap_or_else(|| {
        count(&|event| event.kind == EventKind::Connector, &|event| {
            event.reflective
        })
    });
    let length = link
        .length
        .as_ref()
        .map_err(|why| format!("the budget needs the link's length: {}", why.reason))?;
    let fibre = per_km * length.value;
    let sum_db = splices as f64 * per_splice.db()
        + connectors as f64 * per_connector.db()
        + fibre.db()
        + plus.db();
    let plus = if plus.db() == 0.0 {
        String::new()
    } else {
        format!(" + {} dB", plus.db())
    };
    Ok((
        sum_db,
        format!(
            "; the limit is {splices} splices × {} dB + {connectors} connectors × {} dB + {:.3} km × {} dB/km{plus} = {sum_db:.3} dB",
            per_splice.db(),
            per_connector.db(),
            length.value.km(),
            per_km.db_per_km(),
        ),
    ))
}

/// The return loss from either end.
pub(super) fn return_losses(link: &Link, limits: &Limits, coverage: f64) -> Vec<Judgement> {
    let Some(limit) = &limits.orl else {
        return Vec::new();
    };
    let at_least = Limit::AtLeast(limit.min.db());
    [(End::A, link.orl_a, &link.a), (End::B, link.orl_b, &link.b)]
        .into_iter()
        .map(|(end, orl, direction)| {
            let (what, place) = (What::ReturnLoss, Place::LinkFrom(end));
            let Some(orl) = orl else {
                let why = format!("no return loss was measured from {end}");
                return missing(what, place, Some(at_least.value()), &why, &limit.source);
            };
            let std_error_db = limit
                .std_error_db
                .unwrap_or_else(|| usual_coefficient_error_db(direction));
            let value = (orl.db(), Some(std_error_db));
            measured(what, place, value, at_least, coverage, &limit.source)
        })
        .collect()
}
