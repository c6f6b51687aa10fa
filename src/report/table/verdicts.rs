//! What was held against limits, for a person.

use std::fmt::Write as _;

use super::grid::{Align, Heading, grid, title, wrapped};
use super::head::verdict;
use super::paint::{Paint, marked};
use crate::both_ways::{Event, Link, Verdict};
use crate::cable::CableResult;
use crate::report::number::{signed, with_error};
use crate::report::plain::plain_text;
use crate::verdict::{Judged, Judgement, LimitLine, Limits, Place, What};

/// Count of each verdict, such as `1 fail, 12 pass`.
pub(super) fn counts(judged: &Judged) -> String {
    [
        (Verdict::Fail, "fail"),
        (Verdict::NotJudged, "not judged"),
        (Verdict::Undecided, "undecided"),
        (Verdict::Pass, "pass"),
    ]
    .into_iter()
    .filter_map(|(kind, word)| {
        let of_kind = |judgement: &&Judgement| judgement.verdict == kind;
        let count = judged.judgements.iter().filter(of_kind).count();
        (count > 0).then(|| format!("{count} {word}"))
    })
    .collect::<Vec<_>>()
    .join(", ")
}

/// The rule in one sentence.
pub(super) fn rule(judged: &Judged) -> String {
    format!(
        "{}; a value passes {k} standard errors inside its limit, fails {k} outside, and is undecided \
         between",
        plain_text(&judged.limits.name),
        k = judged.coverage
    )
}

/// An event's verdict with the limit of its loss, or with what else decided it.
pub(super) fn event_cell(event: &Event, judged: Option<&Judged>) -> String {
    let by_reflectance = judged.is_some_and(|judged| {
        let verdict_of = |is_reflectance: bool| {
            judged
                .of_event(event.number)
                .filter(move |one| (one.what == What::Reflectance) == is_reflectance)
                .any(|one| one.verdict == event.verdict)
        };
        event.verdict != Verdict::Pass && verdict_of(true) && !verdict_of(false)
    });
    let word = verdict(event.verdict);
    match (event.verdict, event.limit) {
        _ if by_reflectance => format!("{word}: reflectance"),
        (Verdict::NotJudged, _) | (_, None) => word,
        (_, Some(limit)) => format!("{word} at {}", signed(limit.db(), 2)),
    }
}

/// How far an event's loss is inside its limit.
pub(super) fn event_margin(event: &Event, judged: &Judged) -> String {
    let loss = judged
        .of_event(event.number)
        .find(|one| one.what != What::Reflectance);
    loss.and_then(|one| one.margin)
        .map_or_else(|| "—".to_owned(), |margin| signed(margin, 3))
}

/// The link as a whole, then the limits.
pub(super) fn verdicts(link: &Link, judged: &Judged, width: usize) -> String {
    let mut text = as_a_whole(judged, width);
    text.push_str(&title(&format!(
        "Limits applied ({})",
        plain_text(&judged.limits.name)
    )));
    text.push_str(&limit_table(
        &judged.limits.lines(Some(link.wavelength)),
        width,
    ));
    text
}

/// Everything that is not a pass, with its reason, the worst first.
pub(super) fn not_passed(judged: &Judged, width: usize) -> String {
    let mut list: Vec<&Judgement> = judged
        .judgements
        .iter()
        .filter(|one| one.verdict != Verdict::Pass)
        .collect();
    if list.is_empty() {
        return String::new();
    }
    list.sort_by_key(|one| match one.verdict {
        Verdict::Fail => 0,
        Verdict::NotJudged => 1,
        Verdict::Undecided => 2,
        Verdict::Pass => 3,
    });
    let mut text = title("Not within the limits, or not known to be");
    for judgement in list {
        let said = format!("- {}: {}.", verdict(judgement.verdict), sentence(judgement));
        text.push_str(&wrapped(&said, width, 2));
    }
    text
}

/// What is outside the limits in the links of a cable, by fibre, `most` of it.
pub(super) fn failed(result: &CableResult, most: usize, width: usize) -> String {
    let mut said: Vec<String> = Vec::new();
    for link in &result.links {
        let name = result
            .fibres
            .get(link.fibre)
            .map_or("", |f| f.name.as_str());
        let judgements = link.judged.iter().flat_map(|judged| &judged.judgements);
        let failed = judgements.filter(|one| one.verdict == Verdict::Fail);
        said.extend(failed.map(|judgement| {
            format!(
                "- fibre {} at {} nm{}: {}.",
                plain_text(name),
                link.link.wavelength.nm(),
                from_end(&link.link, &judgement.place),
                sentence(judgement)
            )
        }));
    }
    if said.is_empty() {
        return String::new();
    }
    let mut text = title("What is outside the limits");
    for line in said.iter().take(most) {
        text.push_str(&wrapped(line, width, 2));
    }
    if let Some(more) = said.len().checked_sub(most).filter(|more| *more > 0) {
        let _ = writeln!(text, "- and {more} more, in the JSON");
    }
    text
}

/// How far from an end an event lies, in words.
fn from_end(link: &Link, place: &Place) -> String {
    let Place::Event { number, .. } = place else {
        return String::new();
    };
    let event = link.events.iter().find(|event| event.number == *number);
    event.map_or_else(String::new, |event| match event.position_from_b {
        Some(own) => format!(", {:.1} m from B", own.m()),
        None => format!(", {:.1} m from A", event.position.value.m()),
    })
}

/// Place, value, limit and reason of a judgement.
fn sentence(judgement: &Judgement) -> String {
    let limit = judgement.limit.map_or_else(String::new, |limit| {
        format!(", limit {}", quantity(judgement.what, limit))
    });
    let value = judgement.value.map_or_else(String::new, |value| {
        format!(" {}", value_and_error(judgement, value))
    });
    format!(
        "{}, {}{value}{limit}: {}",
        plain_text(&judgement.place.to_string()),
        judgement.what.word(),
        plain_text(&judgement.reason)
    )
}

fn as_a_whole(judged: &Judged, width: usize) -> String {
    let rows: Vec<Vec<String>> = judged
        .judgements
        .iter()
        .filter(|one| matches!(one.place, Place::Link | Place::LinkFrom(_)))
        .map(|one| {
            let or_dash = |value: Option<String>| value.unwrap_or_else(|| "—".to_owned());
            let from = match one.place {
                Place::LinkFrom(end) => format!(" from {end}"),
                _ => String::new(),
            };
            vec![
                format!("{}{from}", one.what.word()),
                or_dash(one.value.map(|value| value_and_error(one, value))),
                or_dash(one.limit.map(|limit| quantity(one.what, limit))),
                or_dash(one.margin.map(|margin| quantity(one.what, margin))),
                verdict(one.verdict),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let headings = [
        Heading("what", Align::Left),
        Heading("value", Align::Right),
        Heading("limit", Align::Right),
        Heading("margin", Align::Right),
        Heading("verdict", Align::Left),
    ];
    title("The link as a whole") + &grid(&headings, rows, width)
}

/// Limits, one a row.
pub(super) fn limit_table(lines: &[LimitLine], width: usize) -> String {
    let rows = lines
        .iter()
        .map(|line| {
            vec![
                line.what.clone(),
                line.limit.clone(),
                plain_text(&line.source),
            ]
        })
        .collect();
    let headings = [
        Heading("what", Align::Left),
        Heading("limit", Align::Left),
        Heading("source", Align::Left),
    ];
    grid(&headings, rows, width)
}

/// The built-in limits, each set under its name.
pub(super) fn list(sets: &[(Limits, &str)], width: usize) -> String {
    let mut text = String::new();
    for (limits, purpose) in sets {
        if !text.is_empty() {
            text.push('\n');
        }
        let name = marked(&limits.name, Paint::Strong);
        text.push_str(&wrapped(&format!("{name}: {purpose}"), width, 0));
        text.push_str(&limit_table(&limits.lines(None), width));
    }
    text
}

const fn decimals(what: What) -> usize {
    match what {
        What::Reflectance | What::ReturnLoss => 1,
        What::SectionAttenuation => 4,
        What::SplicesOver | What::Continuity => 0,
        _ => 3,
    }
}

fn quantity(what: What, value: f64) -> String {
    format!("{} {}", signed(value, decimals(what)), what.unit())
        .trim_end()
        .to_owned()
}

fn value_and_error(judgement: &Judgement, value: f64) -> String {
    let what = judgement.what;
    if judgement.std_error.is_none() && what.unit().is_empty() {
        return quantity(what, value);
    }
    format!(
        "{} {}",
        with_error(value, judgement.std_error, decimals(what)),
        what.unit()
    )
}
