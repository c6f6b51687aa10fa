//! Strong reflections: the two samples, or the receiver's shape, between which their
//! leading edge lies.

use crate::detect::{Finder, Mark, StrongPeak, View};

/// Marks of the strong peaks of both views; two that fall together are one.
pub(super) fn merge_strong(finder: &Finder<'_>, reach_m: f64) -> Vec<Mark> {
    let mut marks: Vec<(Mark, Bracket)> = Vec::new();
    for (v, view) in finder.views.iter().enumerate() {
        let bound = finder.bounds[v];
        let spacing = 1.0 / view.per_metre.abs();
        // The rise is known to a sample on each side; a slow receiver adds a
        // fraction of the pulse.
        let same = reach_m + 2.0 * spacing + 0.25 * view.eye.pulse_samples * spacing;
        for peak in view.eye.peaks.iter().skip(1) {
            if peak.edge < bound.lo || peak.edge + 2 >= bound.hi {
                continue;
            }
            let bracket = Bracket::of(view, peak);
            let block = Some((peak.edge, peak.settled));
            let near = marks
                .iter_mut()
                .filter(|(m, _)| !m.reflective[v] && (m.z_m - bracket.middle()).abs() <= same)
                .min_by(|(p, _), (q, _)| {
                    let d = |m: &Mark| (m.z_m - bracket.middle()).abs();
                    d(p).total_cmp(&d(q))
                });
            if let Some((mark, known)) = near {
                *known = known.and(&bracket, reach_m / 4.0);
                mark.z_m = known.middle();
                mark.std_error_m = Some(known.std_error());
                mark.blocks[v] = block;
                mark.reflective[v] = true;
            } else {
                let mut mark = finder.mark(bracket.middle(), Some(bracket.std_error()));
                mark.blocks[v] = block;
                mark.reflective[v] = true;
                mark.strong = true;
                marks.push((mark, bracket));
            }
        }
    }
    let mut marks: Vec<Mark> = marks.into_iter().map(|(mark, _)| mark).collect();
    marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
    marks
}

/// Places between which a sharp edge must lie.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bracket {
    from_m: f64,
    to_m: f64,
    /// What the error of B's axis adds.
    shift: f64,
}

impl Bracket {
    /// Where [`StrongPeak::bracket`] puts the leading edge; and, where
    /// the fall is sharp too, one pulse before the samples that bracket the fall.
    fn of(view: &View<'_>, peak: &StrongPeak) -> Self {
        let p = &view.eye.power.value;
        let (mut lo, mut hi) = peak.bracket(&view.eye.response);
        let n_w = view.eye.pulse_samples;
        // Samples that the fall may lie behind: one pulse on, less or more one.
        let first = (peak.edge as f64 + n_w).floor() as usize;
        if let (Some(&top), false, None) = (p.get(peak.edge + 1), peak.clipped, peak.place)
            && first + 2 < p.len()
        {
            let base = p[peak.edge].min(p[first + 2]);
            let half = f64::midpoint(top, base);
            let low = base + 0.1 * (top - base);
            // The last sample at full height, with the next one already down.
            let fall = (first.saturating_sub(1)..=first + 1)
                .find(|&j| p[j] > half && p[j] > top - 0.2 * (top - base) && p[j + 1] < low);
            if let Some(j) = fall {
                let (a, b) = (j as f64 - n_w, j as f64 + 1.0 - n_w);
                if a.max(lo) < b.min(hi) {
                    lo = lo.max(a);
                    hi = hi.min(b);
                }
            }
        }
        let (a, b) = (view.place(lo), view.place(hi));
        Self {
            from_m: a.min(b),
            to_m: a.max(b),
            shift: 0.0,
        }
    }

    /// Place and standard error of a strong mark's own peak in one view.
    pub(super) fn in_view(view: &View<'_>, mark: &Mark, v: usize) -> Option<(f64, f64)> {
        let (edge, _) = mark.blocks[v].filter(|_| mark.reflective[v])?;
        let peak = view.eye.peaks.iter().skip(1).find(|p| p.edge == edge)?;
        let bracket = Self::of(view, peak);
        Some((bracket.middle(), bracket.std_error()))
    }

    fn middle(&self) -> f64 {
        f64::midpoint(self.from_m, self.to_m)
    }

    /// A place is as likely anywhere between: the width over √12; and half of the
    /// error by which one of two brackets may be shifted against the other.
    fn std_error(&self) -> f64 {
        ((self.to_m - self.from_m) / 12.0_f64.sqrt()).hypot(0.5 * self.shift)
    }

    /// Both brackets together, the other widened by the error of its axis; their
    /// middle where they miss each other.
    fn and(&self, other: &Self, axis_error_m: f64) -> Self {
        let from_m = self.from_m.max(other.from_m - axis_error_m);
        let to_m = self.to_m.min(other.to_m + axis_error_m);
        if from_m < to_m {
            Self {
                from_m,
                to_m,
                shift: axis_error_m,
            }
        } else {
            let middle = f64::midpoint(self.middle(), other.middle());
            let half = 0.25 * (self.to_m - self.from_m + other.to_m - other.from_m);
            Self {
                from_m: middle - half,
                to_m: middle + half,
                shift: axis_error_m,
            }
        }
    }
}
