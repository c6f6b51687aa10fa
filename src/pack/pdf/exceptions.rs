//! What is not within limits, before anything else.

use super::flow::{BODY, Flow};
use super::page::Anchor;
use super::summary::verdict;
use super::table::{Align, Cell, Column, Table};
use super::words::{self, FibrePage, MISSING};
use crate::both_ways::{Link, Verdict};
use crate::cable::CableResult;
use crate::pack::named;
use crate::pack::wording::Text;
use crate::pack::{Content, PackLink};
use crate::report::number::{signed, with_error};
use crate::report::plain_text;
use crate::units::{Loss, Wavelength};
use crate::verdict::{Judgement, Place, What};

/// Most fibres that a finding names one by one.
const MOST_NAMED: usize = 12;
/// Most reasons that are listed for one link; its page has all its events.
const MOST_OF_A_LINK: usize = 6;
/// Most reasons for what was not measured of one link; its page has all of them too.
const MOST_MISSING: usize = 2;

/// Lays the chapter.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let wording = content.wording;
    flow.chapter_below(wording.of(Text::Exceptions));
    flow.anchor(Anchor::Chapter(2));
    let is_judged = content.limits.is_some()
        || content
            .links
            .iter()
            .any(|entry| entry.link.verdict != Verdict::NotJudged);
    let rows = worst_first(content, fibres);
    let untaken = words::untaken(content);
    for line in &untaken {
        flow.text(line, BODY);
        flow.advance(6.0);
    }
    if !is_judged {
        flow.text(wording.of(Text::NoLimits), BODY);
        flow.advance(6.0);
    } else if rows.is_empty() && content.missing().is_empty() && untaken.is_empty() {
        flow.text(wording.of(Text::NoExceptions), BODY);
        flow.advance(6.0);
    } else if !rows.is_empty() {
        flow.section(wording.of(Text::LinksNotPassed), 40.0);
        not_passed(content, rows).lay(flow);
    }
    missing(flow, content);
    if let Some(cable) = content.cable {
        findings(flow, content, cable);
        skipped(flow, content, cable);
    }
}

/// Rows of the closures whose mean was judged so.
fn closures(content: &Content<'_>, wanted: Verdict) -> Vec<Vec<Cell>> {
    content
        .closure_means()
        .filter(|(_, one)| one.verdict == wanted)
        .map(|(light, one)| {
            let mut row = vec![Cell::new(""), Cell::new(words::wavelength(light))];
            row.extend(of_judgement(content, None, one));
            row
        })
        .collect()
}

/// Rows of closures and links that were judged and did not pass, the worst first.
fn worst_first(content: &Content<'_>, fibres: &[FibrePage]) -> Vec<Vec<Cell>> {
    let mut rows = Vec::new();
    for wanted in [Verdict::Fail, Verdict::Undecided, Verdict::NotJudged] {
        rows.extend(closures(content, wanted));
        for (place, fibre) in fibres.iter().enumerate() {
            for &index in &fibre.links {
                let Some(entry) = content.links.get(index) else {
                    continue;
                };
                if entry.link.verdict == wanted {
                    rows.extend(of_link(content, entry, &fibre.name, place));
                }
            }
        }
    }
    rows
}

/// What keeps a link from passing, the widest off its limit first.
fn of_link(content: &Content<'_>, entry: &PackLink, name: &str, place: usize) -> Vec<Vec<Cell>> {
    let link = &entry.link;
    let mut judgements: Vec<&Judgement> = entry
        .judgements()
        .iter()
        .filter(|judgement| judgement.verdict == link.verdict)
        .collect();
    judgements.sort_by(|one, other| {
        let off = |judgement: &Judgement| judgement.margin.unwrap_or(f64::INFINITY);
        off(one).total_cmp(&off(other))
    });
    let head = |is_first: bool| {
        let name = if is_first { name } else { "" };
        let light = if is_first {
            words::wavelength(link.wavelength)
        } else {
            String::new()
        };
        [
            Cell::new(name).bold().jumping(Some(Anchor::Fibre(place))),
            Cell::new(light),
        ]
    };
    if judgements.is_empty() {
        let mut row = head(true).to_vec();
        row.push(verdict(content, link.verdict));
        row.extend((0..4).map(|_| Cell::new("")));
        return vec![row];
    }
    if link.verdict == Verdict::NotJudged {
        let mut row = head(true).to_vec();
        row.extend(not_judged(content, link, &judgements));
        return vec![row];
    }
    let rest = judgements.len().saturating_sub(MOST_OF_A_LINK);
    let mut rows: Vec<Vec<Cell>> = judgements
        .into_iter()
        .take(MOST_OF_A_LINK)
        .enumerate()
        .map(|(number, judgement)| {
            let mut row = head(number == 0).to_vec();
            row.extend(of_judgement(content, Some(link), judgement));
            row
        })
        .collect();
    if rest > 0 {
        let mut row = head(false).to_vec();
        row.extend([Cell::new(""), Cell::soft(format!("… (+{rest})"))]);
        row.extend((0..3).map(|_| Cell::new("")));
        rows.push(row);
    }
    rows
}

/// What was not measured of a link in one row: in a whole cable it is the same of many.
fn not_judged(content: &Content<'_>, link: &Link, judgements: &[&Judgement]) -> [Cell; 5] {
    let mut quantities: Vec<(&str, Vec<String>)> = Vec::new();
    let mut reasons: Vec<String> = Vec::new();
    for judgement in judgements {
        let quantity = named::quantity(judgement.what, content.wording);
        let at = at(judgement, Some(link));
        match quantities.iter_mut().find(|(known, _)| *known == quantity) {
            Some((_, places)) => places.push(at),
            None => quantities.push((quantity, vec![at])),
        }
        let reason = named::reason(judgement, content.wording);
        if !reasons.contains(&reason) {
            reasons.push(reason);
        }
    }
    let more = reasons.len().saturating_sub(MOST_MISSING);
    if more > 0 {
        reasons.truncate(MOST_MISSING);
        reasons.push(format!("… (+{more})"));
    }
    let quantities: Vec<String> = quantities
        .into_iter()
        .map(|(quantity, places)| with_place(quantity, &places.join("; ")))
        .collect();
    [
        verdict(content, Verdict::NotJudged),
        Cell::new(quantities.join("\n")),
        Cell::new(MISSING),
        Cell::new(""),
        Cell::soft(reasons.join("; ")),
    ]
}

/// A quantity with its place behind it, where it has one.
fn with_place(quantity: &str, at: &str) -> String {
    if at.is_empty() {
        quantity.to_owned()
    } else {
        format!("{quantity}: {at}")
    }
}

/// Where a judged value belongs, short; an event that is at no joint has its metres.
fn at(judgement: &Judgement, link: Option<&Link>) -> String {
    match &judgement.place {
        Place::Event {
            number,
            joint,
            seen_from,
        } => {
            let mut text = number.to_string();
            let event = || link?.events.iter().find(|event| event.number == *number);
            if let Some(joint) = joint {
                text = format!("{text}, {}", plain_text(joint));
            } else if let Some(event) = event() {
                text = format!("{text}, {} m", words::place(event));
            }
            if let Some(end) = seen_from {
                text = format!("{text}, {end}");
            }
            text
        }
        Place::Section { from, to } => {
            format!("{}–{} m", signed(from.m(), 0), signed(to.m(), 0))
        }
        Place::Link => String::new(),
        Place::LinkFrom(end) => end.to_string(),
        Place::Closure(name) => plain_text(name),
    }
}

fn of_judgement(content: &Content<'_>, link: Option<&Link>, judgement: &Judgement) -> [Cell; 5] {
    let unit = judgement.what.unit();
    let quantity = named::quantity(judgement.what, content.wording);
    let what = if unit.is_empty() {
        quantity.to_owned()
    } else {
        format!("{quantity}, {unit}")
    };
    let decimals = match judgement.what {
        What::Reflectance | What::ReturnLoss => 1,
        What::SplicesOver | What::Continuity => 0,
        What::SpliceLoss
        | What::ConnectorLoss
        | What::GroupLoss
        | What::SectionAttenuation
        | What::FibreMean
        | What::ClosureMean
        | What::LinkLoss => 3,
    };
    let value = judgement.value.map_or_else(
        || MISSING.to_owned(),
        |value| match judgement.std_error {
            Some(error) => with_error(value, Some(error), decimals),
            None => signed(value, decimals),
        },
    );
    let limit = judgement
        .limit
        .map_or_else(|| MISSING.to_owned(), |limit| signed(limit, decimals));
    [
        verdict(content, judgement.verdict),
        Cell::new(with_place(&what, &at(judgement, link))),
        Cell::new(value),
        Cell::new(limit),
        Cell::soft(named::reason(judgement, content.wording)),
    ]
}

fn not_passed(content: &Content<'_>, rows: Vec<Vec<Cell>>) -> Table {
    let wording = content.wording;
    let left = |text: Text, least: f32| Column {
        least,
        ..Column::new(wording.of(text), Align::Left)
    };
    Table {
        columns: vec![
            left(Text::Fibre, 40.0),
            Column::new(wording.of(Text::Wavelength), Align::Right),
            left(Text::Verdict, 54.0),
            left(Text::Quantity, 90.0),
            Column::new(wording.of(Text::Value), Align::Decimal),
            Column::new(wording.of(Text::Limit), Align::Decimal),
            left(Text::Reason, 120.0),
        ],
        rows,
        size: 7.4,
    }
}

/// The fibres without a link, one row a wavelength.
fn missing(flow: &mut Flow, content: &Content<'_>) {
    let mut fibres: Vec<(Wavelength, Vec<String>)> = Vec::new();
    for (fibre, wavelength) in content.missing() {
        let name = plain_text(&fibre.name);
        match fibres.iter_mut().find(|(light, _)| *light == wavelength) {
            Some((_, names)) => names.push(name),
            None => fibres.push((wavelength, vec![name])),
        }
    }
    if fibres.is_empty() {
        return;
    }
    let wording = content.wording;
    flow.section(wording.of(Text::LinksMissingTitle), 40.0);
    fibres.sort_by(|(one, _), (other, _)| one.nm().total_cmp(&other.nm()));
    let rows = fibres
        .into_iter()
        .map(|(wavelength, names)| {
            vec![
                Cell::new(words::wavelength(wavelength)),
                Cell::new(names.len().to_string()),
                Cell::new(names.join(", ")),
            ]
        })
        .collect();
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Wavelength), Align::Left),
            Column::new(wording.of(Text::Links), Align::Right),
            Column {
                least: 300.0,
                ..Column::new(wording.of(Text::Fibres), Align::Left)
            },
        ],
        rows,
        size: 7.4,
    };
    table.lay(flow);
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
                Cell::new(named::finding_kind(finding.kind, wording)).bold(),
                Cell::new(names.join(", ")),
                Cell::new(joint),
                Cell::new(place),
                Cell::new(loss),
                Cell::new(named::finding(finding, cable, wording)),
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
