//! Events of one trace by itself, as the baselines find and measure them.

use bothends::detect::{Eye, Line, Span, Thresholds, threshold};
use bothends::measure::Look;

use super::baselines::Baseline;

/// Fewest samples of a line.
const FEWEST: usize = 6;

/// Added to the penalty of a change so that bare fibre shows as many false events as
/// the program does: with nothing added it shows a third of them (`-- settings`).
const PENALTY_CALIBRATED: f64 = -2.0;

/// One event in one trace.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    /// Leading edge, sample index.
    pub(crate) x: f64,
    /// Last sample before it and first one after it.
    pub(crate) block: (usize, usize),
    /// Whether it is a peak seen sample by sample.
    pub(crate) is_strong: bool,
    /// Whether it reflects.
    pub(crate) is_reflective: bool,
    /// Loss in dB and its variance.
    pub(crate) loss: Option<(f64, f64)>,
    /// Standard error of the place in samples.
    pub(crate) error: f64,
}

/// Events of one trace with their losses.
pub(crate) fn one_way(look: &Look, how: Baseline, false_events_per_1000_km: f64) -> Vec<Found> {
    let mut eye = look.eye.clone();
    let bound = look.bound;
    let mut events: Vec<Found> = (eye.peaks.iter().skip(1))
        .filter(|peak| peak.edge >= bound.lo && peak.edge + 2 < bound.hi)
        .map(|peak| Found {
            x: peak
                .place
                .map_or(peak.edge as f64 + 0.5, |(place, _)| place),
            block: (peak.edge, peak.settled),
            is_strong: true,
            is_reflective: true,
            loss: None,
            error: 0.3,
        })
        .collect();
    let longest = (bound.hi - bound.lo).max(16);
    let thresholds = Thresholds::new(false_events_per_1000_km, longest, eye.spacing_m);
    let shortest = (2 * eye.hidden_samples()).max(FEWEST + 2);
    let rate = false_events_per_1000_km * eye.spacing_m / 1e6;
    let penalty = threshold(rate, 4.5 / shortest as f64, 2).powi(2) + PENALTY_CALIBRATED;
    match how {
        Baseline::Windows => by_windows(&eye, bound, &thresholds, shortest, &mut events),
        Baseline::Segments => by_segments(&eye, bound, penalty, &mut events),
    }
    // About the lines that were found, and so without the noise of a smoothed level.
    let spans: Vec<Span> = (0..=events.len())
        .map(|k| section(&events, k, bound))
        .filter(|s| s.hi > s.lo + 8)
        .collect();
    eye.relinearise(&spans);
    let is_enough = |test: &Test| match how {
        Baseline::Windows => test.square > thresholds.square(test.worth, 1),
        Baseline::Segments => test.gain > penalty,
    };
    settle(&eye, bound, &is_enough, &mut events);
    events
}

/// Samples between the events before and after gap `k`.
fn section(events: &[Found], k: usize, bound: Span) -> Span {
    let lo = k.checked_sub(1).map_or(bound.lo, |j| events[j].block.1);
    let hi = events.get(k).map_or(bound.hi, |e| e.block.0 + 1);
    let lo = lo.clamp(bound.lo, bound.hi);
    Span {
        lo,
        hi: hi.clamp(lo, bound.hi),
    }
}

/// What two lines beside a place tell.
#[derive(Debug, Clone, Copy)]
struct Test {
    x: usize,
    lines: [Line; 2],
    loss_db: f64,
    variance: f64,
    /// Loss over its error, squared.
    square: f64,
    /// Samples on each side that the windows are worth.
    worth: f64,
    /// Fall of the sum of squares against one line through all.
    gain: f64,
}

/// Lines over `window` samples on each side of what the pulse hides behind `x`.
fn test(eye: &Eye, x: usize, span: Span, window: usize) -> Option<Test> {
    let hidden = eye.hidden_samples();
    let left_hi = (x + 1).min(span.hi);
    let left_lo = span.lo.max(left_hi.saturating_sub(window));
    let right_lo = (x + 1 + hidden).max(span.lo);
    let right_hi = span.hi.min(right_lo.saturating_add(window));
    if left_hi < left_lo + FEWEST || right_hi < right_lo + FEWEST {
        return None;
    }
    let left = eye.sums.line(left_lo, left_hi)?;
    let right = eye.sums.line(right_lo, right_hi)?;
    let middle = x as f64 + 0.5 + eye.response.middle();
    let loss_db = left.at(middle) - right.at(middle);
    let variance = left.variance_at(middle) + right.variance_at(middle);
    let whole = eye.sums.line(left_lo, right_hi)?.chi_square;
    let (l, r) = ((left_hi - left_lo) as f64, (right_hi - right_lo) as f64);
    Some(Test {
        x,
        lines: [left, right],
        loss_db,
        variance,
        square: loss_db * loss_db / variance,
        worth: 2.0 * l * r / (l + r),
        gain: whole - left.chi_square - right.chi_square - hidden as f64,
    })
}

/// Event at a place that was tested.
fn event(eye: &Eye, test: &Test) -> Found {
    let weight = eye.weight.get(test.x).copied().unwrap_or(0.0);
    let share = 1.0 / (weight.max(f64::MIN_POSITIVE).sqrt() * test.loss_db.abs());
    // A ramp's place, and that of a bare step where the noise hides the ramp.
    let error = (share * eye.pulse_samples.sqrt()).max(26f64.sqrt() * share * share);
    Found {
        x: test.x as f64 + 0.5,
        block: (test.x, test.x + 1 + eye.hidden_samples()),
        is_strong: false,
        is_reflective: false,
        loss: Some((test.loss_db, test.variance)),
        error: error.clamp(0.02, 1e5),
    }
}

fn insert(events: &mut Vec<Found>, new: Found) {
    let at = events.partition_point(|e| e.x < new.x);
    events.insert(at, new);
}

/// Scans with windows of growing length that never cross an event already found.
fn by_windows(
    eye: &Eye,
    bound: Span,
    thresholds: &Thresholds,
    shortest: usize,
    events: &mut Vec<Found>,
) {
    let mut window = shortest;
    while window < 2 * (bound.hi - bound.lo) {
        let mut k = 0;
        while k <= events.len() {
            let span = section(events, k, bound);
            match strongest(eye, span, thresholds, window) {
                // The two halves are looked through again.
                Some(best) => insert(events, event(eye, &best)),
                None => k += 1,
            }
        }
        window *= 2;
    }
}

/// The place in a section that exceeds its threshold most.
fn strongest(eye: &Eye, span: Span, thresholds: &Thresholds, window: usize) -> Option<Test> {
    let over = |t: &Test| t.square - thresholds.square(t.worth, 1);
    let stride = (window / 16).max(1);
    (span.lo..span.hi)
        .step_by(stride)
        .filter_map(|x| test(eye, x, span, window))
        // A sixteenth of a window loses a seventh of the statistic at most.
        .filter(|t| t.square > 0.6 * thresholds.square(t.worth, 1))
        .flat_map(|t| {
            (t.x.saturating_sub(stride)..t.x + stride).filter_map(|x| test(eye, x, span, window))
        })
        .filter(|t| over(t) > 0.0)
        .max_by(|p, q| over(p).total_cmp(&over(q)))
}

/// Least sum of squares plus penalty over all partitions into straight lines whose
/// bounds lie on a grid of a quarter pulse, with the pruning of hopeless beginnings.
fn by_segments(eye: &Eye, bound: Span, penalty: f64, events: &mut Vec<Found>) {
    let step = ((eye.pulse_samples / 4.0) as usize).max(1);
    let fewest = FEWEST.div_ceil(step);
    let sections: Vec<Span> = (0..=events.len())
        .map(|k| section(events, k, bound))
        .collect();
    let mut changes: Vec<usize> = Vec::new();
    for span in sections {
        let last = (span.hi - span.lo) / step;
        if last < 2 * fewest {
            continue;
        }
        let at = |j: usize| {
            if j == last {
                span.hi
            } else {
                span.lo + j * step
            }
        };
        // Best sum up to each bound, and the bound before it.
        let mut best = vec![(f64::INFINITY, 0_usize); last + 1];
        best[0] = (-penalty, 0);
        let mut open: Vec<usize> = vec![0];
        let mut sums: Vec<f64> = Vec::new();
        for j in fewest..=last {
            sums.clear();
            for &i in &open {
                let line = (j >= i + fewest)
                    .then(|| eye.sums.line(at(i), at(j)))
                    .flatten();
                let sum = line.map_or(f64::INFINITY, |l| best[i].0 + l.chi_square);
                sums.push(sum);
                if sum + penalty < best[j].0 {
                    best[j] = (sum + penalty, i);
                }
            }
            let limit = best[j].0;
            let mut k = 0;
            open.retain(|i| {
                k += 1;
                j < i + fewest || sums[k - 1] <= limit
            });
            open.push(j);
        }
        let mut j = best[last].1;
        while j > 0 {
            changes.push(at(j));
            j = best[j].1;
        }
    }
    changes.sort_unstable();
    // A strong step's ramp makes two changes or three: one event.
    let hidden = eye.hidden_samples() + step;
    let middle = eye.response.middle() as usize;
    let mut k = 0;
    while k < changes.len() {
        let first = changes[k];
        let mut end = k + 1;
        while end < changes.len() && changes[end] - first <= hidden {
            end += 1;
        }
        let centre = usize::midpoint(first, changes[end - 1]);
        let x = centre.saturating_sub(middle);
        let block = (x, x + 1 + eye.hidden_samples());
        insert(
            events,
            Found {
                x: x as f64,
                block,
                is_strong: false,
                is_reflective: false,
                loss: None,
                error: 1.0,
            },
        );
        k = end;
    }
}

/// Places each event again with windows up to its neighbours, drops those that are
/// not significant there, and reads the losses.
fn settle(eye: &Eye, bound: Span, is_enough: &dyn Fn(&Test) -> bool, events: &mut Vec<Found>) {
    let hidden = eye.hidden_samples();
    for _ in 0..3 {
        merge(eye, events);
        let mut k = 0;
        while k < events.len() {
            let span = Span {
                lo: section(events, k, bound).lo,
                hi: section(events, k + 1, bound).hi,
            };
            if events[k].is_strong {
                events[k].loss = across_peak(eye, &events[k], span);
                k += 1;
                continue;
            }
            // As far as noise may have thrown it.
            let reach = (2 * hidden).max((3.0 * events[k].error).min(500.0) as usize);
            match place(eye, events[k].x as usize, reach, span) {
                Some((best, shape, is_peak)) if is_peak || is_enough(&best) => {
                    events[k] = event(eye, &best);
                    events[k].x = shape.x;
                    if is_peak {
                        // An edge is sharp; the next round reads the loss the same way.
                        events[k].error = 0.1;
                    }
                    events[k].is_reflective = is_peak;
                    k += 1;
                }
                // Not significant, or too near to a neighbour to tell: one event.
                _ => {
                    events.remove(k);
                }
            }
        }
    }
}

/// Makes one event of those so near to each other that one ramp explains both.
fn merge(eye: &Eye, events: &mut Vec<Found>) {
    let near = 2 * eye.hidden_samples();
    let square = |e: &Found| e.loss.map_or(0.0, |(loss_db, v)| loss_db * loss_db / v);
    let mut k = 0;
    while k + 1 < events.len() {
        let (one, next) = (&events[k], &events[k + 1]);
        let is_near = next.block.0 < one.block.1 + near && !(one.is_strong && next.is_strong);
        if !is_near {
            k += 1;
            continue;
        }
        let drops_next = one.is_strong || (!next.is_strong && square(one) >= square(next));
        events.remove(if drops_next { k + 1 } else { k });
    }
}

/// What is left of a section when an event begins at some place.
#[derive(Debug, Clone, Copy)]
struct Shape {
    x: f64,
    /// Sum of squares with a step alone.
    step: f64,
    /// The same with a reflection upon it.
    peak: f64,
}

/// Holds an event that begins at index `x` against the samples of a section: a line
/// before, one after, and between them the ramp and the reflection that the pulse
/// and the receiver draw.
fn shape(eye: &Eye, x: f64, test: &Test, span: Span) -> Option<Shape> {
    let [left, right] = &test.lines;
    let (lo, hi) = (test.x + 1, test.x + 1 + eye.hidden_samples());
    let (mut squares, mut along, mut peaks) = (0.0, 0.0, 0.0);
    for i in lo..hi {
        let at = i as f64;
        let through = eye.response.ramp(at - x);
        let wanted = (1.0 - through) * left.at(at) + through * right.at(at);
        let rest = eye.level_db[i] - eye.trend.0 - eye.trend.1 * at - wanted;
        let peak = eye.response.peak(at - x);
        squares += eye.weight[i] * rest * rest;
        along += eye.weight[i] * rest * peak;
        peaks += eye.weight[i] * peak * peak;
    }
    // Samples in front of the window and behind it count too, or the best place
    // would be the one with the fewest.
    let lines =
        eye.sums.line(span.lo, test.x + 1)?.chi_square + eye.sums.line(hi, span.hi)?.chi_square;
    let gain = if along > 0.0 && peaks > 0.0 {
        along * along / peaks
    } else {
        0.0
    };
    Some(Shape {
        x,
        step: lines + squares,
        peak: lines + squares - gain,
    })
}

/// χ² that a reflection must explain to be one: five standard errors.
const PEAK_GAIN: f64 = 25.0;

/// Best place within `reach` samples of `x`, first by samples, then between them.
fn place(eye: &Eye, x: usize, reach: usize, span: Span) -> Option<(Test, Shape, bool)> {
    let by_samples: Vec<(Test, Shape)> = (x.saturating_sub(reach)..=x + reach)
        .filter_map(|x| {
            let test = test(eye, x, span, usize::MAX / 4)?;
            Some((test, shape(eye, x as f64 + 0.5, &test, span)?))
        })
        .collect();
    let least =
        |of: fn(&Shape) -> f64| (by_samples.iter()).min_by(|p, q| of(&p.1).total_cmp(&of(&q.1)));
    let (step, peak) = (least(|s| s.step)?, least(|s| s.peak)?);
    let is_peak = step.1.step - peak.1.peak > PEAK_GAIN;
    let (test, _) = if is_peak { peak } else { step };
    let of = |s: &Shape| if is_peak { s.peak } else { s.step };
    let finest = (-30..=30)
        .filter_map(|j| shape(eye, test.x as f64 + 0.5 + f64::from(j) / 20.0, test, span))
        .min_by(|p, q| of(p).total_cmp(&of(q)))?;
    Some((*test, finest, is_peak))
}

/// Loss across a strong peak and all that it hides.
fn across_peak(eye: &Eye, peak: &Found, span: Span) -> Option<(f64, f64)> {
    let left = eye.sums.line(span.lo, peak.block.0 + 1)?;
    let right = eye.sums.line(peak.block.1, span.hi.max(peak.block.1))?;
    let middle = peak.x + eye.response.middle();
    Some((
        left.at(middle) - right.at(middle),
        left.variance_at(middle) + right.variance_at(middle),
    ))
}
