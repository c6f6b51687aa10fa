//! How pulse and receiver answer a reflection and a step.
//!
//! A reflection answers with the pulse itself, a step with the pulse's integral;
//! the receiver smooths both. For one pole, with u samples behind the leading edge,
//! n the pulse length and r the time constant, all in samples:
//! peak b(u) = 1 − e^(−u/r) up to n, then (1 − e^(−n/r))·e^(−(u−n)/r);
//! ramp q(u) = 1/n·∫b. Two poles r and s in a row, or a pulse that rises at s, answer with
//! r/(r − s) times what r alone gives less s/(r − s) times what s alone gives.

/// Time constants after which a receiver counts as settled: e⁻⁵ of a peak is 0.7 %,
/// and of a step, whose ramp spreads it over the pulse, far less. An event that is
/// still clear of the noise then hides more (see [`Response::lingering`]).
const SETTLED: f64 = 5.0;

/// Pulse and receiver together, in samples.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Response {
    /// Pulse length.
    pub pulse: f64,
    /// Time constant of the receiver, the slower of two; 0 for one that follows at once.
    pub pole: f64,
    /// The faster one; 0 where the peaks show no second.
    pub second: f64,
    /// Samples by which a step comes later than pulse and pole alone would have it
    /// against the leading edge of a reflection.
    pub late: f64,
    /// Samples before that leading edge from which the pulse shows: it has risen there
    /// less than the model can tell, but more than a line bears.
    pub early: f64,
}

impl Response {
    /// Its poles with the share that each has in the answer.
    fn poles(&self) -> [(f64, f64); 2] {
        let (slow, fast) = (self.pole, self.second.min(ALIKE * self.pole));
        if fast < LEAST_POLE {
            return [(1.0, slow), (0.0, 0.0)];
        }
        [(slow / (slow - fast), slow), (-fast / (slow - fast), fast)]
    }

    /// Share of a reflection's full height `u` samples behind its leading edge.
    pub fn peak(&self, u: f64) -> f64 {
        if u <= 0.0 {
            return 0.0;
        }
        let inside = f64::from(u <= self.pulse);
        let of = |(share, pole): (f64, f64)| {
            if pole < LEAST_POLE {
                return share * inside;
            }
            let risen = 1.0 - (-u.min(self.pulse) / pole).exp();
            share * risen * (-(u - self.pulse).max(0.0) / pole).exp()
        };
        self.poles().into_iter().map(of).sum()
    }

    /// Share of a step that has come through `u` samples behind its leading edge.
    pub fn ramp(&self, u: f64) -> f64 {
        let u = u - self.late;
        if u <= 0.0 {
            return 0.0;
        }
        let inside = u.min(self.pulse);
        let of = |(share, r): (f64, f64)| {
            if r < LEAST_POLE {
                return share * inside / self.pulse;
            }
            let risen = (inside - r * (1.0 - (-inside / r).exp())) / self.pulse;
            let rest = r / self.pulse
                * (1.0 - (-self.pulse / r).exp())
                * (1.0 - (-(u - self.pulse).max(0.0) / r).exp());
            share * (risen + rest)
        };
        self.poles().into_iter().map(of).sum::<f64>().min(1.0)
    }

    /// Samples behind the leading edge at which half of a step is through on
    /// average: a line drawn to here does not feel a change of slope.
    pub fn middle(&self) -> f64 {
        0.5 * self.pulse + self.pole + self.second.min(ALIKE * self.pole) + self.late
    }

    /// Samples behind the pulse until the receiver has settled.
    pub fn settling(&self) -> usize {
        let [(share, _), _] = self.poles();
        ((SETTLED + share.ln()) * self.pole).ceil() as usize
    }

    /// Samples beyond [`Self::settling`] until what is left of an event of
    /// `amplitude` falls below a third of the noise `sd` of a mean over one time
    /// constant.
    pub fn lingering(&self, amplitude: f64, sd: f64) -> usize {
        if self.pole < LEAST_POLE || sd <= 0.0 {
            return 0;
        }
        let needed = (3.0 * amplitude.abs() * self.pole.max(1.0).sqrt() / sd)
            .max(1.0)
            .ln();
        (self.pole * (needed - SETTLED).max(0.0)).ceil() as usize
    }
}

/// Time constant in samples below which a receiver follows at once.
pub(super) const LEAST_POLE: f64 = 1e-3;

/// The faster pole is at most this part of the slower: of two alike the shares have no
/// bound, and the answer to 0.95 and 1.05 is that to two of 1 within 0.1 %.
pub(super) const ALIKE: f64 = 0.9;

/// Ramps and peaks of one response at samples in a row: as [`Response::ramp`] and
/// [`Response::peak`], with few exponentials for all.
#[derive(Debug, Clone, Default)]
pub(super) struct Answers {
    pulse: f64,
    parts: Vec<Part>,
    /// By how much the ramp lags behind the peak.
    late: f64,
    ramp: Vec<f64>,
    peak: Vec<f64>,
    /// What has risen in one part.
    risen: Vec<f64>,
}

/// What one pole of a response answers.
#[derive(Debug, Clone)]
struct Part {
    /// Its share in the answer.
    share: f64,
    /// Time constant; none for a receiver that follows at once.
    pole: Option<f64>,
    /// Time constant over the pulse.
    lag: f64,
    /// What a reflection has come up to at the pulse's end.
    at_end: f64,
    /// e^(−k/r) for k = 0, 1, …
    falls: Vec<f64>,
}

impl Part {
    fn fall(&self, u: f64) -> f64 {
        self.pole.map_or(0.0, |r| (-u / r).exp())
    }

    /// What has risen of a reflection at samples from `u` on, and how many of them lie
    /// before the edge, and before the pulse's end.
    fn rise(&mut self, pulse: f64, u: f64, risen: &mut [f64]) -> (usize, usize) {
        let count = risen.len();
        if self.falls.len() < count {
            let factor = self.fall(1.0);
            let powers = std::iter::successors(Some(1.0), |last| Some(last * factor));
            self.falls = powers.take(count.next_power_of_two()).collect();
        }
        // How many samples lie at most so far behind the edge.
        let up_to = |most: f64| {
            if u <= most {
                (most - u) as usize + 1
            } else {
                0
            }
        };
        let before = up_to(0.0).min(count);
        let inside = up_to(pulse).clamp(before, count);
        risen[..before].fill(0.0);
        let left = self.fall(u + before as f64);
        for (slot, fall) in risen[before..inside].iter_mut().zip(&self.falls) {
            *slot = 1.0 - left * fall;
        }
        let left = self.at_end * self.fall(u + inside as f64 - pulse);
        for (slot, fall) in risen[inside..].iter_mut().zip(&self.falls) {
            *slot = left * fall;
        }
        (before, inside)
    }

    /// Adds this part's share of the ramp, by what has risen of a reflection: of the share
    /// of the pulse that has passed, the receiver lags behind.
    fn add_ramp(
        &self,
        (pulse, u): (f64, f64),
        (before, inside): (usize, usize),
        risen: &[f64],
        ramp: &mut [f64],
    ) {
        let (share, lag) = (self.share, self.lag);
        let rows = ramp.iter_mut().zip(risen).enumerate();
        for (k, (slot, risen)) in rows.take(inside).skip(before) {
            *slot += share * ((u + k as f64) / pulse - lag * risen);
        }
        for (slot, risen) in ramp[inside..].iter_mut().zip(&risen[inside..]) {
            *slot += share * (1.0 - lag * risen);
        }
    }
}

impl Answers {
    /// Of a response.
    pub(super) fn of(response: Response) -> Self {
        let pulse = response.pulse;
        let part = |(share, pole): (f64, f64)| {
            let pole = (pole >= LEAST_POLE).then_some(pole);
            (share != 0.0).then(|| Part {
                share,
                pole,
                lag: pole.unwrap_or(0.0) / pulse,
                at_end: pole.map_or(0.0, |r| 1.0 - (-pulse / r).exp()),
                falls: Vec::new(),
            })
        };
        Self {
            pulse,
            parts: response.poles().into_iter().filter_map(part).collect(),
            late: response.late,
            ramp: Vec::new(),
            peak: Vec::new(),
            risen: Vec::new(),
        }
    }

    /// Answers at `u`, `u` + 1, … samples behind the leading edge, `count` of them.
    pub(super) fn begin(&mut self, u: f64, count: usize) {
        for into in [&mut self.ramp, &mut self.peak, &mut self.risen] {
            into.clear();
            into.resize(count, 0.0);
        }
        let (pulse, risen) = (self.pulse, &mut self.risen);
        for part in &mut self.parts {
            let mut parts = part.rise(pulse, u, risen);
            for (slot, risen) in self.peak.iter_mut().zip(&*risen) {
                *slot += part.share * risen;
            }
            if self.late != 0.0 {
                parts = part.rise(pulse, u - self.late, risen);
            }
            part.add_ramp((pulse, u - self.late), parts, risen, &mut self.ramp);
        }
    }

    /// Ramp and peak at each of the samples.
    pub(super) fn iter(&self) -> impl Iterator<Item = (f64, f64)> {
        self.ramp.iter().copied().zip(self.peak.iter().copied())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_poles_in_a_row_are_one_after_the_other() {
        // Second computation: the answer of the first pole through dy/dt = (x − y)/s in
        // steps of 1/1000 sample, with an error of half a step over s, 1e-3.
        let one = Response {
            pulse: 8.0,
            pole: 1.7,
            ..Response::default()
        };
        let two = Response { second: 0.6, ..one };
        let mut through = 0.0;
        for k in 0..16_000 {
            let u = f64::from(k) * 1e-3;
            approx::assert_abs_diff_eq!(two.peak(u), through, epsilon = 2e-3);
            through += 1e-3 * (one.peak(u) - through) / 0.6;
        }
    }

    #[test]
    fn a_ramp_is_the_integral_of_its_peak() {
        // Second computation: the trapezium rule in steps of 1/1000 sample; its own
        // error is below step²·max|b''|·u/12, about 1e-6.
        let response = Response {
            pulse: 8.0,
            pole: 1.7,
            second: 0.9,
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
        for (pole, second) in [(0.0, 0.0), (0.4, 0.0), (1.7, 0.0), (1.7, 0.6), (1.7, 1.7)] {
            let response = Response {
                pulse: 8.3,
                pole,
                second,
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
}
