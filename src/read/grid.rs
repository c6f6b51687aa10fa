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

/// The steps between distances, and how far these lie off an even grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steps {
    /// Mean step.
    pub(super) mean: f64,
    pub(super) least: f64,
    pub(super) greatest: f64,
    /// Greatest distance of a sample from the even grid through first and last.
    pub(super) farthest_off: f64,
}

impl Steps {
    /// Looks at all distances once; `None` of fewer than two.
    pub(super) fn of(distances: &[f64]) -> Option<Self> {
        let (&first, &last) = (distances.first()?, distances.last()?);
        let after = distances.get(1..).filter(|after| !after.is_empty())?;
        let mean = (last - first) / after.len() as f64;
        // Eight side by side: one comparison would wait for the one before it.
        let (mut least, mut greatest) = ([f64::INFINITY; 8], [f64::NEG_INFINITY; 8]);
        let mut off = [0.0_f64; 8];
        let mut take = |start: usize, before: &[f64], after: &[f64]| {
            let lanes = least.iter_mut().zip(&mut greatest).zip(&mut off);
            let pairs = before.iter().zip(after).zip(lanes).enumerate();
            for (lane, ((before, after), ((least, greatest), off))) in pairs {
                let step = after - before;
                let index = (start + lane + 1) as f64;
                let here = (after - first - index * mean).abs();
                *least = if step < *least { step } else { *least };
                *greatest = if step > *greatest { step } else { *greatest };
                *off = if here > *off { here } else { *off };
            }
        };
        let ((befores, _), (afters, rest)) = (distances.as_chunks::<8>(), after.as_chunks::<8>());
        for (nth, (before, after)) in befores.iter().zip(afters).enumerate() {
            take(8 * nth, before, after);
        }
        let start = 8 * afters.len();
        take(start, distances.get(start..)?, rest);
        Some(Self {
            mean,
            least: least.into_iter().fold(f64::INFINITY, f64::min),
            greatest: greatest.into_iter().fold(f64::NEG_INFINITY, f64::max),
            farthest_off: off.into_iter().fold(0.0, f64::max),
        })
    }

    /// The first step that is not between half and one and a half of the usual one.
    pub(super) fn first_break(self, distances: &[f64]) -> Option<Break> {
        let even = |step: f64, usual: f64| step >= 0.5 * usual && step <= 1.5 * usual;
        if even(self.least, self.mean) && even(self.greatest, self.mean) {
            return None;
        }
        let steps = || distances.windows(2).map(|pair| pair[1] - pair[0]);
        let usual = median(steps().collect())?;
        let at = steps().position(|step| !even(step, usual))?;
        Some(Break {
            index: at + 1,
            step: usual,
        })
    }
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
        let steps = Steps::of(&rounded).unwrap();
        assert_eq!(steps.first_break(&rounded), None);
        assert!(steps.farthest_off <= printed_unit(&rounded));
        rounded.remove(40);
        let found = Steps::of(&rounded).unwrap().first_break(&rounded);
        assert_eq!(found.map(|b| b.index), Some(40));
    }

    #[test]
    fn every_step_counts_wherever_it_stands() {
        assert_eq!(Steps::of(&[]), None);
        assert_eq!(Steps::of(&[1.0]), None);
        // Even steps of one with one sample moved by a quarter: both steps beside it
        // differ by a quarter, and it alone lies off the grid.
        for n in 3..40 {
            for moved in 1..n - 1 {
                let mut distances: Vec<f64> = (0..n).map(f64::from).collect();
                distances[moved as usize] += 0.25;
                let found = Steps::of(&distances).unwrap();
                let wanted = (1.0, 0.75, 1.25, 0.25);
                let found = (found.mean, found.least, found.greatest, found.farthest_off);
                assert_eq!(found, wanted, "{n} {moved}");
            }
        }
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
