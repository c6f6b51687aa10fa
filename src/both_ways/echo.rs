//! Peaks that reflections elsewhere make.

use crate::detect::{DB_PER_NEPER, Mark, Span, View, height_db};

use super::joint::Joint;
use super::reflector::{
    Reflector, STRENGTH, echo_db, paths, reflector, reflectors, rise_db, risen,
};

/// A peak explained by reflections elsewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Echo {
    /// Index of the mark among those it was found with; none where only the reflections
    /// that make it tell of it.
    pub mark: Option<usize>,
    /// View that shows it: 0 from A, 1 from B.
    pub view: usize,
    /// Place on A's axis, metres.
    pub z_m: f64,
    /// Places on A's axis of the reflection nearest to the instrument and of the
    /// farthest one that make it.
    pub made_by: (f64, f64),
    /// Power over the backscatter: as measured where a mark shows it (at least, where that is
    /// clipped), else what its reflections predict at most.
    pub height: f64,
}

/// Names what may be echoes among the marks: a peak in one direction only, where light
/// reflected at j, back at i and again at k comes home (x = `x_j` − `x_i` + `x_k` with
/// `x_i` before both), as strong as the three predict.
///
/// # Source
/// Position 2·z2 − z1 and missing step and partner: common rules of reading
/// traces; the strength: derived, see [`echo_db`].
pub(super) fn find_echoes(joint: &Joint) -> Vec<Echo> {
    let views = joint.views();
    let mut echoes = Vec::new();
    for (v, view) in views.iter().enumerate() {
        let reflectors = reflectors(joint, v);
        for (m, mark) in joint.marks.iter().enumerate() {
            let lone = mark.reflective[v] && !mark.reflective[1 - v];
            if !lone {
                continue;
            }
            let x_m = view.eye.metres(view.index(mark.z_m));
            let Some(own) = reflector(view, mark, v) else {
                continue;
            };
            let own_error = mark.std_error_m.filter(|e| e.is_finite()).unwrap_or(0.0);
            let unit = joint.pulse_db[v];
            if let Some((near, far)) = explained(&reflectors, x_m, own_error, &own, (view, unit)) {
                echoes.push(Echo {
                    mark: Some(m),
                    view: v,
                    z_m: mark.z_m,
                    height: 10.0_f64.powf(own.strength_db / 10.0),
                    made_by: (
                        view.place(view.eye.index(near)),
                        view.place(view.eye.index(far)),
                    ),
                });
            }
        }
    }
    echoes
}

/// Echoes not known yet that the reflections of a view must make, strong enough to show, where no
/// reflection seen from the other end stands: each would spoil a joint beside it.
///
/// The strongest come first, as many as hide no more than [`MOST_HIDDEN`] of the fibre.
pub(super) fn predicted(joint: &Joint) -> Vec<Echo> {
    let views = joint.views();
    let mut echoes = Vec::new();
    for (v, view) in views.iter().enumerate() {
        let bound = joint.bounds[v];
        let unit = joint.pulse_db[v];
        let list = reflectors(joint, v);
        let mut of_view: Vec<(f64, Echo)> = Vec::new();
        for (i, j, k) in paths(&list) {
            let x = view.eye.index(j.x_m - i.x_m + k.x_m);
            let z_m = view.place(x);
            let pulse_m = view.eye.pulse_samples * view.eye.spacing_m;
            let seen_elsewhere =
                |m: &Mark| m.reflective[1 - v] && (m.z_m - z_m).abs() < reach(view) + pulse_m;
            let inside = x > bound.lo as f64 && x + 2.0 < bound.hi as f64;
            if !inside || joint.marks.iter().any(seen_elsewhere) {
                continue;
            }
            let level_db = view.eye.level_near(x);
            let mut echo_db = echo_db([i, j, k], level_db, unit, |r| r.at_most_db);
            // Made by what is only bounded, it is at most what is there.
            if [i, j, k].iter().any(|r| r.at_most_db > r.strength_db) {
                echo_db = echo_db.min(rise_db(view, x, -2.0).unwrap_or(f64::INFINITY));
            }
            let weight = view.eye.weight[x as usize] * view.eye.pulse_samples;
            let height = 10.0_f64.powf(echo_db / 10.0);
            let shown = height * DB_PER_NEPER * weight.sqrt();
            if shown > SHOWS {
                let echo = Echo {
                    mark: None,
                    view: v,
                    z_m,
                    height,
                    made_by: (
                        view.place(view.eye.index(i.x_m)),
                        view.place(view.eye.index(j.x_m.max(k.x_m))),
                    ),
                };
                if joint.echoes.iter().all(|known| !joint.same(&echo, known)) {
                    of_view.push((shown, echo));
                }
            }
        }
        of_view.sort_by(|p, q| q.0.total_cmp(&p.0));
        let known = joint.echoes.iter().filter(|e| e.view == v);
        echoes.extend(within(MOST_HIDDEN, view, bound, known, of_view));
    }
    echoes
}

/// The first echoes that together with the `known` ones hide no more than a share of the
/// samples of `bound`.
fn within<'e>(
    share: f64,
    view: &View<'_>,
    bound: Span,
    known: impl Iterator<Item = &'e Echo>,
    echoes: Vec<(f64, Echo)>,
) -> Vec<Echo> {
    let mut is_hidden = vec![false; view.eye.len()];
    let left = share * bound.hi.saturating_sub(bound.lo) as f64;
    let mut count = 0_usize;
    let mut hides = |echo: &Echo| {
        let (lo, hi) = hidden(view, echo);
        let hi = hi.min(is_hidden.len());
        let stretch = &mut is_hidden[lo.min(hi)..hi];
        count += stretch.iter().filter(|h| !**h).count();
        stretch.fill(true);
        count as f64 <= left
    };
    for echo in known {
        hides(echo);
    }
    (echoes.into_iter().map(|e| e.1))
        .take_while(|echo| hides(echo))
        .collect()
}

/// Samples that a predicted echo hides: one on each side for its place within a sample,
/// and what the receiver's answer to it lingers.
pub(super) fn hidden(view: &View<'_>, echo: &Echo) -> (usize, usize) {
    let eye = view.eye;
    let x = view.index(echo.z_m);
    let lo = (x - 1.0).max(0.0) as usize;
    let weight = eye.weight.get(lo).copied().unwrap_or(0.0);
    let lingers = if weight > 0.0 {
        eye.response
            .lingering(height_db(echo.height), (1.0 / weight).sqrt())
    } else {
        0
    };
    (lo, x as usize + 2 + eye.hidden_samples() + lingers)
}

/// Share of a trace that predicted echoes may hide: with half of the samples a line's
/// errors are one and a half times those of all.
const MOST_HIDDEN: f64 = 0.5;

/// Standard errors of a mean over the pulse from which an echo shows.
const SHOWS: f64 = 3.0;

/// Metres by which an echo may miss the place that three reflections give it: three
/// places of about a third of a sample each, and the slow rise of a receiver.
fn reach(view: &View<'_>) -> f64 {
    (2.0 + 0.1 * view.eye.pulse_samples) * view.eye.spacing_m
}

/// Whether a peak stands at a predicted echo between the lines beside it.
pub(super) fn shows(view: &View<'_>, echo: &Echo, span: Span) -> bool {
    peak_at(view, echo.z_m, span).is_some_and(|(height, sd)| height > NAMED * sd)
}

/// Whether a view would show a reflection as high as the echo that the other view shows,
/// and shows none within `reach_m` of it: light comes back from a joint the same from both
/// sides, but for the backscatter that it is held against.
pub(super) fn is_denied(view: &View<'_>, echo: &Echo, span: Span, reach_m: f64) -> bool {
    let pulse_m = view.eye.pulse_samples / view.per_metre.abs();
    let looks = (2.0 * reach_m / pulse_m).ceil() as i32;
    (-looks..=looks).all(|k| {
        let z_m = echo.z_m + 0.5 * f64::from(k) * pulse_m;
        let (from, to) = (view.index(z_m), view.index(z_m) + view.eye.pulse_samples);
        let is_clipped = view
            .eye
            .is_clipped(from.max(0.0) as usize, to.max(0.0) as usize);
        peak_at(view, z_m, span)
            .is_some_and(|(height, sd)| !is_clipped && height + NAMED * sd < 0.5 * echo.height)
    })
}

/// Height over the backscatter of a peak with its edge at a place, between the lines
/// beside it, and its standard error.
fn peak_at(view: &View<'_>, z_m: f64, span: Span) -> Option<(f64, f64)> {
    let eye = view.eye;
    let x = view.index(z_m);
    let (before, after) = view.lines(x, span, usize::MAX)?;
    let from = x.max(0.0) as usize + 1;
    let to = ((x + eye.pulse_samples) as usize + 1).clamp(from, eye.len());
    let (mut sum, mut variance) = (0.0, 0.0);
    for i in from..to {
        let at = i as f64;
        let line = f64::midpoint(before.at(at), after.at(at)) + eye.trend.0 + eye.trend.1 * at;
        let power = (line / DB_PER_NEPER).exp();
        sum += eye.power.value[i] / power - 1.0;
        variance += eye.noise.density(power) / (power * power);
    }
    let shares = risen(view, x, from, to) * (to - from) as f64;
    (to > from).then(|| (sum / shares, variance.sqrt() / shares))
}

/// Standard errors from which a predicted echo is named: one in 30,000 by chance.
const NAMED: f64 = 4.0;

/// The nearest and farthest reflection of a path that comes home at `x_m`.
fn explained(
    list: &[Reflector],
    x_m: f64,
    own_error_m: f64,
    own: &Reflector,
    (view, unit): (&View<'_>, f64),
) -> Option<(f64, f64)> {
    let reach = reach(view) + 3.0 * own_error_m;
    let mut best: Option<(f64, (f64, f64))> = None;
    for (i, j, k) in paths(list).filter(|(_, j, k)| j.x_m < x_m && k.x_m < x_m) {
        let miss = (j.x_m - i.x_m + k.x_m - x_m).abs();
        if miss > reach {
            continue;
        }
        let all = [i, j, k];
        let predicted = |of: fn(&Reflector) -> f64| echo_db(all, own.level_db, unit, of);
        let fits = own.strength_db < predicted(|r| r.at_most_db) + STRENGTH
            && own.at_most_db > predicted(|r| r.strength_db) - STRENGTH;
        if fits && best.is_none_or(|b| miss < b.0) {
            best = Some((miss, (i.x_m, j.x_m.max(k.x_m))));
        }
    }
    best.map(|b| b.1)
}
