//! The receiver: one pole, a ceiling, and slow recovery, in continuous time.
//!
//! Between two breakpoints the incoming power is smooth and nearly straight,
//! so a parabola through its start, middle and end stands for it; the pole's
//! answer to a parabola is exact. With a decay of λ per ns and a step of Δ the
//! parabola errs by less than (λΔ)³/12 of the power, 10⁻⁹ at 10 dB/km and 10 m.

use super::fibre::{Flash, Stretch};
use super::instrument::{Receiver, TailDrive};
use super::pulse::{Backscatter, Reflected, breakpoints};

/// Received power at each sample, noise-free.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Received {
    /// Backscatter, before the ceiling.
    pub(super) backscatter: Vec<f64>,
    /// Reflections and echoes, before the ceiling.
    pub(super) reflected: Vec<f64>,
    /// What the tails add.
    pub(super) tails: Vec<f64>,
    /// Ceiling of the power; infinite where there is none.
    pub(super) ceiling: f64,
}

/// Parts into which a step is split while the receiver is overloaded, so that
/// the ceiling is met in the right part; shapes only the tail's size.
const PARTS_IN_OVERLOAD: u32 = 16;

/// Sends stretches and flashes through pulse and receiver.
///
/// `times_ns` are the samples' round-trip times, growing; `start_power` is the
/// backscatter at the port, to which the ceiling refers.
pub(super) fn receive(
    stretches: &[Stretch],
    flashes: &[Flash],
    width_ns: f64,
    receiver: &Receiver,
    start_power: f64,
    times_ns: &[f64],
) -> Received {
    let ceiling = receiver
        .ceiling_above_start_db
        .map_or(f64::INFINITY, |db| start_power * 10f64.powf(db / 5.0));
    let n = times_ns.len();
    let mut received = Received {
        backscatter: Vec::with_capacity(n),
        reflected: Vec::with_capacity(n),
        tails: Vec::with_capacity(n),
        ceiling,
    };
    let mut chain = Chain::new(stretches, flashes, width_ns, receiver, ceiling);
    let stops = breakpoints(stretches, flashes, width_ns);
    let mut stops = stops.into_iter().peekable();
    for &t_ns in times_ns {
        while let Some(stop_ns) = stops.next_if(|&stop_ns| stop_ns < t_ns) {
            chain.advance_to(stop_ns);
        }
        chain.advance_to(t_ns);
        received.backscatter.push(chain.backscatter.value);
        received.reflected.push(chain.reflected.value);
        received.tails.push(chain.tails_sum());
    }
    received
}

/// A first-order low pass, or a plain wire with a time constant of zero.
#[derive(Debug, Clone, Copy)]
struct Pole {
    time_constant_ns: f64,
    value: f64,
}

impl Pole {
    fn new(time_constant_ns: f64) -> Self {
        Self {
            time_constant_ns,
            value: 0.0,
        }
    }

    /// Exact answer after `span_ns` to the parabola through three inputs.
    ///
    /// With input a + b·s + c·s² the solution of τ·y′ = input − y is
    /// y = A + B·s + C·s² + (y₀ − A)·e^(−s/τ), C = c, B = b − 2τC, A = a − τB.
    fn advance(&mut self, span_ns: f64, input: [f64; 3]) {
        let tau = self.time_constant_ns;
        let [start, middle, end] = input;
        if tau <= 0.0 {
            self.value = end;
            return;
        }
        let c_s2 = 2.0 * (start - 2.0 * middle + end);
        let b_s = end - start - c_s2;
        let x = tau / span_ns;
        // Multiples of the span: c_s2 = c·s², b_s = b·s, x = τ/s.
        let big_b = b_s - 2.0 * x * c_s2;
        let big_a = start - x * big_b;
        self.value = big_a + big_b + c_s2 + (self.value - big_a) * (-span_ns / tau).exp();
    }
}

/// The whole receiver at one moment.
#[derive(Debug)]
struct Chain<'a> {
    now_ns: f64,
    incoming: Backscatter<'a>,
    incoming_now: f64,
    flashes: Reflected<'a>,
    backscatter: Pole,
    reflected: Pole,
    tails: Vec<(f64, TailDrive, Pole)>,
    ceiling: f64,
}

impl<'a> Chain<'a> {
    fn new(
        stretches: &'a [Stretch],
        flashes: &'a [Flash],
        width_ns: f64,
        receiver: &Receiver,
        ceiling: f64,
    ) -> Self {
        let pole = Pole::new(receiver.time_constant_ns);
        Self {
            now_ns: 0.0,
            incoming: Backscatter::new(stretches, width_ns),
            incoming_now: 0.0,
            flashes: Reflected::new(flashes, width_ns),
            backscatter: pole,
            reflected: pole,
            tails: receiver
                .tails
                .iter()
                .map(|tail| (tail.share, tail.after, Pole::new(tail.time_constant_ns)))
                .collect(),
            ceiling,
        }
    }

    fn output(&self) -> f64 {
        self.backscatter.value + self.reflected.value
    }

    fn tails_sum(&self) -> f64 {
        self.tails
            .iter()
            .map(|(share, _, pole)| share * pole.value)
            .sum()
    }

    /// Moves on to `t_ns`; no breakpoint may lie in between.
    fn advance_to(&mut self, t_ns: f64) {
        if t_ns <= self.now_ns {
            // An instant receiver shows at once what starts at this moment.
            if self.reflected.time_constant_ns <= 0.0 && t_ns >= 0.0 {
                self.reflected.value = self.flashes.at(t_ns);
            }
            return;
        }
        // Constant within the step: its jumps are breakpoints.
        let flash = self.flashes.at(0.5 * (self.now_ns + t_ns));
        let overloaded = !self.tails.is_empty()
            && (self.output() > self.ceiling || self.incoming_now + flash > self.ceiling);
        let parts = if overloaded { PARTS_IN_OVERLOAD } else { 1 };
        let span_ns = (t_ns - self.now_ns) / f64::from(parts);
        let start_ns = self.now_ns;
        for part in 0..parts {
            self.step(start_ns + f64::from(part) * span_ns, span_ns, flash);
        }
        self.now_ns = t_ns;
        if self.reflected.time_constant_ns <= 0.0 {
            self.reflected.value = self.flashes.at(t_ns);
        }
    }

    fn step(&mut self, from_ns: f64, span_ns: f64, flash: f64) {
        let middle = self.incoming.at(from_ns + 0.5 * span_ns);
        let end = self.incoming.at(from_ns + span_ns);
        let input = [self.incoming_now, middle, end];
        let over_before = (self.output() - self.ceiling).max(0.0);
        self.backscatter.advance(span_ns, input);
        self.reflected.advance(span_ns, [flash; 3]);
        let over_after = (self.output() - self.ceiling).max(0.0);
        for (_, drive, pole) in &mut self.tails {
            let driving = match drive {
                TailDrive::Overload => [over_before, 0.5 * (over_before + over_after), over_after],
                TailDrive::Everything => input.map(|power| power + flash),
            };
            pole.advance(span_ns, driving);
        }
        self.incoming_now = end;
    }
}

#[cfg(test)]
mod tests {
    use super::super::instrument::Tail;
    use super::*;

    const WIDTH_NS: f64 = 100.0;

    fn flash(at_ns: f64, power: f64) -> [Flash; 1] {
        [Flash { at_ns, power }]
    }

    fn times(step_ns: f64, n: u32) -> Vec<f64> {
        (0..n).map(|idx| f64::from(idx) * step_ns).collect()
    }

    #[test]
    fn the_pole_answers_a_rectangle_with_its_exponentials_at_any_sampling() {
        let receiver = Receiver {
            time_constant_ns: 30.0,
            ..Receiver::default()
        };
        for step_ns in [0.7, 19.6, 97.3] {
            let times_ns = times(step_ns, 40);
            let got = receive(&[], &flash(123.4, 2.0), WIDTH_NS, &receiver, 1.0, &times_ns);
            for (t_ns, value) in times_ns.iter().zip(&got.reflected) {
                let since = t_ns - 123.4;
                // Closed form: rise 1 − e^(−t/τ), then decay from its last value.
                let expected = if since <= 0.0 {
                    0.0
                } else if since <= WIDTH_NS {
                    2.0 * (1.0 - (-since / 30.0f64).exp())
                } else {
                    2.0 * (1.0 - (-WIDTH_NS / 30.0f64).exp())
                        * (-(since - WIDTH_NS) / 30.0f64).exp()
                };
                // Rounding only.
                approx::assert_abs_diff_eq!(*value, expected, epsilon = 1e-12);
            }
        }
    }

    #[test]
    fn the_pole_answers_a_parabola_as_many_small_steps_do() {
        // Second implementation: backward Euler in 200 000 steps of a rising parabola.
        let (tau, span_ns) = (40.0, 60.0);
        let input = |s: f64| 1.0 + 0.02 * s - 1e-4 * s * s;
        let mut pole = Pole {
            time_constant_ns: tau,
            value: 0.3,
        };
        pole.advance(span_ns, [input(0.0), input(30.0), input(60.0)]);
        let steps = 200_000;
        let h = span_ns / f64::from(steps);
        let mut slow = 0.3;
        for idx in 1..=steps {
            slow = (slow + h / tau * input(h * f64::from(idx))) / (1.0 + h / tau);
        }
        // First order: the error is about h/τ ≈ 1e-5 of the change of 1.
        approx::assert_abs_diff_eq!(pole.value, slow, epsilon = 2e-5);
    }

    #[test]
    fn overload_leaves_a_tail_in_proportion_to_the_charge_above_the_ceiling() {
        let receiver = Receiver {
            time_constant_ns: 0.0,
            // 10^(5/5) = 10 times the start power of 1.
            ceiling_above_start_db: Some(5.0),
            tails: vec![Tail {
                share: 0.01,
                time_constant_ns: 500.0,
                after: TailDrive::Overload,
            }],
        };
        let times_ns = times(10.0, 100);
        let got = receive(
            &[],
            &flash(200.0, 50.0),
            WIDTH_NS,
            &receiver,
            1.0,
            &times_ns,
        );
        approx::assert_relative_eq!(got.ceiling, 10.0, epsilon = 1e-12);
        // Closed form: 40 above the ceiling for 100 ns drives a slow pole.
        let at_end = 0.01 * 40.0 * (1.0 - (-100.0 / 500.0f64).exp());
        for (t_ns, tail) in times_ns
            .iter()
            .zip(&got.tails)
            .filter(|(t, _)| **t >= 320.0)
        {
            let expected = at_end * (-(t_ns - 300.0) / 500.0).exp();
            // An instant receiver's edge is drawn over one of 16 parts of the
            // 10 ns step: within 1 ns of 100 on the charge.
            approx::assert_relative_eq!(*tail, expected, max_relative = 0.01);
        }
    }

    #[test]
    fn light_below_the_ceiling_leaves_no_tail() {
        let receiver = Receiver {
            time_constant_ns: 20.0,
            ceiling_above_start_db: Some(5.0),
            tails: vec![Tail {
                share: 0.01,
                time_constant_ns: 500.0,
                after: TailDrive::Overload,
            }],
        };
        let got = receive(
            &[],
            &flash(50.0, 9.0),
            WIDTH_NS,
            &receiver,
            1.0,
            &times(10.0, 50),
        );
        assert!(got.tails.iter().all(|tail| *tail == 0.0));
    }

    #[test]
    fn a_tail_after_everything_follows_all_light() {
        let receiver = Receiver {
            tails: vec![Tail {
                share: 0.1,
                time_constant_ns: 300.0,
                after: TailDrive::Everything,
            }],
            ..Receiver::default()
        };
        let got = receive(
            &[],
            &flash(0.0, 1.0),
            WIDTH_NS,
            &receiver,
            1.0,
            &times(50.0, 9),
        );
        // Closed form at 400 ns.
        let expected = 0.1 * (1.0 - (-100.0 / 300.0f64).exp()) * (-300.0 / 300.0f64).exp();
        approx::assert_relative_eq!(got.tails[8], expected, max_relative = 1e-12);
    }
}
