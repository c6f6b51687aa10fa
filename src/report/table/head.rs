//! What stands above the tables of a link: identity, totals, settings.

use super::grid::wrapped;
use super::link::Footnotes;
use super::paint::{Paint, marked};
use super::verdicts::{counts, rule};
use crate::both_ways::{Direction, Link, Verdict};
use crate::report::number::{loss_with_error, signed, with_error};
use crate::report::plain::plain_text;
use crate::units::{Length, ReturnLoss};
use crate::verdict::Judged;

/// The lines above the tables.
pub(super) fn head(
    link: &Link,
    judged: Option<&Judged>,
    width: usize,
    footnotes: &mut Footnotes,
) -> String {
    let mut text = wrapped(
        &marked(
            &format!(
                "Cable {}, fibre {}, {} nm, measured from both ends",
                named(link.cable.as_ref()),
                named(link.fibre.as_ref()),
                link.wavelength.nm()
            ),
            Paint::Strong,
        ),
        width,
        0,
    );
    let length = match &link.length {
        Ok(length) => format!(
            "{} m of fibre from the first connector to the last",
            with_error(length.value.m(), length.std_error.map(Length::m), 1)
        ),
        Err(missing) => footnotes.missing(&missing.reason),
    };
    let loss = match &link.loss {
        Ok(loss) => format!(
            "{} dB two-way, both end connectors included",
            loss_with_error(loss)
        ),
        Err(missing) => footnotes.missing(&missing.reason),
    };
    let attenuation = link.attenuation.map_or_else(
        || "—".to_owned(),
        |value| {
            format!(
                "{} dB/km, mean of the sections, joints excluded",
                signed(value.db_per_km(), 4)
            )
        },
    );
    let orl = |orl: Option<ReturnLoss>, end: &str| {
        orl.map_or_else(
            || format!("— from {end}"),
            |orl| format!("{} dB from {end}", signed(orl.db(), 1)),
        )
    };
    let (verdict, limits) = match judged {
        Some(judged) => (
            format!("{} ({})", verdict(link.verdict), counts(judged)),
            rule(judged),
        ),
        None => (verdict(link.verdict), String::new()),
    };
    for (label, value) in [
        ("end A", named(link.from.as_ref())),
        ("end B", named(link.to.as_ref())),
        ("length", length),
        ("loss", loss),
        ("attenuation", attenuation),
        (
            "return loss",
            format!("{}, {}", orl(link.orl_a, "A"), orl(link.orl_b, "B")),
        ),
        ("verdict", verdict),
        ("limits", limits),
        ("trace from A", measured_with(&link.a)),
        ("trace from B", measured_with(&link.b)),
    ] {
        if !value.is_empty() {
            text.push_str(&label_line(label, &value, width));
        }
    }
    text
}

/// A name from a file, or that there is none.
pub(super) fn named(name: Option<&String>) -> String {
    name.map(String::as_str)
        .map_or_else(|| "not named".to_owned(), plain_text)
}

/// The settings that a reader needs to judge a direction by.
fn measured_with(direction: &Direction) -> String {
    let averaging = direction
        .header
        .averaging_time_s
        .map_or_else(String::new, |seconds| format!(", averaged {seconds} s"));
    let origin = if direction.backscatter_is_default {
        "default for the wavelength"
    } else {
        "given"
    };
    format!(
        "pulse {} ns, group index {}, a sample every {} m{averaging}, backscatter coefficient {} dB \
         ({origin})",
        direction.pulse_width.ns(),
        direction.group_index.ratio(),
        signed(direction.spacing.m(), 3),
        signed(direction.backscatter.db(), 1),
    )
}

/// One line of the head.
pub(super) fn label_line(label: &str, value: &str, width: usize) -> String {
    const LABEL: usize = 14;
    format!(
        "{label:<LABEL$}{}",
        wrapped(value, width.saturating_sub(LABEL), 0).replace('\n', &format!("\n{:LABEL$}", ""))
    )
    .trim_end()
    .to_owned()
        + "\n"
}

/// A verdict as a word, failures in capitals.
pub(super) fn verdict(verdict: Verdict) -> String {
    match verdict {
        Verdict::Pass => marked("pass", Paint::Good),
        Verdict::Fail => marked("FAIL", Paint::Bad),
        Verdict::Undecided => marked("undecided", Paint::Doubtful),
        Verdict::NotJudged => "not judged".to_owned(),
    }
}
