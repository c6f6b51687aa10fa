//! The same link measured again: what changed beyond the uncertainty of both measurements.
//!
//! Works on results as they were printed, so that a baseline can be kept for years.

mod difference;
mod link;
mod matching;
mod pair;
mod state;

pub use difference::{DEFAULT_COVERAGE, Difference, Outcome, Quantity, false_share};
pub use link::{LinkComparison, compare_link};
pub use pair::{Comparison, Unmatched, compare};
pub use state::{EventState, LinkState, SectionState, StateError, read};
