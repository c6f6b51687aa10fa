//! Detection on both directions together, echoes taken out on the way.

use crate::detect::{DetectSettings, Eye, Finder, Mark, Span, Stretch, View};
use crate::measure::Look;

use super::bracket::{Bracket, merge_strong};
use super::combine::Fixed;
use super::echo::Echo;
use super::register::{Axis, Matched};

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
    /// Backscatter of one pulse against the launched power in each, 10·log10.
    pub pulse_db: [f64; 2],
    /// Events in the order of their places.
    pub marks: Vec<Mark>,
    /// Echoes, which are no events of the fibre.
    pub echoes: Vec<Echo>,
    /// How B's axis lies on A's, by all that was found.
    pub axis: Axis,
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
/// Strong peaks are taken over, and of the steps what each trace shows by itself; echoes, where
/// strong reflections make any, are named and left out; the axes are laid on each other anew by
/// what was found, with `again`; then both traces are linearised about it and looked
/// through as a whole. The eyes are those of the two looks.
pub(super) fn detect_jointly(
    (a, b): (&Look, &Look),
    [eye_a, eye_b]: [Eye; 2],
    pulse_db: [f64; 2],
    axis: &Axis,
    settings: DetectSettings,
    fixed: &[Fixed],
    again: impl Fn(&[Matched]) -> Axis,
) -> Joint {
    let mut joint = Joint {
        bounds: [a.bound, b.bound],
        placing: [
            (a.eye.index(a.near.own_m), 1.0 / a.eye.spacing_m),
            placing_of_b(&b.eye, axis),
        ],
        eye_a,
        eye_b,
        pulse_db,
        marks: Vec::new(),
        echoes: Vec::new(),
        axis: *axis,
    };
    joint.marks = merge_strong(&joint.finder(settings), joint.reach());
    let is_echoing = joint.leave_out_predicted() || reflects_inside(a) || reflects_inside(b);
    joint.marks = {
        let finder = joint.finder(settings);
        let mut marks = joint.marks.clone();
        joint.add_own([a, b], is_echoing, &finder, &mut marks);
        finder.prune(&mut marks);
        // Only a look through both together shows weaker echoes, which would bend the lines drawn
        // across them, and the place of a known joint that neither shows by itself.
        if is_echoing || fixed.iter().any(|f| f.nearest(&finder, &marks).is_none()) {
            marks = finder.glance(marks);
        }
        add_fixed(&finder, &mut marks, fixed);
        marks
    };
    let mut refuted = Vec::new();
    joint.settle_echoes(settings, &mut refuted);
    if joint.leave_out_predicted() {
        joint.find_again(settings);
    }
    joint.axis = again(&joint.matched(settings));
    joint.placing[1] = placing_of_b(&joint.eye_b, &joint.axis);
    joint.relinearise(settings);
    joint.marks = {
        let finder = joint.finder(settings);
        let mut marks = merge_strong(&finder, joint.reach());
        marks.retain(|m| !joint.is_echo(m));
        // What stays of the first look: all but the strong peaks, which are merged anew.
        let same = joint.reach() + 2.0 / joint.placing[0].1;
        let merged = |m: &Mark| marks.iter().any(|n| (n.z_m - m.z_m).abs() <= same);
        let kept: Vec<Mark> = (joint.marks.iter())
            .filter(|m| !m.strong || !merged(m))
            .cloned()
            .collect();
        marks.extend(kept);
        marks.iter_mut().for_each(Mark::forget);
        add_fixed(&finder, &mut marks, fixed);
        finder.find(marks)
    };
    joint.settle_echoes(settings, &mut refuted);
    joint.keep_what_shows(settings);
    joint.part_close(settings);
    joint
}

/// Whether a trace by itself shows a reflection between the link's ends, which may be an echo.
fn reflects_inside(look: &Look) -> bool {
    let pulse_m = look.eye.pulse_samples * look.eye.spacing_m;
    let from_m = look.near.own_m + pulse_m;
    let to_m = look.far.map_or(f64::INFINITY, |far| far.own_m - pulse_m);
    let mut reflections = look.marks.iter().filter(|m| m.strong || m.reflective[0]);
    reflections.any(|m| m.z_m > from_m && m.z_m < to_m)
}

/// Sample of B's eye at A's zero, and its samples per metre of A's axis.
fn placing_of_b(eye: &Eye, axis: &Axis) -> (f64, f64) {
    (
        eye.index(axis.offset_m / axis.scale),
        -1.0 / (eye.spacing_m * axis.scale),
    )
}

/// Standard errors of a step in either direction from which its place in that
/// direction alone is told: below, noise makes places of its own.
const PLACED: f64 = 7.0;

impl Joint {
    /// How far two places of the two views may lie apart and be the same.
    pub(super) fn reach(&self) -> f64 {
        4.0 * self.axis.error(self.eye_b.metres(self.eye_b.len() as f64))
    }

    /// Adds what each trace shows by itself: the search goes on from there. Of what both show,
    /// that of the clearer one is taken; in a link that `is_echoing` nothing else is.
    fn add_own(
        &self,
        looks: [&Look; 2],
        is_echoing: bool,
        finder: &Finder<'_>,
        marks: &mut Vec<Mark>,
    ) {
        let views = self.views();
        let hidden = views.iter().map(|view| {
            let samples = view.eye.hidden_samples() as f64 + 1.0;
            samples / view.per_metre.abs()
        });
        let apart_m = hidden.fold(self.reach(), f64::max);
        let weight = |v: usize, z_m: f64| {
            let at = views[v].index(z_m).max(0.0) as usize;
            views[v].eye.weight.get(at).copied().unwrap_or(0.0)
        };
        let own = |v: usize| {
            let marks = looks[v].marks.iter().filter(|mark| !mark.strong);
            marks.map(move |own| (v, views[v].place(looks[v].eye.index(own.z_m)), own))
        };
        let is_clearer = |v: usize, z_m: f64| weight(v, z_m) >= weight(1 - v, z_m);
        let own = own(0).chain(own(1));
        let (clearer, mut others): (Vec<_>, Vec<_>) =
            own.partition(|(v, z_m, _)| is_clearer(*v, *z_m));
        // Where one may be an echo, the clearer trace must show it.
        if is_echoing {
            others.clear();
        }
        for (_, z_m, own) in clearer.into_iter().chain(others) {
            if marks.iter().all(|m| (m.z_m - z_m).abs() > apart_m) {
                marks.push(finder.mark(z_m, own.std_error_m));
            }
        }
        marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
    }

    /// Linearises both traces about the lines between the marks.
    fn relinearise(&mut self, settings: DetectSettings) {
        let spans = [0, 1].map(|v| self.sections(settings, v));
        self.eye_a.relinearise(&spans[0]);
        self.eye_b.relinearise(&spans[1]);
    }

    /// The plain fibre between the marks in one view, in its own travel.
    fn sections(&self, settings: DetectSettings, v: usize) -> Vec<Span> {
        let finder = self.finder(settings);
        let mut spans: Vec<Span> = (0..=self.marks.len())
            .map(|k| {
                let before = k.checked_sub(1).map(|i| &self.marks[i]);
                finder.spans(before, self.marks.get(k))[v]
            })
            .filter(|s| s.hi > s.lo)
            .collect();
        spans.sort_by_key(|s| s.lo);
        spans
    }

    /// Every event that each view can place by itself: on A's axis by A, and in metres
    /// from B's port by B.
    fn matched(&self, settings: DetectSettings) -> Vec<Matched> {
        let finder = self.finder(settings);
        let views = self.views();
        (0..self.marks.len())
            .filter_map(|i| {
                let mark = &self.marks[i];
                let places = if mark.strong {
                    [0, 1].map(|v| Bracket::in_view(&views[v], mark, v))
                } else {
                    let before = i.checked_sub(1).map(|k| &self.marks[k]);
                    let spans = finder.spans(before, self.marks.get(i + 1));
                    [0, 1].map(|v| self.alone(mark, &views, &spans, v))
                };
                let [(z_m, u), (on_a, v)] = [places[0]?, places[1]?];
                Some(Matched {
                    z_m,
                    x_m: self.eye_b.metres(views[1].index(on_a)),
                    variance: u * u + v * v,
                })
            })
            .collect()
    }

    /// Place of a mark by one view alone, and its standard error.
    fn alone(
        &self,
        mark: &Mark,
        views: &[View<'_>],
        spans: &[Span],
        v: usize,
    ) -> Option<(f64, f64)> {
        let significant = mark.significance[v]?.abs() >= PLACED || mark.reflective[v];
        if !significant {
            return None;
        }
        let error = mark.std_error_m.filter(|e| e.is_finite())?;
        let reach = self.reach() + 4.0 * error;
        let [step, peak] = Stretch::new(&views[v..=v], &spans[v..=v])
            .locate(mark.z_m - reach, mark.z_m + reach)?;
        let place = if mark.reflective[v] { peak } else { step };
        // At the end of the search it is not a place but where the search ended.
        let inside = (place.z_m - mark.z_m).abs() < 0.95 * reach;
        (inside && place.std_error_m.is_finite()).then_some((place.z_m, place.std_error_m))
    }
}

/// Adds marks at places known from elsewhere where none is near.
fn add_fixed(finder: &Finder<'_>, marks: &mut Vec<Mark>, fixed: &[Fixed]) {
    for joint in fixed {
        if let Some(at) = joint.nearest(finder, marks) {
            // It is the known joint, and stays however little it stands out later.
            marks[at].strong = true;
            continue;
        }
        let mut mark = finder.mark(joint.place_m, None);
        mark.strong = true;
        marks.push(mark);
    }
    marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
}

impl Fixed {
    /// The mark that is this joint's, where one is near.
    fn nearest(&self, finder: &Finder<'_>, marks: &[Mark]) -> Option<usize> {
        let spacing = 1.0 / finder.views[0].per_metre.abs();
        let pulse_m = finder.views[0].eye.pulse_samples * spacing;
        let off_m = |m: &Mark| (m.z_m - self.place_m).abs();
        let marks = marks.iter().enumerate();
        let near = marks.filter(|(_, m)| off_m(m) < (pulse_m + spacing).max(self.reach_m));
        let nearest = near.min_by(|p, q| off_m(p.1).total_cmp(&off_m(q.1)));
        nearest.map(|(at, _)| at)
    }
}
