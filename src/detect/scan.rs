//! Looks for steps between two neighbouring events, narrow windows first.

use super::threshold::threshold;
use super::view::{FEWEST, Span, View};

/// Positions looked at per window length in the first pass: a step's statistic
/// falls by 4.5/N of itself per sample away from its place, so a sixteenth of a
/// window loses at most 14 % before the second pass looks at every sample.
const LOOKS_PER_WINDOW: usize = 16;

/// Share of the squared threshold at which the second pass is taken: (1 − 0.14)² less noise.
const SECOND_PASS: f64 = 0.6;

/// Thresholds for windows of different length, all from one false-event rate.
#[derive(Debug, Clone)]
pub struct Thresholds {
    /// Squared thresholds by octave of the window and number of directions less one.
    square: Vec<[f64; 2]>,
    spacing_m: f64,
}

impl Thresholds {
    /// For windows of up to `longest` samples at a spacing, and a rate of false
    /// events per 1,000 km.
    ///
    /// The longest windows get half of the rate, every halving half of what is
    /// left: long windows decide about weak joints, and short ones see only
    /// strong ones, which a higher threshold does not lose.
    pub fn new(false_events_per_1000_km: f64, longest: usize, spacing_m: f64) -> Self {
        let octaves = octave(longest as f64) + 1;
        let per_sample = false_events_per_1000_km * spacing_m / 1e6;
        let square = (0..octaves)
            .map(|k| {
                let share = 0.5_f64.powi((octaves - k) as i32);
                // A step filter with free slopes: c = 9/(2N), N samples each side.
                let c = 4.5 / 2.0_f64.powi(k as i32);
                [1, 2].map(|directions| threshold(per_sample * share, c, directions).powi(2))
            })
            .collect();
        Self { square, spacing_m }
    }

    /// Squared threshold for windows that count as `samples` each side.
    pub fn square(&self, samples: f64, directions: usize) -> f64 {
        let last = self.square.len() - 1;
        self.square[octave(samples).min(last)][directions.clamp(1, 2) - 1]
    }

    /// Spacing the thresholds were made for.
    pub fn spacing_m(&self) -> f64 {
        self.spacing_m
    }
}

fn octave(samples: f64) -> usize {
    samples.max(1.0).log2().floor() as usize
}

/// A place where the step statistic exceeds its threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Place on the axis, metres.
    pub z_m: f64,
    /// Sum over the views of (loss / standard error)².
    pub square: f64,
    /// Squared threshold that it was held against.
    pub threshold: f64,
    /// Window length in samples of the finest view.
    pub window: usize,
}

/// Joint statistic at one place: sum of squares, directions in it, and the
/// number of samples each side that the windows are worth.
fn statistic(
    views: &[View<'_>],
    spans: &[Span],
    z: f64,
    window: usize,
) -> Option<(f64, usize, f64)> {
    let mut square = 0.0;
    let mut directions = 0;
    let mut worth: f64 = 0.0;
    for (view, &span) in views.iter().zip(spans) {
        if let Some(step) = view.step(view.index(z), span, window) {
            square += step.square();
            directions += 1;
            let (l, r) = (step.samples.0 as f64, step.samples.1 as f64);
            worth = worth.max(2.0 * l * r / (l + r));
        }
    }
    (directions > 0).then_some((square, directions, worth))
}

/// The joint statistic held against its threshold at one place.
pub(super) fn test_at(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    z_m: f64,
    window: usize,
) -> Option<Candidate> {
    let (square, directions, worth) = statistic(views, spans, z_m, window)?;
    Some(Candidate {
        z_m,
        square,
        threshold: thresholds.square(worth, directions),
        window,
    })
}

/// The strongest step between `from_m` and `to_m` in the narrowest windows that
/// show one beyond the threshold.
pub(super) fn strongest_step(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    from_m: f64,
    to_m: f64,
) -> Option<Candidate> {
    let spacing = thresholds.spacing_m();
    let longest = ((to_m - from_m) / spacing).max(0.0) as usize;
    // A step inside a window tilts its line, and drawn across the hidden gap the tilt
    // overshoots the step itself unless the window is twice the gap.
    let hidden = views
        .iter()
        .map(|v| v.eye.hidden_samples())
        .max()
        .unwrap_or(0);
    let mut window = (FEWEST + 2).max(2 * hidden);
    loop {
        let stride = (window / LOOKS_PER_WINDOW).max(1) as f64 * spacing;
        let looks = ((to_m - from_m) / stride).max(0.0) as usize;
        let mut best: Option<Candidate> = None;
        for k in 0..=looks {
            let z = from_m + k as f64 * stride;
            let Some(seen) = test_at(views, spans, thresholds, z, window) else {
                continue;
            };
            if seen.square < SECOND_PASS * seen.threshold {
                continue;
            }
            let around = (stride / spacing) as i64 - 1;
            for j in -around..=around {
                let z = seen.z_m + j as f64 * spacing;
                if let Some(near) = test_at(views, spans, thresholds, z, window)
                    && near.square > near.threshold
                    && best.is_none_or(|b| near.square - near.threshold > b.square - b.threshold)
                {
                    best = Some(near);
                }
            }
        }
        if best.is_some() {
            return best;
        }
        if window > longest {
            return None;
        }
        window *= 2;
    }
}
