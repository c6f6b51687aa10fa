//! Kinds, quantities, places and findings in the wording of the pack.

use super::content::Content;
use super::wording::{Text, Wording};
use crate::both_ways::{Event, EventKind, KindFrom, Link, SeenFrom, Verdict};
use crate::cable::{CableResult, Evidence, Fibre, Finding, FindingKind};
use crate::report::event_words::{is_out_of_sight, named_place};
use crate::report::number::{signed, with_error};
use crate::report::plain_text;
use crate::units::{Loss, Position, Wavelength};
use crate::verdict::{Judgement, Place, What};

/// Decimals of a number of a finding's evidence.
const EVIDENCE_DECIMALS: usize = 3;

/// The word for a kind of event.
pub(super) fn kind(kind: EventKind, wording: &Wording) -> &str {
    wording.of(match kind {
        EventKind::Connector => Text::KindConnector,
        EventKind::Splice => Text::KindSplice,
        EventKind::Bend => Text::KindBend,
        EventKind::Group => Text::KindGroup,
        EventKind::Echo => Text::KindEcho,
        EventKind::Break => Text::KindBreak,
        EventKind::End => Text::KindEnd,
    })
}

/// What an event is, with its joint's name, and from where it shows.
pub(super) fn event(event: &Event, link: &Link, wording: &Wording) -> String {
    let of = |text| wording.of(text);
    let word = kind(event.kind, wording);
    let hidden = is_out_of_sight(event);
    let mut text = match event.kind {
        EventKind::Echo => match event.echo_of {
            Some((one, other)) => {
                let places = [one, other].map(|place| named_place(link, place.m()));
                let values = [("one", &*places[0]), ("other", &*places[1])];
                wording.filled(Text::EchoOf, &values)
            }
            None => word.to_owned(),
        },
        EventKind::Group => format!("{word}, {}", of(Text::OneLoss)),
        EventKind::Splice if event.reflective => format!("{word}, {}", of(Text::Reflective)),
        EventKind::Connector if hidden => format!("{word}, {}", of(Text::NotMeasured)),
        EventKind::Connector if !event.reflective => {
            format!("{word}, {}", of(Text::NoReflection))
        }
        _ => word.to_owned(),
    };
    if let Some(end) = event.end {
        let place = signed(end.m(), 1);
        text = format!(
            "{text}, {}",
            wording.filled(Text::UpTo, &[("place", &place)])
        );
    }
    if let Some(joint) = &event.joint {
        text = format!("{}, {text}", plain_text(joint));
    }
    if event.kind_from == KindFrom::Plan {
        text = format!("{text} ({})", of(Text::ByPlan));
    }
    match event.seen_from {
        SeenFrom::A => text + "; " + of(Text::SeenFromA),
        SeenFrom::B => text + "; " + of(Text::SeenFromB),
        SeenFrom::Neither if !hidden => text + "; " + of(Text::SeenFromNeither),
        SeenFrom::Both | SeenFrom::Neither => text,
    }
}

/// The quantity that was judged.
pub(super) fn quantity(what: What, wording: &Wording) -> &str {
    wording.of(match what {
        What::SpliceLoss => Text::QuantitySpliceLoss,
        What::ConnectorLoss => Text::QuantityConnectorLoss,
        What::GroupLoss => Text::QuantityGroupLoss,
        What::Continuity => Text::QuantityContinuity,
        What::Reflectance => Text::QuantityReflectance,
        What::SectionAttenuation => Text::QuantitySectionAttenuation,
        What::FibreMean => Text::QuantityFibreMean,
        What::ClosureMean => Text::QuantityClosureMean,
        What::SplicesOver => Text::QuantitySplicesOver,
        What::LinkLoss => Text::QuantityLinkLoss,
        What::ReturnLoss => Text::QuantityReturnLoss,
    })
}

/// Where a judged value belongs.
pub(super) fn place(place: &Place, wording: &Wording) -> String {
    let from = |end: crate::verdict::End| {
        let end = end.to_string();
        wording.filled(Text::SeenFromEnd, &[("end", &end)])
    };
    match place {
        Place::Event {
            number,
            joint,
            seen_from,
        } => {
            let number = number.to_string();
            let mut text = wording.filled(Text::EventNumber, &[("number", &number)]);
            if let Some(joint) = joint {
                text = format!("{text} ({})", plain_text(joint));
            }
            if let Some(end) = seen_from {
                text = format!("{text}, {}", from(*end));
            }
            text
        }
        Place::Section { from, to } => {
            let [from, to] = [from, to].map(|place| signed(place.m(), 1));
            format!("{from} m – {to} m")
        }
        Place::Link => wording.of(Text::TheLink).to_owned(),
        Place::LinkFrom(end) => format!("{}, {}", wording.of(Text::TheLink), from(*end)),
        Place::Closure(name) => plain_text(name),
    }
}

/// Why a value came out so: the program's own reason, or the sentence of the project file
/// for that verdict with its numbers in it.
pub(super) fn reason(judgement: &Judgement, wording: &Wording) -> String {
    let text = match judgement.verdict {
        Verdict::Pass => Text::SayPass,
        Verdict::Fail => Text::SayFail,
        Verdict::Undecided => Text::SayUndecided,
        Verdict::NotJudged => Text::SayNotJudged,
    };
    let decimals = match judgement.what {
        What::Reflectance | What::ReturnLoss => 1,
        What::SplicesOver | What::Continuity => 0,
        What::SectionAttenuation => 4,
        _ => 3,
    };
    let number =
        |value: Option<f64>| value.map_or_else(|| "—".to_owned(), |value| signed(value, decimals));
    let value = match (judgement.value, judgement.std_error) {
        (Some(value), Some(error)) => with_error(value, Some(error), decimals),
        (value, _) => number(value),
    };
    let limit = number(judgement.limit);
    let margin = number(judgement.margin);
    let values = [
        ("message", &*judgement.reason),
        ("quantity", quantity(judgement.what, wording)),
        ("value", &*value),
        ("limit", &*limit),
        ("margin", &*margin),
        ("unit", judgement.what.unit()),
    ];
    plain_text(&wording.filled(text, &values))
}

/// The kind of a finding.
pub(super) fn finding_kind(kind: FindingKind, wording: &Wording) -> &str {
    wording.of(texts(kind).0)
}

/// What a finding says: the program's own sentence, or that of the project file with the
/// finding's values in it.
pub(super) fn finding(finding: &Finding, cable: &CableResult, wording: &Wording) -> String {
    let joint = finding.joint.and_then(|joint| cable.joints.get(joint));
    said(finding, joint.map(|joint| &*joint.name), wording)
}

fn said(finding: &Finding, joint: Option<&str>, wording: &Wording) -> String {
    let missing = "—".to_owned();
    let joint = joint.map_or_else(|| missing.clone(), str::to_owned);
    let loss = finding.loss.map_or_else(
        || missing.clone(),
        |loss| with_error(loss.value.db(), loss.std_error.map(Loss::db), 3),
    );
    let place = finding
        .position
        .map(Position::m)
        .map_or_else(|| missing.clone(), |m| signed(m, 1));
    let light = finding
        .wavelength
        .map_or(missing, |light| light.nm().to_string());
    let mut values: Vec<(&str, String)> = finding
        .evidence
        .iter()
        .map(|(key, value)| {
            let text = match value {
                Evidence::Number(number) => signed(*number, EVIDENCE_DECIMALS),
                Evidence::Text(text) => text.clone(),
                Evidence::Names(names) => names.join(", "),
            };
            (*key, text)
        })
        .collect();
    values.extend([
        ("message", finding.message.clone()),
        ("fibres", finding.fibres.join(", ")),
        ("joint", joint),
        ("position_m", place),
        ("wavelength_nm", light),
        ("loss_db", loss),
    ]);
    let values: Vec<(&str, &str)> = values.iter().map(|(key, text)| (*key, &**text)).collect();
    plain_text(&wording.filled(texts(finding.kind).1, &values))
}

/// Why a fibre has no link at a wavelength, as far as findings say it.
pub(super) fn why_missing(content: &Content<'_>, fibre: &Fibre, light: Wavelength) -> Vec<String> {
    let Some(cable) = content.cable else {
        return Vec::new();
    };
    cable
        .findings
        .iter()
        .filter(|finding| {
            matches!(
                finding.kind,
                FindingKind::CrossedFibres | FindingKind::MissingPartner
            )
        })
        .filter(|finding| finding.fibres.contains(&fibre.name))
        .filter(|finding| finding.wavelength.is_none_or(|of_it| of_it == light))
        .map(|one| finding(one, cable, content.wording))
        .collect()
}

/// Word and sentence of a kind of finding.
const fn texts(kind: FindingKind) -> (Text, Text) {
    match kind {
        FindingKind::Break => (Text::FindingBreak, Text::SayBreak),
        FindingKind::CrossedFibres => (Text::FindingCrossedFibres, Text::SayCrossedFibres),
        FindingKind::SwappedEnds => (Text::FindingSwappedEnds, Text::SaySwappedEnds),
        FindingKind::DuplicateFile => (Text::FindingDuplicateFile, Text::SayDuplicateFile),
        FindingKind::MissingPartner => (Text::FindingMissingPartner, Text::SayMissingPartner),
        FindingKind::BadJoint => (Text::FindingBadJoint, Text::SayBadJoint),
        FindingKind::Bend => (Text::FindingBend, Text::SayBend),
        FindingKind::ShiftedTray => (Text::FindingShiftedTray, Text::SayShiftedTray),
        FindingKind::Outlier => (Text::FindingOutlier, Text::SayOutlier),
        FindingKind::LooksBadOneWay => (Text::FindingLooksBadOneWay, Text::SayLooksBadOneWay),
        FindingKind::SplicingMachine => (Text::FindingSplicingMachine, Text::SaySplicingMachine),
        FindingKind::PoorSettings => (Text::FindingPoorSettings, Text::SayPoorSettings),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Measured;

    fn bad_joint() -> Finding {
        Finding {
            kind: FindingKind::BadJoint,
            fibres: vec!["017".to_owned(), "{joint}".to_owned()],
            joint: None,
            position: Some(Position::from_m(5640.52)),
            wavelength: Some(Wavelength::from_nm(1550.0)),
            loss: Some(Measured {
                value: Loss::from_db(0.31),
                std_error: Some(Loss::from_db(0.01)),
            }),
            message: "fibre 017 loses 0.31 dB".to_owned(),
            evidence: vec![("limit_db", Evidence::Number(0.15))],
        }
    }

    /// Without wording of its own a finding says what results carry; with it, its values
    /// stand where their keys do, once, and a key that it lacks stays to be seen.
    #[test]
    fn a_finding_speaks_in_the_words_of_the_project() {
        let mut wording = Wording::default();
        let joint = Some("Muffe 4");
        assert_eq!(finding_kind(FindingKind::BadJoint, &wording), "bad joint");
        assert_eq!(
            said(&bad_joint(), joint, &wording),
            "fibre 017 loses 0.31 dB"
        );
        wording.replace(Text::FindingBadJoint, "schlechter Spleiß".to_owned());
        wording.replace(
            Text::SayBadJoint,
            "Faser {fibres}, {joint}, {position_m} m, {wavelength_nm} nm: {loss_db} dB, Grenze \
             {limit_db} dB {colour}"
                .to_owned(),
        );
        assert_eq!(
            finding_kind(FindingKind::BadJoint, &wording),
            "schlechter Spleiß"
        );
        assert_eq!(
            said(&bad_joint(), joint, &wording),
            "Faser 017, {joint}, Muffe 4, 5640.5 m, 1550 nm: 0.310 ± 0.010 dB, Grenze 0.150 dB \
             {colour}"
        );
    }

    #[test]
    fn places_and_quantities_speak_in_the_words_of_the_project() {
        let mut wording = Wording::default();
        let event = Place::Event {
            number: 4,
            joint: Some("closure 7".to_owned()),
            seen_from: Some(crate::verdict::End::B),
        };
        assert_eq!(place(&event, &wording), "event 4 (closure 7), seen from B");
        wording.replace(Text::EventNumber, "Ereignis {number}".to_owned());
        wording.replace(Text::SeenFromEnd, "von {end} gesehen".to_owned());
        wording.replace(Text::QuantityReflectance, "Reflexion".to_owned());
        assert_eq!(
            place(&event, &wording),
            "Ereignis 4 (closure 7), von B gesehen"
        );
        assert_eq!(quantity(What::Reflectance, &wording), "Reflexion");
    }

    /// The numbers are those of the judgement, invented, with the decimals of a loss.
    #[test]
    fn a_reason_speaks_in_the_words_of_the_project() {
        let mut wording = Wording::default();
        let mut judgement = Judgement {
            what: What::SpliceLoss,
            place: Place::Link,
            value: Some(0.24),
            std_error: None,
            limit: Some(0.15),
            conformance: Some(0.0),
            verdict: Verdict::Fail,
            reason: "0.090 dB above the limit".to_owned(),
            margin: Some(-0.09),
            source: "contract".to_owned(),
        };
        assert_eq!(reason(&judgement, &wording), "0.090 dB above the limit");
        wording.replace(Text::QuantitySpliceLoss, "Spleißdämpfung".to_owned());
        wording.replace(
            Text::SayFail,
            "{quantity} {value} {unit}, Grenze {limit}, Abstand {margin}".to_owned(),
        );
        assert_eq!(
            reason(&judgement, &wording),
            "Spleißdämpfung 0.240 dB, Grenze 0.150, Abstand \u{2212}0.090"
        );
        judgement.verdict = Verdict::NotJudged;
        judgement.value = None;
        wording.replace(Text::SayNotJudged, "{value}".to_owned());
        assert_eq!(reason(&judgement, &wording), "—");
    }
}
