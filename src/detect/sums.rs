//! Weighted least-squares lines over any window in constant time.

/// Sums of weight, weight·y, weight·x, weight·x², weight·x·y and weight·y² from a
/// sample to the end of the trace, so that a window's sums are one subtraction.
///
/// They run from the far end: weights fall along a trace by powers of ten, and a
/// difference of sums that begin at the strong end would lose the weak one to
/// rounding. Levels should be detrended first for the same reason.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sums(
    /// Side by side: a line with its χ² asks for all of them. The sums over no sample come first,
    /// as they are made: what is written once need not be cleared before.
    Vec<[f64; 6]>,
);

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

/// What [`Line`] holds but for χ², of many lines: each quantity by itself, so that
/// several lines are worked out at once.
#[derive(Debug, Clone, Default)]
pub(super) struct Lines([Vec<f64>; 5]);

impl Lines {
    fn of_length(&mut self, count: usize) -> [&mut [f64]; 5] {
        self.0.each_mut().map(|quantity| {
            quantity.resize(count, 0.0);
            &mut quantity[..count]
        })
    }

    /// `count` of the lines, from the `first` on.
    pub(super) fn from(&self, first: usize, count: usize) -> SomeLines<'_> {
        let part = |quantity: usize| &self.0[quantity][first..][..count];
        SomeLines {
            centre: part(0),
            level: part(1),
            slope: part(2),
            level_variance: part(3),
            slope_variance: part(4),
        }
    }
}

/// Some of many [`Lines`] in a row, each quantity by itself.
#[derive(Debug, Clone, Copy)]
pub(super) struct SomeLines<'l> {
    centre: &'l [f64],
    level: &'l [f64],
    slope: &'l [f64],
    level_variance: &'l [f64],
    slope_variance: &'l [f64],
}

impl SomeLines<'_> {
    /// The first of them: a loop over so many then needs no check of each index.
    #[inline]
    pub(super) fn first(&self, count: usize) -> Self {
        Self {
            centre: &self.centre[..count],
            level: &self.level[..count],
            slope: &self.slope[..count],
            level_variance: &self.level_variance[..count],
            slope_variance: &self.slope_variance[..count],
        }
    }

    /// Level of one of them at an index, and its variance.
    #[inline]
    pub(super) fn at(&self, k: usize, x: f64) -> (f64, f64) {
        let line = [
            self.centre[k],
            self.level[k],
            self.slope[k],
            self.level_variance[k],
            self.slope_variance[k],
        ];
        level_at(line, x)
    }
}

/// Level of a line as [`line_of`] gives it at an index, and the variance of that.
#[inline]
pub(super) fn level_at(
    [centre, level, slope, level_variance, slope_variance]: [f64; 5],
    x: f64,
) -> (f64, f64) {
    let off = x - centre;
    (
        level + slope * off,
        level_variance + slope_variance * off * off,
    )
}

/// What lies between two places of the sums, but for weight·y².
#[inline]
fn difference(from: &[f64; 6], to: &[f64; 6]) -> [f64; 5] {
    std::array::from_fn(|k| from[k] - to[k])
}

/// Centre, level, slope and the variances of level and slope of the line through so many
/// samples, by their sums as [`Sums::of_window`] gives them; where there is none, a level of
/// infinite variance at 0. Without a branch, so that several are worked out at once.
#[inline]
#[expect(
    clippy::needless_bitwise_bool,
    reason = "without a branch several are worked out at once"
)]
pub(super) fn line_of([weight, wy, wx, square, product]: [f64; 5], samples: f64) -> [f64; 5] {
    let variance = 1.0 / weight;
    let centre = wx * variance;
    let spread = square - wx * centre;
    let level = wy * variance;
    let inverse = 1.0 / spread;
    let slope = (product - wx * level) * inverse;
    // Two samples of equal weight w at distance 1 have Σw(x−x̄)² = w/2.
    let is_line = (weight > 0.0) & (spread * samples > 0.2 * weight);
    [
        if is_line { centre } else { 0.0 },
        if is_line { level } else { 0.0 },
        if is_line { slope } else { 0.0 },
        if is_line { variance } else { f64::INFINITY },
        if is_line { inverse } else { 0.0 },
    ]
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
        Self::default().of_others(y, w, (0.0, 0.0))
    }

    /// As [`Self::new`], of levels less a straight trend (at sample 0, and per sample), in the
    /// memory of these.
    pub(super) fn of_others(self, y: &[f64], w: &[f64], trend: (f64, f64)) -> Self {
        let n = w.len() as f64;
        let Self(mut all) = self;
        all.clear();
        all.reserve_exact(w.len() + 1);
        let (mut sums, mut x) = ([0.0; 6], 0.0);
        all.push(sums);
        // What is summed is moved into the loop: there it stays in registers.
        all.extend(y.iter().zip(w).rev().map(move |(&y, &weight)| {
            x -= 1.0;
            if weight > 0.0 {
                let y = y - (trend.0 + trend.1 * (x + n));
                let (wx, wy) = (weight * x, weight * y);
                sums[0] += weight;
                sums[1] += wy;
                sums[2] += wx;
                sums[3] += wx * x;
                sums[4] += wy * x;
                sums[5] += wy * y;
            }
            sums
        }));
        Self(all)
    }

    /// Number of samples.
    fn samples(&self) -> usize {
        self.0.len().saturating_sub(1)
    }

    /// The sums from a sample to the end of the trace.
    fn at(&self, i: usize) -> &[f64; 6] {
        &self.0[self.samples() - i]
    }

    /// Total weight of the samples `lo..hi`.
    pub fn weight(&self, lo: usize, hi: usize) -> f64 {
        self.at(lo)[0] - self.at(hi)[0]
    }

    /// Weighted mean of the samples `lo..hi` and its variance; none without weight.
    pub fn mean(&self, lo: usize, hi: usize) -> Option<(f64, f64)> {
        let (a, b) = (self.at(lo), self.at(hi));
        let weight = a[0] - b[0];
        (weight > 0.0).then(|| ((a[1] - b[1]) / weight, 1.0 / weight))
    }

    /// Fills `lines` with those through `window` samples from `lo` on, from `stride` samples
    /// behind it, and so on, `count` in all; where there is none, with a level of infinite
    /// variance.
    pub(super) fn lines(
        &self,
        window: usize,
        (lo, stride): (usize, usize),
        count: usize,
        lines: &mut Lines,
    ) {
        let origin = self.samples() as f64;
        let [centre, levels, slope, level_variance, slope_variance] = lines.of_length(count);
        for k in 0..count {
            let from = lo + k * stride;
            let line = line_of(self.of_window(from, from + window), window as f64);
            centre[k] = line[0] + origin;
            levels[k] = line[1];
            slope[k] = line[2];
            level_variance[k] = line[3];
            slope_variance[k] = line[4];
        }
    }

    /// Sums of weight, weight·y, weight·x, weight·x² and weight·x·y over the samples `lo..hi`,
    /// with x counted from the end of the trace.
    #[inline]
    pub(super) fn of_window(&self, lo: usize, hi: usize) -> [f64; 5] {
        difference(self.at(lo), self.at(hi))
    }

    /// Line through the samples `lo..hi`; none when fewer than two have weight.
    #[inline]
    pub fn line(&self, lo: usize, hi: usize) -> Option<Line> {
        let line = self.line_alone(lo, hi)?;
        let (from, to) = (self.at(lo), self.at(hi));
        let syy = from[5] - to[5] - (from[1] - to[1]) * line.level;
        Some(Line {
            chi_square: (syy - line.slope * line.slope / line.slope_variance).max(0.0),
            ..line
        })
    }

    /// [`Self::line`] with 0 for χ².
    #[inline]
    pub(super) fn line_alone(&self, lo: usize, hi: usize) -> Option<Line> {
        if hi < lo + 2 {
            return None;
        }
        let line = line_of(self.of_window(lo, hi), (hi - lo) as f64);
        let [centre, level, slope, level_variance, slope_variance] = line;
        level_variance.is_finite().then_some(Line {
            centre: centre + self.samples() as f64,
            level,
            slope,
            level_variance,
            slope_variance,
            chi_square: 0.0,
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

    /// Second computation: the sums of levels from which the trend was taken before; rounding of
    /// sums of 200 terms.
    #[test]
    fn a_trend_is_taken_out_sample_by_sample() {
        let trend = (-12.5, 0.375);
        let y: Vec<f64> = (0..200).map(|i| f64::from(i * 7919 % 100)).collect();
        let w: Vec<f64> = (0..200).map(|i| f64::from(1 + i % 3)).collect();
        let without = |(i, y): (usize, &f64)| y - (trend.0 + trend.1 * i as f64);
        let detrended: Vec<f64> = y.iter().enumerate().map(without).collect();
        let wanted = Sums::new(&detrended, &w).line(30, 90).unwrap();
        let found = Sums::new(&[5.0], &[1.0]).of_others(&y, &w, trend);
        let found = found.line(30, 90).unwrap();
        approx::assert_relative_eq!(found.level, wanted.level, max_relative = 1e-9);
        approx::assert_relative_eq!(found.slope, wanted.slope, max_relative = 1e-9);
        approx::assert_relative_eq!(found.chi_square, wanted.chi_square, max_relative = 1e-9);
    }

    /// Second computation: each line by itself; rounding only.
    #[test]
    fn lines_in_a_row_are_those_of_each_window() {
        let y: Vec<f64> = (0..200)
            .map(|i| f64::from((i * 7919) % 100) * 1e-3)
            .collect();
        let w: Vec<f64> = (0..200)
            .map(|i| if i / 20 == 3 { 0.0 } else { 2.0 })
            .collect();
        let sums = Sums::new(&y, &w);
        let mut lines = Lines::default();
        for stride in [1, 3, 7] {
            let count = 150 / stride;
            sums.lines(16, (5, stride), count, &mut lines);
            let found = lines.from(0, count);
            for k in 0..count {
                let from = 5 + k * stride;
                let Some(line) = sums.line(from, from + 16) else {
                    assert!(found.level_variance[k].is_infinite());
                    continue;
                };
                approx::assert_relative_eq!(found.centre[k], line.centre, max_relative = 1e-9);
                approx::assert_relative_eq!(found.level[k], line.level, max_relative = 1e-9);
                let errors = (found.slope_variance[k], line.slope_variance);
                approx::assert_relative_eq!(errors.0, errors.1, max_relative = 1e-9);
            }
        }
    }

    #[test]
    fn too_few_samples_make_no_line() {
        let sums = Sums::new(&[1.0, 2.0, 3.0], &[1.0, 0.0, 0.0]);
        assert_eq!(sums.line(0, 3), None);
        assert_eq!(sums.line(0, 1), None);
        assert_eq!(sums.mean(1, 3), None);
    }
}
