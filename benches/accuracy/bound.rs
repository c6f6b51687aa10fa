//! How well any method can do on a link: bounds from the true light and noise.
//!
//! A second computation, slow and by direct sums, that shares no formula's code
//! with the modules that measure. Noise is taken as constant in linear power, so
//! that it grows along the fibre; colour and fading count by their density, the
//! sum of their correlation over all lags.
//!
//! Places are counted from the first connector, which is itself only seen, and what B sees
//! lies on A's axis by what both see: so the bound of a place is that of all places together
//! (see [`from_first`]).

use bothends::simulate::{
    Display, Fading, Instrument, Noise, Plan, Receiver, SimTrace, Simulated, run,
};
use bothends::units::Loss;
use nalgebra::{DMatrix, DVector, SMatrix, SVector};

/// One-way decibels per relative change of power.
const DB_PER_SHARE: f64 = 5.0 / std::f64::consts::LN_10;

/// Longest share of a window in pulse lengths that makes a joint too close to its
/// neighbour: below it two free slopes are no longer worth fitting.
const ISOLATED: f64 = 2.5;

/// What one direction can tell of one event.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OneWayBound {
    /// Least standard deviation of the loss with a slope of its own on each side.
    pub(crate) loss_db: f64,
    /// The part of it that fading alone would leave.
    pub(crate) floor_db: f64,
    /// Least standard deviation of the place in metres; infinite without a step.
    pub(crate) place_m: f64,
    /// Step over the noise of one pulse length: d·√(samples of a pulse)/σ.
    pub(crate) clearness: f64,
    /// Loss that a perfect reading shows.
    pub(crate) reading_db: f64,
    /// Whether both windows hold 2.5 pulse lengths.
    pub(crate) is_isolated: bool,
}

/// What both directions can tell of one event; none where a side has no fibre.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bound {
    /// From A and from B.
    pub(crate) ways: [Option<OneWayBound>; 2],
    /// Least standard deviation of the distance from the first connector, metres, by all
    /// that both directions see.
    pub(crate) from_first_m: f64,
}

impl Bound {
    /// Of the mean of both readings.
    pub(crate) fn loss_db(&self) -> Option<f64> {
        let [Some(a), Some(b)] = self.ways else {
            return None;
        };
        Some(0.5 * a.loss_db.hypot(b.loss_db))
    }

    /// Whether noise rather than fading or a near neighbour limits the loss.
    pub(crate) fn is_noise_limited(&self) -> bool {
        let [Some(a), Some(b)] = self.ways else {
            return false;
        };
        let floor_db = 0.5 * a.floor_db.hypot(b.floor_db);
        a.is_isolated && b.is_isolated && 0.5 * a.loss_db.hypot(b.loss_db) >= 2.0 * floor_db
    }

    /// Size of the event in the bounds of both directions, root sum of squares.
    pub(crate) fn size(&self) -> f64 {
        self.sum(|way| (way.reading_db / way.loss_db).powi(2))
            .sqrt()
    }

    /// Of the place, by both directions: step over the noise of one pulse length.
    pub(crate) fn clearness(&self) -> f64 {
        self.sum(|way| way.clearness.powi(2)).sqrt()
    }

    fn sum(&self, of: impl Fn(&OneWayBound) -> f64) -> f64 {
        self.ways.iter().flatten().map(of).sum()
    }
}

/// Bounds of every event of the truth, in its order.
pub(crate) fn bounds(plan: &Plan, simulated: &Simulated) -> Vec<Bound> {
    let quiet = run(&without_noise(plan), 0).expect("the plan was simulated before");
    let truth = &simulated.truth;
    let of_a: Vec<(f64, Option<f64>)> = (truth.events.iter())
        .map(|e| (e.position.m(), e.loss_a_to_b.map(Loss::db)))
        .collect();
    let of_b: Vec<(f64, Option<f64>)> = (truth.events.iter().rev())
        .map(|e| (e.position_from_b.m(), e.loss_b_to_a.map(Loss::db)))
        .collect();
    let a = one_way(
        &plan.a,
        &quiet.a.levels_db.to_vec(),
        truth.a.noise_rms.unwrap_or(0.0),
        (truth.a.first_connector.m(), truth.a.outermost.m()),
        &of_a,
    );
    let mut b = one_way(
        plan.instrument_b(),
        &quiet.b.levels_db.to_vec(),
        truth.b.noise_rms.unwrap_or(0.0),
        (truth.b.first_connector.m(), truth.b.outermost.m()),
        &of_b,
    );
    b.reverse();
    let from_first = from_first((plan, simulated), (&quiet.a, &quiet.b), (&a, &b));
    (a.into_iter().zip(b).zip(from_first))
        .map(|((a, b), from_first_m)| Bound {
            ways: [a, b],
            from_first_m,
        })
        .collect()
}

/// Least standard deviations of all events' distances from the first one, metres.
///
/// Unknown are the events' places z, the place o of B's port on A's axis, and its scale s
/// where B's index is not A's. A tells z, with the variance of its own bound; B tells
/// z + s·x − o. The information of all adds up, and of its inverse the variance of each
/// z − z₀ is asked.
fn from_first(
    (plan, simulated): (&Plan, &Simulated),
    (quiet_a, quiet_b): (&SimTrace, &SimTrace),
    (a, b): (&[Option<OneWayBound>], &[Option<OneWayBound>]),
) -> Vec<f64> {
    let truth = &simulated.truth;
    let n = truth.events.len();
    let scale_unknown = plan.instrument_b().group_index != plan.a.group_index;
    let size = n + 1 + usize::from(scale_unknown);
    // What no trace shows is known to a thousand kilometres.
    let mut information = DMatrix::<f64>::from_diagonal_element(size, size, 1e-12);
    let of_a = Peaks::new(&plan.a, quiet_a, truth.a.noise_rms);
    let of_b = Peaks::new(plan.instrument_b(), quiet_b, truth.b.noise_rms);
    for (k, event) in truth.events.iter().enumerate() {
        let own = |peaks: &Peaks, first_m: f64, at_m: f64, way: Option<OneWayBound>| {
            if first_m + at_m <= 0.0 {
                // The port is where the time begins.
                return 1e-6;
            }
            match event.reflectance {
                Some(_) => peaks.place_m(first_m + at_m),
                None => way.map_or(f64::INFINITY, |way| way.place_m),
            }
        };
        let x_m = event.position_from_b.m();
        let of_a = own(&of_a, truth.a.first_connector.m(), event.position.m(), a[k]);
        let of_b = own(&of_b, truth.b.first_connector.m(), x_m, b[k]);
        let mut told = DVector::<f64>::zeros(size);
        told[k] = 1.0;
        information += &told * told.transpose() * of_a.powi(-2);
        told[n] = -1.0;
        if scale_unknown {
            told[n + 1] = x_m;
        }
        information += &told * told.transpose() * of_b.powi(-2);
    }
    // Metres and parts of the scale differ by orders of magnitude: scaled to a diagonal of 1.
    let unit = information.diagonal().map(|d| d.sqrt().recip());
    let unit = DMatrix::from_diagonal(&unit);
    let scaled = &unit * &information * &unit;
    let Some(inverse) = scaled.try_inverse() else {
        return vec![f64::INFINITY; n];
    };
    let covariance = &unit * inverse * &unit;
    (0..n)
        .map(|k| covariance[(k, k)] + covariance[(0, 0)] - 2.0 * covariance[(k, 0)])
        .map(|variance| variance.max(0.0).sqrt())
        .collect()
}

/// What the samples of one direction tell of the leading edges of reflections.
struct Peaks {
    power: Vec<f64>,
    spacing_m: f64,
    pulse: f64,
    /// Time constant of the receiver in samples.
    pole: f64,
    noise_rms: f64,
    /// Standard deviation of the rounding, as a share of the power.
    rounding: f64,
    ceiling: f64,
}

impl Peaks {
    fn new(instrument: &Instrument, quiet: &SimTrace, noise_rms: Option<f64>) -> Self {
        let spacing_m = instrument.spacing.m();
        let pulse_m = instrument.pulse_width.footprint(instrument.group_index).m();
        let receiver = &instrument.receiver;
        let power: Vec<f64> = (quiet.levels_db.iter())
            .map(|level_db| 10f64.powf(level_db / 5.0))
            .collect();
        let step_db = instrument.display.step_db.unwrap_or(0.0);
        // Behind the port's own pulse, which the quiet receiver shows in full.
        let start = power.get((1.5 * pulse_m / spacing_m) as usize + 1);
        let above = |db: f64| start.map(|p| p * 10f64.powf(db / 5.0));
        Self {
            spacing_m,
            pulse: pulse_m / spacing_m,
            pole: receiver.time_constant_ns * pulse_m / instrument.pulse_width.ns() / spacing_m,
            noise_rms: noise_rms.unwrap_or(0.0),
            rounding: step_db / 12f64.sqrt() / DB_PER_SHARE,
            ceiling: (receiver.ceiling_above_start_db.and_then(above)).unwrap_or(f64::INFINITY),
            power,
        }
    }

    /// Least standard deviation of a leading edge `at_m` from the port: that of place and
    /// height by the samples of rise and fall, at most 1/√12 of a sample, which is all that is
    /// known where the rise falls between two samples or its height is cut off. The noise is
    /// taken for white: of coloured noise an edge holds less, and less would be known.
    fn place_m(&self, at_m: f64) -> f64 {
        let between = self.spacing_m / 12f64.sqrt();
        let x = at_m / self.spacing_m;
        let at = |i: f64| self.power.get(i.max(0.0) as usize).copied();
        let (Some(base), Some(top)) = (at(x - 1.0), at(x + 0.5 * self.pulse)) else {
            return between;
        };
        if top > self.ceiling || top <= base || self.pole <= 0.0 {
            return between;
        }
        let mut information = SMatrix::<f64, 2, 2>::zeros();
        let fall = |u: f64| (-u.max(0.0) / self.pole).exp();
        for i in x.ceil() as usize..(x + 3.0 * self.pulse) as usize {
            let u = i as f64 - x;
            let (risen, slope) = if u <= self.pulse {
                (1.0 - fall(u), fall(u) / self.pole)
            } else {
                let left = (1.0 - fall(self.pulse)) * fall(u - self.pulse);
                (left, -(fall(u - self.pulse) - fall(u)) / self.pole)
            };
            let height = top - base;
            let row = SVector::<f64, 2>::from([height * slope, risen]);
            let rounding = self.rounding * (base + height * risen);
            let variance = self.noise_rms.powi(2) + rounding.powi(2);
            if variance <= 0.0 {
                return between;
            }
            information += row * row.transpose() / variance;
        }
        let own = (information.try_inverse()).map(|inverse| inverse[(0, 0)].max(0.0).sqrt());
        own.map_or(between, |own| (own * self.spacing_m).min(between))
    }
}

/// The same link with neither noise nor a receiver's faults nor echoes.
fn without_noise(plan: &Plan) -> Plan {
    let still = |instrument: &Instrument| Instrument {
        receiver: Receiver::default(),
        noise: Noise::default(),
        fading: None,
        echoes: false,
        display: Display::default(),
        ..instrument.clone()
    };
    Plan {
        a: still(&plan.a),
        b: plan.b.as_ref().map(still),
        ..plan.clone()
    }
}

/// Variance of one sample in dB², and the part of it that fading makes.
struct SampleNoise {
    variance: Vec<f64>,
    fading: f64,
    spacing_m: f64,
    pulse: f64,
    /// Time constant of the receiver in samples.
    pole: f64,
}

fn one_way(
    instrument: &Instrument,
    levels_db: &[f64],
    noise_rms: f64,
    (first_m, outermost_m): (f64, f64),
    events: &[(f64, Option<f64>)],
) -> Vec<Option<OneWayBound>> {
    let spacing_m = instrument.spacing.m();
    let pulse = (instrument.pulse_width.footprint(instrument.group_index)).m() / spacing_m;
    let pole = instrument.receiver.time_constant_ns / instrument.pulse_width.ns() * pulse;
    let rho = instrument.noise.colour;
    let colour = (1.0 + rho) / (1.0 - rho);
    let contrast = instrument.fading.map_or(0.0, |f: Fading| f.contrast);
    let fading = (DB_PER_SHARE * contrast).powi(2) * pulse;
    let step_db = instrument.display.step_db.unwrap_or(0.0);
    let variance = levels_db
        .iter()
        .map(|level_db| {
            let power = 10f64.powf(level_db / 5.0);
            (DB_PER_SHARE * noise_rms / power).powi(2) * colour + fading + step_db * step_db / 12.0
        })
        .collect();
    let noise = SampleNoise {
        variance,
        fading,
        spacing_m,
        pulse,
        pole,
    };
    let index = |m: f64| (first_m + m) / spacing_m;
    (0..events.len())
        .map(|k| {
            let (at_m, reading_db) = events[k];
            let before = k.checked_sub(1).map_or(0.0, |j| index(events[j].0));
            let after = events
                .get(k + 1)
                .map_or(outermost_m / spacing_m, |e| index(e.0));
            noise.of_event(index(at_m), before, after, reading_db?)
        })
        .collect()
}

impl SampleNoise {
    /// Bounds of an event at index `x` between its neighbours.
    fn of_event(&self, x: f64, before: f64, after: f64, reading_db: f64) -> Option<OneWayBound> {
        let left = self.window(before + self.pulse, x)?;
        let right = self.window(x + self.pulse, after)?;
        // A step of the fibre shows at one place as the difference of two lines where
        // the pulse has it half behind: there a change of slope has no part in it.
        let middle = x + 0.5 * self.pulse;
        let variance = |of: &dyn Fn(usize) -> f64| -> Option<f64> {
            Some(line_variance(left, middle, of)? + line_variance(right, middle, of)?)
        };
        let loss_db = variance(&|i| self.variance[i])?.sqrt();
        // The window that the noise makes best, with fading alone.
        let floor_db = variance(&|_| self.fading)?.sqrt();
        let shortest = (left.1 - left.0).min(right.1 - right.0) as f64;
        let here = self.variance[left.1 - 1].sqrt();
        Some(OneWayBound {
            loss_db,
            floor_db,
            place_m: self.place_m(x, left, right, reading_db),
            clearness: reading_db.abs() * self.pulse.sqrt() / here,
            reading_db,
            is_isolated: shortest >= ISOLATED * self.pulse,
        })
    }

    /// Samples from an index to another, of which three at least show light.
    fn window(&self, from: f64, to: f64) -> Option<(usize, usize)> {
        let lo = from.max(0.0).ceil() as usize;
        let hi = (to.max(0.0).floor() as usize + 1).min(self.variance.len());
        let lit = (lo..hi)
            .take_while(|&i| self.variance[i].is_finite())
            .count();
        (lit >= 3).then_some((lo, lo + lit))
    }

    /// What a reflection of height 1 has come to `u` samples behind its edge, and the share
    /// of a step that is through.
    fn answer(&self, u: f64) -> (f64, f64) {
        let (n, r) = (self.pulse, self.pole);
        let (inside, behind) = (u.clamp(0.0, n), (u - n).max(0.0));
        if r <= 0.0 {
            return (f64::from(u > 0.0 && u < n), inside / n);
        }
        let risen = 1.0 - (-inside / r).exp();
        let left = (-behind / r).exp();
        let through = (inside - r * risen + r * risen * (1.0 - left)) / n;
        (risen * left, through)
    }

    /// Cramér–Rao bound of a ramp's beginning, as the receiver shows it, with two free lines
    /// beside it.
    fn place_m(&self, x: f64, left: (usize, usize), right: (usize, usize), reading_db: f64) -> f64 {
        let mut information = SMatrix::<f64, 5, 5>::zeros();
        // Scaled, so that the matrix can be inverted.
        let scale = (right.1 - left.0) as f64;
        for i in left.0..right.1 {
            let (peak, through) = self.answer(i as f64 - x);
            let t = (i as f64 - x - 0.5 * self.pulse - self.pole) / scale;
            let row = SVector::<f64, 5>::from([
                1.0 - through,
                (1.0 - through) * t,
                through,
                through * t,
                reading_db * peak / self.pulse,
            ]);
            if self.variance[i] > 0.0 {
                information += row * row.transpose() / self.variance[i];
            }
        }
        information
            .try_inverse()
            .map(|inverse| inverse[(4, 4)])
            .filter(|variance| *variance > 0.0)
            .map_or(f64::INFINITY, |variance| variance.sqrt() * self.spacing_m)
    }
}

/// Variance at index `at` of the weighted line through the samples of a window.
fn line_variance(
    (lo, hi): (usize, usize),
    at: f64,
    variance: &dyn Fn(usize) -> f64,
) -> Option<f64> {
    let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
    for i in lo..hi {
        let v = variance(i);
        if v <= 0.0 {
            return Some(0.0);
        }
        let t = i as f64 - at;
        s0 += 1.0 / v;
        s1 += t / v;
        s2 += t * t / v;
    }
    let determinant = s0 * s2 - s1 * s1;
    (determinant > 0.0).then(|| s2 / determinant)
}
