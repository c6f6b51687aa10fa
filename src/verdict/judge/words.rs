//! Why a value passed or not, in words.

use crate::both_ways::Verdict;
use crate::verdict::judgement::{Judgement, Place, What};
use crate::verdict::rule::{Decision, Limit, decide};

/// Holds a measured value against a limit and says why it came out so.
pub(in crate::verdict) fn measured(
    what: What,
    place: Place,
    (value, std_error): (f64, Option<f64>),
    limit: Limit,
    coverage: f64,
    source: &str,
) -> Judgement {
    if !value.is_finite() {
        let why = "the calculation gave no number";
        return missing(what, place, Some(limit.value()), why, source);
    }
    let decision = decide(value, std_error, limit, coverage);
    Judgement {
        what,
        place,
        value: Some(value),
        std_error,
        limit: Some(limit.value()),
        conformance: decision.conformance,
        verdict: decision.verdict,
        reason: reason(what, decision, limit),
        margin: Some(decision.margin),
        source: source.to_owned(),
    }
}

/// A value that a limit asks for and that was not measured.
pub(in crate::verdict) fn missing(
    what: What,
    place: Place,
    limit: Option<f64>,
    why: &str,
    source: &str,
) -> Judgement {
    Judgement {
        what,
        place,
        value: None,
        std_error: None,
        limit,
        conformance: None,
        verdict: Verdict::NotJudged,
        reason: why.to_owned(),
        margin: None,
        source: source.to_owned(),
    }
}

fn reason(what: What, decision: Decision, limit: Limit) -> String {
    let side = match (limit, decision.margin >= 0.0) {
        (Limit::AtMost(_), true) | (Limit::AtLeast(_), false) => "below",
        (Limit::AtMost(_), false) | (Limit::AtLeast(_), true) => "above",
    };
    let distance = amount(what, decision.margin.abs());
    let Some(guard) = decision.guard else {
        return format!(
            "{distance} {side} the limit, but its standard error is not known, so nothing can be \
             decided"
        );
    };
    let guard = amount(what, guard);
    match decision.verdict {
        Verdict::Pass | Verdict::Fail => {
            format!("{distance} {side} the limit, guard band {guard}")
        }
        Verdict::Undecided | Verdict::NotJudged => format!(
            "{distance} {side} the limit, nearer than the guard band of {guard}: a longer averaging \
             time may decide it"
        ),
    }
}

/// An amount with its unit, in digits that suit the quantity; never a made-up zero.
pub(in crate::verdict) fn amount(what: What, value: f64) -> String {
    let (decimals, unit) = match what {
        What::Reflectance | What::ReturnLoss => (1, " dB"),
        What::SectionAttenuation => (4, " dB/km"),
        What::SplicesOver | What::Continuity => (0, ""),
        _ => (3, " dB"),
    };
    let least = 0.1_f64.powi(i32::try_from(decimals).unwrap_or(0));
    if value > 0.0 && value < 0.5 * least {
        format!("less than {least:.decimals$}{unit}")
    } else {
        format!("{value:.decimals$}{unit}")
    }
}
