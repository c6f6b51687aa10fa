//! The figure of a splice log: what the machines claim against what was measured, and
//! whether the loss rises as electrodes and blade wear.

mod groups;
mod marks;
mod wear;

use super::canvas::colour;
use super::figure::{LEFT_PX, Panel, RIGHT_PX, sheet};
use super::heading::{FOOT_PX, HEADING_PX, Heading};
use super::phrases::Phrase;
use super::text::Fonts;
use super::{PlotError, PlotSettings};
use crate::cable::splice_log::{Part, SpliceLog};
use crate::report::plain_text;

/// Height of the upper panel, as a share of what the heading leaves.
const GROUPS_SHARE: f64 = 0.42;
/// Space for ticks and name below a lower panel.
const AXIS_PX: f64 = 46.0;
/// Space between the two lower panels, the right one's vertical axis included.
const BETWEEN_PX: f64 = LEFT_PX;

/// Draws a splice log: measured less estimated loss of every group above, measured
/// loss against arcs and cleaves below. `chance` is the one that the findings were
/// made with, `cable` the cable's name.
///
/// # Errors
/// [`PlotError::Size`] or [`PlotError::TooSmall`] for a size that cannot be;
/// [`PlotError::Drawing`] if the drawing library refuses.
pub fn splice_log_svg(
    log: &SpliceLog,
    cable: Option<&str>,
    chance: f64,
    settings: &PlotSettings,
) -> Result<String, PlotError> {
    let fonts = Fonts::new()?;
    sheet(settings, PlotSettings::LEAST_HEIGHT, |canvas| {
        let (width, height) = (f64::from(settings.width), f64::from(settings.height));
        heading(log, cable, chance, settings).draw(canvas, &fonts, width, height)?;
        let machines = marks::machines(log);
        let split = HEADING_PX + GROUPS_SHARE * (height - HEADING_PX);
        let upper = Panel {
            left: LEFT_PX,
            right: width - RIGHT_PX,
            top: HEADING_PX + 24.0,
            bottom: split - 66.0,
        };
        groups::draw(canvas, &fonts, log, &upper)?;
        let lower = (split + 24.0, height - FOOT_PX - AXIS_PX);
        let half = (width - RIGHT_PX - LEFT_PX - BETWEEN_PX) / 2.0;
        for (part, left) in [
            (Part::Electrodes, LEFT_PX),
            (Part::Blade, LEFT_PX + half + BETWEEN_PX),
        ] {
            let panel = Panel {
                left,
                right: left + half,
                top: lower.0,
                bottom: lower.1,
            };
            wear::draw(canvas, &fonts, log, part, &machines, &panel)?;
        }
        marks::key(
            canvas,
            &fonts,
            &machines,
            (width - RIGHT_PX + 18.0, lower.0),
        )?;
        canvas.line(
            &[(LEFT_PX, split - 8.0), (width - RIGHT_PX, split - 8.0)],
            1.0,
            colour::GROUND,
        )
    })
}

fn heading(log: &SpliceLog, cable: Option<&str>, chance: f64, settings: &PlotSettings) -> Heading {
    let words = &settings.words;
    let findings = log.findings(chance);
    let said = findings.first().map_or_else(
        || {
            let nothing = if log.splices.is_empty() {
                Phrase::LogUnmeasured
            } else {
                Phrase::LogNothing
            };
            words.of(nothing).to_owned()
        },
        |finding| capital(&plain_text(&finding.message)),
    );
    let fewest = crate::cable::splice_log::FEWEST_SPLICES.to_string();
    let mut detail = words.filled(Phrase::LogWhiskers, &[("fewest", &fewest)]);
    if let Some(more) = findings.len().checked_sub(1).filter(|&more| more > 0) {
        detail.push(' ');
        detail.push_str(&words.filled(Phrase::LogMore, &[("count", &more.to_string())]));
    }
    let values = [
        ("splices", &*log.splices.len().to_string()),
        ("tests", &*log.tests.to_string()),
    ];
    Heading {
        title: cable.map_or_else(
            || words.of(Phrase::LogTitle).to_owned(),
            |name| words.filled(Phrase::LogTitleOf, &[("cable", &plain_text(name))]),
        ),
        ends: Vec::new(),
        identity: words.filled(Phrase::LogCounts, &values),
        message: said,
        detail,
        verdict: None,
        foot: settings.program.clone().unwrap_or_default(),
    }
}

/// A sentence with a capital at its beginning.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}

/// Round numbers within a range, about `count` of them: steps of 1, 2 or 5 times a power of ten.
fn ticks(from: f64, to: f64, count: usize) -> Vec<f64> {
    let rough = (to - from) / count.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return vec![from];
    }
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * power)
        .find(|step| *step >= rough)
        .unwrap_or(10.0 * power);
    let first = (from / step).ceil() as i64;
    let last = (to / step).floor() as i64;
    (first..=last).map(|idx| idx as f64 * step).collect()
}

#[cfg(test)]
mod tests {
    use super::ticks;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(812.0, 884.0, 4), [820.0, 840.0, 860.0, 880.0]);
        assert_eq!(
            ticks(0.0, 1.0, 5),
            [0.0, 0.2, 0.4, 0.600_000_000_000_000_1, 0.8, 1.0]
        );
        assert_eq!(ticks(3.0, 3.0, 5), [3.0]);
    }
}
