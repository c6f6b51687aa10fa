//! A whole cable: every fibre at every joint, what is wrong, and what to redo.

mod finding;
mod redo;
mod result;
pub mod splice_log;

pub use finding::{Evidence, Finding, FindingKind};
pub use redo::{RedoEntry, Visit, VisitStep};
pub use result::{
    CableLink, CableResult, Calibrated, Calibration, Cell, Fibre, Joint, JointKind,
    JointStatistics, Matrix, NamedBy, Rules, Skipped, Source,
};
