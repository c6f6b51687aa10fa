//! A broken fibre: each part reported from its own end, nothing averaged.

use crate::detect::{End, Mark, View};
use crate::measure::{
    KnownSlope, Look, ReflectanceReading, Section, Side, read_loss, read_peak, side_line,
};
use crate::trace::Trace;
use crate::units::{
    Attenuation, BackscatterCoefficient, Length, Loss, Measured, Measurement, NotMeasured, Position,
};
use crate::warning::Warning;

use super::build::bare_event;
use super::combine::{Pair, direction};
use super::link::{Event, EventKind, Link, Profiles, SeenFrom, Verdict};
use super::readings::PEAK_SEEN;

/// Builds the result for a fibre that light does not cross.
pub(super) fn broken_link(pair: &Pair<'_>, index_ratio: f64, drawn: bool) -> (Link, Profiles) {
    let whole = pair.settings.known_length.map(Length::m);
    let [(backscatter_a, _), (backscatter_b, _)] = pair.backscatter;
    let part_a = part(&pair.look_a, pair.a, backscatter_a, 1.0);
    let part_b = part(&pair.look_b, pair.b, backscatter_b, index_ratio);
    let mut events: Vec<Event> = part_a.events(true, None);
    let mut of_b = part_b.events(false, whole);
    of_b.reverse();
    if whole.is_some()
        && let (Some(from_a), Some(from_b)) = (events.last_mut(), of_b.first())
    {
        // One break, seen from both sides: the mean of the two places.
        let (x, y) = (from_a.position.value.m(), from_b.position.value.m());
        from_a.position.value = Position::from_m(f64::midpoint(x, y));
        from_a.notes.push(format!(
            "the light ends {x:.1} m from A's side and {y:.1} m from it as counted back from B"
        ));
        from_a.seen_from = SeenFrom::Both;
        of_b.remove(0);
    }
    events.extend(of_b);
    if whole.is_some() {
        events.sort_by(|p, q| p.position.value.m().total_cmp(&q.position.value.m()));
    }
    for (i, event) in events.iter_mut().enumerate() {
        event.number = i + 1;
    }
    let mut warnings = pair.warnings.clone();
    let sum = part_a.length_m + part_b.length_m;
    let end_m = whole.unwrap_or(sum);
    warnings.push(Warning::new(
        "broken fibre",
        match whole {
            Some(l) => format!(
                "light does not cross: {:.1} m seen from A and {:.1} m from B, together {sum:.1} m of {l:.1} m; \
                 every loss is one way only",
                part_a.length_m, part_b.length_m
            ),
            None => format!(
                "light does not cross: {:.1} m seen from A and {:.1} m from B; the whole length is not \
                 known, so events of B's part are counted from B",
                part_a.length_m, part_b.length_m
            ),
        },
    ));
    let (ha, hb) = (pair.a.header().clone(), pair.b.header().clone());
    let why = NotMeasured::because("the fibre is broken: no light passes from end to end");
    let link = Link {
        cable: ha.cable.or(hb.cable),
        fibre: ha.fibre.or(hb.fibre),
        from: ha.from.or(hb.to),
        to: ha.to.or(hb.from),
        wavelength: pair.a.wavelength(),
        length: match whole {
            Some(l) => Ok(Measured {
                value: Length::from_m(l),
                std_error: None,
            }),
            None => Err(NotMeasured::because(
                "the fibre is broken and its whole length not given",
            )),
        },
        loss: Err(why),
        attenuation: None,
        orl_a: None,
        orl_b: None,
        verdict: Verdict::NotJudged,
        events,
        sections: part_a
            .sections(true, whole)
            .into_iter()
            .chain(part_b.sections(false, whole))
            .collect(),
        registration: None,
        a: direction(
            pair,
            true,
            Position::from_m(-pair.look_a.near.own_m),
            Position::from_m(part_a.length_m),
        ),
        // B's part is laid as far away as the length places it, or the sum of the parts.
        b: direction(
            pair,
            false,
            Position::from_m(end_m + pair.look_b.near.own_m * index_ratio),
            Position::from_m(end_m - part_b.length_m),
        ),
        false_events_per_1000_km: pair.settings.detect.false_events_per_1000_km,
        warnings,
    };
    let profiles = drawn.then(|| Profiles::of(&link, pair.a, pair.b));
    (link, profiles.unwrap_or_default())
}

/// One part of the fibre, seen from its own end.
struct Part<'l> {
    look: &'l Look,
    trace: &'l Trace,
    backscatter: BackscatterCoefficient,
    scale: f64,
    length_m: f64,
}

fn part<'l>(
    look: &'l Look,
    trace: &'l Trace,
    backscatter: BackscatterCoefficient,
    scale: f64,
) -> Part<'l> {
    let edge = match look.end {
        End::Drop { edge, .. } => edge,
        End::Faded { index } => index as f64,
        End::BeyondRange => look.eye.len() as f64,
    };
    Part {
        look,
        trace,
        backscatter,
        scale,
        length_m: (look.eye.metres(edge) - look.near.own_m) * scale,
    }
}

impl Part<'_> {
    /// Events of the part, nearest to its instrument first, the break last.
    fn events(&self, from_a: bool, whole_m: Option<f64>) -> Vec<Event> {
        let look = self.look;
        let seen = if from_a { SeenFrom::A } else { SeenFrom::B };
        let mut events: Vec<Event> = look
            .marks
            .iter()
            .enumerate()
            .filter(|(_, m)| m.z_m >= look.near.own_m - look.eye.spacing_m)
            .map(|(i, mark)| self.event(i, mark, from_a, seen))
            .collect();
        if events
            .first()
            .is_none_or(|e| e.position.value.m().abs() > look.eye.spacing_m)
        {
            let why = NotMeasured::because(
                "the near connector does not show, or there is no launch cord",
            );
            events.insert(
                0,
                bare_event(EventKind::Connector, Position::from_m(0.0), &why, seen),
            );
        }
        let why = NotMeasured::because("a break: light does not cross it");
        let mut end = bare_event(
            EventKind::Break,
            Position::from_m(self.length_m),
            &why,
            seen,
        );
        end.reflective = matches!(
            look.end,
            End::Drop {
                reflective: true,
                ..
            }
        );
        events.push(end);
        if !from_a {
            for event in &mut events {
                let own = event.position.value;
                match whole_m {
                    Some(l) => event.position.value = Position::from_m(l - own.m()),
                    None => event.position_from_b = Some(own),
                }
            }
        }
        events
    }

    fn event(&self, i: usize, mark: &Mark, from_a: bool, seen: SeenFrom) -> Event {
        let look = self.look;
        let first = (mark.z_m - look.near.own_m).abs() <= look.eye.spacing_m;
        let reflective = mark.reflective[0];
        let kind = if reflective || first {
            EventKind::Connector
        } else {
            EventKind::Splice
        };
        let other =
            NotMeasured::because("the fibre is broken: this part has no light from the other end");
        let mut event = bare_event(
            kind,
            Position::from_m((mark.z_m - look.near.own_m) * self.scale),
            &other,
            seen,
        );
        event.reflective = reflective;
        event.position.std_error = mark
            .std_error_m
            .filter(|e| e.is_finite())
            .map(Length::from_m);
        let reading: Measurement<Loss> = self.read(i);
        let peak = reflective.then(|| self.peak(i)).flatten();
        if from_a {
            (event.loss_a_to_b, event.reflectance_a) = (reading, peak);
        } else {
            (event.loss_b_to_a, event.reflectance_b) = (reading, peak);
        }
        event
    }

    fn peak(&self, i: usize) -> Option<ReflectanceReading> {
        let (look, view) = (self.look, View::own(&self.look.eye));
        let before = side_line(view.eye, look.span_before(i), Side::Before, None)?;
        let after = side_line(view.eye, look.span_before(i + 1), Side::After, None);
        read_peak(
            &view,
            view.index(look.marks[i].z_m),
            &before,
            after.as_ref(),
            PEAK_SEEN,
            self.backscatter,
            self.trace.pulse_width(),
        )
    }

    fn read(&self, i: usize) -> Measurement<Loss> {
        let look = self.look;
        let view = View::own(&look.eye);
        let known: Option<KnownSlope> = None;
        read_loss(
            &view,
            view.index(look.marks[i].z_m),
            look.span_before(i),
            look.span_before(i + 1),
            known,
        )
        .map(|r| r.loss)
    }

    /// Stretches of the part, one way; those of B's part only where the whole length
    /// places them.
    fn sections(&self, from_a: bool, whole_m: Option<f64>) -> Vec<Section> {
        let look = self.look;
        if !from_a && whole_m.is_none() {
            return Vec::new();
        }
        let place = |own_m: f64| match (from_a, whole_m) {
            (false, Some(l)) => l - own_m * self.scale,
            _ => own_m * self.scale,
        };
        (1..=look.marks.len())
            .filter_map(|i| {
                let span = look.span_before(i);
                let line = look.eye.sums.line(span.lo, span.hi)?;
                let per_km = 1000.0 / look.eye.spacing_m;
                let from = look.marks[i - 1].z_m - look.near.own_m;
                if from < -look.eye.spacing_m {
                    return None;
                }
                let to = look
                    .marks
                    .get(i)
                    .map_or(self.length_m / self.scale, |m| m.z_m - look.near.own_m);
                let (p, q) = (place(from), place(to));
                Some(Section {
                    from: Position::from_m(p.min(q)),
                    to: Position::from_m(p.max(q)),
                    attenuation: Measured {
                        value: Attenuation::from_db_per_km(
                            -(line.slope + look.eye.trend.1) * per_km,
                        ),
                        std_error: Some(Attenuation::from_db_per_km(
                            line.slope_variance.sqrt() * per_km,
                        )),
                    },
                })
            })
            .collect()
    }
}
