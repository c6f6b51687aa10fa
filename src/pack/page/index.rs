//! The page that a pack opens with.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use crate::both_ways::Verdict;
use crate::cable::{CableResult, Fibre};
use crate::pack::content::{Content, Due};
use crate::pack::judged::asked;
use crate::pack::named;
use crate::pack::project::Party;
use crate::pack::wording::{Text, Wording};
use crate::report::number::signed;
use crate::units::{Attenuation, Length, Loss, Wavelength};

use super::escape::{html, url};
use super::fibre::foot;
use super::parts::{
    cautions, facts, heads, measured_cell, missing_cell, number_cell, verdict_cell, verdict_class,
};
use super::{Fetch, INDEX_SCRIPT, page};

/// A file that the index points at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndexFile {
    /// Its name in the pack.
    pub path: String,
    /// What it is.
    pub what: String,
}

/// Writes the index: project, instruments, every fibre, the matrix, files, cautions.
///
/// # Errors
/// None yet; the form of every writer.
pub fn index_page(content: &Content<'_>, files: &[IndexFile]) -> String {
    let wording = content.wording;
    let project = content.project;
    let title = project
        .title
        .as_deref()
        .unwrap_or_else(|| wording.of(Text::PackTitle));
    let mut body = head(content, title);
    body.push_str(&exceptions(content));
    body.push_str(&closures(content));
    if let Some(cable) = content.cable {
        body.push_str(&findings(cable, wording));
        body.push_str(&redo(cable, wording));
    }
    body.push_str(&fibres(content));
    if let Some(cable) = content.cable {
        body.push_str(&matrix(cable, content, wording));
        body.push_str(&skipped(cable, wording));
    }
    body.push_str(&limits(content));
    if !content.warnings.is_empty() {
        let _ = write!(
            body,
            "<h2>{}</h2><ul class=\"doubts\">",
            html(wording.of(Text::Warnings))
        );
        for warning in content.warnings {
            let _ = write!(body, "<li>{}</li>", html(&warning.message));
        }
        body.push_str("</ul>");
    }
    let _ = write!(body, "<h2>{}</h2><ul>", html(wording.of(Text::Files)));
    for file in files {
        let _ = write!(
            body,
            "<li><a href=\"{}\">{}</a>: {}</li>",
            html(&url(&file.path)),
            html(&file.path),
            html(&file.what)
        );
    }
    let _ = write!(
        body,
        "</ul><h2>{}</h2><p>{}</p>",
        html(wording.of(Text::HowToCheck)),
        html(wording.of(Text::CheckText))
    );
    body.push_str(&cautions(wording));
    let _ = write!(body, "<footer>{}</footer>", html(&foot(content)));
    page(
        &wording.language,
        title,
        &body,
        INDEX_SCRIPT,
        Fetch::Nowhere,
    )
}

fn head(content: &Content<'_>, title: &str) -> String {
    let (wording, project) = (content.wording, content.project);
    let mut text = String::from("<div class=\"head\">");
    if let Some(png) = &project.logo_png {
        let _ = write!(
            text,
            "<img class=\"logo\" alt=\"{}\" src=\"data:image/png;base64,{}\">",
            html(project.contractor.name.as_deref().unwrap_or_default()),
            STANDARD.encode(png)
        );
    }
    let _ = write!(text, "<div><h1>{}</h1></div></div>", html(title));
    let party = |party: &Party| {
        let parts: Vec<&str> = [&party.name, &party.address, &party.contact]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    };
    let first = content.links.first().map(|entry| &entry.link);
    let given = [
        (wording.of(Text::ProjectNumber), project.number.clone()),
        (wording.of(Text::Site), project.site.clone()),
        (wording.of(Text::Client), party(&project.client)),
        (wording.of(Text::Contractor), party(&project.contractor)),
        (wording.of(Text::Tester), party(&project.tester)),
        (
            wording.of(Text::Cable),
            first.and_then(|link| link.cable.clone()),
        ),
        (
            wording.of(Text::EndA),
            first.and_then(|link| link.from.clone()),
        ),
        (
            wording.of(Text::EndB),
            first.and_then(|link| link.to.clone()),
        ),
        (
            wording.of(Text::ReportTime),
            content.report_time.map(str::to_owned),
        ),
    ];
    let details = project
        .details
        .iter()
        .map(|(name, value)| (name.as_str(), Some(value.clone())));
    text.push_str(&facts(given.into_iter().chain(details)));
    if let Some(note) = &project.note {
        let _ = write!(text, "<p>{}</p>", html(note));
    }
    let instruments = content.instruments();
    if !instruments.is_empty() {
        let columns = [Text::Instrument, Text::Serial, Text::CalibratedUntil]
            .map(|name| wording.of(name).to_owned());
        let _ = write!(text, "<div class=\"wide\"><table>{}", heads(&columns));
        for instrument in instruments {
            let cell = |value: &Option<String>| html(value.as_deref().unwrap_or("—"));
            let _ = write!(
                text,
                "<tr><td>{}</td><td>{}</td><td>{}</td></tr>",
                cell(&instrument.name),
                cell(&instrument.serial),
                cell(&instrument.calibrated_until)
            );
        }
        text.push_str("</table></div>");
    }
    text
}

/// How many links have each verdict.
fn exceptions(content: &Content<'_>) -> String {
    let wording = content.wording;
    let mut text = format!("<h2>{}</h2><p>", html(wording.of(Text::Summary)));
    let parts: Vec<String> = [
        Verdict::Fail,
        Verdict::Undecided,
        Verdict::NotJudged,
        Verdict::Pass,
    ]
    .into_iter()
    .filter_map(|verdict| {
        let n = content
            .links
            .iter()
            .filter(|entry| entry.link.verdict == verdict)
            .count();
        (n > 0).then(|| {
            format!(
                "<span class=\"{}\">{}: {n}</span>",
                verdict_class(verdict),
                html(wording.verdict(verdict))
            )
        })
    })
    .chain(
        Some(content.missing().len())
            .filter(|&n| n > 0)
            .map(|n| format!("{}: {n}", html(wording.of(Text::LinksMissing)))),
    )
    .collect();
    text.push_str(&parts.join(" · "));
    text + "</p>"
}

/// The closures whose mean did not pass, and why; nothing where all did.
fn closures(content: &Content<'_>) -> String {
    let wording = content.wording;
    let mut list = String::new();
    for (light, one) in content.closure_means() {
        if one.verdict != Verdict::Pass {
            let _ = write!(
                list,
                "<li>{}, {} nm: {}: <span class=\"{}\">{}</span>, {}</li>",
                html(&named::place(&one.place, wording)),
                light.nm(),
                html(named::quantity(one.what, wording)),
                verdict_class(one.verdict),
                html(wording.verdict(one.verdict)),
                html(&named::reason(one, wording))
            );
        }
    }
    if list.is_empty() {
        list
    } else {
        format!("<ul>{list}</ul>")
    }
}

/// The limits that were applied and the rule that decided, or that there are none.
fn limits(content: &Content<'_>) -> String {
    let wording = content.wording;
    let mut text = format!("<h2>{}</h2>", html(wording.of(Text::Limits)));
    let Some(limits) = content.limits else {
        let _ = write!(text, "<p>{}</p>", html(wording.of(Text::NoLimits)));
        return text;
    };
    let _ = write!(
        text,
        "<p>{}. {}: {}; {}</p>",
        html(&limits.name),
        html(wording.of(Text::Coverage)),
        content.coverage,
        html(wording.of(Text::DecisionRule))
    );
    let columns = [
        wording.of(Text::Quantity).to_owned(),
        wording.of(Text::Wavelength).to_owned(),
        wording.of(Text::Limit).to_owned(),
        wording.of(Text::Source).to_owned(),
    ];
    let _ = write!(text, "<div class=\"wide\"><table>{}", heads(&columns));
    for one in asked(limits, wording) {
        let _ = write!(
            text,
            "<tr><td class=\"t\">{}</td><td class=\"t\">{}</td><td class=\"t\">{}</td>\
             <td class=\"t\">{}</td></tr>",
            html(named::quantity(one.what, wording)),
            html(&one.band),
            html(&one.text),
            html(&one.source)
        );
    }
    text + "</table></div>"
}

fn fibres(content: &Content<'_>) -> String {
    let wording = content.wording;
    let columns = [
        wording.of(Text::Fibre).to_owned(),
        format!(">{}, nm", wording.of(Text::Wavelength)),
        wording.of(Text::Verdict).to_owned(),
        format!(">{}, m", wording.of(Text::Length)),
        format!(">{}, dB", wording.of(Text::Loss)),
        format!(">{}, dB/km", wording.of(Text::Attenuation)),
        wording.of(Text::Warnings).to_owned(),
    ];
    let mut text = format!(
        "<h2>{}</h2><p class=\"script noprint\" hidden><label>{} <input type=\"search\" \
         id=\"search\"></label> <label class=\"whole\"><input type=\"checkbox\" id=\"only\"> {}</label> · \
         <span id=\"found\" aria-live=\"polite\"></span></p><div class=\"wide\"><table>{}",
        html(wording.of(Text::Fibres)),
        html(wording.of(Text::Search)),
        html(wording.of(Text::OnlyOpen)),
        heads(&columns)
    );
    for due in content.due() {
        let entry = match due {
            Due::Measured(entry) => entry,
            Due::Missing { fibre, wavelength } => {
                text.push_str(&missing_row(content, fibre, wavelength));
                continue;
            }
        };
        let link = &entry.link;
        let name = link.fibre.as_deref().unwrap_or(&entry.page);
        let _ = write!(
            text,
            "<tr data-find=\"{}\" data-fine=\"{}\"><td class=\"t\"><a href=\"{}\">{}</a></td>\
             <td class=\"n\">{}</td>{}{}{}{}<td class=\"n\">{}</td></tr>",
            html(&name.to_lowercase()),
            if link.verdict == Verdict::Pass {
                "yes"
            } else {
                "no"
            },
            html(&url(&format!("fibres/{}.html", entry.page))),
            html(name),
            link.wavelength.nm(),
            verdict_cell(link.verdict, wording),
            measured_cell(&link.length, Length::m, 1),
            measured_cell(&link.loss, Loss::db, 3),
            number_cell(link.attenuation.map(Attenuation::db_per_km), 4),
            link.warnings.len(),
        );
    }
    text + "</table></div>"
}

/// A row of the list of fibres for a link that was not measured from both ends.
fn missing_row(content: &Content<'_>, fibre: &Fibre, wavelength: Wavelength) -> String {
    let wording = content.wording;
    let why = named::why_missing(content, fibre, wavelength).join(" ");
    let dash = missing_cell(wording.of(Text::NotMeasured));
    format!(
        "<tr data-find=\"{}\" data-fine=\"no\"><td class=\"t\">{}</td><td class=\"n\">{}</td>\
         <td class=\"none\" title=\"{}\">{}</td>{dash}{dash}{dash}<td></td></tr>",
        html(&fibre.name.to_lowercase()),
        html(&fibre.name),
        wavelength.nm(),
        html(&why),
        html(wording.of(Text::NotMeasured)),
    )
}

fn matrix(cable: &CableResult, content: &Content<'_>, wording: &Wording) -> String {
    let mut text = String::new();
    for (light, wavelength) in cable.wavelengths.iter().enumerate() {
        let mut columns = vec![wording.of(Text::Fibre).to_owned()];
        columns.extend(cable.joints.iter().map(|joint| format!(">{}", joint.name)));
        let _ = write!(
            text,
            "<h2>{}, {} nm, dB</h2><div class=\"wide\"><table>{}",
            html(wording.of(Text::Matrix)),
            wavelength.nm(),
            heads(&columns)
        );
        for (index, fibre) in cable.fibres.iter().enumerate() {
            let page = content
                .links
                .iter()
                .find(|entry| entry.link.fibre.as_deref() == Some(&fibre.name));
            let name = html(&fibre.name);
            let _ = match page {
                Some(entry) => write!(
                    text,
                    "<tr><td class=\"t\"><a href=\"{}\">{name}</a></td>",
                    html(&url(&format!("fibres/{}.html", entry.page)))
                ),
                None => write!(text, "<tr><td class=\"t\">{name}</td>"),
            };
            for joint in 0..cable.joints.len() {
                match cable.matrix.cell(index, joint, light) {
                    Some(cell) => match &cell.loss {
                        Ok(loss) => {
                            let _ = write!(
                                text,
                                "<td class=\"n {}\">{}</td>",
                                verdict_class(cell.verdict),
                                signed(loss.value.db(), 3)
                            );
                        }
                        Err(missing) => text.push_str(&missing_cell(&missing.reason)),
                    },
                    None => text.push_str(&missing_cell(wording.of(Text::NoLink))),
                }
            }
            text.push_str("</tr>");
        }
        text.push_str("</table></div>");
    }
    text
}

fn redo(cable: &CableResult, wording: &Wording) -> String {
    if cable.redo.is_empty() {
        return String::new();
    }
    let columns = [
        format!(">{}", wording.of(Text::Rank)),
        wording.of(Text::Fibre).to_owned(),
        wording.of(Text::Joint).to_owned(),
        format!(">{}, nm", wording.of(Text::Wavelength)),
        format!(">{}, m", wording.of(Text::Place)),
        format!(">{}, dB", wording.of(Text::Loss)),
    ];
    let mut text = format!(
        "<h2>{}</h2><div class=\"wide\"><table>{}",
        html(wording.of(Text::Redo)),
        heads(&columns)
    );
    for entry in &cable.redo {
        let name = |list: Option<&String>| html(list.map_or("—", String::as_str));
        let _ = write!(
            text,
            "<tr><td class=\"n\">{}</td><td class=\"t\">{}</td><td class=\"t\">{}</td>\
             <td class=\"n\">{}</td>{}{}</tr>",
            entry.rank,
            name(cable.fibres.get(entry.fibre).map(|fibre| &fibre.name)),
            name(cable.joints.get(entry.joint).map(|joint| &joint.name)),
            entry.wavelength.nm(),
            number_cell(Some(entry.position.m()), 1),
            measured_cell(&Ok(entry.loss), Loss::db, 3),
        );
    }
    text + "</table></div>"
}

fn findings(cable: &CableResult, wording: &Wording) -> String {
    if cable.findings.is_empty() {
        return String::new();
    }
    let mut text = format!(
        "<h2>{}</h2><ul class=\"doubts\">",
        html(wording.of(Text::Findings))
    );
    for finding in &cable.findings {
        let _ = write!(
            text,
            "<li><strong>{}</strong>: {}</li>",
            html(named::finding_kind(finding.kind, wording)),
            html(&named::finding(finding, cable, wording))
        );
    }
    text + "</ul>"
}

fn skipped(cable: &CableResult, wording: &Wording) -> String {
    if cable.skipped.is_empty() {
        return String::new();
    }
    let mut text = format!(
        "<h2>{}</h2><ul class=\"doubts\">",
        html(wording.of(Text::Skipped))
    );
    for skipped in &cable.skipped {
        let _ = write!(
            text,
            "<li>{}: {}</li>",
            html(&skipped.file),
            html(&skipped.reason)
        );
    }
    text + "</ul>"
}
