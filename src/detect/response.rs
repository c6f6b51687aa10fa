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

    /// Ramp and peak at `u`, `u` + 1, … samples behind the leading edge: the same as
    /// [`Self::ramp`] and [`Self::peak`].
    pub fn answers(self, u: f64) -> impl Iterator<Item = (f64, f64)> {
        let ramps = self.in_a_row(u - self.late).map(|(ramp, _)| ramp);
        ramps.zip(self.in_a_row(u).map(|(_, peak)| peak))
    }

    /// Ramp and peak at `u`, `u` + 1, … with no lateness, by one exponential for all.
    fn in_a_row(self, u: f64) -> impl Iterator<Item = (f64, f64)> {
        let r = self.pole.max(1e-9);
        let slow = self.pole >= 1e-3;
        let factor = if slow { (-1.0 / r).exp() } else { 0.0 };
        let at_end = if slow {
            1.0 - (-self.pulse / r).exp()
        } else {
            1.0
        };
        let share = self.pole / self.pulse;
        let fall = move |u: f64| if slow { (-u / r).exp() } else { 0.0 };
        let (mut rest, mut behind) = (fall(u), None);
        let mut u = u;
        std::iter::from_fn(move || {
            let answer = if u <= 0.0 {
                (0.0, 0.0)
            } else if u <= self.pulse {
                let risen = 1.0 - rest;
                ((u / self.pulse - share * risen).min(1.0), risen)
            } else {
                let left = *behind.get_or_insert_with(|| fall(u - self.pulse));
                behind = Some(left * factor);
                (1.0 - share * at_end * left, at_end * left)
            };
            rest = if u <= 0.0 {
                fall(u + 1.0)
            } else {
                rest * factor
            };
            u += 1.0;
            Some(answer)
        })
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
    let best = (0..=240)
        .map(|j| from + f64::from(j) / 80.0)
        .min_by(|a, b| {
            let square = |x: f64| square_of(samples, lo, x, response).0;
            square(*a).total_cmp(&square(*b))
        })?;
    // At the end of what was looked through, it is not a place.
    (best > from && best < to).then_some(best)
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
            let response = Response {
                pulse,
                pole: r,
                ..Response::default()
            };
            for j in 0..=16 {
                let x = place.0 + (place.1 - place.0) * f64::from(j) / 16.0;
                let (square, height) = square_of(samples, lo, x, &response);
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
    let at_once = (0..=32)
        .map(|j| {
            let x = edge as f64 - 0.5 + f64::from(j) / 16.0;
            square_of(
                samples,
                lo,
                x,
                &Response {
                    pulse,
                    ..Response::default()
                },
            )
            .0
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
fn square_of(samples: &[f64], lo: usize, x: f64, response: &Response) -> (f64, f64) {
    // Three columns: level before, level after, peak.
    let mut m = nalgebra::Matrix3::<f64>::zeros();
    let mut v = nalgebra::Vector3::<f64>::zeros();
    let row = |i: usize| {
        let u = (lo + i) as f64 - x;
        let q = response.ramp(u);
        nalgebra::Vector3::new(1.0 - q, q, response.peak(u))
    };
    for (i, p) in samples.iter().enumerate() {
        let r = row(i);
        m += r * r.transpose();
        v += r * *p;
    }
    let Some(solution) = m.cholesky().map(|c| c.solve(&v)) else {
        return (f64::INFINITY, 0.0);
    };
    let square = samples
        .iter()
        .enumerate()
        .map(|(i, p)| (p - row(i).dot(&solution)).powi(2))
        .sum();
    (square, solution[2])
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
            for start in [-0.4, 0.0, 0.2, 0.99] {
                for (k, (ramp, peak)) in response.answers(start).take(40).enumerate() {
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
