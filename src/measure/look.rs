//! One trace looked through by itself: its events, and where the link lies in it.

use crate::detect::{
    DetectSettings, End, Expected, Eye, Finder, Mark, Span, Stretch, View, answers_behind,
    find_end, spikes,
};
use crate::trace::Trace;
use crate::units::Length;

/// How far the first or last connector may lie from where the stated cord puts it,
/// as a share of the cord: cords are sold by nominal length and wound with a spare.
pub(crate) const CORD_TOLERANCE: f64 = 0.05;

/// Samples over which the noise of the trace is told: enough for a tenth of its value.
const NOISE_SAMPLES: usize = 64;

/// Where the link begins or ends in a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkEnd {
    /// Metres from the port.
    pub own_m: f64,
    /// Standard error, metres; `None` when the place is only stated.
    pub std_error_m: Option<f64>,
    /// Whether a cord lies beyond it, so that a line can be drawn on both sides.
    pub has_cord: bool,
    /// Whether it is only a reflection that stands out of the noise.
    pub in_noise: bool,
}

/// One trace looked through by itself.
#[derive(Debug, Clone)]
pub struct Look {
    /// The prepared trace.
    pub eye: Eye,
    /// How its light ends.
    pub end: End,
    /// Usable samples between the port's dead zone and the end.
    pub bound: Span,
    /// Events on the trace's own metres from the port.
    pub marks: Vec<Mark>,
    /// Near end of the link.
    pub near: LinkEnd,
    /// Far end of the link, where it could be seen.
    pub far: Option<LinkEnd>,
    /// Cords at the instrument and at the far end, metres; 0 for none.
    cords_m: [f64; 2],
    /// Whether only what stands far from its neighbours was looked for.
    glanced: bool,
    /// Noise at the link's beginning and height above it at the last place, where the levels
    /// that tell them were given away.
    noise_db: Option<[f64; 2]>,
}

/// A joint that other fibres of the cable have, in shares of the link's length from the end that
/// a trace was taken at; a place to look at first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExpectedJoint {
    /// Where it is.
    pub share: f64,
    /// By how much single fibres scatter about it, one standard deviation: with it the errors of
    /// this trace's own ends, which are far less.
    pub error: f64,
}

impl ExpectedJoint {
    /// The joints as the other end counts them, in its order.
    pub(crate) fn turned(joints: &[Self]) -> Vec<Self> {
        let turned = |joint: &Self| Self {
            share: 1.0 - joint.share,
            ..*joint
        };
        joints.iter().rev().map(turned).collect()
    }
}

/// Looks through a trace.
///
/// `launch` and `tail` are the cords at the instrument and at the far end; zero
/// means none, `None` unknown (then the link is counted from the port to the end
/// of the light, and the caller says so).
pub fn look(
    trace: &Trace,
    launch: Option<Length>,
    tail: Option<Length>,
    settings: DetectSettings,
) -> Look {
    Look::of(trace, [launch, tail], settings, None)
}

/// Looks through a trace as [`look`] does, but only for what stands far from its
/// neighbours: enough where another trace tells the rest. Where a cord's end is no strong
/// reflection, it looks more closely. `joints` are looked at first where the trace shows both ends
/// of the link: those that stand out there need not be looked for.
pub fn glance(
    trace: &Trace,
    launch: Option<Length>,
    tail: Option<Length>,
    settings: DetectSettings,
    joints: &[ExpectedJoint],
) -> Look {
    let mut look = Look::of(trace, [launch, tail], settings, Some(joints));
    let is_clear = |end: &LinkEnd| {
        let is_strong = |m: &Mark| m.strong && (m.z_m - end.own_m).abs() <= look.eye.spacing_m;
        !end.has_cord || end.in_noise || look.marks.iter().any(is_strong)
    };
    if !(is_clear(&look.near) && look.far.iter().all(is_clear)) {
        look.closer(settings);
    }
    look
}

impl Look {
    /// Looks through a trace, at a glance beginning with the joints, or as a whole without them.
    fn of(
        trace: &Trace,
        cords: [Option<Length>; 2],
        settings: DetectSettings,
        joints: Option<&[ExpectedJoint]>,
    ) -> Self {
        let mut eye = Eye::new(trace);
        let cords_m = cords.map(|cord| cord.map_or(0.0, Length::m));
        let own_marks = |eye: &Eye, end: End, bound: Span| {
            let finder = Finder::new(vec![View::own(eye)], vec![bound], settings);
            let known = strong_marks(&finder);
            let Some(joints) = joints else {
                return finder.find(known);
            };
            let expected = expected(&finder, end, &known, cords_m, joints);
            if expected.is_empty() {
                return finder.glance(known);
            }
            finder.glance_beside(finder.add_expected(known, &expected), &expected)
        };
        let (mut end, mut bound) = lit(&eye);
        let mut marks = own_marks(&eye, end, bound);
        let by_steps = {
            let finder = Finder::new(vec![View::own(&eye)], vec![bound], settings);
            eye.with_response_of(&finder, &marks)
        };
        if let Some(seen) = by_steps {
            eye = seen;
            (end, bound) = lit(&eye);
            marks = own_marks(&eye, end, bound);
        }
        let (near, far) = {
            let finder = Finder::new(vec![View::own(&eye)], vec![bound], settings);
            ends(&finder, end, &marks, cords_m)
        };
        Self {
            eye,
            end,
            bound,
            marks,
            near,
            far,
            cords_m,
            glanced: joints.is_some(),
            noise_db: None,
        }
    }

    /// Looks for everything that the trace shows, after a glance; the receiver stays the one
    /// that was told then.
    pub fn closer(&mut self, settings: DetectSettings) {
        let finder = Finder::new(vec![View::own(&self.eye)], vec![self.bound], settings);
        if self.glanced {
            self.marks = finder.find(strong_marks(&finder));
            self.glanced = false;
        }
        (self.near, self.far) = ends(&finder, self.end, &self.marks, self.cords_m);
    }
}

/// Where the joints are expected in a trace that shows both ends of the link.
fn expected(
    finder: &Finder<'_>,
    end: End,
    strong: &[Mark],
    cords_m: [f64; 2],
    joints: &[ExpectedJoint],
) -> Vec<Expected> {
    if joints.is_empty() {
        return Vec::new();
    }
    let (near, Some(far)) = ends(finder, end, strong, cords_m) else {
        return Vec::new();
    };
    let length_m = far.own_m - near.own_m;
    let is_seen = near.std_error_m.is_some() && far.std_error_m.is_some() && length_m > 0.0;
    let joints = joints.iter().filter(|_| is_seen);
    let place = |joint: &ExpectedJoint| Expected {
        z_m: near.own_m + joint.share * length_m,
        error_m: joint.error * length_m,
    };
    joints.map(place).collect()
}

/// Where the link begins and ends between cords of so many metres.
fn ends(
    finder: &Finder<'_>,
    end: End,
    marks: &[Mark],
    [launch_m, tail_m]: [f64; 2],
) -> (LinkEnd, Option<LinkEnd>) {
    let eye = finder.views[0].eye;
    let near = if launch_m > 0.0 {
        cord_end(finder, marks, launch_m, launch_m)
    } else {
        LinkEnd {
            own_m: 0.0,
            // The port is the zero of the axis.
            std_error_m: Some(eye.spacing_m / 12.0_f64.sqrt()),
            has_cord: false,
            in_noise: false,
        }
    };
    let far = match end {
        End::Drop { edge, error, .. } => {
            let end_m = eye.metres(edge);
            Some(if tail_m > 0.0 {
                cord_end(finder, marks, end_m - tail_m, tail_m)
            } else {
                LinkEnd {
                    own_m: end_m,
                    std_error_m: Some(eye.spacing_m * error),
                    has_cord: false,
                    in_noise: false,
                }
            })
        }
        End::Faded { .. } => far_in_noise(eye, marks, tail_m),
        End::BeyondRange => None,
    };
    (near, far)
}

/// How the light ends, and the usable samples before.
fn lit(eye: &Eye) -> (End, Span) {
    let end = find_end(eye);
    let lo = eye.peaks.first().map_or(0, |port| port.settled);
    let hi = end.limit(eye.len()).min(eye.usable_end.max(lo)).max(lo);
    (end, Span { lo, hi })
}

/// Marks of the strong peaks of a single view.
fn strong_marks(finder: &Finder<'_>) -> Vec<Mark> {
    let (view, bound) = (finder.views[0], finder.bounds[0]);
    view.eye
        .peaks
        .iter()
        .skip(1)
        .filter(|peak| peak.edge >= bound.lo && peak.edge + 2 < bound.hi)
        .map(|peak| {
            let (index, error) = peak.leading_edge(&view.eye.response);
            let mut mark = finder.mark(view.place(index), Some(view.eye.spacing_m * error));
            mark.blocks[0] = Some((peak.edge, peak.settled));
            mark.reflective[0] = true;
            mark.strong = true;
            mark
        })
        .collect()
}

/// The link's far end where only its reflections stand out of the noise: the
/// strongest pair of them that lies a tail cord apart, with nothing behind the second.
fn far_in_noise(eye: &Eye, marks: &[Mark], tail_m: f64) -> Option<LinkEnd> {
    if tail_m <= 0.0 {
        return None;
    }
    let mut seen = spikes(eye);
    // The connector before the cord may still stand in the light.
    let rms = eye.noise.floor().max(f64::MIN_POSITIVE);
    let height = |edge: usize| eye.power.value.get(edge + 1).copied().unwrap_or(0.0) / rms;
    let strong = eye.peaks.iter().skip(1);
    seen.extend(strong.map(|peak| (peak.edge as f64 + 0.5, height(peak.edge))));
    let weak = marks.iter().filter(|m| !m.strong && m.reflective[0]);
    seen.extend(weak.map(|m| (eye.index(m.z_m), height(eye.index(m.z_m).max(0.0) as usize))));
    let tolerance = CORD_TOLERANCE * tail_m + 2.0 * eye.spacing_m;
    let apart = |x: f64, y: f64| ((y - x) * eye.spacing_m - tail_m).abs() <= tolerance;
    seen.iter()
        .flat_map(|near| seen.iter().map(move |far| (near, far)))
        .filter(|(near, far)| apart(near.0, far.0) && !answers_behind(eye, far.0))
        .max_by(|p, q| (p.0.1 + p.1.1).total_cmp(&(q.0.1 + q.1.1)))
        .map(|(near, _)| LinkEnd {
            own_m: eye.metres(near.0),
            std_error_m: Some(eye.spacing_m),
            has_cord: true,
            in_noise: true,
        })
}

/// The connector at the end of a cord: the nearest reflective event within the
/// tolerance, else the nearest event, else the stated place.
///
/// A connector reflects, if so little that only its step shows: its place is that of a step
/// with a peak, which is less sure than that of a step alone.
fn cord_end(finder: &Finder<'_>, marks: &[Mark], stated_m: f64, cord_m: f64) -> LinkEnd {
    let eye = finder.views[0].eye;
    let pulse_m = eye.pulse_samples * eye.spacing_m;
    let tolerance = CORD_TOLERANCE * cord_m + pulse_m;
    let near = |reflective: bool| {
        marks
            .iter()
            .filter(|m| !reflective || m.reflective.iter().any(|r| *r))
            .filter(|m| (m.z_m - stated_m).abs() <= tolerance)
            .min_by(|a, b| {
                (a.z_m - stated_m)
                    .abs()
                    .total_cmp(&(b.z_m - stated_m).abs())
            })
    };
    let as_connector = |mark: &Mark| {
        let i = marks.iter().position(|m| m == mark)?;
        let before = i.checked_sub(1).map(|k| &marks[k]);
        let spans = finder.spans(before, marks.get(i + 1));
        let (from, to) = (mark.z_m - pulse_m, mark.z_m + pulse_m);
        let [_, with_peak] = Stretch::new(&finder.views, &spans).locate(from, to)?;
        let is_placed = with_peak.z_m > from && with_peak.z_m < to;
        (is_placed && with_peak.std_error_m.is_finite())
            .then_some((with_peak.z_m, Some(with_peak.std_error_m)))
    };
    let as_found = |mark: &Mark| (mark.z_m, mark.std_error_m);
    let event = (near(true).map(as_found))
        .or_else(|| near(false).map(|mark| as_connector(mark).unwrap_or(as_found(mark))));
    match event {
        Some((own_m, std_error_m)) => LinkEnd {
            own_m,
            std_error_m: std_error_m.filter(|e| e.is_finite()),
            has_cord: true,
            in_noise: false,
        },
        None => LinkEnd {
            own_m: stated_m,
            std_error_m: None,
            has_cord: true,
            in_noise: false,
        },
    }
}

impl Look {
    /// Samples between event `i` − 1 and event `i`; the first and last stretch
    /// reach to the port's dead zone and to the end of the light.
    pub fn span_before(&self, i: usize) -> Span {
        let lo = i
            .checked_sub(1)
            .and_then(|k| self.marks.get(k)?.blocks[0])
            .map_or(self.bound.lo, |b| b.1);
        let hi = self
            .marks
            .get(i)
            .and_then(|m| m.blocks[0])
            .map_or(self.bound.hi, |b| b.0 + 1);
        Span { lo, hi: hi.max(lo) }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index below zero becomes 0, and one past the trace is cut by whoever takes samples"
    )]
    /// First index of the link, and one past the last whose backscatter can be measured.
    fn measurable(&self) -> (usize, usize) {
        let lo = (self.eye.index(self.near.own_m).max(0.0) as usize).max(self.bound.lo);
        (lo, self.bound.hi.min(self.eye.usable_end))
    }

    /// Last place from the port whose backscatter can be measured, metres.
    pub fn usable_to_m(&self) -> f64 {
        self.eye.metres(self.measurable().1 as f64)
    }

    /// Noise of one sample at the link's beginning, one-way dB; NaN without light there.
    pub fn noise_at_start_db(&self) -> f64 {
        if let Some([at_start_db, _]) = self.noise_db {
            return at_start_db;
        }
        let lo = self.measurable().0;
        let weights = self
            .eye
            .weight
            .get(lo..(lo + NOISE_SAMPLES).min(self.eye.len()))
            .unwrap_or_default();
        let count = weights.iter().filter(|w| **w > 0.0).count();
        (count as f64 / weights.iter().sum::<f64>()).sqrt()
    }

    /// How far the backscatter at the last measurable place stands above the rms
    /// noise, one-way dB; NaN where there is no noise or no light.
    pub fn above_noise_at_end_db(&self) -> f64 {
        if let Some([_, at_end_db]) = self.noise_db {
            return at_end_db;
        }
        let hi = self.measurable().1;
        let from = hi.saturating_sub(NOISE_SAMPLES).max(self.bound.lo);
        let floor = self.eye.noise.floor();
        match self.eye.sums.mean(from, hi) {
            Some((db, _)) if floor > 0.0 => {
                db + self.eye.trend.0 + self.eye.trend.1 * hi as f64 - 5.0 * floor.log10()
            }
            _ => f64::NAN,
        }
    }

    /// Gives the eye away with its levels; what is left tells where everything lies and how
    /// much noise there was.
    pub fn give_eye(&mut self) -> Eye {
        self.noise_db = Some([self.noise_at_start_db(), self.above_noise_at_end_db()]);
        self.eye.take()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::Header;
    use crate::units::{GroupIndex, PulseWidth, Wavelength};
    use ndarray::Array1;

    /// Closed form: 1 − share, the last first; shares of eighths are exact.
    #[test]
    fn joints_turned_twice_are_where_they_were() {
        let joint = |share, error| ExpectedJoint { share, error };
        let joints = [joint(0.25, 0.01), joint(0.375, 0.02)];
        let turned = ExpectedJoint::turned(&joints);
        assert_eq!(turned, [joint(0.625, 0.02), joint(0.75, 0.01)]);
        assert_eq!(ExpectedJoint::turned(&turned), joints);
    }

    /// The figures before; the levels are invented: fibre of 0.2 dB/km with a wobble for noise.
    #[test]
    fn a_look_that_gave_its_eye_away_still_tells_its_noise() {
        let levels = (0..2_000).map(|i| {
            let wobble = f64::from((i * 7919) % 1000) * 2e-6;
            -10.0 - 4e-4 * f64::from(i) + wobble
        });
        let header = Header {
            wavelength: Some(Wavelength::from_nm(1550.0)),
            pulse_width: Some(PulseWidth::from_ns(100.0)),
            group_index: Some(GroupIndex::from_ratio(1.468)),
            ..Header::default()
        };
        let distances = Array1::from_iter((0..2_000).map(|i| f64::from(i) * 2.0));
        let trace = Trace::new(header, distances, levels.collect()).unwrap();
        let mut look = look(&trace, None, None, DetectSettings::default());
        let bits = |look: &Look| {
            [look.noise_at_start_db(), look.above_noise_at_end_db()].map(f64::to_bits)
        };
        let before = bits(&look);
        assert!(look.noise_at_start_db() > 0.0);
        for _ in 0..2 {
            let _ = look.give_eye();
            assert_eq!(bits(&look), before);
        }
    }
}
