//! What one direction reads at one place.

use crate::detect::{Eye, Span, View};
use crate::units::{
    BackscatterCoefficient, Loss, Measured, Measurement, NotMeasured, PulseWidth, Reflectance,
};

use super::line::{KnownSlope, Side, SideLine, side_line};
use super::one_way::ReflectanceReading;

/// Pulse lengths below which two events are read as one, a group in a link: within one and a
/// half no straight fibre is left between their ramps.
pub(crate) const RESOLVED_PULSES: f64 = 1.5;

/// Loss read in one direction with the lines it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Apparent loss.
    pub loss: Measured<Loss>,
    /// Line before the event.
    pub before: SideLine,
    /// Line after it.
    pub after: SideLine,
}

/// Reads the apparent loss at index `x` of a view from the stretches before and
/// after the event: the difference of their lines at the middle of the pulse's
/// ramp, where a change of slope does not enter the loss.
///
/// # Errors
/// [`NotMeasured`] when a stretch is too short or out of the light.
pub fn read_loss(
    view: &View<'_>,
    x: f64,
    before: Span,
    after: Span,
    known: Option<KnownSlope>,
) -> Result<Reading, NotMeasured> {
    let eye = view.eye;
    let before = side_line(eye, before, Side::Before, known)
        .ok_or_else(|| NotMeasured::because(why_no_line(eye, before, "before")))?;
    let after = side_line(eye, after, Side::After, known)
        .ok_or_else(|| NotMeasured::because(why_no_line(eye, after, "after")))?;
    let middle = x + eye.response.middle();
    let variance = before.line.variance_at(middle) + after.line.variance_at(middle);
    Ok(Reading {
        loss: Measured {
            value: Loss::from_db(before.line.at(middle) - after.line.at(middle)),
            std_error: Some(Loss::from_db(variance.sqrt())),
        },
        before,
        after,
    })
}

fn why_no_line(eye: &Eye, span: Span, side: &str) -> String {
    if span.lo + 6 >= eye.len() {
        format!("the trace stops before the fibre {side} it: its range is too short")
    } else if span.lo + 6 >= eye.usable_end {
        format!("the backscatter {side} it is under the noise")
    } else {
        format!("too little straight fibre {side} it outside dead zones")
    }
}

/// Mean of two readings, ½·(A + B), with `½·√(u_A²` + `u_B²`).
///
/// # Errors
/// The reason of whichever reading is missing.
///
/// # Source
/// ITU-T G.650.1 (03/2018), the two-way curve of eq. 6-14 at a joint; the error
/// by the law of propagation for independent readings.
pub fn two_way(a: &Measurement<Loss>, b: &Measurement<Loss>) -> Measurement<Loss> {
    half(a, b, 1.0)
}

/// Half difference of two readings, ½·(A − B) = 5·log10(K1/K2).
///
/// # Errors
/// The reason of whichever reading is missing.
pub fn half_difference(a: &Measurement<Loss>, b: &Measurement<Loss>) -> Measurement<Loss> {
    half(a, b, -1.0)
}

fn half(a: &Measurement<Loss>, b: &Measurement<Loss>, sign: f64) -> Measurement<Loss> {
    let a = a
        .as_ref()
        .map_err(|why| NotMeasured::because(format!("from A: {}", why.reason)))?;
    let b = b
        .as_ref()
        .map_err(|why| NotMeasured::because(format!("from B: {}", why.reason)))?;
    Ok(Measured {
        value: Loss::from_db(0.5 * (a.value.db() + sign * b.value.db())),
        std_error: a
            .std_error
            .zip(b.std_error)
            .map(|(u, v)| Loss::from_db(0.5 * u.db().hypot(v.db()))),
    })
}

/// Reflectance of a peak of relative power `excess` = 10^(H/5) − 1 over the
/// backscatter: R = B1 + 10·log10(excess·W), W in nanoseconds.
///
/// # Source
/// TIA-455-8 and GR-196 (from memory); valid for a pulse that the receiver
/// follows and a peak that is not clipped.
///
/// ```
/// use bothends::measure::reflectance;
/// use bothends::units::{BackscatterCoefficient, PulseWidth};
/// // H = 8 dB, 100 ns, −80 dB: −44.110 dB.
/// let excess = 10f64.powf(8.0 / 5.0) - 1.0;
/// let r = reflectance(excess, BackscatterCoefficient::from_db(-80.0), PulseWidth::from_ns(100.0));
/// assert!((r.db() + 44.110).abs() < 5e-4);
/// ```
pub fn reflectance(
    excess: f64,
    backscatter: BackscatterCoefficient,
    pulse: PulseWidth,
) -> Reflectance {
    Reflectance::from_db(backscatter.db() + 10.0 * (excess * pulse.ns()).log10())
}

/// Measures the peak behind an edge at index `x` over the line before it.
///
/// The plateau is the second half of the pulse, where a receiver of finite speed
/// has come up; its median is not moved by a clipped or noisy sample. The
/// backscatter under the peak is taken out as the ramp from the line before to
/// the line after (to nothing at the fibre's end). None without a peak beyond
/// `significance` standard errors.
pub fn read_peak(
    view: &View<'_>,
    x: f64,
    before: &SideLine,
    after: Option<&SideLine>,
    significance: f64,
    backscatter: BackscatterCoefficient,
    pulse: PulseWidth,
) -> Option<ReflectanceReading> {
    let eye = view.eye;
    let n_w = eye.pulse_samples;
    let first = x.max(0.0) as usize + 1;
    let from = first + (n_w / 2.0).floor() as usize;
    let to = ((x + n_w).floor() as usize + 1)
        .max(from + 1)
        .min(eye.len());
    if from >= to {
        return None;
    }
    let power_of = |line: &SideLine, at: f64| -> f64 {
        ((line.line.at(at) + eye.trend.0 + eye.trend.1 * at) * std::f64::consts::LN_10 / 5.0).exp()
    };
    let clipped = eye.is_clipped(first, to);
    let mut excess: Vec<f64> = (from..to)
        .map(|i| {
            let at = i as f64;
            let q = eye.response.ramp(at - x);
            let base = power_of(before, at);
            let under = base * (1.0 - q) + after.map_or(0.0, |line| power_of(line, at)) * q;
            (eye.power.value[i] - under) / base / eye.response.peak(at - x).max(0.1)
        })
        .collect();
    excess.sort_by(f64::total_cmp);
    let middle = excess[excess.len() / 2];
    let base = power_of(before, x);
    let spread = (eye.noise.density(base) / (to - from) as f64).sqrt() / base;
    (middle > significance * spread).then(|| ReflectanceReading {
        value: reflectance(middle, backscatter, pulse),
        is_bound: clipped,
    })
}
