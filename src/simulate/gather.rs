//! Gathering the truth from the plan and from what each direction saw.

use super::Seen;
use super::fibre::ns_per_m;
use super::path::{Glass, Item, What, link_from_a};
use super::plan::{LinkEnd, Plan};
use super::truth::{TracedFrom, TrueEcho, TrueEvent, TrueKind, TrueSection, TrueTrace, Truth};
use crate::units::{
    Attenuation, BackscatterCoefficient, Length, Loss, Position, Reflectance, ReturnLoss,
};

/// Collects the truth from the plan and from what each direction saw.
pub(super) fn truth(plan: &Plan, seed: u64, a: &Seen, b: &Seen) -> Truth {
    let link = link_from_a(plan);
    let glass_ns: f64 = link.iter().map(travel_ns).sum();
    let on_axis_m = |ns: f64, seen: &Seen| ns / seen.ns_per_shown_m;
    let axis = |what, at_ns: f64, at_m: f64| {
        let (name, kind, loss_db, reflectance_db) = describe(plan, what);
        let reading_a = a.readings.iter().find(|r| r.0 == what).and_then(|r| r.1);
        let reading_b = b.readings.iter().find(|r| r.0 == what).and_then(|r| r.1);
        TrueEvent {
            name,
            kind,
            position: position(on_axis_m(at_ns, a)),
            position_from_b: position(on_axis_m(glass_ns - at_ns, b)),
            true_position: position(at_m),
            loss: loss_db.map(loss),
            loss_a_to_b: reading_a.map(loss),
            loss_b_to_a: reading_b.map(loss),
            backscatter_step: reading_a
                .zip(reading_b)
                .map(|(a_db, b_db)| loss(0.5 * (a_db - b_db))),
            reflectance: reflectance_db.map(Reflectance::from_db),
        }
    };
    let (mut now_ns, mut now_m) = (0.0, 0.0);
    let mut events = vec![axis(What::ConnectorA, now_ns, now_m)];
    let mut sections = Vec::new();
    for item in &link {
        match item {
            Item::Point(point) => events.push(axis(point.what, now_ns, now_m)),
            Item::Glass(glass) => {
                let from_m = on_axis_m(now_ns, a);
                now_ns += travel_ns(item);
                now_m += glass.length_m;
                sections.push(section(glass, from_m, on_axis_m(now_ns, a), a, b));
            }
        }
    }
    events.push(axis(What::ConnectorB, now_ns, now_m));
    let mut echoes = echoes_of(plan, TracedFrom::A, a, glass_ns, a);
    echoes.extend(echoes_of(plan, TracedFrom::B, b, glass_ns, a));
    let lost_db: f64 = events
        .iter()
        .filter_map(|e| e.loss)
        .map(Loss::db)
        .sum::<f64>()
        + (plan.fibres.iter())
            .map(|f| f.attenuation.db_per_km() * f.length.km())
            .sum::<f64>();
    Truth {
        cable: plan.cable.clone(),
        fibre: plan.fibre.clone(),
        from: plan.from.clone(),
        to: plan.to.clone(),
        wavelength: plan.wavelength,
        seed,
        length: length(on_axis_m(glass_ns, a)),
        length_on_b: length(on_axis_m(glass_ns, b)),
        true_length: length(plan.length().m()),
        loss: plan.broken.is_none().then(|| loss(lost_db)),
        events,
        sections,
        echoes,
        a: trace_of(a, What::ConnectorA),
        b: trace_of(b, What::ConnectorB),
    }
}

/// Drops the digits that only tell of rounding: a nanometre, a billionth of a decibel.
pub(super) fn tidy(value: f64) -> f64 {
    (value * 1e9).round() / 1e9 + 0.0
}

fn position(m: f64) -> Position {
    Position::from_m(tidy(m))
}

fn length(m: f64) -> Length {
    Length::from_m(tidy(m))
}

fn loss(db: f64) -> Loss {
    Loss::from_db(tidy(db))
}

fn travel_ns(item: &Item) -> f64 {
    match item {
        Item::Glass(glass) => glass.length_m * ns_per_m(glass.group_index),
        Item::Point(_) => 0.0,
    }
}

fn section(glass: &Glass, from_m: f64, to_m: f64, a: &Seen, b: &Seen) -> TrueSection {
    // Displayed one-way level falls by α and rises by half the coefficient's drift.
    let per_shown = |db_per_km: f64, seen: &Seen| {
        let ratio = seen.ns_per_shown_m / ns_per_m(glass.group_index);
        Attenuation::from_db_per_km(tidy(db_per_km * ratio))
    };
    let half_drift = 0.5 * glass.drift_db_per_km;
    TrueSection {
        from: position(from_m),
        to: position(to_m),
        attenuation: Attenuation::from_db_per_km(glass.attenuation_db_per_km),
        slope_from_a: per_shown(glass.attenuation_db_per_km - half_drift, a),
        slope_from_b: per_shown(glass.attenuation_db_per_km + half_drift, b),
        backscatter: BackscatterCoefficient::from_db(tidy(glass.backscatter_db)),
    }
}

/// Name, kind, loss and reflectance of a place, from the plan.
fn describe(plan: &Plan, what: What) -> (String, TrueKind, Option<f64>, Option<f64>) {
    let named = |name: &str, fallback: String| {
        if name.is_empty() {
            fallback
        } else {
            name.to_owned()
        }
    };
    let end = |end: &LinkEnd, fallback: &str| {
        let name = named(&end.name, fallback.to_owned());
        let reflectance_db = end.reflectance.map(Reflectance::db);
        (
            name,
            TrueKind::Connector,
            Some(end.loss.db()),
            reflectance_db,
        )
    };
    match what {
        What::Port => ("port".to_owned(), TrueKind::Connector, None, None),
        What::ConnectorA => end(&plan.end_a, "connector at A"),
        What::ConnectorB if plan.end_b.cord.is_none() && plan.a.tail_cord.is_none() => {
            let name = named(&plan.end_b.name, "end".to_owned());
            let reflectance_db = plan.end_b.open_reflectance.map(Reflectance::db);
            (name, TrueKind::End, None, reflectance_db)
        }
        What::ConnectorB => end(&plan.end_b, "connector at B"),
        What::Joint(idx) => {
            let fallback = format!("joint {}", idx + 1);
            match plan.joints.get(idx) {
                Some(joint) => {
                    let kind = match joint.reflectance {
                        Some(_) => TrueKind::Connector,
                        None => TrueKind::Splice,
                    };
                    let reflectance_db = joint.reflectance.map(Reflectance::db);
                    let name = named(&joint.name, fallback);
                    (name, kind, Some(joint.loss.db()), reflectance_db)
                }
                None => (fallback, TrueKind::Splice, None, None),
            }
        }
        What::Bend(idx) => {
            let bend = plan.bends.get(idx);
            let name = named(
                bend.map_or("", |bend| &bend.name),
                format!("bend {}", idx + 1),
            );
            (name, TrueKind::Bend, bend.map(|bend| bend.loss.db()), None)
        }
        What::Break => {
            let reflectance_db = (plan.broken.as_ref())
                .and_then(|broken| broken.reflectance)
                .map(Reflectance::db);
            ("break".to_owned(), TrueKind::Break, None, reflectance_db)
        }
        What::OpenEnd => ("open end".to_owned(), TrueKind::End, None, None),
    }
}

fn echoes_of(
    plan: &Plan,
    seen_from: TracedFrom,
    seen: &Seen,
    glass_ns: f64,
    a: &Seen,
) -> Vec<TrueEcho> {
    let first_ns = match seen_from {
        TracedFrom::A => seen.connector_ns(What::ConnectorA),
        TracedFrom::B => seen.connector_ns(What::ConnectorB),
    };
    seen.echoes
        .iter()
        .filter(|(echo, _)| seen.shown_m(echo.flash.at_ns) <= seen.range_m)
        .filter_map(|(echo, backscatter)| {
            let height_db = (*backscatter > 0.0)
                .then(|| tidy(5.0 * (1.0 + echo.flash.power / backscatter).log10()));
            let stands_out = match height_db {
                // What levels rounded to 0.001 dB can show.
                Some(height_db) => height_db >= 0.001,
                None => echo.flash.power >= 0.1 * seen.noise_rms,
            };
            if !stands_out {
                return None;
            }
            let from_connector_ns = echo.flash.at_ns - first_ns;
            let on_a_ns = match seen_from {
                TracedFrom::A => from_connector_ns,
                TracedFrom::B => glass_ns - from_connector_ns,
            };
            Some(TrueEcho {
                seen_from,
                distance: position(seen.shown_m(echo.flash.at_ns)),
                position: position(on_a_ns / a.ns_per_shown_m),
                of: echo.of.iter().map(|&what| describe(plan, what).0).collect(),
                level: seen.level(echo.flash.power),
                height_db,
            })
        })
        .collect()
}

fn trace_of(seen: &Seen, connector: What) -> TrueTrace {
    let noisy = seen.noise_rms > 0.0;
    TrueTrace {
        first_connector: position(seen.shown_m(seen.connector_ns(connector))),
        outermost: position(seen.shown_m(seen.end_ns)),
        start_level: seen.level(seen.start_power),
        noise_level: noisy.then(|| seen.level(seen.noise_rms)),
        noise_rms: noisy.then_some(seen.noise_rms),
        return_loss: ReturnLoss::from_db(tidy(seen.return_loss_db)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::instrument::Instrument;
    use super::super::plan::{Bend, Break, Fibre};
    use super::super::run;
    use super::*;
    use crate::units::{GroupIndex, PulseWidth, Wavelength};

    /// Rounding of sums of a few decimals.
    const EXACT: f64 = 1e-9;

    fn fibre(km: f64, attenuation: f64, backscatter_db: f64) -> Fibre {
        Fibre::new(
            Length::from_km(km),
            Attenuation::from_db_per_km(attenuation),
            BackscatterCoefficient::from_db(backscatter_db),
            GroupIndex::from_ratio(1.4682),
        )
    }

    fn plan(fibres: Vec<Fibre>, losses_db: &[f64]) -> Plan {
        let it = Instrument::ideal(
            PulseWidth::from_ns(100.0),
            Length::from_m(5.0),
            GroupIndex::from_ratio(1.4682),
        );
        let mut plan = Plan::new(Wavelength::from_nm(1310.0), fibres, it);
        for (joint, loss_db) in plan.joints.iter_mut().zip(losses_db) {
            joint.loss = Loss::from_db(*loss_db);
        }
        plan
    }

    fn three_fibres() -> Plan {
        let fibres = vec![
            fibre(5.0, 0.34, -80.0),
            fibre(7.0, 0.35, -80.3),
            fibre(8.0, 0.33, -79.8),
        ];
        plan(fibres, &[0.06, 0.12])
    }

    #[test]
    fn three_fibres_read_as_worked_out_by_hand() {
        // Worked numbers for fibres given by their 1 ns coefficients.
        let truth = run(&three_fibres(), 0).unwrap().truth;
        for (event, at_m, from_b_m, reads_a, reads_b, loss_db, step_db) in [
            (1, 5000.0, 15_000.0, 0.21, -0.09, 0.06, 0.15),
            (2, 12_000.0, 8000.0, -0.13, 0.37, 0.12, -0.25),
        ] {
            let event = &truth.events[event];
            approx::assert_abs_diff_eq!(event.position.m(), at_m, epsilon = 1e-6);
            approx::assert_abs_diff_eq!(event.position_from_b.m(), from_b_m, epsilon = 1e-6);
            approx::assert_abs_diff_eq!(event.loss_a_to_b.unwrap().db(), reads_a, epsilon = EXACT);
            approx::assert_abs_diff_eq!(event.loss_b_to_a.unwrap().db(), reads_b, epsilon = EXACT);
            approx::assert_abs_diff_eq!(event.loss.unwrap().db(), loss_db, epsilon = EXACT);
            approx::assert_abs_diff_eq!(
                event.backscatter_step.unwrap().db(),
                step_db,
                epsilon = EXACT
            );
            assert_eq!(event.kind, TrueKind::Splice);
        }
        approx::assert_abs_diff_eq!(truth.loss.unwrap().db(), 6.97, epsilon = EXACT);
    }

    #[test]
    fn without_cords_the_ends_cannot_be_read_and_the_far_one_is_open() {
        let mut plan = three_fibres();
        plan.end_a.reflectance = Some(Reflectance::from_db(-50.0));
        plan.end_b.open_reflectance = Some(Reflectance::from_db(-14.4));
        let truth = run(&plan, 0).unwrap().truth;
        let (first, last) = (&truth.events[0], &truth.events[3]);
        assert_eq!(
            (first.kind, last.kind),
            (TrueKind::Connector, TrueKind::End)
        );
        for event in [first, last] {
            assert_eq!((event.loss_a_to_b, event.loss_b_to_a), (None, None));
        }
        assert_eq!(last.reflectance, Some(Reflectance::from_db(-14.4)));
    }

    #[test]
    fn cords_that_stay_give_opposite_steps_and_cords_carried_along_do_not() {
        let mut plan = three_fibres();
        let end = |backscatter_db| LinkEnd {
            loss: Loss::from_db(0.3),
            cord: Some(fibre(1.0, 0.34, backscatter_db)),
            ..LinkEnd::default()
        };
        (plan.end_a, plan.end_b) = (end(-80.2), end(-80.0));
        let mean = |plan: &Plan| {
            let event = run(plan, 0).unwrap().truth.events.swap_remove(0);
            0.5 * (event.loss_a_to_b.unwrap().db() + event.loss_b_to_a.unwrap().db())
        };
        approx::assert_abs_diff_eq!(mean(&plan), 0.3, epsilon = EXACT);
        // B finds the other cord at A: the mean errs by a quarter of the
        // cords' difference of 0.2 dB, closed form.
        let mut b = plan.a.clone();
        (b.launch_cord, b.tail_cord) = (plan.end_a.cord, plan.end_b.cord);
        plan.b = Some(b);
        approx::assert_abs_diff_eq!(mean(&plan), 0.3 - 0.05, epsilon = EXACT);
    }

    #[test]
    fn a_wrong_group_index_scales_one_axis() {
        let mut plan = three_fibres();
        plan.b = Some(Instrument {
            group_index: GroupIndex::from_ratio(1.4682 * 1.001),
            ..plan.a.clone()
        });
        let truth = run(&plan, 0).unwrap().truth;
        // z = c·t/(2n): 0.1 % more index, 0.1 % less distance.
        approx::assert_relative_eq!(truth.length.m(), 20_000.0, max_relative = 1e-12);
        approx::assert_relative_eq!(
            truth.length_on_b.m(),
            20_000.0 / 1.001,
            max_relative = 1e-12
        );
    }

    #[test]
    fn a_drift_of_the_backscatter_biases_the_slopes_oppositely() {
        let mut plan = plan(
            vec![fibre(10.0, 0.2, -82.0), fibre(5.0, 0.2, -81.9)],
            &[0.0],
        );
        // MFD 9.1 → 9.3 µm over 10 km: 20·log10(9.1/9.3) = −0.1888 dB, which
        // biases the one-way slope by ±0.00944 dB/km (worked number).
        plan.fibres[0].backscatter_drift_db_per_km = 2.0 * 10.0 * (9.1f64 / 9.3).log10() / 10.0;
        let truth = run(&plan, 0).unwrap().truth;
        let section = &truth.sections[0];
        // The worked number has three digits.
        approx::assert_abs_diff_eq!(section.slope_from_a.db_per_km(), 0.209_44, epsilon = 5e-6);
        approx::assert_abs_diff_eq!(section.slope_from_b.db_per_km(), 0.190_56, epsilon = 5e-6);
        // The joint's step uses the drifted coefficient: (−82.1888 + 81.9)/2.
        let step = truth.events[1].backscatter_step.unwrap().db();
        approx::assert_abs_diff_eq!(step, -0.1444, epsilon = 5e-5);
    }

    #[test]
    fn a_bend_reads_the_same_from_both_ends_and_a_break_hides_the_rest() {
        let mut plan = three_fibres();
        plan.bends.push(Bend {
            name: String::new(),
            at: Position::from_m(3000.0),
            loss: Loss::from_db(0.4),
        });
        plan.broken = Some(Break {
            at: Position::from_m(9000.0),
            reflectance: None,
        });
        let simulated = run(&plan, 0).unwrap();
        let truth = &simulated.truth;
        let kinds: Vec<TrueKind> = truth.events.iter().map(|event| event.kind).collect();
        assert_eq!(
            kinds,
            [
                TrueKind::Connector,
                TrueKind::Bend,
                TrueKind::Splice,
                TrueKind::Break,
                TrueKind::Splice,
                TrueKind::End
            ]
        );
        let read = |event: usize| {
            let event = &truth.events[event];
            (
                event.loss_a_to_b.map(Loss::db),
                event.loss_b_to_a.map(Loss::db),
            )
        };
        assert_eq!((read(1).1, read(4).0), (None, None));
        approx::assert_abs_diff_eq!(read(1).0.unwrap(), 0.4, epsilon = EXACT);
        assert_eq!(truth.loss, None);
        approx::assert_abs_diff_eq!(truth.a.outermost.m(), 9000.0, epsilon = 1e-6);
        approx::assert_abs_diff_eq!(truth.b.outermost.m(), 11_000.0, epsilon = 1e-6);
    }

    #[test]
    fn return_loss_agrees_with_worked_numbers() {
        // Uniform fibre by S·α_s/(2α)·(1 − e^(−2αL)): −82 dB, 0.20 dB/km, 20 km
        // gives 32.4822 dB; with a flat end of −14.44 dB 22.0299 dB.
        let mut plan = plan(vec![fibre(20.0, 0.20, -82.0)], &[]);
        let of = |plan: &Plan| run(plan, 0).unwrap().truth.a.return_loss.db();
        // The worked numbers have four decimals.
        approx::assert_abs_diff_eq!(of(&plan), 32.4822, epsilon = 5.1e-5);
        plan.end_b.open_reflectance = Some(Reflectance::from_db(-14.44));
        approx::assert_abs_diff_eq!(of(&plan), 22.0299, epsilon = 5.1e-5);
        // Two −55 dB connectors at the ends: 32.4541 dB, the far one mated.
        let mated = LinkEnd {
            reflectance: Some(Reflectance::from_db(-55.0)),
            cord: Some(fibre(1.0, 0.2, -82.0)),
            ..LinkEnd::default()
        };
        (plan.end_a, plan.end_b) = (mated.clone(), mated);
        approx::assert_abs_diff_eq!(of(&plan), 32.4541, epsilon = 5.1e-5);
    }
}
