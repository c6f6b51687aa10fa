//! Which event after is which event before.

use crate::both_ways::EventKind;
use crate::units::{GroupIndex, PulseWidth};

use super::state::{EventState, LinkState};

/// Standard errors within which a place is the same: one true pair in 15,000 is missed.
const SAME_PLACE: f64 = 4.0;

/// Metres of the axis after for one metre before: places scale with 1/group index.
pub(super) fn scale(before: &LinkState, after: &LinkState) -> f64 {
    let index = |state: &LinkState| state.provenance.settings.a.group_index;
    match (index(before), index(after)) {
        (Some(before), Some(after)) => before / after,
        _ => 1.0,
    }
}

/// Pairs of indices into the events of both, in order; echoes and ends left out.
///
/// Between two anchors (the link's ends, and joints of the same name) a place is
/// expected where the anchors put it: anything between their two displacements,
/// since fibre may have been taken out at one joint or the scale may differ all along;
/// wider by four standard errors of both places. Of all pairings in order, the one with
/// the most pairs and then the least displacement is taken.
pub(super) fn matched(before: &LinkState, after: &LinkState) -> Vec<(usize, usize)> {
    let scale = scale(before, after);
    let (one, other) = (joints(before), joints(after));
    let mut anchors: Vec<(usize, usize)> = Vec::new();
    for (i, (_, event)) in one.iter().enumerate() {
        let same = other
            .iter()
            .position(|(_, candidate)| event.joint.is_some() && candidate.joint == event.joint);
        if let Some(j) = same
            && anchors.last().is_none_or(|&(_, last)| last < j)
        {
            anchors.push((i, j));
        }
    }
    let ends = before.link.length_m.zip(after.link.length_m);
    let mut bounds = vec![(None, 0.0)];
    bounds.extend(
        anchors
            .iter()
            .map(|&(i, j)| (Some((i, j)), at_m(other[j].1) - scale * at_m(one[i].1))),
    );
    let end_shift = ends.map_or(0.0, |(before, after)| after - scale * before);
    bounds.push((None, end_shift));
    let mut pairs = Vec::new();
    for window in bounds.windows(2) {
        let ((start, shift_start), (stop, shift_stop)) = (window[0], window[1]);
        let from = start.map_or((0, 0), |(i, j)| (i + 1, j + 1));
        let to = stop.unwrap_or((one.len(), other.len()));
        pairs.extend(start);
        let cost = |i: usize, j: usize| {
            let displacement = at_m(other[j].1) - scale * at_m(one[i].1);
            let (least, most) = (shift_start.min(shift_stop), shift_start.max(shift_stop));
            let outside = (least - displacement).max(displacement - most).max(0.0);
            let error = error_m(one[i].1, before).hypot(error_m(other[j].1, after));
            Some(outside / error).filter(|distance| *distance <= SAME_PLACE)
        };
        pairs.extend(best(from, to, &cost));
    }
    pairs
        .into_iter()
        .map(|(i, j)| (one[i].0, other[j].0))
        .collect()
}

/// Events that are compared, with their index.
pub(super) fn joints(state: &LinkState) -> Vec<(usize, &EventState)> {
    state
        .events
        .iter()
        .enumerate()
        .filter(|(_, event)| !matches!(event.kind, EventKind::Echo | EventKind::End))
        .filter(|(_, event)| event.position_m.is_some())
        .collect()
}

fn at_m(event: &EventState) -> f64 {
    event.position_m.unwrap_or(f64::NAN)
}

/// Standard error of a place; where none is known, the length of the pulse.
fn error_m(event: &EventState, state: &LinkState) -> f64 {
    let settings = &state.provenance.settings.a;
    let pulse_m =
        settings
            .pulse_width_ns
            .zip(settings.group_index)
            .map_or(f64::NAN, |(ns, index)| {
                PulseWidth::from_ns(ns)
                    .footprint(GroupIndex::from_ratio(index))
                    .m()
            });
    event.position_std_error_m.unwrap_or(pulse_m)
}

/// The most pairs in order, then the least cost, by dynamic programming.
fn best(
    (i0, j0): (usize, usize),
    (i1, j1): (usize, usize),
    cost: &dyn Fn(usize, usize) -> Option<f64>,
) -> Vec<(usize, usize)> {
    let (rows, columns) = (i1.saturating_sub(i0), j1.saturating_sub(j0));
    // Pairs and cost of the best pairing of the first i with the first j.
    let mut table = vec![vec![(0_usize, 0.0_f64); columns + 1]; rows + 1];
    let better = |p: (usize, f64), q: (usize, f64)| p.0 > q.0 || (p.0 == q.0 && p.1 < q.1);
    for i in 1..=rows {
        for j in 1..=columns {
            let mut here = table[i - 1][j];
            if better(table[i][j - 1], here) {
                here = table[i][j - 1];
            }
            if let Some(cost) = cost(i0 + i - 1, j0 + j - 1) {
                let (pairs, sum) = table[i - 1][j - 1];
                if better((pairs + 1, sum + cost), here) {
                    here = (pairs + 1, sum + cost);
                }
            }
            table[i][j] = here;
        }
    }
    let same = |p: (usize, f64), q: (usize, f64)| p.0 == q.0 && p.1.to_bits() == q.1.to_bits();
    let mut pairs = Vec::new();
    let (mut i, mut j) = (rows, columns);
    while i > 0 && j > 0 {
        if same(table[i][j], table[i - 1][j]) {
            i -= 1;
        } else if same(table[i][j], table[i][j - 1]) {
            j -= 1;
        } else {
            pairs.push((i0 + i - 1, j0 + j - 1));
            (i, j) = (i - 1, j - 1);
        }
    }
    pairs.reverse();
    pairs
}
