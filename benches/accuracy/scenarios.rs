//! The links that accuracy is told from, each drawn from a seed.

use bothends::simulate::{
    BelowZero, Display, Fading, Instrument, Noise, Plan, RandomLinkSettings, Receiver, Simulated,
    random_link, run,
};
use bothends::units::{BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::bound::bounds;

/// A kind of link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scenario {
    /// 10–60 km with cords, the far end 6–11 dB above the noise.
    Usual,
    /// The same with joints of 3 to 20 times the bound.
    Weak,
    /// Links whose far part is under the noise of each trace.
    Long,
    /// Joints whose backscatter steps are larger than their losses.
    Gainers,
    /// Short links with connectors on a building's floors.
    Building,
    /// Strong reflections that light travels between more than once.
    Echoes,
    /// No cords at either end.
    NoCords,
    /// A receiver whose time constant is a quarter of the pulse.
    SlowReceiver,
    /// Coloured noise, fading, absolute values below zero, coarse rounding.
    Rough,
    /// A group index 0.1 % wrong from B.
    IndexWrong,
}

/// All, in the order of the table.
pub(crate) const ALL: [Scenario; 10] = [
    Scenario::Usual,
    Scenario::Weak,
    Scenario::Long,
    Scenario::Gainers,
    Scenario::Building,
    Scenario::Echoes,
    Scenario::NoCords,
    Scenario::SlowReceiver,
    Scenario::Rough,
    Scenario::IndexWrong,
];

impl Scenario {
    /// Name in the table.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Usual => "usual links",
            Self::Weak => "weak joints",
            Self::Long => "far part under the noise",
            Self::Gainers => "gainers",
            Self::Building => "buildings",
            Self::Echoes => "echoes",
            Self::NoCords => "no cords",
            Self::SlowReceiver => "slow receiver",
            Self::Rough => "rough traces",
            Self::IndexWrong => "index 0.1 % wrong",
        }
    }

    /// The link of a seed.
    pub(crate) fn plan(self, seed: u64) -> Plan {
        // Another stream than that of the link itself.
        let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed_0acc);
        let settings = self.settings(&mut random);
        let mut plan = random_link(seed, &settings);
        match self {
            Self::Building => connectors(&mut plan, &mut random),
            Self::Echoes => reflectors(&mut plan, &mut random),
            Self::NoCords => {
                plan.end_a.cord = None;
                plan.end_b.cord = None;
            }
            _ => {}
        }
        let above_db = if self == Self::Long {
            random.random_range(-4.0..2.0)
        } else {
            random.random_range(6.0..11.0)
        };
        plan.a.noise.dynamic_range_db = Some(total_db(&plan) + above_db);
        if self == Self::IndexWrong {
            let wrong = plan.a.group_index.ratio() * 1.001;
            plan.b = Some(Instrument {
                group_index: GroupIndex::from_ratio(wrong),
                ..plan.a.clone()
            });
        }
        if self == Self::Weak {
            weaken(&mut plan, &mut random);
        }
        plan
    }

    fn settings(self, random: &mut ChaCha8Rng) -> RandomLinkSettings {
        let usual = RandomLinkSettings::default();
        let mut settings = RandomLinkSettings {
            instrument: Instrument {
                pulse_width: PulseWidth::from_ns(random.random_range(100.0..500.0)),
                spacing: Length::from_m(random.random_range(2.0..4.0)),
                stated_backscatter: Some(BackscatterCoefficient::from_db(-82.0)),
                ..usual.instrument.clone()
            },
            ..usual
        };
        let instrument = &mut settings.instrument;
        match self {
            Self::Weak => {
                settings.step_sd_db = 0.0;
                settings.attenuation_db_per_km = (0.19, 0.19);
            }
            Self::Long => settings.length_km = (60.0, 110.0),
            Self::Gainers => {
                settings.step_sd_db = 0.2;
                settings.splice_loss_db = 0.02;
            }
            Self::Building => {
                settings.length_km = (0.2, 1.5);
                settings.fibre_km = (0.05, 0.3);
                settings.cord_km = 0.15;
                instrument.pulse_width = PulseWidth::from_ns(random.random_range(10.0..30.0));
                instrument.spacing = Length::from_m(random.random_range(0.125..0.5));
                instrument.receiver.time_constant_ns = 2.0;
                instrument.receiver.tails.clear();
                instrument.receiver.ceiling_above_start_db = Some(16.0);
            }
            Self::Echoes => settings.length_km = (5.0, 20.0),
            Self::SlowReceiver => {
                instrument.receiver.time_constant_ns = 0.25 * instrument.pulse_width.ns();
            }
            Self::Rough => {
                instrument.noise = Noise {
                    colour: 0.5,
                    ..Noise::default()
                };
                instrument.fading = Some(Fading {
                    // 0.004 dB one-way.
                    contrast: 0.004 * std::f64::consts::LN_10 / 5.0,
                    distribution: bothends::simulate::FadingDistribution::Gaussian,
                });
                instrument.display = Display {
                    step_db: Some(0.005),
                    below_zero: BelowZero::Absolute,
                    ..Display::default()
                };
            }
            Self::Usual | Self::NoCords | Self::IndexWrong => {}
        }
        settings
    }
}

/// One fibre without any joint between cords, 6–11 dB above the noise at the far end;
/// few samples, so that many kilometres are soon looked through. Levels are multiples
/// of `step_db`, or unrounded.
pub(crate) fn bare(seed: u64, length_km: f64, step_db: Option<f64>) -> Plan {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0xba2e);
    let usual = RandomLinkSettings::default();
    let settings = RandomLinkSettings {
        length_km: (length_km, length_km),
        fibre_km: (length_km, length_km),
        instrument: Instrument {
            pulse_width: PulseWidth::from_ns(200.0),
            spacing: Length::from_m(4.0),
            receiver: Receiver::default(),
            display: Display {
                step_db,
                ..Display::default()
            },
            ..usual.instrument.clone()
        },
        ..usual
    };
    let mut plan = random_link(seed, &settings);
    plan.a.noise.dynamic_range_db = Some(total_db(&plan) + random.random_range(6.0..11.0));
    plan
}

/// Loss of the whole way from port to port.
fn total_db(plan: &Plan) -> f64 {
    let glass = plan.fibres.iter();
    let cords = [&plan.end_a.cord, &plan.end_b.cord].into_iter().flatten();
    let along: f64 = glass
        .chain(cords)
        .map(|f| f.attenuation.db_per_km() * f.length.km())
        .sum();
    let joints: f64 = plan.joints.iter().map(|j| j.loss.db()).sum();
    along + joints + plan.end_a.loss.db() + plan.end_b.loss.db()
}

/// Makes every joint a connector.
fn connectors(plan: &mut Plan, random: &mut ChaCha8Rng) {
    for joint in &mut plan.joints {
        joint.loss = Loss::from_db(random.random_range(0.1..0.5));
        joint.reflectance = Some(Reflectance::from_db(random.random_range(-55.0..-40.0)));
    }
}

/// Lets both end connectors and one joint reflect strongly.
fn reflectors(plan: &mut Plan, random: &mut ChaCha8Rng) {
    let mut strong = || Some(Reflectance::from_db(random.random_range(-38.0..-28.0)));
    plan.end_a.reflectance = strong();
    plan.end_b.reflectance = strong();
    let middle = plan.joints.len() / 2;
    if let Some(joint) = plan.joints.get_mut(middle) {
        joint.reflectance = strong();
        joint.loss = Loss::from_db(0.3);
    }
}

/// Gives each joint 3 to 20 times the loss that both directions together can tell.
fn weaken(plan: &mut Plan, random: &mut ChaCha8Rng) {
    for joint in &mut plan.joints {
        // Bounds need a loss to look for; it moves the noise by less than it is worth.
        joint.loss = Loss::from_db(0.02);
    }
    let simulated: Simulated = run(plan, 0).expect("a drawn link can be simulated");
    let limits = bounds(plan, &simulated);
    for (joint, bound) in plan.joints.iter_mut().zip(limits.iter().skip(1)) {
        let size = bound.size() / 0.02;
        joint.loss = Loss::from_db(random.random_range(3.0..20.0) / size);
    }
}
