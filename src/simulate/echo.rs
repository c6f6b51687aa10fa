//! Echoes: light that is reflected three or five times before it returns.

use super::fibre::{Flash, ImpulseResponse, Place, ratio};
use super::path::What;

/// Paths weaker than this against launched power are not followed: 10·log10 of
/// −150 dB lies at −75 dB on the display, below any noise.
const WEAKEST: f64 = 1e-15;

/// Most reflections of one path.
const MOST_REFLECTIONS: usize = 5;

/// One echo: all paths that arrive at the same moment by the same reflectors.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Echo {
    pub(super) flash: Flash,
    /// The reflectors in the order in which one of the paths meets them.
    pub(super) of: Vec<What>,
}

/// A path under way: light that travels towards the port after an odd number
/// of reflections.
struct Path<'a> {
    delay_ns: f64,
    /// Power when it leaves the last reflector, whose near side it faces.
    power: f64,
    met: Vec<&'a Place>,
}

/// All echoes of a link, in order of time.
///
/// Light that reflector k returns meets reflector i on its way back (i nearer
/// than k), is sent out again and returns from j (beyond i). It arrives after
/// `t_k + t_j − t_i`; a pair gives `2·t_k − t_i` and the port gives `2·t_k`. Each
/// passage of a place costs its loss; a joint reflects outgoing light before
/// its loss and returning light after it.
pub(super) fn echoes(response: &ImpulseResponse) -> Vec<Echo> {
    let reflectors: Vec<&Place> = response
        .places
        .iter()
        .filter(|place| place.reflectance_db.is_some())
        .collect();
    let mut found: Vec<Echo> = Vec::new();
    let mut under_way: Vec<Path> = reflectors
        .iter()
        .map(|place| Path {
            delay_ns: place.at_ns,
            power: power_of(place) * place.before,
            met: vec![place],
        })
        .collect();
    while let Some(path) = under_way.pop() {
        let Some(&last) = path.met.last() else {
            continue;
        };
        if path.met.len() > 1 {
            found.push(Echo {
                flash: Flash {
                    at_ns: path.delay_ns,
                    power: path.power * last.before,
                },
                of: path.met.iter().map(|place| place.what).collect(),
            });
        }
        if path.met.len() >= MOST_REFLECTIONS {
            continue;
        }
        for near in reflectors.iter().filter(|near| near.at_ns < last.at_ns) {
            // From the last reflector's near side back to this one's far side.
            let turned = path.power * last.before / near.after * power_of(near);
            for far in reflectors.iter().filter(|far| far.at_ns > near.at_ns) {
                let power = turned * far.before / near.after * power_of(far);
                if power * far.before < WEAKEST {
                    continue;
                }
                let mut met = path.met.clone();
                met.extend([*near, *far]);
                under_way.push(Path {
                    delay_ns: path.delay_ns - near.at_ns + far.at_ns,
                    power,
                    met,
                });
            }
        }
    }
    found.sort_by(|one, other| one.flash.at_ns.total_cmp(&other.flash.at_ns));
    merged(found)
}

fn power_of(place: &Place) -> f64 {
    place.reflectance_db.map_or(0.0, ratio)
}

/// Puts paths of equal delay by the same reflectors together; `found` is in
/// order of time.
///
/// Light of different paths of equal length is taken to add in power.
fn merged(found: Vec<Echo>) -> Vec<Echo> {
    let mut echoes: Vec<Echo> = Vec::with_capacity(found.len());
    for path in found {
        let same = echoes
            .iter_mut()
            .rev()
            // Equal delays are the same sum in another order.
            .take_while(|echo| path.flash.at_ns - echo.flash.at_ns <= 1e-6)
            .find(|echo| {
                echo.of.len() == path.of.len() && path.of.iter().all(|what| echo.of.contains(what))
            });
        match same {
            Some(echo) => echo.flash.power += path.flash.power,
            None => echoes.push(path),
        }
    }
    echoes
}

#[cfg(test)]
mod tests {
    use super::super::fibre::follow;
    use super::super::instrument::Instrument;
    use super::super::path::{From, from_port};
    use super::super::plan::{Fibre, LinkEnd, Plan};
    use super::*;
    use crate::units::{
        Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance,
        Wavelength,
    };

    /// Cord 1 km, connector, 2 km, joint, 8 km, of one glass; attenuation as given.
    fn plan(attenuation_db_per_km: f64, connector_db: f64, joint_db: f64) -> Plan {
        let fibre = |km| {
            Fibre::new(
                Length::from_km(km),
                Attenuation::from_db_per_km(attenuation_db_per_km),
                BackscatterCoefficient::from_db(-82.0),
                GroupIndex::from_ratio(1.468),
            )
        };
        let it = Instrument::ideal(
            PulseWidth::from_ns(100.0),
            Length::from_m(1.0),
            GroupIndex::from_ratio(1.468),
        );
        let mut plan = Plan::new(
            Wavelength::from_nm(1550.0),
            vec![fibre(2.0), fibre(8.0)],
            it,
        );
        plan.end_a = LinkEnd {
            reflectance: Some(Reflectance::from_db(connector_db)),
            cord: Some(fibre(1.0)),
            ..LinkEnd::default()
        };
        plan.joints[0].reflectance = Some(Reflectance::from_db(joint_db));
        plan
    }

    fn found(plan: &Plan) -> (ImpulseResponse, Vec<Echo>) {
        let response = follow(&from_port(plan, From::A));
        let found = echoes(&response);
        (response, found)
    }

    fn at_km(echo: &Echo) -> f64 {
        echo.flash.at_ns / super::super::fibre::ns_per_m(1.468) / 1000.0
    }

    #[test]
    fn a_pair_of_reflectors_echoes_at_twice_the_far_less_the_near() {
        // Worked numbers: two reflectors of −14.4 dB (and −20, and −45/−14.4)
        // appear at 2·z2 − z1 with R1 + 2·R2 against the local backscatter,
        // with B = −82 dB and 100 ns 9.4284, 2.0622 and 0.1389 dB high.
        for (r1, r2, height_db) in [
            (-14.4, -14.4, 9.4284),
            (-20.0, -20.0, 2.0622),
            (-45.0, -14.4, 0.1389),
        ] {
            let (_, found) = found(&plan(0.0, r1, r2));
            let echo = &found[0];
            approx::assert_relative_eq!(at_km(echo), 2.0 * 3.0 - 1.0, max_relative = 1e-12);
            assert_eq!(echo.of, [What::Joint(0), What::ConnectorA, What::Joint(0)]);
            approx::assert_relative_eq!(
                10.0 * echo.flash.power.log10(),
                r1 + 2.0 * r2,
                max_relative = 1e-12
            );
            let backscatter = ratio(-82.0 + 20.0);
            let height = 5.0 * (1.0 + echo.flash.power / backscatter).log10();
            // The worked numbers have four decimals.
            approx::assert_abs_diff_eq!(height, height_db, epsilon = 5.1e-5);
        }
    }

    #[test]
    fn an_echo_lies_as_high_above_the_backscatter_whatever_the_attenuation() {
        // It has gone as far as the light it lies upon.
        let (_, lossless) = found(&plan(0.0, -20.0, -20.0));
        let (response, lossy) = found(&plan(0.3, -20.0, -20.0));
        let there = response.stretches[2];
        let there_ns = lossy[0].flash.at_ns - there.start_ns;
        let backscatter = there.rate_per_ns * (-there.decay_per_ns * there_ns).exp();
        approx::assert_relative_eq!(
            lossy[0].flash.power / backscatter,
            lossless[0].flash.power / ratio(-82.0),
            max_relative = 1e-9
        );
    }

    #[test]
    fn the_port_and_a_connector_echo_with_all_losses() {
        // Worked number: port −40 dB, connector −45 dB, 2 dB between: −138 dB at 2·z.
        let mut plan = plan(2.0, -45.0, -90.0);
        plan.a.port_reflectance = Some(Reflectance::from_db(-40.0));
        let (_, found) = found(&plan);
        let echo = &found[0];
        assert_eq!(echo.of, [What::ConnectorA, What::Port, What::ConnectorA]);
        approx::assert_relative_eq!(at_km(echo), 2.0, max_relative = 1e-12);
        approx::assert_abs_diff_eq!(10.0 * echo.flash.power.log10(), -138.0, epsilon = 1e-9);
    }

    #[test]
    fn each_passage_costs_the_loss_of_the_joint_passed() {
        let mut lossy = plan(0.0, -20.0, -20.0);
        lossy.end_a.loss = Loss::from_db(0.7);
        let (_, found) = found(&lossy);
        // Out through the connector and back once: two passages. The turn at
        // the connector happens beyond its loss.
        approx::assert_abs_diff_eq!(10.0 * found[0].flash.power.log10(), -61.4, epsilon = 1e-9);
    }

    #[test]
    fn two_orders_of_one_path_add_up() {
        // Port, connector at 1 km and joint at 3 km: connector–port–joint and
        // joint–port–connector both take 4 km.
        let mut plan = plan(0.0, -20.0, -30.0);
        plan.a.port_reflectance = Some(Reflectance::from_db(-25.0));
        let (_, found) = found(&plan);
        let both = found
            .iter()
            .find(|echo| (at_km(echo) - 4.0).abs() < 1e-9 && echo.of.contains(&What::Joint(0)))
            .unwrap();
        // −20 − 25 − 30 = −75 dB, twice.
        approx::assert_abs_diff_eq!(
            10.0 * both.flash.power.log10(),
            -75.0 + 10.0 * 2f64.log10(),
            epsilon = 1e-9
        );
    }

    #[test]
    fn five_reflections_are_followed_where_they_are_strong() {
        let (_, found) = found(&plan(0.0, -14.4, -14.4));
        // 3·z2 − 2·z1 = 7 km with 2·R1 + 3·R2 = −72 dB.
        let fifth = found.iter().find(|echo| echo.of.len() == 5).unwrap();
        approx::assert_relative_eq!(at_km(fifth), 7.0, max_relative = 1e-12);
        approx::assert_abs_diff_eq!(10.0 * fifth.flash.power.log10(), -72.0, epsilon = 1e-9);
    }
}
