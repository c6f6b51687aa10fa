//! Numbers as reports write them: enough digits, never a made-up zero.

use crate::units::{Loss, Measured, Measurement};

/// Reason shown for a value that is there and yet no number.
pub(crate) const NO_NUMBER_REASON: &str = "the calculation gave no number";

/// Rounds to `decimals`; `None` for what is no number.
pub(crate) fn rounded(value: f64, decimals: i32) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    let factor = 10_f64.powi(decimals);
    let result = (value * factor).round() / factor;
    // A sign on a zero says nothing.
    Some(if result == 0.0 { 0.0 } else { result })
}

/// Rounds to three significant digits, so that a small error never becomes 0.
pub(crate) fn error_rounded(value: f64) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    if value == 0.0 {
        return Some(0.0);
    }
    format!("{value:.2e}").parse().ok()
}

/// Decimals that show a standard error with at least one significant digit.
fn decimals_for(std_error: Option<f64>, fewest: usize) -> usize {
    match std_error {
        Some(error) if error.is_finite() && error > 0.0 => (fewest..7)
            .find(|&decimals| error >= 0.95 * 0.1_f64.powi(i32::try_from(decimals).unwrap_or(0)))
            .unwrap_or(7),
        _ => fewest,
    }
}

/// `value` with a true minus sign; `—` for what is no number.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "—".to_owned();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// `value ± error`; `value ± ?` where the error is not known.
pub(crate) fn with_error(value: f64, std_error: Option<f64>, fewest_decimals: usize) -> String {
    let decimals = decimals_for(std_error, fewest_decimals);
    let value = signed(value, decimals);
    match std_error {
        Some(error) if error.is_finite() => format!("{value} ± {}", signed(error, decimals)),
        _ => format!("{value} ± ?"),
    }
}

/// A measured loss as `value ± error` in dB, without the unit.
pub(crate) fn loss_with_error(loss: &Measured<Loss>) -> String {
    with_error(loss.value.db(), loss.std_error.map(Loss::db), 3)
}

/// A finite loss and its finite error (infinite doubt where it is unknown).
pub(crate) fn loss_and_error_db(loss: &Measurement<Loss>) -> Option<(f64, Option<f64>)> {
    let measured = loss.as_ref().ok()?;
    let value = measured.value.db();
    value.is_finite().then_some((
        value,
        measured
            .std_error
            .map(Loss::db)
            .filter(|error| error.is_finite()),
    ))
}

#[cfg(test)]
mod tests {
    use super::{error_rounded, rounded, signed, with_error};

    #[test]
    fn a_small_error_is_never_rounded_to_zero() {
        assert_eq!(error_rounded(0.000_012_345), Some(0.000_012_3));
        assert_eq!(with_error(0.312, Some(0.0004), 3), "0.3120 ± 0.0004");
        assert_eq!(with_error(0.312, Some(0.004), 3), "0.312 ± 0.004");
    }

    #[test]
    fn what_is_no_number_is_missing() {
        assert_eq!(rounded(f64::NAN, 4), None);
        assert_eq!(error_rounded(f64::INFINITY), None);
        assert_eq!(signed(f64::NAN, 3), "—");
        assert_eq!(with_error(0.1, None, 3), "0.100 ± ?");
    }

    #[test]
    fn a_zero_has_no_sign_and_a_gain_has_a_true_minus() {
        assert_eq!(
            rounded(-0.000_01, 4).map(f64::is_sign_negative),
            Some(false)
        );
        assert_eq!(signed(-0.0001, 3), "0.000");
        assert_eq!(signed(-0.12, 2), "\u{2212}0.12");
    }
}
