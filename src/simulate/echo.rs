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
    /// The reflectors in the order in which the strongest path meets them.
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
            record(
                &mut found,
                &path,
                Flash {
                    at_ns: path.delay_ns,
                    power: path.power * last.before,
                },
            );
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
    found
}

fn power_of(place: &Place) -> f64 {
    place.reflectance_db.map_or(0.0, ratio)
}

/// Adds a path to the echo of the same reflectors and delay, or starts one.
///
/// Light of different paths of equal length is taken to add in power.
fn record(found: &mut Vec<Echo>, path: &Path, flash: Flash) {
    let of: Vec<What> = path.met.iter().map(|place| place.what).collect();
    let same = |echo: &&mut Echo| {
        // The paths' delays are the same sum in another order.
        (echo.flash.at_ns - flash.at_ns).abs() <= 1e-6
            && echo.of.len() == of.len()
            && of.iter().all(|what| echo.of.contains(what))
    };
    if let Some(echo) = found.iter_mut().find(same) {
        echo.flash.power += flash.power;
    } else {
        found.push(Echo { flash, of });
    }
}
