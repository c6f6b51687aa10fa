//! One trace measured by itself.

use std::ops::Range;

use crate::detect::{DetectSettings, End, Finder, Mark, SampleState, Span, View};
use crate::trace::Trace;
use crate::units::{
    BackscatterCoefficient, Length, Loss, Measured, Measurement, NotMeasured, Position, ReturnLoss,
};
use crate::warning::Warning;

use super::line::{KnownSlope, Side, attenuation, side_line, usual_slope};
use super::look::{Look, look};
use super::one_way::{OneWay, OneWayEvent, OneWayKind, ReflectanceReading, Section};
use super::orl::{return_loss, usual_backscatter};
use super::reading::{read_loss, read_peak};

/// Fewest samples of straight fibre between two events that are read one by one.
const FEWEST_BETWEEN: usize = 6;

/// Pulse lengths below which two events are read as one: within one and a half no
/// straight fibre is left between their ramps.
const RESOLVED_PULSES: f64 = 1.5;

/// Standard errors of a peak's height from which a reflectance is given.
const PEAK_SEEN: f64 = 4.0;

/// Standard errors of a step below which a reflective event may be an echo.
const NO_STEP: f64 = 3.3;

/// A rise of the level from one sample to the next, one-way dB, that within the dead
/// zone of a peak is a second reflection: no recovery rises.
const RISE_DB: f64 = 1.0;

/// Standard errors of the noise that such a rise must exceed.
const RISE_SEEN: f64 = 8.0;

/// Fewest usable samples of a trace that says anything.
const FEWEST_SAMPLES: usize = 16;

/// Why a single trace tells nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum OneWayError {
    /// No fibre behind the port's dead zone.
    #[error(
        "the trace shows no backscatter behind its dead zone: check that the fibre was connected \
         and the pulse long enough"
    )]
    NoLight,
}

/// Measures everything that one direction can say.
///
/// Cords are those of the trace's header. Losses are apparent: the real loss plus or
/// minus the backscatter step. Events too close to tell apart have no loss of their
/// own; the reason holds what they read together.
///
/// # Errors
/// [`OneWayError::NoLight`] when no fibre shows.
///
/// # Example
/// ```
/// use bothends::detect::DetectSettings;
/// use bothends::simulate::{self, Fibre, Instrument, Plan};
/// use bothends::units::*;
/// let fibre = |km, backscatter_db| Fibre::new(
///     Length::from_km(km),
///     Attenuation::from_db_per_km(0.2),
///     BackscatterCoefficient::from_db(backscatter_db),
///     GroupIndex::from_ratio(1.4682),
/// );
/// let mut plan = Plan::new(
///     Wavelength::from_nm(1550.0),
///     vec![fibre(4.0, -82.0), fibre(5.0, -82.3)],
///     Instrument::ideal(
///         PulseWidth::from_ns(100.0), Length::from_m(2.0), GroupIndex::from_ratio(1.4682),
///     ),
/// );
/// plan.joints[0].loss = Loss::from_db(0.05);
/// let from_a = simulate::run(&plan, 1)?.a.to_trace()?;
/// let one_way = bothends::measure::measure(&from_a, &DetectSettings::default())?;
/// // 0.05 dB of loss, and half of 0.3 dB less backscatter behind the joint.
/// let apparent = one_way.events[0].loss.as_ref().unwrap();
/// assert!((apparent.value.db() - 0.20).abs() < 1e-3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn measure(trace: &Trace, settings: &DetectSettings) -> Result<OneWay, OneWayError> {
    let header = trace.header();
    let mut look = look(trace, header.launch_cord, header.tail_cord, settings);
    if look.bound.hi < look.bound.lo + FEWEST_SAMPLES {
        return Err(OneWayError::NoLight);
    }
    let given = header.backscatter;
    let backscatter = given.unwrap_or_else(|| usual_backscatter(trace.wavelength().nm()));
    let placed = sharpen(&mut look, settings);
    let finder = Finder::new(vec![View::own(&look.eye)], vec![look.bound], settings);
    let measuring = Measuring {
        trace,
        look: &look,
        groups: groups(&finder, &look.marks),
        finder,
        backscatter,
    };
    let events = measuring.events();
    let mut warnings = measuring.doubts(&events, &placed);
    if given.is_none() {
        warnings.push(Warning::new(
            "backscatter coefficient assumed",
            format!(
                "the trace gives no backscatter coefficient: {} dB at 1 ns taken as usual at {} nm; \
                 reflectances and return loss rest on it",
                backscatter.db(),
                trace.wavelength().nm()
            ),
        ));
    }
    Ok(OneWay {
        sections: measuring.sections(),
        link_from: Position::from_m(look.near.own_m),
        link_to: look.far.map(|far| Measured {
            value: Position::from_m(far.own_m),
            std_error: far.std_error_m.map(Length::from_m),
        }),
        usable_to: Position::from_m(look.usable_to_m()),
        orl: measuring.orl(),
        noise_at_start_db: look.noise_at_start_db(),
        above_noise_at_end_db: look.above_noise_at_end_db(),
        events,
        warnings,
    })
}

/// Adds marks for connectors that only their cords place, linearises the levels about
/// the lines between all marks, and looks once more; gives the places of those
/// connectors that do not show.
fn sharpen(look: &mut Look, settings: &DetectSettings) -> Vec<f64> {
    let pulse_m = (look.eye.pulse_samples + 1.0) * look.eye.spacing_m;
    let connectors = [Some(look.near), look.far]
        .into_iter()
        .flatten()
        .filter(|end| end.has_cord)
        .map(|end| end.own_m);
    let placed: Vec<f64> = connectors
        .filter(|z_m| look.marks.iter().all(|m| (m.z_m - z_m).abs() >= pulse_m))
        .collect();
    {
        let finder = Finder::new(vec![View::own(&look.eye)], vec![look.bound], settings);
        for &z_m in &placed {
            let mut mark = finder.mark(z_m, None);
            mark.strong = true;
            look.marks.push(mark);
        }
    }
    look.marks.sort_by(|p, q| p.z_m.total_cmp(&q.z_m));
    let spans: Vec<Span> = (0..=look.marks.len())
        .map(|i| look.span_before(i))
        .filter(|span| span.hi > span.lo + 8)
        .collect();
    look.eye.relinearise(&spans);
    let marks = std::mem::take(&mut look.marks);
    look.marks = Finder::new(vec![View::own(&look.eye)], vec![look.bound], settings).find(marks);
    // An end that an event marks moves with it.
    let moved = |own_m: f64| {
        look.marks
            .iter()
            .min_by(|p, q| (p.z_m - own_m).abs().total_cmp(&(q.z_m - own_m).abs()))
            .filter(|m| (m.z_m - own_m).abs() < pulse_m)
            .map(|m| (m.z_m, m.std_error_m.filter(|e| e.is_finite())))
    };
    let near = moved(look.near.own_m).filter(|_| look.near.has_cord);
    let far = look
        .far
        .filter(|far| far.has_cord)
        .and_then(|far| moved(far.own_m));
    if let Some((own_m, std_error_m)) = near {
        (look.near.own_m, look.near.std_error_m) = (own_m, std_error_m);
    }
    if let (Some((own_m, std_error_m)), Some(end)) = (far, look.far.as_mut()) {
        (end.own_m, end.std_error_m) = (own_m, std_error_m);
    }
    placed
}

/// Marks that cannot be told apart, as ranges of their indices.
fn groups(finder: &Finder<'_>, marks: &[Mark]) -> Vec<Range<usize>> {
    let pulse_m = finder.views[0].eye.pulse_samples * finder.views[0].eye.spacing_m;
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for i in 0..marks.len() {
        let joined = i.checked_sub(1).is_some_and(|k| {
            let span = finder.spans(Some(&marks[k]), Some(&marks[i]))[0];
            span.hi < span.lo + FEWEST_BETWEEN
                || marks[i].z_m - marks[k].z_m < RESOLVED_PULSES * pulse_m
        });
        match ranges.last_mut() {
            Some(last) if joined => last.end = i + 1,
            _ => ranges.push(i..i + 1),
        }
    }
    ranges
}

/// One place of a group as it is shown.
struct Shown {
    z_m: f64,
    std_error_m: Option<f64>,
    reflective: bool,
    /// Where the straight line is usable again.
    clear_m: f64,
    is_reached: bool,
}

/// A trace with its marks in groups.
struct Measuring<'l> {
    trace: &'l Trace,
    look: &'l Look,
    finder: Finder<'l>,
    groups: Vec<Range<usize>>,
    backscatter: BackscatterCoefficient,
}

impl Measuring<'_> {
    fn view(&self) -> &View<'_> {
        &self.finder.views[0]
    }

    /// Straight fibre before group `k`; with the number of groups, behind the last.
    fn span_before(&self, k: usize) -> Span {
        let marks = &self.look.marks;
        let before = k.checked_sub(1).map(|j| &marks[self.groups[j].end - 1]);
        let after = self.groups.get(k).map(|group| &marks[group.start]);
        self.finder.spans(before, after)[0]
    }

    fn known_slope(&self) -> Option<KnownSlope> {
        let spans: Vec<Span> = (0..=self.groups.len())
            .map(|k| self.span_before(k))
            .collect();
        usual_slope(self.view().eye, &spans)
    }

    fn events(&self) -> Vec<OneWayEvent> {
        let known = self.known_slope();
        let mut events = Vec::new();
        for (k, group) in self.groups.iter().enumerate() {
            let marks = &self.look.marks[group.clone()];
            let (before, after) = (self.span_before(k), self.span_before(k + 1));
            let shown: Vec<Shown> = marks.iter().flat_map(|mark| self.shown(mark)).collect();
            let first_number = events.len() + 1;
            let loss = self.loss(&shown, first_number, before, after, known);
            for (i, event) in shown.into_iter().enumerate() {
                events.push(OneWayEvent {
                    kind: if event.reflective {
                        OneWayKind::Reflective
                    } else {
                        OneWayKind::NonReflective
                    },
                    position: Measured {
                        value: Position::from_m(event.z_m),
                        std_error: event.std_error_m.map(Length::from_m),
                    },
                    loss: loss.clone(),
                    // Only the first peak of a group stands on undisturbed fibre.
                    reflectance: (event.reflective && i == 0)
                        .then(|| self.reflectance(event.z_m, before, Some(after), known))
                        .flatten(),
                    dead_zone: (
                        Position::from_m(event.z_m),
                        Position::from_m(event.clear_m.max(event.z_m)),
                    ),
                    echo_of: None,
                });
            }
        }
        events.extend(self.end(known));
        events
    }

    /// The event of a mark, and further reflections that rise out of its dead zone.
    fn shown(&self, mark: &Mark) -> Vec<Shown> {
        let eye = self.view().eye;
        let clear_m = mark.blocks[0].map_or_else(
            || mark.z_m + eye.hidden_samples() as f64 * eye.spacing_m,
            |(_, hi)| eye.metres(hi as f64),
        );
        let mut shown = vec![Shown {
            z_m: mark.z_m,
            std_error_m: mark.std_error_m.filter(|e| e.is_finite()),
            reflective: mark.reflective[0],
            clear_m,
            is_reached: mark.blocks[0].is_some(),
        }];
        if let (Some((lo, hi)), true) = (mark.blocks[0], mark.reflective[0]) {
            shown.extend(self.rises(lo, hi).into_iter().map(|index| Shown {
                z_m: eye.metres(index as f64 + 0.5),
                std_error_m: Some(eye.spacing_m / 12.0_f64.sqrt()),
                reflective: true,
                clear_m,
                is_reached: true,
            }));
        }
        shown
    }

    /// Last samples before the rises that follow a peak's own pulse within `lo..hi`.
    fn rises(&self, lo: usize, hi: usize) -> Vec<usize> {
        let eye = self.view().eye;
        let power = &eye.power;
        let pulse = (self.trace.pulse_length().m() / eye.spacing_m + 2.0).ceil();
        let mut found = Vec::new();
        let mut last = lo;
        for index in lo..hi.min(eye.len()).saturating_sub(1) {
            let (before, after) = (power.value[index].max(0.0), power.value[index + 1]);
            let clear_of_noise = RISE_SEEN * (2.0 * eye.noise.variance(before)).sqrt();
            let is_good = power.state[index..=index + 1]
                .iter()
                .all(|state| *state == SampleState::Good);
            if is_good
                && (index - last) as f64 >= pulse
                && after > before * 10f64.powf(RISE_DB / 5.0)
                && after - before > clear_of_noise
            {
                found.push(index);
                last = index;
            }
        }
        found
    }

    /// Apparent loss of a single event; of a group only a reason, which holds the
    /// loss of all its events together.
    fn loss(
        &self,
        shown: &[Shown],
        first_number: usize,
        before: Span,
        after: Span,
        known: Option<KnownSlope>,
    ) -> Measurement<Loss> {
        let view = self.view();
        if shown.iter().all(|event| !event.is_reached) {
            return Err(NotMeasured::because(
                "it lies in the dead zone of the port or behind the last backscatter",
            ));
        }
        let middle_m = f64::midpoint(shown[0].z_m, shown[shown.len() - 1].z_m);
        let read = read_loss(view, view.index(middle_m), before, after, known).map(|r| r.loss);
        if shown.len() == 1 {
            return read;
        }
        let together = match read {
            Ok(loss) => {
                let error = loss
                    .std_error
                    .map_or_else(String::new, |u| format!(" ± {:.3}", u.db()));
                format!("together they read {:.3}{error} dB", loss.value.db())
            }
            Err(missing) => missing.reason,
        };
        Err(NotMeasured::because(format!(
            "events {first_number} to {} lie closer than this pulse tells apart; {together}",
            first_number + shown.len() - 1
        )))
    }

    fn reflectance(
        &self,
        z_m: f64,
        before: Span,
        after: Option<Span>,
        known: Option<KnownSlope>,
    ) -> Option<ReflectanceReading> {
        let view = self.view();
        let line_before = side_line(view.eye, before, Side::Before, known)?;
        let line_after = after.and_then(|span| side_line(view.eye, span, Side::After, known));
        read_peak(
            view,
            view.index(z_m),
            &line_before,
            line_after.as_ref(),
            PEAK_SEEN,
            self.backscatter,
            self.trace.pulse_width(),
        )
    }

    /// The place behind which nothing comes back.
    fn end(&self, known: Option<KnownSlope>) -> Option<OneWayEvent> {
        let End::Drop { edge, reflective } = self.look.end else {
            return None;
        };
        let eye = self.view().eye;
        let z_m = eye.metres(edge);
        let last = eye.metres(eye.len().saturating_sub(1) as f64).max(z_m);
        Some(OneWayEvent {
            kind: OneWayKind::End,
            position: Measured {
                value: Position::from_m(z_m),
                std_error: Some(Length::from_m(eye.spacing_m / 12.0_f64.sqrt())),
            },
            loss: Err(NotMeasured::because("no light comes back from behind it")),
            reflectance: reflective
                .then(|| self.reflectance(z_m, self.span_before(self.groups.len()), None, known))
                .flatten(),
            // The line never comes back.
            dead_zone: (Position::from_m(z_m), Position::from_m(last)),
            echo_of: None,
        })
    }

    /// Sections of the link, cords left out.
    fn sections(&self) -> Vec<Section> {
        let look = self.look;
        let slack = 0.5 * look.eye.spacing_m;
        let end_m = look.far.map_or(look.usable_to_m(), |far| far.own_m);
        (0..=self.groups.len())
            .filter_map(|k| {
                let from_m = match k.checked_sub(1) {
                    Some(j) => look.marks[self.groups[j].end - 1].z_m,
                    None => 0.0,
                };
                let to_m = self
                    .groups
                    .get(k)
                    .map_or(end_m, |group| look.marks[group.start].z_m);
                let inside = from_m > look.near.own_m - slack && to_m < end_m + slack;
                if !inside || to_m <= from_m {
                    return None;
                }
                attenuation(self.view(), self.span_before(k)).map(|attenuation| Section {
                    from: Position::from_m(from_m),
                    to: Position::from_m(to_m),
                    attenuation,
                })
            })
            .collect()
    }

    /// Return loss of the link against the launch cord's line before its connector.
    fn orl(&self) -> Option<ReturnLoss> {
        let look = self.look;
        let eye = &look.eye;
        let far = look.far?;
        let at = |z_m: f64| {
            self.groups.iter().position(|group| {
                look.marks[group.clone()]
                    .iter()
                    .any(|m| (m.z_m - z_m).abs() < 0.5 * eye.spacing_m)
            })
        };
        let near = at(look.near.own_m).filter(|_| look.near.has_cord)?;
        let line = side_line(eye, self.span_before(near), Side::Before, None)?.line;
        let from = look.marks[self.groups[near].start].blocks[0]?.0;
        let to = match look.end {
            _ if far.has_cord => look.marks[self.groups[at(far.own_m)?].end - 1].blocks[0]?.1,
            // The end's own reflection counts.
            end => end.limit(eye.len()) + eye.hidden_samples(),
        };
        let x = from as f64;
        let level_db = line.at(x) + eye.trend.0 + eye.trend.1 * x;
        let reference = 10f64.powf(level_db / 5.0);
        return_loss(self.trace, eye, from + 1, to, reference, self.backscatter)
    }

    fn doubts(&self, events: &[OneWayEvent], placed: &[f64]) -> Vec<Warning> {
        let look = self.look;
        let mut warnings = Vec::new();
        let mut say = |code, message: String| warnings.push(Warning::new(code, message));
        let header = self.trace.header();
        if header.launch_cord.is_none() {
            say(
                "cords unknown",
                "the file does not say whether a launch cord was on: places are counted from the \
                 instrument's port, and the first connector is not measured (give --launch-m, 0 for none)"
                    .to_owned(),
            );
        }
        if header.tail_cord.is_none() {
            say(
                "cords unknown",
                "the file does not say whether a tail cord was on: the link is taken to end where \
                 the light ends (give --tail-m, 0 for none)"
                    .to_owned(),
            );
        }
        match look.end {
            End::Drop { .. } => {}
            End::Faded { .. } => say(
                "end not seen",
                format!(
                    "the backscatter sinks into the noise {:.0} m from the port: what lies behind, \
                     and the end, do not show; use a longer pulse or average longer",
                    look.usable_to_m()
                ),
            ),
            End::BeyondRange => say(
                "end not seen",
                "the trace stops before the fibre does: set the instrument to a longer range"
                    .to_owned(),
            ),
        }
        for z_m in placed {
            say(
                "connector not seen",
                format!(
                    "the connector at the cord's end, stated {z_m:.1} m from the port, does not \
                     show; it is measured at that place"
                ),
            );
        }
        for (number, made_by) in self.echo_places(events) {
            say(
                "perhaps an echo",
                format!(
                    "event {number} reflects without a loss where an echo of {made_by} would lie; \
                     one direction cannot tell an echo from a connector"
                ),
            );
        }
        warnings
    }

    /// Reflective events without a step at 2·z2 − z1 of two reflections before them
    /// (the port is one): their numbers, and which two.
    fn echo_places(&self, events: &[OneWayEvent]) -> Vec<(usize, String)> {
        let eye = self.view().eye;
        // Three places of a third of a sample each, and the slow rise of a receiver.
        let reach = (2.0 + 0.1 * eye.pulse_samples) * eye.spacing_m;
        let mut reflections = vec![("the port".to_owned(), 0.0)];
        let mut found = Vec::new();
        for (index, event) in events.iter().enumerate() {
            if event.kind != OneWayKind::Reflective {
                continue;
            }
            let z_m = event.position.value.m();
            let no_step = event.loss.as_ref().is_ok_and(|loss| {
                loss.std_error
                    .is_some_and(|u| loss.value.db().abs() < NO_STEP * u.db())
            });
            let made_by = reflections
                .iter()
                .enumerate()
                .find_map(|(j, (far, far_m))| {
                    let (near, _) = reflections[..j]
                        .iter()
                        .find(|(_, near_m)| (2.0 * far_m - near_m - z_m).abs() < reach)?;
                    Some(format!("{near} and {far}"))
                });
            if let (true, Some(made_by)) = (no_step, made_by) {
                found.push((index + 1, made_by));
            } else {
                reflections.push((format!("event {}", index + 1), z_m));
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{self, Fibre, Instrument, Noise, Plan, SimTrace};
    use crate::units::{Attenuation, GroupIndex, PulseWidth, Reflectance, Wavelength};

    const INDEX: f64 = 1.4682;

    fn fibre(length_m: f64, backscatter_db: f64) -> Fibre {
        Fibre::new(
            Length::from_m(length_m),
            Attenuation::from_db_per_km(0.2),
            BackscatterCoefficient::from_db(backscatter_db),
            GroupIndex::from_ratio(INDEX),
        )
    }

    /// Three fibres between cords of 1 km, 100 ns, a sample every 2 m, without noise.
    fn plan() -> Plan {
        let mut plan = Plan::new(
            Wavelength::from_nm(1550.0),
            vec![
                fibre(4000.0, -82.0),
                fibre(3000.0, -82.4),
                fibre(2000.0, -81.9),
            ],
            Instrument::ideal(
                PulseWidth::from_ns(100.0),
                Length::from_m(2.0),
                GroupIndex::from_ratio(INDEX),
            ),
        );
        plan.joints[0].loss = Loss::from_db(0.05);
        plan.joints[1].loss = Loss::from_db(0.12);
        for end in [&mut plan.end_a, &mut plan.end_b] {
            end.cord = Some(fibre(1000.0, -82.0));
            end.loss = Loss::from_db(0.3);
            end.reflectance = Some(Reflectance::from_db(-55.0));
        }
        plan
    }

    fn measured(trace: &SimTrace) -> OneWay {
        measure(&trace.to_trace().unwrap(), &DetectSettings::default()).unwrap()
    }

    /// Events of the link, without the end of the light.
    fn losses_db(one_way: &OneWay) -> Vec<f64> {
        one_way
            .events
            .iter()
            .filter_map(|event| Some(event.loss.as_ref().ok()?.value.db()))
            .collect()
    }

    // Expected: closed form, loss plus half the fall of the backscatter coefficient:
    // 0.3, 0.05 + 0.2, 0.12 − 0.25, 0.3 + 0.05. Tolerance: levels without noise,
    // pulse ramps of unequal backscatter bend the linear middle by under 0.001 dB.
    #[test]
    fn reads_loss_plus_half_the_fall_of_backscatter() {
        let one_way = measured(&simulate::run(&plan(), 1).unwrap().a);
        let found = losses_db(&one_way);
        assert_eq!(found.len(), 4, "{found:?}");
        for (found, wanted) in found.iter().zip([0.3, 0.25, -0.13, 0.35]) {
            assert!((found - wanted).abs() < 1e-3, "{found} for {wanted}");
        }
        assert_eq!(
            one_way.events.last().map(|event| event.kind),
            Some(OneWayKind::End)
        );
    }

    // Truth: `simulate`, the weakest origin: a mistake could sit in both. Tolerance:
    // noise of 0.001 of the backscatter at the port is 0.008 dB a sample at the last
    // connector; the lines of 500 samples on its two sides, with free slopes, err by
    // 2σ/√500 each, together 0.001 dB; five times that.
    #[test]
    fn readings_agree_with_the_simulated_truth_under_noise() {
        let mut plan = plan();
        plan.a.noise = Noise {
            dynamic_range_db: Some(15.0),
            ..Noise::default()
        };
        for seed in 0..5 {
            let simulated = simulate::run(&plan, seed).unwrap();
            let one_way = measured(&simulated.a);
            let found = losses_db(&one_way);
            let wanted: Vec<f64> = simulated
                .truth
                .events
                .iter()
                .filter_map(|event| Some(event.loss_a_to_b?.db()))
                .collect();
            assert_eq!(found.len(), wanted.len(), "seed {seed}: {found:?}");
            for (found, wanted) in found.iter().zip(wanted) {
                assert!((found - wanted).abs() < 5e-3, "{found} for {wanted}");
            }
            let length_m = (one_way.link_to.unwrap().value - one_way.link_from).m();
            assert!((length_m - 9000.0).abs() < 2.0, "{length_m}");
        }
    }

    // Expected: the plan's attenuation. Tolerance: no noise, 2 km and more; the
    // level's rounding is far below 1e-4 dB/km.
    #[test]
    fn sections_leave_the_cords_out_and_have_the_fibre_s_attenuation() {
        let one_way = measured(&simulate::run(&plan(), 1).unwrap().a);
        assert_eq!(one_way.sections.len(), 3);
        for section in &one_way.sections {
            let found = section.attenuation.value.db_per_km();
            assert!((found - 0.2).abs() < 1e-4, "{found}");
        }
    }

    // Truth: `simulate`. Tolerance: a sampled peak and the ends of the sum, 0.1 dB.
    #[test]
    fn return_loss_needs_a_launch_cord() {
        let mut plan = plan();
        plan.a.stated_backscatter = Some(BackscatterCoefficient::from_db(-82.0));
        let simulated = simulate::run(&plan, 1).unwrap();
        let found = measured(&simulated.a).orl.unwrap().db();
        let wanted = simulated.truth.a.return_loss.db();
        assert!((found - wanted).abs() < 0.1, "{found} for {wanted}");
        plan.end_a.cord = None;
        assert_eq!(measured(&simulate::run(&plan, 1).unwrap().a).orl, None);
    }

    #[test]
    fn close_events_have_no_loss_of_their_own_but_one_together() {
        let mut plan = plan();
        // Two pulses of 10.2 m: two peaks, and too little fibre between for a line.
        // (Within one pulse they would be one event.)
        plan.fibres[1] = fibre(20.0, -82.0);
        plan.fibres[2] = fibre(2000.0, -82.0);
        for joint in &mut plan.joints {
            joint.loss = Loss::from_db(0.2);
            joint.reflectance = Some(Reflectance::from_db(-50.0));
        }
        let one_way = measured(&simulate::run(&plan, 1).unwrap().a);
        let reasons: Vec<&str> = one_way
            .events
            .iter()
            .filter(|event| event.kind != OneWayKind::End)
            .filter_map(|event| Some(event.loss.as_ref().err()?.reason.as_str()))
            .collect();
        assert_eq!(reasons.len(), 2, "{:?}", one_way.events);
        assert!(
            reasons[0].contains("together they read 0.40"),
            "{reasons:?}"
        );
    }

    #[test]
    fn a_faded_end_is_said_and_the_length_is_missing() {
        let mut plan = plan();
        plan.fibres[2] = fibre(60_000.0, -81.9);
        plan.a.noise = Noise {
            dynamic_range_db: Some(8.0),
            ..Noise::default()
        };
        let one_way = measured(&simulate::run(&plan, 1).unwrap().a);
        assert_eq!(one_way.link_to, None);
        assert!(one_way.warnings.iter().any(|w| w.code == "end not seen"));
        assert!(one_way.events.iter().all(|e| e.kind != OneWayKind::End));
    }

    #[test]
    fn a_dark_trace_is_an_error() {
        let plan = plan();
        let mut trace = simulate::run(&plan, 1).unwrap().a;
        trace.levels_db.fill(f64::NAN);
        let result = measure(&trace.to_trace().unwrap(), &DetectSettings::default());
        assert_eq!(result, Err(OneWayError::NoLight));
    }
}
