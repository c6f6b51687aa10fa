//! An event as detection hands it on, and what detection is set to.

use super::view::Span;

/// An event on the axis of the views.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Leading edge, metres.
    pub z_m: f64,
    /// Standard error of the place, metres; `None` until located by likelihood.
    pub std_error_m: Option<f64>,
    /// Per view: last sample before the event and first one after it, in the
    /// view's own travel; `None` where the view does not reach.
    pub blocks: Vec<Option<(usize, usize)>>,
    /// Whether a reflection stands out, per view.
    pub reflective: Vec<bool>,
    /// Whether the event is a peak seen sample by sample: not to be removed.
    pub strong: bool,
    /// Step over its standard error, per view, as detection saw it.
    pub significance: Vec<Option<f64>>,
    /// Whether it was told from its neighbour by a fit of both: the fibre between them may
    /// be too short for a line.
    pub parted: bool,
    /// Whether it cannot be told from the one before it on the axis.
    pub mingled: bool,
    /// The samples it was last located and judged with, and its statistic above the
    /// threshold there.
    pub(super) judged: Option<(Vec<Span>, f64)>,
}

impl Mark {
    /// Asks for it to be located and judged again: the levels have changed.
    pub fn forget(&mut self) {
        self.judged = None;
    }
}

/// What detection is set to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectSettings {
    /// False events per 1,000 km of fibre.
    pub false_events_per_1000_km: f64,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            false_events_per_1000_km: 0.5,
        }
    }
}
