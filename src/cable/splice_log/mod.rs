//! The splicing machines' own log against what was measured.
//!
//! A machine estimates each loss from pictures of the fibres. Where its estimates
//! disagree with the two-way losses, or these rise as electrodes or blade wear, the
//! machine is the fault and not the joint. Every group and trend is tested, and the
//! probabilities are adjusted for the number of tests, so that a log with many days
//! and operators does not find something by chance.

mod compare;
mod findings;
mod read;
mod statistics;
#[cfg(test)]
mod tests;

pub use compare::{
    FEWEST_SPLICES, Group, GroupBy, LoggedSplice, Part, SpliceLog, Tested, Trend, Unused,
    compare_log,
};
pub use read::{LogColumns, LogEntry, LogError, read_log};
pub use statistics::{
    DifferenceTest, LineTest, MeanTest, difference_test, holm, line_test, line_test_holding,
    mean_test,
};
