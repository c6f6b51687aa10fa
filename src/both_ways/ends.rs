//! Which of the last reflections of each trace ends the link: settled by what both
//! traces show.

use crate::detect::{End, Mark, answers_behind, spikes};
use crate::measure::{CORD_TOLERANCE, LinkEnd, Look};
use crate::units::Length;

use super::combine::Pair;
use super::register::{Axis, Matched, SCALE_DOUBT, fit};

/// Relative difference of the two lengths beyond which they are not one fibre's:
/// the group indices of silica fibres lie within half a per cent of each other.
pub(super) const LENGTHS_AGREE: f64 = 0.005;

/// Events by which another reading of the ends must beat the first one.
const BETTER: usize = 2;

/// Reads the far ends again where the two traces ask for it.
///
/// A cord's own end can be taken for the link's, and the link's for the cord's, where one
/// of the two reflections is missing, in the noise, or behind a recovery. So other
/// readings are tried: each far end one cord nearer or farther, and where the other
/// trace's length puts it; the last reflections of both traces, where they lie equally
/// far from both ports, as ends of the cords or, where those sink into the noise, of the
/// link; none of them where fibre answers behind it and its cord. The first reading stays
/// unless [`BETTER`] more events fall together on another, or its two lengths can hardly be
/// one fibre's and another's are. Before all of them goes the length that the events by
/// themselves leave no doubt of. An end that only stands out of the noise is forgotten when no
/// reading agrees.
///
/// Two glances at the traces decide where they leave no doubt of the first reading; else
/// both are looked at more closely before.
pub(super) fn settle_ends(pair: &mut Pair<'_>, index_ratio: f64) {
    if is_past_doubt(pair, index_ratio) {
        return;
    }
    pair.look_a.closer(pair.settings.detect);
    pair.look_b.closer(pair.settings.detect);
    if is_past_doubt(pair, index_ratio) {
        return;
    }
    let (a, b) = (&pair.look_a, &pair.look_b);
    let first = first_reading(a, b, index_ratio);
    let together = |r: &Reading| together((a, b), r, index_ratio);
    let base = first.as_ref().and_then(together);
    let by_events = by_events(a, b, index_ratio).map(|axis| Reading {
        far_a_m: a.near.own_m + axis.place(b.near.own_m),
        far_b_m: axis.from_b(0.0),
        is_shown: false,
        apart_m: 0.0,
    });
    let settled = if let Some(reading) = by_events {
        let near = |p: f64, q: f64| (p - q).abs() <= 2.0 * close_m(a, b);
        let agrees =
            |r: &Reading| near(r.far_a_m, reading.far_a_m) && near(r.far_b_m, reading.far_b_m);
        (base.is_none() || !first.as_ref().is_some_and(agrees)).then_some(reading)
    } else {
        let mut others = first.map_or_else(Vec::new, |r| by_cords(pair, &r, index_ratio));
        others.extend(by_last_reflections(pair, index_ratio));
        others.retain(|reading| ends_there(pair, reading));
        let counted = others.into_iter().filter_map(|r| Some((together(&r)?, r)));
        let worth = |(n, r): &(usize, Reading)| n + if r.is_shown { BETTER } else { 0 };
        let best = counted.rev().max_by_key(worth);
        let a_m = first.map_or(0.0, |r| r.far_a_m - a.near.own_m);
        let is_unlikely =
            first.is_some_and(|r| r.apart_m > close_m(a, b) + UNLIKELY * SCALE_DOUBT * a_m);
        best.filter(|(count, r)| match base {
            Some(base) if is_unlikely && r.is_shown => *count >= base,
            Some(base) => *count >= base + BETTER,
            None => r.is_shown || *count >= BETTER,
        })
        .map(|(_, reading)| reading)
    };
    if let Some(reading) = settled {
        let (cord_at_b, cord_at_a) = (has_cord(pair.cords.at_b), has_cord(pair.cords.at_a));
        pair.look_a.far = Some(end_at(&pair.look_a, reading.far_a_m, cord_at_b));
        pair.look_b.far = Some(end_at(&pair.look_b, reading.far_b_m, cord_at_a));
    } else if first.is_some() && base.is_none() {
        for look in [&mut pair.look_a, &mut pair.look_b] {
            look.far = look.far.filter(|far| !far.in_noise);
        }
    }
}

/// Whether enough events fall together on the first reading of the ends.
fn is_past_doubt(pair: &Pair<'_>, index_ratio: f64) -> bool {
    let (a, b) = (&pair.look_a, &pair.look_b);
    let voters = [a, b].map(|look| look.marks.iter().filter(|m| votes(m)).count());
    first_reading(a, b, index_ratio)
        .and_then(|first| together((a, b), &first, index_ratio))
        .is_some_and(|n| n >= CLEARLY && 2 * n >= voters[0].min(voters[1]))
}

/// The far ends as each trace shows them by itself.
fn first_reading(a: &Look, b: &Look, index_ratio: f64) -> Option<Reading> {
    let (far_a, far_b) = a.far.zip(b.far)?;
    Some(Reading {
        far_a_m: far_a.own_m,
        far_b_m: far_b.own_m,
        is_shown: false,
        apart_m: apart_m((a, b), far_a.own_m, far_b.own_m, index_ratio),
    })
}

/// By how much the two lengths to far ends differ, metres of A.
fn apart_m((a, b): (&Look, &Look), far_a_m: f64, far_b_m: f64, index_ratio: f64) -> f64 {
    ((far_a_m - a.near.own_m) - (far_b_m - b.near.own_m) * index_ratio).abs()
}

/// Events that fall together on a reading; none where it makes no one length.
fn together((a, b): (&Look, &Look), reading: &Reading, index_ratio: f64) -> Option<usize> {
    let a_m = reading.far_a_m - a.near.own_m;
    let b_m = reading.far_b_m - b.near.own_m;
    let agree = (a_m - b_m * index_ratio).abs() <= LENGTHS_AGREE * a_m;
    (a_m > 0.0 && b_m > 0.0 && agree).then(|| fall_together(a, b, a_m, b_m))
}

/// Whether the far ends of a reading are not the near ones, a reflection long, and no fibre
/// answers behind them and their cords.
fn ends_there(pair: &Pair<'_>, reading: &Reading) -> bool {
    let close_m = close_m(&pair.look_a, &pair.look_b);
    let is_end = |look: &Look, far_m: f64, cord: Option<Length>| {
        let cord_m = cord.map_or(0.0, Length::m);
        let (end_m, off_m) = (far_m + cord_m, CORD_TOLERANCE * cord_m + close_m);
        let places = look.eye.peaks.iter().map(|peak| peak.edge as f64);
        let near = |place: &f64| (look.eye.metres(*place) - end_m).abs() <= off_m;
        let farthest = look.eye.index(end_m + CORD_TOLERANCE * cord_m);
        let end = places.rev().find(near).unwrap_or(farthest);
        far_m - look.near.own_m > close_m && !answers_behind(&look.eye, end)
    };
    is_end(&pair.look_a, reading.far_a_m, pair.cords.at_b)
        && is_end(&pair.look_b, reading.far_b_m, pair.cords.at_a)
}

/// Events on which the first reading is past doubt, where they are half of those that
/// either trace sees.
const CLEARLY: usize = 4;

/// Where the link may end in both traces, metres from their ports.
#[derive(Debug, Clone, Copy)]
struct Reading {
    far_a_m: f64,
    far_b_m: f64,
    /// Both traces show a reflection at the end of their cords, or of the link.
    is_shown: bool,
    /// By how much the two lengths differ.
    apart_m: f64,
}

/// Standard deviations of the ratio of two headers' indices beyond which two lengths are
/// hardly one fibre's.
const UNLIKELY: f64 = 3.0;

fn has_cord(cord: Option<Length>) -> bool {
    cord.is_some_and(|cord| cord.m() > 0.0)
}

/// The first reading with each far end a cord nearer or farther, and with one trace's
/// length for both.
fn by_cords(pair: &Pair<'_>, first: &Reading, index_ratio: f64) -> Vec<Reading> {
    let (a, b) = (&pair.look_a, &pair.look_b);
    let shifts = |cord: Option<Length>| -> Vec<f64> {
        match cord.map(Length::m) {
            Some(m) if m > 0.0 => vec![0.0, -m, m],
            _ => vec![0.0],
        }
    };
    let mut readings = Vec::new();
    for &at_b in &shifts(pair.cords.at_b) {
        for &at_a in &shifts(pair.cords.at_a) {
            let (far_a_m, far_b_m) = (first.far_a_m + at_b, first.far_b_m + at_a);
            let apart_m = apart_m((a, b), far_a_m, far_b_m, index_ratio);
            let is_shown = apart_m <= close_m(a, b) && shows_at(a, far_a_m) && shows_at(b, far_b_m);
            readings.push(Reading {
                far_a_m,
                far_b_m,
                is_shown,
                apart_m,
            });
        }
    }
    let (a_m, b_m) = (first.far_a_m - a.near.own_m, first.far_b_m - b.near.own_m);
    readings.push(Reading {
        far_b_m: b.near.own_m + a_m / index_ratio,
        is_shown: false,
        apart_m: 0.0,
        ..*first
    });
    readings.push(Reading {
        far_a_m: a.near.own_m + b_m * index_ratio,
        is_shown: false,
        apart_m: 0.0,
        ..*first
    });
    readings
}

/// Difference of two lengths that reflections at their ends leave: a pulse, which a slow
/// receiver may hide of a rise.
fn close_m(a: &Look, b: &Look) -> f64 {
    [a, b]
        .iter()
        .map(|look| look.eye.pulse_samples * look.eye.spacing_m + 2.0 * look.eye.spacing_m)
        .fold(0.0, f64::max)
}

/// Whether a trace shows a reflection or the end of its light at a place.
fn shows_at(look: &Look, own_m: f64) -> bool {
    let reach = close_m(look, look);
    let shown = look.marks.iter().map(|m| m.z_m);
    shown
        .chain(last_reflections(look))
        .any(|m| (m - own_m).abs() <= reach)
}

/// Reflections behind which no fibre answers, and those in the noise, metres from the port.
fn last_reflections(look: &Look) -> Vec<f64> {
    let eye = &look.eye;
    let mut places: Vec<f64> = spikes(eye).iter().map(|s| eye.metres(s.0)).collect();
    if let End::Drop { edge, .. } = look.end {
        places.push(eye.metres(edge));
    }
    let last = eye.peaks.iter().skip(1).rev().take(2);
    places.extend(last.map(|peak| eye.metres(peak.edge as f64 + 0.5)));
    places
}

/// Readings by the last reflections. Where those are the far ends of the cords, both traces
/// see the whole chain of cord, link and cord, and they lie equally far from either port;
/// where they are the link's far ends, equally far from its near ones.
fn by_last_reflections(pair: &Pair<'_>, index_ratio: f64) -> Vec<Reading> {
    let (a, b) = (&pair.look_a, &pair.look_b);
    let known = |near: LinkEnd| near.std_error_m.is_some();
    if !(known(a.near) && known(b.near)) {
        return Vec::new();
    }
    let close = close_m(a, b);
    let of_b = last_reflections(b);
    let both = last_reflections(a)
        .into_iter()
        .flat_map(|at_a| of_b.iter().map(move |&at_b| (at_a, at_b)));
    let samples_m = 2.0 * a.eye.spacing_m;
    both.filter_map(|(at_a, at_b)| {
        let by_cords = Reading {
            far_a_m: at_a - b.near.own_m * index_ratio,
            far_b_m: at_b - a.near.own_m / index_ratio,
            is_shown: true,
            apart_m: (at_a - at_b * index_ratio).abs(),
        };
        let by_link = Reading {
            far_a_m: at_a,
            far_b_m: at_b,
            is_shown: true,
            apart_m: apart_m((a, b), at_a, at_b, index_ratio),
        };
        // Equal cords fit both alike: then they are what is seen last.
        let fits = |r: &Reading| r.apart_m <= close;
        let is_link =
            fits(&by_link) && (!fits(&by_cords) || by_link.apart_m + samples_m < by_cords.apart_m);
        Some(if is_link { by_link } else { by_cords }).filter(fits)
    })
    .collect()
}

/// The axis that lays the events of A and B on each other, where they leave no doubt.
///
/// Each pair of events gives a shift. What the other events say of it is the ratio of
/// likelihoods that they are the same in both traces and that they are not: an event of A
/// is seen in B, half of the time, within its errors, or it meets one of B's by chance.
/// By chance the ratio exceeds e^t at one shift of e^t at most, so the best must exceed
/// the number of shifts over [`BY_CHANCE`]; and no other may come within [`BY_CHANCE`].
fn by_events(a: &Look, b: &Look, index_ratio: f64) -> Option<Axis> {
    let (of_a, of_b) = (seen_in(a), seen_in(b));
    let range_m = a.eye.metres(a.bound.hi as f64).max(f64::MIN_POSITIVE);
    let by_chance = of_b.len() as f64 / range_m;
    let least = (a.eye.spacing_m.powi(2) + b.eye.spacing_m.powi(2)) / 12.0;
    // The pair of A's event nearest to it in B, at a shift given by the events at `x_m`.
    let pair = |offset: f64, x_m: f64, (z, u): (f64, f64)| {
        let miss = |x: f64| (offset - index_ratio * x - z).abs();
        let &(x, v) = of_b.iter().min_by(|p, q| miss(p.0).total_cmp(&miss(q.0)))?;
        let variance = u * u + v * v + least;
        let doubt = (SCALE_DOUBT * (x - x_m)).powi(2);
        Some((miss(x), x, variance, doubt))
    };
    let mut shifts: Vec<(f64, f64, f64)> = Vec::new();
    for (i, &(z, _)) in of_a.iter().enumerate() {
        for &(x, _) in &of_b {
            let offset = z + index_ratio * x;
            let others = of_a.iter().enumerate().filter(|(k, _)| *k != i);
            let ratio = others
                .filter_map(|(_, event)| pair(offset, x, *event))
                .map(|(miss, _, variance, doubt)| {
                    // Stated errors hold, or noise has thrown the place and the index is off.
                    let same = f64::midpoint(
                        density(miss, variance),
                        density(miss, 16.0 * variance + doubt),
                    );
                    f64::midpoint(1.0, same / by_chance).ln()
                })
                .sum();
            shifts.push((offset, x, ratio));
        }
    }
    let &(offset, x_m, most) = shifts.iter().max_by(|p, q| p.2.total_cmp(&q.2))?;
    let apart = 4.0 * close_m(a, b) + SCALE_DOUBT * range_m;
    let rival = (shifts.iter())
        .filter(|s| (s.0 - offset).abs() > apart)
        .map(|s| s.2)
        .fold(0.0, f64::max);
    let sure = (1.0 / BY_CHANCE).ln();
    if most < sure + (shifts.len() as f64).ln() || most < rival + sure {
        return None;
    }
    let together: Vec<Matched> = (of_a.iter())
        .filter_map(|&event| {
            let (miss, x, variance, doubt) = pair(offset, x_m, event)?;
            (miss * miss <= 16.0 * (variance + doubt)).then_some(Matched {
                z_m: event.0 - a.near.own_m,
                x_m: x,
                variance,
            })
        })
        .collect();
    Some(fit(&together, index_ratio))
}

/// Places and standard errors of the events of a trace that may vote, from the link's
/// beginning on, metres from the port.
fn seen_in(look: &Look) -> Vec<(f64, f64)> {
    let from = look.near.own_m - look.eye.pulse_samples * look.eye.spacing_m;
    (look.marks.iter().filter(|m| votes(m) && m.z_m > from))
        .filter_map(|m| Some((m.z_m, m.std_error_m.filter(|e| e.is_finite())?)))
        .collect()
}

/// Density of a normal distribution about zero.
fn density(x: f64, variance: f64) -> f64 {
    (-0.5 * x * x / variance).exp() / (std::f64::consts::TAU * variance).sqrt()
}

/// Chance at which a wrong shift is taken for the link's length by its events alone.
const BY_CHANCE: f64 = 1e-3;

/// Whether an event may vote: a weak peak without a step may be an echo, and the echoes of
/// a cord fall on the reflections of the other trace when an end is a cord off.
fn votes(mark: &Mark) -> bool {
    let has_step = |s: &Option<f64>| s.is_some_and(|s| s.abs() >= HAS_STEP);
    mark.strong || mark.reflective.iter().all(|r| !r) || mark.significance.iter().any(has_step)
}

/// Standard errors from which an event has a step: one in a thousand by chance.
pub(super) const HAS_STEP: f64 = 3.3;

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

/// A far end at a place, or on the event there if one is near.
fn end_at(look: &Look, own_m: f64, has_cord: bool) -> LinkEnd {
    let reach = close_m(look, look);
    let near = (look.marks.iter())
        .filter(|m| (m.z_m - own_m).abs() <= reach)
        .min_by(|p, q| (p.z_m - own_m).abs().total_cmp(&(q.z_m - own_m).abs()));
    LinkEnd {
        own_m: near.map_or(own_m, |m| m.z_m),
        std_error_m: near.and_then(|m| m.std_error_m),
        has_cord,
        in_noise: false,
    }
}
