//! From linear power to the levels of the file.

use super::instrument::{BelowZero, Display};

/// Power below this share of the backscatter at the port counts as none: 60
/// one-way dB lie beyond any converter, and a receiver's exponential never
/// quite reaches zero.
const NO_POWER: f64 = 1e-12;

/// Levels in one-way dB, NaN where the display has none.
pub(super) fn levels_db(power: &[f64], start_power: f64, display: &Display) -> Vec<f64> {
    let none = start_power * NO_POWER;
    let floor = start_power * 10f64.powf(-display.floor_below_start_db / 5.0);
    power
        .iter()
        .map(|&power| {
            let shown = match display.below_zero {
                BelowZero::Blank => power,
                BelowZero::Absolute => power.abs(),
                BelowZero::Floor => power.max(floor),
            };
            if shown < none {
                return f64::NAN;
            }
            // Adding zero turns −0 into 0.
            rounded(5.0 * shown.log10() + display.offset_db, display.step_db) + 0.0
        })
        .collect()
}

/// The nearest multiple of the step.
///
/// The quotient by a whole number of steps per dB is used where there is one,
/// because 1000 divides without the error that 0.001 brings.
fn rounded(level_db: f64, step_db: Option<f64>) -> f64 {
    match step_db {
        Some(step) if step > 0.0 => {
            let per_db = (1.0 / step).round();
            if (per_db * step - 1.0).abs() < 1e-9 {
                (level_db * per_db).round() / per_db
            } else {
                (level_db / step).round() * step
            }
        }
        _ => level_db,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(power: &[f64], below_zero: BelowZero) -> Vec<f64> {
        let display = Display {
            below_zero,
            step_db: Some(0.001),
            floor_below_start_db: 30.0,
            ..Display::default()
        };
        levels_db(power, 1.0, &display)
    }

    #[test]
    fn half_the_power_is_one_and_a_half_decibels_lower() {
        // 5·log10(2) = 1.505 15.
        let levels = shown(&[1.0, 0.5], BelowZero::Blank);
        assert_eq!(levels, [0.0, -1.505]);
        assert!(levels[0].is_sign_positive());
    }

    #[test]
    fn power_at_or_below_zero_becomes_what_the_plan_says() {
        let power = [0.01, 0.0, -0.01];
        assert!(
            shown(&power, BelowZero::Blank)[1..]
                .iter()
                .all(|l| l.is_nan())
        );
        assert_eq!(shown(&power, BelowZero::Floor), [-10.0, -30.0, -30.0]);
        assert_eq!(shown(&[0.01, -0.01], BelowZero::Absolute), [-10.0, -10.0]);
        assert!(shown(&[0.0], BelowZero::Absolute)[0].is_nan());
    }

    #[test]
    fn rounded_levels_print_with_the_decimals_of_the_step() {
        let level = shown(&[0.123_456], BelowZero::Blank)[0];
        // 5·log10(0.123456) = −4.5424…
        assert_eq!(level.to_string(), "-4.542");
        approx::assert_abs_diff_eq!(rounded(-4.5424, Some(0.03)), -4.53, epsilon = 1e-12);
    }
}
