//! What is not within limits, before anything else.

use super::flow::{BODY, Flow};
use super::page::Anchor;
use super::summary::verdict;
use super::table::{Align, Cell, Column, Table};
use super::words::{self, FibrePage, MISSING};
use crate::both_ways::{Event, Link, Verdict};
use crate::cable::CableResult;
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::{signed, with_error};
use crate::report::plain_text;
use crate::units::Loss;

/// Most fibres that a finding names one by one.
const MOST_NAMED: usize = 12;

/// Lays the chapter.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let wording = content.wording;
    flow.chapter(wording.of(Text::Exceptions));
    flow.anchor(Anchor::Chapter(2));
    let is_judged = content
        .links
        .iter()
        .any(|entry| entry.link.verdict != Verdict::NotJudged);
    let rows = links(content, fibres);
    if !is_judged {
        flow.text(wording.of(Text::NoLimits), BODY);
        flow.advance(6.0);
    } else if rows.is_empty() {
        flow.text(wording.of(Text::NoExceptions), BODY);
        flow.advance(6.0);
    } else {
        flow.section(wording.of(Text::LinksNotPassed), 40.0);
        not_passed(content, rows).lay(flow);
    }
    if let Some(cable) = content.cable {
        findings(flow, content, cable);
        skipped(flow, content, cable);
    }
}

/// One row a link that was judged and did not pass, the worst first.
fn links(content: &Content<'_>, fibres: &[FibrePage]) -> Vec<Vec<Cell>> {
    let mut rows = Vec::new();
    for wanted in [Verdict::Fail, Verdict::Undecided, Verdict::NotJudged] {
        for (place, fibre) in fibres.iter().enumerate() {
            for &index in &fibre.links {
                let Some(entry) = content.links.get(index) else {
                    continue;
                };
                if entry.link.verdict == wanted {
                    rows.push(row(content, &entry.link, &fibre.name, place));
                }
            }
        }
    }
    rows
}

fn row(content: &Content<'_>, link: &Link, name: &str, place: usize) -> Vec<Cell> {
    let worst = worst_event(link);
    let number = |value: Option<String>| Cell::new(value.unwrap_or_else(|| MISSING.to_owned()));
    vec![
        Cell::new(name).jumping(Some(Anchor::Fibre(place))),
        Cell::new(words::wavelength(link.wavelength)),
        verdict(content, link.verdict),
        Cell::new(worst.map_or_else(
            || MISSING.to_owned(),
            |event| format!("{}: {}", event.number, words::what(event, link)),
        )),
        number(worst.map(words::place)),
        number(worst.map(|event| words::loss(&event.loss))),
        number(worst.and_then(|event| event.limit.map(|limit| signed(Loss::db(limit), 2)))),
        Cell::new(words::loss(&link.loss)),
    ]
}

/// The event that the link's verdict rests on, or the one that says most about it.
fn worst_event(link: &Link) -> Option<&Event> {
    let excess = |event: &Event| {
        let loss = event.loss.as_ref().map_or(f64::NEG_INFINITY, |loss| loss.value.db());
        loss - event.limit.map_or(0.0, Loss::db)
    };
    link.events
        .iter()
        .filter(|event| event.verdict == link.verdict && event.verdict != Verdict::Pass)
        .max_by(|one, other| excess(one).total_cmp(&excess(other)))
}

fn not_passed(content: &Content<'_>, rows: Vec<Vec<Cell>>) -> Table {
    let wording = content.wording;
    Table {
        columns: vec![
            Column {
                least: 40.0,
                ..Column::new(wording.of(Text::Fibre), Align::Left)
            },
            Column::new(wording.of(Text::Wavelength), Align::Right),
            Column {
                least: 44.0,
                ..Column::new(wording.of(Text::Verdict), Align::Left)
            },
            Column::new(wording.of(Text::WorstJoint), Align::Left),
            Column::new(format!("{}, m", wording.of(Text::Place)), Align::Decimal),
            Column::new(format!("{}, dB", wording.of(Text::Loss)), Align::Decimal),
            Column::new(format!("{}, dB", wording.of(Text::Limit)), Align::Decimal),
            Column::new(
                format!("{}, {}, dB", wording.of(Text::Loss), wording.of(Text::Fibre)),
                Align::Decimal,
            ),
        ],
        rows,
        size: 7.4,
    }
}

fn findings(flow: &mut Flow, content: &Content<'_>, cable: &CableResult) {
    if cable.findings.is_empty() {
        return;
    }
    let wording = content.wording;
    flow.section(wording.of(Text::Findings), 40.0);
    let rows = cable
        .findings
        .iter()
        .map(|finding| {
            let mut names: Vec<String> = finding
                .fibres
                .iter()
                .take(MOST_NAMED)
                .map(|name| plain_text(name))
                .collect();
            if finding.fibres.len() > MOST_NAMED {
                names.push(format!("… (+{})", finding.fibres.len() - MOST_NAMED));
            }
            let joint = finding
                .joint
                .and_then(|joint| cable.joints.get(joint))
                .map_or_else(|| MISSING.to_owned(), |joint| plain_text(&joint.name));
            let place = finding
                .position
                .map_or_else(|| MISSING.to_owned(), |place| signed(place.m(), 1));
            let loss = finding.loss.map_or_else(
                || MISSING.to_owned(),
                |loss| with_error(loss.value.db(), loss.std_error.map(Loss::db), 3),
            );
            vec![
                Cell::new(finding.kind.word()).bold(),
                Cell::new(names.join(", ")),
                Cell::new(joint),
                Cell::new(place),
                Cell::new(loss),
                Cell::new(plain_text(&finding.message)),
            ]
        })
        .collect();
    let table = Table {
        columns: vec![
            Column {
                least: 62.0,
                ..Column::new(wording.of(Text::Finding), Align::Left)
            },
            Column {
                least: 40.0,
                ..Column::new(wording.of(Text::Fibres), Align::Left)
            },
            Column {
                least: 48.0,
                ..Column::new(wording.of(Text::Joint), Align::Left)
            },
            Column::new(format!("{}, m", wording.of(Text::Place)), Align::Decimal),
            Column::new(format!("{}, dB", wording.of(Text::Loss)), Align::Decimal),
            Column {
                least: 150.0,
                ..Column::new(wording.of(Text::Notes), Align::Left)
            },
        ],
        rows,
        size: 7.4,
    };
    table.lay(flow);
}

fn skipped(flow: &mut Flow, content: &Content<'_>, cable: &CableResult) {
    if cable.skipped.is_empty() {
        return;
    }
    let wording = content.wording;
    flow.section(wording.of(Text::Skipped), 40.0);
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::File), Align::Left),
            Column {
                least: 200.0,
                ..Column::new(wording.of(Text::Reason), Align::Left)
            },
        ],
        rows: cable
            .skipped
            .iter()
            .map(|skipped| {
                vec![
                    Cell::new(plain_text(&skipped.file)),
                    Cell::new(plain_text(&skipped.reason)),
                ]
            })
            .collect(),
        size: 7.4,
    };
    table.lay(flow);
}
