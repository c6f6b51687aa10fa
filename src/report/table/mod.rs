//! Tables and sentences for a person at a terminal.
//!
//! The order is that of the questions: which link, how long, how much loss;
//! which joint, how bad, pass or fail; what each end read; what to make of it;
//! what could not be measured and why.

mod cable;
mod compare;
mod grid;
mod head;
mod link;
mod paint;
mod trace;
mod verdicts;

pub use cable::cable;
pub use compare::compare;
pub(super) use grid::{Align, Heading, grid, wrapped};
pub use link::link;
pub use trace::trace;

use crate::verdict::Limits;

/// How a table is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TableSettings {
    /// Characters in a line.
    pub width: usize,
    /// Whether to colour verdicts and headings.
    pub colour: bool,
}

impl Default for TableSettings {
    /// 100 characters, without colour: what a file or a pipe gets.
    fn default() -> Self {
        Self {
            width: 100,
            colour: false,
        }
    }
}

/// Writes sets of limits for a person, each with what it is for.
pub fn limits(sets: &[(Limits, &str)], settings: &TableSettings) -> String {
    paint::painted(
        &verdicts::list(sets, settings.width.max(60)),
        settings.colour,
    )
}
