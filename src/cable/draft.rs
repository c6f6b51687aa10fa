//! From measured pairs to joints, matrix and links.

use rayon::prelude::*;

use crate::both_ways::{Event, EventKind, KindFrom, Link, Verdict};
use crate::units::{Length, Loss, Measured, NotMeasured, Position, Wavelength};
use crate::verdict::{Place, What, judge_mean};

use super::calibrate::Fit;
use super::cluster::{REACH, Spot, assign_fibre, quantile};
use super::measure::pulse_m;
use super::place::Reference;
use super::plan::CablePlan;
use super::record::Record;
use super::result::{
    CableLink, Cell, Fibre, Joint, JointKind, JointStatistics, Matrix, NamedBy, Source,
};
use super::roster::Roster;
use super::survey::spots;
use super::worth::Judging;

/// Joints, links and matrix, before anything is judged.
#[derive(Debug)]
pub(super) struct Draft {
    pub(super) fibres: Vec<Fibre>,
    pub(super) wavelengths: Vec<Wavelength>,
    pub(super) joints: Vec<Joint>,
    pub(super) links: Vec<CableLink>,
    pub(super) matrix: Matrix,
}

/// Puts the records into joints and cells; `fit` names joints by the plan's closures.
pub(super) fn draft(
    records: Vec<Record>,
    roster: &Roster,
    plan: &CablePlan,
    reference: &Reference,
    fit: Option<&Fit>,
) -> Draft {
    let fibres: Vec<Fibre> = roster
        .fibres
        .iter()
        .map(|name| {
            let (tube, colour) = plan.tube_and_colour(name);
            Fibre {
                name: name.clone(),
                tube,
                colour,
            }
        })
        .collect();
    let wavelengths: Vec<Wavelength> = roster
        .wavelengths_nm
        .iter()
        .map(|nm| Wavelength::from_nm(*nm))
        .collect();
    let mut joints = joints(roster, plan, reference, fit);
    let mut links: Vec<CableLink> = records
        .into_iter()
        .filter_map(|record| {
            let [Some(a), Some(b)] = record.sources else {
                return None;
            };
            let link = *record.outcome.ok()?;
            Some(CableLink {
                fibre: record.fibre,
                wavelength: record.wavelength,
                joint_of_event: vec![None; link.events.len()],
                link,
                a,
                b,
                judged: None,
            })
        })
        .collect();
    links.sort_by_key(|link| (link.fibre, link.wavelength));
    let inner: Vec<(f64, f64)> = reference
        .joints
        .iter()
        .map(|j| (j.u_m, j.scatter_m))
        .collect();
    links.par_iter_mut().for_each(|link| {
        place_events(link, &inner, reference.length_m);
        name_events(link, &joints);
    });
    let matrix = matrix(&links, &joints, fibres.len(), wavelengths.len());
    for (index, joint) in joints.iter_mut().enumerate() {
        joint.seen_in = (0..fibres.len())
            .filter(|&f| {
                (0..wavelengths.len()).any(|w| matrix.cell(f, index, w).is_some_and(|c| c.seen))
            })
            .count();
    }
    Draft {
        fibres,
        wavelengths,
        joints,
        links,
        matrix,
    }
}

/// The cable's joints, its ends first and last.
fn joints(
    roster: &Roster,
    plan: &CablePlan,
    reference: &Reference,
    fit: Option<&Fit>,
) -> Vec<Joint> {
    let by_order = fit.is_none() && plan.closures.len() == reference.joints.len();
    let end = |index: usize, kind: JointKind, u_m: f64| Joint {
        name: format!(
            "connector at {}",
            roster.ends[index].as_deref().unwrap_or(["A", "B"][index])
        ),
        named_by: NamedBy::Order,
        kind,
        position: Measured {
            value: Position::from_m(u_m),
            std_error: None,
        },
        scatter: None,
        chainage: fit.map(|fit| Length::from_m(fit.chainage_m(u_m))),
        seen_in: 0,
        statistics: Vec::new(),
    };
    let mut joints = vec![end(0, JointKind::EndA, 0.0)];
    for (index, cluster) in reference.joints.iter().enumerate() {
        let closure = match fit {
            Some(fit) => fit.closure_of.get(index).copied().flatten(),
            None if by_order => Some(index),
            None => None,
        };
        let planned = closure.and_then(|k| plan.closures.get(k));
        let count = cluster.fibres.max(1) as f64;
        joints.push(Joint {
            name: planned.map_or_else(|| format!("joint {}", index + 1), |c| c.name.clone()),
            named_by: if planned.is_some() {
                NamedBy::Plan
            } else {
                NamedBy::Order
            },
            kind: JointKind::Joint,
            position: Measured {
                value: Position::from_m(cluster.u_m),
                // The median of n normal values scatters by √(π/2) of the mean's error.
                std_error: (cluster.fibres > 1).then(|| {
                    let share = (std::f64::consts::FRAC_PI_2 / count).sqrt();
                    Length::from_m(share * cluster.scatter_m)
                }),
            },
            scatter: (cluster.fibres > 1).then(|| Length::from_m(cluster.scatter_m)),
            chainage: fit.map(|fit| Length::from_m(fit.chainage_m(cluster.u_m))),
            seen_in: 0,
            statistics: Vec::new(),
        });
    }
    joints.push(end(1, JointKind::EndB, reference.length_m));
    joints
}

/// Says of every event which joint it lies at.
fn place_events(link: &mut CableLink, inner: &[(f64, f64)], length_m: f64) {
    let own_m = link.link.length.as_ref().ok().map(|l| l.value.m());
    let scale = own_m
        .filter(|own| *own > 0.0)
        .map_or(1.0, |own| length_m / own);
    let placed = spots(&link.link, scale);
    let only_spots: Vec<_> = placed.iter().map(|(_, spot)| *spot).collect();
    for ((event, _), joint) in placed.iter().zip(assign_fibre(&only_spots, inner)) {
        link.joint_of_event[*event] = joint.map(|j| j + 1);
    }
    place_hidden(link, &placed, inner, scale);
    let reach_m = 0.5 * link.link.a.spacing.m();
    for (index, event) in link.link.events.iter().enumerate() {
        if event.kind == EventKind::Echo || event.kind == EventKind::Break {
            continue;
        }
        let z_m = event.position.value.m();
        let from_b = event.position_from_b.map(Position::m);
        if from_b.is_none() && z_m.abs() <= reach_m {
            link.joint_of_event[index] = Some(0);
        } else if from_b.is_some_and(|z| z.abs() <= reach_m)
            || (from_b.is_none() && own_m.is_some_and(|own| (z_m - own).abs() <= reach_m))
        {
            link.joint_of_event[index] = Some(inner.len() + 1);
        }
    }
}

/// Gives a joint that has no event of its own the one that hides it.
///
/// The joint's place was measured; that it has no event means that one so near was taken for
/// it as cannot be told from it: it begins, or as a group ends, within a pulse of where the
/// joint may lie. Where the group holds several joints, none of them has its loss
/// ([`shares_group`]).
fn place_hidden(link: &mut CableLink, placed: &[(usize, Spot)], inner: &[(f64, f64)], scale: f64) {
    if link.link.registration.is_none() {
        return;
    }
    let pulse = pulse_m(&link.link) * scale;
    for (joint, &(u_m, scatter_m)) in inner.iter().enumerate() {
        if link.joint_of_event.contains(&Some(joint + 1)) {
            continue;
        }
        let nearest = (placed.iter())
            .filter(|(event, _)| link.joint_of_event[*event].is_none())
            .filter_map(|(event, spot)| {
                let end = link.link.events.get(*event)?.end;
                let end_m = end.map_or(spot.u_m, |end| end.m() * scale);
                let off_m = (spot.u_m - u_m).max(u_m - end_m).max(0.0);
                let reach_m = pulse + REACH * scatter_m.hypot(spot.error_m);
                (off_m <= reach_m).then_some((off_m, *event))
            })
            .min_by(|p, q| p.0.total_cmp(&q.0));
        if let Some((_, event)) = nearest {
            link.joint_of_event[event] = Some(joint + 1);
        }
    }
}

/// Gives the events the names of their joints, in place of those under which they
/// were looked for.
fn name_events(link: &mut CableLink, joints: &[Joint]) {
    for (event, joint) in link.link.events.iter_mut().zip(&link.joint_of_event) {
        let joint = joint.and_then(|j| joints.get(j));
        event.joint = joint
            .filter(|j| j.kind == JointKind::Joint)
            .map(|j| j.name.clone());
        event.kind_from = match joint {
            Some(joint) if joint.named_by == NamedBy::Plan => KindFrom::Plan,
            _ => KindFrom::Trace,
        };
    }
}

fn matrix(links: &[CableLink], joints: &[Joint], fibres: usize, wavelengths: usize) -> Matrix {
    let empty = no_cell("no pair of traces was measured for this fibre and wavelength");
    let mut matrix = Matrix {
        joints: joints.len(),
        wavelengths,
        cells: vec![empty; fibres * joints.len() * wavelengths],
    };
    for (index, link) in links.iter().enumerate() {
        for joint in 0..joints.len() {
            let event = link.joint_of_event.iter().position(|j| *j == Some(joint));
            let cell = match event.and_then(|e| Some((e, link.link.events.get(e)?))) {
                Some((e, event)) => {
                    let mut cell = cell_of(event, (index, e));
                    if shares_group(link, joint, event, joints) {
                        cell.loss = Err(NotMeasured::because(IN_GROUP));
                    }
                    cell
                }
                None => no_cell(&why_no_event(&link.link, joint, joints)),
            };
            let at = (link.fibre * joints.len() + joint) * wavelengths + link.wavelength;
            if let Some(place) = matrix.cells.get_mut(at) {
                *place = cell;
            }
        }
    }
    matrix
}

/// Why joints that share one event have no loss of their own.
const IN_GROUP: &str = "two joints are closer to each other than pulse and receiver can tell apart";

/// Whether an event is a group in which another joint of the cable lies, too. What
/// lies beside a joint in one fibre alone (a bend in its tray) counts as the joint's.
fn shares_group(link: &CableLink, joint: usize, event: &Event, joints: &[Joint]) -> bool {
    let own_m = link.link.length.as_ref().ok().map(|l| l.value.m());
    let usual_m = joints.last().map(|j| j.position.value.m());
    let (Some(end), Some(own_m), Some(usual_m)) = (event.end, own_m, usual_m) else {
        return false;
    };
    let reach_m = pulse_m(&link.link);
    joints.iter().enumerate().any(|(other, j)| {
        let place_m = j.position.value.m() * own_m / usual_m;
        other != joint
            && !link.joint_of_event.contains(&Some(other))
            && place_m > event.position.value.m() - reach_m
            && place_m < end.m() + reach_m
    })
}

fn cell_of(event: &Event, source: (usize, usize)) -> Cell {
    Cell {
        loss: event.loss.clone(),
        loss_a_to_b: event.loss_a_to_b.clone(),
        loss_b_to_a: event.loss_b_to_a.clone(),
        backscatter_step: event.backscatter_step.clone(),
        position: event
            .position_from_b
            .is_none()
            .then_some(event.position.value),
        seen: super::measure::shows(event),
        verdict: Verdict::NotJudged,
        limit: None,
        source: Some(source),
    }
}

fn no_cell(reason: &str) -> Cell {
    let why = || Err(NotMeasured::because(reason));
    Cell {
        loss: why(),
        loss_a_to_b: why(),
        loss_b_to_a: why(),
        backscatter_step: why(),
        position: None,
        seen: false,
        verdict: Verdict::NotJudged,
        limit: None,
        source: None,
    }
}

/// Why a link has no event at a joint.
fn why_no_event(link: &Link, joint: usize, joints: &[Joint]) -> String {
    if link.registration.is_none() {
        return "the fibre is broken: no light crosses it from both ends".to_owned();
    }
    let place_m = joints.get(joint).map_or(0.0, |j| j.position.value.m());
    let reach_m = pulse_m(link);
    let in_group = link.events.iter().any(|e| {
        e.kind == EventKind::Group
            && place_m > e.position.value.m() - 2.0 * reach_m
            && place_m < e.end.map_or(e.position.value.m(), Position::m) + 2.0 * reach_m
    });
    if in_group {
        IN_GROUP.to_owned()
    } else {
        "the traces do not reach this place from both ends, or another event hides it".to_owned()
    }
}

/// Mean, maximum and spread of every joint at every wavelength; the mean is judged where
/// the limits ask for that of a closure.
pub(super) fn statistics(
    joints: &mut [Joint],
    matrix: &Matrix,
    wavelengths: &[Wavelength],
    fibres: usize,
    judging: Judging<'_>,
) {
    for (index, joint) in joints.iter_mut().enumerate() {
        joint.statistics = wavelengths
            .iter()
            .enumerate()
            .map(|(w, &wavelength)| {
                let cells = || (0..fibres).filter_map(|f| matrix.cell(f, index, w));
                let limit =
                    judging.and_then(|(limits, k)| Some((limits.mean_per_closure.as_ref()?, k)));
                let mean_judged =
                    limit
                        .filter(|_| joint.kind == JointKind::Joint)
                        .map(|(limit, coverage)| {
                            let place = Place::Closure(joint.name.clone());
                            let losses = cells().map(|cell| &cell.loss);
                            judge_mean(What::ClosureMean, place, losses, limit, coverage)
                        });
                let losses: Vec<f64> = cells()
                    .filter_map(|cell| Some(cell.loss.as_ref().ok()?.value.db()))
                    .filter(|db| db.is_finite())
                    .collect();
                let n = losses.len() as f64;
                let mean = (!losses.is_empty()).then(|| losses.iter().sum::<f64>() / n);
                let square: f64 = losses
                    .iter()
                    .map(|x| (x - mean.unwrap_or(0.0)).powi(2))
                    .sum();
                JointStatistics {
                    wavelength,
                    measured: losses.len(),
                    mean: mean.map(Loss::from_db),
                    max: losses.iter().copied().reduce(f64::max).map(Loss::from_db),
                    std: (losses.len() > 1).then(|| Loss::from_db((square / (n - 1.0)).sqrt())),
                    mean_judged,
                    verdict: Verdict::NotJudged,
                }
            })
            .collect();
    }
}

/// The middle of some numbers; none of none.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    let n = values.len();
    let upper = quantile(&mut values, 0.5)?;
    if n % 2 == 1 {
        return Some(upper);
    }
    // What is not above it stands before it.
    let lower = values.into_iter().take(n / 2).max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// Standard deviation of the greater part of some numbers about a middle: 1.4826 times
/// the median absolute deviation; none of fewer than three.
pub(super) fn robust_spread(values: &[f64], middle: f64) -> Option<f64> {
    if values.len() < 3 {
        return None;
    }
    median(values.iter().map(|x| (x - middle).abs()).collect()).map(|mad| 1.4826 * mad)
}

/// A source as a name.
pub(super) fn source_name(source: &Source) -> String {
    match source.part {
        Some(part) => format!("{} (trace {part})", source.file),
        None => source.file.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: the middle one of an odd number, the mean of the middle two of an even one.
    #[test]
    fn a_median_is_in_the_middle_of_any_order() {
        for (values, wanted) in [
            (vec![3.0], Some(3.0)),
            (vec![5.0, 1.0], Some(3.0)),
            (vec![9.0, 1.0, 4.0], Some(4.0)),
            (vec![8.0, -2.0, 7.0, 1.0], Some(4.0)),
            (vec![6.0, 6.0, 0.0, 1.0, 9.0, 2.0], Some(4.0)),
            (Vec::new(), None),
        ] {
            assert_eq!(median(values.clone()), wanted, "{values:?}");
        }
    }
}
