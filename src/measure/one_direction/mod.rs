//! One trace measured by itself.

mod doubts;
mod events;
mod whole;

use std::ops::Range;

use crate::detect::{DetectSettings, Finder, Mark, Span, View};
use crate::trace::Trace;
use crate::units::{BackscatterCoefficient, Length, Measured, Position};
use crate::warning::Warning;

use super::line::{KnownSlope, usual_slope};
use super::look::{Look, look};
use super::one_way::OneWay;
use super::orl::usual_backscatter;

/// Fewest samples of straight fibre between two events that are read one by one.
const FEWEST_BETWEEN: usize = 6;

/// Pulse lengths below which two events are read as one: within one and a half no
/// straight fibre is left between their ramps.
const RESOLVED_PULSES: f64 = 1.5;

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
    let placed = sharpen(&mut look, *settings);
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
fn sharpen(look: &mut Look, settings: DetectSettings) -> Vec<f64> {
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
        let finder = Finder::new(vec![View::own(&look.eye)], vec![look.bound], &settings);
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
    look.marks = Finder::new(vec![View::own(&look.eye)], vec![look.bound], &settings).find(marks);
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
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::OneWayKind;
    use crate::simulate::{self, Fibre, Instrument, Noise, Plan, SimTrace};
    use crate::units::{Attenuation, GroupIndex, Loss, PulseWidth, Reflectance, Wavelength};

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
