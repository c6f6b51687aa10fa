//! Which of the last reflections of each trace ends the link: settled by what both
//! traces show.

use crate::detect::Mark;
use crate::measure::{LinkEnd, Look};
use crate::units::Length;

use super::combine::Pair;

/// Relative difference of the two lengths beyond which they are not one fibre's:
/// the group indices of silica fibres lie within half a per cent of each other.
pub(super) const LENGTHS_AGREE: f64 = 0.005;

/// Events by which another reading of the ends must beat the first one.
const BETTER: usize = 2;

/// Reads the far ends again where the events of the two traces ask for it.
///
/// A cord's own end can be taken for the link's, and the link's for the cord's,
/// where one of the two reflections is missing, in the noise, or behind a recovery.
/// Each far end is tried as it is, one cord nearer, one cord farther, and where the
/// other trace's length puts it; of those whose lengths agree, the one on which most
/// events of A and B fall together is kept. An end that only stands out of the noise is
/// forgotten when no reading agrees.
pub(super) fn settle_ends(pair: &mut Pair<'_>, index_ratio: f64) {
    let (Some(far_a), Some(far_b)) = (pair.look_a.far, pair.look_b.far) else {
        return;
    };
    let (near_a, near_b) = (pair.look_a.near.own_m, pair.look_b.near.own_m);
    let shifts = |cord: Option<Length>| -> Vec<f64> {
        match cord.map(Length::m) {
            Some(m) if m > 0.0 => vec![0.0, -m, m],
            _ => vec![0.0],
        }
    };
    let mut readings: Vec<(f64, f64)> = Vec::new();
    for &at_b in &shifts(pair.cords.at_b) {
        readings.extend(shifts(pair.cords.at_a).iter().map(|&at_a| (at_b, at_a)));
    }
    // The length as the other trace has it.
    let (own_a, own_b) = (far_a.own_m - near_a, far_b.own_m - near_b);
    readings.push((0.0, own_a / index_ratio - own_b));
    readings.push((own_b * index_ratio - own_a, 0.0));
    let mut best: Option<(usize, f64, f64)> = None;
    let mut as_it_is = None;
    for (at_b, at_a) in readings {
        let a_m = far_a.own_m + at_b - near_a;
        let b_m = (far_b.own_m + at_a - near_b) * index_ratio;
        if a_m <= 0.0 || b_m <= 0.0 || (a_m - b_m).abs() > LENGTHS_AGREE * a_m.max(b_m) {
            continue;
        }
        let together = fall_together(&pair.look_a, &pair.look_b, a_m, b_m / index_ratio);
        let unchanged = at_a == 0.0 && at_b == 0.0;
        if unchanged {
            as_it_is = Some(together);
        }
        if best.is_none_or(|b| together > b.0) {
            best = Some((together, at_b, at_a));
        }
    }
    match best {
        Some((together, at_b, at_a))
            if together >= as_it_is.map_or(BETTER, |base| base + BETTER) =>
        {
            pair.look_a.far = Some(moved(far_a, at_b, &pair.look_a));
            pair.look_b.far = Some(moved(far_b, at_a, &pair.look_b));
        }
        Some(_) if as_it_is.is_some() => {}
        _ => {
            if far_a.in_noise {
                pair.look_a.far = None;
            }
            if far_b.in_noise {
                pair.look_b.far = None;
            }
        }
    }
}

/// Whether an event may vote: a weak peak without a step may be an echo, and the echoes of
/// a cord fall on the reflections of the other trace when an end is a cord off.
fn votes(mark: &Mark) -> bool {
    let has_step = |s: &Option<f64>| s.is_some_and(|s| s.abs() >= HAS_STEP);
    mark.strong || mark.reflective.iter().all(|r| !r) || mark.significance.iter().any(has_step)
}

/// Standard errors from which an event has a step: one in a thousand by chance.
const HAS_STEP: f64 = 3.3;

/// Events of A and B between the link's ends that fall on each other when A's link is
/// `a_m` long and B's `b_m` of its own metres.
fn fall_together(a: &Look, b: &Look, a_m: f64, b_m: f64) -> usize {
    let pulse_m = a.eye.pulse_samples * a.eye.spacing_m;
    a.marks
        .iter()
        .filter(|m| votes(m))
        .map(|m| (m.z_m - a.near.own_m, error(m.std_error_m)))
        .filter(|(z, _)| *z > pulse_m && *z < a_m - pulse_m)
        .filter(|(z, u)| {
            b.marks.iter().filter(|m| votes(m)).any(|m| {
                let place = a_m * (1.0 - (m.z_m - b.near.own_m) / b_m);
                let reach = 4.0 * u.hypot(error(m.std_error_m)) + 2.0 * a.eye.spacing_m;
                (place - z).abs() <= reach.min(2.0 * pulse_m)
            })
        })
        .count()
}

fn error(std_error_m: Option<f64>) -> f64 {
    std_error_m.filter(|e| e.is_finite()).unwrap_or(0.0)
}

/// A far end moved by a cord, onto the nearest event there if one is near.
fn moved(far: LinkEnd, by_m: f64, look: &Look) -> LinkEnd {
    if by_m == 0.0 {
        return far;
    }
    let stated = far.own_m + by_m;
    let reach = 0.05 * by_m.abs() + look.eye.pulse_samples * look.eye.spacing_m;
    let near = look
        .marks
        .iter()
        .filter(|m| (m.z_m - stated).abs() <= reach)
        .min_by(|p, q| (p.z_m - stated).abs().total_cmp(&(q.z_m - stated).abs()));
    LinkEnd {
        own_m: near.map_or(stated, |m| m.z_m),
        std_error_m: near.and_then(|m| m.std_error_m),
        ..far
    }
}
