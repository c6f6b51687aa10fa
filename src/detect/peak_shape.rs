//! The shape of one reflection in the samples: pulse and receiver, fitted downhill.

use nalgebra::{SMatrix, SVector};

use super::response::{ALIKE, Answers, Response};

/// Time constant in samples below which a rise is over within one sample.
pub(super) const FAST: f64 = 0.15;

/// Leading edge of a peak, the time constants behind it, and the pulse.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Shape {
    pub(super) place: f64,
    pub(super) pole: f64,
    pub(super) second: f64,
    pub(super) pulse: f64,
}

/// A number of a shape that a search may move.
#[derive(Debug, Clone, Copy)]
pub(super) enum Free {
    Place,
    Pole,
    Second,
    Pulse,
}

/// Share by which a pulse may be longer or shorter than stated and still be that pulse.
const PULSE_OFF: f64 = 0.2;

impl Shape {
    fn number(&self, of: Free) -> f64 {
        match of {
            Free::Place => self.place,
            Free::Pole => self.pole,
            Free::Second => self.second,
            Free::Pulse => self.pulse,
        }
    }

    pub(super) fn response(&self) -> Response {
        Response {
            pulse: self.pulse,
            pole: self.pole,
            second: self.second,
            ..Response::default()
        }
    }
}

/// The samples of a peak, the first of them at index `lo`.
pub(super) struct Peak<'p> {
    pub(super) samples: &'p [f64],
    pub(super) lo: usize,
    /// Longest time constant.
    pub(super) slowest: f64,
    /// The pulse as stated.
    pub(super) stated: f64,
}

/// Damping of the first step downhill, as a share of each diagonal element, and its factors
/// after a step that went down and one that did not: the usual ones, from memory. Others take
/// more steps to the same bottom.
const DAMPING: f64 = 1e-2;
const FREER: f64 = 0.2;
const STIFFER: f64 = 8.0;

/// Share of the time constant by which a number is moved to tell a slope: far above rounding,
/// far below what changes the slope.
const NUDGE: f64 = 1e-3;

/// Share by which a step must lessen the sum of squares for another to be worth taking. A number
/// that is off by a thousandth of its error adds a millionth of a sample's variance to it, and it
/// holds the variances of twenty samples.
const SETTLED: f64 = 5e-8;

impl Peak<'_> {
    /// What a shape leaves of each sample; `answers` are turned to it.
    fn left(&self, shape: &Shape, answers: &mut Answers) -> Vec<f64> {
        answers.turn_to(shape.response());
        let Some(levels) = levels_of(self.samples, self.lo, shape.place, answers) else {
            return vec![f64::INFINITY; self.samples.len()];
        };
        let parted = parted(self.samples, self.lo, shape.place);
        let (before, behind) = left_by(parted, levels, answers);
        let mut left = Vec::with_capacity(self.samples.len());
        left.extend(before);
        left.extend(behind);
        left
    }

    /// A shape with some of its numbers moved, kept where they can be.
    fn moved<const N: usize>(&self, shape: &Shape, free: [Free; N], by: &[f64]) -> Shape {
        let mut moved = *shape;
        for (number, by) in free.into_iter().zip(by) {
            match number {
                Free::Place => moved.place += by,
                Free::Pole => moved.pole += by,
                Free::Second => moved.second += by,
                Free::Pulse => moved.pulse += by,
            }
        }
        moved.pole = moved.pole.clamp(0.0, self.slowest);
        moved.second = moved.second.clamp(0.0, ALIKE * moved.pole);
        let (least, most) = (1.0 - PULSE_OFF, 1.0 + PULSE_OFF);
        moved.pulse = (moved.pulse).clamp(least * self.stated, most * self.stated);
        moved
    }

    /// The best shape downhill from `start` and its sum of squares: damped least squares,
    /// by Levenberg and Marquardt, over the numbers that are free.
    pub(super) fn downhill<const N: usize>(&self, start: Shape, free: [Free; N]) -> (Shape, f64) {
        let square = |left: &[f64]| left.iter().map(|r| r * r).sum::<f64>();
        let mut best = start;
        let mut answers = Answers::default();
        let mut left = self.left(&best, &mut answers);
        let mut least = square(&left);
        let mut damping = DAMPING;
        let nudge = NUDGE * start.pole.max(FAST);
        for _ in 0..DAMPED_STEPS {
            let mut normal = SMatrix::<f64, N, N>::zeros();
            let mut product = SVector::<f64, N>::zeros();
            let slopes: [Vec<f64>; N] = std::array::from_fn(|k| {
                let mut by = [0.0; N];
                by[k] = nudge;
                let ahead = self.moved(&best, free, &by);
                by[k] = -nudge;
                let behind = self.moved(&best, free, &by);
                // From a bound inwards, by as much as it moves.
                let by = |to: &Shape| to.number(free[k]) - best.number(free[k]);
                let at = if by(&ahead) < -by(&behind) {
                    behind
                } else {
                    ahead
                };
                let nudge = by(&at);
                let moved = self.left(&at, &mut answers);
                let slope = |(m, l): (&f64, &f64)| (m - l) / nudge;
                moved.iter().zip(&left).map(slope).collect()
            });
            for (j, slope) in slopes.iter().enumerate() {
                product[j] = slope.iter().zip(&left).map(|(s, l)| s * l).sum();
                for (k, other) in slopes.iter().enumerate() {
                    normal[(j, k)] = slope.iter().zip(other).map(|(s, o)| s * o).sum();
                }
            }
            for k in 0..N {
                normal[(k, k)] += damping * normal[(k, k)] + f64::MIN_POSITIVE;
            }
            let solved = normal.cholesky().map(|c| c.solve(&-product));
            let Some(step) = solved.filter(|step| step.iter().all(|by| by.is_finite())) else {
                break;
            };
            let next = self.moved(&best, free, step.as_slice());
            let next_left = self.left(&next, &mut answers);
            let next_square = square(&next_left);
            if next_square < least {
                let settled = least - next_square < SETTLED * least;
                (best, left, least) = (next, next_left, next_square);
                damping *= FREER;
                if settled {
                    break;
                }
            } else {
                damping *= STIFFER;
            }
        }
        (best, least)
    }
}

/// Steps of the damped least squares at most; it comes to rest in five or six.
const DAMPED_STEPS: usize = 16;

/// Sum of squares and peak height of the best levels and peak with the edge at `x`.
pub(super) fn square_of(samples: &[f64], lo: usize, x: f64, answers: &mut Answers) -> (f64, f64) {
    let Some(levels) = levels_of(samples, lo, x, answers) else {
        return (f64::INFINITY, 0.0);
    };
    let (before, behind) = left_by(parted(samples, lo, x), levels, answers);
    let square = before.map(|r| r * r).sum::<f64>() + behind.map(|r| r * r).sum::<f64>();
    (square, levels[2])
}

/// Samples before the edge at `x`, where nothing answers, and from there on.
fn parted(samples: &[f64], lo: usize, x: f64) -> (&[f64], &[f64]) {
    let before = (x - lo as f64).max(0.0) as usize;
    samples.split_at(before.min(samples.len()))
}

/// What the levels and height of [`levels_of`] leave of the samples of [`parted`].
fn left_by<'s>(
    (flat, risen): (&'s [f64], &'s [f64]),
    [level, after, height]: [f64; 3],
    answers: &'s Answers,
) -> (
    impl Iterator<Item = f64> + 's,
    impl Iterator<Item = f64> + 's,
) {
    let answered = answers.iter().zip(risen);
    (
        flat.iter().map(move |p| p - level),
        answered.map(move |((q, peak), p)| p - level * (1.0 - q) - after * q - height * peak),
    )
}

/// The best level before, level after and height of a peak with the edge at `x`; `answers`
/// begin with the first sample behind it.
pub(super) fn levels_of(
    samples: &[f64],
    lo: usize,
    x: f64,
    answers: &mut Answers,
) -> Option<[f64; 3]> {
    // Three columns: level before, level after, peak. Sums of their products, and with the
    // power.
    let (mut rr, mut rq, mut qq, mut rb, mut qb, mut bb) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut rp, mut qp, mut bp) = (0.0, 0.0, 0.0);
    let (flat, risen) = parted(samples, lo, x);
    answers.begin((lo + flat.len()) as f64 - x, risen.len());
    for ((q, peak), p) in answers.iter().zip(risen) {
        let r = 1.0 - q;
        rr += r * r;
        rq += r * q;
        qq += q * q;
        rb += r * peak;
        qb += q * peak;
        bb += peak * peak;
        rp += r * p;
        qp += q * p;
        bp += peak * p;
    }
    rr += flat.len() as f64;
    rp += flat.iter().sum::<f64>();
    // By elimination; a pivot that is not positive is a column that tells nothing.
    let (u, v) = (rq / rr, rb / rr);
    let (q_left, b_left) = (qq - u * rq, qb - u * rb);
    let w = b_left / q_left;
    let last = bb - v * rb - w * b_left;
    if !(rr > 0.0 && q_left > 0.0 && last > 0.0) {
        return None;
    }
    let q_power = qp - u * rp;
    let height = (bp - v * rp - w * q_power) / last;
    let after = (q_power - b_left * height) / q_left;
    Some([(rp - rq * after - rb * height) / rr, after, height])
}
