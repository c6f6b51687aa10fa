//! Looks for steps between two neighbouring events in windows of one length.

use std::sync::Arc;

use super::row::{Row, may_step};
use super::squares::{Squares, squares_at};
use super::sweep::{Sweep, worth_a_look};
use super::view::{FEWEST, Span, View};

/// Positions looked at per window length in the first pass: a step's statistic
/// falls by 4.5/N of itself per sample away from its place, and half an eighth of a
/// window loses at most 28 % before the second pass looks at every sample.
const LOOKS_PER_WINDOW: usize = 8;

/// Share of the squared threshold at which the second pass is taken: (1 − 0.28 − 0.12)². What the
/// two places do not have in common is 0.7 of a standard error, 0.12 of a threshold of 5.8: of
/// joints at the threshold that lie worst between two looks one in six is lost.
const SECOND_PASS: f64 = 0.36;

/// Expected excesses of the threshold for one false event: some are lost between looks, a
/// place taken where the ramp fits best has less than the greatest statistic, and what does
/// not stand out in the readings is dropped. Counted on bare fibre: 12 in 20,000 km at a
/// setting of 0.5 (95 % upper limit 0.97 in 1,000 km) and 52 in 5,000 km at 10.
const LOST: f64 = 1.4;

/// Turns the false-event rate into thresholds.
#[derive(Debug, Clone)]
pub struct Thresholds {
    squares: Arc<Squares>,
    /// Squares below these are below every threshold, but for a ten-millionth that the grid may
    /// be off, by directions less one.
    least: [f64; 2],
    spacing_m: f64,
}

impl Thresholds {
    /// For windows of up to `longest` samples at a spacing, and a rate of false
    /// events per 1,000 km.
    ///
    /// Windows of every length share the one rate: what a short one shows is held
    /// against its threshold again in windows up to the neighbouring events, and
    /// stays only if it passes there too.
    pub fn new(false_events_per_1000_km: f64, longest: usize, spacing_m: f64) -> Self {
        let squares = squares_at(LOST * false_events_per_1000_km * spacing_m / 1e6);
        let slowest = 1.0 / longest.max(FEWEST) as f64;
        Self {
            least: [1, 2].map(|n| squares.square(slowest, n)),
            squares,
            spacing_m,
        }
    }

    /// Squared threshold for a statistic whose correlation falls by `change` per sample.
    pub fn square(&self, change: f64, directions: usize) -> f64 {
        self.squares.square(change, directions)
    }

    /// The least squared thresholds, in one view and in two, in windows of so many samples: of a
    /// line over w samples the correlation falls by 2/w a sample, and where noise grows along it
    /// by no less than half of that. What strains a line takes more off the statistic than off
    /// its threshold.
    fn least_in(&self, views: &[View<'_>], window: usize) -> [f64; 2] {
        let moved = views.iter().map(|v| v.per_metre.abs() * self.spacing_m);
        let change = moved.fold(1.0, f64::min) / window as f64;
        [1, 2].map(|n| self.square(change, n).max(self.least(n)))
    }

    /// The least squared threshold: that of the longest windows.
    pub fn least(&self, directions: usize) -> f64 {
        self.least[directions.clamp(1, 2) - 1]
    }

    /// Spacing the thresholds were made for.
    pub fn spacing_m(&self) -> f64 {
        self.spacing_m
    }
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

/// Joint statistic at one place: sum of squares, directions in it, and the mean fall
/// of their correlations per sample of the thresholds' spacing.
fn statistic(
    views: &[View<'_>],
    spans: &[Span],
    z: f64,
    window: usize,
    spacing_m: f64,
) -> Option<(f64, usize, f64)> {
    let (mut square, mut directions, mut change) = (0.0, 0_usize, 0.0);
    for (view, &span) in views.iter().zip(spans) {
        if let Some(step) = view.step(view.index(z), span, window) {
            square += step.square();
            directions += 1;
            change += step.change * view.per_metre.abs() * spacing_m;
        }
    }
    (directions > 0).then(|| (square, directions, change / directions as f64))
}

/// The joint statistic alone, with windows up to the ends of the spans.
pub(super) fn square_at(views: &[View<'_>], spans: &[Span], z_m: f64) -> Option<f64> {
    let squares = views.iter().zip(spans);
    squares
        .filter_map(|(view, &span)| view.square(view.index(z_m), span, UP_TO_THE_ENDS))
        .reduce(|a, b| a + b)
}

/// The joint statistic held against its threshold at one place, with windows up to the
/// ends of the spans.
pub(super) fn test_at(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    z_m: f64,
) -> Option<Candidate> {
    test_above(views, spans, thresholds, z_m, UP_TO_THE_ENDS, 0.0)
}

/// Whether a step at a place, or as near to it as two looks of the first pass are to each other,
/// may stand out there in windows up to the ends of the spans.
pub(super) fn may_stand_out(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    z_m: f64,
) -> bool {
    test_above(views, spans, thresholds, z_m, UP_TO_THE_ENDS, SECOND_PASS).is_some()
}

/// A window longer than any trace.
const UP_TO_THE_ENDS: usize = usize::MAX / 4;

/// Whether a place may be one that the second pass takes.
fn may_be_taken(
    views: &[View<'_>],
    spans: &[Span],
    least: [f64; 2],
    z_m: f64,
    window: usize,
) -> bool {
    let (mut most, mut directions) = (0.0, 0_usize);
    for (view, &span) in views.iter().zip(spans) {
        if let Some(square) = view.square_at_most(view.index(z_m), span, window) {
            most += square;
            directions += 1;
        }
    }
    directions > 0 && most >= least[directions - 1]
}

/// The joint statistic held against its threshold where it is at least `share` of it.
fn test_above(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    z_m: f64,
    window: usize,
    share: f64,
) -> Option<Candidate> {
    let (square, directions, change) =
        statistic(views, spans, z_m, window, thresholds.spacing_m())?;
    if square < share * thresholds.least[directions - 1] {
        return None;
    }
    let threshold = thresholds.square(change, directions);
    (square >= share * threshold).then_some(Candidate {
        z_m,
        square,
        threshold,
        window,
    })
}

/// Shortest window: a step inside a window tilts its line, and drawn across the hidden
/// gap the tilt overshoots the step itself unless the window is twice the gap.
pub(super) fn shortest_window(views: &[View<'_>]) -> usize {
    let hidden = views.iter().map(|v| v.eye.hidden_samples()).max();
    (FEWEST + 2).max(2 * hidden.unwrap_or(0))
}

/// Share of a square that is left where the line behind begins a stride later: in windows of twice
/// what is hidden its variance grows by 30 % then, that of both by half of it. Greater, and weak
/// joints near each other are missed; smaller, only time.
const LATER: f64 = 0.8;

/// Samples between two looks of the first pass.
pub(super) fn stride(window: usize) -> usize {
    (window / LOOKS_PER_WINDOW).max(1)
}

/// Steps between `from_m` and `to_m` that exceed the threshold in windows of one
/// length, each the strongest within its own windows; strongest first.
///
/// `sweeps` are those of that window, where there are any.
pub(super) fn steps(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    (from_m, to_m): (f64, f64),
    (window, sweeps): (usize, Option<&[Arc<Sweep>]>),
) -> Vec<Candidate> {
    let spacing = thresholds.spacing_m();
    let stride = stride(window);
    let stride_m = stride as f64 * spacing;
    let look = |z: f64| test_above(views, spans, thresholds, z, window, SECOND_PASS);
    let margin = |c: &Candidate| c.square - c.threshold;
    let row = Row::new(from_m, to_m, stride_m);
    let least = thresholds.least_in(views, window);
    let least = least.map(|least| SECOND_PASS * least);
    let seen: Vec<Candidate> = if let Some(sweeps) = sweeps {
        // The edges of a sweep lie a stride apart, too: the nearest one has as much left of a step,
        // but for the line behind it, which may begin a stride later.
        let may_be = |z_m: &f64| may_be_taken(views, spans, least, *z_m, window);
        let places = worth_a_look(views, spans, sweeps, row, LATER * least[0]).filter(may_be);
        places.filter_map(look).collect()
    } else {
        let places = may_step(views, spans, window, row, least);
        places.into_iter().filter_map(look).collect()
    };
    // From the flank of a summit the same one is climbed.
    let is_summit = |at: usize| {
        let beside = [at.checked_sub(1), Some(at + 1)].map(|k| seen.get(k?));
        let near = |other: &&Candidate| (other.z_m - seen[at].z_m).abs() < 1.5 * stride_m;
        let mut beside = beside.into_iter().flatten().filter(near);
        beside.all(|other| margin(other) <= margin(&seen[at]))
    };
    let mut found: Vec<Candidate> = (0..seen.len())
        .filter(|&at| is_summit(at))
        .map(|at| climb(views, spans, thresholds, seen[at], stride))
        .filter(|best| best.square > best.threshold)
        .collect();
    found.sort_by(|a, b| margin(b).total_cmp(&margin(a)));
    apart(
        found,
        (window + 2 * shortest_window(views)) as f64 * spacing,
    )
}

/// Of candidates in the order of their strength those that lie more than `reach_m` from
/// every stronger one that is kept.
pub(super) fn apart(candidates: Vec<Candidate>, reach_m: f64) -> Vec<Candidate> {
    let mut kept: Vec<Candidate> = Vec::new();
    for candidate in candidates {
        if kept.iter().all(|k| (k.z_m - candidate.z_m).abs() > reach_m) {
            kept.push(candidate);
        }
    }
    kept
}

/// The strongest place within `stride` samples: by halving the steps to one sample, and
/// where that comes near the threshold by looking at every sample, since noise makes
/// the statistic rough.
fn climb(
    views: &[View<'_>],
    spans: &[Span],
    thresholds: &Thresholds,
    start: Candidate,
    stride: usize,
) -> Candidate {
    let margin = |c: &Candidate| c.square - c.threshold;
    let at = |z_m: f64| test_above(views, spans, thresholds, z_m, start.window, SECOND_PASS);
    let spacing = thresholds.spacing_m();
    let mut best = start;
    let mut step = stride;
    while step > 1 {
        step = step.div_ceil(2);
        for side in [-1.0, 1.0] {
            if let Some(near) = at(best.z_m + side * step as f64 * spacing)
                && margin(&near) > margin(&best)
            {
                best = near;
                break;
            }
        }
    }
    if best.square < NEAR * best.threshold || best.square > best.threshold {
        return best;
    }
    let middle = best.z_m;
    for k in -(stride as i64)..=stride as i64 {
        if let Some(near) = at(middle + k as f64 * spacing)
            && margin(&near) > margin(&best)
        {
            best = near;
        }
    }
    best
}

/// Share of the threshold from which every sample is looked at: over half a stride the
/// statistic changes by 0.7 of a standard error, a quarter of its square at the threshold.
const NEAR: f64 = 0.7;

#[cfg(test)]
mod tests {
    use super::super::eye::Eye;
    use super::super::find::tests::made;
    use super::*;

    /// Along a trace that sinks into its noise and whose weights fall a thousandfold, by itself and
    /// with another from the far end, whose samples lie a little farther apart (closer ones leave
    /// the least as it is): a statistic at its threshold, without what strains its lines, is at
    /// least the least of its window. Both show at half of the 6 · 400 places at least.
    #[test]
    fn no_threshold_is_less_than_the_least_of_its_window() {
        let eye = Eye::new(&made(30_000, &[(9_000.0, 0.2)], 0.004, 3));
        let own = View::own(&eye);
        let turned = View {
            at_zero: eye.usable_end as f64,
            per_metre: -0.97 * own.per_metre,
            ..own
        };
        let thresholds = Thresholds::new(0.5, eye.len(), eye.spacing_m);
        let span = Span {
            lo: eye.peaks[0].settled,
            hi: eye.usable_end,
        };
        for views in [&[own][..], &[own, turned]] {
            let spans = vec![span; views.len()];
            let mut compared = 0;
            for window in [16, 24, 48, 200, 1_600, 6_400] {
                let least = thresholds.least_in(views, window);
                for k in 0..400 {
                    let z_m = f64::from(k) * 0.0025 * eye.metres(eye.usable_end as f64);
                    let found = statistic(views, &spans, z_m, window, thresholds.spacing_m());
                    let most: Vec<f64> = (views.iter())
                        .filter_map(|v| v.square_at_most(v.index(z_m), span, window))
                        .collect();
                    let Some((square, shown, change)) = found.filter(|f| f.1 == most.len()) else {
                        continue;
                    };
                    let threshold = thresholds.square(change, shown);
                    let needed = most.iter().sum::<f64>() / square * threshold;
                    assert!(needed >= least[shown - 1], "{needed}, {least:?} at {z_m}");
                    compared += usize::from(shown == views.len());
                }
            }
            assert!(compared >= 1_200, "{compared} places");
        }
    }
}
