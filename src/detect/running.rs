//! Running means of power: those to linearise a trace about, and longer ones to weigh by.

use std::ops::Range;

/// Product of samples and squared signal-to-noise ratio that a smoothed
/// reference must reach: the linearised level then errs by
/// (5/ln10)/2/10000 = 0.0001 dB. A smaller product lets the bias grow, a larger
/// one smooths over more fibre.
const REFERENCE_QUALITY: f64 = 10_000.0;

/// Window lengths tried for the reference, in samples.
const REFERENCE_WINDOWS: [usize; 8] = [1, 3, 9, 27, 81, 243, 729, 2187];

/// Window for the weights: at least the first number, nine times the level's, at most
/// the second or the level's own. A weight that follows its own sample's noise pulls
/// the mean up by twice the noise's square; one over kilometres is no longer local.
const WEIGHT_WINDOW: (usize, usize) = (81, 729);

/// Samples in a row that share the windows: the shortest that are good about the first usable one
/// of them and about the last, and so about those between, but beside a hole of left-out samples,
/// where half of a window may be missing and the bias is twice as great. More of them smooth more
/// than need be beside a loss; fewer take time.
const SHARED: usize = 16;

/// Sums of the power of those samples of a trace that count.
pub(super) struct Running {
    /// Power before each sample, and how many samples.
    powers: Vec<f64>,
    counts: Vec<f64>,
}

/// A mean about every sample to linearise about, and a longer one to weigh by; 0 where there is
/// none.
pub(super) struct Means {
    pub(super) reference: Vec<f64>,
    pub(super) steady: Vec<f64>,
}

/// Sums of the values before each place.
pub(super) fn sums(values: impl ExactSizeIterator<Item = f64>) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    sums.extend(values.map(|value| {
        sum += value;
        sum
    }));
    sums
}

impl Running {
    /// Sums over the samples that are `usable`.
    pub(super) fn of(power: &[f64], usable: &[bool]) -> Self {
        let each = || power.iter().zip(usable);
        Self {
            powers: sums(each().map(|(power, usable)| if *usable { *power } else { 0.0 })),
            counts: sums(each().map(|(_, usable)| f64::from(*usable))),
        }
    }

    fn samples(&self) -> usize {
        self.powers.len() - 1
    }

    /// Power of the samples between two, and how many there are.
    pub(super) fn between(&self, lo: usize, hi: usize) -> (f64, f64) {
        let sum = self.powers[hi] - self.powers[lo];
        (sum, self.counts[hi] - self.counts[lo])
    }

    /// The same in a window about a sample.
    fn about(&self, i: usize, window: usize) -> (f64, f64) {
        let half = window / 2;
        let hi = (i + half + 1).min(self.samples());
        self.between(i.saturating_sub(half), hi)
    }

    /// Means about the samples before `end`, over as many samples as noise of so much variance
    /// a sample asks: a mean p over m samples is good where p > √(variance·quality/m).
    pub(super) fn means(&self, end: usize, variance: f64) -> Means {
        let square = REFERENCE_QUALITY * variance;
        let is_good =
            |(total, samples): (f64, f64)| total > 0.0 && total * total > square * samples;
        let (mut reference, mut steady) = (vec![0.0; self.samples()], vec![0.0; self.samples()]);
        let mut share = |some: Range<usize>| {
            let mut usable = some
                .clone()
                .filter(|&i| self.counts[i + 1] > self.counts[i]);
            let Some(first) = usable.next() else {
                return true;
            };
            let ends = [first, usable.next_back().unwrap_or(first)];
            let is_good = |w: &&usize| ends.iter().all(|&i| is_good(self.about(i, **w)));
            let found = REFERENCE_WINDOWS.iter().find(is_good);
            if let Some(&window) = found {
                let longer = (9 * window).clamp(WEIGHT_WINDOW.0, WEIGHT_WINDOW.1);
                self.fill(some.clone(), window, &mut reference[some.clone()]);
                self.fill(some.clone(), longer.max(window), &mut steady[some]);
            }
            found.is_some()
        };
        for first in (0..end).step_by(SHARED) {
            let some = first..(first + SHARED).min(end);
            // Where an end is too weak for any, each asks for itself.
            if !share(some.clone()) {
                for i in some {
                    share(i..i + 1);
                }
            }
        }
        Means { reference, steady }
    }

    /// Fills in the means over windows of one length about some samples.
    fn fill(&self, some: Range<usize>, window: usize, means: &mut [f64]) {
        let mean = |total: f64, samples: f64| total / samples.max(1.0);
        let half = window / 2;
        let n = self.samples();
        if some.start < half || some.end + half > n {
            for (slot, i) in means.iter_mut().zip(some) {
                let (total, samples) = self.about(i, window);
                *slot = mean(total, samples);
            }
            return;
        }
        // Whole windows lie side by side in the sums.
        let (lo, hi) = (some.start - half, some.start + half + 1);
        let sums = self.powers[lo..].iter().zip(&self.powers[hi..]);
        let counts = self.counts[lo..].iter().zip(&self.counts[hi..]);
        for (slot, (sum, count)) in means.iter_mut().zip(sums.zip(counts)) {
            *slot = mean(sum.1 - sum.0, count.1 - count.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Invented powers that fall to a hundredth, some samples left out.
    fn made() -> (Vec<f64>, Vec<bool>) {
        let power =
            (0..900).map(|i| (-f64::from(i) / 200.0).exp() * (1.0 + 0.01 * f64::from(i % 7)));
        let usable = (0..900).map(|i| !(300..340).contains(&i) && i % 97 != 0);
        (power.collect(), usable.collect())
    }

    /// Second computation: each mean by itself, over the window that the first and the last usable
    /// one of sixteen samples ask for, or the sample itself where these find none; rounding of sums
    /// of 900 terms.
    #[test]
    fn means_are_those_of_the_samples_about_each() {
        let (power, usable) = made();
        let (end, variance) = (850, 5e-3);
        let means = Running::of(&power, &usable).means(end, variance);
        let about = |i: usize, window: usize| {
            let near = i.saturating_sub(window / 2)..(i + window / 2 + 1).min(power.len());
            let some: Vec<f64> = near.filter(|&k| usable[k]).map(|k| power[k]).collect();
            (some.iter().sum::<f64>(), some.len() as f64)
        };
        let window_of = |samples: &[usize]| {
            let is_good = |window: &&usize| {
                let mut found = samples.iter().map(|&i| about(i, **window));
                found.all(|(total, samples)| {
                    total > 0.0 && total * total > REFERENCE_QUALITY * variance * samples
                })
            };
            REFERENCE_WINDOWS.iter().find(is_good)
        };
        let mut alone = 0;
        for i in 0..end {
            let first = i / SHARED * SHARED;
            let mut ends = (first..(first + SHARED).min(end)).filter(|&k| usable[k]);
            let Some(begin) = ends.next() else {
                continue;
            };
            let shared = window_of(&[begin, ends.next_back().unwrap_or(begin)]);
            alone += usize::from(shared.is_none());
            if shared.is_none() && !usable[i] {
                continue;
            }
            let Some(&window) = shared.or_else(|| window_of(&[i])) else {
                assert!(means.reference[i].abs() < 1e-300);
                continue;
            };
            let longer = (9 * window).clamp(81, 729).max(window);
            for (found, window) in [(means.reference[i], window), (means.steady[i], longer)] {
                let (total, samples) = about(i, window);
                approx::assert_abs_diff_eq!(found, total / samples.max(1.0), epsilon = 1e-12);
            }
        }
        assert!(
            means.reference[end..]
                .iter()
                .all(|mean| mean.abs() < 1e-300)
        );
        assert!(alone > 0, "each sixteen found a window");
    }

    #[test]
    fn nothing_is_good_in_too_much_noise() {
        let (power, usable) = made();
        let means = Running::of(&power, &usable).means(900, 1e6);
        assert!(means.reference.iter().all(|mean| mean.abs() < 1e-300));
    }
}
