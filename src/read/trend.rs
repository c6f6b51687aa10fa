//! How the levels run along the fibre: up or down, and how steeply.

use crate::units::{SPEED_OF_LIGHT_M_PER_S, Wavelength};

use super::titles::DistanceUnit;

/// Which way levels run, and what follows for their sign.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Sense {
    /// Clearly down: levels.
    Falls,
    /// Too little to tell: taken as levels.
    Unclear,
    /// Clearly down under a title that says loss.
    FallsAgainstTitle {
        /// Drop from the first quarter to the last.
        drop_db: f64,
    },
    /// Up, or too little to tell, under a title that says loss.
    TitledLoss,
    /// Clearly up without such a title, above zero as losses are.
    Rises {
        /// Rise from the first quarter to the last.
        rise_db: f64,
    },
    /// Clearly up below zero: a trace counted from its far end rises, too.
    RisesBelowZero {
        /// Rise from the first quarter to the last.
        rise_db: f64,
    },
}

/// Times the spread of the medians before a trend counts; a false turn would
/// spoil everything, and a real trace differs by many times this.
const CLEAR: f64 = 8.0;

/// Least change in decibels that counts: gainers together stay below it on a
/// link too short to lose more.
const LEAST_DB: f64 = 2.0;

/// The same where no title says that the numbers are levels.
const LEAST_UNTITLED_DB: f64 = 0.1;

/// Values of a quarter that its median is taken of.
const ENOUGH: usize = 1024;

/// Decides which way levels run, from their title and their numbers.
pub(super) fn sense(levels_db: &[f64], titled: bool, titled_loss: bool) -> Sense {
    let (drop_db, spread_db) = drop(levels_db).unwrap_or((0.0, 0.0));
    let least = if titled { LEAST_DB } else { LEAST_UNTITLED_DB };
    let least = least.max(CLEAR * spread_db);
    match titled_loss {
        true if drop_db > least => Sense::FallsAgainstTitle { drop_db },
        true => Sense::TitledLoss,
        false if drop_db.abs() <= least => Sense::Unclear,
        false if drop_db > 0.0 => Sense::Falls,
        false => rising(levels_db, -drop_db),
    }
}

impl Sense {
    /// A change too small to tell by itself, judged by the slope of the quiet
    /// stretches: rising as steeply as a fibre attenuates is rising.
    pub(super) fn or_by_slope(
        self,
        levels_db: &[f64],
        fall: impl FnOnce() -> Option<Fall>,
        wavelength: Option<Wavelength>,
    ) -> Self {
        let (Self::Unclear, Some(wavelength)) = (self, wavelength) else {
            return self;
        };
        let Some(fall) = fall() else {
            return self;
        };
        let rise = fall.times(-1000.0);
        let (low, high) = attenuation_bounds(wavelength);
        let clear = rise.per_unit > 4.0 * rise.error && rise.error.is_finite();
        if !(clear && (0.8 * low..=high).contains(&rise.per_unit)) {
            return self;
        }
        let rise_db = drop(levels_db).map_or(0.0, |(drop_db, _)| -drop_db);
        if rise_db <= 0.0 {
            return self;
        }
        rising(levels_db, rise_db)
    }
}

/// Rising levels, by the side of zero that they lie on.
fn rising(levels_db: &[f64], rise_db: f64) -> Sense {
    let stride = levels_db.len().div_ceil(ENOUGH).max(1);
    match median(finite(levels_db.iter().step_by(stride))) {
        Some(middle) if middle > 0.0 => Sense::Rises { rise_db },
        _ => Sense::RisesBelowZero { rise_db },
    }
}

/// Drop of level from the first quarter to the last, and how much that scatters.
fn drop(levels_db: &[f64]) -> Option<(f64, f64)> {
    let quarter = levels_db.len() / 4;
    if quarter < 4 {
        return None;
    }
    let stride = quarter.div_ceil(ENOUGH);
    let first = finite(levels_db.iter().take(quarter).step_by(stride));
    let last = finite(
        levels_db
            .iter()
            .skip(levels_db.len() - quarter)
            .step_by(stride),
    );
    let counted = first.len().min(last.len());
    let steps: Vec<f64> = levels_db
        .windows(2)
        // From all four quarters as many as from one.
        .step_by(4 * stride)
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|step| step.is_finite())
        .collect();
    let (before, after, noise) = (median(first)?, median(last)?, median(steps)?);
    // A median of n values scatters by about 1.25/√n of one value.
    Some((before - after, 1.25 * noise / (counted as f64).sqrt()))
}

fn finite<'v>(values: impl Iterator<Item = &'v f64>) -> Vec<f64> {
    values.copied().filter(|v| v.is_finite()).collect()
}

/// The middle value, in linear time.
pub(super) fn median(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let (_, &mut median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(median)
}

/// Stretches that the trace is cut into to find quiet fibre.
const STRETCHES: usize = 40;

/// Fall of level per unit of distance, and the standard error of that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fall {
    pub(super) per_unit: f64,
    pub(super) error: f64,
}

impl Fall {
    pub(super) fn times(self, factor: f64) -> Self {
        Self {
            per_unit: self.per_unit * factor,
            error: self.error * factor,
        }
    }
}

/// Fall of level on the quietest stretches; `None` where there are too few samples.
///
/// A line is fitted to each of 40 stretches by least squares. Those near the
/// lowest level are noise behind the end and do not count; of the others the
/// third that scatters least is fibre without events, and its median slope is
/// the answer. Its error comes from the spread of those slopes.
pub(super) fn fall_per_unit(distances: &[f64], levels_db: &[f64]) -> Option<Fall> {
    let len = levels_db.len() / STRETCHES;
    if len < 8 {
        return None;
    }
    let fits: Vec<(f64, f64, f64)> = (0..STRETCHES)
        .filter_map(|i| {
            let range = i * len..(i + 1) * len;
            line(distances.get(range.clone())?, levels_db.get(range)?)
        })
        .collect();
    let low = fits.iter().map(|fit| fit.1).fold(f64::INFINITY, f64::min);
    let high = fits
        .iter()
        .map(|fit| fit.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let floor = low + 0.1 * (high - low);
    let mut quiet: Vec<&(f64, f64, f64)> = fits.iter().filter(|fit| fit.1 > floor).collect();
    quiet.sort_by(|a, b| a.2.total_cmp(&b.2));
    quiet.truncate((quiet.len() / 3).max(3));
    let slopes: Vec<f64> = quiet.iter().map(|fit| -fit.0).collect();
    let per_unit = median(slopes.clone())?;
    let spread = median(
        slopes
            .iter()
            .map(|slope| (slope - per_unit).abs())
            .collect(),
    )?;
    // Of normal values, 1.4826 times the median deviation is one standard
    // deviation, and a median scatters 1.25 times as much as a mean.
    let error = 1.25 * 1.4826 * spread / (slopes.len() as f64).sqrt();
    Some(Fall { per_unit, error })
}

/// Slope, mean level and scatter of one stretch.
fn line(x: &[f64], y: &[f64]) -> Option<(f64, f64, f64)> {
    let n = x.len() as f64;
    if y.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let (mx, my) = (summed(x, y, |x, _| x) / n, summed(x, y, |_, y| y) / n);
    let sxx = summed(x, y, |x, _| (x - mx).powi(2));
    let sxy = summed(x, y, |x, y| (x - mx) * (y - my));
    let slope = sxy / sxx;
    let scatter = summed(x, y, |x, y| (y - my - slope * (x - mx)).powi(2));
    (sxx > 0.0).then_some((slope, my, scatter))
}

/// Sum over pairs, as eight sums side by side: one sum waits for each addition
/// before the next, and took a tenth of the time of reading a long file.
fn summed(x: &[f64], y: &[f64], term: impl Fn(f64, f64) -> f64) -> f64 {
    let ((xs, x_rest), (ys, y_rest)) = (x.as_chunks::<8>(), y.as_chunks::<8>());
    let mut sums = [0.0; 8];
    for (x, y) in xs.iter().zip(ys) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += term(*x, *y);
        }
    }
    let rest = x_rest.iter().zip(y_rest).map(|(x, y)| term(*x, *y));
    sums.iter().sum::<f64>() + rest.sum::<f64>()
}

/// Bounds of a fibre's attenuation in dB/km at a wavelength.
///
/// Rayleigh scattering is the floor, about 0.75 dB/km at 1 µm and falling as
/// λ⁻⁴ (0.13 dB/km at 1550 nm; the best fibres come close), taken a tenth
/// lower. The ceiling is 3.2 times that: aged single-mode and usual multimode
/// fibre stays below, and it is less than the 3.28 feet of a metre, so that
/// metres and feet cannot both be right.
pub(super) fn attenuation_bounds(wavelength: Wavelength) -> (f64, f64) {
    let floor = 0.9 * 0.75 / (wavelength.nm() / 1000.0).powi(4);
    (floor, 3.2 * floor)
}

/// Units in which a fall per unit of distance may be that of a fibre, three
/// standard errors allowed.
pub(super) fn fitting_units(fall: Fall, wavelength: Wavelength) -> Vec<DistanceUnit> {
    // Round-trip times take the index of silica, which bends no bound noticeably.
    let metres = |unit: DistanceUnit| {
        let per_unit = if unit.is_time() {
            SPEED_OF_LIGHT_M_PER_S / (2.0 * 1.468)
        } else {
            1.0
        };
        unit.factor() * per_unit
    };
    [
        DistanceUnit::Metre,
        DistanceUnit::Kilometre,
        DistanceUnit::Foot,
        DistanceUnit::Kilofoot,
        DistanceUnit::Mile,
        DistanceUnit::Nanosecond,
        DistanceUnit::Microsecond,
    ]
    .into_iter()
    .filter(|unit| {
        !outside(
            fall.times(1000.0 / metres(*unit)),
            attenuation_bounds(wavelength),
            3.0,
        )
    })
    .collect()
}

/// Whether a fall in dB/km lies outside bounds by more than some standard errors.
pub(super) fn outside(per_km: Fall, bounds: (f64, f64), errors: f64) -> bool {
    per_km.per_unit + errors * per_km.error < bounds.0
        || per_km.per_unit - errors * per_km.error > bounds.1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_that_fall_rise_or_stay_are_told_apart() {
        let falling: Vec<f64> = (0..400).map(|i| -0.01 * f64::from(i)).collect();
        let rising: Vec<f64> = falling.iter().map(|v| -v).collect();
        let reversed: Vec<f64> = rising.iter().map(|v| v - 30.0).collect();
        let gainer: Vec<f64> = (0..400)
            .map(|i| if i < 200 { -12.0 } else { -11.5 })
            .collect();
        assert_eq!(sense(&falling, true, false), Sense::Falls);
        assert!(matches!(
            sense(&falling, true, true),
            Sense::FallsAgainstTitle { .. }
        ));
        assert!(matches!(sense(&rising, true, false), Sense::Rises { .. }));
        assert_eq!(sense(&rising, true, true), Sense::TitledLoss);
        assert!(matches!(
            sense(&reversed, true, false),
            Sense::RisesBelowZero { .. }
        ));
        assert_eq!(sense(&gainer, true, false), Sense::Unclear);
        assert_eq!(sense(&[1.0, 0.0], true, false), Sense::Unclear);
    }

    #[test]
    fn the_fall_of_quiet_fibre_tells_metres_from_feet() {
        // Truth: 0.19 dB/km up to 20 km, then a floor at -40 dB.
        let metres: Vec<f64> = (0..4000).map(|i| 10.0 * f64::from(i)).collect();
        let levels: Vec<f64> = metres
            .iter()
            .map(|x| if *x < 20_000.0 { -0.19e-3 * x } else { -40.0 })
            .collect();
        let fall = fall_per_unit(&metres, &levels).unwrap();
        assert!((fall.per_unit * 1000.0 - 0.19).abs() < 1e-9);
        let nm1550 = Wavelength::from_nm(1550.0);
        assert_eq!(fitting_units(fall, nm1550), [DistanceUnit::Metre]);
        assert_eq!(
            fitting_units(fall.times(0.3048), nm1550),
            [DistanceUnit::Foot]
        );
        // 0.19 dB for a mile would be a good fibre's 0.118 dB/km.
        let units = fitting_units(fall.times(1000.0), nm1550);
        assert_eq!(units, [DistanceUnit::Kilometre, DistanceUnit::Mile]);
    }
}
