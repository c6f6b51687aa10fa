//! Events of a single trace with what each reads.

use crate::detect::{End, Mark, SampleState, Span};
use crate::units::{Length, Loss, Measured, Measurement, NotMeasured, Position};

use super::super::line::{KnownSlope, Side, side_line};
use super::super::one_way::{OneWayEvent, OneWayKind, ReflectanceReading};
use super::super::reading::{read_loss, read_peak};
use super::Measuring;

/// Standard errors of a peak's height from which a reflectance is given.
const PEAK_SEEN: f64 = 4.0;

/// A rise of the level from one sample to the next, one-way dB, that within the dead
/// zone of a peak is a second reflection: no recovery rises.
const RISE_DB: f64 = 1.0;

/// Standard errors of the noise that such a rise must exceed.
const RISE_SEEN: f64 = 8.0;

/// One place of a group as it is shown.
struct Shown {
    z_m: f64,
    std_error_m: Option<f64>,
    reflective: bool,
    /// Where the straight line is usable again.
    clear_m: f64,
    is_reached: bool,
}

impl Measuring<'_> {
    pub(super) fn events(&self) -> Vec<OneWayEvent> {
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
            "events {first_number} to {} lie closer than pulse and receiver can tell apart; {together}",
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
        let End::Drop {
            edge,
            error,
            reflective,
        } = self.look.end
        else {
            return None;
        };
        let eye = self.view().eye;
        let z_m = eye.metres(edge);
        let last = eye.metres(eye.len().saturating_sub(1) as f64).max(z_m);
        Some(OneWayEvent {
            kind: OneWayKind::End,
            position: Measured {
                value: Position::from_m(z_m),
                std_error: Some(Length::from_m(eye.spacing_m * error)),
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
}
