//! Where the cable's joints lie in one fibre, from what its own traces show.

use crate::both_ways::{Glimpse, KnownJoint};
use crate::measure::ExpectedJoint;
use crate::units::{Length, Position};

use super::cluster::{Cluster, REACH, Spot, assign_fibre};

/// The joints of the cable as they are known before a fibre is measured.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Reference {
    /// Usual length of a fibre, metres.
    pub(super) length_m: f64,
    /// Places and scatters of the joints between the ends, from A.
    pub(super) joints: Vec<Cluster>,
}

impl Reference {
    /// Indices of the joints that show in at least half as many fibres as the clearest one:
    /// the others may be what a few fibres make.
    pub(super) fn clear_joints(&self) -> Vec<usize> {
        let most = self.joints.iter().map(|j| j.fibres).max().unwrap_or(0);
        let is_clear = |j: &usize| 2 * self.joints[*j].fibres >= most;
        (0..self.joints.len()).filter(is_clear).collect()
    }

    /// Places and scatters of some joints.
    pub(super) fn places_of(&self, joints: &[usize]) -> Vec<(f64, f64)> {
        let place = |&j: &usize| (self.joints[j].u_m, self.joints[j].scatter_m);
        joints.iter().map(place).collect()
    }

    /// Where the joints are expected in any fibre.
    pub(super) fn expected(&self) -> Vec<ExpectedJoint> {
        let joints = self.joints.iter().filter(|_| self.length_m > 0.0);
        let share = |joint: &Cluster| ExpectedJoint {
            share: joint.u_m / self.length_m,
            error: joint.scatter_m / self.length_m,
        };
        joints.map(share).collect()
    }

    /// The joints' places in the fibre of which two traces show this, in metres of A's
    /// axis; `extra` are places known of this fibre alone, as shares of its length.
    ///
    /// The fibre's length scales the cable's axis. Where an event of A's trace, or of B's
    /// turned round, is a joint's, the joint lies between where the cable's other fibres have
    /// it and where the event is, by the errors of both: next to the event if that is well
    /// placed, and not if it is a step that hardly shows, which may be seen pulses off. Where
    /// both traces have one, the better placed of the two counts. Between such joints the
    /// rest is laid in proportion.
    pub(super) fn places(&self, seen: &[Glimpse; 2], extra: &[f64]) -> Vec<KnownJoint> {
        let Some(length_m) = seen[0].length_m.or(seen[1].length_m) else {
            return Vec::new();
        };
        if self.length_m <= 0.0 || length_m <= 0.0 {
            return Vec::new();
        }
        let scale = length_m / self.length_m;
        let laid: Vec<(f64, f64)> = self
            .joints
            .iter()
            .map(|j| (j.u_m * scale, j.scatter_m * scale))
            .collect();
        // Of each joint that shows: how far off it lies, and the error of that.
        let mut off: Vec<Option<(f64, f64)>> = vec![None; laid.len()];
        let turned_scale = seen[1].length_m.map_or(1.0, |b| length_m / b);
        for (from_b, glimpse) in seen.iter().enumerate() {
            let mut spots: Vec<Spot> = glimpse
                .events
                .iter()
                .map(|event| {
                    let place = if from_b == 1 {
                        length_m - event.place_m * turned_scale
                    } else {
                        event.place_m
                    };
                    Spot {
                        u_m: place,
                        error_m: event.error_m.unwrap_or(glimpse.pulse_m),
                        seen: true,
                    }
                })
                .collect();
            spots.sort_by(|p, q| p.u_m.total_cmp(&q.u_m));
            for (spot, joint) in spots.iter().zip(assign_fibre(&spots, &laid)) {
                let Some(joint) = joint else { continue };
                if off[joint].is_none_or(|(_, error_m)| spot.error_m < error_m) {
                    off[joint] = Some((spot.u_m - laid[joint].0, spot.error_m));
                }
            }
        }
        for (own, &(_, scatter_m)) in off.iter_mut().zip(&laid) {
            if let Some((off_m, error_m)) = own {
                // Normal about either place: the mean by weights, and its error.
                let both_m = scatter_m.hypot(*error_m);
                if both_m > 0.0 {
                    *off_m *= (scatter_m / both_m).powi(2);
                    *error_m *= scatter_m / both_m;
                }
            }
        }
        let known: Vec<(f64, f64)> = std::iter::once((0.0, 0.0))
            .chain(
                laid.iter()
                    .zip(&off)
                    .filter_map(|(l, o)| Some((l.0, o.as_ref()?.0))),
            )
            .chain(std::iter::once((length_m, 0.0)))
            .collect();
        laid.iter()
            .enumerate()
            .map(|(k, l)| KnownJoint {
                name: format!("{k}"),
                position: Position::from_m(l.0 + between(&known, l.0)),
                may_be_off: Some(Length::from_m(REACH * off[k].map_or(l.1, |(_, u)| u))),
            })
            .chain(extra.iter().enumerate().map(|(k, share)| KnownJoint {
                name: format!("extra {k}"),
                position: Position::from_m(share * length_m),
                may_be_off: None,
            }))
            .filter(|joint| (0.0..=length_m).contains(&joint.position.m()))
            .collect()
    }
}

/// Value at `x` of the broken line through points in the order of their places.
pub(super) fn between(points: &[(f64, f64)], x: f64) -> f64 {
    let above = points.iter().position(|p| p.0 >= x);
    let (p, q) = match above {
        Some(0) => return points[0].1,
        Some(k) => (points[k - 1], points[k]),
        None => return points.last().map_or(0.0, |p| p.1),
    };
    let width = q.0 - p.0;
    if width > 0.0 {
        p.1 + (q.1 - p.1) * (x - p.0) / width
    } else {
        q.1
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::both_ways::OwnEvent;

    fn glimpse(length_m: f64, places: &[f64]) -> Glimpse {
        Glimpse {
            length_m: Some(length_m),
            length_error_m: Some(0.5),
            light_ends_m: None,
            ends_reflective: true,
            pulse_m: 10.0,
            spacing_m: 1.0,
            events: places
                .iter()
                .map(|&place_m| OwnEvent {
                    place_m,
                    error_m: Some(0.5),
                    reading_db: Some(0.1),
                    reading_error_db: Some(0.001),
                    reflective: false,
                })
                .collect(),
        }
    }

    /// A fibre one per cent longer than the cable's axis: joints scale; a joint that
    /// one trace shows lies where it shows, and the next in proportion.
    #[test]
    fn joints_are_laid_by_length_and_by_what_shows() {
        let joint = |u_m| Cluster {
            u_m,
            scatter_m: 3.0,
            fibres: 9,
        };
        let reference = Reference {
            length_m: 10_000.0,
            joints: vec![joint(2000.0), joint(4000.0), joint(8000.0)],
        };
        // A shows the first joint 8 m late; B shows the last where it is expected.
        let seen = [glimpse(10_100.0, &[2028.0]), glimpse(10_100.0, &[2020.0])];
        let places: Vec<f64> = reference
            .places(&seen, &[0.5])
            .iter()
            .map(|j| (j.position.m() * 10.0).round() / 10.0)
            .collect();
        // The event's half metre against the 3.03 m of the others: 8 m times 0.9735.
        // 4040 lies a third of the way from 2020 (7.79 m off) to 8080 (0 off).
        assert_eq!(places, [2027.8, 4045.2, 8080.0, 5050.0]);
    }

    /// A joint that one trace places badly and the other well lies where the other has it,
    /// whichever of them comes first.
    #[test]
    fn the_better_placed_of_two_events_counts() {
        let reference = Reference {
            length_m: 10_000.0,
            joints: vec![Cluster {
                u_m: 4000.0,
                scatter_m: 3.0,
                fibres: 9,
            }],
        };
        let mut poor = glimpse(10_000.0, &[4050.0]);
        poor.events[0].error_m = Some(12.0);
        let good = glimpse(10_000.0, &[5998.0]);
        let place = |seen: [Glimpse; 2]| reference.places(&seen, &[])[0].clone();
        // Closed form: 2 m off by half a metre, against a scatter of 3 m.
        let weight = 9.0 / 9.25;
        let from_b = place([poor.clone(), good]);
        assert!((from_b.position.m() - 4000.0 - 2.0 * weight).abs() < 1e-9);
        // Six times the half metre of its error, a little less for the others' place.
        let may_be_off_m = from_b.may_be_off.unwrap().m();
        assert!((may_be_off_m - 3.0 * weight.sqrt()).abs() < 1e-9);
        let mut poor_b = poor.clone();
        poor_b.events[0].place_m = 5950.0;
        let from_a = place([glimpse(10_000.0, &[4002.0]), poor_b]);
        assert!((from_a.position.m() - 4000.0 - 2.0 * weight).abs() < 1e-9);
        // Alone, the poor one moves the joint by 50 m times 9/(9 + 144).
        let alone = place([poor, glimpse(10_000.0, &[])]);
        assert!((alone.position.m() - 4000.0 - 50.0 / 17.0).abs() < 1e-9);
    }
}
