//! A quick look that is enough to lay two traces on each other.

use super::find::Finder;
use super::mark::Mark;
use super::scan::shortest_window;

/// A glance begins with eight times the shortest window (doubled so often), but with no more
/// than a part of the trace: of two events nearer to each other than that it may see neither.
const GLANCE_DOUBLED: usize = 3;

/// Least number of windows of a glance's first length in a trace.
const GLANCE_PARTS: usize = 64;

impl Finder<'_> {
    /// Finds the steps that long windows show: those far from their neighbours. It starts
    /// from `known` marks and takes a small part of the time of [`Self::find`]; enough to
    /// lay two traces on each other.
    pub fn glance(&self, known: Vec<Mark>) -> Vec<Mark> {
        let most = self.longest() / GLANCE_PARTS;
        let mut window = shortest_window(&self.views);
        for _ in 0..GLANCE_DOUBLED {
            if 2 * window <= most {
                window *= 2;
            }
        }
        self.settled(known, |marks, known| {
            self.add_steps(marks, (window, None), known)
        })
    }
}
