//! Detection on both directions together, echoes taken out on the way.

use crate::detect::{DetectSettings, Eye, Finder, Mark, Span, StrongPeak, View};
use crate::measure::Look;

use super::echo::{Echo, find_echoes};
use super::register::Axis;

/// Both directions on A's axis with everything that was found on it.
#[derive(Debug, Clone)]
pub(super) struct Joint {
    /// Direction from A.
    pub eye_a: Eye,
    /// Direction from B.
    pub eye_b: Eye,
    /// Usable samples of the two.
    pub bounds: [Span; 2],
    /// Sample of each eye at the axis's zero, and samples per metre, signed.
    pub placing: [(f64, f64); 2],
    /// Events in the order of their places.
    pub marks: Vec<Mark>,
    /// Echoes, which are no events of the fibre.
    pub echoes: Vec<Echo>,
}

impl Joint {
    /// The two views.
    pub(super) fn views(&self) -> [View<'_>; 2] {
        let view = |eye, (at_zero, per_metre): (f64, f64)| View {
            eye,
            at_zero,
            per_metre,
        };
        [
            view(&self.eye_a, self.placing[0]),
            view(&self.eye_b, self.placing[1]),
        ]
    }

    /// A finder over both views.
    pub(super) fn finder(&self, settings: DetectSettings) -> Finder<'_> {
        Finder::new(self.views().to_vec(), self.bounds.to_vec(), settings)
    }
}

/// Finds the events of a link in both traces together.
///
/// Strong peaks are taken over; steps and weak peaks come from the joint
/// statistic; echoes are named and left out; then both traces are linearised
/// about what was found and looked through once more.
pub(super) fn detect_jointly(
    a: &Look,
    b: &Look,
    axis: &Axis,
    settings: DetectSettings,
    fixed_m: &[f64],
) -> Joint {
    let eye_a = a.eye.clone();
    let eye_b = b.eye.clone();
    let placing = [
        (eye_a.index(a.near.own_m), 1.0 / eye_a.spacing_m),
        (
            eye_b.index(axis.offset_m / axis.scale),
            -1.0 / (eye_b.spacing_m * axis.scale),
        ),
    ];
    let mut joint = Joint {
        eye_a,
        eye_b,
        bounds: [a.bound, b.bound],
        placing,
        marks: Vec::new(),
        echoes: Vec::new(),
    };
    let reach = 4.0 * axis.error(b.eye.metres(b.eye.len() as f64));
    joint.marks = {
        let finder = joint.finder(settings);
        let mut found = finder.find(merge_strong(&finder, reach));
        add_fixed(&finder, &mut found, fixed_m);
        found
    };
    let echoes = find_echoes(&joint);
    if !echoes.is_empty() {
        for echo in &echoes {
            if let Some((lo, hi)) = joint.marks[echo.mark].blocks[echo.view] {
                let eye = if echo.view == 0 {
                    &mut joint.eye_a
                } else {
                    &mut joint.eye_b
                };
                eye.leave_out(lo, hi);
            }
        }
        let gone: Vec<usize> = echoes.iter().map(|e| e.mark).collect();
        let mut index = 0;
        joint.marks.retain(|_| {
            index += 1;
            !gone.contains(&(index - 1))
        });
        joint.echoes = echoes;
    }
    let sections = |joint: &Joint, v: usize| -> Vec<Span> {
        let finder = joint.finder(settings);
        let mut spans: Vec<Span> = (0..=joint.marks.len())
            .map(|k| {
                let before = k.checked_sub(1).map(|i| &joint.marks[i]);
                finder.spans(before, joint.marks.get(k))[v]
            })
            .filter(|s| s.hi > s.lo + 8)
            .collect();
        spans.sort_by_key(|s| s.lo);
        spans
    };
    let (spans_a, spans_b) = (sections(&joint, 0), sections(&joint, 1));
    joint.eye_a.relinearise(&spans_a);
    joint.eye_b.relinearise(&spans_b);
    let mut marks = std::mem::take(&mut joint.marks);
    marks.iter_mut().for_each(Mark::forget);
    joint.marks = joint.finder(settings).find(marks);
    joint
}

/// Marks of the strong peaks of both views; two that fall together are one.
fn merge_strong(finder: &Finder<'_>, reach_m: f64) -> Vec<Mark> {
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
struct Bracket {
    from_m: f64,
    to_m: f64,
    /// What the error of B's axis adds.
    shift: f64,
}

impl Bracket {
    /// Between the last sample before a peak's rise and the first in it; and, where
    /// the fall is sharp too, one pulse before the samples that bracket the fall.
    fn of(view: &View<'_>, peak: &StrongPeak) -> Self {
        let p = &view.eye.power.value;
        let (mut lo, mut hi) = (peak.edge as f64, peak.edge as f64 + 1.0);
        let n_w = view.eye.pulse_samples;
        if let Some(place) = peak.place {
            // The shape tells the place to about a tenth of a sample.
            (lo, hi) = (place - 0.17, place + 0.17);
        }
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

/// Adds marks at places known from elsewhere where none is near.
fn add_fixed(finder: &Finder<'_>, marks: &mut Vec<Mark>, fixed_m: &[f64]) {
    for &z_m in fixed_m {
        let spacing = 1.0 / finder.views[0].per_metre.abs();
        let pulse_m = finder.views[0].eye.pulse_samples * spacing;
        if marks
            .iter()
            .any(|m| (m.z_m - z_m).abs() < pulse_m + spacing)
        {
            continue;
        }
        let mut mark = finder.mark(z_m, None);
        mark.strong = true;
        marks.push(mark);
    }
    marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
}
