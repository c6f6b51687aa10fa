//! A whole cable: every fibre at every joint, what is wrong, and what to redo.
//!
//! [`measure_cable`] goes from files to a [`CableResult`]: the roster pairs the traces,
//! a few fibres show where the joints are, all are measured at all joints, labels are
//! checked against what the traces show, and the finished matrix is looked through.

mod calibrate;
mod check;
mod cluster;
mod cords;
mod crossing;
mod dark;
mod doubles;
mod draft;
mod finding;
mod finish;
mod judged;
mod measure;
mod natural;
mod pairing;
mod pattern;
mod place;
mod plan;
mod record;
mod redo;
mod result;
mod rings;
mod roster;
mod run;
mod settings;
mod slopes;
pub mod splice_log;
mod survey;
mod turned;
mod worth;

pub use finding::{Evidence, Finding, FindingKind};
pub use measure::CableFile;
pub use natural::natural_order;
pub use pattern::{NamePattern, PatternError, Told};
pub use plan::{CablePlan, PlanError, PlannedClosure, PlannedLog, VisitTimes};
pub use redo::{RedoEntry, Visit, VisitStep};
pub use result::{
    CableLink, CableResult, Calibrated, Calibration, Cell, Fibre, Joint, JointKind,
    JointStatistics, Matrix, NamedBy, Rules, Skipped, Source, Untaken,
};
pub use roster::{Double, Roster, Slot, TraceAt, TraceEntry};
pub use run::{CableError, measure_cable};
pub use settings::{AcceptPairing, CableSettings, Journal, Progress, Silent};
