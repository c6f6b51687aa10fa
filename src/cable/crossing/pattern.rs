//! What two traces show of the cable's joints, and what they have in common.

use std::collections::BTreeMap;

use crate::both_ways::Glimpse;
use crate::cable::cluster::{Spot, assign_fibre};
use crate::cable::draft::median;
use crate::cable::place::Reference;
use crate::cable::slopes::Slopes;

use super::Labelled;

/// Least standard error of a place, in samples: what a shape that is not quite the
/// receiver's leaves.
const LEAST_ERROR: f64 = 0.02;

/// One joint as one trace shows it: metres from the trace's own end of the link, their
/// error, and reading with error.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    place_m: f64,
    error_m: f64,
    reading: Option<(f64, f64)>,
    /// Reading at a longer wavelength less the one here, with error.
    change: Option<(f64, f64)>,
}

/// A trace's length with its error, and its joints by index.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    pub(super) length_m: f64,
    pub(super) length_error_m: f64,
    joints: BTreeMap<usize, Seen>,
    /// How steeply it falls between them.
    slopes: Slopes,
}

pub(super) fn patterns(
    labelled: &[Labelled<'_>],
    reference: &Reference,
) -> Vec<(usize, [Pattern; 2])> {
    labelled
        .iter()
        .filter_map(|l| {
            let of = |seen: &[Glimpse; 2]| -> Option<[Pattern; 2]> {
                Some([
                    pattern(&seen[0], false, reference)?,
                    pattern(&seen[1], true, reference)?,
                ])
            };
            let mut here = of(l.seen)?;
            if let Some(slopes) = l.slopes {
                for (pattern, slopes) in here.iter_mut().zip(slopes) {
                    pattern.slopes.clone_from(slopes);
                }
            }
            if let Some(longer) = l.longer.and_then(of) {
                for (pattern, longer) in here.iter_mut().zip(&longer) {
                    pattern.compare(longer);
                }
            }
            Some((l.fibre, here))
        })
        .collect()
}

impl Pattern {
    /// Notes how the readings change towards the same end's trace at a longer wavelength.
    fn compare(&mut self, longer: &Pattern) {
        for (joint, seen) in &mut self.joints {
            let other = longer.joints.get(joint).and_then(|other| other.reading);
            seen.change =
                (seen.reading.zip(other)).map(|((here, u), (there, v))| (there - here, u.hypot(v)));
        }
    }
}

/// What a trace shows of the cable's joints, B's turned onto A's side.
fn pattern(glimpse: &Glimpse, is_b: bool, reference: &Reference) -> Option<Pattern> {
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
    let found = assign_fibre(&spots, &joints)
        .into_iter()
        .zip(&events)
        .filter_map(|(joint, (index, spot))| {
            let event = glimpse.events.get(*index as usize)?;
            Some((
                joint?,
                Seen {
                    place_m: event.place_m,
                    error_m: spot.error_m.max(LEAST_ERROR * glimpse.spacing_m),
                    reading: event.reading_db.zip(event.reading_error_db),
                    change: None,
                },
            ))
        })
        .collect();
    Some(Pattern {
        length_m,
        length_error_m: glimpse.length_error_m.unwrap_or(glimpse.spacing_m),
        joints: found,
        slopes: Vec::new(),
    })
}

/// A joint that both traces of a pairing show.
pub(super) struct Common {
    pub(super) joint: usize,
    /// How far its two places are from meeting, once the others meet on the whole.
    pub(super) off_m: f64,
    pub(super) error_m: f64,
    /// Sum of the two readings, with its error.
    pub(super) sum: Option<(f64, f64)>,
    /// Change of that sum towards a longer wavelength, with its error.
    pub(super) change: Option<(f64, f64)>,
}

/// The joints that a trace from A and one from B both show, with B laid on A so that their
/// joints meet on the whole: no length enters.
pub(super) fn common(a: &Pattern, b: &Pattern, ratio: f64) -> Vec<Common> {
    let mut found: Vec<Common> = a
        .joints
        .iter()
        .filter_map(|(joint, p)| {
            let q = b.joints.get(joint)?;
            let added = |one: Option<(f64, f64)>, other: Option<(f64, f64)>| {
                (one.zip(other)).map(|((x, u), (y, v))| (x + y, u.hypot(v)))
            };
            Some(Common {
                joint: *joint,
                off_m: p.place_m + ratio * q.place_m,
                error_m: p.error_m.hypot(ratio * q.error_m),
                sum: added(p.reading, q.reading),
                change: added(p.change, q.change),
            })
        })
        .collect();
    let middle = median(found.iter().map(|c| c.off_m).collect()).unwrap_or(0.0);
    for common in &mut found {
        common.off_m -= middle;
    }
    found
}

/// Differences of the slopes of two traces, A's less B's, with their errors, by the stretch
/// that they are of.
pub(super) fn slope_differences<'p>(
    a: &'p Pattern,
    b: &'p Pattern,
) -> impl Iterator<Item = (usize, (f64, f64))> + 'p {
    (a.slopes.iter().zip(&b.slopes).enumerate()).filter_map(|(stretch, (a, b))| {
        let ((p, u), (q, v)) = ((*a)?, (*b)?);
        Some((stretch, (p - q, u.hypot(v))))
    })
}
