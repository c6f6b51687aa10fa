//! Doubts about a single trace that a reader of its result must know.

use crate::detect::End;
use crate::warning::Warning;

use super::super::one_way::{OneWayEvent, OneWayKind};
use super::Measuring;

/// Standard errors of a step below which a reflective event may be an echo.
const NO_STEP: f64 = 3.3;

impl Measuring<'_> {
    pub(super) fn doubts(&self, events: &[OneWayEvent], placed: &[f64]) -> Vec<Warning> {
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
