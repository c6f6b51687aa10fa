//! What the figure of a link says in words.

use crate::both_ways::{Direction, Event, EventKind, Link, Verdict};
use crate::plot::PlotSettings;
use crate::plot::figure::FibreAxis;
use crate::plot::heading::Heading;
use crate::plot::joints::{Column, MISSING};
use crate::report::findings::{Among, Finding, Noteworthy, ReadFrom, kind_word};
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
    let named = |name: &Option<String>| {
        name.as_deref()
            .map_or_else(|| "not named".to_owned(), plain_text)
    };
    let mut identity = vec![
        format!("A: {}", named(&link.from)),
        format!("B: {}", named(&link.to)),
    ];
    identity.push(match &link.length {
        Ok(length) => format!("length {} {}", axis.place(length.value.m()), axis.unit()),
        Err(_) => "length not known".to_owned(),
    });
    identity.push(match &link.loss {
        Ok(loss) => format!("two-way loss {} dB", loss_with_error(loss)),
        Err(_) => "loss of the link not measured".to_owned(),
    });
    if let Some(attenuation) = link.attenuation {
        identity.push(format!(
            "fibre {} dB/km",
            signed(attenuation.db_per_km(), 3)
        ));
    }
    Heading {
        title: format!(
            "Cable {}, fibre {}, {} nm, measured from both ends",
            named(&link.cable),
            named(&link.fibre),
            link.wavelength.nm()
        ),
        identity: identity.join("  ·  "),
        message: message(link, found, axis),
        detail: misleading(found),
        verdict: verdict_word(link.verdict),
        foot: foot(link, settings),
    }
}

/// The one sentence that the figure is for.
fn message(link: &Link, found: &[Noteworthy<'_>], axis: &FibreAxis) -> String {
    let breaks: Vec<String> = link
        .events
        .iter()
        .filter(|event| event.kind == EventKind::Break)
        .map(|event| {
            let (place, end) = match event.position_from_b {
                Some(from_b) => (from_b.m(), "B"),
                None => (event.position.value.m(), "A"),
            };
            format!("{} {} from {end}", axis.place(place), axis.unit())
        })
        .collect();
    if !breaks.is_empty() {
        return format!("The fibre is interrupted {}", breaks.join(", "));
    }
    if link.events.is_empty() {
        return "No joint was found".to_owned();
    }
    let largest: Vec<String> = found.iter().filter_map(largest).collect();
    if largest.is_empty() {
        return "No two-way loss was measured at any joint".to_owned();
    }
    format!("Largest two-way loss {}", largest.join("; "))
}

fn largest(noteworthy: &Noteworthy<'_>) -> Option<String> {
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
        format!(" (within its error the same as {other})")
    });
    Some(format!(
        "among {}: {} {}, {} dB{doubt}{name}",
        among.word(),
        kind_word(event.kind),
        event.number,
        with_error(loss_db, std_error_db, 3)
    ))
}

/// All joints that mislead a one-way reader, by the end that misreads them.
fn misleading(found: &[Noteworthy<'_>]) -> String {
    let gains = by_end(found, |finding| match finding {
        Finding::GainOneWay { from, .. } => Some(from),
        _ => None,
    });
    let bad = by_end(found, |finding| match finding {
        Finding::BadOneWay { from, .. } => Some(from),
        _ => None,
    });
    let parts: Vec<String> = [
        ("as gains that are none", gains),
        ("as bad that are not", bad),
    ]
    .into_iter()
    .filter_map(|(what, joints)| Some(format!("{what} ({})", joints?)))
    .collect();
    let mut sentences = Vec::new();
    let below_zero: Vec<String> = found
        .iter()
        .filter(|noteworthy| matches!(noteworthy.finding, Finding::GainBothWays { .. }))
        .map(|noteworthy| noteworthy.event.number.to_string())
        .collect();
    if !below_zero.is_empty() {
        sentences.push(format!(
            "Below 0 even two-way, so doubtful: {}.",
            below_zero.join(", ")
        ));
    }
    if !parts.is_empty() {
        sentences.push(format!(
            "The fibres scatter differently, so joints read {}. Two-way it cancels.",
            parts.join(" or ")
        ));
    }
    sentences.join(" ")
}

fn by_end(
    found: &[Noteworthy<'_>],
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
                format!("{} joints", numbers.len())
            } else {
                numbers.join(", ")
            };
            (!numbers.is_empty()).then(|| format!("from {}: {joints}", end.letter()))
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
    let both = |text: fn(&Direction) -> String| one_or_both(text(&link.a), text(&link.b));
    let mut parts = vec![
        format!(
            "pulse {}",
            both(|direction| format!("{} ns", direction.pulse_width.ns()))
        ),
        format!(
            "group index {}",
            both(|direction| direction.group_index.ratio().to_string())
        ),
        format!(
            "sample spacing {}",
            both(|direction| format!("{} m", signed(direction.spacing.m(), 3)))
        ),
        format!(
            "averaging {}",
            both(|direction| direction
                .header
                .averaging_time_s
                .map_or_else(|| "not stated".to_owned(), |seconds| format!("{seconds} s")))
        ),
        "places counted from A's first connector".to_owned(),
    ];
    parts.extend(settings.program.as_deref().map(plain_text));
    parts.join("  ·  ")
}

const fn verdict_word(verdict: Verdict) -> Option<&'static str> {
    match verdict {
        Verdict::Pass => Some("pass"),
        Verdict::Fail => Some("FAIL"),
        Verdict::Undecided => Some("undecided"),
        Verdict::NotJudged => None,
    }
}

/// An event as a column of the figure.
pub(super) fn column(
    event: &Event,
    found: &[Noteworthy<'_>],
    axis: &FibreAxis,
    reference_db: f64,
) -> Column {
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
    let harmless_db = event.limit.map_or(reference_db, Loss::db);
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
        kind: match event.kind {
            EventKind::Bend => "bend?".to_owned(),
            kind => kind_word(kind).to_owned(),
        },
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
        verdict: verdict_word(event.verdict),
        remarks: remarks(event, &findings, is_largest),
        is_emphasised: is_largest
            || event.verdict == Verdict::Fail
            || event.kind == EventKind::Break,
    }
}

/// What to say about an event, from the fullest wording to the shortest.
fn remarks(event: &Event, findings: &[Finding], is_largest: bool) -> Vec<String> {
    if event.kind == EventKind::Break {
        return vec!["the fibre is interrupted".to_owned(), "break".to_owned()];
    }
    let mut wordings: [Vec<String>; 3] = Default::default();
    let mut say = |full: String, middle: String, short: &str| {
        for (wording, text) in wordings.iter_mut().zip([full, middle, short.to_owned()]) {
            wording.push(text);
        }
    };
    if is_largest {
        let kind = kind_word(event.kind);
        say(
            format!("largest two-way loss of a {kind}"),
            format!("largest loss of a {kind}"),
            "largest",
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
                "below 0 both ways: doubtful".to_owned(),
                "doubtful gain".to_owned(),
                "doubtful",
            ),
        }
    }
    match (gain_from, bad_from) {
        (Some(gain), Some(bad)) => say(
            format!("gain from {gain}, bad from {bad}: backscatter difference only"),
            format!("gain from {gain}, bad from {bad}: neither"),
            "not a gain",
        ),
        (Some(gain), None) => say(
            format!("gain from {gain} only: backscatter difference"),
            format!("gain from {gain} only: none"),
            "not a gain",
        ),
        (None, Some(bad)) => say(
            format!("bad from {bad} only: backscatter difference"),
            format!("bad from {bad} only"),
            "not bad",
        ),
        (None, None) => {}
    }
    wordings
        .into_iter()
        .filter(|wording| !wording.is_empty())
        .map(|wording| wording.join("; "))
        .collect()
}
