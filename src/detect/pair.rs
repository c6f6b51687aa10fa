//! Two events so close that hardly any plain fibre lies between them, fitted together.
//!
//! In linear power, relative to the line before the first: 1 up to the first ramp, M
//! between the ramps, the line after behind the second, and a pulse on each event that
//! reflects. With the ramps q₁ and q₂ of the two leading edges,
//! P = (1 − q₁) + M·(q₁ − q₂) + R·q₂ + E₁·b₁ + E₂·b₂, where R is the line after over the
//! line before. M and the E are linear; the two places are searched for.

use nalgebra::{Matrix3, Vector3};

use super::eye::{DB_PER_NEPER, Eye};
use super::power::SampleState;
use super::profile::misfit;
use super::view::{Span, View, before};

/// Two events of one direction at given places, in the order of its travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairFit {
    /// χ² of both lines and everything between them.
    pub chi_square: f64,
    /// χ² of the samples between the lines, and their number.
    pub ramp: (f64, usize),
    /// Apparent losses in dB.
    pub loss_db: [f64; 2],
    /// Their variances.
    pub variance: [f64; 2],
    /// Heights of the peaks as power relative to the line before.
    pub peak: [f64; 2],
}

/// Fits two events with their leading edges at the indices `x`, in the order of travel,
/// to the samples of `span`; `peaks` says which of them may reflect.
pub fn pair_at(view: &View<'_>, x: [f64; 2], span: Span, peaks: [bool; 2]) -> Option<PairFit> {
    let eye = view.eye;
    let (left, _) = view.sides(x[0], span, usize::MAX)?;
    let (_, right) = view.sides(x[1], span, usize::MAX)?;
    let before_all = eye.sums.line(left.lo, left.hi)?;
    let after_all = eye.sums.line(right.lo, right.hi)?;
    let first = before(x[0])? + 1;
    let mut normal = Matrix3::<f64>::zeros();
    let mut product = Vector3::<f64>::zeros();
    let mut square = 0.0;
    let mut samples = 0_usize;
    for i in first..right.lo {
        let at = i as f64;
        let base_db = before_all.at(at) + eye.trend.0 + eye.trend.1 * at;
        let ratio = ((after_all.at(at) - before_all.at(at)) / DB_PER_NEPER).exp();
        let response = &eye.response;
        let q = x.map(|x| response.ramp(at - x));
        let middle = f64::midpoint(1.0, ratio);
        let about = (1.0 - q[0]) + middle * (q[0] - q[1]) + ratio * q[1];
        let unit = DB_PER_NEPER / about.max(1e-3);
        let weight = weight_of(eye, i, about.max(1e-3) * (base_db / DB_PER_NEPER).exp());
        if weight <= 0.0 {
            continue;
        }
        let seen = eye.power.value[i] * (-base_db / DB_PER_NEPER).exp();
        let known = (1.0 - q[0]) + ratio * q[1];
        let shape = [0, 1].map(|k| {
            if peaks[k] {
                response.peak(at - x[k])
            } else {
                0.0
            }
        });
        let row = Vector3::new(q[0] - q[1], shape[0], shape[1]) * unit;
        let residual = unit * (seen - known);
        normal += row * row.transpose() * weight;
        product += row * (weight * residual);
        square += weight * residual * residual;
        samples += 1;
    }
    let (solution, variance) = solve(normal, product)?;
    let level = solution[0];
    if level <= 0.0 {
        return None;
    }
    let chi_between = (square - solution.dot(&product)).max(0.0);
    let between_db = DB_PER_NEPER * level.ln();
    // Where the shape of pulse and receiver is not met, the level between takes the blame.
    let blame = misfit(std::iter::once((chi_between, samples)), PARAMETERS);
    let between_variance = blame * variance * (DB_PER_NEPER / level).powi(2);
    let middles = x.map(|x| x + eye.response.middle());
    let through_db = after_all.at(middles[1]) - before_all.at(middles[1]);
    Some(PairFit {
        chi_square: before_all.chi_square + after_all.chi_square + chi_between,
        ramp: (chi_between, samples),
        loss_db: [-between_db, between_db - through_db],
        variance: [
            before_all.variance_at(middles[0]) + between_variance,
            after_all.variance_at(middles[1]) + between_variance,
        ],
        peak: [solution[1], solution[2]],
    })
}

/// 1/variance of a sample's level about a power; the samples of a strong peak, which lines
/// leave out, have theirs too, unless they are clipped.
fn weight_of(eye: &Eye, i: usize, power: f64) -> f64 {
    if eye.weight[i] > 0.0 {
        return eye.weight[i];
    }
    let in_peak = (eye.peaks.iter()).any(|p| (p.edge..p.settled).contains(&i) && !p.clipped);
    if in_peak && eye.power.state[i] == SampleState::Good {
        let relative = eye.noise.density(power).sqrt() * DB_PER_NEPER / power;
        (relative * relative).recip()
    } else {
        0.0
    }
}

/// Solution of the normal equations and the variance of its first number. A peak that
/// comes out below zero is none.
fn solve(mut normal: Matrix3<f64>, mut product: Vector3<f64>) -> Option<(Vector3<f64>, f64)> {
    for _ in 0..3 {
        for k in 0..3 {
            if normal[(k, k)] <= 0.0 {
                if k == 0 {
                    return None;
                }
                normal[(k, k)] = 1.0;
            }
        }
        let inverse = normal.try_inverse()?;
        let solution = inverse * product;
        let Some(negative) = (1..3).find(|&k| solution[k] < 0.0) else {
            return Some((solution, inverse[(0, 0)]));
        };
        normal.row_mut(negative).fill(0.0);
        normal.column_mut(negative).fill(0.0);
        product[negative] = 0.0;
    }
    None
}

/// The most likely places of two events, over all views.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Places on the axis in metres, rising.
    pub z_m: [f64; 2],
    /// Their standard errors.
    pub std_error_m: [f64; 2],
    /// χ² there, summed over the views.
    pub chi_square: f64,
    /// χ² per sample between the lines, at least 1.
    pub misfit: f64,
}

/// Where two events are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairRange {
    /// First place of either, metres.
    pub from_m: f64,
    /// Last place of either.
    pub to_m: f64,
    /// Least distance of the two.
    pub least_gap_m: f64,
}

/// The best two places so far.
#[derive(Debug, Clone, Copy)]
struct Best {
    chi_square: f64,
    z_m: [f64; 2],
}

/// One or two views with the samples that two events between their neighbours may use.
#[derive(Debug, Clone, Copy)]
pub struct PairSearch<'s, 'a> {
    /// The directions, one or two.
    pub views: &'s [View<'a>],
    /// Samples of each.
    pub spans: &'s [Span],
    /// Which of the two events may reflect.
    pub peaks: [bool; 2],
}

/// Looks per pulse of the coarse pass over both places.
const LOOKS_PER_PULSE: f64 = 3.0;

/// Steps of the search end at this part of a sample: an eighth of what the clearest ramp
/// can tell.
const FINEST: f64 = 16.0;

/// Numbers fitted between the lines: a level and two peaks.
const PARAMETERS: usize = 3;

/// Most looks over the range of each place: the square of it is the work.
const MOST_LOOKS: usize = 32;

impl PairSearch<'_, '_> {
    /// Fits of all views with the events at `z_m`; none where no view can be fitted.
    fn fits(&self, z_m: [f64; 2]) -> Option<[Option<PairFit>; 2]> {
        let mut fits = [None; 2];
        for (slot, (view, &span)) in fits.iter_mut().zip(self.views.iter().zip(self.spans)) {
            let forward = view.is_forward();
            let order = |pair: [f64; 2]| if forward { pair } else { [pair[1], pair[0]] };
            let peaks = if forward {
                self.peaks
            } else {
                [self.peaks[1], self.peaks[0]]
            };
            *slot = pair_at(view, order(z_m).map(|z| view.index(z)), span, peaks);
        }
        fits.iter().any(Option::is_some).then_some(fits)
    }

    /// χ² of a pair; a view that cannot be fitted counts with the line it would have
    /// without any event.
    fn chi_square(&self, z_m: [f64; 2]) -> f64 {
        let Some(fits) = self.fits(z_m) else {
            return f64::INFINITY;
        };
        (fits.iter().zip(self.views.iter().zip(self.spans)))
            .map(|(fit, (view, span))| {
                let straight = || {
                    let line = view.eye.sums.line(span.lo, span.hi.max(span.lo));
                    line.map_or(0.0, |line| line.chi_square)
                };
                fit.map_or_else(straight, |fit| fit.chi_square)
            })
            .sum()
    }

    /// Losses of the two and their variances in each view with the events at `z_m`.
    pub fn losses(&self, z_m: [f64; 2]) -> [Option<[(f64, f64); 2]>; 2] {
        let fits = self.fits(z_m).unwrap_or([None; 2]);
        [0, 1].map(|v| {
            let fit = fits[v]?;
            let [a, b] = [0, 1].map(|k| (fit.loss_db[k], fit.variance[k]));
            let forward = self.views[v].is_forward();
            Some(if forward { [a, b] } else { [b, a] })
        })
    }

    /// Searches a range for the two places of least χ²: on a grid first, then by ever
    /// smaller steps around its best, or around `start` where that is better.
    pub fn locate(&self, range: &PairRange, start: [f64; 2]) -> Option<Pair> {
        let least = |of: &dyn Fn(&View<'_>) -> f64| -> f64 {
            self.views.iter().map(of).fold(f64::INFINITY, f64::min)
        };
        let pulse_m = least(&|v| v.eye.pulse_samples / v.per_metre.abs());
        let spacing_m = least(&|v| 1.0 / v.per_metre.abs());
        let length_m = range.to_m - range.from_m;
        let looks = (length_m / pulse_m * LOOKS_PER_PULSE).ceil().max(2.0) as usize;
        let looks = looks.min(MOST_LOOKS);
        let stride = length_m / looks as f64;
        let place = |k: usize| range.from_m + k as f64 * stride;
        let mut best = Best {
            chi_square: self.chi_square(start),
            z_m: start,
        };
        for i in 0..=looks {
            for j in i + 1..=looks {
                self.consider([place(i), place(j)], range, &mut best);
            }
        }
        let mut step = stride;
        while step > spacing_m / FINEST {
            while self.one_step(range, step, &mut best) {}
            step /= 2.0;
        }
        if !best.chi_square.is_finite() {
            return None;
        }
        let fits = self.fits(best.z_m)?;
        let blame = misfit(fits.iter().flatten().map(|f| f.ramp), PARAMETERS);
        Some(Pair {
            z_m: best.z_m,
            std_error_m: self
                .errors(&best, spacing_m / 4.0)
                .map(|e| e * blame.sqrt()),
            chi_square: best.chi_square,
            misfit: blame,
        })
    }

    /// Takes two places for the best if they are; whether they were.
    fn consider(&self, z_m: [f64; 2], range: &PairRange, best: &mut Best) -> bool {
        if z_m[1] - z_m[0] < range.least_gap_m || z_m[0] < range.from_m || z_m[1] > range.to_m {
            return false;
        }
        let chi_square = self.chi_square(z_m);
        let better = chi_square < best.chi_square;
        if better {
            *best = Best { chi_square, z_m };
        }
        better
    }

    /// Moves one place or both by a step if that lessens χ².
    fn one_step(&self, range: &PairRange, step: f64, best: &mut Best) -> bool {
        let [a, b] = best.z_m;
        let moves = [
            (1, 0),
            (-1, 0),
            (0, 1),
            (0, -1),
            (1, 1),
            (-1, -1),
            (1, -1),
            (-1, 1),
        ];
        moves
            .map(|(p, q)| [a + f64::from(p) * step, b + f64::from(q) * step])
            .into_iter()
            .any(|z_m| self.consider(z_m, range, best))
    }

    /// Standard errors of both places by the curvature of χ² at its least.
    fn errors(&self, best: &Best, step: f64) -> [f64; 2] {
        let (z, least) = (best.z_m, best.chi_square);
        let at = |a: f64, b: f64| self.chi_square([z[0] + a * step, z[1] + b * step]);
        let second = |p: f64, q: f64| (p + q - 2.0 * least) / (step * step);
        let (aa, bb) = (
            second(at(1.0, 0.0), at(-1.0, 0.0)),
            second(at(0.0, 1.0), at(0.0, -1.0)),
        );
        let ab =
            (at(1.0, 1.0) + at(-1.0, -1.0) - at(1.0, -1.0) - at(-1.0, 1.0)) / (4.0 * step * step);
        let determinant = aa * bb - ab * ab;
        if determinant > 0.0 && aa > 0.0 {
            // χ² = (z − ẑ)ᵀ·C⁻¹·(z − ẑ): its second derivatives are twice the inverse of C.
            [bb, aa].map(|opposite| (2.0 * opposite / determinant).sqrt())
        } else {
            [f64::INFINITY; 2]
        }
    }
}
