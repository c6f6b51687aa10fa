//! Fibres whose files name the two ends the wrong way round.

use crate::both_ways::Glimpse;

use super::cluster::{Spot, assign_fibre};
use super::place::Reference;

/// How well the events of both traces fit the cable's joints as labelled, and turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turned {
    /// Events that fall on joints as the files are labelled.
    pub(super) as_labelled: usize,
    /// Events that fall on joints with the ends exchanged.
    pub(super) exchanged: usize,
    /// Natural logarithm of the odds for exchanged ends.
    pub(super) log_odds: f64,
}

/// Holds two traces against the cable's joints, as labelled and with the ends
/// exchanged.
///
/// An event that falls on a joint by chance does so with the share p of the fibre that
/// lies within reach of joints. So an event at a joint's very place speaks 1/p to one
/// for that reading; one that lies off it by z standard deviations less, as
/// (1 − p)·exp(−z²/2) + p, down to nothing. In a nearly symmetric cable both readings lay
/// the events within reach, and only one lays them at the joints.
pub(super) fn turned(seen: &[Glimpse; 2], reference: &Reference) -> Option<Turned> {
    let joints: Vec<(f64, f64)> = reference
        .joints
        .iter()
        .map(|j| (j.u_m, j.scatter_m))
        .collect();
    if joints.is_empty() {
        return None;
    }
    let pulse_m = seen[0].pulse_m.max(seen[1].pulse_m);
    let within: f64 = joints.iter().map(|j| 12.0 * j.1.max(pulse_m / 6.0)).sum();
    // Two traces of one mistake (a wrong length) may agree by more than chance: a
    // single event is never worth more than fifty to one.
    let chance = (within / reference.length_m).clamp(0.02, 0.5);
    let count = |exchanged: bool| -> Option<(usize, f64)> {
        let (mut sum, mut weight) = (0, 0.0);
        for (from_b, glimpse) in seen.iter().enumerate() {
            let own_m = glimpse.length_m.filter(|l| *l > 0.0)?;
            let scale = reference.length_m / own_m;
            let mut spots: Vec<Spot> = glimpse
                .events
                .iter()
                .map(|event| {
                    let place = event.place_m * scale;
                    Spot {
                        u_m: if (from_b == 1) == exchanged {
                            place
                        } else {
                            reference.length_m - place
                        },
                        error_m: event.error_m.unwrap_or(glimpse.pulse_m),
                        seen: true,
                    }
                })
                .collect();
            spots.sort_by(|p, q| p.u_m.total_cmp(&q.u_m));
            sum += assign_fibre(&spots, &joints).iter().flatten().count();
            for spot in &spots {
                let off = |(u_m, scatter_m): &(f64, f64)| {
                    (spot.u_m - u_m) / scatter_m.hypot(spot.error_m)
                };
                let z = (joints.iter().map(|j| off(j).abs())).fold(f64::INFINITY, f64::min);
                weight += ((1.0 - chance) * (-0.5 * z * z).exp() + chance).ln();
            }
        }
        Some((sum, weight))
    };
    let (as_labelled, exchanged) = (count(false)?, count(true)?);
    Some(Turned {
        as_labelled: as_labelled.0,
        exchanged: exchanged.0,
        log_odds: exchanged.1 - as_labelled.1,
    })
}
