//! Means, trends and their tests. Every function gives `None` where too few values,
//! or values without spread, leave nothing to test.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Correlation of two counts from which they cannot be told apart. Our choice: at 0.95
/// a slope has three times the error that it has alone.
const TOGETHER: f64 = 0.95;

/// A mean with the test of whether it is zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanTest {
    /// Number of values.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation (n − 1).
    pub std: f64,
    /// Standard error of the mean, s/√n.
    pub std_error: f64,
    /// Probability of a mean at least this far from zero if it were zero, both sides:
    /// Student's t with n − 1 degrees of freedom.
    pub p: f64,
}

/// The difference of two means with the test of whether it is zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DifferenceTest {
    /// First mean less second.
    pub difference: f64,
    /// Its standard error, √(s₁²/n₁ + s₂²/n₂).
    pub std_error: f64,
    /// Probability of a difference at least this far from zero, both sides.
    pub p: f64,
}

/// A straight line through points with the test of whether it is level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineTest {
    /// Number of points.
    pub n: usize,
    /// Rise for each unit of x.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_std_error: f64,
    /// Height at x = 0.
    pub intercept: f64,
    /// Probability of a slope at least this steep, both sides: Student's t with
    /// n − 2 degrees of freedom.
    pub p: f64,
}

fn mean_of(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Variance with n − 1.
fn variance_of(values: &[f64], mean: f64) -> f64 {
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    squares / (values.len() as f64 - 1.0)
}

/// Probability beyond ±t of Student's distribution.
fn both_tails(t: f64, freedom: f64) -> Option<f64> {
    let student = StudentsT::new(0.0, 1.0, freedom).ok()?;
    let p = 2.0 * student.sf(t.abs());
    p.is_finite().then_some(p)
}

/// Mean and one-sample t-test; wants three values with some spread.
///
/// # Source
/// Student, Biometrika 6 (1908) 1 (from memory); held against scipy in a test.
pub fn mean_test(values: &[f64]) -> Option<MeanTest> {
    let n = values.len();
    if n < 3 {
        return None;
    }
    let mean = mean_of(values);
    let std = variance_of(values, mean).sqrt();
    let std_error = std / (n as f64).sqrt();
    let p = (std_error > 0.0)
        .then(|| both_tails(mean / std_error, n as f64 - 1.0))
        .flatten()?;
    Some(MeanTest {
        n,
        mean,
        std,
        std_error,
        p,
    })
}

/// Welch's test of two samples whose spreads may differ; wants three values each.
///
/// # Source
/// B. L. Welch, Biometrika 34 (1947) 28 (from memory); held against scipy in a test.
pub fn difference_test(one: &[f64], other: &[f64]) -> Option<DifferenceTest> {
    if one.len() < 3 || other.len() < 3 {
        return None;
    }
    let (n1, n2) = (one.len() as f64, other.len() as f64);
    let (m1, m2) = (mean_of(one), mean_of(other));
    let (v1, v2) = (variance_of(one, m1) / n1, variance_of(other, m2) / n2);
    let std_error = (v1 + v2).sqrt();
    if std_error <= 0.0 {
        return None;
    }
    let freedom = (v1 + v2).powi(2) / (v1 * v1 / (n1 - 1.0) + v2 * v2 / (n2 - 1.0));
    Some(DifferenceTest {
        difference: m1 - m2,
        std_error,
        p: both_tails((m1 - m2) / std_error, freedom)?,
    })
}

/// Least-squares line and the t-test of its slope; wants four points and some
/// spread in both.
pub fn line_test(x: &[f64], y: &[f64]) -> Option<LineTest> {
    line_with_freedom(x, y, 2)
}

/// The same with another count held: the slope of x in y = a + b·x + c·other, tested
/// with n − 3 degrees of freedom. `None` also where the two counts rise together, so
/// that nothing tells them apart.
///
/// # Source
/// R. Frisch and F. V. Waugh, Econometrica 1 (1933) 387 (from memory): the slope is that
/// of what `other` leaves of y on what it leaves of x; held against statsmodels in a test.
pub fn line_test_holding(x: &[f64], other: &[f64], y: &[f64]) -> Option<LineTest> {
    let (left_of_x, left_of_y) = (left_by(other, x)?, left_by(other, y)?);
    let spread = |values: &[f64]| {
        let mean = mean_of(values);
        values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>()
    };
    if spread(&left_of_x) < (1.0 - TOGETHER * TOGETHER) * spread(x) {
        return None;
    }
    line_with_freedom(&left_of_x, &left_of_y, 3)
}

/// What a line through (x, y) leaves of y.
fn left_by(x: &[f64], y: &[f64]) -> Option<Vec<f64>> {
    let line = Line::through(x, y)?;
    Some(line.residuals(x, y).collect())
}

/// The least-squares line through points.
struct Line {
    slope: f64,
    intercept: f64,
    /// Σ(x − x̄)².
    sum_xx: f64,
}

impl Line {
    /// `None` without a spread in x.
    fn through(x: &[f64], y: &[f64]) -> Option<Self> {
        if x.len() != y.len() {
            return None;
        }
        let (mean_x, mean_y) = (mean_of(x), mean_of(y));
        let sum_xx: f64 = x.iter().map(|x| (x - mean_x) * (x - mean_x)).sum();
        if sum_xx <= 0.0 {
            return None;
        }
        let sum_xy: f64 = (x.iter().zip(y))
            .map(|(x, y)| (x - mean_x) * (y - mean_y))
            .sum();
        let slope = sum_xy / sum_xx;
        Some(Self {
            slope,
            intercept: mean_y - slope * mean_x,
            sum_xx,
        })
    }

    fn residuals(&self, x: &[f64], y: &[f64]) -> impl Iterator<Item = f64> {
        (x.iter().zip(y)).map(|(x, y)| y - self.intercept - self.slope * x)
    }
}

fn line_with_freedom(x: &[f64], y: &[f64], fitted: usize) -> Option<LineTest> {
    let n = x.len();
    if n < fitted + 2 {
        return None;
    }
    let line = Line::through(x, y)?;
    let residual: f64 = line.residuals(x, y).map(|left| left * left).sum();
    let freedom = (n - fitted) as f64;
    let slope_std_error = (residual / freedom / line.sum_xx).sqrt();
    if slope_std_error <= 0.0 {
        return None;
    }
    Some(LineTest {
        n,
        slope: line.slope,
        slope_std_error,
        intercept: line.intercept,
        p: both_tails(line.slope / slope_std_error, freedom)?,
    })
}

/// Holm's adjustment: with these in place of the `p`, the chance that any true
/// hypothesis of the family falls below a level is at most that level.
///
/// # Source
/// S. Holm, Scand. J. Statist. 6 (1979) 65 (from memory); held against statsmodels in
/// a test.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&one, &other| p[one].total_cmp(&p[other]));
    let mut adjusted = vec![1.0; p.len()];
    let mut least = 0.0f64;
    for (rank, &idx) in order.iter().enumerate() {
        least = least.max((p.len() - rank) as f64 * p[idx]).min(1.0);
        adjusted[idx] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_values_or_no_spread_test_nothing() {
        assert!(mean_test(&[0.1, 0.2]).is_none());
        assert!(mean_test(&[0.1; 5]).is_none());
        assert!(difference_test(&[0.1; 4], &[0.2; 4]).is_none());
        assert!(line_test(&[1.0; 6], &[0.1, 0.2, 0.3, 0.1, 0.2, 0.3]).is_none());
        assert!(line_test(&[1.0, 2.0, 3.0], &[0.1, 0.2, 0.1]).is_none());
        assert!(holm(&[]).is_empty());
    }

    #[test]
    fn closed_forms_of_small_samples() {
        // Values −1, 0, 1, 2, 3: mean 1, variance 10/4, error √(2.5/5); with four degrees
        // of freedom P(|t| > t₀) = 1 − (3/2)·s + s³/2, s = t₀/√(4 + t₀²) (textbook closed
        // form of Student's distribution); rounding only.
        let test = mean_test(&[-1.0, 0.0, 1.0, 2.0, 3.0]).unwrap();
        let t = 1.0 / 0.5f64.sqrt();
        let s = t / (4.0 + t * t).sqrt();
        approx::assert_relative_eq!(test.std_error, 0.5f64.sqrt(), max_relative = 1e-12);
        approx::assert_relative_eq!(test.p, 1.0 - 1.5 * s + 0.5 * s.powi(3), max_relative = 1e-9);
        // Points (0, 0), (1, 1), (2, 1), (3, 2): slope 3/5, residuals 0.2 in sum; two degrees
        // of freedom: P(|t| > t₀) = 1 − t₀/√(2 + t₀²).
        let line = line_test(&[0.0, 1.0, 2.0, 3.0], &[0.0, 1.0, 1.0, 2.0]).unwrap();
        let error = (0.2f64 / 2.0 / 5.0).sqrt();
        let t = 0.6 / error;
        approx::assert_relative_eq!(line.slope, 0.6, max_relative = 1e-12);
        approx::assert_relative_eq!(line.slope_std_error, error, max_relative = 1e-9);
        approx::assert_relative_eq!(line.p, 1.0 - t / (2.0 + t * t).sqrt(), max_relative = 1e-9);
    }

    #[test]
    fn holm_multiplies_the_smallest_by_the_number_of_tests_and_never_falls() {
        // By hand: 0.01·4, 0.02·3, then 0.03·2 = 0.06 not below 0.06, then 0.5.
        let adjusted = holm(&[0.5, 0.01, 0.03, 0.02]);
        for (found, wanted) in adjusted.iter().zip([0.5, 0.04, 0.06, 0.06]) {
            approx::assert_abs_diff_eq!(*found, wanted, epsilon = 1e-12);
        }
    }
}
