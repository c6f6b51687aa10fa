//! Where light comes back and where only noise does.

use super::power::{Power, SampleState};

/// Samples of one block; long enough that mean and spread of a block are known
/// to an eighth, short against every fibre worth measuring.
pub(super) const BLOCK: usize = 64;

/// A block is dark when its mean is less than this many spreads. Noise alone
/// gives 0 (signed), 1.32 (written as its absolute value) or 0.7 (zero in
/// place of negatives); backscatter 2.4 dB above the rms noise gives 3.
const DARK_RATIO: f64 = 2.0;

/// A stretch whose mean is so many spreads needs no second one beside it: folded noise
/// gives 1.32 ± 0.25 in [`SHORT`] samples, 0.43 where neighbours correlate by a half.
const SURE_RATIO: f64 = 4.0;

/// Samples of the shortest stretch that is looked at by itself: a cord of half a
/// kilometre at 5 m has 100 between its two reflections.
const SHORT: usize = 32;

/// The part of the trace with light in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lit {
    /// First sample beyond the last block, or shorter stretch behind it, that is surely lit; equals the number
    /// of samples when the trace never gets dark.
    pub end: usize,
    /// Root mean square of the dark part in linear power, where there is one.
    pub dark_rms: Option<f64>,
}

/// Finds the last lit sample by walking back over dark blocks from the trace's end.
///
/// A block is dark when its mean does not stand [`DARK_RATIO`] spreads above
/// zero, or when most of it has no light. An isolated peak (an echo past the
/// end) leaves its block dark, since a spike raises the spread more than the mean.
/// A cord may be too short for two blocks: behind the last ones each stretch of three
/// pulses, which no single peak fills, is looked at by itself.
pub(super) fn find_lit(power: &Power, pulse_samples: f64) -> Lit {
    // Trailing samples without any light are dark whatever their number.
    let n = power
        .state
        .iter()
        .rposition(|s| *s != SampleState::NoLight)
        .map_or(0, |last| last + 1);
    let mut end = n;
    let mut dark_squares: Vec<f64> = Vec::new();
    // Two lit blocks in a row: noise alone passes for one block in some thousands.
    let mut lit_before = false;
    while end >= BLOCK {
        let samples = &power.value[end - BLOCK..end];
        let states = power.state[end - BLOCK..end].iter();
        let lit = states.filter(|s| **s != SampleState::NoLight).count();
        let mean = samples.iter().sum::<f64>() / BLOCK as f64;
        let squares = samples.iter().map(|p| (p - mean).powi(2)).sum::<f64>();
        let spread = (squares / BLOCK as f64).sqrt();
        if lit * 2 > BLOCK && mean >= DARK_RATIO * spread {
            if lit_before {
                end += BLOCK;
                break;
            }
            lit_before = true;
            end -= BLOCK;
            continue;
        }
        lit_before = false;
        dark_squares.push(noise_square(samples, lit));
        end -= BLOCK;
    }
    if end < BLOCK {
        end = 0;
    }
    end = short_light(power, pulse_samples, end, n).unwrap_or(end);
    // Fibre sinking into the noise still adds to it: the farther half counts; and the
    // block next to the light may be half lit. Of a single block its farther half.
    if dark_squares.len() == 1 {
        let half = &power.value[n - BLOCK / 2..n];
        let lit = power.state[n - BLOCK / 2..n]
            .iter()
            .filter(|s| **s != SampleState::NoLight)
            .count();
        dark_squares[0] = noise_square(half, lit);
    } else {
        dark_squares.truncate(dark_squares.len() / 2);
    }
    Lit {
        end,
        // The median over the blocks: the one with the end's reflection stands out.
        dark_rms: {
            dark_squares.sort_by(f64::total_cmp);
            dark_squares
                .get(dark_squares.len() / 2)
                .map(|square| square.sqrt())
        },
    }
}

/// End of the last stretch of three pulses within `from..to` that is lit beyond doubt.
fn short_light(power: &Power, pulse_samples: f64, from: usize, to: usize) -> Option<usize> {
    let length = SHORT.max((3.0 * pulse_samples).ceil() as usize);
    let starts = (from..(to + 1).saturating_sub(length)).rev();
    let lit = |lo: &usize| {
        let range = *lo..*lo + length;
        let samples = &power.value[range.clone()];
        let mean = samples.iter().sum::<f64>() / length as f64;
        let squares = samples.iter().map(|p| (p - mean).powi(2)).sum::<f64>();
        let states = power.state[range].iter();
        let dark = states.filter(|s| **s == SampleState::NoLight).count();
        2 * dark < length && mean >= SURE_RATIO * (squares / length as f64).sqrt()
    };
    starts.step_by(length / 4).find(lit).map(|lo| lo + length)
}

/// Variance of the noise in a dark block of which `lit` samples show a level.
///
/// Where many samples show none, negative power was cut away at zero or at some
/// floor, and what is left is the upper part of a normal distribution: its 90 %
/// quantile is 1.2816 standard deviations. Else the noise was folded: the median
/// of an absolute value is 0.6745 standard deviations. Both are quantiles, so that
/// one strong spike does not raise them.
fn noise_square(block: &[f64], lit: usize) -> f64 {
    let mut values = block.to_vec();
    let (quantile, deviations) = if lit * 4 < 3 * block.len() {
        (0.9, 1.2816)
    } else {
        (0.5, 0.6745)
    };
    let at = ((block.len() - 1) as f64 * quantile) as usize;
    let (_, value, _) = values.select_nth_unstable_by(at, f64::total_cmp);
    (*value / deviations).powi(2)
}
