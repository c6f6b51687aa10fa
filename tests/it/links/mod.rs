//! Links written by hand, with invented names and values, and the profiles that belong to them.
//!
//! Nothing here is measured by the program: every loss is the one written
//! down, so a report or a plot can be held against it.
#![expect(
    clippy::unwrap_used,
    reason = "a fixture that cannot be built must fail the test"
)]

mod built;

pub(crate) use self::built::splice;
use self::built::{Joint, Plan, built, connector, event, loss, not_measured};
use bothends::both_ways::{Event, EventKind, Link, Profiles, SeenFrom, Verdict};
use bothends::measure::{OneWay, OneWayEvent, OneWayKind, ReflectanceReading, Section};
use bothends::report::{Provenance, SourceFile};
use bothends::trace::{Header, Trace};
use bothends::units::{
    Attenuation, GroupIndex, Length, Loss, Measured, NotMeasured, Position, PulseWidth,
    Reflectance, ReturnLoss, Wavelength,
};
use bothends::warning::Warning;
use ndarray::Array1;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

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
        judged: None,
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

/// The event with a number.
pub(crate) fn numbered(link: &Link, number: usize) -> &Event {
    link.events
        .iter()
        .find(|event| event.number == number)
        .unwrap()
}

/// The country link judged against 0.15 dB a splice and 0.5 dB a connector.
pub(crate) fn judged_link() -> (Link, Profiles) {
    let (mut link, profiles) = country_link();
    for event in &mut link.events {
        let limit_db = if event.kind == EventKind::Connector {
            0.5
        } else {
            0.15
        };
        event.limit = Some(Loss::from_db(limit_db));
        event.verdict = match event.number {
            5 => Verdict::Fail,
            9 => Verdict::Undecided,
            _ => Verdict::Pass,
        };
    }
    link.verdict = Verdict::Fail;
    (link, profiles)
}

/// One trace without cords, with an apparent gain and an echo.
pub(crate) fn one_direction() -> (Trace, OneWay) {
    let header = Header {
        fibre: Some("017".to_owned()),
        from: Some("Harrow Lane".to_owned()),
        wavelength: Some(Wavelength::from_nm(1550.0)),
        pulse_width: Some(PulseWidth::from_ns(100.0)),
        group_index: Some(GroupIndex::from_ratio(1.4682)),
        launch_cord: Some(Length::from_m(0.0)),
        ..Header::default()
    };
    let distances_m = Array1::from_iter((0..100).map(|index| f64::from(index) * 2.0));
    let levels_db = distances_m.mapv(|x_m| -0.0002 * x_m);
    let trace = Trace::new(header, distances_m, levels_db).unwrap();
    let event = |kind, at_m: f64, loss: Result<f64, &str>, echo_of| OneWayEvent {
        kind,
        position: Measured {
            value: Position::from_m(at_m),
            std_error: Some(Length::from_m(0.5)),
        },
        loss: loss
            .map(|db| Measured {
                value: Loss::from_db(db),
                std_error: Some(Loss::from_db(0.003)),
            })
            .map_err(NotMeasured::because),
        reflectance: None,
        dead_zone: (Position::from_m(at_m), Position::from_m(at_m + 12.0)),
        echo_of,
    };
    let one_way = OneWay {
        events: vec![
            event(
                OneWayKind::Reflective,
                0.0,
                Err(
                    "no launch cord: there is no fibre before the first connector to measure against",
                ),
                None,
            ),
            event(OneWayKind::NonReflective, 60.0, Ok(-0.12), None),
            event(OneWayKind::Reflective, 90.0, Ok(0.31), None),
            event(
                OneWayKind::Echo,
                180.0,
                Err("an echo has no loss of its own"),
                Some((0, 2)),
            ),
        ],
        sections: vec![Section {
            from: Position::from_m(12.0),
            to: Position::from_m(60.0),
            attenuation: Measured {
                value: Attenuation::from_db_per_km(0.2),
                std_error: None,
            },
        }],
        link_from: Position::from_m(0.0),
        link_to: None,
        usable_to: Position::from_m(190.0),
        orl: Some(ReturnLoss::from_db(33.1)),
        noise_at_start_db: 0.0021,
        above_noise_at_end_db: 9.0,
        shared_attenuation: None,
        warnings: vec![Warning::new(
            "end not seen",
            "The fibre goes on where the trace ends: measure with a longer range.",
        )],
    };
    (trace, one_way)
}

/// The country link's trace from A by itself, as one direction reads it.
pub(crate) fn country_trace() -> (Trace, OneWay) {
    let (link, profiles) = country_link();
    let header = Header {
        fibre: link.fibre.clone(),
        cable: link.cable.clone(),
        from: link.from.clone(),
        to: link.to.clone(),
        wavelength: Some(link.wavelength),
        pulse_width: Some(link.a.pulse_width),
        group_index: Some(link.a.group_index),
        ..link.a.header.clone()
    };
    let launch = Length::from_m(1000.0);
    let shifted = |(from, to): (Position, Position)| (from + launch, to + launch);
    let distances_m = profiles.position_m.mapv(|x_m| x_m + launch.m());
    let trace = Trace::new(header, distances_m, profiles.level_a_db).unwrap();
    let events = link
        .events
        .iter()
        .map(|event| OneWayEvent {
            kind: if event.reflective {
                OneWayKind::Reflective
            } else {
                OneWayKind::NonReflective
            },
            position: Measured {
                value: event.position.value + launch,
                std_error: event.position.std_error,
            },
            loss: event.loss_a_to_b.clone(),
            reflectance: event.reflectance_a,
            dead_zone: shifted(event.dead_zone_a.unwrap()),
            echo_of: None,
        })
        .collect();
    let one_way = OneWay {
        events,
        sections: link
            .sections
            .iter()
            .map(|section| Section {
                from: section.from + launch,
                to: section.to + launch,
                ..*section
            })
            .collect(),
        link_from: Position::from_m(launch.m()),
        link_to: Some(Measured {
            value: Position::from_m(32_183.6),
            std_error: Some(Length::from_m(0.6)),
        }),
        usable_to: Position::from_m(33_000.0),
        orl: link.orl_a,
        noise_at_start_db: 0.0013,
        above_noise_at_end_db: 8.2,
        shared_attenuation: None,
        warnings: Vec::new(),
    };
    (trace, one_way)
}

/// Names that try to break out of the drawing, and values that no fibre has.
pub(crate) fn hostile_link() -> (Link, Profiles) {
    let (mut link, mut profiles) = country_link();
    link.cable = Some("</text><script>alert(1)</script>\u{0}\u{1b}[31m".to_owned());
    link.fibre = Some("&amp;\u{202e}710".to_owned());
    link.from = Some("Straße № 7 «Ö» 水門".to_owned());
    link.to = Some("x".repeat(4000));
    link.events[2].joint = Some("\"'><svg onload=x>\u{7}".to_owned());
    link.events[3].loss = loss(f64::NAN, f64::INFINITY);
    link.events[4].loss_a_to_b = loss(f64::INFINITY, 0.1);
    link.events[5].position.value = Position::from_m(f64::INFINITY);
    link.events[6].dead_zone_a = Some((Position::from_m(f64::NAN), Position::from_m(f64::NAN)));
    link.events[7].end = Some(Position::from_m(f64::NEG_INFINITY));
    link.a.usable_to = Position::from_m(f64::NAN);
    profiles.level_a_db[500] = f64::INFINITY;
    profiles.level_b_db[700] = f64::NEG_INFINITY;
    (link, profiles)
}

/// 120 splices, some of them on one place.
pub(crate) fn many_events_link() -> (Link, Profiles) {
    let joints = (0..120)
        .map(|index| {
            let at_m = 200.0 * f64::from(index / 3 * 3) + 5.0 * f64::from(index % 3);
            splice(at_m, 0.02 + 0.001 * f64::from(index % 17), 0.05)
        })
        .collect();
    built(&Plan {
        length_m: 25_000.0,
        cord_m: 500.0,
        pulse_ns: 30.0,
        spacing_m: 4.0,
        noise: 3e-4,
        joints,
    })
}

/// A link with joints of anybody's choosing.
pub(crate) fn of_joints(length_m: f64, cord_m: f64, joints: Vec<Joint>) -> (Link, Profiles) {
    built(&Plan {
        length_m,
        cord_m,
        pulse_ns: 50.0,
        spacing_m: 10.0,
        noise: 3e-4,
        joints,
    })
}

/// A reflectance that is no bound.
pub(crate) fn reflectance(db: f64) -> ReflectanceReading {
    ReflectanceReading {
        value: Reflectance::from_db(db),
        is_bound: false,
    }
}
