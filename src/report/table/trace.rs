//! The table of one trace, which says what one direction cannot know.

use super::TableSettings;
use super::grid::{Align, Heading, grid, title, wrapped};
use super::head::{label_line, named};
use super::link::{Footnotes, reflectance};
use super::paint::{Paint, marked, painted};
use crate::measure::{OneWay, OneWayEvent, OneWayKind};
use crate::report::json::NO_LAUNCH_REASON;
use crate::report::number::{loss_and_error_db, loss_with_error, signed, with_error};
use crate::report::plain::plain_text;
use crate::trace::Trace;
use crate::units::{Attenuation, Length, Position};
use crate::warning::Warning;

/// Standard errors by which a reading must be negative to be called an apparent gain.
const CLEAR_OF_NOISE: f64 = 2.0;

/// Writes what one trace tells for a person, and what it cannot tell.
pub fn trace(trace: &Trace, one_way: &OneWay, settings: &TableSettings) -> String {
    let width = settings.width.max(60);
    let mut footnotes = Footnotes::default();
    let mut text = head(trace, one_way, width);
    text.push_str(&events(one_way, width, &mut footnotes));
    text.push_str(&cannot_know(trace, one_way, width));
    text.push_str(&sections(one_way, width));
    text.push_str(&footnotes.text(width));
    text.push_str(&warnings(&one_way.warnings, width));
    painted(&text, settings.colour)
}

/// Doubts as plain sentences.
pub(super) fn warnings(warnings: &[Warning], width: usize) -> String {
    if warnings.is_empty() {
        return String::new();
    }
    let mut text = title("Warnings");
    for warning in warnings {
        text.push_str(&wrapped(
            &format!(
                "{} {}",
                marked("!", Paint::Doubtful),
                plain_text(&warning.message)
            ),
            width,
            2,
        ));
    }
    text
}

fn head(trace: &Trace, one_way: &OneWay, width: usize) -> String {
    let header = trace.header();
    let mut text = wrapped(
        &marked(
            &format!(
                "Cable {}, fibre {}, {} nm, one direction only",
                named(header.cable.as_ref()),
                named(header.fibre.as_ref()),
                trace.wavelength().nm()
            ),
            Paint::Strong,
        ),
        width,
        0,
    );
    let length = one_way.link_to.map_or_else(
        || "— the end of the link does not show in this trace".to_owned(),
        |end| {
            format!(
                "{} m of fibre from the link's start to its end",
                with_error(
                    (end.value - one_way.link_from).m(),
                    end.std_error.map(Length::m),
                    1
                )
            )
        },
    );
    for (label, value) in [
        ("taken from", named(header.from.as_ref())),
        ("towards", named(header.to.as_ref())),
        (
            "link starts",
            format!(
                "{} m from the instrument's port",
                signed(one_way.link_from.m(), 1)
            ),
        ),
        ("length", length),
        ("loss", "— one direction cannot know it".to_owned()),
        (
            "return loss",
            one_way.orl.map_or_else(
                || "—".to_owned(),
                |orl| format!("{} dB seen from this end", signed(orl.db(), 1)),
            ),
        ),
        (
            "measurable",
            format!(
                "to {} m from the link's start",
                signed((one_way.usable_to - one_way.link_from).m(), 0)
            ),
        ),
    ] {
        text.push_str(&label_line(label, &value, width));
    }
    text
}

fn events(one_way: &OneWay, width: usize, footnotes: &mut Footnotes) -> String {
    let mut text = title("Events (places in metres of fibre)");
    if one_way.events.is_empty() {
        text.push_str("none found\n");
        return text;
    }
    let rows = one_way
        .events
        .iter()
        .enumerate()
        .map(|(index, event)| {
            vec![
                (index + 1).to_string(),
                signed((event.position.value - one_way.link_from).m(), 1),
                signed(event.position.value.m(), 1),
                what(event),
                match &event.loss {
                    Ok(loss) => loss_with_error(loss),
                    Err(missing) => footnotes.missing(&missing.reason),
                },
                reflectance(event.reflectance),
                signed((event.dead_zone.1 - event.dead_zone.0).m(), 1),
            ]
        })
        .collect();
    let headings = [
        Heading("no.", Align::Right),
        Heading("from the\nlink's start", Align::Right),
        Heading("from the\nport", Align::Right),
        Heading("what it looks like", Align::Left),
        Heading("apparent loss\ndB, one way", Align::Right),
        Heading("reflectance\ndB", Align::Right),
        Heading("dead zone\nm", Align::Right),
    ];
    text.push_str(&grid(&headings, rows, width));
    text
}

fn what(event: &OneWayEvent) -> String {
    match (event.kind, event.echo_of) {
        (OneWayKind::Echo, Some((one, other))) => format!("echo of {} and {}", one + 1, other + 1),
        (OneWayKind::Echo, None) => "echo".to_owned(),
        (OneWayKind::Reflective, _) => "reflective event".to_owned(),
        (OneWayKind::NonReflective, _) => "non-reflective event".to_owned(),
        (OneWayKind::End, _) => "end of what shows".to_owned(),
    }
}

fn cannot_know(trace: &Trace, one_way: &OneWay, width: usize) -> String {
    let mut sentences = vec![
        "The loss of a joint: this reading is the loss plus or minus the backscatter difference of \
         the two fibres. Take the trace from the other end too and average; do not redo a joint on \
         these numbers."
            .to_owned(),
    ];
    let gains: Vec<String> = one_way
        .events
        .iter()
        .enumerate()
        .filter(|(_, event)| reads_as_gain(event))
        .map(|(index, _)| (index + 1).to_string())
        .collect();
    if !gains.is_empty() {
        sentences.push(format!(
            "Whether {} gained anything: a joint cannot amplify, the fibre behind it scatters more.",
            gains.join(", ")
        ));
    }
    if !has_launch_cord(trace, one_way) {
        sentences.push(format!("The first connector: {NO_LAUNCH_REASON}."));
    }
    if trace.header().tail_cord.is_none_or(|cord| cord.m() <= 0.0) {
        sentences.push(
            "The last connector: without a tail cord there is no fibre behind it to measure against."
                .to_owned(),
        );
    }
    let mut text = title("What one direction cannot know");
    for sentence in sentences {
        text.push_str(&wrapped(&format!("- {sentence}"), width, 2));
    }
    text
}

fn reads_as_gain(event: &OneWayEvent) -> bool {
    loss_and_error_db(&event.loss).is_some_and(|(loss_db, std_error_db)| {
        std_error_db.is_some_and(|error_db| loss_db < -CLEAR_OF_NOISE * error_db)
    })
}

fn has_launch_cord(trace: &Trace, one_way: &OneWay) -> bool {
    trace
        .header()
        .launch_cord
        .map_or(one_way.link_from > Position::from_m(0.0), |cord| {
            cord.m() > 0.0
        })
}

fn sections(one_way: &OneWay, width: usize) -> String {
    if one_way.sections.is_empty() {
        return String::new();
    }
    let rows = one_way
        .sections
        .iter()
        .map(|section| {
            vec![
                signed((section.from - one_way.link_from).m(), 1),
                signed((section.to - one_way.link_from).m(), 1),
                with_error(
                    section.attenuation.value.db_per_km(),
                    section.attenuation.std_error.map(Attenuation::db_per_km),
                    3,
                ),
            ]
        })
        .collect();
    let headings = [
        Heading("from\nm", Align::Right),
        Heading("to\nm", Align::Right),
        Heading("attenuation, one way\ndB/km", Align::Right),
    ];
    title("Sections (places from the link's start)") + &grid(&headings, rows, width)
}
