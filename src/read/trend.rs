//! How the levels run along the fibre: up or down, and how steeply.

use crate::units::Wavelength;

use super::titles::DistanceUnit;

/// Which way levels run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trend {
    Falling,
    Rising,
    /// Too little to tell from the noise.
    Unclear,
}

/// Times the spread of the medians before a trend counts; a false turn would
/// spoil everything, and a real trace differs by many times this.
const CLEAR: f64 = 8.0;

/// Values of a quarter that its median is taken of.
const ENOUGH: usize = 1024;

/// Compares the first quarter with the last one.
pub(super) fn trend(levels_db: &[f64]) -> Trend {
    let quarter = levels_db.len() / 4;
    if quarter < 4 {
        return Trend::Unclear;
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
        .step_by(stride)
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|step| step.is_finite())
        .collect();
    let (Some(before), Some(after), Some(noise)) = (median(first), median(last), median(steps))
    else {
        return Trend::Unclear;
    };
    // A median of n values scatters by about 1.25/√n of one value.
    let spread = 1.25 * noise / (counted as f64).sqrt();
    let drop = before - after;
    if drop > CLEAR * spread {
        Trend::Falling
    } else if drop < -CLEAR * spread {
        Trend::Rising
    } else {
        Trend::Unclear
    }
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

/// Fall of level per unit of distance on the quietest stretches; `None` where
/// there are too few samples.
///
/// A line is fitted to each of 40 stretches by least squares. Those near the
/// lowest level are noise behind the end and do not count; of the others the
/// third that scatters least is fibre without events, and its median slope is
/// the answer.
pub(super) fn fall_per_unit(distances: &[f64], levels_db: &[f64]) -> Option<f64> {
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
    median(quiet.iter().map(|fit| -fit.0).collect())
}

/// Slope, mean level and scatter of one stretch.
fn line(x: &[f64], y: &[f64]) -> Option<(f64, f64, f64)> {
    let n = x.len() as f64;
    if y.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let sxx: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
    let sxy: f64 = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
    let slope = sxy / sxx;
    let scatter: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - my - slope * (x - mx)).powi(2))
        .sum();
    (sxx > 0.0).then_some((slope, my, scatter))
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

/// Units in which a fall per unit of distance would be that of a fibre.
pub(super) fn fitting_units(fall: f64, wavelength: Wavelength) -> Vec<DistanceUnit> {
    let (floor, ceiling) = attenuation_bounds(wavelength);
    [
        DistanceUnit::Metre,
        DistanceUnit::Kilometre,
        DistanceUnit::Foot,
        DistanceUnit::Kilofoot,
    ]
    .into_iter()
    .filter(|unit| (floor..=ceiling).contains(&(fall * 1000.0 / unit.factor())))
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_that_fall_rise_or_stay_are_told_apart() {
        let falling: Vec<f64> = (0..400).map(|i| -0.01 * f64::from(i)).collect();
        let rising: Vec<f64> = falling.iter().map(|v| -v).collect();
        let flat: Vec<f64> = (0..400).map(|i| f64::from(i % 2)).collect();
        assert_eq!(trend(&falling), Trend::Falling);
        assert_eq!(trend(&rising), Trend::Rising);
        assert_eq!(trend(&flat), Trend::Unclear);
        assert_eq!(trend(&[1.0, 0.0]), Trend::Unclear);
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
        assert!((fall * 1000.0 - 0.19).abs() < 1e-9);
        let nm1550 = Wavelength::from_nm(1550.0);
        assert_eq!(fitting_units(fall, nm1550), [DistanceUnit::Metre]);
        assert_eq!(fitting_units(fall * 0.3048, nm1550), [DistanceUnit::Foot]);
        assert_eq!(
            fitting_units(fall * 1000.0, nm1550),
            [DistanceUnit::Kilometre]
        );
    }
}
