//! Squared thresholds, each worked out once for whoever asks at the same rate of false events.

use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use super::threshold::threshold;

/// Squared thresholds at one rate of false events.
#[derive(Debug)]
pub(super) struct Squares {
    rate_per_sample: f64,
    /// By directions less one.
    grids: [Grid; 2],
}

/// Rates that are kept: a cable has two for each spacing of its traces, and few of these.
const MOST_KEPT: usize = 32;

/// What was asked for, the longest known first. A square is the same whoever asked before: what
/// is kept here saves time and changes no result, so that nobody need pass it on.
static KNOWN: Mutex<Vec<Arc<Squares>>> = Mutex::new(Vec::new());

/// Bits of a rate that are left out of what it is known by: the rate is less by a four thousandth
/// of it at most, so that a squared threshold of 25 is greater by 0.0005 and false events are no
/// more. The spacing of one trace on the other's axis, of which a rate is a multiple, differs from
/// pair to pair in the fifth digit; with fewer bits left out each pair has thresholds of its own.
const LEFT_OUT: u64 = (1 << 40) - 1;

/// The squares at a rate per sample, to a four thousandth of it.
pub(super) fn squares_at(rate_per_sample: f64) -> Arc<Squares> {
    let rate_per_sample = f64::from_bits(rate_per_sample.to_bits() & !LEFT_OUT);
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    let is_same = |k: &&Arc<Squares>| k.rate_per_sample.to_bits() == rate_per_sample.to_bits();
    if let Some(same) = known.iter().find(is_same) {
        return Arc::clone(same);
    }
    if known.len() == MOST_KEPT {
        known.remove(0);
    }
    let squares = Arc::new(Squares {
        rate_per_sample,
        grids: [Grid::new(), Grid::new()],
    });
    known.push(Arc::clone(&squares));
    squares
}

impl Squares {
    /// Squared threshold for a statistic whose correlation falls by `change` per sample.
    pub(super) fn square(&self, change: f64, directions: usize) -> f64 {
        let directions = directions.clamp(1, 2);
        let exact = |change: f64| threshold(self.rate_per_sample, change, directions).powi(2);
        self.grids[directions - 1].square(change, exact)
    }
}

/// Squared thresholds at changes [`STEP`] apart on a logarithmic scale, each worked out
/// when it is first asked for.
#[derive(Debug)]
struct Grid(Vec<OnceLock<f64>>);

/// Logarithms of the least and the greatest change on the grid: windows of a million
/// samples, and samples that have nothing in common.
const CHANGES: (f64, f64) = (-15.0, 2.0);

/// Steps of the grid. The square is nearly straight on it: a polynomial through four
/// points is off by 10⁻⁸ of it at most, from three standard errors on: below, a threshold no
/// longer makes events rare.
const STEP: f64 = 1.0 / 16.0;

impl Grid {
    fn new() -> Self {
        let points = ((CHANGES.1 - CHANGES.0) / STEP) as usize;
        Self(vec![OnceLock::new(); points])
    }

    /// The square at a change, `at` working it out at points of the grid.
    fn square(&self, change: f64, at: impl Fn(f64) -> f64) -> f64 {
        let x = (change.ln() - CHANGES.0) / STEP;
        let first = (x.max(0.0) as usize).saturating_sub(1);
        let Some([a, b, c, d]) = self.0.get(first..first + 4) else {
            return at(change);
        };
        if x.is_nan() || x < 1.0 {
            return at(change);
        }
        let value = |cell: &OnceLock<f64>, k: usize| {
            *cell.get_or_init(|| at(((first + k) as f64 * STEP + CHANGES.0).exp()))
        };
        let (a, b, c, d) = (value(a, 0), value(b, 1), value(c, 2), value(d, 3));
        // Lagrange through −1, 0, 1 and 2.
        let t = x - (first + 1) as f64;
        let (p, q, r) = (t + 1.0, t - 1.0, t - 2.0);
        -a * t * q * r / 6.0 + b * p * q * r / 2.0 - c * p * t * r / 2.0 + d * p * t * q / 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Second computation: each threshold by itself. A polynomial through four points of a grid
    /// this fine is off by 10⁻⁸; ten times that is allowed.
    #[test]
    fn squares_between_the_points_of_the_grid_are_those_worked_out() {
        let mut compared = 0;
        for rate in [1e-9, 1e-6, 2e-5] {
            let squares = squares_at(rate);
            assert!((squares.rate_per_sample / rate - 1.0).abs() < 1.0 / 4000.0);
            for k in 0..1000 {
                let change = (-14.9 + 16.0 * f64::from(k) / 1000.0).exp();
                for directions in [1, 2] {
                    let wanted = threshold(squares.rate_per_sample, change, directions).powi(2);
                    if wanted < 9.0 {
                        continue;
                    }
                    compared += 1;
                    let found = squares.square(change, directions);
                    approx::assert_relative_eq!(found, wanted, max_relative = 1e-7);
                }
            }
        }
        assert!(compared > 4000, "{compared} of 6000 compared");
    }
}
