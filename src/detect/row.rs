//! Where along a row of places a step may be: the most that the traces can show there, worked
//! out for many places at once.

use super::sums::line_of;
use super::view::{Span, View};

/// Places that are worked out at once: enough to pay for what is made ready once, and few enough
/// to make little ready where a row is short.
const MANY: usize = 64;

/// Places in a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    from_m: f64,
    step_m: f64,
    count: usize,
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

    fn place(self, k: usize) -> f64 {
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
    #[inline]
    fn put(&mut self, k: usize, sums: [f64; 5], samples: usize) {
        for (all, one) in self.sums.iter_mut().zip(sums) {
            all[k] = one;
        }
        self.samples[k] = samples as f64;
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
        let ([p, q, r, s, t], n) = (&self.before.sums, &self.before.samples);
        let ([a, b, c, d, e], m) = (&self.after.sums, &self.after.samples);
        for (k, square) in squares.iter_mut().enumerate().take(MANY) {
            let before = line_of([p[k], q[k], r[k], s[k], t[k]], n[k]);
            let after = line_of([a[k], b[k], c[k], d[k], e[k]], m[k]);
            let (x, y) = (self.middle[k] - before[0], self.middle[k] - after[0]);
            let loss = before[1] + before[2] * x - (after[1] + after[2] * y);
            let variance = before[3] + before[4] * x * x + (after[3] + after[4] * y * y);
            *square = loss * loss / variance;
        }
    }
}
