//! From linear power to the levels of the file.

use super::plan::{BelowZero, Display};

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
