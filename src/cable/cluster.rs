//! The joints of a cable from the events of all its fibres.
//!
//! Every fibre is laid on the cable's axis by its own length: fibres of one cable
//! differ by a share of their length. What is left between fibres at one joint
//! (cut lengths, coils) is estimated from the events themselves, so that no distance
//! is built in: see [`scatter`].

/// Standard deviations within which an event may be a joint's: one in a billion lies
/// outside by chance, and a fibre more coiled than the others stays in.
pub(super) const REACH: f64 = 6.0;

/// Other fibres that an event is compared with to estimate the scatter.
const COMPARED: usize = 16;

/// An event of a fibre on the cable's axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    /// Place on the cable's axis, metres.
    pub(super) u_m: f64,
    /// Standard error of the place.
    pub(super) error_m: f64,
    /// Whether it shows in a trace (not only measured because its place is known).
    pub(super) seen: bool,
}

/// The events of one fibre at one wavelength in the order of their places.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Strand {
    /// Index of the fibre.
    pub(super) fibre: usize,
    /// The events between the ends.
    pub(super) spots: Vec<Spot>,
}

/// A joint on the cable's axis.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cluster {
    /// Middle place of the fibres that show it.
    pub(super) u_m: f64,
    /// Standard deviation of single fibres about it.
    pub(super) scatter_m: f64,
    /// Fibres in which it shows.
    pub(super) fibres: usize,
}

/// Fewest events from which a joint's scatter is taken: of fewer, the better half is too
/// few.
const FEW: usize = 5;

/// Least scatter of a joint, as a share of the middle one: few events may agree by chance.
const LEAST_SCATTER: f64 = 0.5;

/// An event that shows: its place, the error of that, and the index of its strand.
#[derive(Debug, Clone, Copy)]
struct Seen {
    u_m: f64,
    error_m: f64,
    strand: usize,
}

/// By how much one fibre's event lies off another's at the same joint, as the standard
/// deviation of a single fibre, metres.
///
/// For every event the nearest one in each of some other fibres is sought. Most of
/// these distances are those of one joint in two fibres; the rest are distances to
/// a neighbouring joint, where the other fibre shows nothing, and far greater. The
/// lower third of the distances is therefore of the first kind even where a third
/// of the joints do not show, and a normal distribution of differences has its lower
/// third at 0.43 of √2 times the standard deviation sought.
pub(super) fn scatter(strands: &[Strand]) -> f64 {
    /// Φ⁻¹((1 + 1/3)/2), the place below which a third of |x| lies.
    const THIRD: f64 = 0.430_727;
    let mut distances = Vec::new();
    let mut errors = Vec::new();
    let step = (strands.len() / COMPARED).max(1);
    for (i, strand) in strands.iter().enumerate() {
        let others: Vec<&Strand> = (1..=COMPARED)
            .filter_map(|k| strands.get((i + k * step) % strands.len()))
            .filter(|other| other.fibre != strand.fibre)
            .collect();
        for spot in strand.spots.iter().filter(|s| s.seen) {
            errors.push(spot.error_m);
            for other in &others {
                let nearest = other
                    .spots
                    .iter()
                    .filter(|s| s.seen)
                    .map(|s| (s.u_m - spot.u_m).abs())
                    .min_by(f64::total_cmp);
                distances.extend(nearest);
            }
        }
    }
    let floor = quantile(&mut errors, 0.5).unwrap_or(0.0);
    let third = quantile(&mut distances, 1.0 / 3.0).unwrap_or(0.0);
    (third / (THIRD * std::f64::consts::SQRT_2)).max(floor)
}

/// Finds the joints; `least_fibres` must show one for it to be the cable's. Within `hidden_m`
/// no fibre could show two.
pub(super) fn clusters(strands: &[Strand], least_fibres: usize, hidden_m: f64) -> Vec<Cluster> {
    let spread = scatter(strands);
    let mut all: Vec<Seen> = Vec::new();
    for (i, strand) in strands.iter().enumerate() {
        let seen = strand.spots.iter().filter(|s| s.seen);
        all.extend(seen.map(|s| Seen {
            u_m: s.u_m,
            error_m: s.error_m,
            strand: i,
        }));
    }
    all.sort_by(|p, q| p.u_m.total_cmp(&q.u_m).then(p.strand.cmp(&q.strand)));
    // Two of a joint's fibres that follow each other lie closer than this, however
    // few there are.
    let gap = REACH * spread;
    let mut found: Vec<Cluster> = Vec::new();
    for group in runs(&all, gap, hidden_m) {
        for part in split(group, strands) {
            found.extend(joint_of(part, strands, least_fibres));
        }
    }
    let mut scatters: Vec<f64> = found.iter().map(|c| c.scatter_m).collect();
    let least_m = LEAST_SCATTER * quantile(&mut scatters, 0.5).unwrap_or(0.0);
    for cluster in &mut found {
        cluster.scatter_m = cluster.scatter_m.max(least_m);
    }
    found.sort_by(|p, q| p.u_m.total_cmp(&q.u_m));
    found
}

/// Runs of events that follow each other closely, with those joined that are one joint.
///
/// The fibres of a joint that lie in two bunches leave a gap between them. Two runs are two
/// joints if fibres show both; where hardly any does, a gap of twice the usual is none, nor
/// one within which two events could not be told apart.
fn runs(all: &[Seen], gap_m: f64, hidden_m: f64) -> Vec<&[Seen]> {
    let (mut found, mut from) = (Vec::new(), 0);
    let most_m = hidden_m.max(2.0 * gap_m);
    for at in 1..=all.len() {
        let ends = all.get(at).is_none_or(|next| {
            let off_m = next.u_m - all[at - 1].u_m;
            off_m > most_m || (off_m > gap_m && !is_one(&all[from..at], &all[at..], gap_m))
        });
        if ends {
            found.push(&all[from..at]);
            from = at;
        }
    }
    found
}

/// Whether hardly any fibre that shows the one run shows also that which begins the rest.
fn is_one(run: &[Seen], rest: &[Seen], gap_m: f64) -> bool {
    let end = rest.windows(2).position(|w| w[1].u_m - w[0].u_m > gap_m);
    let next = &rest[..end.map_or(rest.len(), |k| k + 1)];
    let strands = |run: &[Seen]| -> std::collections::BTreeSet<usize> {
        run.iter().map(|seen| seen.strand).collect()
    };
    let (one, other) = (strands(run), strands(next));
    4 * one.intersection(&other).count() < one.len().min(other.len())
}

/// Splits a run of events in as many joints as most of its fibres show there.
fn split(group: &[Seen], strands: &[Strand]) -> Vec<Vec<Seen>> {
    let mut by_strand: std::collections::BTreeMap<usize, Vec<f64>> =
        std::collections::BTreeMap::new();
    for seen in group {
        by_strand.entry(seen.strand).or_default().push(seen.u_m);
    }
    let mut counts: Vec<f64> = by_strand
        .values()
        .map(|places| places.len() as f64)
        .collect();
    let usual = quantile(&mut counts, 0.5).unwrap_or(1.0).round() as usize;
    if usual <= 1 || strands.is_empty() {
        return vec![group.to_vec()];
    }
    // Fibres that show all of them give the places; the rest go to the nearest.
    let mut centres: Vec<Vec<f64>> = vec![Vec::new(); usual];
    for places in by_strand.values().filter(|places| places.len() == usual) {
        for (centre, place) in centres.iter_mut().zip(places) {
            centre.push(*place);
        }
    }
    let centres: Vec<f64> = centres
        .iter_mut()
        .filter_map(|places| quantile(places, 0.5))
        .collect();
    let mut parts = vec![Vec::new(); centres.len()];
    for seen in group {
        let off = |k: usize| (centres[k] - seen.u_m).abs();
        let nearest = (0..centres.len()).min_by(|&p, &q| off(p).total_cmp(&off(q)));
        if let Some(part) = nearest.and_then(|k| parts.get_mut(k)) {
            part.push(*seen);
        }
    }
    parts
}

/// A joint from its events, where enough fibres show it.
///
/// Place and scatter come from the better placed half of them: in a cable of noisy traces
/// most events lie off by their own errors, which say nothing of how the fibres lie, and
/// which [`assign`] counts once more.
fn joint_of(mut part: Vec<Seen>, strands: &[Strand], least_fibres: usize) -> Option<Cluster> {
    let mut fibres: Vec<usize> = part.iter().map(|s| strands[s.strand].fibre).collect();
    fibres.sort_unstable();
    fibres.dedup();
    if fibres.len() < least_fibres {
        return None;
    }
    part.sort_by(|p, q| p.error_m.total_cmp(&q.error_m));
    part.truncate((part.len() / 2).max(FEW));
    let mut places: Vec<f64> = part.iter().map(|s| s.u_m).collect();
    let middle = quantile(&mut places, 0.5)?;
    let mut off: Vec<f64> = places.iter().map(|u| (u - middle).abs()).collect();
    // 1.4826 · median absolute deviation is the standard deviation of a normal distribution.
    let own = 1.4826 * quantile(&mut off, 0.5)?;
    // Of one fibre, or of some that agree by chance, the errors of the places are left.
    let mut errors: Vec<f64> = part.iter().map(|s| s.error_m).collect();
    let error = quantile(&mut errors, 0.5)?;
    Some(Cluster {
        u_m: middle,
        scatter_m: own.max(error),
        fibres: fibres.len(),
    })
}

/// Which joint each event of a fibre belongs to: the assignment in order along the
/// fibre with the least sum of squared distances in standard deviations, where an
/// event or a joint may stay alone at the cost of [`REACH`] of them.
pub(super) fn assign(spots: &[(f64, f64)], joints: &[(f64, f64)]) -> Vec<Option<usize>> {
    let (n, m) = (spots.len(), joints.len());
    let alone = 0.5 * REACH * REACH;
    let cost = |i: usize, j: usize| {
        // Of metres, whose squares neither overflow nor vanish.
        let variance = spots[i].1.powi(2) + joints[j].1.powi(2);
        let square = (spots[i].0 - joints[j].0).powi(2) / variance.max(f64::MIN_POSITIVE);
        (square <= REACH * REACH).then_some(square)
    };
    // best[i][j]: least cost of the first i events and j joints.
    let width = m + 1;
    let mut best = vec![0.0_f64; (n + 1) * width];
    for i in 0..=n {
        for j in 0..=m {
            if i + j == 0 {
                continue;
            }
            let skip_spot = (i > 0).then(|| best[(i - 1) * width + j] + alone);
            let skip_joint = (j > 0).then(|| best[i * width + j - 1] + alone);
            let both = (i > 0 && j > 0)
                .then(|| cost(i - 1, j - 1).map(|c| best[(i - 1) * width + j - 1] + c))
                .flatten();
            best[i * width + j] = [skip_spot, skip_joint, both]
                .into_iter()
                .flatten()
                .fold(f64::INFINITY, f64::min);
        }
    }
    let mut found = vec![None; n];
    let (mut i, mut j) = (n, m);
    while i > 0 && j > 0 {
        let here = best[i * width + j];
        if let Some(c) = cost(i - 1, j - 1)
            && here.total_cmp(&(best[(i - 1) * width + j - 1] + c)).is_eq()
        {
            found[i - 1] = Some(j - 1);
            i -= 1;
            j -= 1;
        } else if here.total_cmp(&(best[(i - 1) * width + j] + alone)).is_eq() {
            i -= 1;
        } else {
            j -= 1;
        }
    }
    found
}

/// Assigns the events of one fibre as [`assign`] does; a fibre that lies off the
/// others along its whole length is given more room.
///
/// A coil more in one closure moves all joints of a fibre against the cable's axis. Where
/// two or more events that show would stay alone, and a wider reach (three or ten
/// times, as long as it keeps to a third of the distance between joints) gives two
/// or more of them a joint, the wider reach is taken.
pub(super) fn assign_fibre(spots: &[Spot], joints: &[(f64, f64)]) -> Vec<Option<usize>> {
    let with = |factor: f64| {
        let spots: Vec<(f64, f64)> = spots.iter().map(|s| (s.u_m, s.error_m)).collect();
        let joints: Vec<(f64, f64)> = joints.iter().map(|j| (j.0, j.1 * factor)).collect();
        assign(&spots, &joints)
    };
    let count = |found: &[Option<usize>]| {
        let pairs = spots.iter().zip(found);
        pairs.filter(|(s, f)| s.seen && f.is_some()).count()
    };
    let seen = spots.iter().filter(|s| s.seen).count();
    let mut best = with(1.0);
    let nearest = joints
        .windows(2)
        .map(|w| w[1].0 - w[0].0)
        .fold(f64::INFINITY, f64::min);
    let widest = joints.iter().map(|j| j.1).fold(0.0, f64::max);
    for factor in [3.0, 10.0] {
        if seen < count(&best) + 2 || factor * widest * REACH > nearest / 3.0 {
            break;
        }
        let wider = with(factor);
        if count(&wider) >= count(&best) + 2 {
            best = wider;
        }
    }
    best
}

/// The value below which a share of all lies; reorders them.
pub(super) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let last = values.len() - 1;
    let index = (share * last as f64).round() as usize;
    let (_, value, _) = values.select_nth_unstable_by(index.min(last), f64::total_cmp);
    Some(*value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn strand(fibre: usize, places: &[f64]) -> Strand {
        Strand {
            fibre,
            spots: places
                .iter()
                .map(|&u_m| Spot {
                    u_m,
                    error_m: 0.5,
                    seen: true,
                })
                .collect(),
        }
    }

    #[test]
    fn one_missed_and_one_extra_event_change_no_joint() {
        let strands = [
            strand(0, &[1000.0, 1030.0, 5000.0]),
            strand(1, &[1002.0, 5003.0]),
            strand(2, &[998.0, 1029.0, 3000.0, 5001.0]),
            strand(3, &[1001.0, 1031.0, 4998.0]),
        ];
        let found = clusters(&strands, 2, 0.0);
        let places: Vec<f64> = found.iter().map(|c| c.u_m.round()).collect();
        assert_eq!(places, [1001.0, 1030.0, 5001.0]);
        let joints: Vec<(f64, f64)> = found.iter().map(|c| (c.u_m, c.scatter_m)).collect();
        let spots: Vec<(f64, f64)> = strands[2]
            .spots
            .iter()
            .map(|s| (s.u_m, s.error_m))
            .collect();
        assert_eq!(assign(&spots, &joints), [Some(0), Some(1), None, Some(2)]);
    }

    /// Twelve fibres in two bunches about a joint, a gap and a half apart, are one joint; two
    /// joints that all fibres show so near to each other are two.
    #[test]
    fn two_bunches_are_one_joint_unless_fibres_show_both() {
        // The nearest of the other fibres lies 0.1 m off for most, so that the floor of half
        // a metre is the scatter, and three metres the gap.
        let bunch = |k: usize| if k < 6 { 1000.0 } else { 1004.5 };
        let one: Vec<Strand> = (0..12)
            .map(|k| strand(k, &[bunch(k) + 0.02 * k as f64, 5000.0]))
            .collect();
        assert_eq!(clusters(&one, 2, 0.0).len(), 2);
        let two: Vec<Strand> = (0..12)
            .map(|k| strand(k, &[1000.0, 1004.5, 5000.0]))
            .collect();
        assert_eq!(clusters(&two, 2, 0.0).len(), 3);
    }

    proptest! {
        /// Joints drawn at least thirty times the scatter apart come back, each once, in
        /// order, whatever a fifth of the events does; the truth is the draw itself.
        #[test]
        fn joints_come_back_from_fibres_that_miss_some(
            seeds in prop::collection::vec((0u32..1000, 0u32..5), 12 * 6),
        ) {
            let sigma = 2.0;
            let truth: Vec<f64> = (1..=6).map(|k| f64::from(k) * 3000.0).collect();
            let strands: Vec<Strand> = (0..12)
                .map(|fibre| {
                    let places: Vec<f64> = truth
                        .iter()
                        .enumerate()
                        .filter(|(k, _)| seeds[fibre * 6 + k].1 != 0)
                        .map(|(k, u)| u + sigma * 3.4 * (f64::from(seeds[fibre * 6 + k].0) / 1000.0 - 0.5))
                        .collect();
                    strand(fibre, &places)
                })
                .collect();
            let shown: Vec<usize> = (0..6)
                .filter(|k| (0..12).filter(|f| seeds[f * 6 + k].1 != 0).count() >= 2)
                .collect();
            let found = clusters(&strands, 2, 0.0);
            prop_assert_eq!(found.len(), shown.len());
            for (cluster, k) in found.iter().zip(&shown) {
                // No place is farther off than the draw's own half width.
                prop_assert!((cluster.u_m - truth[*k]).abs() <= 1.7 * sigma);
            }
        }

        /// An assignment keeps the order and gives no joint twice.
        #[test]
        fn an_assignment_is_in_order(
            mut spots in prop::collection::vec(0.0..1000.0f64, 0..12),
            mut joints in prop::collection::vec(0.0..1000.0f64, 0..12),
        ) {
            spots.sort_by(f64::total_cmp);
            joints.sort_by(f64::total_cmp);
            let with = |places: &[f64], sigma: f64| -> Vec<(f64, f64)> {
                places.iter().map(|&p| (p, sigma)).collect()
            };
            let found = assign(&with(&spots, 5.0), &with(&joints, 5.0));
            let taken: Vec<usize> = found.iter().flatten().copied().collect();
            prop_assert!(taken.windows(2).all(|w| w[0] < w[1]));
        }
    }
}
