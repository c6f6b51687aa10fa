//! What the figure of a link says in words.

use crate::both_ways::{Direction, Event, EventKind, Link, Verdict};
use crate::plot::PlotSettings;
use crate::plot::figure::FibreAxis;
use crate::plot::heading::{Heading, SEPARATOR};
use crate::plot::joints::{Column, MISSING};
use crate::plot::phrases::{Phrase, Phrases};
use crate::report::findings::{Among, Finding, Noteworthy, ReadFrom};
use crate::report::number::{loss_and_error_db, loss_with_error, signed, with_error};
use crate::report::plain_text;
use crate::units::{Loss, Measurement};

/// Most joints that the heading names one by one; more are counted.
const MOST_NAMED: usize = 12;

/// The lines above and below the panels.
pub(super) fn heading(
    link: &Link,
    found: &[Noteworthy<'_>],
    axis: &FibreAxis,
    settings: &PlotSettings,
) -> Heading {
    let words = &settings.words;
    let named = |name: &Option<String>| {
        name.as_deref()
            .map_or_else(|| words.of(Phrase::NotNamed).to_owned(), plain_text)
    };
    let mut identity = vec![match &link.length {
        Ok(length) => {
            let length = axis.place(length.value.m());
            words.filled(
                Phrase::Length,
                &[("length", &length), ("unit", axis.unit())],
            )
        }
        Err(_) => words.of(Phrase::LengthUnknown).to_owned(),
    }];
    identity.push(match &link.loss {
        Ok(loss) => words.filled(Phrase::LinkLoss, &[("loss", &loss_with_error(loss))]),
        Err(_) => words.of(Phrase::LinkLossMissing).to_owned(),
    });
    if let Some(attenuation) = link.attenuation {
        let attenuation = signed(attenuation.db_per_km(), 3);
        identity.push(words.filled(Phrase::Attenuation, &[("attenuation", &attenuation)]));
    }
    Heading {
        title: words.filled(
            Phrase::Title,
            &[
                ("cable", &named(&link.cable)),
                ("fibre", &named(&link.fibre)),
                ("wavelength", &link.wavelength.nm().to_string()),
            ],
        ),
        ends: vec![
            format!("A: {}", named(&link.from)),
            format!("B: {}", named(&link.to)),
        ],
        identity: identity.join(SEPARATOR),
        message: message(link, found, axis, words),
        detail: misleading(found, words),
        verdict: words.verdict(link.verdict),
        foot: foot(link, settings),
    }
}

/// The one sentence that the figure is for.
fn message(link: &Link, found: &[Noteworthy<'_>], axis: &FibreAxis, words: &Phrases) -> String {
    let breaks: Vec<String> = link
        .events
        .iter()
        .filter(|event| event.kind == EventKind::Break)
        .map(|event| {
            let (place, end) = match event.position_from_b {
                Some(from_b) => (from_b.m(), "B"),
                None => (event.position.value.m(), "A"),
            };
            let place = axis.place(place);
            let values = [("place", &*place), ("unit", axis.unit()), ("end", end)];
            words.filled(Phrase::PlaceFromEnd, &values)
        })
        .collect();
    if !breaks.is_empty() {
        return words.filled(Phrase::Interrupted, &[("places", &breaks.join(", "))]);
    }
    if link.events.is_empty() {
        return words.of(Phrase::NoJoint).to_owned();
    }
    let largest: Vec<String> = found.iter().filter_map(|one| largest(one, words)).collect();
    if largest.is_empty() {
        return words.of(Phrase::NoLoss).to_owned();
    }
    words.filled(Phrase::Largest, &[("joints", &largest.join("; "))])
}

fn largest(noteworthy: &Noteworthy<'_>, words: &Phrases) -> Option<String> {
    let Finding::LargestLoss {
        among,
        loss_db,
        std_error_db,
        not_told_apart_from,
    } = noteworthy.finding
    else {
        return None;
    };
    let event = noteworthy.event;
    let name = event
        .joint
        .as_ref()
        .filter(|_| among == Among::Splices)
        .map_or_else(String::new, |joint| format!(" ({})", plain_text(joint)));
    let doubt = not_told_apart_from.map_or_else(String::new, |other| {
        let same = words.filled(Phrase::SameAs, &[("number", &other.to_string())]);
        format!(" ({same})")
    });
    let phrase = match among {
        Among::Splices => Phrase::AmongSplices,
        Among::Connectors => Phrase::AmongConnectors,
    };
    let said = words.filled(
        phrase,
        &[
            ("kind", words.kind(event.kind)),
            ("number", &event.number.to_string()),
            ("loss", &with_error(loss_db, std_error_db, 3)),
        ],
    );
    Some(format!("{said}{doubt}{name}"))
}

/// All joints that mislead a one-way reader, by the end that misreads them.
fn misleading(found: &[Noteworthy<'_>], words: &Phrases) -> String {
    let gains = by_end(found, words, |finding| match finding {
        Finding::GainOneWay { from, .. } => Some(from),
        _ => None,
    });
    let bad = by_end(found, words, |finding| match finding {
        Finding::BadOneWay { from, .. } => Some(from),
        _ => None,
    });
    let how: Vec<String> = [(Phrase::AsGains, gains), (Phrase::AsBad, bad)]
        .into_iter()
        .filter_map(|(phrase, joints)| Some(words.filled(phrase, &[("joints", &joints?)])))
        .collect();
    let mut sentences = Vec::new();
    let below_zero: Vec<String> = found
        .iter()
        .filter(|noteworthy| matches!(noteworthy.finding, Finding::GainBothWays { .. }))
        .map(|noteworthy| noteworthy.event.number.to_string())
        .collect();
    if !below_zero.is_empty() {
        let joints = below_zero.join(", ");
        sentences.push(words.filled(Phrase::BelowZero, &[("joints", &joints)]));
    }
    let how = match &how[..] {
        [] => None,
        [one] => Some(one.clone()),
        [one, other, ..] => {
            Some(words.filled(Phrase::MisreadOr, &[("one", one), ("other", other)]))
        }
    };
    sentences.extend(how.map(|how| words.filled(Phrase::Misread, &[("how", &how)])));
    sentences.join(" ")
}

fn by_end(
    found: &[Noteworthy<'_>],
    words: &Phrases,
    read_from: impl Fn(Finding) -> Option<ReadFrom>,
) -> Option<String> {
    let ends: Vec<String> = [ReadFrom::A, ReadFrom::B]
        .into_iter()
        .filter_map(|end| {
            let numbers: Vec<String> = found
                .iter()
                .filter(|noteworthy| read_from(noteworthy.finding) == Some(end))
                .map(|noteworthy| noteworthy.event.number.to_string())
                .collect();
            let joints = if numbers.len() > MOST_NAMED {
                let count = numbers.len().to_string();
                words.filled(Phrase::CountOfJoints, &[("count", &count)])
            } else {
                numbers.join(", ")
            };
            let values = [("end", end.letter()), ("joints", &*joints)];
            (!numbers.is_empty()).then(|| words.filled(Phrase::JointsFrom, &values))
        })
        .collect();
    (!ends.is_empty()).then(|| ends.join("; "))
}

fn foot(link: &Link, settings: &PlotSettings) -> String {
    let one_or_both = |a: String, b: String| {
        if a == b {
            a
        } else {
            format!("{a} (A), {b} (B)")
        }
    };
    let words = &settings.words;
    let both = |phrase, text: &dyn Fn(&Direction) -> String| {
        let value = one_or_both(text(&link.a), text(&link.b));
        words.filled(phrase, &[("value", &value)])
    };
    let mut parts = vec![
        both(Phrase::Pulse, &|direction| {
            format!("{} ns", direction.pulse_width.ns())
        }),
        both(Phrase::GroupIndex, &|direction| {
            direction.group_index.ratio().to_string()
        }),
        both(Phrase::Spacing, &|direction| {
            format!("{} m", signed(direction.spacing.m(), 3))
        }),
        both(Phrase::Averaging, &|direction| {
            direction.header.averaging_time_s.map_or_else(
                || words.of(Phrase::NotStated).to_owned(),
                |seconds| format!("{seconds} s"),
            )
        }),
        words.of(Phrase::CountedFrom).to_owned(),
    ];
    parts.extend(settings.program.as_deref().map(plain_text));
    parts.join(SEPARATOR)
}

/// An event as a column of the figure.
pub(super) fn column(
    event: &Event,
    found: &[Noteworthy<'_>],
    axis: &FibreAxis,
    settings: &PlotSettings,
) -> Column {
    let words = &settings.words;
    let reading = |loss: &Measurement<Loss>| loss_and_error_db(loss).map(|loss| loss.0);
    let two_way = loss_and_error_db(&event.loss);
    let at_m = Some(event.position.value.m())
        .filter(|at_m| at_m.is_finite() && event.position_from_b.is_none());
    let findings: Vec<Finding> = found
        .iter()
        .filter(|noteworthy| noteworthy.event.number == event.number)
        .map(|noteworthy| noteworthy.finding)
        .collect();
    // The first finding is the largest splice, or the largest connector where no splice was
    // measured. One that is the largest by chance, or harmless, is not pointed at.
    let harmless_db = event.limit.unwrap_or(settings.reference).db();
    let is_largest = found.first().is_some_and(|first| {
        first.event.number == event.number
            && matches!(
                first.finding,
                Finding::LargestLoss {
                    not_told_apart_from: None,
                    loss_db,
                    ..
                } if loss_db > harmless_db
            )
    });
    Column {
        number: event.number,
        at_m,
        kind: words.kind(event.kind).to_owned(),
        name: event.joint.as_deref().map(plain_text),
        place: match event.position_from_b {
            Some(from_b) => format!("B+{}", axis.place(from_b.m())),
            None => at_m.map_or_else(|| "—".to_owned(), |at_m| axis.place(at_m)),
        },
        value: two_way.map_or_else(|| MISSING.to_owned(), |(loss_db, _)| signed(loss_db, 3)),
        two_way,
        from_a: reading(&event.loss_a_to_b),
        from_b: reading(&event.loss_b_to_a),
        limit: event.limit.map(Loss::db).filter(|limit| limit.is_finite()),
        verdict: words.verdict(event.verdict),
        remarks: remarks(event, &findings, is_largest, words),
        is_emphasised: is_largest
            || event.verdict == Verdict::Fail
            || event.kind == EventKind::Break,
    }
}

/// What to say about an event, from the fullest wording to the shortest.
fn remarks(event: &Event, findings: &[Finding], is_largest: bool, words: &Phrases) -> Vec<String> {
    if event.kind == EventKind::Break {
        return [Phrase::RemarkBreak, Phrase::KindBreak]
            .map(|phrase| words.of(phrase).to_owned())
            .to_vec();
    }
    let mut wordings: [Vec<String>; 3] = Default::default();
    let mut say = |phrases: [Phrase; 3], values: &[(&str, &str)]| {
        for (wording, phrase) in wordings.iter_mut().zip(phrases) {
            wording.push(words.filled(phrase, values));
        }
    };
    if is_largest {
        say(
            [
                Phrase::RemarkLargest,
                Phrase::RemarkLargestShorter,
                Phrase::RemarkLargestShort,
            ],
            &[("kind", words.kind(event.kind))],
        );
    }
    let mut gain_from = None;
    let mut bad_from = None;
    for finding in findings {
        match finding {
            Finding::LargestLoss { .. } => {}
            Finding::GainOneWay { from, .. } => gain_from = Some(from.letter()),
            Finding::BadOneWay { from, .. } => bad_from = Some(from.letter()),
            Finding::GainBothWays { .. } => say(
                [
                    Phrase::RemarkBelowZero,
                    Phrase::RemarkBelowZeroShorter,
                    Phrase::RemarkBelowZeroShort,
                ],
                &[],
            ),
        }
    }
    match (gain_from, bad_from) {
        (Some(gain), Some(bad)) => say(
            [
                Phrase::RemarkBoth,
                Phrase::RemarkBothShorter,
                Phrase::RemarkGainShort,
            ],
            &[("gain", gain), ("bad", bad)],
        ),
        (Some(gain), None) => say(
            [
                Phrase::RemarkGain,
                Phrase::RemarkGainShorter,
                Phrase::RemarkGainShort,
            ],
            &[("gain", gain)],
        ),
        (None, Some(bad)) => say(
            [
                Phrase::RemarkBad,
                Phrase::RemarkBadShorter,
                Phrase::RemarkBadShort,
            ],
            &[("bad", bad)],
        ),
        (None, None) => {}
    }
    wordings
        .into_iter()
        .filter(|wording| !wording.is_empty())
        .map(|wording| wording.join("; "))
        .collect()
}
