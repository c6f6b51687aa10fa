//! Metres of fibre against chainage: helix factor and coils from known closures.
//!
//! The fibre of a cable is longer than the cable (it winds round the core) and lies
//! coiled in every closure, half of the coil before the joint and half behind it:
//! fibre to the joint of closure k = helix · chainage + coil · (k + ½), k from 0.

use crate::units::{Length, Measured};

use super::cluster::{REACH, assign};
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
/// Fibre for a metre of route beyond which a plan's chainages are no metres: winding and coils
/// make a fifth more, short routes in buildings with long coils twice or three times as much.
/// Our choice; kilometres in place of metres are a thousand times.
const MOST_FIBRE: f64 = 5.0;
/// Share of a route within which several closures are hardly all. Our choice; kilometres in place
/// of metres put them within a thousandth.
const ALL_IN_ONE_PLACE: f64 = 0.02;
/// Errors of a chainage by which a route may be longer than its fibre. Our choice.
const TOO_LONG: f64 = 5.0;
/// Coils by which a closure may lie off the calibration, in standard deviations of what is usual.
const FAR_OFF: f64 = 3.0;
/// By how much that is widened, step by step, where closures find no joint: coils differ
/// from closure to closure, and the differences add up along the route.
const WIDENED: [f64; 3] = [3.0, 10.0, 30.0];

/// The fit of a plan's closures to the joints.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fit {
    pub(super) calibration: Calibration,
    /// For each joint, the closure of the plan that it is.
    pub(super) closure_of: Vec<Option<usize>>,
    /// Fibre to each closure as calibrated, with what its neighbours are off; none without a
    /// chainage.
    pub(super) expected_m: Vec<Option<f64>>,
    /// Standard deviation of the joints about the calibration, metres.
    pub(super) spread_m: f64,
    /// Fibre against chainage at A, on both sides of every closure, and at B.
    line: Vec<(f64, f64)>,
}

impl Fit {
    /// The same fit of some joints, which stand at these places among `count` joints.
    pub(super) fn among(mut self, places: &[usize], count: usize) -> Self {
        let mut closure_of = vec![None; count];
        for (closure, &place) in self.closure_of.iter().zip(places) {
            closure_of[place] = *closure;
        }
        self.closure_of = closure_of;
        for closure in &mut self.calibration.closures {
            closure.joint = places[closure.joint];
        }
        self
    }

    /// Chainage of a place on the cable's axis.
    pub(super) fn chainage_m(&self, u_m: f64) -> f64 {
        between(&self.line, u_m)
    }
}

/// What makes a plan's chainages doubtful, in words; `fit` is none where there is no joint to fit
/// them to, or where they cannot be of this fibre at all.
pub(super) fn doubts(plan: &CablePlan, length_m: f64, fit: Option<&Fit>) -> Vec<String> {
    let mut doubts = Vec::new();
    let closures_m: Vec<f64> = (plan.closures.iter())
        .filter_map(|closure| closure.chainage_m)
        .collect();
    if !closures_m.is_empty() && length_m <= 0.0 {
        doubts.push(
            "no fibre shows both of its ends, so that no place has a chainage: give the length of the \
             fibre (--length-m, or length_m in the plan)"
                .to_owned(),
        );
    }
    if let Some(route_m) = route_m(plan).filter(|_| length_m > 0.0) {
        let wound_m = plan.helix_factor.map_or(0.0, |helix| helix * route_m);
        let start_m = plan.chainage_m[0].unwrap_or(0.0);
        let in_one_place = (closures_m.last().filter(|_| closures_m.len() > 1))
            .map(|last_m| last_m - start_m)
            .filter(|last_m| *last_m < ALL_IN_ONE_PLACE * route_m);
        if length_m > MOST_FIBRE * route_m {
            doubts.push(format!(
                "the plan's route is {route_m} m long and its fibre {length_m:.0} m: chainages are \
                 metres; the closures are not placed by them"
            ));
        } else if route_m > (1.0 + TOO_LONG * CHAINAGE_DOUBT) * length_m {
            doubts.push(format!(
                "the plan's route of {route_m} m is longer than its fibre of {length_m:.0} m, which \
                 cannot be: check the chainages of the ends"
            ));
        } else if wound_m > (1.0 + TOO_LONG * CHAINAGE_DOUBT) * length_m {
            doubts.push(format!(
                "the plan's helix factor makes {wound_m:.0} m of fibre of its route of {route_m} m, and \
                 the fibre is {length_m:.0} m long: check it"
            ));
        } else if let Some(last_m) = in_one_place {
            doubts.push(format!(
                "all closures of the plan lie within {last_m} m of end A on a route of {route_m} m: \
                 chainages are metres"
            ));
        }
    }
    // A wrong route draws all closures along.
    let Some(fit) = fit.filter(|_| doubts.is_empty()) else {
        return doubts;
    };
    for closure in &fit.calibration.closures {
        let off_m = closure.residual.m();
        let most_m = FAR_OFF * USUAL_COIL_M.1;
        if off_m.abs() > most_m {
            doubts.push(format!(
                "{} lies {:.0} m of fibre {} where the plan's chainage and the coils of the other \
                 closures put it: check its chainage, and whether a coil lies there",
                closure.name,
                off_m.abs(),
                if off_m > 0.0 { "behind" } else { "before" }
            ));
        }
    }
    doubts
}

/// Length of a plan's route from A to B.
fn route_m(plan: &CablePlan) -> Option<f64> {
    Some(plan.chainage_m[1]? - plan.chainage_m[0].unwrap_or(0.0))
}

/// Fits a plan's closures to joints at places on the cable's axis, of fibres of a usual
/// length; none where the plan gives no chainage, or one of a route far too short for the fibre,
/// or no fibre has a length.
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
    let route_m = route_m(plan);
    // Without a fibre of which both ends show there is no axis to lay the route along.
    if length_m <= 0.0 || route_m.is_some_and(|route_m| length_m > MOST_FIBRE * route_m) {
        return None;
    }
    let place =
        |(helix, coil): (f64, f64), (k, c): (usize, f64)| helix * c + coil * (k as f64 + 0.5);
    let matched = |parameters: (f64, f64), reach_m: f64| -> Vec<Option<usize>> {
        let wanted: Vec<(f64, f64)> = known
            .iter()
            .map(|&c| (place(parameters, c), reach_m))
            .collect();
        assign(joints, &wanted)
    };
    let search = |reach_m: f64| -> (f64, f64) {
        let mut best = (Quality::default(), (USUAL_HELIX.0, USUAL_COIL_M.0));
        for step in 0..=60 {
            let helix = plan.helix_factor.unwrap_or(1.0 + 0.0005 * f64::from(step));
            for coil in 0..=20 {
                let parameters = (helix, 3.0 * f64::from(coil));
                let found = matched(parameters, reach_m);
                let mut quality = Quality::default();
                for (joint, closure) in joints.iter().zip(&found) {
                    let Some(closure) = closure else { continue };
                    quality.matched += 1;
                    quality.square += (joint.0 - place(parameters, known[*closure])).powi(2);
                }
                if quality.beats(&best.0) {
                    best = (quality, parameters);
                }
            }
            if plan.helix_factor.is_some() {
                break;
            }
        }
        best.1
    };
    // As far as half of the way to the next closure a joint can only be the nearer one's.
    let gaps = known.windows(2).map(|pair| pair[1].1 - pair[0].1);
    let first_m = known.first()?.1;
    let all = gaps
        .chain(std::iter::once(first_m))
        .filter(|gap| *gap > 0.0);
    let nearest_m = all.fold(f64::INFINITY, f64::min);
    let most = joints.len().min(known.len());
    let ends = route_m.map(|route| (known.len(), route));
    let solve = |reach_m: f64| -> Solved {
        let mut solved = Solved {
            best: search(reach_m),
            errors: (USUAL_HELIX.1, USUAL_COIL_M.1),
            spread_m: doubt_m,
            found: Vec::new(),
        };
        for _ in 0..3 {
            let found = matched(solved.best, reach_m);
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
            (solved.best, solved.errors) = least_squares(&rows, plan.helix_factor, solved.spread_m);
            let (helix, coil_m) = solved.best;
            let off = |&(c, k, z): &(f64, f64, f64)| (z - helix * c - coil_m * k).powi(2);
            // Two numbers were taken from the rows.
            if rows.len() > 2 {
                let square: f64 = rows.iter().map(off).sum();
                solved.spread_m = (square / (rows.len() - 2) as f64).sqrt().max(doubt_m);
            }
        }
        solved.found = matched(solved.best, reach_m);
        solved
    };
    let mut solved = solve(doubt_m);
    for factor in WIDENED {
        let wider_m = factor * doubt_m;
        if solved.matched() == most || 2.0 * REACH * wider_m > nearest_m {
            break;
        }
        let wider = solve(wider_m);
        if wider.matched() > solved.matched() {
            solved = wider;
        }
    }
    let Solved {
        best,
        errors,
        spread_m,
        found,
    } = solved;
    let mut closure_of = vec![None; joints.len()];
    let mut closures = Vec::new();
    let mut line = vec![(0.0, start_m)];
    let mut residuals = vec![(0.0, 0.0)];
    for (j, closure) in found.iter().enumerate() {
        let Some(closure) = closure else { continue };
        let (k, c) = known[*closure];
        closure_of[j] = Some(k);
        residuals.push((c, joints[j].0 - place(best, (k, c))));
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
    if let Some((count, route)) = ends {
        let usual_m = best.0 * route + best.1 * count as f64;
        residuals.push((route, length_m - usual_m));
    }
    let expected_m = plan
        .closures
        .iter()
        .enumerate()
        .map(|(k, closure)| {
            let c = closure.chainage_m? - start_m;
            Some(place(best, (k, c)) + between(&residuals, c))
        })
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
        spread_m,
        line,
    })
}

/// A fit of closures to joints.
struct Solved {
    /// Helix factor and coil, and their errors.
    best: (f64, f64),
    errors: (f64, f64),
    spread_m: f64,
    /// For each joint, which of the known closures it is.
    found: Vec<Option<usize>>,
}

impl Solved {
    fn matched(&self) -> usize {
        self.found.iter().flatten().count()
    }
}

/// How well a helix factor and a coil lay closures on joints.
#[derive(Debug, Clone, Copy, Default)]
struct Quality {
    matched: usize,
    square: f64,
}

impl Quality {
    /// More closures have a joint, or as many lie nearer.
    fn beats(&self, other: &Self) -> bool {
        let nearer = self.matched == other.matched && self.square < other.square;
        self.matched > other.matched || nearer
    }
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

    /// Closed form: fibre = 1.01·chainage and coils of 12, 30, 14, 28, … m, whose sums stray
    /// from any straight line by some metres, many times what a chainage of so short a route
    /// is trusted to. All closures have their joints, and one whose joint shows nowhere is
    /// looked for where its neighbours say.
    #[test]
    fn coils_that_differ_lose_no_closure() {
        let chainages: Vec<f64> = (1..=10).map(|k| 340.0 * f64::from(k)).collect();
        let coils = [12.0, 30.0, 14.0, 28.0, 30.0, 29.0, 12.0, 13.0, 12.0, 25.0];
        let mut passed = 0.0;
        let mut joints = Vec::new();
        for (c, coil) in chainages.iter().zip(coils) {
            joints.push((1.01 * c + passed + 0.5 * coil, 0.5));
            passed += coil;
        }
        let plan = CablePlan {
            closures: (chainages.iter().enumerate())
                .map(|(k, &c)| PlannedClosure {
                    name: format!("closure {}", k + 1),
                    chainage_m: Some(c),
                })
                .collect(),
            chainage_m: [None, Some(3740.0)],
            ..CablePlan::default()
        };
        let length_m = 1.01 * 3740.0 + passed;
        let all = fit(&plan, length_m, &joints).unwrap();
        assert_eq!(all.closure_of, (0..10).map(Some).collect::<Vec<_>>());
        let missing = joints.remove(5);
        let most = fit(&plan, length_m, &joints).unwrap();
        assert_eq!(most.calibration.unmatched, ["closure 6"]);
        // Half of the difference between its coil and its neighbours', 0.5·(29 − 21) m, is
        // what nobody can know.
        assert!((most.expected_m[5].unwrap() - missing.0).abs() < 8.0);
    }
}
