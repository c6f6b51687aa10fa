//! Links of many kinds for accuracy figures, drawn from a seed.

use super::instrument::{Instrument, Noise, Receiver, Tail, TailDrive};
use super::path::From;
use super::plan::{Fibre, Joint, LinkEnd, Plan};
use super::random::{Component, Stream};
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance,
    Wavelength,
};

/// What [`random_link`] draws from. Pairs are the least and greatest value of a
/// uniform draw.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomLinkSettings {
    /// Wavelength.
    pub wavelength: Wavelength,
    /// Length of the link in kilometres.
    pub length_km: (f64, f64),
    /// Length of one fibre in kilometres; the last may be shorter by half.
    pub fibre_km: (f64, f64),
    /// Attenuation of each fibre in dB/km.
    pub attenuation_db_per_km: (f64, f64),
    /// Mean of the fibres' backscatter coefficient in dB at 1 ns.
    pub backscatter_db: f64,
    /// Standard deviation of a joint's backscatter step h in one-way dB; the
    /// fibres' coefficients then vary by √2 times as much.
    pub step_sd_db: f64,
    /// Mean splice loss in dB; losses are exponential, as mean workmanship with
    /// a few bad joints is.
    pub splice_loss_db: f64,
    /// Loss of the two end connectors.
    pub connector_loss_db: (f64, f64),
    /// Reflectance of the two end connectors.
    pub connector_reflectance_db: (f64, f64),
    /// Length of the cords in kilometres.
    pub cord_km: f64,
    /// Both directions' instrument.
    pub instrument: Instrument,
}

impl Default for RandomLinkSettings {
    fn default() -> Self {
        let group_index = GroupIndex::from_ratio(1.4682);
        let pulse = PulseWidth::from_ns(275.0);
        Self {
            wavelength: Wavelength::from_nm(1550.0),
            length_km: (10.0, 60.0),
            fibre_km: (2.0, 6.0),
            attenuation_db_per_km: (0.185, 0.20),
            backscatter_db: -82.0,
            step_sd_db: 0.1,
            splice_loss_db: 0.04,
            connector_loss_db: (0.05, 0.4),
            connector_reflectance_db: (-60.0, -45.0),
            cord_km: 1.0,
            instrument: Instrument {
                averaging_time_s: 180.0,
                port_loss: Loss::from_db(0.3),
                port_reflectance: Some(Reflectance::from_db(-50.0)),
                receiver: Receiver {
                    time_constant_ns: 25.0,
                    ceiling_above_start_db: Some(8.0),
                    tails: vec![Tail {
                        share: 0.002,
                        time_constant_ns: 600.0,
                        after: TailDrive::Overload,
                    }],
                },
                noise: Noise {
                    dynamic_range_db: Some(27.0),
                    ..Noise::default()
                },
                display: super::Display {
                    step_db: Some(0.001),
                    ..super::Display::default()
                },
                ..Instrument::ideal(pulse, Length::from_m(2.0), group_index)
            },
        }
    }
}

/// Draws a link: fibres of unlike backscatter, splices, connectors and cords.
///
/// The same seed and settings give the same plan; its own seed is the same one.
pub fn random_link(seed: u64, settings: &RandomLinkSettings) -> Plan {
    let mut stream = Stream::new(seed, From::A, Component::Link);
    let fibre_sd_db = settings.step_sd_db * std::f64::consts::SQRT_2;
    let mut left_km = stream.between(settings.length_km.0, settings.length_km.1);
    let mut lengths_km = Vec::new();
    while left_km > 0.0 {
        let drawn_km = stream.between(settings.fibre_km.0, settings.fibre_km.1);
        // What is left over joins the last fibre rather than make a stub.
        let take_km = if left_km - drawn_km < 0.5 * settings.fibre_km.0 {
            left_km
        } else {
            drawn_km
        };
        lengths_km.push(take_km);
        left_km -= take_km;
    }
    let mut glass = |length_km: f64| {
        // Reels of one type differ in the fourth decimal of the index.
        let index = settings.instrument.group_index.ratio() + 1e-4 * stream.normal();
        let backscatter_db = settings.backscatter_db + fibre_sd_db * stream.normal();
        let (low, high) = settings.attenuation_db_per_km;
        Fibre::new(
            Length::from_km(length_km),
            Attenuation::from_db_per_km(stream.between(low, high)),
            BackscatterCoefficient::from_db(backscatter_db),
            GroupIndex::from_ratio(index),
        )
    };
    let fibres: Vec<Fibre> = lengths_km.iter().map(|&km| glass(km)).collect();
    let cords = [glass(settings.cord_km), glass(settings.cord_km)];
    let joints = (1..fibres.len())
        .map(|number| Joint {
            name: format!("closure {number}"),
            loss: Loss::from_db(-settings.splice_loss_db * stream.uniform().ln()),
            reflectance: None,
        })
        .collect();
    let [end_a, end_b] = cords.map(|cord| LinkEnd {
        name: String::new(),
        loss: Loss::from_db(
            stream.between(settings.connector_loss_db.0, settings.connector_loss_db.1),
        ),
        reflectance: Some(Reflectance::from_db(stream.between(
            settings.connector_reflectance_db.0,
            settings.connector_reflectance_db.1,
        ))),
        cord: Some(cord),
        open_reflectance: Some(Reflectance::from_db(-14.7)),
    });
    Plan {
        fibre: format!("{seed}"),
        seed,
        end_a,
        end_b,
        joints,
        ..Plan::new(settings.wavelength, fibres, settings.instrument.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_have_the_lengths_and_the_backscatter_steps_asked_for() {
        let settings = RandomLinkSettings::default();
        let mut steps = Vec::new();
        for seed in 0..300 {
            let plan = random_link(seed, &settings);
            plan.check().unwrap();
            let km = plan.length().km();
            assert!((10.0..=60.0).contains(&km), "{km} km");
            assert!(
                plan.fibres
                    .iter()
                    .all(|f| (1.0..=7.0).contains(&f.length.km()))
            );
            steps.extend(
                plan.fibres
                    .windows(2)
                    .map(|pair| 0.5 * (pair[0].backscatter.db() - pair[1].backscatter.db())),
            );
        }
        let n = steps.len() as f64;
        let sd = (steps.iter().map(|h| h * h).sum::<f64>() / n).sqrt();
        // About 2400 steps, each pair sharing a fibre: four times 1/√(2n)·√1.5 = 7 %.
        approx::assert_relative_eq!(sd, 0.1, max_relative = 0.07);
    }

    #[test]
    fn the_same_seed_draws_the_same_link() {
        let settings = RandomLinkSettings::default();
        assert_eq!(random_link(8, &settings), random_link(8, &settings));
        assert_ne!(random_link(8, &settings), random_link(9, &settings));
    }
}
