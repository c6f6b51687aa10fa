//! The decision rule for one value: conformance probability with a guard band.

use statrs::function::erf::erfc;

use crate::both_ways::Verdict;

/// Standard errors that a value keeps from its limit, where none are asked for.
///
/// 1.645 leaves a risk of 5 % at the edge of the guard band that what passes is
/// out of the limit, or that what fails is within it.
pub const DEFAULT_COVERAGE: f64 = 1.645;

/// A limit on one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// The value may not be above it.
    AtMost(f64),
    /// The value may not be below it.
    AtLeast(f64),
}

impl Limit {
    /// The number.
    pub const fn value(self) -> f64 {
        match self {
            Self::AtMost(limit) | Self::AtLeast(limit) => limit,
        }
    }

    /// Distance of a value from the limit, positive within it.
    pub fn margin(self, value: f64) -> f64 {
        match self {
            Self::AtMost(limit) => limit - value,
            Self::AtLeast(limit) => value - limit,
        }
    }
}

/// What the rule says of one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decision {
    /// Pass, fail or undecided.
    pub verdict: Verdict,
    /// Probability that the true value meets the limit; none without a standard error.
    pub conformance: Option<f64>,
    /// Distance from the limit, positive within it.
    pub margin: f64,
    /// Width of the guard band, k·u; none without a standard error.
    pub guard: Option<f64>,
}

/// Probability that the true value meets the limit, Φ(margin/u), for a normal
/// error of the value and nothing else known of it.
///
/// # Source
/// JCGM 106:2012, clause 7 (from memory): `p_c = Φ((T_U − y)/u)` for an upper limit.
pub fn conformance(value: f64, std_error: f64, limit: Limit) -> f64 {
    let margin = limit.margin(value);
    if std_error > 0.0 {
        0.5 * erfc(-margin / std_error / std::f64::consts::SQRT_2)
    } else if margin >= 0.0 {
        1.0
    } else {
        0.0
    }
}

/// Decides on one value with standard error u and coverage factor k.
///
/// Pass if the value is within the limit by k·u or more, fail if it is outside by
/// more than k·u, else undecided. Without a standard error nothing can be decided.
///
/// # Source
/// Guard band w = k·u on either side of the limit: JCGM 106:2012, clause 8 (from memory).
///
/// # Example
/// ```
/// use bothends::both_ways::Verdict;
/// use bothends::verdict::{Limit, decide};
/// let limit = Limit::AtMost(0.10);
/// assert_eq!(decide(0.08, Some(0.012), limit, 1.645).verdict, Verdict::Pass);
/// assert_eq!(decide(0.09, Some(0.012), limit, 1.645).verdict, Verdict::Undecided);
/// assert_eq!(decide(0.124, Some(0.012), limit, 1.645).verdict, Verdict::Fail);
/// ```
pub fn decide(value: f64, std_error: Option<f64>, limit: Limit, coverage: f64) -> Decision {
    let margin = limit.margin(value);
    let known = std_error.filter(|error| error.is_finite() && *error >= 0.0);
    let guard = known.map(|error| coverage * error);
    let verdict = match guard {
        Some(guard) if margin >= guard => Verdict::Pass,
        Some(guard) if -margin > guard => Verdict::Fail,
        // A value that is no number lands here too.
        _ => Verdict::Undecided,
    };
    Decision {
        verdict,
        conformance: known.map(|error| conformance(value, error, limit)),
        margin,
        guard,
    }
}
