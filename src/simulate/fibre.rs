//! The fibre's answer to an infinitely short pulse, in time and linear power.

use super::path::{Glass, Item, What};
use crate::units::SPEED_OF_LIGHT_M_PER_S;

/// A stretch whose backscatter decays exponentially with time.
///
/// At time `t` after the launch of unit energy the power that returns is
/// `rate_per_ns · exp(−decay_per_ns·(t − start_ns))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretch {
    pub(super) start_ns: f64,
    pub(super) end_ns: f64,
    pub(super) rate_per_ns: f64,
    pub(super) decay_per_ns: f64,
    /// True distance from the port where it starts.
    pub(super) start_m: f64,
    /// The glass it is made of.
    pub(super) glass: Glass,
}

/// A place on the way with what light has lost before and after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub(super) what: What,
    pub(super) at_ns: f64,
    /// True distance from the port.
    pub(super) at_m: f64,
    pub(super) loss_db: f64,
    pub(super) reflectance_db: Option<f64>,
    /// One-way transmission from the port up to here.
    pub(super) before: f64,
    /// One-way transmission from the port past here.
    pub(super) after: f64,
}

/// Power that returns at one moment: a fraction of the launched power, for as
/// long as the pulse lasts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Flash {
    pub(super) at_ns: f64,
    pub(super) power: f64,
}

/// All that a short pulse brings back.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ImpulseResponse {
    pub(super) stretches: Vec<Stretch>,
    pub(super) places: Vec<Place>,
    /// Backscatter rate where light leaves the port.
    pub(super) start_rate_per_ns: f64,
    /// Round-trip time to the outermost face.
    pub(super) end_ns: f64,
}

/// Round-trip time of one metre in nanoseconds.
pub(super) fn ns_per_m(group_index: f64) -> f64 {
    2.0 * group_index / SPEED_OF_LIGHT_M_PER_S * 1e9
}

/// Linear ratio of a power level difference.
pub(super) fn ratio(power_db: f64) -> f64 {
    10f64.powf(power_db / 10.0)
}

/// Follows light along the way.
///
/// The backscatter coefficient is power against launched power for a pulse of
/// 1 ns, so its ratio is a rate per nanosecond: `S·α_s·v/2`. Power passes every
/// loss twice; attenuation α and drift d (dB/km, both 10·log10) make the rate
/// fall as 10^(−(2α − d)·z/10).
pub(super) fn follow(way: &[Item]) -> ImpulseResponse {
    let mut response = ImpulseResponse {
        stretches: Vec::new(),
        places: Vec::new(),
        start_rate_per_ns: 0.0,
        end_ns: 0.0,
    };
    let (mut now_ns, mut now_m, mut lost_db) = (0.0, 0.0, 0.0);
    let mut port_loss_db = 0.0;
    for item in way {
        match item {
            Item::Point(point) => {
                let before = ratio(-lost_db);
                lost_db += point.loss_db;
                if point.what == What::Port {
                    port_loss_db = point.loss_db;
                }
                response.places.push(Place {
                    what: point.what,
                    at_ns: now_ns,
                    at_m: now_m,
                    loss_db: point.loss_db,
                    reflectance_db: point.reflectance_db,
                    before,
                    after: ratio(-lost_db),
                });
            }
            Item::Glass(glass) => {
                let time_ns = glass.length_m * ns_per_m(glass.group_index);
                let fall_db_per_km = 2.0 * glass.attenuation_db_per_km - glass.drift_db_per_km;
                if response.stretches.is_empty() {
                    response.start_rate_per_ns = ratio(glass.backscatter_db - 2.0 * port_loss_db);
                }
                response.stretches.push(Stretch {
                    start_ns: now_ns,
                    end_ns: now_ns + time_ns,
                    rate_per_ns: ratio(glass.backscatter_db - 2.0 * lost_db),
                    decay_per_ns: fall_db_per_km * std::f64::consts::LN_10
                        / 10.0
                        / (1000.0 * ns_per_m(glass.group_index)),
                    start_m: now_m,
                    glass: *glass,
                });
                now_ns += time_ns;
                now_m += glass.length_m;
                lost_db += glass.attenuation_db_per_km * glass.length_m / 1000.0;
            }
        }
    }
    response.end_ns = now_ns;
    response
}

impl ImpulseResponse {
    /// The single reflections: power 10^(R/10), lost on the way there and back.
    pub(super) fn reflections(&self) -> Vec<Flash> {
        self.places
            .iter()
            .filter_map(|place| {
                let reflectance_db = place.reflectance_db?;
                Some(Flash {
                    at_ns: place.at_ns,
                    power: ratio(reflectance_db) * place.before * place.before,
                })
            })
            .collect()
    }
}
