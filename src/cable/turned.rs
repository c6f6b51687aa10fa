//! Fibres whose files name the two ends the wrong way round.

use std::collections::BTreeSet;

use crate::both_ways::Glimpse;

use super::cluster::{Spot, assign_fibre};
use super::place::Reference;

/// How well the events of both traces fit the cable's joints as labelled, and turned.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Turned {
    /// Events that fall on joints as the files are labelled.
    pub(super) as_labelled: usize,
    /// Events that fall on joints with the ends exchanged.
    pub(super) exchanged: usize,
    /// The joints on which those fall.
    pub(super) joints: BTreeSet<usize>,
    /// Natural logarithm of the odds for exchanged ends.
    pub(super) log_odds: f64,
}

/// How well the events of two traces fit the cable's joints.
struct Fit {
    /// Events that fall on joints.
    events: usize,
    /// The joints on which they fall.
    joints: BTreeSet<usize>,
    /// Natural logarithm of the odds against events that lie anywhere.
    log_odds: f64,
}

/// Holds two traces against the cable's joints, as labelled and with the ends
/// exchanged.
///
/// An event that falls on a joint by chance does so with the share p of the fibre that
/// lies within reach of joints. So an event at a joint's very place speaks 1/p to one
/// for that reading; one that lies off it by z standard deviations less, as
/// (1 − p)·exp(−z²/2) + p, down to nothing. In a nearly symmetric cable both readings lay
/// the events within reach, and only one lays them at the joints.
///
/// Joints that few fibres show do not count ([`Reference::clear_joints`]): fibres that are
/// turned round make joints of their own at the mirrored places.
pub(super) fn turned(seen: &[Glimpse; 2], reference: &Reference) -> Option<Turned> {
    Some(between(
        &fit(seen, reference, false)?,
        fit(seen, reference, true)?,
    ))
}

/// The same of traces whose cords only the plan states: exchanged ends have exchanged cords,
/// with which the traces were looked at anew.
pub(super) fn turned_anew(
    seen: Option<&[Glimpse; 2]>,
    exchanged: &[Glimpse; 2],
    reference: &Reference,
) -> Option<Turned> {
    // With the wrong cords the link's ends may not be found at all: that speaks for nothing.
    let nothing = Fit {
        events: 0,
        joints: BTreeSet::new(),
        log_odds: 0.0,
    };
    let as_labelled = seen.and_then(|seen| fit(seen, reference, false));
    Some(between(
        &as_labelled.unwrap_or(nothing),
        fit(exchanged, reference, false)?,
    ))
}

/// Natural logarithm of the odds that the events lie where they do for the cable's joints,
/// as labelled; none where nothing tells.
pub(super) fn for_the_labels(seen: &[Glimpse; 2], reference: &Reference) -> Option<f64> {
    fit(seen, reference, false).map(|fit| fit.log_odds)
}

fn between(as_labelled: &Fit, exchanged: Fit) -> Turned {
    Turned {
        as_labelled: as_labelled.events,
        exchanged: exchanged.events,
        log_odds: exchanged.log_odds - as_labelled.log_odds,
        joints: exchanged.joints,
    }
}

fn fit(seen: &[Glimpse; 2], reference: &Reference, exchanged: bool) -> Option<Fit> {
    let joints = reference.places_of(&reference.clear_joints());
    if joints.is_empty() {
        return None;
    }
    let pulse_m = seen[0].pulse_m.max(seen[1].pulse_m);
    let within: f64 = joints.iter().map(|j| 12.0 * j.1.max(pulse_m / 6.0)).sum();
    // Two traces of one mistake (a wrong length) may agree by more than chance: a
    // single event is never worth more than fifty to one.
    let chance = (within / reference.length_m).clamp(0.02, 0.5);
    let (mut events, mut met, mut log_odds) = (0, BTreeSet::new(), 0.0);
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
        let assigned = assign_fibre(&spots, &joints);
        events += assigned.iter().flatten().count();
        met.extend(assigned.into_iter().flatten());
        for spot in &spots {
            let off =
                |(u_m, scatter_m): &(f64, f64)| (spot.u_m - u_m) / scatter_m.hypot(spot.error_m);
            let z = (joints.iter().map(|j| off(j).abs())).fold(f64::INFINITY, f64::min);
            log_odds += ((1.0 - chance) / chance * (-0.5 * z * z).exp()).ln_1p();
        }
    }
    Some(Fit {
        events,
        joints: met,
        log_odds,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::both_ways::OwnEvent;
    use crate::cable::cluster::Cluster;

    fn joint(u_m: f64, fibres: usize) -> Cluster {
        Cluster {
            u_m,
            scatter_m: 2.0,
            fibres,
        }
    }

    /// What a trace of a fibre of 5 km shows that has two joints of 0.1 dB.
    fn trace(places: [f64; 2]) -> Glimpse {
        Glimpse {
            length_m: Some(5000.0),
            length_error_m: Some(0.5),
            light_ends_m: None,
            ends_reflective: true,
            pulse_m: 10.0,
            spacing_m: 2.0,
            events: (places.iter())
                .map(|&place_m| OwnEvent {
                    place_m,
                    error_m: Some(0.5),
                    reading_db: Some(0.1),
                    reading_error_db: Some(0.002),
                    reflective: false,
                })
                .collect(),
        }
    }

    /// Two fibres of twelve carry the ends exchanged and show their joints at the mirrored
    /// places, which then are places that two fibres show: they do not count beside the ten.
    #[test]
    fn the_joints_of_few_do_not_speak_for_their_labels() {
        let reference = Reference {
            length_m: 5000.0,
            joints: vec![
                joint(1100.0, 2),
                joint(1600.0, 10),
                joint(3400.0, 2),
                joint(3900.0, 10),
            ],
        };
        let right = [trace([1600.0, 3900.0]), trace([1100.0, 3400.0])];
        let [a, b] = right.clone();
        // Four events at fifty to one each, either way.
        let odds = 4.0 * 50f64.ln();
        let found = turned(&[b, a], &reference).unwrap();
        assert_eq!((found.exchanged, found.as_labelled), (4, 0));
        assert!((found.log_odds - odds).abs() < 1e-9);
        assert!((turned(&right, &reference).unwrap().log_odds + odds).abs() < 1e-9);
    }

    /// A trace that names the wrong end begins with the other cord, here 100 m off: neither
    /// direction lays an event on a joint, and looked at with the cords exchanged all four lie on
    /// one, at fifty to one each. Where the ends were not even found the same is said.
    #[test]
    fn exchanged_ends_have_exchanged_cords() {
        let reference = Reference {
            length_m: 5000.0,
            joints: vec![joint(1600.0, 12), joint(3900.0, 12)],
        };
        let anew = [trace([1600.0, 3900.0]), trace([1100.0, 3400.0])];
        let seen = [trace([1200.0, 3500.0]), trace([1500.0, 3800.0])];
        let odds = 4.0 * 50f64.ln();
        assert!(turned(&seen, &reference).unwrap().log_odds < 0.01);
        for seen in [Some(&seen), None] {
            let found = turned_anew(seen, &anew, &reference).unwrap();
            assert_eq!((found.exchanged, found.as_labelled), (4, 0));
            assert!((found.log_odds - odds).abs() < 1e-6, "{found:?}");
        }
        assert!(for_the_labels(&seen, &reference).unwrap() < 1e-6);
    }
}
