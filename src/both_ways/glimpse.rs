//! What one trace of a pair shows by itself, in few numbers.

use serde::{Deserialize, Serialize};

use crate::detect::{End, View};
use crate::measure::{Look, read_loss};

/// An event as one trace shows it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OwnEvent {
    /// Metres from the link's near end, on the trace's own axis.
    pub place_m: f64,
    /// Standard error of the place, where known.
    pub error_m: Option<f64>,
    /// One-way reading in dB, where a line fits on both sides.
    pub reading_db: Option<f64>,
    /// Its standard error.
    pub reading_error_db: Option<f64>,
    /// Whether a reflection stands out.
    pub reflective: bool,
}

/// What one trace shows by itself, at a glance where that leaves no doubt of its ends
/// (`settle_ends`), else as a whole; places count from its own end of the link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Glimpse {
    /// To the link's far end, metres, where that was seen.
    pub length_m: Option<f64>,
    /// Standard error of that length; none where an end is only stated by a cord.
    pub length_error_m: Option<f64>,
    /// Where the light ends, metres from the near end; none where it sinks into noise or
    /// the trace stops before.
    pub light_ends_m: Option<f64>,
    /// Whether the light ends in a reflection.
    pub ends_reflective: bool,
    /// Metres of fibre that a pulse covers.
    pub pulse_m: f64,
    /// Metres between samples.
    pub spacing_m: f64,
    /// Events between the link's ends, the ends themselves left out.
    pub events: Vec<OwnEvent>,
}

impl Glimpse {
    /// What a look through a trace has shown.
    pub(super) fn of(look: &Look) -> Self {
        let finite = |value: Option<f64>| value.filter(|v| v.is_finite());
        let spacing_m = look.eye.spacing_m;
        let pulse_m = look.eye.pulse_samples * spacing_m;
        let near_m = look.near.own_m;
        let far = look.far.filter(|far| far.own_m > near_m);
        let (light_ends_m, ends_reflective) = match look.end {
            End::Drop {
                edge, reflective, ..
            } => (Some(look.eye.metres(edge) - near_m), reflective),
            End::Faded { .. } | End::BeyondRange => (None, false),
        };
        let end_m = far.map_or(f64::INFINITY, |far| far.own_m);
        let view = View::own(&look.eye);
        let events = look
            .marks
            .iter()
            .enumerate()
            .filter(|(_, m)| m.z_m > near_m + 0.5 * spacing_m && m.z_m < end_m - 0.5 * spacing_m)
            .map(|(i, m)| {
                let reading = read_loss(
                    &view,
                    view.index(m.z_m),
                    look.span_before(i),
                    look.span_before(i + 1),
                    None,
                )
                .ok()
                .map(|r| r.loss);
                OwnEvent {
                    place_m: m.z_m - near_m,
                    error_m: finite(m.std_error_m),
                    reading_db: finite(reading.map(|r| r.value.db())),
                    reading_error_db: finite(reading.and_then(|r| Some(r.std_error?.db()))),
                    reflective: m.reflective[0],
                }
            })
            .collect();
        Self {
            length_m: far.map(|far| far.own_m - near_m),
            length_error_m: far
                .and_then(|far| far.std_error_m)
                .zip(look.near.std_error_m)
                .map(|(u, v)| u.hypot(v))
                .filter(|u| u.is_finite()),
            light_ends_m,
            ends_reflective,
            pulse_m,
            spacing_m,
            events,
        }
    }
}
