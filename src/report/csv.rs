//! CSV: one row an event, or one row a section; a missing value is an empty cell.

use super::json::{EventObject, JudgementObject, LinkCompareObject, SectionObject, TraceReport};
use super::{ReportError, TraceProvenance};
use crate::both_ways::Link;
use crate::cable::CableResult;
use crate::compare::Comparison;
use crate::measure::OneWay;
use crate::trace::Trace;
use crate::units::Wavelength;
use crate::verdict::{Judged, Judgement, Limits};

pub use super::csv_cable::{cable_fibres, cable_joints, cable_matrix};

/// Columns of the events file, in order.
const EVENT_COLUMNS: [&str; 31] = [
    "cable",
    "fibre",
    "wavelength_nm",
    "number",
    "kind",
    "kind_from",
    "joint",
    "reflective",
    "seen_from",
    "position_from_a_m",
    "position_std_error_m",
    "end_from_a_m",
    "position_from_b_m",
    "loss_db",
    "loss_std_error_db",
    "loss_a_to_b_db",
    "loss_a_to_b_std_error_db",
    "loss_b_to_a_db",
    "loss_b_to_a_std_error_db",
    "backscatter_step_db",
    "backscatter_step_std_error_db",
    "reflectance_a_db",
    "reflectance_a_is_bound",
    "reflectance_b_db",
    "reflectance_b_is_bound",
    "limit_db",
    "conformance",
    "verdict",
    "echo_of_m",
    "not_measured",
    "notes",
];

/// Columns of the sections file, in order.
const SECTION_COLUMNS: [&str; 7] = [
    "cable",
    "fibre",
    "wavelength_nm",
    "from_m",
    "to_m",
    "attenuation_db_per_km",
    "attenuation_std_error_db_per_km",
];

/// Columns of the judgements file, in order; value, error, limit and margin in `unit`.
const JUDGEMENT_COLUMNS: [&str; 20] = [
    "cable",
    "fibre",
    "wavelength_nm",
    "what",
    "event",
    "joint",
    "end",
    "from_m",
    "to_m",
    "value",
    "std_error",
    "limit",
    "margin",
    "unit",
    "conformance",
    "verdict",
    "reason",
    "source",
    "limits",
    "coverage_factor",
];

/// Columns of a comparison, in order; values in `unit`.
const DIFFERENCE_COLUMNS: [&str; 18] = [
    "cable",
    "fibre",
    "wavelength_nm",
    "quantity",
    "joint",
    "number_before",
    "number_after",
    "position_before_m",
    "position_after_m",
    "before",
    "before_std_error",
    "after",
    "after_std_error",
    "change",
    "change_std_error",
    "unit",
    "outcome",
    "reason",
];

/// Columns of the events of a single trace, in order.
const TRACE_EVENT_COLUMNS: [&str; 17] = [
    "cable",
    "fibre",
    "from",
    "wavelength_nm",
    "number",
    "kind",
    "position_m",
    "position_from_port_m",
    "position_std_error_m",
    "apparent_loss_db",
    "apparent_loss_std_error_db",
    "reflectance_db",
    "reflectance_is_bound",
    "dead_zone_from_m",
    "dead_zone_to_m",
    "echo_of",
    "not_measured",
];

/// Writes the events of a single trace, one row each, under a row of column names.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn trace_events(
    trace: &Trace,
    one_way: &OneWay,
    provenance: &TraceProvenance,
) -> Result<String, ReportError> {
    let report = TraceReport::new(trace, one_way, provenance);
    let head = &report.trace;
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(TRACE_EVENT_COLUMNS)?;
    for event in &report.events {
        writer.write_record([
            text(head.cable.as_deref()),
            text(head.fibre.as_deref()),
            text(head.from.as_deref()),
            number(head.wavelength_nm),
            event.number.to_string(),
            event.kind.clone(),
            number(event.position_m),
            number(event.position_from_port_m),
            number(event.position_std_error_m),
            number(event.apparent_loss_db),
            number(event.apparent_loss_std_error_db),
            number(event.reflectance_db),
            flag(event.reflectance_is_bound),
            number(event.dead_zone_from_m),
            number(event.dead_zone_to_m),
            event
                .echo_of
                .map(|[one, other]| format!("{one} and {other}"))
                .unwrap_or_default(),
            text(Some(&joined(event.not_measured.iter().map(|missing| {
                format!("{}: {}", missing.quantity, missing.reason)
            })))),
        ])?;
    }
    finished(writer)
}

/// Writes the events, one row each, under a row of column names.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn events(link: &Link) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(EVENT_COLUMNS)?;
    for event in link.events.iter().map(EventObject::from) {
        let row: [String; EVENT_COLUMNS.len()] = [
            text(link.cable.as_deref()),
            text(link.fibre.as_deref()),
            number(Some(link.wavelength.nm())),
            event.number.to_string(),
            word(&event.kind)?,
            word(&event.kind_from)?,
            text(event.joint.as_deref()),
            event.reflective.to_string(),
            event
                .seen_from
                .map_or(Ok(String::new()), |end| word(&end))?,
            number(event.position_m),
            number(event.position_std_error_m),
            number(event.end_m),
            number(event.position_from_b_m),
            number(event.loss_db),
            number(event.loss_std_error_db),
            number(event.loss_a_to_b_db),
            number(event.loss_a_to_b_std_error_db),
            number(event.loss_b_to_a_db),
            number(event.loss_b_to_a_std_error_db),
            number(event.backscatter_step_db),
            number(event.backscatter_step_std_error_db),
            number(event.reflectance_a_db),
            flag(event.reflectance_a_is_bound),
            number(event.reflectance_b_db),
            flag(event.reflectance_b_is_bound),
            number(event.limit_db),
            number(event.conformance),
            word(&event.verdict)?,
            event
                .echo_of
                .map(|[one, other]| format!("{one} and {other}"))
                .unwrap_or_default(),
            text(Some(&joined(event.not_measured.iter().map(|missing| {
                format!("{}: {}", missing.quantity, missing.reason)
            })))),
            text(Some(&joined(event.notes.iter().cloned()))),
        ];
        writer.write_record(&row)?;
    }
    finished(writer)
}

/// Writes the sections, one row each, under a row of column names.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn sections(link: &Link) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(SECTION_COLUMNS)?;
    for section in link.sections.iter().map(SectionObject::from) {
        writer.write_record([
            text(link.cable.as_deref()),
            text(link.fibre.as_deref()),
            number(Some(link.wavelength.nm())),
            number(section.from_m),
            number(section.to_m),
            number(section.attenuation_db_per_km),
            number(section.attenuation_std_error_db_per_km),
        ])?;
    }
    finished(writer)
}

/// Writes every value that was held against a limit, one row each.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn judgements(link: &Link, judged: &Judged) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(JUDGEMENT_COLUMNS)?;
    for one in &judged.judgements {
        let about = (
            link.cable.as_deref(),
            link.fibre.as_deref(),
            link.wavelength,
        );
        let by = (&*judged.limits.name, judged.coverage);
        writer.write_record(judgement(about, one, by)?)?;
    }
    finished(writer)
}

/// Writes the means of a cable's closures that were held against a limit, in the columns
/// of [`judgements`].
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn cable_judgements(
    cable: &CableResult,
    limits: &Limits,
    coverage: f64,
) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(JUDGEMENT_COLUMNS)?;
    for statistics in cable.joints.iter().flat_map(|joint| &joint.statistics) {
        if let Some(one) = &statistics.mean_judged {
            let about = (cable.name.as_deref(), None, statistics.wavelength);
            writer.write_record(judgement(about, one, (&limits.name, coverage))?)?;
        }
    }
    finished(writer)
}

/// A judgement as a row: what it is about (cable, fibre, wavelength), and what it was
/// judged by (limits, coverage).
fn judgement(
    (cable, fibre, wavelength): (Option<&str>, Option<&str>, Wavelength),
    one: &Judgement,
    (limits, coverage): (&str, f64),
) -> Result<[String; JUDGEMENT_COLUMNS.len()], ReportError> {
    let one = JudgementObject::from(one);
    Ok([
        text(cable),
        text(fibre),
        number(Some(wavelength.nm())),
        one.what,
        one.event.map(|event| event.to_string()).unwrap_or_default(),
        text(one.joint.as_deref()),
        one.end.unwrap_or_default(),
        number(one.from_m),
        number(one.to_m),
        number(one.value),
        number(one.std_error),
        number(one.limit),
        number(one.margin),
        one.unit,
        number(one.conformance),
        word(&one.verdict)?,
        text(Some(&one.reason)),
        text(Some(&one.source)),
        text(Some(limits)),
        number(Some(coverage)),
    ])
}

/// Writes every quantity before and after, one row each.
///
/// # Errors
/// [`ReportError::Csv`] if the text cannot be written.
pub fn differences(comparison: &Comparison) -> Result<String, ReportError> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(DIFFERENCE_COLUMNS)?;
    let count = |number: Option<usize>| number.map(|n| n.to_string()).unwrap_or_default();
    for link in comparison.links.iter().map(LinkCompareObject::from) {
        for one in link.differences {
            let row: [String; DIFFERENCE_COLUMNS.len()] = [
                text(link.cable.as_deref()),
                text(link.fibre.as_deref()),
                number(link.wavelength_nm),
                one.quantity,
                text(one.joint.as_deref()),
                count(one.number_before),
                count(one.number_after),
                number(one.position_before_m),
                number(one.position_after_m),
                number(one.before),
                number(one.before_std_error),
                number(one.after),
                number(one.after_std_error),
                number(one.change),
                number(one.change_std_error),
                one.unit,
                one.outcome,
                text(one.reason.as_deref()),
            ];
            writer.write_record(&row)?;
        }
    }
    finished(writer)
}

/// A text that a spreadsheet must not take for a formula.
///
/// A cell beginning with one of `= + - @`, a tab or a line break is run by
/// spreadsheets; a quote in front makes it text.
pub(super) fn text(value: Option<&str>) -> String {
    // NUL ends a cell early in some readers and says nothing.
    let value = value.unwrap_or_default().replace('\0', "");
    let is_formula = value
        .trim_start_matches([' ', '\u{feff}'])
        .starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    if is_formula {
        format!("'{value}")
    } else {
        value
    }
}

pub(super) fn number(value: Option<f64>) -> String {
    value
        .filter(|value| value.is_finite())
        .map(|value| value.to_string())
        .unwrap_or_default()
}

fn flag(value: Option<bool>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// The word that JSON uses for a kind, an end or a verdict.
pub(super) fn word(value: &impl serde::Serialize) -> Result<String, ReportError> {
    Ok(serde_json::to_value(value)?
        .as_str()
        .unwrap_or_default()
        .to_owned())
}

fn joined(parts: impl Iterator<Item = String>) -> String {
    parts.collect::<Vec<_>>().join("; ")
}

pub(super) fn finished(writer: ::csv::Writer<Vec<u8>>) -> Result<String, ReportError> {
    let bytes = writer
        .into_inner()
        .map_err(|error| ::csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

#[cfg(test)]
mod tests {
    use super::text;

    #[test]
    fn a_name_that_looks_like_a_formula_becomes_text() {
        for dangerous in [
            "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "\r=1", "\0=1",
        ] {
            assert!(text(Some(dangerous)).starts_with('\''), "{dangerous:?}");
        }
        assert_eq!(text(Some("closure 7")), "closure 7");
        assert_eq!(text(None), "");
    }
}
