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
        // Neighbours too: every other one may be whole.
        let seen = distances
            .iter()
            .step_by(stride)
            .chain(distances.iter().take(64));
        seen.copied().all(|d| {
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

/// An even grid under distances that are rounded to more than the spacing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Grid {
    pub(super) start: f64,
    pub(super) step: f64,
}

/// The grid of this step that every distance is the rounding of, or else the
/// cutting-off; `None` where no start makes it so, as with a doubled row.
///
/// With the unit u of the last digit, sample i at d lies in d ± u/2, so that the
/// start lies in d − i·step ± u/2 for every i: the ranges must have a part in
/// common. Of that part the first distance is taken, or else its middle.
pub(super) fn grid_under(distances: &[f64], step: f64) -> Option<Grid> {
    let unit = printed_unit(distances);
    let first = *distances.first()?;
    // A millionth of the unit for the rounding of the arithmetic.
    let slack = 1e-6 * unit;
    [(0.5, 0.5), (0.0, 1.0)]
        .into_iter()
        .find_map(|(below, above)| {
            let (low, high) = distances.iter().enumerate().fold(
                (f64::NEG_INFINITY, f64::INFINITY),
                |(low, high), (i, d)| {
                    let start = d - i as f64 * step;
                    (
                        low.max(start - below * unit),
                        high.min(start + above * unit),
                    )
                },
            );
            if low > high + slack {
                return None;
            }
            let inside = first >= low - slack && first <= high + slack;
            let start = if inside {
                first
            } else {
                f64::midpoint(low, high)
            };
            Some(Grid { start, step })
        })
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

    #[test]
    fn a_grid_is_found_under_rounded_distances_and_not_under_a_doubled_row() {
        // Spacing 2 printed to 10; floor(x/10 + 1/2) rounds.
        let mut rounded: Vec<f64> = (0..500)
            .map(|i| (f64::from(i) * 0.2 + 0.5).floor() * 10.0)
            .collect();
        // The smallest unit looked for is one.
        for d in &mut rounded {
            *d /= 1000.0;
        }
        let grid = grid_under(&rounded, 0.002).unwrap();
        assert!(grid.start.abs() < 1e-12);
        assert_eq!(grid_under(&rounded, 0.0021), None);
        rounded.insert(200, rounded[200]);
        rounded.insert(200, rounded[200]);
        rounded.insert(200, rounded[200]);
        rounded.insert(200, rounded[200]);
        rounded.insert(200, rounded[200]);
        rounded.insert(200, rounded[200]);
        assert_eq!(grid_under(&rounded, 0.002), None);
    }
}
