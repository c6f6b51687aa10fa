//! Joints to do again, with a sheet for each visit to take along and fill in.

use super::flow::{BODY, Flow, NOTE};
use super::page::{Anchor, HAIR, SOFT};
use super::settings;
use super::summary::verdict;
use super::table::{Align, Cell, Column, Table};
use super::words::{self, FibrePage, MISSING};
use crate::cable::{CableResult, RedoEntry, Visit};
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::{loss_with_error, signed};
use crate::report::plain_text;
use crate::units::{Length, Loss};

/// Height of a row to write in by hand: 8 mm, as ruled paper has it.
const BY_HAND: f32 = 22.7;

/// Lays the chapter; none without a cable.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let Some(cable) = content.cable else { return };
    let wording = content.wording;
    flow.chapter_below(wording.of(Text::Redo));
    flow.anchor(Anchor::Chapter(3));
    if cable.redo.is_empty() {
        flow.text(wording.of(Text::NothingToRedo), BODY);
        return;
    }
    list(flow, content, cable, fibres);
    record(flow, content, cable);
    for visit in &cable.visits {
        sheet(flow, content, cable, visit);
    }
}

fn joint_name(cable: &CableResult, joint: usize) -> String {
    cable
        .joints
        .get(joint)
        .map_or_else(|| MISSING.to_owned(), |joint| plain_text(&joint.name))
}

fn fibre_name(cable: &CableResult, fibre: usize) -> String {
    cable
        .fibres
        .get(fibre)
        .map_or_else(|| MISSING.to_owned(), |fibre| plain_text(&fibre.name))
}

fn tube(cable: &CableResult, fibre: usize) -> String {
    cable
        .fibres
        .get(fibre)
        .and_then(words::tube_and_colour)
        .unwrap_or_else(|| MISSING.to_owned())
}

fn chainage(length: Option<Length>) -> String {
    length.map_or_else(|| MISSING.to_owned(), |length| signed(length.m(), 0))
}

fn list(flow: &mut Flow, content: &Content<'_>, cable: &CableResult, fibres: &[FibrePage]) {
    let wording = content.wording;
    let head = |text: Text, unit: &str| format!("{}, {unit}", wording.of(text));
    let narrow = |text: Text, least: f32| Column {
        least,
        ..Column::new(wording.of(text), Align::Left)
    };
    let rows = cable
        .redo
        .iter()
        .map(|entry| {
            let page = fibres
                .iter()
                .position(|page| page.of_cable == Some(entry.fibre));
            vec![
                Cell::new(entry.rank.to_string()),
                Cell::new(joint_name(cable, entry.joint)),
                Cell::new(format!(
                    "{}\n{}",
                    fibre_name(cable, entry.fibre),
                    tube(cable, entry.fibre)
                ))
                .jumping(page.map(Anchor::Fibre)),
                Cell::new(words::wavelength(entry.wavelength)),
                Cell::new(chainage(entry.chainage_from_a)),
                Cell::new(chainage(entry.chainage_from_b)),
                Cell::new(signed(entry.position.m(), 1)),
                Cell::new(loss_with_error(&entry.loss)),
                Cell::new(entry.forced.as_ref().map_or_else(
                    || MISSING.to_owned(),
                    |forced| signed(Loss::db(forced.value), 3),
                )),
                Cell::new(
                    entry
                        .expected_after
                        .map_or_else(|| MISSING.to_owned(), |loss| signed(Loss::db(loss), 3)),
                ),
                verdict(content, entry.link_verdict_after),
            ]
        })
        .collect();
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Rank), Align::Right),
            narrow(Text::Joint, 44.0),
            Column {
                least: 58.0,
                ..Column::new(
                    format!(
                        "{}\n{}",
                        wording.of(Text::Fibre),
                        wording.of(Text::TubeAndColour)
                    ),
                    Align::Left,
                )
            },
            Column::new(wording.of(Text::Wavelength), Align::Right),
            roomy(head(Text::ChainageFromA, "m"), Align::Right),
            roomy(head(Text::ChainageFromB, "m"), Align::Right),
            Column::new(head(Text::Place, "m"), Align::Decimal),
            Column::new(head(Text::Loss, "dB"), Align::Decimal),
            roomy(head(Text::Forced, "dB"), Align::Decimal),
            roomy(head(Text::ExpectedAfter, "dB"), Align::Decimal),
            narrow(Text::VerdictAfter, 40.0),
        ],
        rows,
        size: 7.0,
    };
    table.lay(flow);
    let mut origins: Vec<String> = cable
        .redo
        .iter()
        .filter(|entry| entry.expected_after.is_some())
        .map(|entry| plain_text(&entry.expected_from))
        .collect();
    origins.sort();
    origins.dedup();
    if !origins.is_empty() {
        flow.advance(4.0);
        let expected = wording.of(Text::ExpectedAfter);
        flow.text(&format!("{expected}: {}", origins.join("; ")), NOTE);
    }
}

/// The loss that a joint must keep below: its limit, or what made it a bad one.
fn required(cable: &CableResult, entry: &RedoEntry) -> Loss {
    cable
        .wavelengths
        .iter()
        .position(|&light| light == entry.wavelength)
        .and_then(|light| cable.matrix.cell(entry.fibre, entry.joint, light)?.limit)
        .unwrap_or(cable.rules.bad_splice)
}

/// The record of the second measurement, to be filled in.
fn record(flow: &mut Flow, content: &Content<'_>, cable: &CableResult) {
    let wording = content.wording;
    flow.section(wording.of(Text::Retest), 60.0);
    flow.text(wording.of(Text::RetestNote), NOTE);
    flow.advance(4.0);
    let empty = || Cell::new("").framed(Some(HAIR));
    let rows = cable
        .redo
        .iter()
        .map(|entry| {
            vec![
                Cell::new(joint_name(cable, entry.joint)),
                Cell::new(fibre_name(cable, entry.fibre)).bold(),
                Cell::new(words::wavelength(entry.wavelength)),
                Cell::new(loss_with_error(&entry.loss)),
                Cell::new(signed(Loss::db(required(cable, entry)), 3)),
                empty(),
                empty(),
                empty(),
                empty(),
                empty(),
            ]
        })
        .collect();
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Joint), Align::Left),
            Column {
                least: 34.0,
                ..Column::new(wording.of(Text::Fibre), Align::Left)
            },
            Column::new(wording.of(Text::Wavelength), Align::Right),
            Column::new(format!("{}, dB", wording.of(Text::Loss)), Align::Decimal),
            Column::new(format!("{}, dB", wording.of(Text::Limit)), Align::Decimal),
            wide(wording.of(Text::LossAToB), 46.0),
            wide(wording.of(Text::LossBToA), 46.0),
            wide(wording.of(Text::NewLoss), 46.0),
            wide(wording.of(Text::Date), 46.0),
            wide(wording.of(Text::By), 46.0),
        ],
        rows,
        size: 7.6,
    };
    table.lay_tall(flow, BY_HAND);
}

/// A column whose head is longer than its numbers.
fn roomy(head: String, align: Align) -> Column {
    Column {
        room: 46.0,
        ..Column::new(head, align)
    }
}

/// A column to write in by hand, so many points wide.
fn wide(head: &str, room: f32) -> Column {
    Column {
        least: room,
        room,
        ..Column::new(head, Align::Left)
    }
}

/// A page for one closure.
fn sheet(flow: &mut Flow, content: &Content<'_>, cable: &CableResult, visit: &Visit) {
    let wording = content.wording;
    flow.next_page();
    let name = joint_name(cable, visit.joint);
    let title = wording.filled(Text::VisitSheet, &[("joint", &name)]);
    flow.bookmark(1, &title);
    flow.text(&title, super::flow::CHAPTER);
    flow.advance(4.0);
    let entries: Vec<&RedoEntry> = visit
        .entries
        .iter()
        .filter_map(|&index| cable.redo.get(index))
        .collect();
    whereabouts(flow, content, cable, visit, &entries);
    let empty = || Cell::new("").framed(Some(HAIR));
    let rows = entries
        .iter()
        .map(|entry| {
            vec![
                Cell::new(fibre_name(cable, entry.fibre)).bold(),
                Cell::new(tube(cable, entry.fibre)),
                Cell::new(words::wavelength(entry.wavelength)),
                Cell::new(loss_with_error(&entry.loss)),
                Cell::new(
                    entry
                        .expected_after
                        .map_or_else(|| MISSING.to_owned(), |loss| signed(Loss::db(loss), 3)),
                ),
                empty(),
                empty(),
                empty(),
            ]
        })
        .collect();
    flow.advance(8.0);
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Fibre), Align::Left),
            Column::new(wording.of(Text::TubeAndColour), Align::Left),
            Column::new(wording.of(Text::Wavelength), Align::Right),
            Column::new(format!("{}, dB", wording.of(Text::Loss)), Align::Decimal),
            Column::new(
                format!("{}, dB", wording.of(Text::ExpectedAfter)),
                Align::Decimal,
            ),
            wide(wording.of(Text::Done), 58.0),
            wide(wording.of(Text::SplicerEstimate), 58.0),
            wide(wording.of(Text::NewLoss), 58.0),
        ],
        rows,
        size: 8.0,
    };
    table.lay_tall(flow, BY_HAND);
    steps(flow, content, visit);
    settings::cautions(flow, content);
    flow.gap(20.0);
    for text in [Text::Date, Text::By] {
        let line = format!("{} ", wording.of(text));
        flow.ruled(&line, BODY);
        flow.advance(12.0);
    }
}

/// Where the closure lies, from either end.
fn whereabouts(
    flow: &mut Flow,
    content: &Content<'_>,
    cable: &CableResult,
    visit: &Visit,
    entries: &[&RedoEntry],
) {
    let wording = content.wording;
    let mut parts = Vec::new();
    let joint = cable.joints.get(visit.joint);
    if let Some(joint) = joint {
        let place = signed(joint.position.value.m(), 1);
        parts.push(format!("{} {place} m", wording.of(Text::Place)));
    }
    let from = |text: Text, length: Option<Length>| {
        length.map(|length| format!("{} {} m", wording.of(text), signed(length.m(), 0)))
    };
    let first = entries.first();
    let chainage_a = joint
        .and_then(|joint| joint.chainage)
        .or_else(|| first.and_then(|entry| entry.chainage_from_a));
    parts.extend(from(Text::ChainageFromA, chainage_a));
    parts.extend(from(
        Text::ChainageFromB,
        first.and_then(|entry| entry.chainage_from_b),
    ));
    flow.text(&parts.join(" · "), BODY);
}

fn steps(flow: &mut Flow, content: &Content<'_>, visit: &Visit) {
    let wording = content.wording;
    flow.gap(10.0);
    if !visit.steps.is_empty() {
        let time = minutes(visit.seconds);
        let text = wording.filled(Text::VisitTime, &[("time", &time)]);
        flow.need(60.0);
        flow.text(&text, BODY.bold());
        flow.advance(3.0);
        let table = Table {
            columns: vec![
                Column::new(wording.of(Text::Step), Align::Left),
                Column::new(wording.of(Text::Times), Align::Right),
                Column::new(wording.of(Text::SecondsEach), Align::Right),
                Column::new(wording.of(Text::Source), Align::Left),
            ],
            rows: visit
                .steps
                .iter()
                .map(|step| {
                    let origin = if step.given {
                        Text::Given
                    } else {
                        Text::CommonPractice
                    };
                    vec![
                        Cell::new(plain_text(&step.step)),
                        Cell::new(step.times.to_string()),
                        Cell::new(step.seconds.to_string()),
                        Cell::soft(wording.of(origin)),
                    ]
                })
                .collect(),
            size: 7.4,
        };
        table.lay(flow);
    }
    if !visit.not_counted.is_empty() {
        let steps: Vec<String> = visit
            .not_counted
            .iter()
            .map(|step| plain_text(step))
            .collect();
        flow.advance(3.0);
        let text = wording.filled(Text::VisitNotCounted, &[("steps", &steps.join(", "))]);
        flow.text(&text, NOTE.inked(SOFT));
    }
}

/// Seconds as minutes and seconds, or hours and minutes.
fn minutes(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return MISSING.to_owned();
    }
    let whole = seconds.round().min(1e9) as u64;
    if whole >= 3600 {
        format!("{} h {:02} min", whole / 3600, whole / 60 % 60)
    } else {
        format!("{} min {:02} s", whole / 60, whole % 60)
    }
}

#[cfg(test)]
mod tests {
    use super::minutes;

    #[test]
    fn a_time_is_written_in_the_units_that_fit() {
        assert_eq!(minutes(95.4), "1 min 35 s");
        assert_eq!(minutes(3.0 * 3600.0 + 125.0), "3 h 02 min");
        assert_eq!(minutes(f64::NAN), "—");
    }
}
