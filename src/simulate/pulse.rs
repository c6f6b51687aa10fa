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
