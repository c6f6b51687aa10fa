//! How steeply each trace falls between the cable's joints: one more thing in which the
//! two traces of a fibre agree and those of two fibres do not.
//!
//! It is no attenuation: it only has to be found in both traces in the same way. Where
//! the backscatter drifts along a fibre the two differ, by much the same in all fibres.

use crate::both_ways::Glimpse;
use crate::trace::Trace;
use crate::units::{Length, Position};

use super::place::Reference;

/// Pulses between a joint and the stretch that is fitted: a pulse for the joint's own
/// edge, another for its place.
const KEPT_PULSES: f64 = 2.0;

/// Share of the launch cord by which the link may begin elsewhere than stated.
const CORD_DOUBT: f64 = 0.05;

/// Fewest samples of a stretch.
const FEWEST: usize = 20;

/// Scatter of single samples in dB above which a slope of levels is biased: at 0.3 dB the
/// noise is a seventh of the light, and the mean level off by 0.02 dB.
const MOST_SCATTER_DB: f64 = 0.3;

/// Slope in dB/km and its standard error, of each stretch between ends and joints from A;
/// none where it cannot be told.
pub(super) type Slopes = Vec<Option<(f64, f64)>>;

/// The slopes of one fibre's traces, A's first, both in the cable's order from A.
pub(super) fn slopes(
    traces: [&Trace; 2],
    seen: &[Glimpse; 2],
    reference: &Reference,
) -> Option<[Slopes; 2]> {
    let own = |end: usize| -> Option<Slopes> {
        let length_m = seen[end].length_m.filter(|l| *l > 0.0)?;
        let shares: Vec<f64> = std::iter::once(0.0)
            .chain(reference.joints.iter().map(|j| j.u_m / reference.length_m))
            .chain(std::iter::once(1.0))
            .collect();
        let found = shares.windows(2).map(|w| {
            let (from, to) = if end == 1 {
                (1.0 - w[1], 1.0 - w[0])
            } else {
                (w[0], w[1])
            };
            slope(
                traces[end],
                (from * length_m, to * length_m),
                seen[end].pulse_m,
            )
        });
        Some(found.collect())
    };
    if reference.length_m <= 0.0 {
        return None;
    }
    Some([own(0)?, own(1)?])
}

/// Slope between two places counted from the launch cord's end.
fn slope(trace: &Trace, (from_m, to_m): (f64, f64), pulse_m: f64) -> Option<(f64, f64)> {
    let cord_m = trace.header().launch_cord.map_or(0.0, Length::m);
    let kept_m = KEPT_PULSES * pulse_m + CORD_DOUBT * cord_m;
    let index = |at_m: f64| trace.index_of(Position::from_m(cord_m + at_m)).max(0.0);
    let (first, last) = (
        index(from_m + kept_m).ceil() as usize,
        index(to_m - kept_m).floor() as usize,
    );
    let levels = trace.levels_db().as_slice()?;
    let levels = levels.get(first..=last.min(levels.len().checked_sub(1)?))?;
    // Sums about the middle and a level near by, in one pass: small numbers keep their digits.
    let origin = levels.iter().copied().find(|level| level.is_finite())?;
    let centre = 0.5 * (levels.len() as f64 - 1.0);
    // Four sums of each side by side: one waits for every addition.
    let mut sums = [[0.0; 4]; 6];
    let mut offsets = [0.0, 1.0, 2.0, 3.0].map(|k| k - centre);
    for four in levels.chunks(4) {
        for (k, level) in four.iter().enumerate() {
            let (u, v) = (offsets[k], level - origin);
            let terms = [1.0, u, v, u * u, u * v, v * v];
            for (sum, term) in sums.iter_mut().zip(terms) {
                sum[k] += if v.is_finite() { term } else { 0.0 };
            }
            offsets[k] += 4.0;
        }
    }
    let [count, x, y, xx, xy, yy] = sums.map(|sum| sum.iter().sum::<f64>());
    // A stretch with gaps is one that sinks into the noise.
    if count < FEWEST as f64 || 100.0 * count < 99.0 * levels.len() as f64 {
        return None;
    }
    let (xx, xy, yy) = (xx - x * x / count, xy - x * y / count, yy - y * y / count);
    let per_sample = xy / xx;
    let scatter = ((yy - per_sample * xy).max(0.0) / (count - 2.0)).sqrt();
    let per_km = 1000.0 / trace.spacing_m();
    (scatter <= MOST_SCATTER_DB).then(|| (-per_sample * per_km, scatter / xx.sqrt() * per_km))
}
