//! The page of one fibre: its traces to look into, and its tables.

use std::fmt::Write;

use serde::Serialize;

use crate::both_ways::{Event, Link, Profiles, Verdict};
use crate::measure::ReflectanceReading;
use crate::pack::content::{Content, PackLink};
use crate::pack::named;
use crate::pack::wording::{Text, Wording};
use crate::pack::{PackError, power};
use crate::report::number::{loss_with_error, signed, with_error};
use crate::units::{Attenuation, Length, Loss, Position, Reflectance, ReturnLoss};
use crate::verdict::Judgement;

use super::escape::{html, json, url};
use super::parts::{
    cautions, facts, heads, measured_cell, missing_cell, number_cell, verdict_cell,
};
use super::samples::{Axis, Samples};
use super::script_words::Words;
use super::{FIBRE_SCRIPT, Fetch, page};

/// Where the levels of a link's plot come from.
#[derive(Debug)]
pub enum Levels<'a> {
    /// From the page itself.
    Inside(&'a Profiles),
    /// From a server: the address, and the profiles that it sends.
    At(String, &'a Profiles),
}

/// An event as the page's script takes it.
#[derive(Debug, Serialize)]
struct PageEvent {
    number: usize,
    at: Option<f64>,
    verdict: &'static str,
    text: String,
}

/// A link as the page's script takes it.
#[derive(Debug, Serialize)]
struct PageLink {
    length_m: Option<f64>,
    pulse_m: f64,
    start_m: f64,
    spacing_m: f64,
    samples_n: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    samples: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    a: Option<super::samples::Packed>,
    #[serde(skip_serializing_if = "Option::is_none")]
    b: Option<super::samples::Packed>,
    events: Vec<PageEvent>,
}

#[derive(Debug, Serialize)]
struct PageData<'w> {
    words: Words<'w>,
    links: Vec<PageLink>,
}

/// Writes the page of a fibre: one link for each wavelength, each with its levels.
///
/// `files` are names of the plots and tables of the pack to point at, relative to the
/// page.
///
/// # Errors
/// [`PackError::Form`] if the data cannot be written as JSON.
pub fn fibre_page(
    content: &Content<'_>,
    links: &[(&PackLink, Levels<'_>)],
    files: &[(String, String)],
) -> Result<String, PackError> {
    let wording = content.wording;
    let fetch = if links
        .iter()
        .any(|(_, levels)| matches!(levels, Levels::At(..)))
    {
        Fetch::SameServer
    } else {
        Fetch::Nowhere
    };
    let mut data = PageData {
        words: Words::of(wording),
        links: Vec::new(),
    };
    let mut thinned = 1;
    for (entry, levels) in links {
        let (link, times) = page_link(&entry.link, levels, wording);
        thinned = thinned.max(times);
        data.links.push(link);
    }
    let title = title(links, wording);
    let mut body = head(content, links, &title);
    body.push_str(&controls(links, wording));
    if thinned > 1 {
        let _ = write!(
            body,
            "<p class=\"missing\">{}</p>",
            html(
                &wording
                    .of(Text::Thinned)
                    .replace("{n}", &(2 * thinned).to_string())
            )
        );
    }
    for (index, (entry, _)) in links.iter().enumerate() {
        body.push_str(&tables(index, entry, wording));
    }
    if !files.is_empty() {
        let _ = write!(body, "<h2>{}</h2><ul>", html(wording.of(Text::Files)));
        for (name, path) in files {
            let _ = write!(
                body,
                "<li><a href=\"{}\">{}</a></li>",
                html(&url(path)),
                html(name)
            );
        }
        body.push_str("</ul>");
    }
    body.push_str(&cautions(wording));
    let _ = write!(body, "<footer>{}</footer>", html(&foot(content)));
    let data = json(&data).map_err(|error| PackError::form("the page of a fibre", error))?;
    let _ = write!(
        body,
        "<script type=\"application/json\" id=\"data\">{data}</script>"
    );
    Ok(page(&wording.language, &title, &body, FIBRE_SCRIPT, fetch))
}

/// Program and time, for the foot of a page.
pub(super) fn foot(content: &Content<'_>) -> String {
    match content.report_time {
        Some(time) => format!("{} · {time}", content.program),
        None => content.program.to_owned(),
    }
}

fn title(links: &[(&PackLink, Levels<'_>)], wording: &Wording) -> String {
    let Some((first, _)) = links.first() else {
        return String::new();
    };
    let link = &first.link;
    let fibre = link.fibre.as_deref().unwrap_or(&first.page);
    let mut title = format!("{} {fibre}", wording.of(Text::Fibre));
    if let Some(cable) = &link.cable {
        let _ = write!(title, ", {} {cable}", wording.of(Text::Cable));
    }
    title
}

fn head(content: &Content<'_>, links: &[(&PackLink, Levels<'_>)], title: &str) -> String {
    let wording = content.wording;
    let mut head = format!(
        "<nav class=\"noprint\"><a href=\"../index.html\">{}</a></nav><h1>{}</h1>",
        html(wording.of(Text::AllFibres)),
        html(title)
    );
    let Some((first, _)) = links.first() else {
        return head;
    };
    head.push_str(&facts([
        (wording.of(Text::EndA), first.link.from.clone()),
        (wording.of(Text::EndB), first.link.to.clone()),
        (wording.of(Text::Project), content.project.title.clone()),
    ]));
    let names = [
        Text::Wavelength,
        Text::Verdict,
        Text::Length,
        Text::Loss,
        Text::Attenuation,
        Text::ReturnLossA,
        Text::ReturnLossB,
    ];
    let units = ["nm", "", "m", "dB", "dB/km", "dB", "dB"];
    let columns: Vec<String> = names
        .iter()
        .zip(units)
        .map(|(&name, unit)| with_unit(wording.of(name), unit))
        .collect();
    let _ = write!(head, "<div class=\"wide\"><table>{}", heads(&columns));
    for (entry, _) in links {
        let link = &entry.link;
        let _ = write!(
            head,
            "<tr><td class=\"n\">{}</td>{}{}{}{}{}{}</tr>",
            link.wavelength.nm(),
            verdict_cell(link.verdict, wording),
            measured_cell(&link.length, Length::m, 1),
            measured_cell(&link.loss, Loss::db, 3),
            number_cell(link.attenuation.map(Attenuation::db_per_km), 4),
            number_cell(link.orl_a.map(ReturnLoss::db), 1),
            number_cell(link.orl_b.map(ReturnLoss::db), 1),
        );
    }
    for (fibre, wavelength) in content.missing() {
        if first.link.fibre.as_ref() == Some(&fibre.name) {
            let dash = missing_cell(wording.of(Text::NotMeasured));
            let _ = write!(
                head,
                "<tr><td class=\"n\">{}</td><td class=\"none\">{}</td>{}</tr>",
                wavelength.nm(),
                html(wording.of(Text::NotMeasured)),
                dash.repeat(5)
            );
        }
    }
    head.push_str("</table></div>");
    for (fibre, wavelength) in content.missing() {
        if first.link.fibre.as_ref() == Some(&fibre.name) {
            for why in named::why_missing(content, fibre, wavelength) {
                let _ = write!(
                    head,
                    "<p class=\"missing\">{} nm: {}</p>",
                    wavelength.nm(),
                    html(&why)
                );
            }
        }
    }
    head
}

/// A column's head with its unit; over numbers where it has one.
fn with_unit(name: &str, unit: &str) -> String {
    if unit.is_empty() {
        name.to_owned()
    } else {
        format!(">{name}, {unit}")
    }
}

fn controls(links: &[(&PackLink, Levels<'_>)], wording: &Wording) -> String {
    let mut text = String::from("<div class=\"script\" hidden><div class=\"controls\">");
    let radio = |name: &str, value: &str, label: &str, checked: bool| {
        format!(
            "<label><input type=\"radio\" name=\"{name}\" value=\"{value}\"{}> {}</label>",
            if checked { " checked" } else { "" },
            html(label)
        )
    };
    let _ = write!(
        text,
        "<fieldset><legend>{}</legend>",
        html(wording.of(Text::Wavelength))
    );
    for (index, (entry, _)) in links.iter().enumerate() {
        let label = format!("{} nm", entry.link.wavelength.nm());
        text.push_str(&radio("wavelength", &index.to_string(), &label, index == 0));
    }
    let _ = write!(
        text,
        "</fieldset><fieldset><legend>{}</legend>",
        html(wording.of(Text::Curves))
    );
    for (value, label) in [
        ("both", Text::BothTraces),
        ("a", Text::TraceFromA),
        ("b", Text::TraceFromB),
        ("two", Text::TwoWayProfile),
        ("scatter", Text::BackscatterProfile),
    ] {
        text.push_str(&radio("curve", value, wording.of(label), value == "both"));
    }
    text.push_str("</fieldset><div>");
    for (id, label) in [
        ("closer", Text::ZoomIn),
        ("farther", Text::ZoomOut),
        ("whole", Text::WholeFibre),
        ("fit", Text::FitLevels),
        ("mark", Text::SetMark),
        ("before", Text::EventBefore),
        ("next", Text::EventNext),
    ] {
        let _ = write!(
            text,
            "<button type=\"button\" id=\"{id}\">{}</button> ",
            html(wording.of(label))
        );
    }
    let _ = write!(
        text,
        "</div></div><div class=\"plot\"><canvas id=\"canvas\" tabindex=\"0\" role=\"application\" \
         aria-label=\"{}\" aria-describedby=\"keys\"></canvas></div>\
         <output id=\"reading\" aria-live=\"polite\"></output>\
         <details class=\"keys noprint\"><summary>{}</summary><p id=\"keys\">{}</p></details></div>\
         <noscript><p>{}</p></noscript>",
        html(wording.of(Text::PlotLabel)),
        html(wording.of(Text::KeysTitle)),
        html(wording.of(Text::Keys)),
        html(wording.of(Text::NoScript)),
    );
    text
}

fn page_link(link: &Link, levels: &Levels<'_>, wording: &Wording) -> (PageLink, usize) {
    let length_m = link.length.as_ref().ok().map(|length| length.value.m());
    let pulse_m = link.a.pulse_width.footprint(link.a.group_index).m();
    let events = link
        .events
        .iter()
        .map(|event| page_event(event, wording))
        .collect();
    let none = PageLink {
        length_m,
        pulse_m,
        start_m: 0.0,
        spacing_m: 1.0,
        samples_n: 0,
        samples: None,
        a: None,
        b: None,
        events,
    };
    match levels {
        Levels::At(address, profiles) => match Axis::of(&profiles.position_m) {
            Some(axis) => (
                PageLink {
                    start_m: axis.start_m,
                    spacing_m: axis.spacing_m,
                    samples_n: profiles.position_m.len(),
                    samples: Some(address.clone()),
                    ..none
                },
                1,
            ),
            None => (none, 1),
        },
        Levels::Inside(profiles) => match Samples::of(profiles) {
            Some(samples) => (
                PageLink {
                    start_m: samples.start_m,
                    spacing_m: samples.spacing_m,
                    samples_n: samples.count,
                    a: Some(samples.a),
                    b: Some(samples.b),
                    ..none
                },
                samples.thinned,
            ),
            None => (none, 1),
        },
    }
}

fn page_event(event: &Event, wording: &Wording) -> PageEvent {
    let at = event
        .position_from_b
        .is_none()
        .then(|| event.position.value.m())
        .filter(|m| m.is_finite());
    let mut text = format!("{}: {}", event.number, named::kind(event.kind, wording));
    if let Some(joint) = &event.joint {
        let _ = write!(text, " ({})", crate::report::plain_text(joint));
    }
    match &event.loss {
        Ok(loss) => {
            let _ = write!(
                text,
                " · {} {} dB",
                wording.of(Text::Loss),
                loss_with_error(loss)
            );
        }
        Err(missing) => {
            let _ = write!(
                text,
                " · {} {}: {}",
                wording.of(Text::Loss),
                wording.of(Text::NotMeasured),
                crate::report::plain_text(&missing.reason)
            );
        }
    }
    PageEvent {
        number: event.number,
        at,
        verdict: super::parts::verdict_class(event.verdict),
        text,
    }
}

/// Events, sections and doubts of a link.
fn tables(index: usize, entry: &PackLink, wording: &Wording) -> String {
    let link = &entry.link;
    let mut text = format!(
        "<section data-link=\"{index}\"><h2>{} nm: {}</h2>",
        link.wavelength.nm(),
        html(wording.of(Text::Events)),
    );
    text.push_str(&events(index, link, wording));
    if !link.sections.is_empty() {
        let columns = [
            format!(">{}, m", wording.of(Text::From)),
            format!(">{}, m", wording.of(Text::To)),
            format!(">{}, dB/km", wording.of(Text::Attenuation)),
        ];
        let _ = write!(
            text,
            "<h3>{}</h3><div class=\"wide\"><table>{}",
            html(wording.of(Text::Sections)),
            heads(&columns)
        );
        for section in &link.sections {
            let _ = write!(
                text,
                "<tr>{}{}<td class=\"n\">{}</td></tr>",
                number_cell(Some(section.from.m()), 1),
                number_cell(Some(section.to.m()), 1),
                html(&with_error(
                    section.attenuation.value.db_per_km(),
                    section.attenuation.std_error.map(Attenuation::db_per_km),
                    4
                )),
            );
        }
        text.push_str("</table></div>");
    }
    text.push_str(&judgements(entry, wording));
    if !entry.power.is_empty() {
        let _ = write!(text, "<h3>{}</h3><ul>", html(wording.of(Text::PowerMeter)));
        for reading in &entry.power {
            let _ = write!(
                text,
                "<li>{}</li>",
                html(&power::sentence(reading, &link.loss))
            );
        }
        text.push_str("</ul>");
    }
    if !link.warnings.is_empty() {
        let _ = write!(
            text,
            "<h3>{}</h3><ul class=\"doubts\">",
            html(wording.of(Text::Warnings))
        );
        for warning in &link.warnings {
            let _ = write!(text, "<li>{}</li>", html(&warning.message));
        }
        text.push_str("</ul>");
    }
    let sources = [
        (wording.of(Text::TraceFromA), &entry.provenance.a),
        (wording.of(Text::TraceFromB), &entry.provenance.b),
    ];
    let _ = write!(text, "<h3>{}</h3>", html(wording.of(Text::RawTraces)));
    text.push_str(&facts(sources.map(|(name, source)| {
        (name, Some(format!("{} {}", source.file, source.sha256)))
    })));
    text + "</section>"
}

/// What is not within its limit, and why; nothing where all is.
fn judgements(entry: &PackLink, wording: &Wording) -> String {
    let open: Vec<&Judgement> = entry
        .judgements()
        .iter()
        .filter(|judgement| judgement.verdict != Verdict::Pass)
        .collect();
    if open.is_empty() {
        return String::new();
    }
    let columns = [
        wording.of(Text::Quantity).to_owned(),
        wording.of(Text::Place).to_owned(),
        wording.of(Text::Verdict).to_owned(),
        format!(">{}", wording.of(Text::Limit)),
        wording.of(Text::Reason).to_owned(),
    ];
    let mut text = format!(
        "<h3>{}</h3><div class=\"wide\"><table>{}",
        html(wording.of(Text::Exceptions)),
        heads(&columns)
    );
    for one in open {
        let _ = write!(
            text,
            "<tr><td class=\"t\">{}</td><td class=\"t\">{}</td>{}<td class=\"n\">{}</td>\
             <td class=\"t\">{}</td></tr>",
            html(named::quantity(one.what, wording)),
            html(&named::place(&one.place, wording)),
            verdict_cell(one.verdict, wording),
            html(&one.limit.map_or_else(
                || "—".to_owned(),
                |limit| format!("{} {}", signed(limit, 3), one.what.unit())
            )),
            html(&named::reason(one, wording)),
        );
    }
    text + "</table></div>"
}

fn events(index: usize, link: &Link, wording: &Wording) -> String {
    let columns = [
        wording.of(Text::Number).to_owned(),
        format!(">{}, m", wording.of(Text::Place)),
        wording.of(Text::Kind).to_owned(),
        wording.of(Text::Joint).to_owned(),
        format!(">{}, dB", wording.of(Text::Loss)),
        wording.of(Text::Verdict).to_owned(),
        format!(">{}, dB", wording.of(Text::Limit)),
        format!(">{}, dB", wording.of(Text::LossAToB)),
        format!(">{}, dB", wording.of(Text::LossBToA)),
        format!(">{}, dB", wording.of(Text::ReflectanceA)),
        format!(">{}, dB", wording.of(Text::ReflectanceB)),
        wording.of(Text::Notes).to_owned(),
    ];
    let mut text = format!("<div class=\"wide\"><table>{}", heads(&columns));
    for (place, event) in link.events.iter().enumerate() {
        let mut notes = event.notes.clone();
        if let Err(missing) = &event.loss {
            notes.insert(
                0,
                format!(
                    "{} {}: {}",
                    wording.of(Text::Loss),
                    wording.of(Text::NotMeasured),
                    missing.reason
                ),
            );
        }
        let position = match event.position_from_b {
            None => number_cell(Some(event.position.value.m()), 1),
            Some(from_b) => missing_cell(&format!("{} m {}", from_b.m(), wording.of(Text::FromB))),
        };
        let _ = write!(
            text,
            "<tr id=\"event-{index}-{place}\"><td><button type=\"button\" data-event=\"{place}\" \
             aria-label=\"{} {}\">{}</button></td>{position}<td class=\"t\">{}{}</td>\
             <td class=\"t\">{}</td>{}{}{}{}{}{}{}<td class=\"t\">{}</td></tr>",
            html(wording.of(Text::ShowEvent)),
            event.number,
            event.number,
            html(named::kind(event.kind, wording)),
            event
                .end
                .map(|end| format!(" – {:.1} m", Position::m(end)))
                .unwrap_or_default(),
            html(event.joint.as_deref().unwrap_or_default()),
            measured_cell(&event.loss, Loss::db, 3),
            verdict_cell(event.verdict, wording),
            number_cell(event.limit.map(Loss::db), 3),
            measured_cell(&event.loss_a_to_b, Loss::db, 3),
            measured_cell(&event.loss_b_to_a, Loss::db, 3),
            reflectance_cell(event.reflectance_a),
            reflectance_cell(event.reflectance_b),
            html(&notes.join("; ")),
        );
    }
    text + "</table></div>"
}

/// A reflectance, with a sign before it where it is only a bound.
fn reflectance_cell(reading: Option<ReflectanceReading>) -> String {
    match reading {
        Some(reading) if reading.is_bound => format!(
            "<td class=\"n\">≥ {}</td>",
            signed(Reflectance::db(reading.value), 1)
        ),
        reading => number_cell(reading.map(|reading| Reflectance::db(reading.value)), 1),
    }
}
