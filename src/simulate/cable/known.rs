//! What is known of a cable before it is measured, as a file for `bothends cable`.

use serde::Serialize;

use super::plan::CablePlan;
use crate::simulate::SimulateError;

#[derive(Debug, Serialize)]
struct Known<'p> {
    cable: &'p str,
    ends: [&'p str; 2],
    fibres: usize,
    fibres_per_tube: usize,
    tubes: &'p [String],
    colours: &'p [String],
    chainage_a_m: f64,
    chainage_b_m: f64,
    wavelengths_nm: Vec<f64>,
    traces: &'static str,
    cords: Cords,
    closures: Vec<KnownClosure<'p>>,
    splice_log: Option<KnownLog<'p>>,
}

#[derive(Debug, Serialize)]
struct KnownLog<'p> {
    file: &'p str,
}

#[derive(Debug, Serialize)]
struct Cords {
    a_m: f64,
    b_m: f64,
}

#[derive(Debug, Serialize)]
struct KnownClosure<'p> {
    name: &'p str,
    chainage_m: f64,
}

/// The plan as TOML. Helix factor, slack and lengths are left out: they are what
/// the measurement has to find.
pub(super) fn text(plan: &CablePlan, splice_log: Option<&str>) -> Result<String, SimulateError> {
    let known = Known {
        cable: &plan.cable,
        ends: [&plan.from, &plan.to],
        fibres: plan.fibres,
        fibres_per_tube: plan.fibres_per_tube,
        tubes: &plan.tubes,
        colours: &plan.colours,
        chainage_a_m: 0.0,
        chainage_b_m: plan.route.m(),
        wavelengths_nm: (plan.wavelengths.iter())
            .map(|it| it.wavelength.nm())
            .collect(),
        traces: "traces",
        cords: Cords {
            a_m: plan.cords.0.m(),
            b_m: plan.cords.1.m(),
        },
        closures: (plan.closures.iter())
            .map(|closure| KnownClosure {
                name: &closure.name,
                chainage_m: closure.chainage.m(),
            })
            .collect(),
        splice_log: splice_log.map(|file| KnownLog { file }),
    };
    toml::to_string(&known).map_err(|error| SimulateError::Truth {
        reason: error.to_string(),
    })
}
