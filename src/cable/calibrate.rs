//! Metres of fibre against chainage: helix factor and coils from known closures.
//!
//! The fibre of a cable is longer than the cable (it winds round the core) and lies
//! coiled in every closure, half of the coil before the joint and half behind it:
//! fibre to the joint of closure k = helix · chainage + coil · (k + ½), k from 0.

use crate::units::{Length, Measured};

use super::cluster::assign;
use super::place::between;
use super::plan::CablePlan;
use super::result::{Calibrated, Calibration};

/// What is known of a helix factor before anything is measured: a few per mille to two
/// per cent (from memory); three closures outweigh it.
const USUAL_HELIX: (f64, f64) = (1.008, 0.01);
/// The same of the fibre coiled in a closure, metres (common practice, no source).
const USUAL_COIL_M: (f64, f64) = (15.0, 20.0);
/// Standard error of a chainage in a plan, as a share of the distance of closures.
const CHAINAGE_DOUBT: f64 = 2e-3;

/// The fit of a plan's closures to the joints.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fit {
    pub(super) calibration: Calibration,
    /// For each joint, the closure of the plan that it is.
    pub(super) closure_of: Vec<Option<usize>>,
    /// Fibre to each closure as calibrated; none without a chainage.
    pub(super) expected_m: Vec<Option<f64>>,
    /// Fibre against chainage at A, on both sides of every closure, and at B.
    line: Vec<(f64, f64)>,
}

impl Fit {
    /// Chainage of a place on the cable's axis.
    pub(super) fn chainage_m(&self, u_m: f64) -> f64 {
        between(&self.line, u_m)
    }
}

/// Fits a plan's closures to joints at places on the cable's axis, of fibres of a usual
/// length; none where the plan gives no chainage.
pub(super) fn fit(plan: &CablePlan, length_m: f64, joints: &[(f64, f64)]) -> Option<Fit> {
    let start_m = plan.chainage_m[0].unwrap_or(0.0);
    let known: Vec<(usize, f64)> = plan
        .closures
        .iter()
        .enumerate()
        .filter_map(|(k, closure)| Some((k, closure.chainage_m? - start_m)))
        .filter(|(_, c)| *c > 0.0)
        .collect();
    let last_m = known.last()?.1;
    let doubt_m = CHAINAGE_DOUBT * last_m / known.len() as f64;
    let route_m = plan.chainage_m[1].map(|end| end - start_m);
    let place =
        |(helix, coil): (f64, f64), (k, c): (usize, f64)| helix * c + coil * (k as f64 + 0.5);
    let matched = |parameters: (f64, f64)| -> Vec<Option<usize>> {
        let wanted: Vec<(f64, f64)> = known
            .iter()
            .map(|&c| (place(parameters, c), doubt_m))
            .collect();
        assign(joints, &wanted)
    };
    let quality = |parameters: (f64, f64)| -> (usize, f64) {
        let found = matched(parameters);
        let mut square = 0.0;
        for (joint, closure) in joints.iter().zip(&found) {
            if let Some(closure) = closure {
                square += (joint.0 - place(parameters, known[*closure])).powi(2);
            }
        }
        (found.iter().flatten().count(), square)
    };
    let mut best = (USUAL_HELIX.0, USUAL_COIL_M.0);
    let mut best_quality = (0, f64::INFINITY);
    for step in 0..=60 {
        let helix = plan.helix_factor.unwrap_or(1.0 + 0.0005 * f64::from(step));
        for coil in 0..=20 {
            let parameters = (helix, 3.0 * f64::from(coil));
            let quality = quality(parameters);
            if quality.0 > best_quality.0
                || (quality.0 == best_quality.0 && quality.1 < best_quality.1)
            {
                (best, best_quality) = (parameters, quality);
            }
        }
        if plan.helix_factor.is_some() {
            break;
        }
    }
    let ends = route_m.map(|route| (known.len(), route));
    let mut errors = (USUAL_HELIX.1, USUAL_COIL_M.1);
    for _ in 0..3 {
        let found = matched(best);
        let mut rows: Vec<(f64, f64, f64)> = joints
            .iter()
            .zip(&found)
            .filter_map(|(joint, closure)| {
                let (k, c) = known[(*closure)?];
                Some((c, k as f64 + 0.5, joint.0))
            })
            .collect();
        if let Some((count, route)) = ends {
            rows.push((route, count as f64, length_m));
        }
        (best, errors) = least_squares(&rows, plan.helix_factor, doubt_m);
    }
    let found = matched(best);
    let mut closure_of = vec![None; joints.len()];
    let mut closures = Vec::new();
    let mut line = vec![(0.0, start_m)];
    for (j, closure) in found.iter().enumerate() {
        let Some(closure) = closure else { continue };
        let (k, c) = known[*closure];
        closure_of[j] = Some(k);
        line.push((joints[j].0 - 0.5 * best.1, start_m + c));
        line.push((joints[j].0 + 0.5 * best.1, start_m + c));
        closures.push(Calibrated {
            name: plan.closures[k].name.clone(),
            joint: j,
            chainage: Length::from_m(start_m + c),
            residual: Length::from_m(joints[j].0 - place(best, (k, c))),
        });
    }
    let behind = (length_m - best.1 * plan.closures.len() as f64) / best.0;
    line.push((length_m, start_m + route_m.unwrap_or(behind)));
    line.sort_by(|p, q| p.0.total_cmp(&q.0));
    let unmatched = plan
        .closures
        .iter()
        .enumerate()
        .filter(|(k, _)| !closure_of.contains(&Some(*k)))
        .map(|(_, closure)| closure.name.clone())
        .collect();
    let expected_m = plan
        .closures
        .iter()
        .enumerate()
        .map(|(k, closure)| Some(place(best, (k, closure.chainage_m? - start_m))))
        .collect();
    Some(Fit {
        calibration: Calibration {
            helix_factor: Measured {
                value: best.0,
                std_error: plan.helix_factor.is_none().then_some(errors.0),
            },
            helix_is_given: plan.helix_factor.is_some(),
            slack: Measured {
                value: Length::from_m(best.1),
                std_error: Some(Length::from_m(errors.1)),
            },
            closures,
            unmatched,
        },
        closure_of,
        expected_m,
        line,
    })
}

/// Helix factor and coil by least squares over rows of chainage, closures passed and
/// fibre, with what is usual as two more observations; and their standard errors.
fn least_squares(
    rows: &[(f64, f64, f64)],
    given_helix: Option<f64>,
    doubt_m: f64,
) -> ((f64, f64), (f64, f64)) {
    let w = doubt_m.powi(-2);
    let (helix, helix_doubt) = given_helix.map_or(USUAL_HELIX, |given| (given, 1e-9));
    let (p, q) = (helix_doubt.powi(-2), USUAL_COIL_M.1.powi(-2));
    let (mut cc, mut ck, mut kk) = (p, 0.0, q);
    let (mut cz, mut kz) = (p * helix, q * USUAL_COIL_M.0);
    for &(c, k, z) in rows {
        cc += w * c * c;
        ck += w * c * k;
        kk += w * k * k;
        cz += w * c * z;
        kz += w * k * z;
    }
    let determinant = cc * kk - ck * ck;
    let best = (
        (cz * kk - kz * ck) / determinant,
        (kz * cc - cz * ck) / determinant,
    );
    (best, ((kk / determinant).sqrt(), (cc / determinant).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cable::plan::PlannedClosure;

    /// Closed form: fibre = 1.004·chainage + 24·(k + ½), one closure's joint missing, one
    /// joint that is no closure. Residuals then are 0 but for what the weak prior pulls.
    #[test]
    fn helix_and_coil_come_back() {
        let chainages = [2000.0, 5500.0, 8000.0, 12_500.0, 15_000.0];
        let plan = CablePlan {
            closures: chainages
                .iter()
                .enumerate()
                .map(|(k, &c)| PlannedClosure {
                    name: format!("closure {}", k + 1),
                    chainage_m: Some(c),
                })
                .collect(),
            chainage_m: [None, Some(18_000.0)],
            ..CablePlan::default()
        };
        let place = |k: usize| 1.004 * chainages[k] + 24.0 * (k as f64 + 0.5);
        let joints: Vec<(f64, f64)> = [place(0), place(1), 7000.0, place(3), place(4)]
            .iter()
            .map(|&u| (u, 1.0))
            .collect();
        let length_m = 1.004 * 18_000.0 + 24.0 * 5.0;
        let fit = fit(&plan, length_m, &joints).unwrap();
        assert_eq!(fit.closure_of, [Some(0), Some(1), None, Some(3), Some(4)]);
        assert_eq!(fit.calibration.unmatched, ["closure 3"]);
        // Chainage and closures passed grow together, so that what is usual pulls both a
        // little: by no more than two of the standard errors that say so.
        let (helix, slack) = (fit.calibration.helix_factor, fit.calibration.slack);
        assert!((helix.value - 1.004).abs() < 2.0 * helix.std_error.unwrap());
        // Better known than before the measurement.
        assert!(helix.std_error.unwrap() < USUAL_HELIX.1);
        assert!((slack.value.m() - 24.0).abs() < 2.0 * slack.std_error.unwrap().m());
        // The places hardly feel it: within half of the six metres that a chainage of the
        // plan is trusted to.
        for closure in &fit.calibration.closures {
            assert!(closure.residual.m().abs() < 3.0, "{closure:?}");
        }
        assert!((fit.expected_m[2].unwrap() - place(2)).abs() < 3.0);
        assert!((fit.chainage_m(place(3)) - 12_500.0).abs() < 1e-6);
        assert!((fit.chainage_m(length_m) - 18_000.0).abs() < 1e-6);
    }
}
