//! The glass of a cable, drawn from a plan and a seed, and the path of each fibre.

use std::collections::BTreeMap;

use super::faults::Fault;
use super::plan::{CablePlan, Closure};
use crate::simulate::path::From;
use crate::simulate::random::{Component, Stream};
use crate::units::Length;

/// One fibre of one reel.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Piece {
    /// Fibre on the route itself, metres.
    pub(super) span_m: f64,
    /// Fibre coiled before it (nearer to A), metres.
    pub(super) slack_before_m: f64,
    /// Fibre coiled behind it, metres.
    pub(super) slack_after_m: f64,
    /// Mode-field diameter over the cable's mean.
    pub(super) mode_field: f64,
    /// Attenuation less the wavelength's mean, dB/km.
    pub(super) attenuation_db_per_km: f64,
    /// Group index less the wavelength's mean.
    pub(super) group_index: f64,
    /// Backscatter coefficient less what mean and mode field give, for each wavelength.
    pub(super) backscatter_db: Vec<f64>,
}

impl Piece {
    /// Length of the glass.
    pub(super) fn length_m(&self) -> f64 {
        self.slack_before_m + self.span_m + self.slack_after_m
    }
}

/// One connector of the cable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Connector {
    pub(super) loss_db: f64,
    pub(super) reflectance_db: f64,
}

/// What light passes from one port at A to one port at B.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FibrePath {
    /// Port at A, counted from 1; also the name of the path.
    pub(super) at_a: usize,
    /// Port at B.
    pub(super) at_b: usize,
    pub(super) pieces: Vec<Piece>,
    /// True loss of the joint in each closure, dB.
    pub(super) joints_db: Vec<f64>,
    /// The same without what trays and machines add.
    pub(super) joints_alone_db: Vec<f64>,
    pub(super) connector_a: Connector,
    pub(super) connector_b: Connector,
}

impl FibrePath {
    /// Metres of glass from A's connector to the joint of a closure.
    pub(super) fn joint_m(&self, closure_idx: usize) -> f64 {
        self.pieces
            .iter()
            .take(closure_idx + 1)
            .map(Piece::length_m)
            .sum()
    }

    /// Metres of glass from A's connector to a chainage.
    pub(super) fn at_chainage_m(&self, stops_m: &[f64], chainage_m: f64) -> f64 {
        let mut before_m = 0.0;
        for (piece, stops) in self.pieces.iter().zip(stops_m.windows(2)) {
            if chainage_m <= stops[1] {
                let share = (chainage_m - stops[0]) / (stops[1] - stops[0]);
                return before_m + piece.slack_before_m + share * piece.span_m;
            }
            before_m += piece.length_m();
        }
        before_m
    }
}

/// What a random number of the cable is for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    Reel,
    Fibre,
    Piece,
    Splice,
    ConnectorA,
    ConnectorB,
    Estimate,
}

pub(super) fn stream(seed: u64, purpose: Purpose, section: usize, fibre: usize) -> Stream {
    let part = ((purpose as u64 + 1) << 56) | ((section as u64) << 32) | fibre as u64;
    Stream::of_part(seed, From::A, Component::Cable, part)
}

/// Draws the glass and joins it: one path for each fibre, ordered by port at A.
///
/// A stretch, a fibre, a splice each have random numbers of their own, so that a
/// fault planted in one leaves all others as they were.
pub(super) fn paths(plan: &CablePlan, seed: u64) -> Vec<FibrePath> {
    let sections = plan.closures.len() + 1;
    let ports = ports(plan);
    let machines = super::splicing::added_db(plan);
    (1..=plan.fibres)
        .map(|at_a| {
            let glass_of = |section: usize| ports[section][at_a - 1];
            let mut pieces: Vec<Piece> = (0..sections)
                .map(|section| piece(plan, seed, section, glass_of(section)))
                .collect();
            bend_to_other_glass(plan, at_a, &mut pieces);
            let joints_alone_db = joints_db(plan, seed, at_a, &pieces);
            let joints_db = planted_db(plan, at_a, &joints_alone_db, &machines);
            let at_b = glass_of(sections - 1);
            FibrePath {
                at_a,
                at_b,
                pieces,
                joints_alone_db,
                joints_db,
                connector_a: connector(plan, seed, Purpose::ConnectorA, at_a),
                connector_b: connector(plan, seed, Purpose::ConnectorB, at_b),
            }
        })
        .collect()
}

/// Which fibre of each stretch the path from each port at A runs through.
fn ports(plan: &CablePlan) -> Vec<Vec<usize>> {
    let mut now: Vec<usize> = (1..=plan.fibres).collect();
    let mut all = vec![now.clone()];
    for closure in &plan.closures {
        for fault in &plan.faults {
            let Fault::CrossedFibres {
                fibres,
                closure: Some(name),
            } = fault
            else {
                continue;
            };
            if *name == closure.name {
                let before: Vec<usize> = fibres.iter().map(|fibre| now[fibre - 1]).collect();
                for (idx, fibre) in fibres.iter().enumerate() {
                    now[fibre - 1] = before[(idx + 1) % before.len()];
                }
            }
        }
        all.push(now.clone());
    }
    all
}

fn piece(plan: &CablePlan, seed: u64, section: usize, fibre: usize) -> Piece {
    let spread = &plan.spread;
    let stops_m = plan.stops_m();
    let reel = plan.reels.get(section).copied().unwrap_or_default();
    let mut of_fibre = stream(seed, Purpose::Fibre, 0, fibre);
    let mut own = stream(seed, Purpose::Piece, section, fibre);
    // Reels of one order differ a little in index, which all their fibres share.
    let of_reel = stream(seed, Purpose::Reel, section, 0).normal();
    let excess = of_fibre.between(plan.excess_fibre.0, plan.excess_fibre.1);
    let route_m = stops_m[section + 1] - stops_m[section];
    let trim_m = spread.trim_m * own.normal();
    let slack_m = |closure: Option<&Closure>| closure.map_or(0.0, |it| 0.5 * it.slack.m());
    let before = section
        .checked_sub(1)
        .and_then(|idx| plan.closures.get(idx));
    let mode_field_um =
        spread.mode_field_mean_um + reel.mode_field_change_um + spread.mode_field_um * own.normal();
    Piece {
        span_m: (route_m * plan.helix_factor * (1.0 + excess) + trim_m).max(0.5),
        slack_before_m: slack_m(before),
        slack_after_m: slack_m(plan.closures.get(section)),
        mode_field: (mode_field_um / spread.mode_field_mean_um).max(0.5),
        attenuation_db_per_km: reel.attenuation_change_db_per_km
            + spread.attenuation_db_per_km * own.normal(),
        group_index: spread.group_index * 0.5f64.sqrt() * (of_reel + own.normal()),
        backscatter_db: (plan.wavelengths.iter())
            .map(|_| spread.backscatter_db * own.normal())
            .collect(),
    }
}

/// Makes the fibre behind a joint that only looks bad another kind of glass, from
/// there to B, so that its two readings differ by twice the step asked for.
fn bend_to_other_glass(plan: &CablePlan, at_a: usize, pieces: &mut [Piece]) {
    for fault in &plan.faults {
        let Fault::LooksBadOneWay {
            fibre,
            closure,
            step,
        } = fault
        else {
            continue;
        };
        let Some(idx) = plan.closure_idx(closure).filter(|_| *fibre == at_a) else {
            continue;
        };
        // A reads T + h with h = 10·log10 of the mode fields' ratio, behind over before.
        let wanted = 10f64.powf(step.db() / 10.0);
        let factor = wanted * pieces[idx].mode_field / pieces[idx + 1].mode_field;
        for piece in pieces.iter_mut().skip(idx + 1) {
            piece.mode_field *= factor;
        }
    }
}

/// Losses of a path's joints by workmanship, by what the mode fields force, and of
/// single splices that are planted.
fn joints_db(plan: &CablePlan, seed: u64, at_a: usize, pieces: &[Piece]) -> Vec<f64> {
    let spread = &plan.spread;
    (plan.closures.iter().zip(pieces.windows(2)).enumerate())
        .map(|(idx, (closure, around))| {
            let mut own = stream(seed, Purpose::Splice, idx, at_a);
            let drawn_db = spread.splice_median_db * (spread.splice_log_sd * own.normal()).exp();
            let mut loss_db = drawn_db.min(spread.splice_most_db)
                + mismatch_db(around[0].mode_field, around[1].mode_field);
            for fault in &plan.faults {
                if let Fault::BadJoint {
                    fibre,
                    closure: at,
                    loss,
                }
                | Fault::Outlier {
                    fibre,
                    closure: at,
                    loss,
                } = fault
                    && *fibre == at_a
                    && *at == closure.name
                {
                    loss_db = loss.db();
                }
            }
            loss_db
        })
        .collect()
}

/// True losses of a path's joints, with what its tray and the machine add.
fn planted_db(
    plan: &CablePlan,
    at_a: usize,
    alone_db: &[f64],
    machines: &BTreeMap<(usize, usize), f64>,
) -> Vec<f64> {
    (plan.closures.iter().zip(alone_db).enumerate())
        .map(|(idx, (closure, alone_db))| {
            let tray_db: f64 = (plan.faults.iter())
                .filter_map(|fault| match fault {
                    Fault::ShiftedTray {
                        tube,
                        closure: at,
                        loss,
                    } => (plan.tube_of(at_a) + 1 == *tube && *at == closure.name)
                        .then_some(loss.db()),
                    _ => None,
                })
                .sum();
            alone_db + tray_db + machines.get(&(idx, at_a)).copied().unwrap_or(0.0)
        })
        .collect()
}

/// Loss between two Gaussian fields that differ in width alone,
/// −20·log10(2·w₁·w₂/(w₁² + w₂²)).
///
/// # Source
/// D. Marcuse, Bell System Technical Journal 56 (1977) 703 (from memory).
fn mismatch_db(before: f64, behind: f64) -> f64 {
    -20.0 * (2.0 * before * behind / (before * before + behind * behind)).log10()
}

fn connector(plan: &CablePlan, seed: u64, purpose: Purpose, port: usize) -> Connector {
    let spread = &plan.spread;
    let mut own = stream(seed, purpose, 0, port);
    Connector {
        loss_db: own.between(spread.connector_loss_db.0, spread.connector_loss_db.1),
        reflectance_db: own.between(
            spread.connector_reflectance_db.0,
            spread.connector_reflectance_db.1,
        ),
    }
}

/// Longest glass of all paths, cords included.
pub(super) fn longest(plan: &CablePlan, paths: &[FibrePath]) -> Length {
    let glass_m = |path: &FibrePath| path.pieces.iter().map(Piece::length_m).sum::<f64>();
    let link_m = paths.iter().map(glass_m).fold(0.0, f64::max);
    Length::from_m(link_m + plan.cords.0.m() + plan.cords.1.m())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mode_fields_of_published_examples_force_the_loss_of_the_closed_form() {
        // −20·log10(2·9.2·8.6/(9.2² + 8.6²)) = 0.0197 dB and 10.5 to 8.0 µm: 0.3173 dB,
        // worked by hand; four digits given.
        approx::assert_abs_diff_eq!(mismatch_db(9.2, 8.6), 0.0197, epsilon = 5e-5);
        approx::assert_abs_diff_eq!(mismatch_db(10.5, 8.0), 0.3173, epsilon = 5e-5);
    }
}
