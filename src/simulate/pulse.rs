//! The rectangular pulse: what it covers at each moment.

use super::fibre::{Flash, Stretch};

/// Backscatter that a rectangular pulse brings back, evaluated exactly.
///
/// At time `t` light from the stretch of time `[t − width, t]` arrives
/// together, so the power is the integral of the impulse response over that
/// window. Times must be asked for in order, apart from steps back of less
/// than the stretches' length.
#[derive(Debug)]
pub(super) struct Backscatter<'a> {
    stretches: &'a [Stretch],
    width_ns: f64,
    first: usize,
}

impl<'a> Backscatter<'a> {
    pub(super) fn new(stretches: &'a [Stretch], width_ns: f64) -> Self {
        Self {
            stretches,
            width_ns,
            first: 0,
        }
    }

    /// Power at time `t_ns` against launched power.
    pub(super) fn at(&mut self, t_ns: f64) -> f64 {
        let from_ns = t_ns - self.width_ns;
        while self
            .stretches
            .get(self.first)
            .is_some_and(|stretch| stretch.end_ns <= from_ns)
        {
            self.first += 1;
        }
        self.stretches
            .iter()
            .skip(self.first)
            .take_while(|stretch| stretch.start_ns < t_ns)
            .map(|stretch| {
                energy(
                    stretch,
                    from_ns.max(stretch.start_ns),
                    t_ns.min(stretch.end_ns),
                )
            })
            .sum()
    }
}

/// Integral of one stretch's rate between two times within it.
///
/// ∫ r·exp(−λ·(t − t₀)) dt = r·exp(−λ·(from − t₀))·(1 − exp(−λ·(to − from)))/λ;
/// `exp_m1` keeps the digits of the small difference.
pub(super) fn energy(stretch: &Stretch, from_ns: f64, to_ns: f64) -> f64 {
    let span_ns = to_ns - from_ns;
    if span_ns <= 0.0 {
        return 0.0;
    }
    let lambda = stretch.decay_per_ns;
    let at_from = stretch.rate_per_ns * (-lambda * (from_ns - stretch.start_ns)).exp();
    // Below this the quotient 0/0 is replaced by its limit; the error is λ·span/2.
    if (lambda * span_ns).abs() < 1e-14 {
        at_from * span_ns
    } else {
        at_from * -(-lambda * span_ns).exp_m1() / lambda
    }
}

/// The pulses that reflections send back: a sum of rectangles.
#[derive(Debug)]
pub(super) struct Reflected<'a> {
    flashes: &'a [Flash],
    width_ns: f64,
    lit: Vec<usize>,
    next: usize,
}

impl<'a> Reflected<'a> {
    /// `flashes` must be in order of time.
    pub(super) fn new(flashes: &'a [Flash], width_ns: f64) -> Self {
        Self {
            flashes,
            width_ns,
            lit: Vec::new(),
            next: 0,
        }
    }

    /// Power at time `t_ns`, from `at_ns ≤ t` to `t < at_ns + width`; times in order.
    pub(super) fn at(&mut self, t_ns: f64) -> f64 {
        while let Some(flash) = self.flashes.get(self.next)
            && flash.at_ns <= t_ns
        {
            self.lit.push(self.next);
            self.next += 1;
        }
        let (flashes, width_ns) = (self.flashes, self.width_ns);
        let lit_at = |idx: &usize| flashes.get(*idx).filter(|f| t_ns < f.at_ns + width_ns);
        self.lit.retain(|idx| lit_at(idx).is_some());
        self.lit.iter().filter_map(lit_at).map(|f| f.power).sum()
    }
}

/// The moments at which the power or its slope jumps, in order, each once.
pub(super) fn breakpoints(stretches: &[Stretch], flashes: &[Flash], width_ns: f64) -> Vec<f64> {
    let edges = stretches
        .iter()
        .flat_map(|stretch| [stretch.start_ns, stretch.end_ns])
        .chain(flashes.iter().map(|flash| flash.at_ns));
    let mut times: Vec<f64> = edges.flat_map(|t_ns| [t_ns, t_ns + width_ns]).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    times
}

#[cfg(test)]
mod tests {
    use super::super::path::Glass;
    use super::*;

    fn stretch(start_ns: f64, end_ns: f64, rate_per_ns: f64, decay_per_ns: f64) -> Stretch {
        let glass = Glass {
            length_m: 0.0,
            attenuation_db_per_km: 0.0,
            backscatter_db: 0.0,
            drift_db_per_km: 0.0,
            group_index: 1.5,
        };
        Stretch {
            start_ns,
            end_ns,
            rate_per_ns,
            decay_per_ns,
            start_m: 0.0,
            glass,
        }
    }

    /// Slow and obvious: the rate at the middle of many thin slices of the window.
    fn by_slices(stretches: &[Stretch], width_ns: f64, t_ns: f64) -> f64 {
        let slices = 20_000;
        let slice_ns = width_ns / f64::from(slices);
        let rate_at = |s_ns: f64| -> f64 {
            (stretches.iter())
                .filter(|s| (s.start_ns..s.end_ns).contains(&s_ns))
                .map(|s| s.rate_per_ns * (-s.decay_per_ns * (s_ns - s.start_ns)).exp())
                .sum()
        };
        (0..slices)
            .map(|idx| rate_at(t_ns - width_ns + (f64::from(idx) + 0.5) * slice_ns) * slice_ns)
            .sum()
    }

    #[test]
    fn the_window_holds_the_integral_of_what_it_covers() {
        // Loss, gain, rising backscatter and none at all, crossed by a window
        // that is longer than the middle stretches.
        let stretches = [
            stretch(0.0, 400.0, 1.0, 1e-3),
            stretch(400.0, 430.0, 1.2, -2e-3),
            stretch(430.0, 480.0, 0.7, 0.0),
            stretch(480.0, 900.0, 0.5, 3e-5),
        ];
        let mut window = Backscatter::new(&stretches, 100.0);
        for t_ns in [
            -5.0, 0.0, 37.5, 100.0, 399.0, 415.2, 444.4, 499.9, 577.0, 950.0, 1000.0,
        ] {
            let exact = window.at(t_ns);
            // An edge may fall within a slice: up to 1.2/ns × 0.005 ns for each of five.
            approx::assert_abs_diff_eq!(
                exact,
                by_slices(&stretches, 100.0, t_ns),
                epsilon = 5.0 * 1.2 * 0.005
            );
        }
        assert!(window.at(1000.0) == 0.0, "the pulse has left the fibre");
    }

    #[test]
    fn a_step_ramps_over_one_pulse_from_its_leading_edge() {
        // Without decay the ramp is a straight line: closed form.
        let stretches = [stretch(0.0, 500.0, 1.0, 0.0), stretch(500.0, 1e4, 0.9, 0.0)];
        let mut window = Backscatter::new(&stretches, 100.0);
        for (t_ns, expected) in [
            (499.0, 100.0),
            (500.0, 100.0),
            (525.0, 97.5),
            (599.0, 90.1),
            (600.0, 90.0),
            (700.0, 90.0),
        ] {
            // Sums of numbers below 100 in double precision.
            approx::assert_abs_diff_eq!(window.at(t_ns), expected, epsilon = 1e-9);
        }
    }

    #[test]
    fn a_reflection_lasts_one_pulse() {
        let flashes = [
            Flash {
                at_ns: 10.0,
                power: 2.0,
            },
            Flash {
                at_ns: 30.0,
                power: 1.0,
            },
        ];
        let mut lit = Reflected::new(&flashes, 50.0);
        let seen: Vec<f64> = [9.0, 10.0, 30.0, 59.0, 60.0, 79.9, 80.0]
            .map(|t_ns| lit.at(t_ns))
            .to_vec();
        assert_eq!(seen, [0.0, 2.0, 3.0, 3.0, 1.0, 1.0, 0.0]);
    }
}
