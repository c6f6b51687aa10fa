//! One trace looked through by itself: its events, and where the link lies in it.

use crate::detect::{DetectSettings, End, Eye, Finder, Mark, Span, View, find_end};
use crate::trace::Trace;
use crate::units::Length;

/// How far the first or last connector may lie from where the stated cord puts it,
/// as a share of the cord: cords are sold by nominal length and wound with a spare.
const CORD_TOLERANCE: f64 = 0.05;

/// Where the link begins or ends in a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkEnd {
    /// Metres from the port.
    pub own_m: f64,
    /// Standard error, metres; `None` when the place is only stated.
    pub std_error_m: Option<f64>,
    /// Whether a cord lies beyond it, so that a line can be drawn on both sides.
    pub has_cord: bool,
}

/// One trace looked through by itself.
#[derive(Debug, Clone)]
pub struct Look {
    /// The prepared trace.
    pub eye: Eye,
    /// How its light ends.
    pub end: End,
    /// Usable samples between the port's dead zone and the end.
    pub bound: Span,
    /// Events on the trace's own metres from the port.
    pub marks: Vec<Mark>,
    /// Near end of the link.
    pub near: LinkEnd,
    /// Far end of the link, where it could be seen.
    pub far: Option<LinkEnd>,
}

/// Looks through a trace.
///
/// `launch` and `tail` are the cords at the instrument and at the far end; zero
/// means none, `None` unknown (then the link is counted from the port to the end
/// of the light, and the caller says so).
pub fn look(
    trace: &Trace,
    launch: Option<Length>,
    tail: Option<Length>,
    settings: &DetectSettings,
) -> Look {
    let eye = Eye::new(trace);
    let end = find_end(&eye);
    let lo = eye.peaks.first().map_or(0, |port| port.settled);
    let hi = end.limit(eye.len()).max(lo);
    let bound = Span { lo, hi };
    let marks = own_marks(&eye, bound, settings);
    let launch_m = launch.map_or(0.0, Length::m);
    let near = if launch_m > 0.0 {
        cord_end(&eye, &marks, launch_m, launch_m)
    } else {
        LinkEnd {
            own_m: 0.0,
            // The port is the zero of the axis.
            std_error_m: Some(eye.spacing_m / 12.0_f64.sqrt()),
            has_cord: false,
        }
    };
    let tail_m = tail.map_or(0.0, Length::m);
    let far = match end {
        End::Drop { edge, .. } => {
            let end_m = eye.metres(edge);
            Some(if tail_m > 0.0 {
                cord_end(&eye, &marks, end_m - tail_m, tail_m)
            } else {
                LinkEnd {
                    own_m: end_m,
                    std_error_m: Some(eye.spacing_m / 12.0_f64.sqrt()),
                    has_cord: false,
                }
            })
        }
        End::Faded { .. } | End::BeyondRange => None,
    };
    Look {
        eye,
        end,
        bound,
        marks,
        near,
        far,
    }
}

/// Marks of a trace by itself, strong peaks included.
fn own_marks(eye: &Eye, bound: Span, settings: &DetectSettings) -> Vec<Mark> {
    let finder = Finder::new(vec![View::own(eye)], vec![bound], settings);
    let known = strong_marks(&finder);
    finder.find(known)
}

/// Marks of the strong peaks of a single view.
fn strong_marks(finder: &Finder<'_>) -> Vec<Mark> {
    let (view, bound) = (finder.views[0], finder.bounds[0]);
    view.eye
        .peaks
        .iter()
        .skip(1)
        .filter(|peak| peak.edge >= bound.lo && peak.edge + 2 < bound.hi)
        .map(|peak| {
            // The rise lies between two samples: half a sample on, uniform; or where
            // the receiver's shape puts it, to a tenth.
            let (index, error) = match peak.place {
                Some(place) => (place, 0.1),
                None => (peak.edge as f64 + 0.5, 12.0_f64.sqrt().recip()),
            };
            let mut mark = finder.mark(view.place(index), Some(view.eye.spacing_m * error));
            mark.blocks[0] = Some((peak.edge, peak.settled));
            mark.reflective[0] = true;
            mark.strong = true;
            mark
        })
        .collect()
}

/// The connector at the end of a cord: the nearest reflective event within the
/// tolerance, else the nearest event, else the stated place.
fn cord_end(eye: &Eye, marks: &[Mark], stated_m: f64, cord_m: f64) -> LinkEnd {
    let pulse_m = eye.pulse_samples * eye.spacing_m;
    let tolerance = CORD_TOLERANCE * cord_m + pulse_m;
    let near = |reflective: bool| {
        marks
            .iter()
            .filter(|m| !reflective || m.reflective.iter().any(|r| *r))
            .filter(|m| (m.z_m - stated_m).abs() <= tolerance)
            .min_by(|a, b| {
                (a.z_m - stated_m)
                    .abs()
                    .total_cmp(&(b.z_m - stated_m).abs())
            })
    };
    match near(true).or_else(|| near(false)) {
        Some(mark) => LinkEnd {
            own_m: mark.z_m,
            std_error_m: mark.std_error_m.filter(|e| e.is_finite()),
            has_cord: true,
        },
        None => LinkEnd {
            own_m: stated_m,
            std_error_m: None,
            has_cord: true,
        },
    }
}

impl Look {
    /// Samples between event `i` − 1 and event `i`; the first and last stretch
    /// reach to the port's dead zone and to the end of the light.
    pub fn span_before(&self, i: usize) -> Span {
        let lo = i
            .checked_sub(1)
            .and_then(|k| self.marks.get(k)?.blocks[0])
            .map_or(self.bound.lo, |b| b.1);
        let hi = self
            .marks
            .get(i)
            .and_then(|m| m.blocks[0])
            .map_or(self.bound.hi, |b| b.0 + 1);
        Span { lo, hi: hi.max(lo) }
    }
}
