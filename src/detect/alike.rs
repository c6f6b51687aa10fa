//! Whether two directions see the same reflection.

use super::eye::DB_PER_NEPER;
use super::gap::Fit;

/// Whether the peaks of two views can be one reflection's.
///
/// What a joint reflects it reflects both ways, and its height over the backscatter
/// differs by what the backscatter does. A peak that is none makes up for a place that is
/// off, in which the two ramps run against each other: its heights are as the two steps.
pub(super) fn is_seen_alike(fits: &[Option<Fit>; 2]) -> bool {
    let [Some(a), Some(b)] = fits else {
        return true;
    };
    let backscatter_db = 0.5 * (a.loss_db - b.loss_db);
    let ratio = (backscatter_db / DB_PER_NEPER).exp();
    let seen = [
        (a.peak * ratio, a.peak_variance * ratio * ratio),
        (b.peak, b.peak_variance),
    ];
    let [(low, u), (high, v)] = if seen[0].0 < seen[1].0 {
        seen
    } else {
        [seen[1], seen[0]]
    };
    low + 3.0 * (u + v / (ALIKE * ALIKE)).sqrt() >= high / ALIKE
}

/// Whether a peak stands in one view alone and nothing else does in either: what light that
/// goes to and fro between reflections makes, which is in no place of the fibre.
///
/// A joint has a step in one view at least, so that a peak beside its place is none of these.
pub(super) fn is_alone(fits: &[Option<Fit>; 2]) -> bool {
    let [Some(a), Some(b)] = fits else {
        return false;
    };
    let nothing = |value: f64, variance: f64| value * value < NOTHING * NOTHING * variance;
    let no_peak = |fit: &Fit| nothing(fit.peak, fit.peak_variance);
    let no_step = |fit: &Fit| nothing(fit.loss_db, fit.loss_variance);
    let stands = |fit: &Fit| fit.peak > 0.0 && !no_peak(fit);
    let one_alone = (stands(a) && no_peak(b)) || (stands(b) && no_peak(a));
    no_step(a) && no_step(b) && one_alone
}

/// Standard errors below which a value is nothing: chance exceeds them once in 400.
const NOTHING: f64 = 3.0;

/// Factor within which a reflection is as high from either side: 2 dB of reflectance, four
/// times what is asked of a reading. More lets peaks through that are none, less loses
/// reflections off a slanted face.
const ALIKE: f64 = 1.6;

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(peak: f64, loss_db: f64) -> Fit {
        Fit {
            step_only: 0.0,
            peak_gain: 0.0,
            peak,
            peak_variance: 1e-8,
            loss_db,
            loss_variance: 1e-8,
            place_information: 0.0,
            ramp: (0.0, 0),
        }
    }

    /// Invented: noise of 1e-4 in every value; three of it is 3e-4.
    #[test]
    fn a_peak_without_a_step_in_one_view_alone_is_no_event_of_the_fibre() {
        let nothing = fit(1e-4, -1e-4);
        assert!(is_alone(&[Some(fit(0.1, 2e-4)), Some(nothing)]));
        assert!(is_alone(&[Some(nothing), Some(fit(0.1, -2e-4))]));
        // A step in either view; a peak in both; no peak; one view only.
        assert!(!is_alone(&[Some(fit(0.1, 0.05)), Some(nothing)]));
        assert!(!is_alone(&[Some(fit(0.1, 0.0)), Some(fit(0.0, 0.05))]));
        assert!(!is_alone(&[Some(fit(0.1, 0.0)), Some(fit(0.1, 0.0))]));
        assert!(!is_alone(&[Some(nothing), Some(nothing)]));
        // A trough is no peak.
        assert!(!is_alone(&[Some(fit(-0.1, 0.0)), Some(nothing)]));
        assert!(!is_alone(&[Some(fit(0.1, 0.0)), None]));
    }

    /// Arithmetic: behind a joint of 0.1 dB with a backscatter step of 0.2 dB, readings 0.3
    /// and −0.1 dB, the backscatter is 10^(−0.2/5) of that before, so the same reflection
    /// stands 10^(0.2/5) = 1.096 times as high over it.
    #[test]
    fn a_reflection_is_as_high_from_either_side_but_for_the_backscatter() {
        assert!(is_seen_alike(&[
            Some(fit(0.1, 0.3)),
            Some(fit(0.1096, -0.1))
        ]));
        assert!(is_seen_alike(&[Some(fit(0.1, 0.3)), None]));
        // Twice as high as from the other side, and a trough: no reflection.
        assert!(!is_seen_alike(&[
            Some(fit(0.1, 0.3)),
            Some(fit(0.22, -0.1))
        ]));
        assert!(!is_seen_alike(&[
            Some(fit(0.1, 0.3)),
            Some(fit(-0.05, 0.3))
        ]));
    }
}
