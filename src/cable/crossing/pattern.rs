//! What two traces show of the cable's joints, and what they have in common.

use rayon::prelude::*;

use crate::both_ways::{EventKind, Glimpse, Link};
use crate::cable::cluster::{Spot, assign_fibre};
use crate::cable::draft::median;
use crate::cable::place::Reference;
use crate::cable::slopes::Slopes;

use super::{Labelled, Shown};

/// Least standard error of a place, in samples: what a shape that is not quite the
/// receiver's leaves.
const LEAST_ERROR: f64 = 0.02;

/// One joint in one trace: where it shows, metres from the trace's own end of the link with
/// their error, and its reading with error, which is there also where it does not show.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Seen {
    place: Option<(f64, f64)>,
    reading: Option<(f64, f64)>,
    /// Mean of that and the reading at another wavelength, with error.
    mean: Option<(f64, f64)>,
    /// Reading at another wavelength less the one here, with error.
    change: Option<(f64, f64)>,
}

/// A trace's length with its error, and its joints by index.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    pub(super) length_m: f64,
    pub(super) length_error_m: f64,
    joints: Vec<Seen>,
    /// How steeply it falls between them.
    slopes: Slopes,
    /// What the trace from B of the same label shows at another wavelength, in a pattern
    /// of a trace from A.
    beside: Option<Beside>,
}

/// Readings and length of a trace at another wavelength.
#[derive(Debug, Clone)]
pub(super) struct Beside {
    pub(super) length_m: f64,
    readings: Vec<Option<(f64, f64)>>,
}

pub(super) fn patterns(
    labelled: &[Labelled<'_>],
    reference: &Reference,
) -> Vec<(usize, [Pattern; 2])> {
    labelled
        .par_iter()
        .filter_map(|l| {
            let of = |shown: Shown<'_>| -> Option<[Pattern; 2]> {
                Some([
                    pattern(shown, false, reference)?,
                    pattern(shown, true, reference)?,
                ])
            };
            let mut here = of(l.here)?;
            if let Some(slopes) = l.slopes {
                for (pattern, slopes) in here.iter_mut().zip(slopes) {
                    pattern.slopes.clone_from(slopes);
                }
            }
            if let Some(other) = l.other.and_then(of) {
                for (pattern, other) in here.iter_mut().zip(&other) {
                    pattern.compare(other);
                }
            }
            here[0].beside = l.beside.and_then(of).map(|[_, b]| Beside {
                length_m: b.length_m,
                readings: b.joints.iter().map(|seen| seen.reading).collect(),
            });
            Some((l.fibre, here))
        })
        .collect()
}

impl Pattern {
    /// Notes how the readings change towards the same end's trace at another wavelength, and
    /// the mean of both: of two readings with noise of their own, mean and change have none in
    /// common, and the mean has less.
    fn compare(&mut self, other: &Pattern) {
        for (seen, there) in self.joints.iter_mut().zip(&other.joints) {
            if let Some(((here, u), (there, v))) = seen.reading.zip(there.reading) {
                seen.change = Some((there - here, u.hypot(v)));
                seen.mean = Some((f64::midpoint(here, there), 0.5 * u.hypot(v)));
            }
        }
    }
}

/// What a trace shows of the cable's joints, B's turned onto A's side.
fn pattern(shown: Shown<'_>, is_b: bool, reference: &Reference) -> Option<Pattern> {
    let glimpse: &Glimpse = &shown.seen[usize::from(is_b)];
    let length_m = glimpse.length_m.filter(|l| *l > 0.0)?;
    // A broken fibre, or no fibre of this cable.
    if (length_m - reference.length_m).abs() > 0.02 * reference.length_m {
        return None;
    }
    let joints: Vec<(f64, f64)> = reference
        .joints
        .iter()
        .map(|j| (j.u_m, j.scatter_m))
        .collect();
    let mut events: Vec<(f64, Spot)> = glimpse
        .events
        .iter()
        .enumerate()
        .map(|(index, event)| {
            let share = event.place_m / length_m;
            let share = if is_b { 1.0 - share } else { share };
            let error_m = event.error_m.unwrap_or(glimpse.pulse_m);
            (
                index as f64,
                Spot {
                    u_m: share * reference.length_m,
                    error_m,
                    seen: true,
                },
            )
        })
        .collect();
    events.sort_by(|p, q| p.1.u_m.total_cmp(&q.1.u_m));
    let spots: Vec<Spot> = events.iter().map(|(_, spot)| *spot).collect();
    let mut found = vec![Seen::default(); joints.len()];
    for (joint, (index, spot)) in assign_fibre(&spots, &joints).into_iter().zip(&events) {
        let seen = joint.and_then(|joint| found.get_mut(joint));
        let Some((seen, event)) = seen.zip(glimpse.events.get(*index as usize)) else {
            continue;
        };
        let error_m = spot.error_m.max(LEAST_ERROR * glimpse.spacing_m);
        seen.place = Some((event.place_m, error_m));
        seen.reading = event.reading_db.zip(event.reading_error_db);
    }
    for (joint, reading) in shown.link.into_iter().flat_map(|link| readings(link, is_b)) {
        if let Some(seen) = found.get_mut(joint) {
            seen.reading = Some(reading);
        }
    }
    Some(Pattern {
        length_m,
        length_error_m: glimpse.length_error_m.unwrap_or(glimpse.spacing_m),
        joints: found,
        slopes: Vec::new(),
        beside: None,
    })
}

/// The readings of one trace of a link at the cable's joints, where every joint was
/// measured whether it shows or not; a group's is not that of a joint.
fn readings(link: &Link, is_b: bool) -> impl Iterator<Item = (usize, (f64, f64))> + '_ {
    link.events.iter().filter_map(move |event| {
        let joint = event.joint.as_ref()?.parse().ok()?;
        let reading = if is_b {
            &event.loss_b_to_a
        } else {
            &event.loss_a_to_b
        };
        let reading = reading.as_ref().ok()?;
        let error = reading.std_error?.db();
        (event.kind != EventKind::Group).then_some((joint, (reading.value.db(), error)))
    })
}

/// What two traces read at a joint that both have.
pub(super) struct Common {
    pub(super) joint: usize,
    /// Sum of the two readings, with its error; of the means of two wavelengths where these are
    /// taken to be crossed alike and both traces have both. Mean and single reading do not go
    /// together: steps differ from one wavelength to the other and would not cancel.
    pub(super) sum: Option<(f64, f64)>,
    /// Change of that sum towards another wavelength, with its error.
    pub(super) change: Option<(f64, f64)>,
    /// B's reading less that of the trace which A's label gives at another wavelength.
    pub(super) beside: Option<(f64, f64)>,
}

/// √(x² + y²), of numbers that are neither so large nor so small that their squares leave
/// what a number holds: every trace is held against every other.
pub(super) fn root_sum(x: f64, y: f64) -> f64 {
    (x * x + y * y).sqrt()
}

/// The joints that a trace from A and one from B both have, and what they read there.
pub(super) fn common<'p>(a: &'p Pattern, b: &'p Pattern) -> impl Iterator<Item = Common> + 'p {
    let added = |one: Option<(f64, f64)>, other: Option<(f64, f64)>| {
        (one.zip(other)).map(|((x, u), (y, v))| (x + y, root_sum(u, v)))
    };
    let joints = a.joints.iter().zip(&b.joints).enumerate();
    joints.map(move |(joint, (p, q))| {
        let there = (a.beside.as_ref()).and_then(|beside| *beside.readings.get(joint)?);
        Common {
            joint,
            sum: added(p.mean, q.mean).or_else(|| added(p.reading, q.reading)),
            change: added(p.change, q.change),
            beside: (q.reading.zip(there)).map(|((x, u), (y, v))| (x - y, root_sum(u, v))),
        }
    })
}

/// How far the two places of a joint that both traces show are from meeting, with the error, by
/// joint: B is laid on A so that their joints meet on the whole, and no length enters.
pub(super) fn places_off(a: &Pattern, b: &Pattern, ratio: f64) -> Vec<(usize, (f64, f64))> {
    let joints = a.joints.iter().zip(&b.joints).enumerate();
    let mut found: Vec<(usize, (f64, f64))> = joints
        .filter_map(|(joint, (p, q))| {
            let ((x, u), (y, v)) = p.place.zip(q.place)?;
            Some((joint, (x + ratio * y, root_sum(u, ratio * v))))
        })
        .collect();
    let middle = median(found.iter().map(|(_, (off_m, _))| *off_m).collect()).unwrap_or(0.0);
    for (_, (off_m, _)) in &mut found {
        *off_m -= middle;
    }
    found
}

/// By joint, the least error that its place and each item of [`Common`], in its order, can have
/// in a pairing of a trace from A; none where the item is in no pairing.
pub(super) fn least_errors(a: &Pattern) -> impl Iterator<Item = [Option<f64>; 4]> + '_ {
    a.joints.iter().enumerate().map(|(joint, seen)| {
        let there = (a.beside.as_ref()).and_then(|beside| *beside.readings.get(joint)?);
        let sums = [seen.mean, seen.reading].into_iter().flatten();
        let sum = sums.map(|(_, error)| error).reduce(f64::min);
        let error = |of: Option<(f64, f64)>| of.map(|(_, error)| error);
        [error(seen.place), sum, error(seen.change), error(there)]
    })
}

/// Length of a trace from B less that of the trace which A's label gives at another
/// wavelength.
pub(super) fn length_beside(a: &Pattern, b: &Pattern) -> Option<f64> {
    Some(b.length_m - a.beside.as_ref()?.length_m)
}

/// Differences of the slopes of two traces, A's less B's, with their errors, by the stretch
/// that they are of.
pub(super) fn slope_differences<'p>(
    a: &'p Pattern,
    b: &'p Pattern,
) -> impl Iterator<Item = (usize, (f64, f64))> + 'p {
    (a.slopes.iter().zip(&b.slopes).enumerate()).filter_map(|(stretch, (a, b))| {
        let ((p, u), (q, v)) = ((*a)?, (*b)?);
        Some((stretch, (p - q, root_sum(u, v))))
    })
}

/// The errors of a trace's slopes, by stretch: that of a difference is no less.
pub(super) fn slope_errors(a: &Pattern) -> impl Iterator<Item = (usize, f64)> + '_ {
    let slopes = a.slopes.iter().enumerate();
    slopes.filter_map(|(stretch, slope)| Some((stretch, (*slope)?.1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    use super::super::spread::{Tails, spreads};

    /// Closed form: one fibre of 0.05 dB with steps of 0.04 dB here and 0.10 dB at the other
    /// wavelength reads 0.09 and 0.15 dB from A, 0.01 and −0.05 dB from B. The sum is 0.10 dB
    /// whether both readings of B are there or one; the mean from A and the single one from B
    /// would make 0.13 dB of it.
    #[test]
    fn steps_cancel_where_one_trace_has_one_wavelength() {
        let of = |reading: Option<f64>| Pattern {
            length_m: 1000.0,
            length_error_m: 0.5,
            joints: vec![Seen {
                reading: reading.map(|db| (db, 0.001)),
                ..Seen::default()
            }],
            slopes: Vec::new(),
            beside: None,
        };
        let mut a = of(Some(0.09));
        a.compare(&of(Some(0.15)));
        for there in [Some(-0.05), None] {
            let mut b = of(Some(0.01));
            b.compare(&of(there));
            let found: Vec<Common> = common(&a, &b).collect();
            let (sum_db, _) = found[0].sum.unwrap();
            assert!((sum_db - 0.10).abs() < 1e-12, "{there:?}: {sum_db}");
            assert_eq!(found[0].change.is_some(), there.is_some());
        }
    }

    /// Second computation: the whole score. Whatever the limit, a pairing above it is given
    /// with its total and one below it is not.
    #[test]
    fn what_is_above_a_limit_is_told_by_the_whole_score() {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let mut draw = |scatter: f64| scatter * normal.sample(&mut random);
        let fibres: Vec<(usize, [Pattern; 2])> = (0..12)
            .map(|fibre| {
                let losses: Vec<f64> = (0..7).map(|_| 0.03 * (1.0 + draw(0.3)).powi(4)).collect();
                let steps: Vec<f64> = (0..7).map(|_| draw(0.03)).collect();
                let length_m = 5_000.0 + draw(2.0);
                let mut side = |sign: f64| {
                    let joints = losses.iter().zip(&steps).enumerate();
                    let joints: Vec<Seen> = joints
                        .map(|(joint, (loss, step))| Seen {
                            place: (joint % 3 > 0)
                                .then(|| (sign * 700.0 * joint as f64 + draw(0.5), 0.3)),
                            reading: Some((loss + sign * step + draw(0.002), 0.002)),
                            ..Seen::default()
                        })
                        .collect();
                    Pattern {
                        length_m: length_m + draw(0.3),
                        length_error_m: 0.3,
                        joints,
                        slopes: vec![Some((0.19 + draw(0.002), 0.0005))],
                        beside: None,
                    }
                };
                (fibre, [side(1.0), side(-1.0)])
            })
            .collect();
        let spreads = spreads(&fibres, &BTreeSet::new(), Tails::Counted);
        let own: Vec<f64> = (fibres.iter())
            .map(|(_, [a, b])| spreads.score(a, b).total())
            .collect();
        let mut strangers = 0;
        for (i, (_, [a, _])) in fibres.iter().enumerate() {
            let most = spreads.most(a);
            for (j, (_, [_, b])) in fibres.iter().enumerate() {
                let total = spreads.score(a, b).total();
                let above = |least: f64| spreads.total_above((a, &most), b, least);
                for off in [1e-6, 1.0, 30.0] {
                    let found = above(total - off).unwrap();
                    assert!(
                        (found - total).abs() < 1e-9,
                        "{i} and {j}: {found} for {total}"
                    );
                    assert_eq!(above(total + off), None, "{i} and {j}");
                }
                strangers += usize::from(i != j && above(own[i].min(own[j])).is_none());
            }
        }
        assert!(
            strangers > 100,
            "only {strangers} of 132 pairings are told apart"
        );
    }
}
