//! A printed result, read back as far as a comparison needs it.

use serde::Deserialize;
use serde_json::{Deserializer, Value};

use crate::both_ways::EventKind;
use crate::read::line_and_column;

/// A link as a result holds it; units in the names, missing is `None`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct LinkState {
    /// The link as a whole.
    pub link: HeadState,
    /// Its events.
    pub events: Vec<EventState>,
    /// Its sections.
    pub sections: Vec<SectionState>,
    /// Where the numbers come from.
    pub provenance: ProvenanceState,
}

/// The link as a whole.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct HeadState {
    pub cable: Option<String>,
    pub fibre: Option<String>,
    pub from: Option<String>,
    pub to: Option<String>,
    pub wavelength_nm: f64,
    pub length_m: Option<f64>,
    pub length_std_error_m: Option<f64>,
    pub loss_db: Option<f64>,
    pub loss_std_error_db: Option<f64>,
}

/// One event.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[expect(
    missing_docs,
    reason = "the keys of the printed result, described there"
)]
pub struct EventState {
    pub number: usize,
    pub kind: EventKind,
    pub position_m: Option<f64>,
    pub position_std_error_m: Option<f64>,
    pub end_m: Option<f64>,
    pub loss_db: Option<f64>,
    pub loss_std_error_db: Option<f64>,
    pub backscatter_step_db: Option<f64>,
    pub backscatter_step_std_error_db: Option<f64>,
    pub reflectance_a_db: Option<f64>,
    pub reflectance_a_is_bound: Option<bool>,
    pub reflectance_b_db: Option<f64>,
    pub reflectance_b_is_bound: Option<bool>,
    pub joint: Option<String>,
    pub not_measured: Vec<MissingState>,
}

/// A missing value and why it is missing.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct MissingState {
    /// Key of the value.
    pub quantity: String,
    /// Why it is missing.
    pub reason: String,
}

/// A stretch between two events.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[expect(
    missing_docs,
    reason = "the keys of the printed result, described there"
)]
pub struct SectionState {
    pub from_m: Option<f64>,
    pub to_m: Option<f64>,
    pub attenuation_db_per_km: Option<f64>,
    pub attenuation_std_error_db_per_km: Option<f64>,
}

/// Where the numbers come from.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct ProvenanceState {
    /// Program that made them.
    pub program: String,
    /// Settings used.
    pub settings: SettingsState,
}

/// Settings of both directions.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct SettingsState {
    /// Of the trace from A.
    pub a: DirectionState,
    /// Of the trace from B.
    pub b: DirectionState,
}

/// Settings of one direction.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct DirectionState {
    pub pulse_width_ns: Option<f64>,
    pub group_index: Option<f64>,
    pub backscatter_coefficient_db: Option<f64>,
    pub spacing_m: Option<f64>,
    pub averaging_time_s: Option<f64>,
    pub instrument: Option<String>,
    pub serial: Option<String>,
}

/// Why a text is no result that can be compared; lines count from 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {message}")]
pub struct StateError {
    /// Line at which the object begins, or at which the text is no JSON.
    pub line: usize,
    /// What was found and what was wanted.
    pub message: String,
}

/// Reads the links of a printed result: JSON of a link or a cable, or one object a line.
///
/// # Errors
/// [`StateError`] where the text is no JSON, or an object of another form or version.
pub fn read(text: &str) -> Result<Vec<LinkState>, StateError> {
    let mut links = Vec::new();
    let mut objects = Deserializer::from_str(text).into_iter::<Value>();
    loop {
        let start = objects.byte_offset();
        let gap = text
            .get(start..)
            .map_or(0, |rest| rest.len() - rest.trim_start().len());
        let (line, _) = line_and_column(text, start + gap);
        let fault = |message: String| StateError { line, message };
        let Some(object) = objects.next() else {
            return Ok(links);
        };
        let object = object.map_err(|error| StateError {
            line: error.line(),
            message: format!("no JSON: {error}"),
        })?;
        let schema = object.get("schema").and_then(Value::as_str);
        let found = match schema {
            Some("bothends.link/1") => vec![object],
            Some("bothends.cable/1") => object
                .get("links")
                .and_then(Value::as_array)
                .cloned()
                .unwrap_or_default(),
            Some(other) => {
                return Err(fault(format!(
                    "the form is {other:?}; wanted \"bothends.link/1\" or \"bothends.cable/1\""
                )));
            }
            None => {
                return Err(fault(
                    "the object has no \"schema\"; wanted the JSON of `bothends link` or `bothends cable`"
                        .to_owned(),
                ));
            }
        };
        for link in found {
            let state = LinkState::deserialize(link).map_err(|error| {
                fault(format!("not the form that its \"schema\" says: {error}"))
            })?;
            links.push(state);
        }
    }
}

impl LinkState {
    /// The same link with its ends exchanged, if its length is known.
    pub(super) fn mirrored(&self) -> Option<Self> {
        let length_m = self.link.length_m?;
        let turned = |at_m: Option<f64>| at_m.map(|at_m| length_m - at_m);
        let mut state = self.clone();
        std::mem::swap(&mut state.link.from, &mut state.link.to);
        let settings = &mut state.provenance.settings;
        std::mem::swap(&mut settings.a, &mut settings.b);
        state.events.reverse();
        for event in &mut state.events {
            let (from, to) = (event.position_m, event.end_m);
            event.position_m = turned(to.or(from));
            event.end_m = to.and(turned(from));
            // The step as A sees it: from the other end the same is a rise.
            event.backscatter_step_db = event.backscatter_step_db.map(|step| -step);
            std::mem::swap(&mut event.reflectance_a_db, &mut event.reflectance_b_db);
            std::mem::swap(
                &mut event.reflectance_a_is_bound,
                &mut event.reflectance_b_is_bound,
            );
        }
        state.sections.reverse();
        for section in &mut state.sections {
            (section.from_m, section.to_m) = (turned(section.to_m), turned(section.from_m));
        }
        Some(state)
    }
}
