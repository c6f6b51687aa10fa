//! Holds what was measured against limits: pass, fail, undecided, not judged.
//!
//! [`Limits`] say what is asked, [`decide`] is the rule for one value, and
//! [`judge`] applies both to a link. What was not measured both ways is never a
//! pass.

mod builtin;
mod describe;
mod fields;
mod judge;
mod judgement;
mod limits;
mod read;
mod roll_up;
mod rule;
mod write;

pub use builtin::{BAD_SPLICE_DB, bad_joint_default, built_in, built_ins};
pub use describe::LimitLine;
pub use judge::{Judged, judge};
pub use judgement::{End, Judgement, Place, What};
pub use limits::{
    AttenuationLimit, Band, CountLimit, Limits, LinkLossLimit, LossBound, LossLimit,
    ReflectanceLimit, ReturnLossLimit,
};
pub use read::LimitsError;
pub use roll_up::{judge_mean, roll_up};
pub use rule::{DEFAULT_COVERAGE, Decision, Limit, conformance, decide};
