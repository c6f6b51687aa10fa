//! Builds a link and its profiles from the joints written down.

use bothends::both_ways::{
    Direction, Event, EventKind, KindFrom, Link, Profiles, Registration, SeenFrom, Verdict,
    Workmanship,
};
use bothends::measure::{ReflectanceReading, Section};
use bothends::trace::Header;
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Measured, Measurement,
    NotMeasured, Position, PulseWidth, Reflectance, ReturnLoss, Wavelength,
};
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

pub(super) fn not_measured<Q, E>(reason: &str) -> Measurement<Q, E> {
    Err(NotMeasured::because(reason))
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "a measured value beside a missing one"
)]
pub(super) fn loss(value_db: f64, std_error_db: f64) -> Measurement<Loss> {
    Ok(Measured {
        value: Loss::from_db(value_db),
        std_error: Some(Loss::from_db(std_error_db)),
    })
}

pub(super) fn event(number: usize, joint: &Joint, pulse_ns: f64) -> Event {
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
        range: Length::from_m(samples as f64 * plan.spacing_m),
        port: Position::from_m(-plan.cord_m),
        usable_to: Position::from_m(plan.length_m),
        noise_at_start_db: 0.0013,
        above_noise_at_end_db: 8.2,
        shared_attenuation: None,
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
    let position_m: Array1<f64> = (0_u32..)
        .map(|index| f64::from(index) * plan.spacing_m - plan.cord_m)
        .take_while(|x_m| x_m + plan.cord_m <= span_m * 1.05)
        .collect();
    let samples = position_m.len();
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
    b.port = Position::from_m(plan.length_m + plan.cord_m);
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
