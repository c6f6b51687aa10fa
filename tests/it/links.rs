//! Links written by hand, with invented names and values, and the profiles that belong to them.
//!
//! Nothing here is measured by the program: every loss is the one written
//! down, so a report or a plot can be held against it.
#![expect(
    clippy::unwrap_used,
    reason = "a fixture that cannot be built must fail the test"
)]

use bothends::both_ways::{
    Direction, Event, EventKind, KindFrom, Link, Profiles, Registration, SeenFrom, Verdict,
    Workmanship,
};
use bothends::measure::{ReflectanceReading, Section};
use bothends::report::{Provenance, SourceFile};
use bothends::trace::Header;
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Measured, Measurement,
    NotMeasured, Position, PulseWidth, Reflectance, ReturnLoss, Wavelength,
};
use bothends::warning::Warning;
use ndarray::Array1;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// One joint as it is written down.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Joint {
    pub(crate) at_m: f64,
    pub(crate) loss_db: f64,
    pub(crate) step_db: f64,
    pub(crate) reflectance_db: Option<f64>,
}

/// A splice: place, two-way loss, backscatter step.
pub(crate) const fn splice(at_m: f64, loss_db: f64, step_db: f64) -> Joint {
    Joint {
        at_m,
        loss_db,
        step_db,
        reflectance_db: None,
    }
}

/// A connector: place, two-way loss, backscatter step, reflectance.
pub(crate) const fn connector(at_m: f64, loss_db: f64, step_db: f64, reflectance_db: f64) -> Joint {
    Joint {
        at_m,
        loss_db,
        step_db,
        reflectance_db: Some(reflectance_db),
    }
}

/// What a link is made of.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub(crate) length_m: f64,
    pub(crate) cord_m: f64,
    pub(crate) pulse_ns: f64,
    pub(crate) spacing_m: f64,
    pub(crate) noise: f64,
    pub(crate) joints: Vec<Joint>,
}

const ATTENUATION_DB_PER_KM: f64 = 0.192;

pub(crate) fn provenance() -> Provenance {
    Provenance {
        program: "bothends 0.1.0".to_owned(),
        a: SourceFile {
            file: "017_1550_ab.txt".to_owned(),
            sha256: "0a".repeat(32),
        },
        b: SourceFile {
            file: "017_1550_ba.txt".to_owned(),
            sha256: "0b".repeat(32),
        },
        report_time: None,
        coverage_factor: Some(1.645),
        limits: None,
    }
}

/// 31 km with eight splices: number 5 is bad, 3 and 7 are gainers from one end.
pub(crate) fn country_link() -> (Link, Profiles) {
    let plan = Plan {
        length_m: 31_183.6,
        cord_m: 1000.0,
        pulse_ns: 100.0,
        spacing_m: 2.0,
        noise: 6e-4,
        joints: vec![
            connector(0.0, 0.416, 0.012, -54.5),
            splice(4_656.4, 0.031, 0.02),
            splice(8_004.2, 0.050, -0.170),
            splice(11_211.0, 0.022, 0.045),
            splice(14_093.5, 0.312, 0.031),
            splice(17_530.8, 0.041, -0.03),
            splice(21_402.2, 0.064, 0.149),
            splice(24_777.7, 0.027, 0.01),
            splice(28_130.1, 0.082, -0.02),
            connector(31_183.6, 0.384, -0.02, -52.0),
        ],
    };
    let (mut link, profiles) = built(&plan);
    link.events[4].joint = Some("closure 4".to_owned());
    (link, profiles)
}

/// 30 events on 30 km, several pairs 20 m apart, long names.
pub(crate) fn crowded_link() -> (Link, Profiles) {
    let mut joints = vec![connector(0.0, 0.35, 0.0, -50.0)];
    let mut rng = ChaCha8Rng::seed_from_u64(30);
    for pair in 0..14 {
        let at_m = 1_200.0 + 2_050.0 * f64::from(pair);
        joints.push(splice(
            at_m,
            rng.random_range(0.01..0.12),
            rng.random_range(-0.1..0.1),
        ));
        joints.push(splice(
            at_m + 20.0,
            rng.random_range(0.01..0.12),
            rng.random_range(-0.1..0.1),
        ));
    }
    joints[11].loss_db = 0.421;
    joints.push(connector(30_000.0, 0.4, 0.0, -48.0));
    let (mut link, profiles) = built(&Plan {
        length_m: 30_000.0,
        cord_m: 500.0,
        pulse_ns: 50.0,
        spacing_m: 2.0,
        noise: 4e-4,
        joints,
    });
    for event in &mut link.events {
        event.joint = Some(format!(
            "chamber by the old weighbridge, tray {}",
            event.number
        ));
    }
    link.from = Some("The pumping station beyond the second bridge on the upper road".to_owned());
    link.to = Some("A house with a name that is far too long for any drawing".to_owned());
    (link, profiles)
}

/// 500 m inside a building, with two connectors 6 m apart measured as a group.
pub(crate) fn building_link() -> (Link, Profiles) {
    let (mut link, profiles) = built(&Plan {
        length_m: 503.2,
        cord_m: 150.0,
        pulse_ns: 10.0,
        spacing_m: 0.25,
        noise: 2e-4,
        joints: vec![
            connector(0.0, 0.21, 0.005, -45.0),
            connector(212.4, 0.53, -0.01, -41.0),
            splice(388.0, 0.07, 0.11),
            splice(394.0, 0.04, -0.09),
            connector(503.2, 0.28, 0.0, -47.0),
        ],
    });
    let group = &mut link.events[1];
    group.kind = EventKind::Group;
    group.end = Some(Position::from_m(218.4));
    link.events.insert(
        4,
        Event {
            kind: EventKind::Echo,
            echo_of: Some((Position::from_m(0.0), Position::from_m(212.4))),
            loss: not_measured("an echo has no loss of its own"),
            loss_a_to_b: not_measured("an echo has no loss of its own"),
            loss_b_to_a: not_measured("an echo has no loss of its own"),
            backscatter_step: not_measured("an echo has no loss of its own"),
            seen_from: SeenFrom::A,
            reflective: true,
            dead_zone_a: None,
            dead_zone_b: None,
            ..event(5, &splice(424.8, 0.0, 0.0), 10.0)
        },
    );
    link.events[5].number = 6;
    (link, profiles)
}

/// Broken at 12.4 km: the far part is missing from A, the near part from B.
pub(crate) fn broken_link() -> (Link, Profiles) {
    let (mut link, mut profiles) = country_link();
    let break_m = 12_400.0;
    link.length = not_measured("the fibre is interrupted and its length was not given");
    link.loss = not_measured("the fibre is interrupted");
    link.registration = None;
    link.orl_b = None;
    link.attenuation = Some(Attenuation::from_db_per_km(0.192));
    let why = "the fibre is interrupted between this place and the other end";
    let mut events: Vec<Event> = link.events[..4].to_vec();
    for event in &mut events {
        event.loss = not_measured(why);
        event.loss_b_to_a = not_measured(why);
        event.backscatter_step = not_measured(why);
        event.workmanship = Err(NotMeasured::because(why));
        event.reflectance_b = None;
        event.seen_from = SeenFrom::A;
        event.dead_zone_b = None;
    }
    events.push(Event {
        kind: EventKind::Break,
        loss: not_measured("nothing comes back from behind a break"),
        loss_a_to_b: not_measured("nothing comes back from behind a break"),
        loss_b_to_a: not_measured("nothing comes back from behind a break"),
        backscatter_step: not_measured("nothing comes back from behind a break"),
        workmanship: Err(NotMeasured::because(
            "nothing comes back from behind a break",
        )),
        seen_from: SeenFrom::A,
        dead_zone_b: None,
        ..event(5, &splice(break_m, 0.0, 0.0), 100.0)
    });
    for (number, from_b_m) in [(6, 18_700.0), (7, 9_781.4), (8, 0.0)] {
        events.push(Event {
            kind: if number == 6 {
                EventKind::Break
            } else {
                EventKind::Splice
            },
            position: Measured {
                value: Position::from_m(f64::NAN),
                std_error: None,
            },
            position_from_b: Some(Position::from_m(from_b_m)),
            loss: not_measured(why),
            loss_a_to_b: not_measured(why),
            backscatter_step: not_measured(why),
            workmanship: Err(NotMeasured::because(why)),
            seen_from: SeenFrom::B,
            dead_zone_a: None,
            dead_zone_b: None,
            ..event(number, &splice(0.0, 0.09, 0.0), 100.0)
        });
    }
    link.events = events;
    link.sections.truncate(3);
    link.warnings.push(Warning::new(
        "broken fibre",
        "The fibre is interrupted 12400.0 m from A; give the cable's length to place the far part.",
    ));
    link.a.usable_to = Position::from_m(break_m);
    for (index, &x_m) in profiles.position_m.iter().enumerate() {
        if x_m > break_m {
            profiles.level_a_db[index] = f64::NAN;
        }
    }
    profiles.level_b_db.fill(f64::NAN);
    profiles.two_way_db.fill(f64::NAN);
    profiles.backscatter_db.fill(f64::NAN);
    (link, profiles)
}

/// Measured without cords: the outer connectors cannot be measured.
pub(crate) fn cordless_link() -> (Link, Profiles) {
    let (mut link, mut profiles) = country_link();
    let why = "no cord on this end: there is no fibre before the connector to measure against";
    link.loss = not_measured("the outer connectors are not measured");
    let last = link.events.len() - 1;
    for index in [0, last] {
        let event = &mut link.events[index];
        event.loss = not_measured(why);
        event.loss_a_to_b = not_measured(why);
        event.loss_b_to_a = not_measured(why);
        event.backscatter_step = not_measured(why);
        event.workmanship = Err(NotMeasured::because(why));
    }
    link.a.header.launch_cord = Some(Length::from_m(0.0));
    link.a.header.tail_cord = Some(Length::from_m(0.0));
    link.b.header.launch_cord = Some(Length::from_m(0.0));
    link.b.header.tail_cord = Some(Length::from_m(0.0));
    for (index, &x_m) in profiles.position_m.iter().enumerate() {
        if !(0.0..=31_183.6).contains(&x_m) {
            profiles.level_a_db[index] = f64::NAN;
            profiles.level_b_db[index] = f64::NAN;
            profiles.two_way_db[index] = f64::NAN;
            profiles.backscatter_db[index] = f64::NAN;
        }
    }
    (link, profiles)
}

/// Long enough that each end loses the other in noise.
pub(crate) fn noisy_link() -> (Link, Profiles) {
    let mut joints = vec![connector(0.0, 0.4, 0.0, -50.0)];
    for index in 1..12 {
        let at_m = 8_000.0 * f64::from(index);
        joints.push(splice(
            at_m,
            0.05,
            if index % 2 == 0 { 0.12 } else { -0.12 },
        ));
    }
    joints.push(connector(96_000.0, 0.4, 0.0, -50.0));
    built(&Plan {
        length_m: 96_000.0,
        cord_m: 2_000.0,
        pulse_ns: 2_000.0,
        spacing_m: 8.0,
        noise: 3e-4,
        joints,
    })
}

/// A link in which nothing was found.
pub(crate) fn empty_link() -> (Link, Profiles) {
    let (mut link, profiles) = built(&Plan {
        length_m: 5_000.0,
        cord_m: 0.0,
        pulse_ns: 50.0,
        spacing_m: 2.0,
        noise: 3e-4,
        joints: Vec::new(),
    });
    link.cable = None;
    link.fibre = None;
    link.from = None;
    link.to = None;
    link.loss = not_measured("the outer connectors are not measured");
    (link, profiles)
}

fn not_measured<Q, E>(reason: &str) -> Measurement<Q, E> {
    Err(NotMeasured::because(reason))
}

fn loss(value_db: f64, std_error_db: f64) -> Measurement<Loss> {
    Ok(Measured {
        value: Loss::from_db(value_db),
        std_error: Some(Loss::from_db(std_error_db)),
    })
}

fn event(number: usize, joint: &Joint, pulse_ns: f64) -> Event {
    let hidden_m = pulse_ns * 0.1022
        + if joint.reflectance_db.is_some() {
            12.0
        } else {
            0.0
        };
    let at = Position::from_m(joint.at_m);
    let reflectance = joint.reflectance_db.map(|db| ReflectanceReading {
        value: Reflectance::from_db(db),
        is_bound: false,
    });
    Event {
        number,
        kind: if joint.reflectance_db.is_some() {
            EventKind::Connector
        } else {
            EventKind::Splice
        },
        position: Measured {
            value: at,
            std_error: Some(Length::from_m(0.6)),
        },
        end: None,
        position_from_b: None,
        reflective: joint.reflectance_db.is_some(),
        kind_from: KindFrom::Trace,
        loss: loss(joint.loss_db, 0.004),
        loss_a_to_b: loss(joint.loss_db + joint.step_db, 0.005),
        loss_b_to_a: loss(joint.loss_db - joint.step_db, 0.006),
        backscatter_step: loss(joint.step_db, 0.004),
        reflectance_a: reflectance,
        reflectance_b: reflectance,
        seen_from: SeenFrom::Both,
        joint: None,
        echo_of: None,
        workmanship: if joint.step_db.abs() > 0.008 {
            // w2/w1 = 10^(h/10), forced = −20·log10(2r/(1+r²)).
            let ratio = 10_f64.powf(joint.step_db / 10.0);
            let forced = -20.0 * (2.0 * ratio / (1.0 + ratio * ratio)).log10();
            Ok(Workmanship {
                forced: Measured {
                    value: Loss::from_db(forced),
                    std_error: Some(Loss::from_db(0.001)),
                },
                workmanship: Measured {
                    value: Loss::from_db(joint.loss_db - forced),
                    std_error: Some(Loss::from_db(0.004)),
                },
            })
        } else {
            Err(NotMeasured::because(
                "the backscatter step is within two standard errors of zero",
            ))
        },
        dead_zone_a: Some((at, at + Length::from_m(hidden_m))),
        dead_zone_b: Some((at - Length::from_m(hidden_m), at)),
        verdict: Verdict::NotJudged,
        limit: None,
        conformance: None,
        notes: Vec::new(),
    }
}

fn direction(plan: &Plan, samples: usize) -> Direction {
    Direction {
        header: Header {
            averaging_time_s: Some(60.0),
            launch_cord: Some(Length::from_m(plan.cord_m)),
            tail_cord: Some(Length::from_m(plan.cord_m)),
            ..Header::default()
        },
        pulse_width: PulseWidth::from_ns(plan.pulse_ns),
        group_index: GroupIndex::from_ratio(1.4682),
        backscatter: BackscatterCoefficient::from_db(-81.5),
        backscatter_is_default: true,
        samples,
        spacing: Length::from_m(plan.spacing_m),
        usable_to: Position::from_m(plan.length_m),
        noise_at_start_db: 0.0013,
        above_noise_at_end_db: 8.2,
    }
}

/// Levels seen from one end over fibre falling by `losses` at places; `reversed` for B.
fn levels(plan: &Plan, x_m: &Array1<f64>, from_b: bool, rng: &mut ChaCha8Rng) -> Array1<f64> {
    let (first_m, last_m) = (-plan.cord_m, plan.length_m + plan.cord_m);
    let pulse_m = plan.pulse_ns * 0.1021;
    x_m.mapv(|x_m| {
        let travelled_m = if from_b { last_m - x_m } else { x_m - first_m };
        let mut level_db = -ATTENUATION_DB_PER_KM * travelled_m / 1000.0;
        let mut peak = 0.0;
        for joint in &plan.joints {
            let beyond_m = if from_b {
                joint.at_m - x_m
            } else {
                x_m - joint.at_m
            };
            let reading_db = if from_b {
                joint.loss_db - joint.step_db
            } else {
                joint.loss_db + joint.step_db
            };
            if beyond_m >= 0.0 {
                level_db -= reading_db * (beyond_m / pulse_m).min(1.0);
            }
            if let Some(reflectance_db) = joint.reflectance_db {
                let decay = if beyond_m < 0.0 {
                    0.0
                } else if beyond_m < pulse_m {
                    1.0
                } else {
                    (-(beyond_m - pulse_m) / (0.2 * pulse_m)).exp()
                };
                // Height of a reflection over the backscatter of the whole pulse.
                peak += decay * 10_f64.powf((reflectance_db + 81.5) / 10.0) / plan.pulse_ns;
            }
        }
        let power = 10_f64.powf(level_db / 5.0) * (1.0 + peak);
        let noise: f64 = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
        let received = power + plan.noise * noise;
        let inside = (first_m..=last_m).contains(&x_m);
        let received = if inside { received } else { plan.noise * noise };
        if received > 0.0 {
            5.0 * received.log10()
        } else {
            f64::NAN
        }
    })
}

/// The link of a plan as if it had been measured exactly, with its profiles.
pub(crate) fn built(plan: &Plan) -> (Link, Profiles) {
    let span_m = plan.length_m + 2.0 * plan.cord_m;
    let samples = (span_m * 1.05 / plan.spacing_m).round() as usize;
    let position_m =
        Array1::from_iter((0..samples).map(|index| index as f64 * plan.spacing_m - plan.cord_m));
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let level_a_db = levels(plan, &position_m, false, &mut rng);
    let level_b_db = levels(plan, &position_m, true, &mut rng);
    let two_way_db = (&level_a_db - &level_b_db) / 2.0;
    let backscatter_db = (&level_a_db + &level_b_db) / 2.0;
    let events: Vec<Event> = plan
        .joints
        .iter()
        .enumerate()
        .map(|(index, joint)| event(index + 1, joint, plan.pulse_ns))
        .collect();
    let mut places: Vec<f64> = plan.joints.iter().map(|joint| joint.at_m).collect();
    places.insert(0, 0.0);
    places.push(plan.length_m);
    places.dedup();
    let sections = places
        .windows(2)
        .map(|pair| Section {
            from: Position::from_m(pair[0]),
            to: Position::from_m(pair[1]),
            attenuation: Measured {
                value: Attenuation::from_db_per_km(ATTENUATION_DB_PER_KM),
                std_error: Some(Attenuation::from_db_per_km(
                    0.6 / (pair[1] - pair[0]).max(1.0),
                )),
            },
        })
        .collect();
    let joints_db: f64 = plan.joints.iter().map(|joint| joint.loss_db).sum();
    // Far ends are usable until the noise of one sample is half a decibel.
    let reach_db = 5.0 * (1.0 / (plan.noise * 8.0)).log10();
    let reach_m = reach_db / (ATTENUATION_DB_PER_KM + joints_db / plan.length_m * 1000.0) * 1000.0;
    let mut a = direction(plan, samples);
    let mut b = direction(plan, samples);
    a.usable_to = Position::from_m(reach_m.min(plan.length_m + plan.cord_m));
    b.usable_to = Position::from_m((plan.length_m - reach_m).max(-plan.cord_m));
    let link = Link {
        cable: Some("HL-204".to_owned()),
        fibre: Some("017".to_owned()),
        from: Some("Harrow Lane".to_owned()),
        to: Some("Mill Bridge".to_owned()),
        wavelength: Wavelength::from_nm(1550.0),
        length: Ok(Measured {
            value: Length::from_m(plan.length_m),
            std_error: Some(Length::from_m(0.4)),
        }),
        loss: loss(
            joints_db + ATTENUATION_DB_PER_KM * plan.length_m / 1000.0,
            0.01,
        ),
        attenuation: Some(Attenuation::from_db_per_km(ATTENUATION_DB_PER_KM)),
        orl_a: Some(ReturnLoss::from_db(31.9)),
        orl_b: Some(ReturnLoss::from_db(32.0)),
        verdict: Verdict::NotJudged,
        events,
        sections,
        registration: Some(Registration {
            offset: Measured {
                value: Position::from_m(plan.length_m + plan.cord_m),
                std_error: Some(Length::from_m(0.4)),
            },
            scale: Measured {
                value: 1.0,
                std_error: Some(2.1e-6),
            },
            matched: plan.joints.len(),
            position_error: Length::from_m(0.9),
            loss_error: Loss::from_db(0.0002),
        }),
        a,
        b,
        false_events_per_1000_km: 1.0,
        warnings: Vec::new(),
    };
    let profiles = Profiles {
        position_m,
        level_a_db,
        level_b_db,
        two_way_db,
        backscatter_db,
    };
    (link, profiles)
}

/// The event with a number.
pub(crate) fn numbered(link: &Link, number: usize) -> &Event {
    link.events
        .iter()
        .find(|event| event.number == number)
        .unwrap()
}
