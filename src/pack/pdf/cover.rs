//! The cover: what was measured, for whom, by whom, with what, and how it came out.

use super::flow::{BODY, Flow, NOTE};
use super::page::{ACCENT, Area, HAIR, INK, Item, SOFT};
use super::typeset::{Line, Style};
use super::words::{self, MISSING};
use crate::both_ways::Verdict;
use crate::pack::Content;
use crate::pack::project::Party;
use crate::pack::wording::Text;
use crate::report::plain_text;

/// Largest size of the logo in points.
const LOGO: (f32, f32) = (130.0, 46.0);
/// Width of the column of names.
const NAMES: f32 = 112.0;
/// Most lines of one entry.
const MOST_LINES: usize = 8;
/// The project's name.
const TITLE: Style = Style {
    leading: 1.2,
    ..Style::new(25.0, INK).bold()
};
/// The cable and its ends.
const SUBTITLE: Style = Style::new(12.0, INK);
/// A count.
const COUNT: Style = Style::new(19.0, INK).bold();

/// Lays the cover on the first page.
pub(super) fn lay(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    flow.bookmark(0, &words::title(content));
    if content.project.logo_png.is_some() {
        let area = Area {
            x: flow.left() + flow.room() - LOGO.0,
            y: flow.y() - 14.0,
            width: LOGO.0,
            height: LOGO.1,
        };
        flow.put(Item::Logo { area });
    }
    flow.advance(52.0);
    let bar = Area {
        x: flow.left(),
        y: flow.y(),
        width: 44.0,
        height: 3.0,
    };
    flow.put(Item::Filled {
        area: bar,
        colour: ACCENT,
    });
    flow.advance(14.0);
    flow.text(wording.of(Text::PackTitle), SUBTITLE.inked(SOFT));
    flow.advance(6.0);
    let cable = words::cable_name(content);
    let title = content.project.title.as_deref().map(plain_text);
    match (&title, &cable) {
        (Some(title), _) => headline(flow, title),
        (None, Some(cable)) => {
            headline(flow, &format!("{} {cable}", wording.of(Text::Cable)));
        }
        (None, None) => {}
    }
    flow.advance(8.0);
    let (from, to) = words::ends(content);
    let mut about = Vec::new();
    if let (Some(_), Some(cable)) = (&title, &cable) {
        about.push(format!("{} {cable}", wording.of(Text::Cable)));
    }
    if from.is_some() || to.is_some() {
        let named = |end: Option<String>| end.unwrap_or_else(|| MISSING.to_owned());
        about.push(format!("A: {}", named(from)));
        about.push(format!("B: {}", named(to)));
    }
    let fibres = content
        .cable
        .map_or_else(|| words::fibres(content).len(), |cable| cable.fibres.len())
        .to_string();
    let wavelengths: Vec<String> = words::wavelengths(content)
        .into_iter()
        .map(words::wavelength)
        .collect();
    about.push(wording.filled(
        if fibres == "1" {
            Text::FibreAndWavelengths
        } else {
            Text::FibresAndWavelengths
        },
        &[
            ("fibres", &fibres),
            ("wavelengths", &wavelengths.join(", ")),
        ],
    ));
    for line in about {
        short_text(flow, &line, SUBTITLE, 2);
    }
    flow.advance(22.0);
    counts(flow, content);
    for line in words::untaken(content) {
        flow.advance(8.0);
        flow.text(&line, BODY);
    }
    flow.advance(22.0);
    details(flow, content);
}

/// The title, the smaller the longer it is.
fn headline(flow: &mut Flow, text: &str) {
    let room = flow.room();
    let sizes = [TITLE.size, 19.0, 14.0];
    let fits = |flow: &mut Flow, size: f32, most: usize| {
        let style = Style { size, ..TITLE };
        flow.typesetter.lines(text, style, room).len() <= most
    };
    let lines = [4, 5, 8];
    let (size, most) = sizes
        .into_iter()
        .zip(lines)
        .find(|&(size, most)| fits(flow, size, most))
        .unwrap_or((14.0, 8));
    short_text(flow, text, Style { size, ..TITLE }, most);
}

/// A text of a user's, cut after some lines so that the cover stays one page.
fn short_text(flow: &mut Flow, text: &str, style: Style, most: usize) {
    let room = flow.room();
    let lines = flow.typesetter.few_lines(text, style, room, most);
    let left = flow.left();
    column(flow, lines, style, left);
}

/// Lines under each other from `x` on.
fn column(flow: &mut Flow, lines: Vec<Line>, style: Style, x: f32) {
    for line in lines {
        let y = flow.y() + style.baseline();
        flow.put_line(line, x, y, 0.0);
        flow.advance(style.line_height());
    }
}

/// How many links passed, how many did not, and how many there should be besides.
fn counts(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    let count = |verdict: Verdict| {
        content
            .links
            .iter()
            .filter(|entry| entry.link.verdict == verdict)
            .count()
    };
    let verdicts = [
        Verdict::Pass,
        Verdict::Fail,
        Verdict::Undecided,
        Verdict::NotJudged,
    ];
    let missing = content.missing().len();
    let missing = (missing > 0).then(|| {
        let name = wording.of(Text::LinksMissing).to_owned();
        (missing, name, ACCENT)
    });
    let columns = verdicts.len() as f32 + if missing.is_some() { 2.0 } else { 1.0 };
    let width = flow.room() / columns;
    let (left, top) = (flow.left(), flow.y());
    let all = (
        content.links.len(),
        wording.of(Text::LinksMeasured).to_owned(),
        INK,
    );
    let judged = verdicts.map(|verdict| {
        let number = count(verdict);
        let ink = if number > 0 && verdict == Verdict::Fail {
            ACCENT
        } else if number == 0 {
            SOFT
        } else {
            INK
        };
        (number, wording.verdict(verdict).to_owned(), ink)
    });
    let mut tallest = 0.0_f32;
    for (index, (number, name, ink)) in [all].into_iter().chain(judged).chain(missing).enumerate() {
        let x = left + width * index as f32;
        let line = flow.typesetter.line(&number.to_string(), COUNT.inked(ink));
        flow.put_line(line, x, top + 6.0 + COUNT.baseline(), 0.0);
        let lines = flow.typesetter.lines(&name, NOTE.inked(ink), width - 10.0);
        let mut y = top + 6.0 + COUNT.line_height();
        for line in lines {
            flow.put_line(line, x, y + NOTE.baseline(), 0.0);
            y += NOTE.line_height();
        }
        tallest = tallest.max(y - top);
    }
    for y in [top, top + tallest + 7.0] {
        let area = Area {
            x: left,
            y,
            width: flow.room(),
            height: 0.6,
        };
        flow.put(Item::Filled { area, colour: HAIR });
    }
    flow.advance(tallest + 8.0);
}

/// Names and values, one under the other.
fn details(flow: &mut Flow, content: &Content<'_>) {
    let wording = content.wording;
    let project = content.project;
    let mut rows: Vec<(String, String)> = Vec::new();
    let mut put = |name: &str, value: Option<String>| {
        if let Some(value) = value.filter(|value| !value.trim().is_empty()) {
            rows.push((name.to_owned(), value));
        }
    };
    let given = |value: &Option<String>| value.as_deref().map(plain_text);
    put(wording.of(Text::ProjectNumber), given(&project.number));
    put(wording.of(Text::Site), given(&project.site));
    put(wording.of(Text::Client), party(&project.client));
    put(wording.of(Text::Contractor), party(&project.contractor));
    put(wording.of(Text::Tester), party(&project.tester));
    for (name, value) in &project.details {
        put(&plain_text(name), Some(plain_text(value)));
    }
    let operators: Vec<String> = content.operators().into_iter().map(plain_text).collect();
    put(wording.of(Text::Operator), some_of(&operators));
    let instruments: Vec<String> = content
        .instruments()
        .iter()
        .map(|instrument| {
            let named = |value: &Option<String>| {
                value
                    .as_deref()
                    .map_or_else(|| wording.of(Text::NotStated).to_owned(), plain_text)
            };
            format!(
                "{}, {} {}, {} {}",
                named(&instrument.name),
                wording.of(Text::Serial).to_lowercase(),
                named(&instrument.serial),
                wording.of(Text::CalibratedUntil).to_lowercase(),
                named(&instrument.calibrated_until)
            )
        })
        .collect();
    let instruments =
        some_of(&instruments).unwrap_or_else(|| wording.of(Text::NotStated).to_owned());
    put(wording.of(Text::Instrument), Some(instruments));
    put(
        wording.of(Text::ReportTime),
        content.report_time.map(plain_text),
    );
    put(
        wording.of(Text::Note),
        project.note.as_deref().map(lines_of),
    );
    for (name, value) in rows {
        row(flow, &name, &value);
    }
}

/// The first of many, one a line, and how many are left out.
fn some_of(values: &[String]) -> Option<String> {
    const MOST: usize = 6;
    let mut shown: Vec<String> = values.iter().take(MOST).cloned().collect();
    if values.len() > MOST {
        shown.push(format!("… (+{})", values.len() - MOST));
    }
    (!shown.is_empty()).then(|| shown.join("\n"))
}

/// A text of several lines, each made harmless.
fn lines_of(text: &str) -> String {
    text.lines().map(plain_text).collect::<Vec<_>>().join("\n")
}

fn party(party: &Party) -> Option<String> {
    let parts: Vec<String> = [&party.name, &party.address, &party.contact]
        .into_iter()
        .flatten()
        .map(|part| lines_of(part))
        .collect();
    (!parts.is_empty()).then(|| parts.join("\n"))
}

fn row(flow: &mut Flow, name: &str, value: &str) {
    let names = NAMES - 12.0;
    let name = flow.typesetter.few_lines(name, BODY.inked(SOFT), names, 3);
    let room = flow.room() - NAMES;
    let value = flow.typesetter.few_lines(value, BODY, room, MOST_LINES);
    let count = name.len().max(value.len()) as f32;
    flow.need(BODY.line_height() * count + 5.0);
    let (left, top) = (flow.left(), flow.y());
    column(flow, name, BODY, left);
    flow.advance(top - flow.y());
    column(flow, value, BODY, left + NAMES);
    flow.advance(top + BODY.line_height() * count - flow.y() + 5.0);
}
