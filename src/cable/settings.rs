//! What a cable is measured with, and how a run reports and resumes.

use crate::both_ways;
use crate::read::Recipe;
use crate::trace::Header;
use crate::units::Loss;
use crate::verdict::Limits;

use super::plan::CablePlan;

/// Which pairing of traces is measured where headers and traces disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AcceptPairing {
    /// The pairing that the traces themselves support.
    Found,
    /// The pairing that headers and file names give, whatever the traces say.
    Labelled,
}

/// Settings of a cable's measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct CableSettings {
    /// What is known of the cable.
    pub plan: CablePlan,
    /// Settings of each link.
    pub link: both_ways::Settings,
    /// Fills the gaps of headers of traces taken from A.
    pub fallback: Header,
    /// How the files are laid out.
    pub recipe: Recipe,
    /// Acceptance limits.
    pub limits: Option<Limits>,
    /// Standard errors that a value keeps from its limit.
    pub coverage: f64,
    /// Two-way loss above which a splice is bad where the limits say nothing; none means
    /// the program's default.
    pub bad_splice: Option<Loss>,
    /// What to do with crossed fibres; none means that they are not measured.
    pub accept_pairing: Option<AcceptPairing>,
    /// Chance of one false finding of a kind in the whole cable.
    pub false_finding_chance: f64,
}

impl Default for CableSettings {
    fn default() -> Self {
        Self {
            plan: CablePlan::default(),
            link: both_ways::Settings::default(),
            fallback: Header::default(),
            recipe: Recipe::default(),
            limits: None,
            coverage: crate::verdict::DEFAULT_COVERAGE,
            bad_splice: None,
            accept_pairing: None,
            false_finding_chance: FALSE_FINDING_CHANCE,
        }
    }
}

/// Chance that a whole cable shows one finding of a kind that noise alone made, for
/// findings that rest on a statistic. Our choice: one cable in twenty.
const FALSE_FINDING_CHANCE: f64 = 0.05;

/// Says how far a run is.
pub trait Progress: Sync {
    /// A part of the work begins, of so many steps.
    fn begin(&self, what: &str, steps: usize);
    /// A step is done.
    fn step(&self);
}

/// Keeps finished fibres for a run that is interrupted.
pub trait Journal: Sync {
    /// What was kept under a key.
    fn find(&self, key: &str) -> Option<String>;
    /// Keeps one line of text under a key.
    fn keep(&self, key: &str, text: &str);
}

/// Says nothing and keeps nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn begin(&self, _what: &str, _steps: usize) {}
    fn step(&self) {}
}
