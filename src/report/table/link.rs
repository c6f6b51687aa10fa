//! The table of a link measured from both ends.

use super::TableSettings;
use super::grid::{Align, Heading, grid, title, wrapped};
use super::head::{head, verdict};
use super::paint::painted;
use super::verdicts::{event_cell, event_margin, not_passed, verdicts};
use crate::both_ways::{Event, EventKind, GAIN_NOTE, KindFrom, Link};
use crate::measure::{ReflectanceReading, Section};
use crate::report::event_words::{kind_in_words, named_place, seen_in_words};
use crate::report::findings::{Finding, Noteworthy, noteworthy};
use crate::report::number::{NO_NUMBER_REASON, loss_with_error, signed, with_error};
use crate::report::plain::{plain_text, shortened};
use crate::units::{Attenuation, Loss, Measurement, Reflectance};
use crate::verdict::{Judged, Place};

/// Narrower than this, the readings stand in a table of their own.
const ONE_TABLE_WIDTH: usize = 128;
/// Longest name of a joint in a row; the JSON has it whole.
const LONGEST_NAME: usize = 28;
/// Fewest characters that anything useful fits in.
const LEAST_WIDTH: usize = 60;

/// Writes a link for a person: identity, joints, what stands out, sections, doubts.
///
/// With `judged`, also verdicts, margins and the limits that were applied.
pub fn link(link: &Link, judged: Option<&Judged>, settings: &TableSettings) -> String {
    let width = settings.width.max(LEAST_WIDTH);
    let mut footnotes = Footnotes::default();
    let mut text = head(link, judged, width, &mut footnotes);
    text.push_str(&events(link, judged, width, &mut footnotes));
    if let Some(judged) = judged {
        text.push_str(&not_passed(judged, width));
    }
    text.push_str(&stands_out(link, width));
    text.push_str(&sections(link, judged, width));
    if let Some(judged) = judged {
        text.push_str(&verdicts(link, judged, width));
    }
    text.push_str(&footnotes.text(width));
    text.push_str(&super::trace::warnings(&link.warnings, width));
    painted(&text, settings.colour)
}

/// Reasons for what is missing, numbered in the order of first use, each said once.
#[derive(Debug, Default)]
pub(super) struct Footnotes {
    reasons: Vec<String>,
}

impl Footnotes {
    /// The mark of a reason.
    pub(super) fn mark(&mut self, reason: &str) -> String {
        let reason = plain_text(reason);
        let index = self
            .reasons
            .iter()
            .position(|known| *known == reason)
            .unwrap_or_else(|| {
                self.reasons.push(reason);
                self.reasons.len() - 1
            });
        format!("[{}]", index + 1)
    }

    /// `—` with the mark of the reason.
    pub(super) fn missing(&mut self, reason: &str) -> String {
        format!("— {}", self.mark(reason))
    }

    /// All reasons, one a line.
    pub(super) fn text(&self, width: usize) -> String {
        if self.reasons.is_empty() {
            return String::new();
        }
        let mut text = title("Not measured, and why");
        for (index, reason) in self.reasons.iter().enumerate() {
            let mark = format!("[{}]", index + 1);
            text.push_str(&wrapped(&format!("{mark} {reason}"), width, mark.len() + 1));
        }
        text
    }
}

fn events(link: &Link, judged: Option<&Judged>, width: usize, footnotes: &mut Footnotes) -> String {
    let mut text = title("Joints and events (places in metres of fibre from A's first connector)");
    if link.events.is_empty() {
        text.push_str("none found\n");
        return text;
    }
    let mut result_rows = Vec::new();
    let mut reading_rows = Vec::new();
    for event in &link.events {
        result_rows.push(result_row(event, link, judged, footnotes));
        reading_rows.push(reading_row(event, footnotes));
    }
    if width >= ONE_TABLE_WIDTH {
        let rows = result_rows
            .into_iter()
            .zip(reading_rows)
            .map(|(mut result, reading)| {
                result.extend(reading);
                result
            })
            .collect();
        let headings: Vec<Heading> = result_headings(judged)
            .into_iter()
            .chain(reading_headings())
            .collect();
        text.push_str(&grid(&headings, rows, width));
        return text;
    }
    text.push_str(&grid(&result_headings(judged), result_rows, width));
    text.push_str(&title("What each end read"));
    let rows = link
        .events
        .iter()
        .zip(reading_rows)
        .map(|(event, mut row)| {
            row.insert(0, event.number.to_string());
            row
        })
        .collect();
    let headings: Vec<Heading> = std::iter::once(Heading("no.", Align::Right))
        .chain(reading_headings())
        .collect();
    text.push_str(&grid(&headings, rows, width));
    text
}

fn result_headings(judged: Option<&Judged>) -> Vec<Heading> {
    let mut headings = vec![
        Heading("no.", Align::Right),
        Heading("place\nm", Align::Right),
        Heading("what it is", Align::Left),
        Heading("two-way loss\ndB", Align::Right),
        Heading("verdict", Align::Left),
        Heading("of it\nworkmanship", Align::Right),
    ];
    if judged.is_some() {
        headings.insert(5, Heading("margin\ndB", Align::Right));
    }
    headings
}

fn reading_headings() -> [Heading; 4] {
    [
        Heading("read\nfrom A", Align::Right),
        Heading("read\nfrom B", Align::Right),
        Heading("reflectance\nfrom A", Align::Right),
        Heading("reflectance\nfrom B", Align::Right),
    ]
}

fn result_row(
    event: &Event,
    link: &Link,
    judged: Option<&Judged>,
    footnotes: &mut Footnotes,
) -> Vec<String> {
    let workmanship = match &event.workmanship {
        Ok(share) => loss_with_error(&share.workmanship),
        Err(missing) if event.loss.is_ok() => footnotes.missing(&missing.reason),
        Err(_) => "—".to_owned(),
    };
    let mut row = vec![
        event.number.to_string(),
        place(event),
        what(event, link),
        loss(&event.loss, footnotes),
        event_cell(event, judged),
        workmanship,
    ];
    if let Some(judged) = judged {
        row.insert(5, event_margin(event, judged));
    }
    row
}

fn reading_row(event: &Event, footnotes: &mut Footnotes) -> Vec<String> {
    vec![
        loss(&event.loss_a_to_b, footnotes),
        loss(&event.loss_b_to_a, footnotes),
        reflectance(event.reflectance_a),
        reflectance(event.reflectance_b),
    ]
}

fn loss(loss: &Measurement<Loss>, footnotes: &mut Footnotes) -> String {
    match loss {
        Ok(loss) if loss.value.db().is_finite() => loss_with_error(loss),
        Ok(_) => footnotes.missing(NO_NUMBER_REASON),
        Err(missing) => footnotes.missing(&missing.reason),
    }
}

/// A reflectance in dB; `≥` where the peak was clipped and the true one is stronger.
pub(super) fn reflectance(reading: Option<ReflectanceReading>) -> String {
    reading.map_or_else(
        || "—".to_owned(),
        |reading| {
            let value = signed(Reflectance::db(reading.value), 1);
            if reading.is_bound {
                format!("≥ {value}")
            } else {
                value
            }
        },
    )
}

fn place(event: &Event) -> String {
    if let Some(from_b) = event.position_from_b {
        return format!("B + {}", signed(from_b.m(), 1));
    }
    let from = signed(event.position.value.m(), 1);
    match event.end {
        Some(end) => format!("{from}\nto {}", signed(end.m(), 1)),
        None => from,
    }
}

fn what(event: &Event, link: &Link) -> String {
    let mut text = kind_in_words(event);
    if let Some((one, other)) = event.echo_of {
        let (one, other) = (named_place(link, one.m()), named_place(link, other.m()));
        text = format!("{text} of {one} and {other}");
    }
    if let Some(joint) = &event.joint {
        text = format!("{text}, {}", shortened(&plain_text(joint), LONGEST_NAME));
    }
    if event.kind_from == KindFrom::Plan {
        text.push_str(" (by plan)");
    }
    text + seen_in_words(event)
}

fn stands_out(link: &Link, width: usize) -> String {
    let found = noteworthy(link);
    let mut sentences: Vec<String> = found.iter().map(Noteworthy::sentence).collect();
    let says_gain = |event: &Event| {
        found.iter().any(|one| {
            one.event.number == event.number && matches!(one.finding, Finding::GainBothWays { .. })
        })
    };
    for event in &link.events {
        if event.kind == EventKind::Group {
            sentences.push(format!(
                "Number {} is a group of events closer than pulse and receiver can tell apart: its loss is that of \
                 all of them together.",
                event.number
            ));
        }
        for note in &event.notes {
            if note == GAIN_NOTE && says_gain(event) {
                continue;
            }
            sentences.push(format!("{}: {}", event.number, plain_text(note)));
        }
    }
    if sentences.is_empty() {
        return String::new();
    }
    let mut text = title("What stands out");
    for sentence in sentences {
        text.push_str(&wrapped(&format!("- {sentence}"), width, 2));
    }
    text
}

fn sections(link: &Link, judged: Option<&Judged>, width: usize) -> String {
    if link.sections.is_empty() {
        return String::new();
    }
    let rows = link
        .sections
        .iter()
        .map(|section| {
            let mut row = vec![
                signed(section.from.m(), 1),
                signed(section.to.m(), 1),
                signed((section.to - section.from).m(), 1),
                with_error(
                    section.attenuation.value.db_per_km(),
                    section.attenuation.std_error.map(Attenuation::db_per_km),
                    3,
                ),
            ];
            row.extend(judged.map(|judged| section_verdict(section, judged)));
            row
        })
        .collect();
    let attenuation = if link.is_broken() {
        "attenuation, one way\ndB/km"
    } else {
        "attenuation, two-way\ndB/km"
    };
    let mut headings = vec![
        Heading("from\nm", Align::Right),
        Heading("to\nm", Align::Right),
        Heading("length\nm", Align::Right),
        Heading(attenuation, Align::Right),
    ];
    headings.extend(judged.map(|_| Heading("verdict", Align::Left)));
    title("Sections between them") + &grid(&headings, rows, width)
}

/// The verdict on a section; one shorter than the limit asks for has none.
fn section_verdict(section: &Section, judged: &Judged) -> String {
    judged
        .judgements
        .iter()
        .find(|one| matches!(one.place, Place::Section { from, to } if from == section.from && to == section.to))
        .map_or_else(
            || "—".to_owned(),
            |one| match one.limit {
                Some(limit) => format!("{} at {limit}", verdict(one.verdict)),
                None => verdict(one.verdict),
            },
        )
}
