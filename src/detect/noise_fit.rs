//! The parameters of the noise's model, by least squares over blocks and lags.

use nalgebra::{DMatrix, DVector};

use super::noise::{Block, Noise, RECEIVER_LAGS};

/// A parameter is kept when it exceeds this many of its standard errors.
const KEPT_ABOVE: f64 = 2.0;

/// As many for the lags of the receiver's colour: there are [`RECEIVER_LAGS`] of them, of
/// which one in two traces would exceed 2 by chance, and one in a hundred exceeds this. What
/// chance takes off the noise's density makes false events.
const LAG_KEPT_ABOVE: f64 = 3.3;

/// What a trace shows of its noise.
pub(super) struct Seen<'a> {
    pub(super) blocks: &'a [Block],
    /// The lags of the blocks' autocovariances.
    pub(super) lags: &'a [usize],
    /// Samples of a block.
    pub(super) size: usize,
    /// Variance of the dark part, where there is one.
    pub(super) dark_variance: Option<f64>,
}

/// Least squares for the parameters over all used blocks and lags, weighted by what is known
/// of the noise `before`.
pub(super) fn fit(seen: &Seen<'_>, before: &Noise) -> Noise {
    let n_w = before.pulse_samples;
    let mut kept: Vec<Term> = vec![Term::Receiver(0), Term::Rounding];
    if n_w >= 2.0 {
        kept.push(Term::Fading);
    }
    kept.push(Term::Shot);
    kept.extend((1..=RECEIVER_LAGS).map(Term::Receiver));
    let equations = Equations::new(seen, before, &kept);
    let mut solution = equations.solve((0..kept.len()).collect());
    // Terms that are not significant, or of the wrong sign, leave one at a time:
    // the least significant first.
    loop {
        let worst = kept
            .iter()
            .enumerate()
            .filter(|(_, term)| **term != Term::Receiver(0) || kept.len() > 1)
            .map(|(i, term)| {
                let (value, error) = solution.of(i);
                let ratio = value / error.max(f64::MIN_POSITIVE);
                let score = if matches!(term, Term::Receiver(k) if *k > 0) {
                    ratio.abs() * KEPT_ABOVE / LAG_KEPT_ABOVE
                } else {
                    ratio
                };
                (i, score)
            })
            .filter(|(_, score)| score.is_nan() || *score < KEPT_ABOVE)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((i, _)) if kept.len() > 1 => {
                kept.remove(i);
                solution = solution.without(i);
            }
            _ => {
                let values: Vec<f64> = (0..kept.len()).map(|i| solution.of(i).0).collect();
                return assemble(&kept, &values, n_w, seen.dark_variance);
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Term {
    Receiver(usize),
    Shot,
    Rounding,
    Fading,
}

impl Term {
    /// Autocovariance that one unit of this term gives at a lag, as seen after a
    /// line was taken out: detrending removes the noise's density times the mean
    /// of the hat matrix at that lag.
    ///
    /// `lift` is how much greater receiver and shot noise together are at this power than
    /// receiver noise alone: the lags of both rise by it.
    fn seen(self, lag: usize, (p, lift): (f64, f64), n_w: f64, hat: f64) -> f64 {
        let density = match self {
            Self::Receiver(0) => 1.0,
            Self::Receiver(_) => 2.0 * lift,
            Self::Shot => p,
            Self::Rounding => p * p,
            Self::Fading => p * p * n_w,
        };
        self.basis(lag, (p, lift), n_w) - hat * density
    }

    fn basis(self, lag: usize, (p, lift): (f64, f64), n_w: f64) -> f64 {
        match self {
            Self::Receiver(0) => f64::from(lag == 0),
            Self::Receiver(k) => lift * f64::from(k == lag),
            Self::Shot => p * f64::from(lag == 0),
            Self::Rounding => p * p * f64::from(lag == 0),
            Self::Fading => p * p * (1.0 - lag as f64 / n_w).max(0.0),
        }
    }
}

/// Most columns: those of receiver, rounding, fading and shot noise, and the one that the terms of
/// the lags share. Of fewer the rest is 0.
const COLUMNS: usize = 5;

/// One row of the equations.
type Row = [f64; COLUMNS];

/// What a term of one lag has alone in the rows of that lag.
#[derive(Debug, Clone, Default)]
struct Alone {
    /// Products with the columns of those rows.
    with: Row,
    /// Product with itself, and with what was seen.
    square: f64,
    product: f64,
}

impl Alone {
    fn add(&mut self, weighted: f64, row: &Row, y: f64, lift: f64) {
        for (sum, value) in self.with.iter_mut().zip(row) {
            *sum += weighted * value;
        }
        self.square += weighted * lift;
        self.product += weighted * y;
    }
}

/// Normal equations of all terms; those of fewer terms are a part of them.
struct Equations {
    normal: DMatrix<f64>,
    right: DVector<f64>,
}

impl Equations {
    /// `terms` end in those of the receiver's lags.
    ///
    /// Such a term has a part in the rows of its own lag and, by what detrending takes, one
    /// in every row that is the same for all of them. So their products are those of one
    /// shared column, and of each alone in the rows of its lag.
    fn new(seen: &Seen<'_>, before: &Noise, terms: &[Term]) -> Self {
        let (size, n_w) = (seen.size, before.pulse_samples);
        let is_lag = |term: &&Term| matches!(term, Term::Receiver(k) if *k > 0);
        let lags = terms.iter().filter(is_lag).count();
        let shared = terms.len() - lags;
        // The lower triangle, row by row.
        let (mut lower, mut product) = ([[0.0; COLUMNS]; COLUMNS], [0.0; COLUMNS]);
        let mut alone = vec![Alone::default(); lags];
        let mut row = [0.0; COLUMNS];
        let mut add = |row: &Row, y: f64, weight: f64| {
            for i in 0..COLUMNS {
                let weighted = weight * row[i];
                product[i] += weighted * y;
                for j in 0..=i {
                    lower[i][j] += weighted * row[j];
                }
            }
        };
        let hats: Vec<f64> = seen.lags.iter().map(|&lag| hat_mean(size, lag)).collect();
        for block in seen.blocks.iter().filter(|b| b.used) {
            // Weight from the model so far, else from the block itself.
            let expected = before.variance(block.power);
            let variance = if expected > 0.0 {
                expected
            } else {
                block.autocovariance[0].max(f64::MIN_POSITIVE)
            };
            let density = before.density(block.power);
            let correlation = (density / variance).max(1.0);
            let lift = if before.receiver > 0.0 {
                1.0 + before.shot * block.power / before.receiver
            } else {
                1.0
            };
            for (at, &lag) in seen.lags.iter().enumerate() {
                let twice = if lag == 0 { 2.0 } else { 1.0 };
                let weight = (size - lag) as f64 / (twice * correlation * variance * variance);
                for (slot, term) in row.iter_mut().zip(&terms[..shared]) {
                    *slot = term.seen(lag, (block.power, lift), n_w, hats[at]);
                }
                row[shared] = -hats[at] * 2.0 * lift;
                let y = block.autocovariance[at];
                add(&row, y, weight);
                if let Some(own) = lag.checked_sub(1).and_then(|k| alone.get_mut(k)) {
                    own.add(weight * lift, &row, y, lift);
                }
            }
        }
        if let Some(dark) = seen.dark_variance {
            // The dark part speaks of the receiver alone; written as absolute values
            // it is as good as signed. It counts as much as two blocks, since a trace
            // may have had its floor treated.
            for (slot, term) in row.iter_mut().zip(&terms[..shared]) {
                *slot = term.basis(0, (0.0, 1.0), n_w);
            }
            row[shared] = 0.0;
            let weight = size as f64 / (dark * dark).max(f64::MIN_POSITIVE);
            add(&row, dark, weight);
        }
        let column = |i: usize| i.min(shared);
        let own = |i: usize| i.checked_sub(shared).map(|k| &alone[k]);
        let normal = DMatrix::from_fn(terms.len(), terms.len(), |i, j| {
            let (p, q) = (column(i), column(j));
            lower[p.max(q)][p.min(q)]
                + own(i).map_or(0.0, |own| own.with[q])
                + own(j).map_or(0.0, |own| own.with[p])
                + own(i).filter(|_| i == j).map_or(0.0, |own| own.square)
        });
        let right = DVector::from_fn(terms.len(), |i, _| {
            product[column(i)] + own(i).map_or(0.0, |own| own.product)
        });
        Self { normal, right }
    }

    /// Least squares for the terms `at` alone.
    fn solve(&self, at: Vec<usize>) -> Solution<'_> {
        let m = at.len();
        // Scaled to unit diagonal: the terms differ by many powers of ten.
        let scale: Vec<f64> = at
            .iter()
            .map(|&i| 1.0 / self.normal[(i, i)].max(f64::MIN_POSITIVE).sqrt())
            .collect();
        let scaled = DMatrix::from_fn(m, m, |i, j| {
            self.normal[(at[i], at[j])] * scale[i] * scale[j]
        });
        let scaled_right = DVector::from_fn(m, |i, _| self.right[at[i]] * scale[i]);
        let solved = scaled.cholesky().map(|cholesky| {
            let value = cholesky.solve(&scaled_right);
            (value, cholesky.inverse())
        });
        Solution {
            equations: self,
            at,
            scale,
            solved,
        }
    }
}

/// Greatest variance of a scaled term for the solution without some term to follow from the one
/// with it. A term that no other resembles has 1, and rounding grows with it: at this, ten
/// digits are right. Beyond, the rest is solved anew; a greater number only loses digits, a
/// smaller one time.
const MOST_RAISED: f64 = 1e6;

/// Values of some terms, as far as the data can tell them apart.
struct Solution<'e> {
    equations: &'e Equations,
    /// The terms, and what each is scaled by.
    at: Vec<usize>,
    scale: Vec<f64>,
    /// Scaled values and the inverse of the scaled normal equations; none where the data
    /// cannot tell the terms apart.
    solved: Option<(DVector<f64>, DMatrix<f64>)>,
}

impl Solution<'_> {
    /// Value and standard error of a term. Of terms that cannot be told apart all are
    /// worthless: the selection then drops one.
    fn of(&self, i: usize) -> (f64, f64) {
        match &self.solved {
            Some((value, inverse)) => {
                let error = inverse[(i, i)].max(0.0).sqrt();
                (value[i] * self.scale[i], error * self.scale[i])
            }
            None => (0.0, if i == 0 { 0.0 } else { 1.0 }),
        }
    }

    /// The solution with one term fewer: x − c·xᵢ/cᵢ and C − c·cᵀ/cᵢ, where c is that term's
    /// column of the inverse C.
    fn without(mut self, i: usize) -> Self {
        let is_told = |inverse: &DMatrix<f64>| inverse.diagonal().max() < MOST_RAISED;
        let solved = self.solved.filter(|(_, inverse)| is_told(inverse));
        self.at.remove(i);
        let Some((mut value, mut inverse)) = solved else {
            return self.equations.solve(self.at);
        };
        let column = inverse.column(i).into_owned();
        let own = column[i];
        value.axpy(-value[i] / own, &column, 1.0);
        inverse.ger(-1.0 / own, &column, &column, 1.0);
        self.scale.remove(i);
        Self {
            solved: Some((value.remove_row(i), inverse.remove_row(i).remove_column(i))),
            ..self
        }
    }
}

/// Mean of the hat matrix of a straight line at lag k: what detrending takes
/// out of white noise's autocovariance there.
fn hat_mean(size: usize, lag: usize) -> f64 {
    let n = size as f64;
    let k = lag as f64;
    let pairs = n - k;
    // Σ (i − m)(i + k − m) over i = 0 … n−k−1 with m = (n − 1)/2.
    let middle = (n - 1.0) / 2.0;
    let first = pairs * (pairs - 1.0) / 2.0;
    let square = (pairs - 1.0) * pairs * (2.0 * pairs - 1.0) / 6.0;
    let sum = square + (k - 2.0 * middle) * first + pairs * (middle * middle - k * middle);
    1.0 / n + 12.0 * (sum / pairs) / (n * (n * n - 1.0))
}

fn assemble(kept: &[Term], value: &[f64], n_w: f64, dark_variance: Option<f64>) -> Noise {
    let mut noise = Noise::none(n_w);
    let mut others = 0.0;
    for (term, &v) in kept.iter().zip(value) {
        match term {
            Term::Receiver(0) => noise.receiver = v.max(0.0),
            Term::Receiver(_) => others += v,
            Term::Shot => noise.shot = v.max(0.0),
            Term::Rounding => noise.rounding = v.max(0.0),
            Term::Fading => noise.fading = v.max(0.0),
        }
    }
    if noise.receiver == 0.0 {
        noise.receiver = dark_variance.unwrap_or(0.0);
    }
    // Smoothing of a few samples cannot take more than the white noise away;
    // a tenth is left so that a sum of noisy lags never turns negative.
    noise.receiver_sum = (noise.receiver + 2.0 * others).max(0.1 * noise.receiver);
    noise
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Second computation: the products of whole rows, term by term; rounding only.
    #[test]
    fn normal_equations_are_the_products_of_their_rows() {
        let blocks: Vec<Block> = (1..=4)
            .map(|k| Block {
                power: 0.3 * f64::from(k),
                autocovariance: (0..15)
                    .map(|lag| 1e-3 * f64::from(k) / f64::from(lag + 1))
                    .collect(),
                used: k != 2,
            })
            .collect();
        let lags: Vec<usize> = (0..15).collect();
        let seen = Seen {
            blocks: &blocks,
            lags: &lags,
            size: 64,
            dark_variance: Some(2e-4),
        };
        let before = Noise {
            receiver: 1e-3,
            receiver_sum: 2e-3,
            shot: 5e-4,
            rounding: 1e-5,
            fading: 1e-5,
            pulse_samples: 9.0,
        };
        let mut terms = vec![Term::Receiver(0), Term::Rounding, Term::Fading, Term::Shot];
        terms.extend((1..=RECEIVER_LAGS).map(Term::Receiver));
        let m = terms.len();
        let mut normal = DMatrix::<f64>::zeros(m, m);
        let mut right = DVector::<f64>::zeros(m);
        let mut add = |row: DVector<f64>, y: f64, weight: f64| {
            normal += weight * &row * row.transpose();
            right += weight * y * row;
        };
        for block in blocks.iter().filter(|b| b.used) {
            let variance = before.variance(block.power);
            let correlation = (before.density(block.power) / variance).max(1.0);
            let lift = 1.0 + before.shot * block.power / before.receiver;
            for &lag in &lags {
                let twice = if lag == 0 { 2.0 } else { 1.0 };
                let weight = (64 - lag) as f64 / (twice * correlation * variance * variance);
                let of =
                    |k: usize, _| terms[k].seen(lag, (block.power, lift), 9.0, hat_mean(64, lag));
                add(DVector::from_fn(m, of), block.autocovariance[lag], weight);
            }
        }
        let dark = DVector::from_fn(m, |k, _| terms[k].basis(0, (0.0, 1.0), 9.0));
        add(dark, 2e-4, 64.0 / 4e-8);
        let found = Equations::new(&seen, &before, &terms);
        approx::assert_relative_eq!(found.normal, normal, max_relative = 1e-9);
        approx::assert_relative_eq!(found.right, right, max_relative = 1e-9);
    }

    /// Second computation: the terms that are left solved by themselves; rounding only.
    #[test]
    fn leaving_a_term_out_is_solving_without_it() {
        let normal = DMatrix::from_fn(5, 5, |i, j| {
            let apart = i.abs_diff(j) as f64;
            10f64.powi(i as i32 + j as i32) * (0.6_f64.powf(apart) + f64::from(i == j))
        });
        let right = DVector::from_fn(5, |i, _| 10f64.powi(i as i32) * (i as f64 - 1.5));
        let equations = Equations { normal, right };
        let less = equations.solve((0..5).collect()).without(1).without(2);
        let anew = equations.solve(vec![0, 2, 4]);
        for i in 0..3 {
            let ((value, error), (wanted, wanted_error)) = (less.of(i), anew.of(i));
            approx::assert_relative_eq!(value, wanted, max_relative = 1e-12);
            approx::assert_relative_eq!(error, wanted_error, max_relative = 1e-12);
        }
    }

    /// The same of terms so alike that what is left is solved anew.
    #[test]
    fn terms_that_resemble_each_other_are_solved_anew() {
        let normal = DMatrix::from_fn(3, 3, |i, j| match (i, j) {
            _ if i == j => 1.0,
            (0, 1) | (1, 0) => 1.0 - 1e-9,
            _ => 0.3,
        });
        let right = DVector::from_vec(vec![1.0, 1.0, -2.0]);
        let equations = Equations { normal, right };
        let whole = equations.solve(vec![0, 1, 2]);
        assert!(whole.of(0).1.powi(2) > MOST_RAISED);
        let (less, anew) = (whole.without(1), equations.solve(vec![0, 2]));
        // Closed form: (1 + 0.6)/(1 − 0.09) and (−2 − 0.3)/(1 − 0.09).
        approx::assert_relative_eq!(anew.of(0).0, 1.6 / 0.91, max_relative = 1e-12);
        for i in 0..2 {
            approx::assert_relative_eq!(less.of(i).0, anew.of(i).0, max_relative = 1e-15);
        }
    }
}
