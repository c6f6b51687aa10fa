//! Losses and reflectances of single events.

use crate::both_ways::{Event, EventKind, Link, Verdict};
use crate::measure::ReflectanceReading;
use crate::units::{Loss, Reflectance};
use crate::verdict::judgement::{End, Judgement, Place, What};
use crate::verdict::limits::{Limits, LossLimit};
use crate::verdict::rule::Limit;

use super::whole::usual_coefficient_error_db;
use super::words::{measured, missing};

/// Who asks that a fibre is whole.
const WHOLE_FIBRE: &str = "an interrupted fibre meets no limit";

/// The judgement on an event's loss, where a limit asks for one.
pub(super) fn loss(event: &Event, limits: &Limits, coverage: f64) -> Option<Judgement> {
    let place = || place_of(event, None);
    let (what, limit) = match event.kind {
        EventKind::Splice | EventKind::Bend => (What::SpliceLoss, limits.splice_loss.as_ref()?),
        EventKind::Connector => (What::ConnectorLoss, limits.connector_loss.as_ref()?),
        EventKind::Group => (What::GroupLoss, group_limit(event, limits)?),
        EventKind::Break => {
            return Some(Judgement {
                verdict: Verdict::Fail,
                ..missing(
                    What::Continuity,
                    place(),
                    None,
                    "the fibre is interrupted here",
                    WHOLE_FIBRE,
                )
            });
        }
        EventKind::Echo | EventKind::End => return None,
    };
    let max_db = limit.max.db();
    let loss = match &event.loss {
        Ok(loss) => loss,
        Err(why) => {
            let why = format!("not measured both ways: {}", why.reason);
            return Some(missing(what, place(), Some(max_db), &why, &limit.source));
        }
    };
    let value = (loss.value.db(), loss.std_error.map(Loss::db));
    let limit_db = Limit::AtMost(max_db);
    let judgement = measured(what, place(), value, limit_db, coverage, &limit.source);
    Some(match event.kind {
        EventKind::Group => of_group(judgement),
        EventKind::Bend => Judgement {
            reason: format!("{} for a splice", judgement.reason),
            ..judgement
        },
        _ => judgement,
    })
}

/// The limit for one joint of a group: the lower one where a connector is among them.
fn group_limit<'l>(event: &Event, limits: &'l Limits) -> Option<&'l LossLimit> {
    let splice = limits.splice_loss.as_ref();
    if !event.reflective {
        return splice;
    }
    [limits.connector_loss.as_ref(), splice]
        .into_iter()
        .flatten()
        .min_by(|one, other| one.max.db().total_cmp(&other.max.db()))
}

/// A group passes where all its joints together stay below the limit for one; it
/// never fails, since the share of each is not known.
fn of_group(judgement: Judgement) -> Judgement {
    if judgement.verdict == Verdict::Pass {
        return Judgement {
            reason: format!(
                "{}; all together are within the limit for one",
                judgement.reason
            ),
            ..judgement
        };
    }
    Judgement {
        verdict: Verdict::Undecided,
        conformance: None,
        reason: format!(
            "{}; that is the limit for one joint, and the share of each in the group is not known: \
             a shorter pulse may tell them apart",
            judgement.reason
        ),
        ..judgement
    }
}

/// The judgements on an event's reflectances, where a limit asks for them.
///
/// A splice without a reflection has nothing to judge; a connector without one is
/// not judged, since how weakly it reflects was not measured.
pub(super) fn reflectances(
    event: &Event,
    link: &Link,
    limits: &Limits,
    coverage: f64,
) -> Vec<Judgement> {
    let Some(limit) = &limits.reflectance else {
        return Vec::new();
    };
    if event.kind == EventKind::Break {
        return Vec::new();
    }
    let readings = [
        (End::A, event.reflectance_a, &link.a),
        (End::B, event.reflectance_b, &link.b),
    ];
    let found: Vec<Judgement> = readings
        .into_iter()
        .filter_map(|(end, reading, direction)| {
            let std_error_db = limit
                .std_error_db
                .unwrap_or_else(|| usual_coefficient_error_db(direction));
            let judgement = measured(
                What::Reflectance,
                place_of(event, Some(end)),
                (Reflectance::db(reading?.value), Some(std_error_db)),
                Limit::AtMost(limit.max.db()),
                coverage,
                &limit.source,
            );
            Some(of_bound(judgement, reading?))
        })
        .collect();
    if !found.is_empty() || event.kind != EventKind::Connector {
        return found;
    }
    let why = match (&event.loss_a_to_b, &event.loss_b_to_a) {
        (Err(why), Err(_)) => why.reason.as_str(),
        _ => "no reflection stands out from either end, and how weak it is was not measured",
    };
    let max_db = Some(limit.max.db());
    vec![missing(
        What::Reflectance,
        place_of(event, None),
        max_db,
        why,
        &limit.source,
    )]
}

/// A clipped peak can fail and never pass: the true reflectance is at least as strong.
fn of_bound(judgement: Judgement, reading: ReflectanceReading) -> Judgement {
    if !reading.is_bound {
        return judgement;
    }
    if judgement.verdict == Verdict::Fail {
        return Judgement {
            conformance: None,
            reason: format!("{}, at least: the peak is clipped", judgement.reason),
            ..judgement
        };
    }
    Judgement {
        verdict: Verdict::Undecided,
        conformance: None,
        reason: "the peak is clipped, so the true reflectance is stronger than the one read"
            .to_owned(),
        ..judgement
    }
}

fn place_of(event: &Event, seen_from: Option<End>) -> Place {
    Place::Event {
        number: event.number,
        joint: event.joint.clone(),
        seen_from,
    }
}
