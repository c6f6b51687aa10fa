//! Every event read in both directions at the same place.

use crate::detect::{Finder, Mark, PairSearch, Span, View};
use crate::measure::{
    KnownSlope, RESOLVED_PULSES, Reading, ReflectanceReading, Side, read_loss, read_peak,
    side_line, usual_slope,
};
use crate::trace::Trace;
use crate::units::{BackscatterCoefficient, Loss, Measured, NotMeasured, Position};

use super::joint::Joint;

/// Pulse lengths of fibre between two events below which they are read by a fit of both:
/// the level between them rests on their ramps as much as on itself.
const READ_TOGETHER: f64 = 1.0;

/// Standard errors of a peak's height from which a reflectance is printed.
pub(super) const PEAK_SEEN: f64 = 4.0;

/// One event, or a group of events too close to tell apart.
#[derive(Debug, Clone)]
pub(super) struct Cluster {
    /// Indices of its marks.
    pub marks: std::ops::Range<usize>,
    /// Reading of each direction, A first.
    pub readings: [Result<Reading, NotMeasured>; 2],
    /// Reflectance in each direction.
    pub reflectance: [Option<ReflectanceReading>; 2],
    /// Stretch hidden in each direction, on A's axis, from its lower to its upper end.
    pub hidden: [Option<(Position, Position)>; 2],
}

/// Groups marks that cannot be told apart in one of the directions.
pub(super) fn clusters(finder: &Finder<'_>, marks: &[Mark]) -> Vec<std::ops::Range<usize>> {
    let mut ranges: Vec<std::ops::Range<usize>> = Vec::new();
    for i in 0..marks.len() {
        let joined = i > 0
            && (marks[i].mingled || {
                let gap_m = marks[i].z_m - marks[i - 1].z_m;
                let spans = finder.spans(Some(&marks[i - 1]), Some(&marks[i]));
                finder
                    .views
                    .iter()
                    .zip(&spans)
                    .enumerate()
                    .any(|(v, (view, span))| {
                        let reaches =
                            marks[i].blocks[v].is_some() && marks[i - 1].blocks[v].is_some();
                        let pulse_m = view.eye.pulse_samples / view.per_metre.abs();
                        let no_line =
                            span.hi < span.lo + 6 && !(marks[i].parted && marks[i - 1].parted);
                        // Places are known to a part of a sample.
                        let least_m = RESOLVED_PULSES * pulse_m - 0.1 / view.per_metre.abs();
                        reaches && (no_line || gap_m < least_m)
                    })
            });
        match ranges.last_mut() {
            Some(last) if joined => last.end = i + 1,
            _ => ranges.push(i..i + 1),
        }
    }
    ranges
}

/// All events of a link as read.
#[derive(Debug, Clone)]
pub(super) struct Readings {
    /// Events and groups in the order of their places.
    pub clusters: Vec<Cluster>,
    /// Slope of each direction's sections that the lines leaned on, A first.
    pub slopes: [Option<KnownSlope>; 2],
}

/// Reads all events of a link of `length_m`.
pub(super) fn read_all(
    joint: &Joint,
    finder: &Finder<'_>,
    traces: [&Trace; 2],
    backscatter: [BackscatterCoefficient; 2],
    length_m: f64,
) -> Readings {
    let ranges = clusters(finder, &joint.marks);
    let views = joint.views();
    let known = slopes(joint, finder, &ranges, length_m);
    let mut read: Vec<Cluster> = (0..ranges.len())
        .map(|k| {
            let range = ranges[k].clone();
            let mut readings = [Err(NotMeasured::because("")), Err(NotMeasured::because(""))];
            let mut reflectance = [None, None];
            let mut hidden = [None, None];
            for v in 0..2 {
                let view = &views[v];
                let (before, after) = around(finder, &joint.marks, &ranges, k, v);
                let x = middle_edge(view, &joint.marks[range.clone()]);
                readings[v] = read_loss(view, x, before, after, known[v]);
                hidden[v] = hidden_stretch(view, &joint.marks[range.clone()], v);
                let first = nearest_in_travel(view, &joint.marks[range.clone()]);
                let is_reflective = joint.marks[range.clone()].iter().any(|m| m.reflective[v]);
                let line_before = side_line(view.eye, before, Side::Before, known[v]);
                if let (true, Some(line_before)) = (is_reflective, line_before) {
                    let line_after = side_line(view.eye, after, Side::After, known[v]);
                    reflectance[v] = read_peak(
                        view,
                        view.index(first.z_m),
                        &line_before,
                        line_after.as_ref(),
                        PEAK_SEEN,
                        backscatter[v],
                        traces[v].pulse_width(),
                    );
                }
            }
            Cluster {
                marks: range,
                readings,
                reflectance,
                hidden,
            }
        })
        .collect();
    for k in 1..ranges.len() {
        let together = read_together(finder, &joint.marks, &ranges, k, known);
        for (v, pair) in together.into_iter().enumerate() {
            if let Some([first, second]) = pair {
                read[k - 1].readings[v] = Ok(first);
                read[k].readings[v] = Ok(second);
            }
        }
    }
    Readings {
        clusters: read,
        slopes: known,
    }
}

/// Slope of each direction's sections that every line beside a joint leans on.
fn slopes(
    joint: &Joint,
    finder: &Finder<'_>,
    ranges: &[std::ops::Range<usize>],
    length_m: f64,
) -> [Option<KnownSlope>; 2] {
    let views = joint.views();
    [0, 1].map(|v| {
        let view = &views[v];
        let ends = [0.0, length_m].map(|z_m| view.index(z_m).max(0.0) as usize);
        let glass = Span {
            lo: ends[0].min(ends[1]),
            hi: ends[0].max(ends[1]),
        };
        let spans = stretches(finder, &joint.marks, ranges, v);
        usual_slope(view.eye, &spans, glass)
    })
}

/// Readings of the clusters `k` − 1 and `k` by a fit of both, in each view that has too
/// little fibre between them; none where there is enough, or where they are groups.
fn read_together(
    finder: &Finder<'_>,
    marks: &[Mark],
    ranges: &[std::ops::Range<usize>],
    k: usize,
    known: [Option<KnownSlope>; 2],
) -> [Option<[Reading; 2]>; 2] {
    let pair = [&ranges[k - 1], &ranges[k]];
    let [first, second] = pair.map(|r| &marks[r.start]);
    let parted = pair.iter().all(|r| r.len() == 1) && first.parted && second.parted;
    if !parted {
        return [None, None];
    }
    let outer = finder.spans(
        pair[0].start.checked_sub(1).map(|i| &marks[i]),
        marks.get(pair[1].end),
    );
    let between = finder.spans(Some(first), Some(second));
    let reflects = |m: &Mark| m.reflective.iter().any(|r| *r);
    let search = PairSearch {
        views: &finder.views,
        spans: &outer,
        peaks: [reflects(first), reflects(second)],
    };
    let losses = search.losses([first.z_m, second.z_m]);
    [0, 1].map(|v| {
        let view = &finder.views[v];
        let fibre = between[v].hi.saturating_sub(between[v].lo) as f64;
        if fibre >= READ_TOGETHER * view.eye.pulse_samples {
            return None;
        }
        let losses = losses[v]?;
        let (lower, upper) = (
            around(finder, marks, ranges, k - 1, v),
            around(finder, marks, ranges, k, v),
        );
        let (before, after) = if view.is_forward() {
            (lower.0, upper.1)
        } else {
            (upper.0, lower.1)
        };
        let before = side_line(view.eye, before, Side::Before, known[v])?;
        let after = side_line(view.eye, after, Side::After, known[v])?;
        Some(losses.map(|(loss_db, variance)| Reading {
            loss: Measured {
                value: Loss::from_db(loss_db),
                std_error: Some(Loss::from_db(variance.sqrt())),
            },
            before,
            after,
        }))
    })
}

/// The spans before and after cluster `k` in the travel of view `v`.
pub(super) fn around(
    finder: &Finder<'_>,
    marks: &[Mark],
    ranges: &[std::ops::Range<usize>],
    k: usize,
    v: usize,
) -> (Span, Span) {
    let lower = finder.spans(
        k.checked_sub(1).and_then(|j| marks.get(ranges[j].end - 1)),
        marks.get(ranges[k].start),
    )[v];
    let upper = finder.spans(
        marks.get(ranges[k].end - 1),
        ranges.get(k + 1).and_then(|next| marks.get(next.start)),
    )[v];
    if finder.views[v].is_forward() {
        (lower, upper)
    } else {
        (upper, lower)
    }
}

fn stretches(
    finder: &Finder<'_>,
    marks: &[Mark],
    ranges: &[std::ops::Range<usize>],
    v: usize,
) -> Vec<Span> {
    (0..=ranges.len())
        .map(|k| {
            finder.spans(
                k.checked_sub(1).and_then(|j| marks.get(ranges[j].end - 1)),
                ranges.get(k).and_then(|next| marks.get(next.start)),
            )[v]
        })
        .collect()
}

/// Leading edge that a group's loss is drawn to: the middle of its first and last.
fn middle_edge(view: &View<'_>, marks: &[Mark]) -> f64 {
    let edges = marks.iter().map(|m| view.index(m.z_m));
    let (lo, hi) = edges.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), x| {
        (lo.min(x), hi.max(x))
    });
    f64::midpoint(lo, hi)
}

fn nearest_in_travel<'m>(view: &View<'_>, marks: &'m [Mark]) -> &'m Mark {
    if view.is_forward() {
        &marks[0]
    } else {
        &marks[marks.len() - 1]
    }
}

fn hidden_stretch(view: &View<'_>, marks: &[Mark], v: usize) -> Option<(Position, Position)> {
    let lo = marks
        .iter()
        .filter_map(|m| m.blocks[v])
        .map(|b| b.0)
        .min()?;
    let hi = marks
        .iter()
        .filter_map(|m| m.blocks[v])
        .map(|b| b.1)
        .max()?;
    let (p, q) = (view.place(lo as f64), view.place(hi as f64));
    Some((Position::from_m(p.min(q)), Position::from_m(p.max(q))))
}
