//! A quick look that is enough to lay two traces on each other.

use super::find::Finder;
use super::mark::Mark;
use super::scan::shortest_window;

/// A glance begins with windows so many times doubled, of eight shortest ones, but not
/// longer than a part of the trace: with two events nearer to each other than its windows
/// it may see neither.
const GLANCE_DOUBLED: usize = 3;

/// Windows of a glance's first length that a trace must hold: so many events lie apart.
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
