//! Where the light ends, and how.

use super::eye::{Eye, LEAST_SNR};

/// How a trace ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum End {
    /// The backscatter drops to nothing within a pulse: end of the fibre, or a break.
    Drop {
        /// Index of the leading edge, a fraction.
        edge: f64,
        /// Whether a reflection stands there.
        reflective: bool,
    },
    /// The backscatter sinks into the noise; the fibre goes on unseen.
    Faded {
        /// First index that cannot be measured.
        index: usize,
    },
    /// The trace stops while there is still light.
    BeyondRange,
}

impl End {
    /// First index behind the last measurable sample of the fibre.
    pub fn limit(&self, samples: usize) -> usize {
        match *self {
            Self::Drop { edge, .. } => (edge.max(0.0) as usize + 1).min(samples),
            Self::Faded { index } => index,
            Self::BeyondRange => samples,
        }
    }
}

/// Samples averaged to judge the backscatter before the drop.
const JUDGED: usize = 64;

/// Finds the end of light of a prepared trace.
pub fn find_end(eye: &Eye) -> End {
    let p = &eye.power.value;
    let n = p.len();
    let rms = eye.noise.floor();
    if eye.lit.end >= n {
        return End::BeyondRange;
    }
    let dark_after = |from: usize| -> bool {
        let hi = (from + JUDGED).min(n);
        hi > from + 8 && p[from..hi].iter().sum::<f64>() / ((hi - from) as f64) < LEAST_SNR * rms
    };
    // A reflection behind which nothing comes.
    if let Some(peak) = eye
        .peaks
        .iter()
        .skip(1)
        .rfind(|peak| peak.settled + 2 * JUDGED >= eye.lit.end && dark_after(peak.settled))
    {
        return End::Drop {
            edge: peak.edge as f64 + 0.5,
            reflective: true,
        };
    }
    // The last stretch with backscatter, one pulse before the last light.
    let pulse = eye.pulse_samples.ceil() as usize;
    let short = (pulse / 2).max(4);
    let highest = (eye.lit.end + JUDGED).min(n);
    let Some(last) = (short..highest).rev().find(|&i| {
        let mean = p[i - short..i].iter().sum::<f64>() / short as f64;
        mean > 4.0 * rms / (short as f64).sqrt()
    }) else {
        return End::Faded {
            index: eye.usable_end,
        };
    };
    let hi = last.saturating_sub(pulse + short);
    let lo = hi.saturating_sub(JUDGED);
    if hi <= lo + 8 {
        return End::Faded {
            index: eye.usable_end,
        };
    }
    let level = p[lo..hi].iter().sum::<f64>() / (hi - lo) as f64;
    if level < LEAST_SNR * rms || eye.usable_end + JUDGED < lo {
        return End::Faded {
            index: eye.usable_end,
        };
    }
    // The ramp to zero of least squares; the level's own decay over a pulse is
    // far below the ramp.
    let to = (last + pulse + short).min(n);
    let square = |x: f64| -> f64 {
        (hi..to)
            .map(|i| {
                let q = ((i as f64 - x) / eye.pulse_samples).clamp(0.0, 1.0);
                (p[i] - level * (1.0 - q)).powi(2)
            })
            .sum()
    };
    let steps = ((to - hi) * 8) as i64;
    let edge = (0..steps)
        .map(|k| hi as f64 - 1.0 + k as f64 / 8.0)
        .min_by(|a, b| square(*a).total_cmp(&square(*b)))
        .unwrap_or(hi as f64);
    End::Drop {
        edge,
        reflective: false,
    }
}
