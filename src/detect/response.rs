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
}

/// What one pole of a response answers.
#[derive(Debug, Clone, Default)]
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
    /// What [`Part::fall_after`] was last asked for, and e^(−v/r).
    asked: [(f64, f64); 4],
}

/// Exponent beyond which a product of two exponentials could leave the range of numbers.
const LEAST_EXPONENT: f64 = 50.0;

impl Part {
    fn fall(&self, u: f64) -> f64 {
        self.pole.map_or(0.0, |r| (-u / r).exp())
    }

    /// Where samples from `u` − `late` behind the edge on, `count` of them, lie against the
    /// pulse; `left` is what a reflection has still to rise `u` samples behind its edge.
    fn rise(&mut self, pulse: f64, (u, left): (f64, f64), late: f64, count: usize) -> Rise {
        // How many samples lie at most so far behind the edge.
        let from = u - late;
        let up_to = |most: f64| {
            if from <= most {
                (most - from) as usize + 1
            } else {
                0
            }
        };
        let before = up_to(0.0).min(count);
        let inside = up_to(pulse).clamp(before, count);
        let wanted = (inside - before).max(count - inside);
        if self.falls.len() < wanted {
            let factor = self.fall(1.0);
            let powers = std::iter::successors(Some(1.0), |last| Some(last * factor));
            self.falls.clear();
            self.falls.extend(powers.take(wanted.next_power_of_two()));
        }
        Rise {
            before,
            inside,
            first: self.fall_after((u, left), before as f64 - late),
            behind: self.at_end * self.fall_after((u, left), inside as f64 - late - pulse),
        }
    }

    /// e^(−(u + v)/r) by `left` = e^(−u/r): the same few v are asked for again and again.
    fn fall_after(&mut self, (u, left): (f64, f64), v: f64) -> f64 {
        let Some(pole) = self.pole else { return 0.0 };
        if u.min(v) < -LEAST_EXPONENT * pole {
            return self.fall(u + v);
        }
        let is_same = |known: &&(f64, f64)| known.0.to_bits() == v.to_bits();
        let factor = if let Some(known) = self.asked.iter().find(is_same) {
            known.1
        } else {
            let factor = self.fall(v);
            self.asked.rotate_right(1);
            self.asked[0] = (v, factor);
            factor
        };
        left * factor
    }

    /// Puts this part's share of the peak into a row, or adds it.
    fn peak(&self, rise: &Rise, peak: &mut [f64], put: impl Fn(&mut f64, f64)) {
        let (share, falls) = (self.share, &self.falls);
        let [outside, inside, behind] = rise.parted(peak);
        for slot in outside {
            put(slot, 0.0);
        }
        let (to_rise, risen) = (share * rise.first, share * rise.behind);
        for (slot, fall) in inside.iter_mut().zip(falls) {
            put(slot, share - to_rise * fall);
        }
        for (slot, fall) in behind.iter_mut().zip(falls) {
            put(slot, risen * fall);
        }
    }

    /// Puts this part's share of the ramp into a row, or adds it: of the share of the pulse
    /// that has passed, the receiver lags behind by what has risen of a reflection.
    fn ramp(
        &self,
        rise: &Rise,
        (pulse, u): (f64, f64),
        ramp: &mut [f64],
        put: impl Fn(&mut f64, f64),
    ) {
        let (share, lagging, falls) = (self.share, self.share * self.lag, &self.falls);
        let [outside, inside, behind] = rise.parted(ramp);
        for slot in outside {
            put(slot, 0.0);
        }
        let (to_rise, risen) = (lagging * rise.first, lagging * rise.behind);
        let from = share * (u + rise.before as f64) / pulse - lagging;
        let per_sample = share / pulse;
        for (k, (slot, fall)) in inside.iter_mut().zip(falls).enumerate() {
            put(slot, from + k as f64 * per_sample + to_rise * fall);
        }
        for (slot, fall) in behind.iter_mut().zip(falls) {
            put(slot, share - risen * fall);
        }
    }
}

/// Where samples in a row lie against the pulse, and what one pole makes of it.
struct Rise {
    /// Samples up to the leading edge.
    before: usize,
    /// Samples up to the pulse's end.
    inside: usize,
    /// What is still to rise at the first sample behind the edge.
    first: f64,
    /// What has risen at the first sample behind the pulse.
    behind: f64,
}

impl Rise {
    /// A row up to the edge, up to the pulse's end, and behind it.
    fn parted<'r>(&self, row: &'r mut [f64]) -> [&'r mut [f64]; 3] {
        let (outside, rest) = row.split_at_mut(self.before);
        let (inside, behind) = rest.split_at_mut(self.inside - self.before);
        [outside, inside, behind]
    }
}

impl Answers {
    /// Of a response.
    pub(super) fn of(response: Response) -> Self {
        let mut answers = Self::default();
        answers.turn_to(response);
        answers
    }

    /// Makes these the answers of another response, in the memory that they have.
    pub(super) fn turn_to(&mut self, response: Response) {
        (self.pulse, self.late) = (response.pulse, response.late);
        let poles = response.poles().into_iter().filter(|pole| pole.0 != 0.0);
        let mut count = 0;
        for (k, (share, pole)) in poles.enumerate() {
            if k == self.parts.len() {
                self.parts.push(Part::default());
            }
            let part = &mut self.parts[k];
            let pole = (pole >= LEAST_POLE).then_some(pole);
            (part.share, part.pole) = (share, pole);
            part.lag = pole.unwrap_or(0.0) / response.pulse;
            part.at_end = pole.map_or(0.0, |r| 1.0 - (-response.pulse / r).exp());
            part.falls.clear();
            part.asked = [(f64::NAN, 0.0); 4];
            count = k + 1;
        }
        self.parts.truncate(count);
    }

    /// Answers at `u`, `u` + 1, … samples behind the leading edge, `count` of them.
    pub(super) fn begin(&mut self, u: f64, count: usize) {
        self.ramp.resize(count, 0.0);
        self.peak.resize(count, 0.0);
        let (pulse, late) = (self.pulse, self.late);
        for (k, part) in self.parts.iter_mut().enumerate() {
            let first = (u, part.fall(u));
            let rise = part.rise(pulse, first, 0.0, count);
            let later = (late != 0.0).then(|| part.rise(pulse, first, late, count));
            let later = later.as_ref().unwrap_or(&rise);
            let behind = (pulse, u - late);
            if k == 0 {
                part.peak(&rise, &mut self.peak, |slot, value| *slot = value);
                part.ramp(later, behind, &mut self.ramp, |slot, value| *slot = value);
            } else {
                part.peak(&rise, &mut self.peak, |slot, value| *slot += value);
                part.ramp(later, behind, &mut self.ramp, |slot, value| *slot += value);
            }
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

    /// Second computation: answers of its own for each. From two constants to one, to none and
    /// back, so that nothing of an earlier one may be left.
    #[test]
    fn answers_that_are_turned_to_a_response_are_those_of_it() {
        let of = |pole: f64, second: f64, late: f64| Response {
            pulse: 6.4,
            pole,
            second,
            late,
            ..Response::default()
        };
        let mut turned = Answers::default();
        for response in [
            of(1.7, 0.9, 0.3),
            of(0.8, 0.0, 0.0),
            of(0.0, 0.0, 0.2),
            of(2.0, 0.4, 0.0),
        ] {
            turned.turn_to(response);
            let mut own = Answers::of(response);
            for (u, count) in [(0.3, 20), (-2.6, 33)] {
                turned.begin(u, count);
                own.begin(u, count);
                let same = turned.iter().zip(own.iter()).all(|(p, q)| p == q);
                assert!(same && turned.iter().count() == count, "{response:?}");
            }
        }
    }
}
