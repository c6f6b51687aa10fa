//! JSON: keys carry units, what is missing is `null`.

mod cable;
mod compare;
mod judgement;
mod link;
mod settings;
mod trace;

pub use cable::{
    CableHead, CableReport, CalibratedObject, CalibrationObject, EvidenceValue, FindingObject,
    JointObject, RedoObject, RulesObject, SkippedObject, VerdictsObject, VisitObject,
    VisitStepObject, link_report,
};
pub use compare::{
    CompareProvenance, CompareReport, DifferenceObject, LinkCompareObject, UnmatchedObject,
};
pub use judgement::JudgementObject;
pub use link::{
    EventObject, LinkHead, LinkReport, NotMeasuredObject, ProvenanceObject, SectionObject,
    WarningObject,
};
pub use settings::{DirectionSettings, LinkSettings, MeasuringSettings, RegistrationObject};
pub use trace::{TraceEventObject, TraceHead, TraceProvenanceObject, TraceReport, TraceSettings};

pub(crate) use trace::NO_LAUNCH_REASON;

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde::Serialize;

use super::{Provenance, ReportError, TraceProvenance};
use crate::both_ways::Link;
use crate::cable::CableResult;
use crate::measure::OneWay;
use crate::trace::Trace;

/// How the text is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layout {
    /// Indented, for `--format json`.
    #[default]
    Indented,
    /// One line without its line break, for `--format ndjson`.
    OneLine,
}

/// Writes a link as a `bothends.link/1` object.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn link(link: &Link, provenance: &Provenance, layout: Layout) -> Result<String, ReportError> {
    written(&LinkReport::new(link, provenance), layout)
}

/// Writes a cable as a `bothends.cable/1` object with its links.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn cable(
    result: &CableResult,
    program: &str,
    report_time: Option<&str>,
    layout: Layout,
) -> Result<String, ReportError> {
    let mut report = CableReport::new(result, program, report_time);
    let links = report.links.replace(Vec::new()).unwrap_or_default();
    let text = with_links(&written(&report, layout)?, &links, layout)?;
    if let Some(text) = text {
        return Ok(text);
    }
    report.links = Some(links);
    written(&report, layout)
}

/// A cable's text with its links put where it has none; none where no such place is found, or a
/// link is not written as expected.
///
/// They are most of it, and are written side by side: each as the only one of a list, which
/// begins and ends as that of all does.
fn with_links<L: Serialize + Sync>(
    text: &str,
    links: &[L],
    layout: Layout,
) -> Result<Option<String>, ReportError> {
    let ([first, list], between, [closed, last]) = match layout {
        Layout::Indented => (["{\n  ", "\"links\": [\n"], ",\n", ["\n  ]", "\n}\n"]),
        Layout::OneLine => (["{", "\"links\":["], ",", ["]", "}"]),
    };
    if links.is_empty() {
        return Ok(Some(text.to_owned()));
    }
    let none = format!("{}]", list.trim_end());
    // Within a name or a sentence each quotation mark has a backslash before it.
    let Some((before, behind)) = text.split_once(&none) else {
        return Ok(None);
    };
    let alone = |link: &L| written(&BTreeMap::from([("links", [link])]), layout);
    let each: Vec<String> = links.par_iter().map(alone).collect::<Result<_, _>>()?;
    let mut whole = String::with_capacity(text.len() + each.iter().map(String::len).sum::<usize>());
    whole.push_str(before);
    whole.push_str(list);
    for (k, one) in each.iter().enumerate() {
        let link = (one
            .strip_prefix(first)
            .and_then(|one| one.strip_prefix(list)))
        .and_then(|one| one.strip_suffix(last)?.strip_suffix(closed));
        let Some(link) = link else { return Ok(None) };
        whole.push_str(if k > 0 { between } else { "" });
        whole.push_str(link);
    }
    whole.push_str(closed);
    whole.push_str(behind);
    Ok(Some(whole))
}

/// Writes the links of a cable, one a line, then the cable without them.
///
/// # Errors
/// [`ReportError::Json`] if an object cannot be written.
pub fn cable_lines(
    result: &CableResult,
    program: &str,
    report_time: Option<&str>,
) -> Result<String, ReportError> {
    let mut report = CableReport::new(result, program, report_time);
    let mut text = String::new();
    for link in report.links.take().unwrap_or_default() {
        text.push_str(&serde_json::to_string(&link)?);
        text.push('\n');
    }
    text.push_str(&serde_json::to_string(&report)?);
    text.push('\n');
    Ok(text)
}

/// Writes what one direction tells as a `bothends.trace/1` object.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn trace(
    trace: &Trace,
    one_way: &OneWay,
    provenance: &TraceProvenance,
    layout: Layout,
) -> Result<String, ReportError> {
    written(&TraceReport::new(trace, one_way, provenance), layout)
}

/// Writes any report object in the chosen layout.
///
/// # Errors
/// [`ReportError::Json`] if the object cannot be written.
pub fn written(object: &impl Serialize, layout: Layout) -> Result<String, ReportError> {
    Ok(match layout {
        Layout::Indented => serde_json::to_string_pretty(object)? + "\n",
        Layout::OneLine => serde_json::to_string(object)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Serialize)]
    struct Whole {
        name: String,
        links: Vec<One>,
        last: u32,
    }

    #[derive(Serialize, Clone)]
    struct One {
        links: Vec<u32>,
        name: String,
        nothing: Option<u32>,
    }

    /// Second computation: the whole written at once. Names hold what is looked for.
    #[test]
    fn links_written_side_by_side_make_the_text_of_all_at_once() {
        let name = "a \"links\": [] and \"links\":[] \n  ]\n}".to_owned();
        let one = |k: u32| One {
            links: (0..k).collect(),
            name: name.clone(),
            nothing: None,
        };
        for count in [0, 1, 2, 7] {
            let links: Vec<One> = (0..count).map(one).collect();
            let whole = |links: Vec<One>| Whole {
                name: name.clone(),
                links,
                last: 4,
            };
            for layout in [Layout::Indented, Layout::OneLine] {
                let without = written(&whole(Vec::new()), layout).unwrap();
                let found = with_links(&without, &links, layout).unwrap();
                let wanted = written(&whole(links.clone()), layout).unwrap();
                assert_eq!(found, Some(wanted));
            }
        }
        // Without a place for them none is left out.
        let found = with_links("{}", &[one(1)], Layout::OneLine).unwrap();
        assert_eq!(found, None);
    }
}
