//! How much of a joint's loss the fibres force, and how much work can win back.

use crate::units::{Loss, Measured, Measurement, NotMeasured};

use super::link::Workmanship;

/// Standard errors of the loss or of the backscatter step below which nothing is said.
const SAYS_NOTHING: f64 = 2.0;

/// Loss of two Gaussian fields of width ratio r = w2/w1 on one axis,
/// −20·log10(2r/(1 + r²)) dB.
///
/// # Source
/// D. Marcuse, Bell Syst. Tech. J. 56 (1977) 703 (from memory).
///
/// ```
/// use bothends::both_ways::mismatch_loss;
/// // Mode-field diameters 11.2 and 8.4 µm: 0.35458 dB.
/// assert!((mismatch_loss(11.2 / 8.4).db() - 0.35458).abs() < 5e-6);
/// ```
pub fn mismatch_loss(width_ratio: f64) -> Loss {
    let r = width_ratio;
    Loss::from_db(-20.0 * (2.0 * r / (1.0 + r * r)).log10())
}

/// Splits a two-way loss into the share forced by the fibres and the rest.
///
/// From h = 10·log10(w2/w1) follow the width ratio and its mismatch loss: an upper
/// estimate of the forced share, since other differences of the fibres also
/// enter h; never more than the loss itself.
///
/// # Errors
/// [`NotMeasured`] when loss or half difference are missing, or when either lies
/// within two standard errors of zero, the loss also below.
pub fn workmanship(
    loss: &Measurement<Loss>,
    backscatter_step: &Measurement<Loss>,
) -> Result<Workmanship, NotMeasured> {
    let loss = loss.clone()?;
    let step = backscatter_step.clone()?;
    let (h, u) = match step.std_error {
        Some(u) => (step.value.db(), u.db()),
        None => {
            return Err(NotMeasured::because(
                "the error of the backscatter step is not known",
            ));
        }
    };
    if loss.value.db() < SAYS_NOTHING * loss.std_error.map_or(f64::INFINITY, Loss::db) {
        return Err(NotMeasured::because(
            "the loss itself is below two of its standard errors",
        ));
    }
    if h.abs() < SAYS_NOTHING * u {
        return Err(NotMeasured::because(
            "the backscatter step is below two of its standard errors",
        ));
    }
    let forced_at = |h: f64| mismatch_loss(10f64.powf(h / 10.0)).db();
    let forced = forced_at(h.abs());
    // One standard error of h to each side: the curve is nearly a parabola.
    let forced_error = 0.5 * (forced_at(h.abs() + u) - forced_at((h.abs() - u).max(0.0)));
    let total = loss.value.db();
    let kept = forced.min(total.max(0.0));
    Ok(Workmanship {
        forced: Measured {
            value: Loss::from_db(kept),
            std_error: Some(Loss::from_db(forced_error)),
        },
        workmanship: Measured {
            value: Loss::from_db(total - kept),
            std_error: loss
                .std_error
                .map(|e| Loss::from_db(e.db().hypot(forced_error))),
        },
    })
}
