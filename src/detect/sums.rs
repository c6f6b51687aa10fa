//! Weighted least-squares lines over any window in constant time.

/// Sums of weight, weight·x, weight·x², weight·y, weight·x·y and weight·y² from a
/// sample to the end of the trace, so that a window's sums are one subtraction.
///
/// They run from the far end: weights fall along a trace by powers of ten, and a
/// difference of sums that begin at the strong end would lose the weak one to
/// rounding. Levels should be detrended first for the same reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums {
    /// Weight and weight·y, apart from the rest: means are asked for most often.
    level: Vec<[f64; 2]>,
    /// Weight·x, weight·x², weight·x·y and weight·y².
    shape: Vec<[f64; 4]>,
}

/// A line through a window of samples: index of a sample against level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Mean index, weighted.
    pub centre: f64,
    /// Level at the mean index.
    pub level: f64,
    /// Level per sample.
    pub slope: f64,
    /// Variance of `level`.
    pub level_variance: f64,
    /// Variance of `slope`.
    pub slope_variance: f64,
    /// Weighted sum of squared residuals, in units of the variance.
    pub chi_square: f64,
}

impl Line {
    /// Level at an index, which may be a fraction or outside the window.
    pub fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.centre)
    }

    /// Variance of the level at an index.
    pub fn variance_at(&self, x: f64) -> f64 {
        let d = x - self.centre;
        self.level_variance + self.slope_variance * d * d
    }
}

impl Sums {
    /// Sums over levels `y` with weights `w` = 1/variance; weight 0 leaves a sample out.
    pub fn new(y: &[f64], w: &[f64]) -> Self {
        Self::of(|i| y[i], w)
    }

    /// As [`Self::new`], the levels by a function of the index.
    pub(super) fn of(y: impl Fn(usize) -> f64, w: &[f64]) -> Self {
        let n = w.len();
        let mut level = vec![[0.0; 2]; n + 1];
        let mut shape = vec![[0.0; 4]; n + 1];
        let (mut sums, mut moments) = ([0.0; 2], [0.0; 4]);
        for i in (0..n).rev() {
            let weight = w[i];
            if weight > 0.0 {
                let x = i as f64 - n as f64;
                let wx = weight * x;
                let y = y(i);
                let wy = weight * y;
                sums[0] += weight;
                sums[1] += wy;
                moments[0] += wx;
                moments[1] += wx * x;
                moments[2] += wy * x;
                moments[3] += wy * y;
            }
            level[i] = sums;
            shape[i] = moments;
        }
        Self { level, shape }
    }

    /// Running sums of weight and weight·y from each sample to the end of the trace.
    pub(super) fn running(&self) -> &[[f64; 2]] {
        &self.level
    }

    /// Total weight of the samples `lo..hi`.
    pub fn weight(&self, lo: usize, hi: usize) -> f64 {
        self.level[lo][0] - self.level[hi][0]
    }

    /// Weighted mean of the samples `lo..hi` and its variance; none without weight.
    pub fn mean(&self, lo: usize, hi: usize) -> Option<(f64, f64)> {
        let (a, b) = (&self.level[lo], &self.level[hi]);
        let weight = a[0] - b[0];
        (weight > 0.0).then(|| ((a[1] - b[1]) / weight, 1.0 / weight))
    }

    /// Lines through the samples `k..k + window` for every k from `lo` on whose window ends
    /// before `hi`; where there is none, a level of infinite variance. Without their χ².
    pub(super) fn lines(&self, window: usize, lo: usize, hi: usize) -> Vec<Line> {
        let count = (hi + 1).saturating_sub(window).saturating_sub(lo);
        let (level, shape) = (&self.level[lo..], &self.shape[lo..]);
        let near = level[..count].iter().zip(&shape[..count]);
        let far = level[window..].iter().zip(&shape[window..]);
        let origin = (self.level.len() - 1) as f64;
        let fewest = 0.2 / window as f64;
        near.zip(far)
            .map(|((p, a), (q, b))| {
                let (s0, sy) = (p[0] - q[0], p[1] - q[1]);
                let (sx, square, product) = (a[0] - b[0], a[1] - b[1], a[2] - b[2]);
                let variance = 1.0 / s0;
                let mean_x = sx * variance;
                let sxx = square - sx * mean_x;
                let level = sy * variance;
                let slope_variance = 1.0 / sxx;
                // As in `line`.
                let is_line = s0 > 0.0 && sxx > fewest * s0;
                Line {
                    centre: mean_x + origin,
                    level: if is_line { level } else { 0.0 },
                    slope: if is_line {
                        (product - sx * level) * slope_variance
                    } else {
                        0.0
                    },
                    level_variance: if is_line { variance } else { f64::INFINITY },
                    slope_variance: if is_line { slope_variance } else { 0.0 },
                    chi_square: 0.0,
                }
            })
            .collect()
    }

    /// Line through the samples `lo..hi`; none when fewer than two have weight.
    #[inline]
    pub fn line(&self, lo: usize, hi: usize) -> Option<Line> {
        if hi < lo + 2 {
            return None;
        }
        let (p, q) = (&self.level[lo], &self.level[hi]);
        let s0 = p[0] - q[0];
        if s0 <= 0.0 {
            return None;
        }
        let variance = 1.0 / s0;
        let (a, b) = (&self.shape[lo], &self.shape[hi]);
        let sx = a[0] - b[0];
        let mean_x = sx * variance;
        let sxx = (a[1] - b[1]) - sx * mean_x;
        // Two samples of equal weight w at distance 1 have Σw(x−x̄)² = w/2.
        if sxx <= 0.2 * s0 / (hi - lo) as f64 {
            return None;
        }
        let sy = p[1] - q[1];
        let level = sy * variance;
        let sxy = (a[2] - b[2]) - sx * level;
        let syy = (a[3] - b[3]) - sy * level;
        let slope_variance = 1.0 / sxx;
        let slope = sxy * slope_variance;
        Some(Line {
            centre: mean_x + (self.level.len() - 1) as f64,
            level,
            slope,
            level_variance: variance,
            slope_variance,
            chi_square: (syy - sxy * slope).max(0.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20-point vector: two lines of ten points each side of 2.000 km, common
    /// decay 0.2 dB/km, step 0.300 dB; computed with ordinary least squares.
    #[test]
    fn two_lines_give_the_step_of_the_worked_vector() {
        let left = [
            19.81, 19.77, 19.78, 19.72, 19.72, 19.71, 19.67, 19.66, 19.66, 19.60,
        ];
        let right = [
            19.27, 19.28, 19.24, 19.20, 19.21, 19.19, 19.15, 19.16, 19.10, 19.10,
        ];
        // Sample 0 at 1.0 km, spacing 0.1 km; the sample at 2.0 km is left out.
        let mut y = left.to_vec();
        y.push(0.0);
        y.extend(right);
        let mut w = vec![1.0; 21];
        w[10] = 0.0;
        let sums = Sums::new(&y, &w);
        let (l, r) = (sums.line(0, 10).unwrap(), sums.line(11, 21).unwrap());
        // Slopes −0.207273 and −0.203636 dB/km, step 0.29400 dB, to the printed digits.
        approx::assert_abs_diff_eq!(l.slope * 10.0, -0.207_273, epsilon = 1e-6);
        approx::assert_abs_diff_eq!(r.slope * 10.0, -0.203_636, epsilon = 1e-6);
        approx::assert_abs_diff_eq!(l.at(10.0) - r.at(10.0), 0.294, epsilon = 1e-6);
        // u(loss) = 0.015171 dB with residual s = 0.015703 dB.
        let u = 0.015_703 * (l.variance_at(10.0) + r.variance_at(10.0)).sqrt();
        approx::assert_abs_diff_eq!(u, 0.015_171, epsilon = 2e-6);
    }

    #[test]
    fn a_window_far_from_the_strong_end_keeps_its_digits() {
        // Second computation: the same window summed directly with a local origin.
        let n = 30_000;
        let y: Vec<f64> = (0..n)
            .map(|i| f64::from((i * 7919) % 1000) * 1e-3)
            .collect();
        let w: Vec<f64> = (0..n)
            .map(|i| 1e10 * (-f64::from(i) * 8e-4).exp())
            .collect();
        let (lo, hi) = (29_000, 29_032);
        let line = Sums::new(&y, &w).line(lo, hi).unwrap();
        let s0: f64 = w[lo..hi].iter().sum();
        let mx: f64 = (lo..hi).map(|i| w[i] * i as f64).sum::<f64>() / s0;
        let my: f64 = (lo..hi).map(|i| w[i] * y[i]).sum::<f64>() / s0;
        let sxx: f64 = (lo..hi).map(|i| w[i] * (i as f64 - mx).powi(2)).sum();
        let sxy: f64 = (lo..hi).map(|i| w[i] * (i as f64 - mx) * (y[i] - my)).sum();
        // Rounding of sums of 1,000 terms of like size: 1e-6 relative is ample.
        approx::assert_relative_eq!(line.slope, sxy / sxx, max_relative = 1e-6);
        approx::assert_relative_eq!(line.slope_variance, 1.0 / sxx, max_relative = 1e-6);
    }

    #[test]
    fn too_few_samples_make_no_line() {
        let sums = Sums::new(&[1.0, 2.0, 3.0], &[1.0, 0.0, 0.0]);
        assert_eq!(sums.line(0, 3), None);
        assert_eq!(sums.line(0, 1), None);
        assert_eq!(sums.mean(1, 3), None);
    }
}
