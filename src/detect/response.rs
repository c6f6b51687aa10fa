//! How the receiver follows a pulse: its time constant, from reflections in the trace.
//!
//! A reflection answers with the pulse itself, a step with the pulse's integral;
//! a receiver of one pole smooths both. With u samples behind the leading edge,
//! n the pulse length and r the time constant, all in samples:
//! peak b(u) = 1 − e^(−u/r) up to n, then (1 − e^(−n/r))·e^(−(u−n)/r);
//! ramp q(u) = 1/n·∫b.

use super::power::{Power, SampleState};

/// Time constants after which a receiver counts as settled: e⁻⁵ of a peak is 0.7 %,
/// and of a step, whose ramp spreads it over the pulse, far less. An event that is
/// still clear of the noise then hides more (see [`Response::lingering`]).
const SETTLED: f64 = 5.0;

/// Longest time constant looked for, in pulse lengths: a slower receiver would not
/// have been paired with the pulse.
const SLOWEST: f64 = 0.6;

/// Least height of a peak over its noise, summed over the pulse, that shows a shape.
const CLEAR: f64 = 30.0;

/// Time constant in samples below which a rise is over within one sample.
const FAST: f64 = 0.15;

/// Least height of a peak over the backscatter that shows a shape: the fibre's own
/// fall over the few samples looked at, not in the model, is far less.
const LEAST_PEAK: f64 = 0.1;

/// Most peaks asked.
const ASKED: usize = 5;

/// Pulse and receiver together, in samples.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Response {
    /// Pulse length.
    pub pulse: f64,
    /// Time constant of the receiver; 0 for one that follows at once.
    pub pole: f64,
    /// Samples by which a step comes later than pulse and pole alone would have it
    /// against the leading edge of a reflection.
    pub late: f64,
    /// Samples before that leading edge from which the pulse shows: it has risen there
    /// less than the model can tell, but more than a line bears.
    pub early: f64,
}

impl Response {
    /// Share of a reflection's full height `u` samples behind its leading edge.
    pub fn peak(&self, u: f64) -> f64 {
        if u <= 0.0 {
            return 0.0;
        }
        let inside = f64::from(u <= self.pulse);
        if self.pole < 1e-3 {
            return inside;
        }
        let risen = 1.0 - (-u.min(self.pulse) / self.pole).exp();
        risen * (-(u - self.pulse).max(0.0) / self.pole).exp()
    }

    /// Share of a step that has come through `u` samples behind its leading edge.
    pub fn ramp(&self, u: f64) -> f64 {
        let u = u - self.late;
        if u <= 0.0 {
            return 0.0;
        }
        let r = self.pole;
        if r < 1e-3 {
            return (u / self.pulse).min(1.0);
        }
        let inside = u.min(self.pulse);
        let risen = (inside - r * (1.0 - (-inside / r).exp())) / self.pulse;
        let rest = r / self.pulse
            * (1.0 - (-self.pulse / r).exp())
            * (1.0 - (-(u - self.pulse).max(0.0) / r).exp());
        (risen + rest).min(1.0)
    }

    /// Samples behind the leading edge at which half of a step is through on
    /// average: a line drawn to here does not feel a change of slope.
    pub fn middle(&self) -> f64 {
        0.5 * self.pulse + self.pole + self.late
    }

    /// Samples behind the pulse until the receiver has settled.
    pub fn settling(&self) -> usize {
        (SETTLED * self.pole).ceil() as usize
    }

    /// Samples beyond [`Self::settling`] until what is left of an event of
    /// `amplitude` falls below a third of the noise `sd` of a mean over one time
    /// constant.
    pub fn lingering(&self, amplitude: f64, sd: f64) -> usize {
        if self.pole < 1e-3 || sd <= 0.0 {
            return 0;
        }
        let needed = (3.0 * amplitude.abs() * self.pole.max(1.0).sqrt() / sd)
            .max(1.0)
            .ln();
        (self.pole * (needed - SETTLED).max(0.0)).ceil() as usize
    }
}

/// Ramps and peaks of one response at samples in a row: as [`Response::ramp`] and
/// [`Response::peak`], with few exponentials for all.
#[derive(Debug, Clone, Default)]
pub(super) struct Answers {
    pulse: f64,
    /// Time constant; none for a receiver that follows at once.
    pole: Option<f64>,
    /// Time constant over the pulse.
    share: f64,
    /// What a reflection has come up to at the pulse's end.
    at_end: f64,
    /// By how much the ramp lags behind the peak.
    late: f64,
    /// e^(−k/r) for k = 0, 1, …
    falls: Vec<f64>,
    ramp: Vec<f64>,
    peak: Vec<f64>,
}

impl Answers {
    /// Of a response.
    pub(super) fn of(response: Response) -> Self {
        let Response {
            pulse, pole, late, ..
        } = response;
        let pole = (pole >= 1e-3).then_some(pole);
        Self {
            pulse,
            pole,
            share: pole.unwrap_or(0.0) / pulse,
            at_end: pole.map_or(1.0, |r| 1.0 - (-pulse / r).exp()),
            late,
            falls: Vec::new(),
            ramp: Vec::new(),
            peak: Vec::new(),
        }
    }

    /// Answers at `u`, `u` + 1, … samples behind the leading edge, `count` of them.
    pub(super) fn begin(&mut self, u: f64, count: usize) {
        if self.falls.len() < count {
            let factor = self.fall(1.0);
            let powers = std::iter::successors(Some(1.0), |last| Some(last * factor));
            self.falls = powers.take(count.next_power_of_two()).collect();
        }
        let (mut ramp, mut peak) = (
            std::mem::take(&mut self.ramp),
            std::mem::take(&mut self.peak),
        );
        peak.resize(count, 0.0);
        let parts = self.rise(u, &mut peak);
        if self.late == 0.0 {
            ramp.clear();
            ramp.extend_from_slice(&peak);
            self.ramp(u, parts, &mut ramp);
        } else {
            ramp.resize(count, 0.0);
            let parts = self.rise(u - self.late, &mut ramp);
            self.ramp(u - self.late, parts, &mut ramp);
        }
        (self.ramp, self.peak) = (ramp, peak);
    }

    fn fall(&self, u: f64) -> f64 {
        self.pole.map_or(0.0, |r| (-u / r).exp())
    }

    /// What has risen of a reflection at samples from `u` on, and how many of them lie
    /// before the edge, and before the pulse's end.
    fn rise(&self, u: f64, risen: &mut [f64]) -> (usize, usize) {
        // How many samples lie at most so far behind the edge.
        let up_to = |most: f64| {
            if u <= most {
                (most - u) as usize + 1
            } else {
                0
            }
        };
        let before = up_to(0.0).min(risen.len());
        let inside = up_to(self.pulse).clamp(before, risen.len());
        risen[..before].fill(0.0);
        let left = self.fall(u + before as f64);
        for (slot, fall) in risen[before..inside].iter_mut().zip(&self.falls) {
            *slot = 1.0 - left * fall;
        }
        let left = self.at_end * self.fall(u + inside as f64 - self.pulse);
        for (slot, fall) in risen[inside..].iter_mut().zip(&self.falls) {
            *slot = left * fall;
        }
        (before, inside)
    }

    /// Turns what has risen into the ramp: the share of the pulse that has passed, less
    /// what the receiver lags behind.
    fn ramp(&self, u: f64, (before, inside): (usize, usize), risen: &mut [f64]) {
        let share = self.share;
        for (k, slot) in risen[before..inside].iter_mut().enumerate() {
            let through = (u + (before + k) as f64) / self.pulse;
            *slot = (through - share * *slot).min(1.0);
        }
        for slot in &mut risen[inside..] {
            *slot = 1.0 - share * *slot;
        }
    }

    /// Ramp and peak at each of the samples.
    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64)> {
        self.ramp.iter().copied().zip(self.peak.iter().copied())
    }
}

/// Estimates the receiver's time constant from peaks whose rise begins behind the
/// samples `edges`; the median over the clearest of them, 0 without any.
///
/// Each is fitted in linear power, where the noise is even, by a level before, a
/// level after and a peak, over all places within a sample and a half and time
/// constants up to six tenths of the pulse.
pub(super) fn estimate(power: &Power, edges: &[usize], pulse: f64, noise_rms: f64) -> Response {
    let mut seen: Vec<(f64, f64)> = edges
        .iter()
        .filter_map(|&edge| fit(power, edge, pulse, noise_rms))
        .collect();
    seen.sort_by(|a, b| b.0.total_cmp(&a.0));
    seen.truncate(ASKED);
    let mut poles: Vec<f64> = seen.into_iter().map(|(_, pole)| pole).collect();
    poles.sort_by(f64::total_cmp);
    let pole = poles.get(poles.len() / 2).copied().unwrap_or(0.0);
    Response {
        pulse,
        pole,
        ..Response::default()
    }
}

/// Places looked at per sample.
const PER_SAMPLE: f64 = 80.0;

/// Leading edge of a peak whose rise begins behind sample `edge`, to a fraction of a
/// sample, from the shape that a known receiver gives it; none where the receiver
/// is so fast that the samples do not tell.
pub(super) fn place(power: &Power, edge: usize, response: &Response) -> Option<f64> {
    if response.pole < FAST {
        return None;
    }
    let n_w = response.pulse.ceil() as usize;
    let lo = edge.checked_sub(3 + n_w.min(16))?;
    let hi = edge + 2 * n_w + 4;
    let samples = power.value.get(lo..hi)?;
    if power.state[lo..hi].iter().any(|s| *s != SampleState::Good) {
        return None;
    }
    let (from, to) = (edge as f64 - 0.5, edge as f64 + 2.5);
    let mut answers = Answers::of(*response);
    let mut best_of = |row: &mut dyn Iterator<Item = i32>| {
        let square = |j: i32| {
            let x = from + f64::from(j) / PER_SAMPLE;
            (j, square_of(samples, lo, x, &mut answers).0)
        };
        let best = row.map(square).min_by(|a, b| a.1.total_cmp(&b.1));
        best.map(|best| best.0)
    };
    // At every tenth of a sample first: the shape is broader than that.
    let last = ((to - from) * PER_SAMPLE) as i32;
    let rough = best_of(&mut (0..=last).step_by(8))?;
    let best = best_of(&mut ((rough - 8).max(0)..=(rough + 8).min(last)))?;
    // At the end of what was looked through, it is not a place.
    (best > 0 && best < last).then(|| from + f64::from(best) / PER_SAMPLE)
}

/// Clearness and time constant of one peak.
fn fit(power: &Power, edge: usize, pulse: f64, noise_rms: f64) -> Option<(f64, f64)> {
    let n_w = pulse.ceil() as usize;
    let lo = edge.checked_sub(3 + n_w.min(16))?;
    let hi = edge + 2 * n_w + 4;
    let samples = power.value.get(lo..hi)?;
    if power.state[lo..hi].iter().any(|s| *s != SampleState::Good) {
        return None;
    }
    let slowest = (SLOWEST * pulse).max(0.5);
    let mut best = (f64::INFINITY, 0.0, 0.0);
    let mut found = (0.0, edge as f64);
    let (mut pole, mut place) = ((0.0, slowest), (edge as f64 - 0.5, edge as f64 + 2.5));
    // A grid over both, three times finer around its best.
    for _ in 0..3 {
        for k in 0..=16 {
            let r = pole.0 + (pole.1 - pole.0) * f64::from(k) / 16.0;
            let mut answers = Answers::of(Response {
                pulse,
                pole: r,
                ..Response::default()
            });
            for j in 0..=16 {
                let x = place.0 + (place.1 - place.0) * f64::from(j) / 16.0;
                let (square, height) = square_of(samples, lo, x, &mut answers);
                if square < best.0 {
                    best = (square, r, height);
                    found = (r, x);
                }
            }
        }
        let (dr, dx) = ((pole.1 - pole.0) / 8.0, (place.1 - place.0) / 8.0);
        pole = ((found.0 - dr).max(0.0), (found.0 + dr).min(slowest));
        place = (found.1 - dx, found.1 + dx);
    }
    let (square, mut pole, height) = best;
    if !square.is_finite() {
        return None;
    }
    // A receiver that follows at once, unless the noise says otherwise: one more
    // parameter, three standard errors.
    let mut answers = Answers::of(Response {
        pulse,
        ..Response::default()
    });
    let at_once = (0..=48)
        .map(|j| {
            let x = edge as f64 - 0.5 + f64::from(j) / 16.0;
            square_of(samples, lo, x, &mut answers).0
        })
        .fold(f64::INFINITY, f64::min);
    if at_once - square < 9.0 * noise_rms * noise_rms {
        pole = 0.0;
    }
    let clearness = height / noise_rms.max(f64::MIN_POSITIVE) * pulse.sqrt();
    // A rise of the level without a peak has no shape to tell.
    let level = samples.iter().take(3).sum::<f64>() / 3.0;
    (clearness > CLEAR && height > LEAST_PEAK * level).then_some((clearness, pole))
}

/// Sum of squares and peak height of the best levels and peak with the edge at `x`.
fn square_of(samples: &[f64], lo: usize, x: f64, answers: &mut Answers) -> (f64, f64) {
    // Three columns: level before, level after, peak. Sums of their products, and with the
    // power.
    let (mut rr, mut rq, mut qq, mut rb, mut qb, mut bb) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut rp, mut qp, mut bp) = (0.0, 0.0, 0.0);
    // Before the edge nothing answers; from the last sample there on, all in a row.
    let before = ((x - lo as f64).max(0.0) as usize).min(samples.len());
    let (flat, risen) = samples.split_at(before);
    answers.begin((lo + before) as f64 - x, risen.len());
    let rows = || answers.iter().zip(risen);
    for ((q, peak), p) in rows() {
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
    rr += before as f64;
    rp += flat.iter().sum::<f64>();
    // By elimination, a pivot that is not positive being a column that tells nothing.
    let (u, v) = (rq / rr, rb / rr);
    let (q_left, b_left) = (qq - u * rq, qb - u * rb);
    let w = b_left / q_left;
    let last = bb - v * rb - w * b_left;
    if !(rr > 0.0 && q_left > 0.0 && last > 0.0) {
        return (f64::INFINITY, 0.0);
    }
    let q_power = qp - u * rp;
    let height = (bp - v * rp - w * q_power) / last;
    let after = (q_power - b_left * height) / q_left;
    let level = (rp - rq * after - rb * height) / rr;
    let square = flat.iter().map(|p| (p - level).powi(2)).sum::<f64>()
        + rows()
            .map(|((q, peak), p)| (p - level * (1.0 - q) - after * q - height * peak).powi(2))
            .sum::<f64>();
    (square, height)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_is_the_integral_of_its_peak() {
        // Second computation: the trapezium rule in steps of 1/1000 sample; its own
        // error is below step²·max|b''|·u/12, about 1e-6.
        let response = Response {
            pulse: 8.0,
            pole: 1.7,
            ..Response::default()
        };
        for u in [0.3, 4.0, 8.0, 9.5, 20.0] {
            let steps = (u * 1000.0) as usize;
            let h = u / steps as f64;
            let sum: f64 = (0..steps)
                .map(|k| {
                    0.5 * (response.peak(k as f64 * h) + response.peak((k + 1) as f64 * h)) * h
                })
                .sum();
            approx::assert_abs_diff_eq!(response.ramp(u), sum / 8.0, epsilon = 1e-3);
        }
    }

    #[test]
    fn answers_in_a_row_are_the_ramp_and_the_peak() {
        // Second computation: the closed forms, place by place; rounding only.
        for pole in [0.0, 0.4, 1.7] {
            let response = Response {
                pulse: 8.3,
                pole,
                late: 0.4,
                early: 0.0,
            };
            let mut answers = Answers::of(response);
            for start in [-2.4, -0.4, 0.0, 0.2, 0.3, 0.99, 9.1] {
                answers.begin(start, 40);
                for (k, (ramp, peak)) in answers.iter().enumerate() {
                    let u = start + k as f64;
                    approx::assert_abs_diff_eq!(ramp, response.ramp(u), epsilon = 1e-12);
                    approx::assert_abs_diff_eq!(peak, response.peak(u), epsilon = 1e-12);
                }
            }
        }
    }

    #[test]
    fn finds_the_time_constant_of_a_made_peak() {
        // Truth: the shape written above with r = 1.5; grid step 4.8·0.6… = 0.25.
        let truth = Response {
            pulse: 10.0,
            pole: 1.5,
            ..Response::default()
        };
        let value: Vec<f64> = (0..80)
            .map(|i| {
                let u = f64::from(i) - 30.3;
                0.01 * (1.0 - 0.1 * truth.ramp(u)) + 0.02 * truth.peak(u)
            })
            .collect();
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        let found = estimate(&power, &[30], 10.0, 1e-6);
        approx::assert_abs_diff_eq!(found.pole, 1.5, epsilon = 0.13);
    }
}
