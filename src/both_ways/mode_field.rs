//! The mode-field diameter of a fibre from the two readings of a splice.

use crate::units::Loss;

/// Mode-field diameter in µm of a fibre that is spliced to one of known diameter,
/// `w_s` = `w_d` · `10^((g·(L_d` − `L_s`) + f)/20).
///
/// `known_um` is the known fibre's diameter `w_d` in µm (finite, above zero).
/// `from_known` (`L_d`) is the splice's one-way reading taken from the known
/// fibre's side, `from_unknown` (`L_s`) the one taken from the other side; both keep
/// their signs, and a gain is negative. `g` and `f_db` come from a regression of
/// `20·log10(w_s/w_d)` on `L_d` − `L_s` over fibres measured otherwise; where nothing is
/// known of them, g = 1 and f = 0, which holds for fibres that differ in the
/// mode field alone. A NaN gives NaN.
///
/// # Source
/// ITU-T G.650.1 (03/2018), clause 6.1.4, eq. 6-4.
///
/// # Example
/// ```
/// use bothends::both_ways::mode_field_diameter;
/// use bothends::units::Loss;
/// // 9.2 µm, read as +0.25 dB and −0.15 dB: 9.2·10^(0.4/20) = 9.6336 µm.
/// let um = mode_field_diameter(9.2, Loss::from_db(0.25), Loss::from_db(-0.15), 1.0, 0.0);
/// assert!((um - 9.6336).abs() < 5e-5);
/// ```
pub fn mode_field_diameter(
    known_um: f64,
    from_known: Loss,
    from_unknown: Loss,
    g: f64,
    f_db: f64,
) -> f64 {
    let difference = from_known - from_unknown;
    known_um * 10f64.powf((g * difference.db() + f_db) / 20.0)
}
