//! Names and numbers as the document writes them.

use std::collections::{BTreeMap, BTreeSet};

use super::flow::{Flow, NOTE};
use crate::both_ways::{Event, Verdict};
use crate::cable::Fibre;
use crate::measure::ReflectanceReading;
use crate::pack::Content;
use crate::pack::wording::Text;
use crate::report::number::{NO_NUMBER_REASON, loss_with_error, signed};
use crate::report::plain_text;
use crate::units::{Length, Loss, Measurement, Reflectance, Wavelength};
use crate::verdict::roll_up;

/// Stands for a value that was not measured.
pub(super) const MISSING: &str = "—";

/// Most characters that the note on missing ones lists.
const MOST_LISTED: usize = 60;

/// A fibre with the links that share its page.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FibrePage {
    /// Its name.
    pub(super) name: String,
    /// Indices of its links.
    pub(super) links: Vec<usize>,
    /// Tube and colour, where a plan tells.
    pub(super) tube: Option<String>,
    /// Wavelengths of the cable at which it was not measured from both ends.
    pub(super) missing: Vec<Wavelength>,
    /// The worst verdict of its links; a missing one is not judged.
    pub(super) verdict: Verdict,
    /// Index among the cable's fibres.
    pub(super) of_cable: Option<usize>,
}

/// Every fibre of the content in its order.
pub(super) fn fibres(content: &Content<'_>) -> Vec<FibrePage> {
    let of_cable: BTreeMap<usize, usize> = content
        .cable
        .filter(|cable| cable.links.len() == content.links.len())
        .iter()
        .flat_map(|cable| &cable.links)
        .enumerate()
        .map(|(index, link)| (index, link.fibre))
        .collect();
    let missing = content.missing();
    let mut place_of: BTreeMap<&str, usize> = BTreeMap::new();
    let mut fibres: Vec<FibrePage> = Vec::new();
    for (index, entry) in content.links.iter().enumerate() {
        let place = *place_of.entry(&entry.page).or_insert_with(|| {
            let of_cable = of_cable.get(&index).copied();
            let known = content
                .cable
                .zip(of_cable)
                .and_then(|(cable, fibre)| cable.fibres.get(fibre));
            let name = known
                .map(|fibre| fibre.name.as_str())
                .or(entry.link.fibre.as_deref())
                .unwrap_or(&entry.stem);
            let tube = known.and_then(tube_and_colour);
            fibres.push(FibrePage {
                name: plain_text(name),
                links: Vec::new(),
                tube,
                missing: known.map_or_else(Vec::new, |known| {
                    let of_it = missing.iter().filter(|(fibre, _)| *fibre == known);
                    of_it.map(|&(_, wavelength)| wavelength).collect()
                }),
                verdict: Verdict::NotJudged,
                of_cable,
            });
            fibres.len() - 1
        });
        if let Some(fibre) = fibres.get_mut(place) {
            fibre.links.push(index);
        }
    }
    for fibre in &mut fibres {
        fibre.verdict = roll_up(
            fibre
                .links
                .iter()
                .filter_map(|&index| content.links.get(index))
                .map(|entry| entry.link.verdict)
                .chain(fibre.missing.iter().map(|_| Verdict::NotJudged)),
        );
    }
    fibres
}

/// What the plan has and no trace shows, for which the cable is not judged.
pub(super) fn untaken(content: &Content<'_>) -> Vec<String> {
    let said = content.cable.map_or(&[][..], |cable| &cable.untaken.said);
    let not_judged = content.wording.verdict(Verdict::NotJudged);
    said.iter()
        .map(|warning| format!("{not_judged}: {}", plain_text(&warning.message)))
        .collect()
}

/// Tube and colour in one cell.
pub(super) fn tube_and_colour(fibre: &Fibre) -> Option<String> {
    let parts: Vec<String> = [&fibre.tube, &fibre.colour]
        .into_iter()
        .flatten()
        .map(|part| plain_text(part))
        .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// What the document is about.
pub(super) fn title(content: &Content<'_>) -> String {
    let cable =
        cable_name(content).map(|name| format!("{} {name}", content.wording.of(Text::Cable)));
    let parts: Vec<String> = content
        .project
        .title
        .as_deref()
        .map(plain_text)
        .into_iter()
        .chain(cable)
        .collect();
    if parts.is_empty() {
        content.wording.of(Text::PackTitle).to_owned()
    } else {
        parts.join(" · ")
    }
}

/// Name of the cable, where the cable or all links agree on one.
pub(super) fn cable_name(content: &Content<'_>) -> Option<String> {
    let agreed = || {
        let names: BTreeSet<Option<&str>> = content
            .links
            .iter()
            .map(|entry| entry.link.cable.as_deref())
            .collect();
        match names.len() {
            1 => names.into_iter().next().flatten(),
            _ => None,
        }
    };
    content
        .cable
        .and_then(|cable| cable.name.as_deref())
        .or_else(agreed)
        .map(plain_text)
}

/// Names of the ends A and B, where they are known.
pub(super) fn ends(content: &Content<'_>) -> (Option<String>, Option<String>) {
    let first = content.links.first().map(|entry| &entry.link);
    let cable = content.cable;
    let named = |of_cable: Option<&String>, of_link: Option<&String>| {
        of_cable.or(of_link).map(|name| plain_text(name))
    };
    (
        named(
            cable.and_then(|cable| cable.from.as_ref()),
            first.and_then(|link| link.from.as_ref()),
        ),
        named(
            cable.and_then(|cable| cable.to.as_ref()),
            first.and_then(|link| link.to.as_ref()),
        ),
    )
}

/// Program and time for the foot of every page.
pub(super) fn origin(content: &Content<'_>) -> String {
    match content.report_time {
        Some(time) => format!("{} · {}", content.program, plain_text(time)),
        None => content.program.to_owned(),
    }
}

/// The wavelengths of the links, shortest first.
pub(super) fn wavelengths(content: &Content<'_>) -> Vec<Wavelength> {
    let mut all: Vec<Wavelength> = content
        .links
        .iter()
        .map(|entry| entry.link.wavelength)
        .collect();
    all.sort_by(|one, other| one.nm().total_cmp(&other.nm()));
    all.dedup();
    all
}

/// `1550 nm`.
pub(super) fn wavelength(wavelength: Wavelength) -> String {
    format!("{} nm", wavelength.nm())
}

/// A length to the decimetre.
pub(super) fn metres(length: Length) -> String {
    format!("{} m", signed(length.m(), 1))
}

/// Two-way loss with its error, or the mark for none.
pub(super) fn loss(loss: &Measurement<Loss>) -> String {
    match loss {
        Ok(loss) if loss.value.db().is_finite() => loss_with_error(loss),
        _ => MISSING.to_owned(),
    }
}

/// A reading without its error, or the mark for none.
pub(super) fn reading(loss: &Measurement<Loss>) -> String {
    match loss {
        Ok(loss) => signed(loss.value.db(), 3),
        Err(_) => MISSING.to_owned(),
    }
}

/// Why a value is missing; `None` where it is there.
pub(super) fn reason(loss: &Measurement<Loss>) -> Option<String> {
    match loss {
        Ok(loss) if loss.value.db().is_finite() => None,
        Ok(_) => Some(NO_NUMBER_REASON.to_owned()),
        Err(missing) => Some(plain_text(&missing.reason)),
    }
}

/// A reflectance; `≥` where the peak was clipped and the true one is stronger.
pub(super) fn reflectance(reading: Option<ReflectanceReading>) -> String {
    reading.map_or_else(
        || MISSING.to_owned(),
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

/// Place of an event on the fibre.
pub(super) fn place(event: &Event) -> String {
    if let Some(from_b) = event.position_from_b {
        return format!("B + {}", signed(from_b.m(), 1));
    }
    signed(event.position.value.m(), 1)
}

/// Characters with their code points.
pub(super) fn characters(missing: &BTreeSet<char>) -> String {
    let mut listed: Vec<String> = missing
        .iter()
        .take(MOST_LISTED)
        .map(|&c| format!("{c} (U+{:04X})", u32::from(c)))
        .collect();
    if missing.len() > MOST_LISTED {
        listed.push("…".to_owned());
    }
    listed.join(", ")
}

/// Says in the document itself which characters it could not draw.
pub(super) fn missing_note(flow: &mut Flow, content: &Content<'_>) {
    let missing = flow.typesetter.missing();
    if missing.is_empty() {
        return;
    }
    // Their shapes are just what cannot be drawn.
    let codes: Vec<String> = missing
        .iter()
        .take(MOST_LISTED)
        .map(|&c| format!("U+{:04X}", u32::from(c)))
        .collect();
    let more = if missing.len() > MOST_LISTED {
        ", …"
    } else {
        ""
    };
    let characters = format!("{}{more}", codes.join(", "));
    let text = content
        .wording
        .filled(Text::MissingCharacters, &[("characters", &characters)]);
    flow.gap(10.0);
    flow.text(&text, NOTE);
}
