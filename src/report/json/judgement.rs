//! One value held against one limit, as it is printed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::link::metres;
use crate::both_ways::Verdict;
use crate::report::number::{error_rounded, rounded};
use crate::units::Position;
use crate::verdict::{End, Judgement, Place};

/// Decimals of values of any unit: a tenth of what the finest of them resolves.
const DECIMALS: i32 = 5;

/// One value held against one limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct JudgementObject {
    /// The quantity in words, such as `splice loss`.
    pub what: String,
    /// Unit of value, standard error, limit and margin; empty for a number of joints.
    pub unit: String,
    /// Number of the event that it is about; null for what is about no event.
    pub event: Option<usize>,
    /// Name of the joint or closure.
    pub joint: Option<String>,
    /// End from which it was seen; null where it is from both.
    #[schemars(extend("enum" = ["a", "b", null]))]
    pub end: Option<String>,
    /// Where a section begins.
    pub from_m: Option<f64>,
    /// Where a section ends.
    pub to_m: Option<f64>,
    /// The value; null where it was not measured.
    pub value: Option<f64>,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// The limit.
    pub limit: Option<f64>,
    /// Distance from the limit, positive within it, guard band not taken off.
    pub margin: Option<f64>,
    /// Probability that the limit is met.
    pub conformance: Option<f64>,
    /// The verdict.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub verdict: Verdict,
    /// Why, in words for a technician.
    pub reason: String,
    /// Who asks for the limit.
    pub source: String,
}

impl From<&Judgement> for JudgementObject {
    fn from(judgement: &Judgement) -> Self {
        let letter = |end: End| end.to_string().to_lowercase();
        let (mut event, mut joint, mut end) = (None, None, None);
        let (mut from_m, mut to_m) = (None, None);
        match &judgement.place {
            Place::Event {
                number,
                joint: name,
                seen_from,
            } => {
                event = Some(*number);
                joint.clone_from(name);
                end = seen_from.map(letter);
            }
            Place::Section { from, to } => {
                from_m = metres(Position::m(*from));
                to_m = metres(to.m());
            }
            Place::Link => {}
            Place::LinkFrom(from) => end = Some(letter(*from)),
            Place::Closure(name) => joint = Some(name.clone()),
        }
        let round = |value: Option<f64>| value.and_then(|value| rounded(value, DECIMALS));
        Self {
            what: judgement.what.word().to_owned(),
            unit: judgement.what.unit().to_owned(),
            event,
            joint,
            end,
            from_m,
            to_m,
            value: round(judgement.value),
            std_error: judgement.std_error.and_then(error_rounded),
            limit: round(judgement.limit),
            margin: round(judgement.margin),
            conformance: judgement.conformance.and_then(|share| rounded(share, 4)),
            verdict: judgement.verdict,
            reason: judgement.reason.clone(),
            source: judgement.source.clone(),
        }
    }
}
