//! Levels turned into linear power, with the samples that carry no light named.

use std::cell::LazyCell;

use crate::trace::{Trace, range};

/// Fewest equal samples that make a flat top or a floor: two equal neighbours
/// happen by rounding, three at the very extreme of a trace by clipping.
const FEWEST_CLIPPED: usize = 3;

/// Share of all samples at the very lowest level from which that level is a
/// floor written in place of zero or negative power. Rounded noise meets its
/// own minimum a handful of times at most; a floor takes half of the dark part.
const FLOOR_SHARE: f64 = 0.005;

/// What is known of one sample besides its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleState {
    /// A power that can be used.
    Good,
    /// The file has no level, or a floor in place of one: power at or below zero.
    NoLight,
    /// The level is a ceiling; the true power is at least this.
    Clipped,
}

/// Received power of every sample on a linear scale, 1 at the trace's highest level.
#[derive(Debug, Clone, PartialEq)]
pub struct Power {
    /// Linear power; 0 where the state is [`SampleState::NoLight`].
    pub value: Vec<f64>,
    /// State of each sample.
    pub state: Vec<SampleState>,
    /// Level in dB that has power 1.
    pub reference_db: f64,
}

impl Power {
    /// Turns the levels of a trace into linear power, P = 10^((level − reference)/5).
    ///
    /// Blank levels and a floor (one lowest level that many samples share) have
    /// no light; a run of equal samples at the highest level is clipped, but for one that
    /// a rounded peak comes up to.
    pub fn from_trace(trace: &Trace) -> Self {
        let levels = trace.levels_db().as_standard_layout();
        let levels = levels.as_slice().unwrap_or_default();
        let (lowest, highest) = range(levels);
        let at_lowest = levels.iter().filter(|&&db| is_same(db, lowest)).count();
        let floored = at_lowest >= FEWEST_CLIPPED
            && at_lowest as f64 >= FLOOR_SHARE * levels.len() as f64
            && lowest < highest;
        let reference_db = if highest.is_finite() { highest } else { 0.0 };
        let mut state: Vec<SampleState> = levels
            .iter()
            .map(|&db| {
                if !db.is_finite() || (floored && is_same(db, lowest)) {
                    SampleState::NoLight
                } else {
                    SampleState::Good
                }
            })
            .collect();
        mark_flat_tops(levels, highest, &mut state);
        // 10^(x/5) = exp(x·ln10/5).
        let scale = std::f64::consts::LN_10 / 5.0;
        let value = levels
            .iter()
            .zip(&state)
            .map(|(&db, &s)| match s {
                SampleState::NoLight => 0.0,
                SampleState::Good | SampleState::Clipped => ((db - reference_db) * scale).exp(),
            })
            .collect();
        Self {
            value,
            state,
            reference_db,
        }
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.value.len()
    }

    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.value.is_empty()
    }
}

/// Equality of two levels as the file wrote them; arithmetic has not touched them.
fn is_same(one: f64, other: f64) -> bool {
    one.to_bits() == other.to_bits()
}

/// Steps of rounding by which the last sample before a rounded flat top lies below it at
/// most: a peak that comes up to its height does so ever more slowly, while a ceiling
/// cuts a rise off anywhere.
const COMES_UP: f64 = 3.5;

/// Marks runs of equal samples at the highest level, but for those that a rounded peak
/// comes up to by small steps: its top is flat within the rounding.
fn mark_flat_tops(levels: &[f64], highest: f64, state: &mut [SampleState]) {
    // Worked out once, and only where a top is flat.
    let step = LazyCell::new(|| {
        let rises = levels.windows(2).map(|w| (w[1] - w[0]).abs());
        // Arithmetic leaves differences of rounded levels some 1e-14 apart.
        rises.filter(|d| *d > 1e-9).fold(f64::INFINITY, f64::min)
    });
    let comes_up = |start: usize| {
        let before = start.checked_sub(1).map(|i| levels[i]);
        before.is_some_and(|b| highest - b <= COMES_UP * *step)
    };
    let mut start = 0;
    while let Some(on) = levels[start..].iter().position(|&db| is_same(db, highest)) {
        start += on;
        let top = &levels[start..];
        let end = start + top.iter().take_while(|&&db| is_same(db, highest)).count();
        if end - start >= FEWEST_CLIPPED && !comes_up(start) {
            state[start..end].fill(SampleState::Clipped);
        }
        start = end;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Header;
    use crate::units::{GroupIndex, PulseWidth, Wavelength};
    use ndarray::Array1;

    fn trace(levels: Vec<f64>) -> Trace {
        let header = Header {
            wavelength: Some(Wavelength::from_nm(1550.0)),
            pulse_width: Some(PulseWidth::from_ns(100.0)),
            group_index: Some(GroupIndex::from_ratio(1.468)),
            ..Header::default()
        };
        let distances = Array1::from_iter((0..levels.len()).map(|i| i as f64));
        Trace::new(header, distances, Array1::from_vec(levels)).unwrap()
    }

    #[test]
    fn half_the_power_is_one_and_a_half_decibels_down() {
        // check: 5·log10(1/2) = −1.50515 dB, closed form.
        let mut levels = vec![-10.0; 30];
        levels[0] = -5.0;
        levels[1] = -5.0 - 1.505_149_978_319_906;
        let power = Power::from_trace(&trace(levels));
        approx::assert_abs_diff_eq!(power.value[0], 1.0, epsilon = 1e-12);
        approx::assert_abs_diff_eq!(power.value[1], 0.5, epsilon = 1e-12);
    }

    #[test]
    fn a_blank_and_a_shared_lowest_level_are_no_light() {
        let mut levels: Vec<f64> = (0..40).map(|i| -f64::from(i) * 0.01).collect();
        levels[30] = f64::NAN;
        levels[33..38].fill(-60.0);
        let power = Power::from_trace(&trace(levels));
        assert_eq!(power.state[30], SampleState::NoLight);
        assert_eq!(power.state[35], SampleState::NoLight);
        assert_eq!(power.state[32], SampleState::Good);
        assert!(power.value[35].abs() < f64::MIN_POSITIVE);
    }

    #[test]
    fn a_flat_top_is_clipped_and_a_single_peak_is_not() {
        let mut levels: Vec<f64> = (0..40).map(|i| -20.0 - f64::from(i) * 0.01).collect();
        levels[10..14].fill(-3.0);
        assert_eq!(
            Power::from_trace(&trace(levels.clone())).state[12],
            SampleState::Clipped
        );
        // What comes up to its height by the steps of its rounding is not cut off.
        levels[7..10].copy_from_slice(&[-3.05, -3.02, -3.01]);
        assert_eq!(
            Power::from_trace(&trace(levels.clone())).state[12],
            SampleState::Good
        );
        levels[7..10].fill(-20.0);
        levels[11..14].fill(-20.0);
        assert_eq!(
            Power::from_trace(&trace(levels)).state[10],
            SampleState::Good
        );
    }
}
