//! Cautions, limits with their decision rule, and what the traces were taken with.

use std::collections::{BTreeMap, BTreeSet};

use super::flow::{BODY, Flow, NOTE};
use super::page::Anchor;
use super::table::{Align, Cell, Column, Table};
use crate::both_ways::{Direction, Link};
use crate::pack::Content;
use crate::pack::judged::asked;
use crate::pack::named;
use crate::pack::wording::{CAUTIONS, Text};
use crate::report::number::signed;
use crate::report::plain_text;

/// Lays the chapter.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    flow.chapter(wording.of(Text::SettingsAndLimits));
    flow.anchor(Anchor::Chapter(0));
    cautions(flow, content);
    limits(flow, content);
    settings(flow, content);
    doubts(flow, content);
}

/// What may hurt someone.
pub(super) fn cautions(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    flow.section(wording.of(Text::Cautions), 40.0);
    for text in CAUTIONS {
        flow.item("–", wording.of(text), BODY);
    }
}

fn limits(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    flow.section(wording.of(Text::Limits), 40.0);
    let Some(limits) = content.limits else {
        flow.text(wording.of(Text::NoLimits), BODY);
        return;
    };
    flow.text(&plain_text(&limits.name), BODY.bold());
    flow.advance(2.0);
    let k = content.coverage.to_string();
    flow.text(&wording.filled(Text::RuleInWords, &[("k", &k)]), BODY);
    flow.advance(6.0);
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::AppliesTo), Align::Left),
            Column::new(wording.of(Text::Wavelength), Align::Left),
            Column::new(wording.of(Text::Limit), Align::Left),
            Column::new(wording.of(Text::Source), Align::Left),
        ],
        rows: asked(limits, wording)
            .into_iter()
            .map(|one| {
                let quantity = named::quantity(one.what, wording).to_owned();
                [quantity, one.band, one.text, plain_text(&one.source)]
                    .into_iter()
                    .map(Cell::new)
                    .collect()
            })
            .collect(),
        size: 8.0,
    };
    table.lay(flow);
}

/// The settings that the traces were taken with; links with the same share a row.
fn settings(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    flow.section(wording.of(Text::Settings), 60.0);
    let mut groups: BTreeMap<Vec<String>, usize> = BTreeMap::new();
    for entry in content.links {
        *groups.entry(of_link(&entry.link, content)).or_insert(0) += 1;
    }
    let column = |text: Text, unit: &str, align| {
        let head = if unit.is_empty() {
            wording.of(text).to_owned()
        } else {
            format!("{}, {unit}", wording.of(text))
        };
        Column::new(head, align)
    };
    let table = Table {
        columns: vec![
            column(Text::Wavelength, "nm", Align::Right),
            column(Text::PulseWidth, "ns", Align::Right),
            column(Text::GroupIndex, "", Align::Right),
            column(Text::Spacing, "m", Align::Right),
            column(Text::AveragingTime, "s", Align::Right),
            column(Text::BackscatterCoefficient, "dB", Align::Right),
            column(Text::Links, "", Align::Right),
        ],
        rows: groups
            .into_iter()
            .map(|(mut cells, count)| {
                // The first only sorts by wavelength as a number.
                cells.remove(0);
                cells.push(count.to_string());
                cells.into_iter().map(Cell::new).collect()
            })
            .collect(),
        size: 8.0,
    };
    table.lay(flow);
    let rates: BTreeSet<String> = content
        .links
        .iter()
        .map(|entry| entry.link.false_events_per_1000_km.to_string())
        .collect();
    let rates: Vec<String> = rates.into_iter().collect();
    flow.advance(5.0);
    flow.text(
        &wording.filled(Text::DetectionRule, &[("rate", &rates.join(", "))]),
        NOTE,
    );
}

/// The settings of a link in words; `a / b` where the ends differ.
fn of_link(link: &Link, content: &Content<'_>) -> Vec<String> {
    let both = |text: &dyn Fn(&Direction) -> String| {
        let (a, b) = (text(&link.a), text(&link.b));
        if a == b { a } else { format!("{a} / {b}") }
    };
    let not_stated = content.wording.of(Text::NotStated);
    let default = content.wording.of(Text::Default);
    let nm = link.wavelength.nm();
    vec![
        format!("{nm:012.3}"),
        nm.to_string(),
        both(&|direction| direction.pulse_width.ns().to_string()),
        both(&|direction| direction.group_index.ratio().to_string()),
        both(&|direction| signed(direction.spacing.m(), 3)),
        both(&|direction| {
            direction
                .header
                .averaging_time_s
                .map_or_else(|| not_stated.to_owned(), |seconds| seconds.to_string())
        }),
        both(&|direction| {
            let value = signed(direction.backscatter.db(), 1);
            if direction.backscatter_is_default {
                format!("{value} ({default})")
            } else {
                value
            }
        }),
    ]
}

fn doubts(flow: &mut Flow, content: &Content<'_>) {
    let of_cable = content.cable.map_or(&[][..], |cable| &cable.warnings);
    let mut messages: Vec<String> = content
        .warnings
        .iter()
        .chain(of_cable)
        .map(|warning| plain_text(&warning.message))
        .collect();
    messages.dedup();
    if messages.is_empty() {
        return;
    }
    flow.section(content.wording.of(Text::Warnings), 30.0);
    for message in messages {
        flow.item("–", &message, BODY);
    }
}
