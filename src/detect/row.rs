//! Where along a row of places a step may be: the most that the traces can show there, worked
//! out for many places at once.

use super::sums::{level_at, line_of};
use super::view::{Span, View};

/// Places that are worked out at once: enough to pay for what is made ready once, and few enough
/// to make little ready where a row is short.
const MANY: usize = 64;

/// Places in a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    from_m: f64,
    step_m: f64,
    /// How many; one at least.
    pub(super) count: usize,
}

impl Row {
    /// Places `step_m` apart, from the first on.
    pub(super) fn new(from_m: f64, to_m: f64, step_m: f64) -> Self {
        Self {
            from_m,
            step_m,
            count: ((to_m - from_m) / step_m).max(0.0) as usize + 1,
        }
    }

    /// The place with an index.
    pub(super) fn place(self, k: usize) -> f64 {
        self.from_m + k as f64 * self.step_m
    }
}

/// The places at which the squared statistics of the views, in windows of one length, may
/// together be as great as `least`, in one view and in two.
pub(super) fn may_step(
    views: &[View<'_>],
    spans: &[Span],
    window: usize,
    row: Row,
    least: [f64; 2],
) -> Vec<f64> {
    let mut places = Vec::new();
    let mut beside = Beside::default();
    let mut squares = [[0.0; MANY]; 2];
    for first in (0..row.count).step_by(MANY) {
        let count = MANY.min(row.count - first);
        for (squares, (view, &span)) in squares.iter_mut().zip(views.iter().zip(spans)) {
            for k in 0..count {
                beside.look(k, view, view.index(row.place(first + k)), span, window);
            }
            beside.squares_at_most(&mut squares[..count]);
        }
        for k in 0..count {
            // A view without a line on both sides shows nothing at all.
            let shown = squares[..views.len()]
                .iter()
                .map(|s| s[k])
                .filter(|s| *s > 0.0);
            let (most, directions) = shown.fold((0.0, 0), |(sum, n), s| (sum + s, n + 1));
            if directions > 0 && most >= least[directions - 1] {
                places.push(row.place(first + k));
            }
        }
    }
    places
}

/// What lies beside many places in one view; each quantity by itself, so that several places
/// are worked out at once.
#[derive(Debug)]
struct Beside {
    before: Side,
    after: Side,
    /// Index of the middle of the pulse's ramp, counted from the end of the trace.
    middle: [f64; MANY],
}

/// Sums over the samples on one side of each place, and how many these are.
#[derive(Debug)]
struct Side {
    sums: [[f64; MANY]; 5],
    samples: [f64; MANY],
}

impl Default for Side {
    fn default() -> Self {
        Self {
            sums: [[0.0; MANY]; 5],
            samples: [0.0; MANY],
        }
    }
}

impl Side {
    /// The line through the samples beside a place, as [`line_of`] gives it.
    #[inline]
    fn line(&self, k: usize) -> [f64; 5] {
        line_of(self.sums.each_ref().map(|all| all[k]), self.samples[k])
    }

    #[inline]
    fn put(&mut self, k: usize, sums: [f64; 5], samples: usize) {
        for (all, one) in self.sums.iter_mut().zip(sums) {
            all[k] = one;
        }
        // A window has fewer than 2³² samples, and 32 bits become a double in one instruction.
        self.samples[k] = f64::from(samples as u32);
    }
}

impl Default for Beside {
    fn default() -> Self {
        Self {
            before: Side::default(),
            after: Side::default(),
            middle: [0.0; MANY],
        }
    }
}

impl Beside {
    /// Takes in the windows beside an event whose leading edge is at index `x`, at most
    /// `window` samples on each side; without weight where there is no room for them.
    fn look(&mut self, k: usize, view: &View<'_>, x: f64, span: Span, window: usize) {
        let sums = &view.eye.sums;
        let (before, after) = view.sides(x, span, window).unwrap_or_default();
        for (side, of) in [(&mut self.before, before), (&mut self.after, after)] {
            side.put(k, sums.of_window(of.lo, of.hi), of.hi - of.lo);
        }
        self.middle[k] = x + view.eye.response.middle() - view.eye.len() as f64;
    }

    /// Fills in [`View::square_at_most`] of the places that were taken in; 0 where a side has
    /// no line.
    fn squares_at_most(&self, squares: &mut [f64]) {
        for (k, square) in squares.iter_mut().enumerate().take(MANY) {
            let at_middle = |side: &Side| level_at(side.line(k), self.middle[k]);
            let ((before, u), (after, v)) = (at_middle(&self.before), at_middle(&self.after));
            *square = (before - after) * (before - after) / (u + v);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::sweep::tests::{eye, turned};
    use super::*;

    /// Second computation: the statistic of each view at each place by itself. A place within
    /// rounding of the limit may fall on either side.
    #[test]
    fn keeps_the_places_that_the_statistic_of_each_keeps() {
        let (mut near, far) = (eye(0.6), eye(0.0));
        near.leave_out(&[(300, 345)]);
        let views = [View::own(&near), turned(&far)];
        let spans = [Span { lo: 20, hi: 560 }, Span { lo: 31, hi: 480 }];
        let (from_m, to_m, step_m) = (-30.0, 1250.0, 1.7);
        let squares = |z_m: f64, window: usize| {
            let each = views.iter().zip(&spans);
            each.filter_map(move |(v, s)| v.square_at_most(v.index(z_m), *s, window))
                .fold((0.0, 0), |(sum, n), square| (sum + square, n + 1))
        };
        let mut kept = 0;
        for window in [16, 40, 200, 5_000] {
            for least in [[3.0, 8.0], [200.0, 300.0]] {
                let row = Row::new(from_m, to_m, step_m);
                let found = may_step(&views, &spans, window, row, least);
                for z_m in (0..row.count).map(|k| row.place(k)) {
                    let (sum, directions) = squares(z_m, window);
                    let limit = if directions == 0 {
                        f64::INFINITY
                    } else {
                        least[directions - 1]
                    };
                    let is_kept = found.contains(&z_m);
                    let is_close = (sum - limit).abs() < 1e-6 * limit;
                    assert!(
                        is_kept == (sum >= limit) || is_close,
                        "{z_m}: {sum} to {limit}"
                    );
                    kept += usize::from(is_kept);
                }
            }
        }
        assert!(kept > 100, "{kept} places");
    }
}
