//! Cables of many kinds for accuracy figures, drawn from a seed.

use serde::{Deserialize, Serialize};

use super::faults::Fault;
use super::plan::{CableInstrument, CablePlan, CableWavelength, Closure, Reel, Spread};
use crate::simulate::TracedFrom;
use crate::simulate::path::From;
use crate::simulate::random::{Component, Stream};
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance,
    Wavelength,
};

/// What [`random_cable`] draws from. Pairs are the least and greatest value of a
/// uniform draw; all values are invented.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RandomCableSettings {
    /// Number of fibres.
    pub fibres: (usize, usize),
    /// Fibres of one tube.
    pub fibres_per_tube: usize,
    /// Number of closures.
    pub closures: (usize, usize),
    /// Route between two closures, or a closure and an end, in metres.
    pub stretch_m: (f64, f64),
    /// Fibre coiled at a closure in metres.
    pub slack_m: (f64, f64),
    /// Metres of fibre in a metre of cable.
    pub helix_factor: (f64, f64),
    /// Standard deviation of a reel's mean mode-field diameter in micrometres.
    pub reel_mode_field_um: f64,
    /// Length of each cord in metres.
    pub cord_m: f64,
    /// The wavelengths.
    pub wavelengths: Vec<CableWavelength>,
    /// What varies from fibre to fibre.
    pub spread: Spread,
    /// The instrument.
    pub instrument: CableInstrument,
    /// Faults to plant.
    pub faults: FaultCounts,
}

/// How many faults of each kind are planted.
///
/// No two of them share a fibre, so a small cable holds only as many as it has
/// fibres for; which are left out is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FaultCounts {
    /// Splices of 0.20 to 0.60 dB.
    pub bad_joints: usize,
    /// Good splices with a step of 0.20 to 0.40 dB.
    pub looks_bad_one_way: usize,
    /// Bends, half of them beside a joint.
    pub bends: usize,
    /// Breaks.
    pub breaks: usize,
    /// Pairs of fibres whose files from B carry each other's name.
    pub crossed_labels: usize,
    /// Pairs of fibres spliced crosswise.
    pub crossed_in_closure: usize,
    /// Fibres whose files name the ends the wrong way round.
    pub swapped_ends: usize,
    /// Files that lie there twice.
    pub duplicate_files: usize,
    /// Files that are not there.
    pub missing_partners: usize,
    /// Splices of 0.11 to 0.13 dB.
    pub outliers: usize,
    /// Trays whose splices all lose 0.05 dB more.
    pub shifted_trays: usize,
    /// Fibres averaged a 400th of the time at a fifth of the pulse.
    pub poor_settings: usize,
}

impl Default for FaultCounts {
    fn default() -> Self {
        Self {
            bad_joints: 4,
            looks_bad_one_way: 2,
            bends: 2,
            breaks: 1,
            crossed_labels: 1,
            crossed_in_closure: 1,
            swapped_ends: 1,
            duplicate_files: 1,
            missing_partners: 1,
            outliers: 1,
            shifted_trays: 1,
            poor_settings: 1,
        }
    }
}

impl Default for RandomCableSettings {
    fn default() -> Self {
        let at = |nm: f64, db_per_km: f64, backscatter_db: f64, index: f64| CableWavelength {
            wavelength: Wavelength::from_nm(nm),
            attenuation: Attenuation::from_db_per_km(db_per_km),
            backscatter: BackscatterCoefficient::from_db(backscatter_db),
            group_index: GroupIndex::from_ratio(index),
        };
        Self {
            fibres: (12, 288),
            fibres_per_tube: 12,
            closures: (3, 8),
            stretch_m: (1200.0, 4000.0),
            slack_m: (10.0, 40.0),
            helix_factor: (1.004, 1.025),
            reel_mode_field_um: 0.05,
            cord_m: 1000.0,
            wavelengths: vec![
                at(1310.0, 0.335, -80.0, 1.4676),
                at(1550.0, 0.193, -82.0, 1.4682),
            ],
            spread: Spread::default(),
            instrument: CableInstrument {
                pulse_width: PulseWidth::from_ns(100.0),
                samples: 16_000,
                averaging_time_s: 60.0,
                dynamic_range_db: 22.0,
                time_constant_ns: 10.0,
                colour: 0.0,
                fading_contrast: 0.0,
                step_db: 0.001,
                measured: None,
                operator: None,
            },
            faults: FaultCounts::default(),
        }
    }
}

/// Draws a cable: its route, closures and reels, and faults in it.
///
/// The same seed and settings give the same plan; its own seed is the same one.
pub fn random_cable(seed: u64, settings: &RandomCableSettings) -> CablePlan {
    let mut stream = Stream::new(seed, From::A, Component::Cable);
    let fibres = stream.whole(settings.fibres.0, settings.fibres.1);
    let count = stream.whole(settings.closures.0, settings.closures.1);
    let mut at_m = 0.0;
    let mut closures = Vec::new();
    for number in 1..=count {
        at_m += stream
            .between(settings.stretch_m.0, settings.stretch_m.1)
            .round();
        closures.push(Closure {
            name: format!("closure {number}"),
            chainage: Length::from_m(at_m),
            slack: Length::from_m(
                stream
                    .between(settings.slack_m.0, settings.slack_m.1)
                    .round(),
            ),
        });
    }
    let route_m = at_m
        + stream
            .between(settings.stretch_m.0, settings.stretch_m.1)
            .round();
    let reels = (0..=count)
        .map(|_| Reel {
            mode_field_change_um: settings.reel_mode_field_um * stream.normal(),
            attenuation_change_db_per_km: 0.003 * stream.normal(),
        })
        .collect();
    let mut plan = CablePlan {
        cable: format!("R-{seed}"),
        from: "end A".to_owned(),
        to: "end B".to_owned(),
        seed,
        fibres,
        fibres_per_tube: settings.fibres_per_tube,
        tubes: Vec::new(),
        colours: Vec::new(),
        route: Length::from_m(route_m),
        helix_factor: stream.between(settings.helix_factor.0, settings.helix_factor.1),
        excess_fibre: (0.001, 0.003),
        cords: (
            Length::from_m(settings.cord_m),
            Length::from_m(settings.cord_m),
        ),
        closures,
        reels,
        wavelengths: settings.wavelengths.clone(),
        spread: settings.spread,
        instrument: settings.instrument.clone(),
        splicing: None,
        faults: Vec::new(),
    };
    plan.faults = faults(&plan, &settings.faults, &mut stream);
    plan
}

/// A kind of fault to draw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    BadJoint,
    OneWay,
    Bend,
    Break,
    CrossedLabels,
    CrossedInClosure,
    SwappedEnds,
    Duplicate,
    Missing,
    Outlier,
    ShiftedTray,
    PoorSettings,
}

fn faults(plan: &CablePlan, counts: &FaultCounts, stream: &mut Stream) -> Vec<Fault> {
    let rows = [
        (Kind::BadJoint, counts.bad_joints),
        (Kind::OneWay, counts.looks_bad_one_way),
        (Kind::Bend, counts.bends),
        (Kind::Break, counts.breaks),
        (Kind::CrossedLabels, counts.crossed_labels),
        (Kind::CrossedInClosure, counts.crossed_in_closure),
        (Kind::SwappedEnds, counts.swapped_ends),
        (Kind::Duplicate, counts.duplicate_files),
        (Kind::Missing, counts.missing_partners),
        (Kind::Outlier, counts.outliers),
        (Kind::ShiftedTray, counts.shifted_trays),
        (Kind::PoorSettings, counts.poor_settings),
    ];
    let mut kinds: Vec<Kind> = (rows.iter())
        .flat_map(|&(kind, count)| std::iter::repeat_n(kind, count))
        .collect();
    shuffle(&mut kinds, stream);
    let mut free: Vec<usize> = (1..=plan.fibres).collect();
    shuffle(&mut free, stream);
    kinds
        .into_iter()
        .filter_map(|kind| fault(plan, kind, &mut free, stream))
        .collect()
}

/// Fisher's and Yates' shuffle.
fn shuffle<T>(items: &mut [T], stream: &mut Stream) {
    for last in (1..items.len()).rev() {
        items.swap(last, stream.whole(0, last));
    }
}

/// One fault on fibres that are still free; none where too few are.
fn fault(
    plan: &CablePlan,
    kind: Kind,
    free: &mut Vec<usize>,
    stream: &mut Stream,
) -> Option<Fault> {
    if kind == Kind::ShiftedTray {
        return Some(Fault::ShiftedTray {
            tube: stream.whole(1, plan.tube_of(plan.fibres) + 1),
            closure: closure(plan, stream)?,
            loss: Loss::from_db(0.05),
        });
    }
    let fibre = free.pop()?;
    let db = |stream: &mut Stream, low: f64, high: f64| {
        Loss::from_db((1000.0 * stream.between(low, high)).round() / 1000.0)
    };
    Some(match kind {
        Kind::BadJoint => Fault::BadJoint {
            fibre,
            closure: closure(plan, stream)?,
            loss: db(stream, 0.2, 0.6),
        },
        Kind::OneWay => Fault::LooksBadOneWay {
            fibre,
            closure: closure(plan, stream)?,
            step: {
                let step = db(stream, 0.2, 0.4);
                if stream.uniform() < 0.5 { step } else { -step }
            },
        },
        Kind::Bend => {
            let in_tray = stream.uniform() < 0.5;
            let first = db(stream, 0.04, 0.15);
            let factor = stream.between(2.0, 4.0);
            // Curvature loss grows with the wavelength: by a factor over the plan's span.
            let loss = (plan.wavelengths.iter())
                .map(|it| {
                    let share = share_of_span(plan, it.wavelength.nm());
                    Loss::from_db(first.db() * f64::powf(factor, share))
                })
                .collect();
            Fault::Bend {
                fibre,
                chainage: if in_tray {
                    None
                } else {
                    Some(chainage(plan, stream))
                },
                closure: if in_tray {
                    Some(closure(plan, stream)?)
                } else {
                    None
                },
                loss,
            }
        }
        Kind::Break => Fault::Break {
            fibre,
            chainage: chainage(plan, stream),
            reflectance: (stream.uniform() < 0.5)
                .then(|| Reflectance::from_db(-stream.between(15.0, 50.0).round())),
        },
        Kind::CrossedLabels => Fault::CrossedFibres {
            fibres: vec![fibre, free.pop()?],
            closure: None,
        },
        Kind::CrossedInClosure => Fault::CrossedFibres {
            fibres: vec![fibre, free.pop()?],
            closure: Some(closure(plan, stream)?),
        },
        Kind::SwappedEnds => Fault::SwappedEnds {
            fibre,
            wavelength: None,
        },
        Kind::Duplicate => Fault::DuplicateFile {
            fibre,
            from: end(stream),
            wavelength: wavelength(plan, stream)?,
        },
        Kind::Missing => Fault::MissingPartner {
            fibre,
            from: end(stream),
            wavelength: wavelength(plan, stream)?,
        },
        Kind::Outlier => Fault::Outlier {
            fibre,
            closure: closure(plan, stream)?,
            loss: db(stream, 0.11, 0.13),
        },
        Kind::ShiftedTray => return None,
        Kind::PoorSettings => Fault::PoorSettings {
            fibre,
            pulse_width: Some(PulseWidth::from_ns(plan.instrument.pulse_width.ns() / 5.0)),
            averaging_time_s: Some(plan.instrument.averaging_time_s / 400.0),
        },
    })
}

/// Where a wavelength lies between the shortest (0) and the longest (1).
fn share_of_span(plan: &CablePlan, nm: f64) -> f64 {
    let all = || plan.wavelengths.iter().map(|it| it.wavelength.nm());
    let (shortest, longest) = (all().fold(nm, f64::min), all().fold(nm, f64::max));
    if longest > shortest {
        (nm - shortest) / (longest - shortest)
    } else {
        0.0
    }
}

fn closure(plan: &CablePlan, stream: &mut Stream) -> Option<String> {
    let last = plan.closures.len().checked_sub(1)?;
    Some(plan.closures[stream.whole(0, last)].name.clone())
}

/// A place between two stops, away from both by a tenth of the way.
fn chainage(plan: &CablePlan, stream: &mut Stream) -> Length {
    let stops_m = plan.stops_m();
    let section = stream.whole(0, stops_m.len() - 2);
    let (from_m, to_m) = (stops_m[section], stops_m[section + 1]);
    Length::from_m((from_m + (to_m - from_m) * stream.between(0.1, 0.9)).round())
}

fn end(stream: &mut Stream) -> TracedFrom {
    if stream.uniform() < 0.5 {
        TracedFrom::A
    } else {
        TracedFrom::B
    }
}

fn wavelength(plan: &CablePlan, stream: &mut Stream) -> Option<Wavelength> {
    let last = plan.wavelengths.len().checked_sub(1)?;
    Some(plan.wavelengths[stream.whole(0, last)].wavelength)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn drawn_cables_can_be_built_and_no_two_faults_share_a_fibre() {
        let settings = RandomCableSettings::default();
        let mut kinds = BTreeSet::new();
        for seed in 0..200 {
            let plan = random_cable(seed, &settings);
            plan.check().unwrap();
            let mut fibres: Vec<usize> = plan.faults.iter().flat_map(Fault::fibres).collect();
            fibres.sort_unstable();
            let count = fibres.len();
            fibres.dedup();
            assert_eq!(fibres.len(), count, "seed {seed}");
            kinds.extend(plan.faults.iter().map(Fault::kind));
        }
        assert_eq!(kinds.len(), 11);
    }

    #[test]
    fn the_same_seed_draws_the_same_cable() {
        let settings = RandomCableSettings::default();
        assert_eq!(random_cable(8, &settings), random_cable(8, &settings));
        assert_ne!(random_cable(8, &settings), random_cable(9, &settings));
    }

    #[test]
    fn a_drawn_plan_reads_back_as_written() {
        let plan = random_cable(3, &RandomCableSettings::default());
        let text = toml::to_string(&plan).unwrap();
        assert_eq!(CablePlan::from_toml(&text).unwrap(), plan);
    }
}
