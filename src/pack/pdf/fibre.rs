//! A page for each fibre: every wavelength with its figure and its events.

use super::FIGURE_PX;
use super::flow::{BODY, Flow, NOTE};
use super::page::{ACCENT, Anchor, Area, Item, PAPER, SOFT};
use super::summary::{marked, verdict};
use super::table::{Align, Cell, Column, Table};
use super::typeset::Style;
use super::words::{self, FibrePage, MISSING};
use crate::both_ways::{Event, Link, Verdict};
use crate::measure::ReflectanceReading;
use crate::pack::named;
use crate::pack::wording::Text;
use crate::pack::{Content, PackLink, power};
use crate::plot::PlotSettings;
use crate::report::number::{loss_with_error, signed};
use crate::report::{SourceFile, plain_text};
use crate::units::{Loss, ReturnLoss, Wavelength};
use crate::verdict::{End, Place, What};

/// Name of the fibre.
const NAME: Style = Style::new(13.0, super::page::INK).bold();
/// Length and losses of a link.
const FACTS: Style = Style::new(7.0, super::page::INK);
/// Notes below a table of events.
const FOOTNOTE: Style = Style {
    leading: 1.25,
    ..Style::new(6.2, SOFT)
};
/// Most lines that cable and ends take under the fibre's name.
const ABOUT_LINES: usize = 3;
/// Digits of a file's fingerprint that are printed; the manifest has them all.
const DIGITS: usize = 16;
/// Least height that a table of events needs below its figure to begin there.
const SOME_ROWS: f32 = 60.0;

/// Least height of a figure in its pixels.
const LEAST_PX: u32 = PlotSettings::LEAST_BRIEF_HEIGHT;
/// Most height of a figure: three quarters of its width.
const MOST_PX: u32 = 750;
/// Heights that are tried, greatest first, where a fibre takes more than one page.
const TRIED_PX: [u32; 4] = [MOST_PX, 600, 500, 400];

/// Lays one page for every fibre, or more where its events need them.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>, fibres: &[FibrePage]) {
    let chapter = content.wording.of(Text::Fibres);
    for (place, fibre) in fibres.iter().enumerate() {
        let title = format!("{} {}", content.wording.of(Text::Fibre), fibre.name);
        flow.set_chapter(&title);
        flow.next_page();
        if place == 0 {
            flow.bookmark(0, chapter);
        }
        flow.bookmark(1, &bookmark(content, fibre));
        flow.anchor(Anchor::Fibre(place));
        let start = flow.mark();
        // As low as the figures can be read; what that leaves of the page is theirs.
        page(flow, content, fibre, &title, LEAST_PX);
        if flow.is_on_page_of(&start) {
            let per_px = flow.room() / FIGURE_PX as f32;
            let spare = (flow.left_below() - 4.0).max(0.0) / per_px;
            let more = spare / fibre.links.len().max(1) as f32;
            let height_px = (LEAST_PX + more as u32).min(MOST_PX);
            if height_px > LEAST_PX {
                flow.back_to(&start);
                page(flow, content, fibre, &title, height_px);
            }
            continue;
        }
        // The greatest that takes no page more.
        let pages = flow.pages_since(&start);
        for height_px in TRIED_PX {
            flow.back_to(&start);
            page(flow, content, fibre, &title, height_px);
            if flow.pages_since(&start) == pages {
                break;
            }
        }
    }
}

fn page(flow: &mut Flow, content: &Content<'_>, fibre: &FibrePage, title: &str, height_px: u32) {
    head(flow, content, fibre, title);
    let mut missing = fibre.missing.clone();
    for &index in &fibre.links {
        let Some(entry) = content.links.get(index) else {
            continue;
        };
        // In the order of wavelengths, those without a link among them.
        let light = entry.link.wavelength;
        missing.retain(|&wavelength| {
            let is_before = wavelength.nm() < light.nm();
            if is_before {
                not_measured(flow, content, fibre, wavelength);
            }
            !is_before
        });
        link(flow, content, entry, index, height_px);
    }
    for wavelength in missing {
        not_measured(flow, content, fibre, wavelength);
    }
}

/// A wavelength without a link, and why as far as it is known.
fn not_measured(flow: &mut Flow, content: &Content<'_>, fibre: &FibrePage, light: Wavelength) {
    let text = format!(
        "{} · {}",
        words::wavelength(light),
        content.wording.of(Text::NotMeasured)
    );
    flow.gap(8.0);
    flow.text(&text, BODY.bold());
    let known = content.cable.zip(fibre.of_cable);
    let known = known.and_then(|(cable, index)| cable.fibres.get(index));
    for why in known.map_or_else(Vec::new, |known| named::why_missing(content, known, light)) {
        flow.text(&why, FACTS);
    }
}

/// The fibre's name, with its verdict where it did not pass.
fn bookmark(content: &Content<'_>, fibre: &FibrePage) -> String {
    match fibre.verdict {
        Verdict::Fail | Verdict::Undecided => {
            format!(
                "{} – {}",
                fibre.name,
                content.wording.verdict(fibre.verdict)
            )
        }
        Verdict::Pass | Verdict::NotJudged => fibre.name.clone(),
    }
}

fn head(flow: &mut Flow, content: &Content<'_>, fibre: &FibrePage, title: &str) {
    let word = content.wording.verdict(fibre.verdict);
    let ink = match fibre.verdict {
        Verdict::Fail => ACCENT,
        Verdict::Undecided | Verdict::Pass => super::page::INK,
        Verdict::NotJudged => SOFT,
    };
    let word = flow.typesetter.line(word, BODY.bold().inked(ink));
    let (left, room, top) = (flow.left(), flow.room(), flow.y());
    let box_width = word.width + 16.0;
    let area = Area {
        x: left + room - box_width,
        y: top,
        width: box_width,
        height: 16.0,
    };
    flow.put(Item::Framed {
        area,
        width: 0.9,
        colour: ink,
    });
    let baseline = top + (16.0 - BODY.line_height()) / 2.0 + BODY.baseline();
    flow.put_line(word, left + room - box_width / 2.0, baseline, 0.5);
    flow.text_within(title, NAME, 0.0, room - box_width - 12.0);
    let (from, to) = words::ends(content);
    let mut parts: Vec<String> = words::cable_name(content)
        .map(|name| format!("{} {name}", content.wording.of(Text::Cable)))
        .into_iter()
        .collect();
    parts.extend(from.map(|from| format!("A: {from}")));
    parts.extend(to.map(|to| format!("B: {to}")));
    parts.extend(fibre.tube.clone());
    let about = parts.join(" · ");
    let lines = flow.typesetter.few_lines(&about, NOTE, room, ABOUT_LINES);
    for line in lines {
        let y = flow.y() + NOTE.baseline();
        flow.put_line(line, left, y, 0.0);
        flow.advance(NOTE.line_height());
    }
}

fn link(flow: &mut Flow, content: &Content<'_>, entry: &PackLink, index: usize, height_px: u32) {
    let link = &entry.link;
    let width = flow.room();
    let height = width * height_px as f32 / FIGURE_PX as f32;
    let style = BODY.bold();
    flow.gap(8.0);
    flow.need(style.line_height() + NOTE.line_height() + height + SOME_ROWS);
    let title = format!(
        "{} · {}",
        words::wavelength(link.wavelength),
        content.wording.verdict(link.verdict)
    );
    let wavelength = flow.typesetter.line(&title, style);
    let indent = wavelength.width + 8.0;
    let y = flow.y() + FACTS.baseline();
    let left = flow.left();
    flow.put_line(wavelength, left, y, 0.0);
    flow.text_within(&facts(content, link), FACTS, indent, width - indent);
    flow.advance(3.0);
    let area = Area {
        x: left,
        y: flow.y(),
        width,
        height,
    };
    flow.put(Item::Figure {
        area,
        link: index,
        height_px,
    });
    flow.advance(height + 2.0);
    let reasons = events(flow, content, entry);
    power_meter(flow, content, entry);
    flow.advance(2.0);
    notes(flow, content, entry, reasons);
}

/// Length, losses and verdict in one line.
fn facts(content: &Content<'_>, link: &Link) -> String {
    let wording = content.wording;
    let length = link
        .length
        .as_ref()
        .map_or_else(|_| MISSING.to_owned(), |length| words::metres(length.value));
    let loss = match &link.loss {
        Ok(loss) => format!("{} dB", loss_with_error(loss)),
        Err(_) => MISSING.to_owned(),
    };
    let mut parts = vec![
        format!("{} {length}", wording.of(Text::Length)),
        format!("{} {loss}", wording.of(Text::Loss)),
    ];
    if let Some(attenuation) = link.attenuation {
        parts.push(format!("{} dB/km", signed(attenuation.db_per_km(), 3)));
    }
    let return_loss = |text: Text, value: ReturnLoss| {
        format!("{} {} dB", wording.of(text), signed(value.db(), 1))
    };
    match (link.orl_a, link.orl_b) {
        (Some(a), Some(b)) => parts.push(format!(
            "{}, {}",
            return_loss(Text::ReturnLossA, a),
            return_loss(Text::FromB, b)
        )),
        (Some(a), None) => parts.push(return_loss(Text::ReturnLossA, a)),
        (None, Some(b)) => parts.push(return_loss(Text::ReturnLossB, b)),
        (None, None) => {}
    }
    // What belongs together stays on one line.
    let parts: Vec<String> = parts
        .iter()
        .map(|part| part.replace(' ', "\u{a0}"))
        .collect();
    parts.join(" · ")
}

/// The table of events; gives the reasons for what is missing, in the order of their marks.
fn events(flow: &mut Flow, content: &Content<'_>, entry: &PackLink) -> Vec<String> {
    let wording = content.wording;
    let mut reasons = Vec::new();
    let rows = entry
        .link
        .events
        .iter()
        .map(|event| row(content, entry, event, &mut reasons))
        .collect();
    let head = |text: Text, unit: &str| format!("{}, {unit}", wording.of(text));
    let table = Table {
        columns: vec![
            Column::new(wording.of(Text::Number), Align::Right),
            Column::new(head(Text::Place, "m"), Align::Decimal),
            Column::new(wording.of(Text::Kind), Align::Left),
            Column::new(head(Text::Loss, "dB"), Align::Decimal),
            Column::new(head(Text::LossAToB, "dB"), Align::Decimal),
            Column::new(head(Text::LossBToA, "dB"), Align::Decimal),
            Column::new(head(Text::ReflectanceA, "dB"), Align::Decimal),
            Column::new(head(Text::ReflectanceB, "dB"), Align::Decimal),
            Column::new(head(Text::Limit, "dB"), Align::Decimal),
            Column {
                least: 42.0,
                ..Column::new(wording.of(Text::Verdict), Align::Left)
            },
        ],
        rows,
        size: 6.8,
    };
    table.lay_tight(flow);
    reasons
}

fn row(
    content: &Content<'_>,
    entry: &PackLink,
    event: &Event,
    reasons: &mut Vec<String>,
) -> Vec<Cell> {
    let link = &entry.link;
    let mut missing = |loss: &crate::units::Measurement<Loss>, shown: String| {
        let Some(reason) = words::reason(loss) else {
            return Cell::new(shown);
        };
        let number = reasons
            .iter()
            .position(|known| *known == reason)
            .unwrap_or_else(|| {
                reasons.push(reason);
                reasons.len() - 1
            });
        Cell::soft(format!("{MISSING} [{}]", number + 1))
    };
    let reflectance = |reading: Option<ReflectanceReading>, end: End| {
        let cell = Cell::new(words::reflectance(reading));
        match own_verdict(entry, event, Some(end)) {
            Verdict::Fail => cell.bold().inked(PAPER).filled(Some(ACCENT)),
            Verdict::Undecided => cell.framed(Some(ACCENT)),
            Verdict::Pass | Verdict::NotJudged => cell,
        }
    };
    let loss = missing(&event.loss, words::loss(&event.loss)).bold();
    let measured = event.loss.as_ref().ok().map(|loss| loss.value);
    vec![
        Cell::new(event.number.to_string()),
        Cell::new(words::place(event)),
        Cell::new(named::event(event, link, content.wording)),
        marked(loss, own_verdict(entry, event, None), measured),
        missing(&event.loss_a_to_b, words::reading(&event.loss_a_to_b)),
        missing(&event.loss_b_to_a, words::reading(&event.loss_b_to_a)),
        reflectance(event.reflectance_a, End::A),
        reflectance(event.reflectance_b, End::B),
        Cell::new(
            event
                .limit
                .map_or_else(|| MISSING.to_owned(), |limit| signed(Loss::db(limit), 2)),
        ),
        verdict(content, event.verdict),
    ]
}

/// Verdict on an event's reflectance from an end, or on its loss.
fn own_verdict(entry: &PackLink, event: &Event, end: Option<End>) -> Verdict {
    let judgement = entry.judgements().iter().find(|judgement| {
        let is_reflectance = judgement.what == What::Reflectance;
        matches!(judgement.place, Place::Event { number, seen_from, .. }
            if number == event.number && seen_from == end && is_reflectance == end.is_some())
    });
    judgement.map_or(Verdict::NotJudged, |judgement| judgement.verdict)
}

/// The losses by source and power meter beside the two-way total.
fn power_meter(flow: &mut Flow, content: &Content<'_>, entry: &PackLink) {
    let wording = content.wording;
    for reading in &entry.power {
        let mut text = format!(
            "{} {}: {} dB",
            wording.of(Text::PowerMeter),
            plain_text(&reading.direction),
            loss_with_error(&reading.loss)
        );
        if let Some(found) = power::agreement(reading, &entry.link.loss) {
            let word = match found.agrees {
                Some(true) => Text::WithinErrors,
                Some(false) => Text::BeyondErrors,
                None => Text::NotJudged,
            };
            let difference = loss_with_error(&found.difference);
            text = format!(
                "{text} · {} {difference} dB, {}",
                wording.of(Text::Difference),
                wording.of(word)
            );
        }
        flow.advance(2.0);
        flow.text(&text, FACTS);
    }
}

/// What is to be known of events, each sentence once with the numbers of its events.
fn event_notes(link: &Link) -> Vec<String> {
    let mut notes: Vec<(&str, Vec<String>)> = Vec::new();
    for event in &link.events {
        for note in &event.notes {
            let number = event.number.to_string();
            match notes.iter_mut().find(|(known, _)| *known == note) {
                Some((_, numbers)) => numbers.push(number),
                None => notes.push((note, vec![number])),
            }
        }
    }
    notes
        .into_iter()
        .map(|(note, numbers)| format!("{}: {}", numbers.join(", "), plain_text(note)))
        .collect()
}

/// Reasons for what is missing, what to know about events, doubts, files.
fn notes(flow: &mut Flow, content: &Content<'_>, entry: &PackLink, reasons: Vec<String>) {
    let wording = content.wording;
    let link = &entry.link;
    let not_measured = wording.of(Text::NotMeasured);
    let mut told: Vec<String> = reasons
        .into_iter()
        .enumerate()
        .map(|(index, reason)| format!("[{}] {not_measured}: {reason}", index + 1))
        .collect();
    told.extend(event_notes(link));
    let doubts = link
        .warnings
        .iter()
        .map(|warning| plain_text(&warning.message));
    // One below the other, they would take a second page of many fibres.
    for part in [told, doubts.collect()] {
        if !part.is_empty() {
            flow.text(&part.join("  ·  "), FOOTNOTE);
        }
    }
    let file = |end: &str, source: &SourceFile| {
        let digits: String = source.sha256.chars().take(DIGITS).collect();
        format!("{end}: {} (SHA-256 {digits}…)", plain_text(&source.file))
    };
    let files = format!(
        "{}, {}",
        file("A", &entry.provenance.a),
        file("B", &entry.provenance.b)
    );
    flow.text(&files, FOOTNOTE);
}
