//! From the paths of a cable to one plan of a link for each fibre and wavelength.

use super::check::same_nm;
use super::faults::Fault;
use super::layout::{Connector, FibrePath, Piece};
use super::plan::{CablePlan, CableWavelength};
use crate::simulate::{
    Bend, Break, Display, Fading, FadingDistribution, Fibre, Instrument, Joint, LinkEnd, Noise,
    Plan, Receiver,
};
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Position, Reflectance,
};

/// Fibre between a joint and a bend beside it in the tray, metres.
const BEND_BEHIND_JOINT_M: f64 = 1.0;

/// Plan of one path at one of the plan's wavelengths.
pub(super) fn link(
    plan: &CablePlan,
    path: &FibrePath,
    wavelength_idx: usize,
    grid: (Length, Length),
) -> Plan {
    let it = &plan.wavelengths[wavelength_idx];
    let fibres: Vec<Fibre> = (path.pieces.iter())
        .map(|piece| glass(it, wavelength_idx, piece))
        .collect();
    let joints = (plan.closures.iter().zip(&path.joints_db))
        .map(|(closure, &db)| Joint {
            name: closure.name.clone(),
            loss: Loss::from_db(db),
            reflectance: None,
        })
        .collect();
    let (bends, broken) = cuts(plan, path, wavelength_idx);
    Plan {
        cable: plan.cable.clone(),
        fibre: CablePlan::fibre_name(path.at_a),
        from: plan.from.clone(),
        to: plan.to.clone(),
        end_a: end(it, path.connector_a, plan.cords.0),
        end_b: end(it, path.connector_b, plan.cords.1),
        joints,
        bends,
        broken,
        ..Plan::new(it.wavelength, fibres, instrument(plan, path.at_a, it, grid))
    }
}

/// Coefficient of captured light: a wider mode field captures less, as 1/w².
fn glass(it: &CableWavelength, wavelength_idx: usize, piece: &Piece) -> Fibre {
    let own_db = piece
        .backscatter_db
        .get(wavelength_idx)
        .copied()
        .unwrap_or(0.0);
    let backscatter_db = it.backscatter.db() - 20.0 * piece.mode_field.log10() + own_db;
    Fibre::new(
        Length::from_m(piece.length_m()),
        Attenuation::from_db_per_km(
            (it.attenuation.db_per_km() + piece.attenuation_db_per_km).max(0.0),
        ),
        BackscatterCoefficient::from_db(backscatter_db),
        GroupIndex::from_ratio(it.group_index.ratio() + piece.group_index),
    )
}

/// The same cord stays at its end for all fibres and both directions.
fn end(it: &CableWavelength, connector: Connector, cord: Length) -> LinkEnd {
    LinkEnd {
        name: String::new(),
        loss: Loss::from_db(connector.loss_db),
        reflectance: Some(Reflectance::from_db(connector.reflectance_db)),
        cord: Some(Fibre::new(
            cord,
            it.attenuation,
            it.backscatter,
            it.group_index,
        )),
        // An open angled face, or one in matching gel.
        open_reflectance: Some(Reflectance::from_db(-55.0)),
    }
}

fn cuts(plan: &CablePlan, path: &FibrePath, wavelength_idx: usize) -> (Vec<Bend>, Option<Break>) {
    let stops_m = plan.stops_m();
    let mut bends = Vec::new();
    let mut broken = None;
    for fault in &plan.faults {
        match fault {
            Fault::Bend {
                fibre,
                chainage,
                closure,
                loss,
            } if *fibre == path.at_a => {
                let in_tray_m = closure
                    .as_deref()
                    .and_then(|name| plan.closure_idx(name))
                    .map(|idx| path.joint_m(idx) + BEND_BEHIND_JOINT_M);
                let at_m = chainage
                    .map(|at| path.at_chainage_m(&stops_m, at.m()))
                    .or(in_tray_m);
                if let (Some(at_m), Some(&loss)) = (at_m, loss.get(wavelength_idx)) {
                    bends.push(Bend {
                        name: "bend".to_owned(),
                        at: Position::from_m(at_m),
                        loss,
                    });
                }
            }
            Fault::Break {
                fibre,
                chainage,
                reflectance,
            } if *fibre == path.at_a => {
                broken = Some(Break {
                    at: Position::from_m(path.at_chainage_m(&stops_m, chainage.m())),
                    reflectance: *reflectance,
                });
            }
            _ => {}
        }
    }
    (bends, broken)
}

fn instrument(
    plan: &CablePlan,
    fibre: usize,
    it: &CableWavelength,
    (spacing, range): (Length, Length),
) -> Instrument {
    let all = &plan.instrument;
    let (mut pulse_width, mut averaging_time_s) = (all.pulse_width, all.averaging_time_s);
    for fault in &plan.faults {
        if let Fault::PoorSettings {
            fibre: poor,
            pulse_width: pulse,
            averaging_time_s: averaging_s,
        } = fault
            && *poor == fibre
        {
            pulse_width = pulse.unwrap_or(pulse_width);
            averaging_time_s = averaging_s.unwrap_or(averaging_time_s);
        }
    }
    Instrument {
        range: Some(range),
        averaging_time_s,
        stated_backscatter: Some(it.backscatter),
        port_loss: Loss::from_db(0.3),
        port_reflectance: Some(Reflectance::from_db(-50.0)),
        receiver: Receiver {
            time_constant_ns: all.time_constant_ns,
            ..Receiver::default()
        },
        noise: Noise {
            dynamic_range_db: Some(all.dynamic_range_db),
            dynamic_range_pulse: Some(all.pulse_width),
            reference_averaging_s: Some(all.averaging_time_s),
            colour: all.colour,
            ..Noise::default()
        },
        fading: (all.fading_contrast > 0.0).then_some(Fading {
            contrast: all.fading_contrast,
            distribution: FadingDistribution::Gamma,
        }),
        display: Display {
            step_db: Some(all.step_db),
            ..Display::default()
        },
        measured: all.measured.clone(),
        operator: all.operator.clone(),
        ..Instrument::ideal(pulse_width, spacing, it.group_index)
    }
}

/// Spacing and displayed range of all traces: a tenth beyond the longest glass, in
/// about as many samples as the plan asks for, on whole centimetres.
pub(super) fn grid(plan: &CablePlan, longest: Length) -> (Length, Length) {
    let range_m = 1.1 * longest.m();
    let spacing_m = (100.0 * range_m / plan.instrument.samples as f64).ceil() / 100.0;
    (Length::from_m(spacing_m), Length::from_m(range_m))
}

/// Index of a wavelength of the plan.
pub(super) fn wavelength_idx(plan: &CablePlan, nm: f64) -> Option<usize> {
    plan.wavelengths
        .iter()
        .position(|it| same_nm(it.wavelength.nm(), nm))
}
