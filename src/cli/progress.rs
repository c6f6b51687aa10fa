//! How far a run is, on standard error; nothing where that is no terminal.

use std::io::{self, IsTerminal};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::cable::Progress;

/// A bar with the time that is left.
#[derive(Debug)]
pub(super) struct Bar(ProgressBar);

impl Bar {
    /// A bar; none where standard error is no terminal.
    pub(super) fn new() -> Option<Self> {
        if !io::stderr().is_terminal() {
            return None;
        }
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
        if let Ok(style) =
            ProgressStyle::with_template("{msg}: {pos} of {len} fibres {wide_bar} {eta} left")
        {
            bar.set_style(style);
        }
        Some(Self(bar))
    }

    /// Takes the bar away.
    pub(super) fn finish(&self) {
        self.0.finish_and_clear();
    }
}

impl Progress for Bar {
    fn begin(&self, what: &str, steps: usize) {
        self.0.reset();
        self.0.set_length(steps as u64);
        self.0.set_message(what.to_owned());
    }

    fn step(&self) {
        self.0.inc(1);
    }
}
