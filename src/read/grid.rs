//! Whether the distances are the even grid that a trace needs.

use super::trend::median;

/// A step that breaks the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Break {
    /// Index of the sample behind the step.
    pub(super) index: usize,
    /// The usual step.
    pub(super) step: f64,
}

/// The first step that is not between half and one and a half of the usual one.
pub(super) fn first_break(distances: &[f64]) -> Option<Break> {
    let steps = || distances.windows(2).map(|pair| pair[1] - pair[0]);
    let (first, last) = (distances.first()?, distances.last()?);
    let mean = (last - first) / (distances.len() as f64 - 1.0).max(1.0);
    let even = |step: f64, usual: f64| step >= 0.5 * usual && step <= 1.5 * usual;
    if steps().all(|step| even(step, mean)) {
        return None;
    }
    let usual = median(steps().collect())?;
    let at = steps().position(|step| !even(step, usual))?;
    Some(Break {
        index: at + 1,
        step: usual,
    })
}

/// Most decimals that a distance is printed with; more is floating-point dust.
const MOST_DECIMALS: i32 = 9;

/// The unit of the last printed digit of the distances.
pub(super) fn printed_unit(distances: &[f64]) -> f64 {
    let stride = distances.len().div_ceil(256).max(1);
    let whole = |power: f64| {
        distances.iter().step_by(stride).all(|d| {
            let scaled = d * power;
            (scaled - scaled.round()).abs() <= 1e-9 * scaled.abs().max(1.0)
        })
    };
    (0..MOST_DECIMALS)
        .map(|decimals| 10_f64.powi(decimals))
        .find(|&power| whole(power))
        .map_or(10_f64.powi(-MOST_DECIMALS), |power| 1.0 / power)
}

/// Greatest distance of a sample from the even grid through first and last.
pub(super) fn farthest_off(distances: &[f64]) -> f64 {
    let (Some(&first), Some(&last)) = (distances.first(), distances.last()) else {
        return 0.0;
    };
    let step = (last - first) / (distances.len() as f64 - 1.0).max(1.0);
    distances
        .iter()
        .enumerate()
        .map(|(i, d)| (d - first - i as f64 * step).abs())
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_is_no_break_and_a_missing_row_is() {
        // Spacing 0.255 printed to a hundredth.
        let mut rounded: Vec<f64> = (0..100)
            .map(|i| (25.5 * f64::from(i)).round() / 100.0)
            .collect();
        assert_eq!(first_break(&rounded), None);
        assert!(farthest_off(&rounded) <= printed_unit(&rounded));
        rounded.remove(40);
        assert_eq!(first_break(&rounded).map(|b| b.index), Some(40));
    }

    #[test]
    fn the_printed_unit_is_the_last_digit() {
        assert!((printed_unit(&[0.0, 0.25, 0.5]) - 0.01).abs() < 1e-15);
        assert!((printed_unit(&[0.0, 1.0, 2.0]) - 1.0).abs() < 1e-15);
    }
}
