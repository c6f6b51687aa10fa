//! Events, sections and totals of a link from its readings.

use crate::detect::{Finder, Mark};
use crate::measure::{
    Section, Side, attenuation, half_difference, return_loss, side_line, two_way,
};
use crate::units::{
    Attenuation, Length, Loss, Measured, Measurement, NotMeasured, Position, ReturnLoss,
};

use super::combine::{Pair, direction};
use super::doubts::warn_of_result;
use super::joint::Joint;
use super::link::{Direction, Event, EventKind, KindFrom, Link, SeenFrom, Verdict};
use super::readings::{Cluster, Readings, around};
use super::register::{Axis, describe};
use super::workmanship::workmanship;

/// Standard errors from which a direction counts as having seen an event: one
/// place in a thousand would show as much by chance.
const SEEN: f64 = 3.3;

/// Standard errors below zero from which a mean gain is called a doubt.
const GAIN_DOUBT: f64 = 2.0;

/// What the notes of an event with a two-way gain say.
pub const GAIN_NOTE: &str = "a two-way gain: noise, or a mistake in one of the readings";

/// What the parts of a link have in common while it is put together.
pub(super) struct Parts<'p, 't> {
    pub(super) pair: &'p Pair<'t>,
    pub(super) axis: &'p Axis,
    pub(super) joint: &'p Joint,
    pub(super) finder: &'p Finder<'p>,
    pub(super) clusters: &'p [Cluster],
    pub(super) ranges: Vec<std::ops::Range<usize>>,
    /// Place of the first connector on the joint's axis; everything is counted from it.
    pub(super) zero_m: f64,
    pub(super) length_m: f64,
    pub(super) zero_error: Option<f64>,
    pub(super) end_error: Option<f64>,
    pub(super) first: Option<usize>,
    pub(super) last: Option<usize>,
}

/// Builds the link.
pub(super) fn build_link(
    pair: &Pair<'_>,
    joint: &Joint,
    finder: &Finder<'_>,
    readings: &Readings,
    length_m: f64,
) -> Link {
    let axis = &joint.axis;
    let clusters = &readings.clusters;
    let spacing = pair.look_a.eye.spacing_m;
    let pulse_m = pair.look_a.eye.pulse_samples * spacing;
    let nearest = |z_m: f64, wanted: bool| -> Option<usize> {
        clusters
            .iter()
            .enumerate()
            .filter(|_| wanted)
            .filter(|(_, c)| {
                joint.marks[c.marks.clone()]
                    .iter()
                    .any(|m| (m.z_m - z_m).abs() <= pulse_m + spacing)
            })
            .min_by(|(_, p), (_, q)| {
                let d = |c: &Cluster| {
                    joint.marks[c.marks.clone()]
                        .iter()
                        .map(|m| (m.z_m - z_m).abs())
                        .fold(f64::INFINITY, f64::min)
                };
                d(p).total_cmp(&d(q))
            })
            .map(|(k, _)| k)
    };
    let first = nearest(0.0, pair.look_a.near.has_cord);
    let last = nearest(length_m, pair.look_b.near.has_cord);
    let mark_near = |k: Option<usize>, z_m: f64| -> Option<&Mark> {
        joint.marks[clusters[k?].marks.clone()]
            .iter()
            .min_by(|p, q| (p.z_m - z_m).abs().total_cmp(&(q.z_m - z_m).abs()))
    };
    let zero_m = mark_near(first, 0.0).map_or(0.0, |m| m.z_m);
    let end_m = mark_near(last, length_m).map_or(length_m, |m| m.z_m);
    let finite = |e: Option<f64>| e.filter(|e| e.is_finite());
    let zero_error =
        finite(mark_near(first, 0.0).map_or(pair.look_a.near.std_error_m, |m| m.std_error_m));
    let end_error = finite(match mark_near(last, length_m) {
        Some(mark) => mark.std_error_m,
        None => pair.look_a.far.map_or_else(
            || Some(axis.error(pair.look_b.near.own_m)),
            |far| far.std_error_m,
        ),
    });
    let parts = Parts {
        pair,
        axis,
        joint,
        finder,
        clusters,
        ranges: clusters.iter().map(|c| c.marks.clone()).collect(),
        zero_m,
        length_m: end_m,
        zero_error,
        end_error,
        first,
        last,
    };
    let events = parts.events();
    let sections = parts.sections();
    let slope_change = sections
        .windows(2)
        .map(|s| {
            (s[0].attenuation.value.db_per_km() - s[1].attenuation.value.db_per_km()).abs() / 1000.0
        })
        .fold(0.0, f64::max);
    let usable = |v: usize| {
        let view = joint.views()[v];
        let hi = joint.bounds[v].hi.min(view.eye.usable_end);
        Position::from_m(view.place(hi as f64) - zero_m)
    };
    let views = joint.views();
    let shared = [0, 1].map(|v| readings.slopes[v]?.attenuation(&views[v]));
    let port = |z_m: f64| Position::from_m(z_m - zero_m);
    let mut warnings = pair.warnings.clone();
    warn_of_result(&parts, &events, &sections, &mut warnings);
    let header = |f: fn(&crate::trace::Header) -> &Option<String>| {
        f(pair.a.header())
            .clone()
            .or_else(|| f(pair.b.header()).clone())
    };
    let ends =
        |mine: &Option<String>, other: &Option<String>| mine.clone().or_else(|| other.clone());
    let (ha, hb) = (pair.a.header(), pair.b.header());
    Link {
        cable: header(|h| &h.cable),
        fibre: header(|h| &h.fibre),
        from: ends(&ha.from, &hb.to),
        to: ends(&ha.to, &hb.from),
        wavelength: pair.a.wavelength(),
        length: parts.length(),
        loss: parts.total(),
        attenuation: mean_attenuation(&sections),
        orl_a: parts.orl(0),
        orl_b: parts.orl(1),
        verdict: Verdict::NotJudged,
        events,
        sections,
        registration: Some(describe(axis, zero_m, end_m, slope_change)),
        a: Direction {
            shared_attenuation: shared[0],
            ..direction(pair, true, port(-pair.look_a.near.own_m), usable(0))
        },
        b: Direction {
            shared_attenuation: shared[1],
            ..direction(pair, false, port(axis.offset_m), usable(1))
        },
        false_events_per_1000_km: pair.settings.detect.false_events_per_1000_km,
        warnings,
    }
}

impl Parts<'_, '_> {
    fn place(&self, z_m: f64) -> Position {
        Position::from_m(z_m - self.zero_m)
    }

    fn length(&self) -> Measurement<Length> {
        let length_m = self.length_m - self.zero_m;
        if length_m <= 0.0 {
            return Err(NotMeasured::because(
                "the two traces do not show the link's ends",
            ));
        }
        Ok(Measured {
            value: Length::from_m(length_m),
            std_error: self
                .zero_error
                .zip(self.end_error)
                .map(|(u, v)| Length::from_m(u.hypot(v))),
        })
    }

    /// Clusters that belong to the link: first connector to last.
    fn inside(&self) -> impl Iterator<Item = usize> + '_ {
        let slack = 0.5 * self.pair.look_a.eye.spacing_m;
        (0..self.clusters.len()).filter(move |&k| {
            Some(k) == self.first
                || Some(k) == self.last
                || self.joint.marks[self.clusters[k].marks.clone()]
                    .iter()
                    .all(|m| m.z_m > self.zero_m + slack && m.z_m < self.length_m - slack)
        })
    }

    fn events(&self) -> Vec<Event> {
        let mut events: Vec<Event> = self.inside().map(|k| self.event(k)).collect();
        if self.first.is_none() {
            events.insert(0, Self::unseen_end(0.0, "A"));
        }
        if self.last.is_none() {
            events.push(Self::unseen_end(self.length_m - self.zero_m, "B"));
        }
        for echo in &self.joint.echoes {
            events.push(self.echo(echo));
        }
        events.sort_by(|p, q| p.position.value.m().total_cmp(&q.position.value.m()));
        for (i, event) in events.iter_mut().enumerate() {
            event.number = i + 1;
        }
        events
    }

    fn event(&self, k: usize) -> Event {
        let cluster = &self.clusters[k];
        let marks = &self.joint.marks[cluster.marks.clone()];
        let is_end = Some(k) == self.first || Some(k) == self.last;
        let reflective = marks.iter().any(|m| m.reflective.iter().any(|r| *r));
        let kind = if marks.len() > 1 {
            EventKind::Group
        } else if reflective || is_end {
            EventKind::Connector
        } else {
            EventKind::Splice
        };
        let read = |v: usize| -> Measurement<Loss> {
            cluster.readings[v]
                .as_ref()
                .map(|r| r.loss)
                .map_err(Clone::clone)
        };
        let (loss_a_to_b, loss_b_to_a) = (read(0), read(1));
        let loss = two_way(&loss_a_to_b, &loss_b_to_a);
        let backscatter_step = half_difference(&loss_a_to_b, &loss_b_to_a);
        let mark_error = marks[0]
            .std_error_m
            .filter(|e| e.is_finite())
            .map(|e| e.hypot(self.axis_error(&marks[0])));
        let position_error = if Some(k) == self.first {
            mark_error
        } else {
            mark_error.zip(self.zero_error).map(|(e, z)| e.hypot(z))
        };
        let name = self.joint_name(marks);
        let mut notes = Vec::new();
        for (v, end) in [(0, "A"), (1, "B")] {
            if let Ok(reading) = &cluster.readings[v] {
                if reading.before.shortened || reading.after.shortened {
                    notes.push(format!(
                        "from {end}: the fibre beside it is not straight; shorter lines were used"
                    ));
                }
                if reading.before.slope_known || reading.after.slope_known {
                    notes.push(format!(
                        "from {end}: too little fibre beside it for a slope of its own; the link's usual slope was taken"
                    ));
                }
            }
        }
        if let Ok(Measured {
            value,
            std_error: Some(u),
        }) = &loss
            && value.db() < -GAIN_DOUBT * u.db()
        {
            notes.push(GAIN_NOTE.to_owned());
        }
        let seen = |v: usize| {
            marks
                .iter()
                .any(|m| m.reflective[v] || m.significance[v].is_some_and(|s| s.abs() >= SEEN))
                || cluster.readings[v].as_ref().is_ok_and(|r| {
                    r.loss
                        .std_error
                        .is_some_and(|u| r.loss.value.db().abs() >= SEEN * u.db())
                })
        };
        let seen_from = match (seen(0), seen(1)) {
            (true, false) => SeenFrom::A,
            (false, true) => SeenFrom::B,
            (true, true) => SeenFrom::Both,
            (false, false) => {
                if is_end || name.is_some() || !marks[0].significance.iter().any(Option::is_some) {
                    notes.push("shows in neither trace; measured at its known place".to_owned());
                    SeenFrom::Neither
                } else {
                    // The two directions together show it, neither does alone.
                    SeenFrom::Both
                }
            }
        };
        let work = workmanship(&loss, &backscatter_step);
        let shift = |range: Option<(Position, Position)>| {
            range.map(|(p, q)| (self.place(p.m()), self.place(q.m())))
        };
        Event {
            number: 0,
            kind,
            position: Measured {
                value: self.place(marks[0].z_m),
                std_error: position_error.map(Length::from_m),
            },
            end: (marks.len() > 1).then(|| self.place(marks[marks.len() - 1].z_m)),
            position_from_b: None,
            reflective,
            kind_from: if name.is_some() {
                KindFrom::Plan
            } else {
                KindFrom::Trace
            },
            loss,
            loss_a_to_b,
            loss_b_to_a,
            backscatter_step,
            reflectance_a: cluster.reflectance[0],
            reflectance_b: cluster.reflectance[1],
            seen_from,
            joint: name,
            echo_of: None,
            workmanship: work,
            dead_zone_a: shift(cluster.hidden[0]),
            dead_zone_b: shift(cluster.hidden[1]),
            verdict: Verdict::NotJudged,
            limit: None,
            conformance: None,
            notes,
        }
    }

    /// Error that B's axis brings into the place of an event: as much of it as B has
    /// in the place, by the squares of the two significances.
    fn axis_error(&self, mark: &Mark) -> f64 {
        let square = |v: usize| mark.significance[v].map_or(0.0, |s| s * s);
        let (a, b) = (square(0), square(1));
        let share = if a + b > 0.0 { b / (a + b) } else { 0.5 };
        share * self.axis.error(self.axis.from_b(mark.z_m))
    }

    /// Name of the plan's joint at these marks, if one is within a pulse.
    fn joint_name(&self, marks: &[Mark]) -> Option<String> {
        let pulse_m = (self.pair.look_a.eye.pulse_samples + 1.0) * self.pair.look_a.eye.spacing_m;
        self.pair
            .settings
            .known_joints
            .iter()
            .filter(|j| {
                marks
                    .iter()
                    .any(|m| (m.z_m - j.position.m()).abs() < pulse_m)
            })
            .map(|j| j.name.clone())
            .reduce(|x, y| format!("{x}, {y}"))
    }

    fn unseen_end(z_m: f64, end: &str) -> Event {
        let why =
            format!("no cord at {end}: the level on the far side of the connector cannot be seen");
        bare_event(
            EventKind::Connector,
            Position::from_m(z_m),
            &NotMeasured::because(why),
            SeenFrom::Neither,
        )
    }

    fn echo(&self, echo: &super::echo::Echo) -> Event {
        let seen = if echo.view == 0 {
            SeenFrom::A
        } else {
            SeenFrom::B
        };
        let mut event = bare_event(
            EventKind::Echo,
            self.place(echo.z_m),
            &NotMeasured::because(
                "an echo: reflections elsewhere make it, it has no loss of its own",
            ),
            seen,
        );
        event.reflective = true;
        event.echo_of = Some((self.place(echo.made_by.0), self.place(echo.made_by.1)));
        event
    }

    fn sections(&self) -> Vec<Section> {
        let views = self.joint.views();
        let inside: Vec<usize> = self.inside().collect();
        let mut bounds: Vec<(Option<usize>, f64)> = inside
            .iter()
            .map(|&k| {
                let marks = &self.joint.marks[self.clusters[k].marks.clone()];
                (Some(k), marks[marks.len() - 1].z_m)
            })
            .collect();
        if self.first.is_none() {
            bounds.insert(0, (None, self.zero_m));
        }
        if self.last.is_none() {
            bounds.push((None, self.length_m));
        }
        bounds
            .windows(2)
            .filter_map(|pair| {
                let (p, q) = (pair[0], pair[1]);
                let span = |v: usize| {
                    let mark_of = |k: Option<usize>, upper: bool| {
                        let marks = &self.ranges[k?];
                        self.joint
                            .marks
                            .get(if upper { marks.end - 1 } else { marks.start })
                    };
                    self.finder.spans(mark_of(p.0, true), mark_of(q.0, false))[v]
                };
                let read = [0, 1].map(|v| attenuation(&views[v], span(v)));
                let start =
                    q.0.map_or(q.1, |k| self.joint.marks[self.clusters[k].marks.start].z_m);
                mean_of(read).map(|attenuation| Section {
                    from: self.place(p.1),
                    to: self.place(start),
                    attenuation,
                })
            })
            .collect()
    }

    /// Two-way loss from before the first connector to after the last.
    fn total(&self) -> Measurement<Loss> {
        let (Some(first), Some(last)) = (self.first, self.last) else {
            return Err(NotMeasured::because(
                "one of the end connectors cannot be measured without a cord",
            ));
        };
        let views = self.joint.views();
        let one = |v: usize| -> Measurement<Loss> {
            let view = &views[v];
            let eye = view.eye;
            let (near, far) = if view.is_forward() {
                (first, last)
            } else {
                (last, first)
            };
            let before = around(self.finder, &self.joint.marks, &self.ranges, near, v).0;
            let after = around(self.finder, &self.joint.marks, &self.ranges, far, v).1;
            let edge = |k: usize, side: Side| {
                let marks = &self.joint.marks[self.ranges[k].clone()];
                let x = view.index(match (side, view.is_forward()) {
                    (Side::Before, true) | (Side::After, false) => marks[0].z_m,
                    _ => marks[marks.len() - 1].z_m,
                });
                x + eye.response.middle()
            };
            let (Some(p), Some(q)) = (
                side_line(eye, before, Side::Before, None),
                side_line(eye, after, Side::After, None),
            ) else {
                return Err(NotMeasured::because(
                    "the level beyond an end connector cannot be measured",
                ));
            };
            let (x, y) = (edge(near, Side::Before), edge(far, Side::After));
            let loss = p.line.at(x) - q.line.at(y) - eye.trend.1 * (y - x);
            let variance = p.line.variance_at(x) + q.line.variance_at(y);
            Ok(Measured {
                value: Loss::from_db(loss),
                std_error: Some(Loss::from_db(variance.sqrt())),
            })
        };
        two_way(&one(0), &one(1))
    }

    pub(super) fn orl(&self, v: usize) -> Option<ReturnLoss> {
        let views = self.joint.views();
        let view = &views[v];
        let eye = view.eye;
        let (near, far) = if view.is_forward() {
            (self.first?, self.last?)
        } else {
            (self.last?, self.first?)
        };
        let before = around(self.finder, &self.joint.marks, &self.ranges, near, v).0;
        let line = eye.sums.line(before.lo, before.hi)?;
        let near_block = self.joint.marks[self.ranges[near].clone()]
            .iter()
            .filter_map(|m| m.blocks[v])
            .map(|b| b.0)
            .min()?;
        let far_block = self.joint.marks[self.ranges[far].clone()]
            .iter()
            .filter_map(|m| m.blocks[v])
            .map(|b| b.1)
            .max()?;
        let x = near_block as f64;
        let db = line.at(x) + eye.trend.0 + eye.trend.1 * x;
        let reference = 10f64.powf(db / 5.0);
        let trace = if v == 0 { self.pair.a } else { self.pair.b };
        return_loss(
            trace,
            eye,
            near_block + 1,
            far_block,
            reference,
            self.pair.backscatter[v].0,
        )
    }
}

/// An event of which nothing is measured, for one reason.
pub(super) fn bare_event(
    kind: EventKind,
    position: Position,
    why: &NotMeasured,
    seen_from: SeenFrom,
) -> Event {
    Event {
        number: 0,
        kind,
        position: Measured {
            value: position,
            std_error: None,
        },
        end: None,
        position_from_b: None,
        reflective: false,
        kind_from: KindFrom::Trace,
        loss: Err(why.clone()),
        loss_a_to_b: Err(why.clone()),
        loss_b_to_a: Err(why.clone()),
        backscatter_step: Err(why.clone()),
        reflectance_a: None,
        reflectance_b: None,
        seen_from,
        joint: None,
        echo_of: None,
        workmanship: Err(why.clone()),
        dead_zone_a: None,
        dead_zone_b: None,
        verdict: Verdict::NotJudged,
        limit: None,
        conformance: None,
        notes: Vec::new(),
    }
}

fn mean_of(read: [Option<Measured<Attenuation>>; 2]) -> Option<Measured<Attenuation>> {
    match read {
        [Some(a), Some(b)] => Some(Measured {
            value: Attenuation::from_db_per_km(f64::midpoint(
                a.value.db_per_km(),
                b.value.db_per_km(),
            )),
            std_error: a.std_error.zip(b.std_error).map(|(u, v)| {
                Attenuation::from_db_per_km(0.5 * u.db_per_km().hypot(v.db_per_km()))
            }),
        }),
        // One direction alone also holds the fibre's own change of backscatter.
        _ => None,
    }
}

pub(super) fn mean_attenuation(sections: &[Section]) -> Option<Attenuation> {
    let total: f64 = sections.iter().map(|s| (s.to - s.from).m()).sum();
    (total > 0.0).then(|| {
        Attenuation::from_db_per_km(
            sections
                .iter()
                .map(|s| s.attenuation.value.db_per_km() * (s.to - s.from).m())
                .sum::<f64>()
                / total,
        )
    })
}
