//! Detection on both directions together, echoes taken out on the way.

use crate::detect::{DetectSettings, Eye, Finder, Mark, Span, View};
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
    pub(super) fn finder(&self, settings: &DetectSettings) -> Finder<'_> {
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
    settings: &DetectSettings,
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
        let mut known = merge_strong(&finder, reach);
        add_fixed(&finder, &mut known, fixed_m);
        finder.find(known)
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
    let marks = std::mem::take(&mut joint.marks);
    joint.marks = joint.finder(settings).find(marks);
    joint
}

/// Marks of the strong peaks of both views; two that fall together are one.
fn merge_strong(finder: &Finder<'_>, reach_m: f64) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
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
            let z_m = view.place(peak.edge as f64 + 0.5);
            let block = Some((peak.edge, peak.settled));
            let near = marks
                .iter_mut()
                .filter(|m| !m.reflective[v] && (m.z_m - z_m).abs() <= same)
                .min_by(|p, q| (p.z_m - z_m).abs().total_cmp(&(q.z_m - z_m).abs()));
            match near {
                Some(mark) => {
                    mark.z_m = f64::midpoint(mark.z_m, z_m);
                    mark.blocks[v] = block;
                    mark.reflective[v] = true;
                }
                None => {
                    let mut mark = finder.mark(z_m, Some(spacing / 12.0_f64.sqrt()));
                    mark.blocks[v] = block;
                    mark.reflective[v] = true;
                    mark.strong = true;
                    marks.push(mark);
                }
            }
        }
    }
    marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
    marks
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
