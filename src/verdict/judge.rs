//! A link against limits.

mod joints;
mod whole;
mod words;

use crate::both_ways::{EventKind, Link, Verdict};

pub(super) use whole::mean_of;

use super::judgement::{Judgement, Place};
use super::limits::Limits;
use super::roll_up::roll_up;

/// What a link was held against, and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The limits that were applied.
    pub limits: Limits,
    /// Standard errors that a value keeps from its limit.
    pub coverage: f64,
    /// Every value that a limit asks for, also those that could not be judged:
    /// joints by place, then sections, then the link as a whole.
    pub judgements: Vec<Judgement>,
    /// Roll-up of them; the link carries the same.
    pub verdict: Verdict,
}

impl Judged {
    /// The judgements on one event.
    pub fn of_event(&self, event_number: usize) -> impl Iterator<Item = &Judgement> + '_ {
        self.judgements.iter().filter(
            move |judgement| matches!(judgement.place, Place::Event { number, .. } if number == event_number),
        )
    }
}

/// Holds a link against limits by the rule of [`decide`](super::decide).
///
/// Fills verdict, limit and conformance of every event and the verdict of the
/// link, and gives every single judgement. An event's verdict rolls up its loss and
/// its reflectances; its limit and conformance are those of the loss. Echoes and
/// ends without a joint are not judged and count for nothing.
///
/// `coverage` is the number of standard errors k that a value keeps from its limit.
pub fn judge(link: &mut Link, limits: &Limits, coverage: f64) -> Judged {
    let mut judgements = Vec::new();
    for event in &mut link.events {
        event.verdict = Verdict::NotJudged;
        event.limit = None;
        event.conformance = None;
    }
    for index in 0..link.events.len() {
        let event = &link.events[index];
        if matches!(event.kind, EventKind::Echo | EventKind::End) {
            continue;
        }
        let loss = joints::loss(event, limits, coverage);
        let reflectances = joints::reflectances(event, link, limits, coverage);
        let verdict = roll_up(loss.iter().chain(&reflectances).map(|one| one.verdict));
        let event = &mut link.events[index];
        event.verdict = verdict;
        if let Some(loss) = &loss {
            event.limit = loss.limit.map(crate::units::Loss::from_db);
            event.conformance = loss.conformance;
        }
        judgements.extend(loss);
        judgements.extend(reflectances);
    }
    judgements.extend(whole::sections(link, limits, coverage));
    judgements.extend(whole::mean(link, limits, coverage));
    judgements.extend(whole::splices_over(link, limits, coverage));
    judgements.extend(whole::link_loss(link, limits, coverage));
    judgements.extend(whole::return_losses(link, limits, coverage));
    link.verdict = roll_up(judgements.iter().map(|one| one.verdict));
    Judged {
        limits: limits.clone(),
        coverage,
        verdict: link.verdict,
        judgements,
    }
}
