//! Parts that the index and the fibres' pages share.

use std::fmt::Write;

use crate::both_ways::Verdict;
use crate::pack::wording::{CAUTIONS, Text, Wording};
use crate::report::number::signed;
use crate::units::Measurement;

use super::escape::html;

/// Class of a verdict in the style sheet.
pub(super) fn verdict_class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::Undecided => "undecided",
        Verdict::NotJudged => "none",
    }
}

/// A cell with a verdict in words.
pub(super) fn verdict_cell(verdict: Verdict, wording: &Wording) -> String {
    format!(
        "<td class=\"{}\">{}</td>",
        verdict_class(verdict),
        html(wording.verdict(verdict))
    )
}

/// A cell with a value and its standard error, or a dash that has the reason.
pub(super) fn measured_cell<Q: Copy>(
    measurement: &Measurement<Q>,
    number: fn(Q) -> f64,
    decimals: usize,
) -> String {
    match measurement {
        Ok(measured) if number(measured.value).is_finite() => format!(
            "<td class=\"n\">{}</td>",
            html(&crate::report::number::with_error(
                number(measured.value),
                measured.std_error.map(number),
                decimals
            ))
        ),
        Ok(_) => missing_cell("the calculation gave no number"),
        Err(missing) => missing_cell(&missing.reason),
    }
}

/// A cell without a value, its reason on hovering and to a screen reader.
pub(super) fn missing_cell(reason: &str) -> String {
    let reason = html(reason);
    format!("<td class=\"n missing\" title=\"{reason}\" aria-label=\"{reason}\">—</td>")
}

/// A cell with a number, or a dash without one.
pub(super) fn number_cell(value: Option<f64>, decimals: usize) -> String {
    match value.filter(|value| value.is_finite()) {
        Some(value) => format!("<td class=\"n\">{}</td>", signed(value, decimals)),
        None => "<td class=\"n missing\">—</td>".to_owned(),
    }
}

/// A row of column heads; those that begin with `>` stand over numbers.
pub(super) fn heads(heads: &[String]) -> String {
    let mut row = String::from("<tr>");
    for head in heads {
        let _ = match head.strip_prefix('>') {
            Some(head) => write!(row, "<th scope=\"col\" class=\"n\">{}</th>", html(head)),
            None => write!(row, "<th scope=\"col\">{}</th>", html(head)),
        };
    }
    row + "</tr>"
}

/// A list of names and values; what is empty is left out.
pub(super) fn facts<'t>(pairs: impl IntoIterator<Item = (&'t str, Option<String>)>) -> String {
    let mut list = String::from("<dl class=\"facts\">");
    for (name, value) in pairs {
        if let Some(value) = value.filter(|value| !value.trim().is_empty()) {
            let _ = write!(list, "<dt>{}</dt><dd>{}</dd>", html(name), html(&value));
        }
    }
    list + "</dl>"
}

/// The usual cautions.
pub(super) fn cautions(wording: &Wording) -> String {
    let mut list = format!(
        "<section class=\"cautions\"><h2>{}</h2><ul>",
        html(wording.of(Text::Cautions))
    );
    for text in CAUTIONS {
        let _ = write!(list, "<li>{}</li>", html(wording.of(text)));
    }
    list + "</ul></section>"
}
