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
use super::reading::RESOLVED_PULSES;

/// Fewest samples of straight fibre between two events that are read one by one.
const FEWEST_BETWEEN: usize = 6;

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
/// let one_way = bothends::measure::measure(&from_a, DetectSettings::default())?;
/// // 0.05 dB of loss, and half of 0.3 dB less backscatter behind the joint.
/// let apparent = one_way.events[0].loss.as_ref().unwrap();
/// assert!((apparent.value.db() - 0.20).abs() < 1e-3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn measure(trace: &Trace, settings: DetectSettings) -> Result<OneWay, OneWayError> {
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
        // Where only a stated cord puts it, it was not measured.
        link_to: look.far.and_then(|far| {
            Some(Measured {
                value: Position::from_m(far.own_m),
                std_error: Some(Length::from_m(far.std_error_m?)),
            })
        }),
        usable_to: Position::from_m(look.usable_to_m()),
        orl: measuring.orl(),
        noise_at_start_db: look.noise_at_start_db(),
        above_noise_at_end_db: look.above_noise_at_end_db(),
        shared_attenuation: (measuring.known_slope())
            .and_then(|known| known.attenuation(measuring.view())),
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
        .filter(|span| span.hi > span.lo)
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
        let eye = self.view().eye;
        let at = |own_m: f64| eye.index(own_m).max(0.0) as usize;
        let glass = Span {
            lo: at(self.look.near.own_m),
            hi: self.look.far.map_or(eye.len(), |far| at(far.own_m)),
        };
        usual_slope(eye, &spans, glass)
    }
}
