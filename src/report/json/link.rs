//! One link, measured from both ends: `bothends.link/1`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::judgement::JudgementObject;
use super::settings::LinkSettings;
use crate::both_ways::{Event, EventKind, KindFrom, Link, SeenFrom, Verdict};
use crate::measure::{ReflectanceReading, Section};
use crate::report::number::{NO_NUMBER_REASON, error_rounded, rounded};
use crate::report::{Provenance, SourceFile};
use crate::units::{Attenuation, Length, Loss, Measurement, Position, Reflectance};
use crate::warning::Warning;

/// Decimals of a loss in dB: a tenth of what the best average resolves.
const DB_DECIMALS: i32 = 4;
/// Decimals of a reflectance or return loss in dB.
const REFLECTANCE_DECIMALS: i32 = 2;
/// Decimals of a place in metres.
const METRE_DECIMALS: i32 = 2;

pub(super) fn db(value: f64) -> Option<f64> {
    rounded(value, DB_DECIMALS)
}

pub(super) fn reflectance_db(value: f64) -> Option<f64> {
    rounded(value, REFLECTANCE_DECIMALS)
}

pub(super) fn metres(value: f64) -> Option<f64> {
    rounded(value, METRE_DECIMALS)
}

/// A link with its events, sections, doubts and origin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields, title = "bothends.link/1")]
pub struct LinkReport {
    /// Name and version of this form.
    #[schemars(extend("const" = "bothends.link/1"))]
    pub schema: String,
    /// The link as a whole.
    pub link: LinkHead,
    /// Events in the order of their places.
    pub events: Vec<EventObject>,
    /// Attenuation of the stretches between the events, two-way; in a broken fibre one way.
    pub sections: Vec<SectionObject>,
    /// Every value that was held against a limit; present where limits were applied.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judgements: Option<Vec<JudgementObject>>,
    /// What a reader must know before relying on the numbers.
    pub warnings: Vec<WarningObject>,
    /// Where the numbers come from.
    pub provenance: ProvenanceObject,
}

/// The link as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct LinkHead {
    /// Name of the cable.
    pub cable: Option<String>,
    /// Name of the fibre.
    pub fibre: Option<String>,
    /// Name of end A.
    pub from: Option<String>,
    /// Name of end B.
    pub to: Option<String>,
    /// Wavelength in nanometres.
    pub wavelength_nm: Option<f64>,
    /// Fibre between the first and the last connector, in metres.
    pub length_m: Option<f64>,
    /// Standard error of the length.
    pub length_std_error_m: Option<f64>,
    /// Two-way loss of the whole link, both end connectors included; null if either is not measured.
    pub loss_db: Option<f64>,
    /// Standard error of the loss.
    pub loss_std_error_db: Option<f64>,
    /// Length-weighted mean attenuation coefficient of the sections, joints excluded.
    pub attenuation_db_per_km: Option<f64>,
    /// Optical return loss seen from A.
    pub orl_a_db: Option<f64>,
    /// Optical return loss seen from B.
    pub orl_b_db: Option<f64>,
    /// Verdict on the link.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub verdict: Verdict,
}

/// One event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct EventObject {
    /// Counted from 1 at A.
    pub number: usize,
    /// What it is.
    #[schemars(with = "String", extend("enum" = ["connector", "splice", "bend", "group", "echo", "break", "end"]))]
    pub kind: EventKind,
    /// Leading edge in metres of fibre on A's axis; null if only `position_from_b_m` is known.
    pub position_m: Option<f64>,
    /// Standard error of the position.
    pub position_std_error_m: Option<f64>,
    /// Where a group ends; null for everything else.
    pub end_m: Option<f64>,
    /// Distance from B's end; present in the far part of a broken fibre of unknown length.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_from_b_m: Option<f64>,
    /// Whether a reflection was seen.
    pub reflective: bool,
    /// What the kind rests on.
    #[schemars(with = "String", extend("enum" = ["trace", "plan"]))]
    pub kind_from: KindFrom,
    /// Places of the two reflections that make an echo; present for an echo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub echo_of: Option<[f64; 2]>,
    /// Two-way loss: the mean of both directions; negative for a gain.
    pub loss_db: Option<f64>,
    /// Standard error of the two-way loss.
    pub loss_std_error_db: Option<f64>,
    /// Reading of the trace taken from A.
    pub loss_a_to_b_db: Option<f64>,
    /// Its standard error.
    pub loss_a_to_b_std_error_db: Option<f64>,
    /// Reading of the trace taken from B.
    pub loss_b_to_a_db: Option<f64>,
    /// Its standard error.
    pub loss_b_to_a_std_error_db: Option<f64>,
    /// Half difference of the readings, positive where backscatter falls going away from A.
    pub backscatter_step_db: Option<f64>,
    /// Its standard error.
    pub backscatter_step_std_error_db: Option<f64>,
    /// Reflectance seen from A; negative.
    pub reflectance_a_db: Option<f64>,
    /// Whether the true reflectance is at least this strong; null without a reflectance.
    pub reflectance_a_is_bound: Option<bool>,
    /// Reflectance seen from B; negative.
    pub reflectance_b_db: Option<f64>,
    /// Whether the true reflectance is at least this strong; null without a reflectance.
    pub reflectance_b_is_bound: Option<bool>,
    /// From which ends it was detected; null where it shows in neither trace, as `notes` or
    /// `not_measured` say then. A loss may be measured from both all the same.
    #[schemars(with = "Option<String>", extend("enum" = ["both", "a", "b", null]))]
    pub seen_from: Option<SeenFrom>,
    /// Name of the joint, where a plan or list gives one.
    pub joint: Option<String>,
    /// What was looked for and could not be measured.
    pub not_measured: Vec<NotMeasuredObject>,
    /// Limit applied to the loss.
    pub limit_db: Option<f64>,
    /// Probability that the limit is met.
    pub conformance: Option<f64>,
    /// Verdict on the event.
    #[schemars(with = "String", extend("enum" = ["pass", "fail", "undecided", "not judged"]))]
    pub verdict: Verdict,
    /// What else a reader must know.
    pub notes: Vec<String>,
}

/// A missing value and why it is missing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct NotMeasuredObject {
    /// Key of the value that is null.
    pub quantity: String,
    /// Why, in words for a technician.
    pub reason: String,
}

/// A stretch of fibre between two events.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct SectionObject {
    /// Where it begins.
    pub from_m: Option<f64>,
    /// Where it ends.
    pub to_m: Option<f64>,
    /// Attenuation coefficient.
    pub attenuation_db_per_km: Option<f64>,
    /// Its standard error.
    pub attenuation_std_error_db_per_km: Option<f64>,
}

/// A doubt that travels with the result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct WarningObject {
    /// Stable word for machines.
    pub code: String,
    /// What was seen and what to do about it.
    pub message: String,
}

/// Where the numbers come from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct ProvenanceObject {
    /// Name and version of the program.
    pub program: String,
    /// File of the trace taken from A.
    pub a: SourceFile,
    /// File of the trace taken from B.
    pub b: SourceFile,
    /// Settings that the numbers were computed with.
    pub settings: LinkSettings,
}

impl LinkReport {
    /// Puts a link into the form that is printed: rounded, what is missing as `None`.
    pub fn new(link: &Link, provenance: &Provenance) -> Self {
        let (length_m, length_std_error_m) = split(&link.length, Length::m, metres);
        let (loss_db, loss_std_error_db) = split(&link.loss, Loss::db, db);
        let mut warnings: Vec<WarningObject> = link.warnings.iter().map(Into::into).collect();
        // The form has no place for these two reasons but here.
        if let Err(missing) = &link.length {
            warnings.push(WarningObject {
                code: "length not measured".to_owned(),
                message: format!("the length of the link is not measured: {}", missing.reason),
            });
        }
        if let Err(missing) = &link.loss {
            warnings.push(WarningObject {
                code: "loss not measured".to_owned(),
                message: format!("the loss of the link is not measured: {}", missing.reason),
            });
        }
        Self {
            schema: "bothends.link/1".to_owned(),
            link: LinkHead {
                cable: link.cable.clone(),
                fibre: link.fibre.clone(),
                from: link.from.clone(),
                to: link.to.clone(),
                wavelength_nm: rounded(link.wavelength.nm(), 3),
                length_m,
                length_std_error_m,
                loss_db,
                loss_std_error_db,
                attenuation_db_per_km: link.attenuation.map(Attenuation::db_per_km).and_then(db),
                orl_a_db: link.orl_a.and_then(|orl| reflectance_db(orl.db())),
                orl_b_db: link.orl_b.and_then(|orl| reflectance_db(orl.db())),
                verdict: link.verdict,
            },
            events: link.events.iter().map(EventObject::from).collect(),
            sections: link.sections.iter().map(SectionObject::from).collect(),
            judgements: provenance
                .judged
                .as_ref()
                .map(|judged| judged.judgements.iter().map(Into::into).collect()),
            warnings,
            provenance: ProvenanceObject {
                program: provenance.program.clone(),
                a: provenance.a.clone(),
                b: provenance.b.clone(),
                settings: LinkSettings::new(link, provenance),
            },
        }
    }
}

/// Value and standard error of a measurement, rounded; twice `None` if it was not measured.
fn split<Q: Copy>(
    measurement: &Measurement<Q>,
    unwrap: fn(Q) -> f64,
    round: fn(f64) -> Option<f64>,
) -> (Option<f64>, Option<f64>) {
    measurement.as_ref().map_or((None, None), |measured| {
        (
            round(unwrap(measured.value)),
            measured
                .std_error
                .and_then(|error| error_rounded(unwrap(error))),
        )
    })
}

impl From<&Event> for EventObject {
    fn from(event: &Event) -> Self {
        let (loss_db, loss_std_error_db) = split(&event.loss, Loss::db, db);
        let (loss_a_to_b_db, loss_a_to_b_std_error_db) = split(&event.loss_a_to_b, Loss::db, db);
        let (loss_b_to_a_db, loss_b_to_a_std_error_db) = split(&event.loss_b_to_a, Loss::db, db);
        let (backscatter_step_db, backscatter_step_std_error_db) =
            split(&event.backscatter_step, Loss::db, db);
        let (reflectance_a_db, reflectance_a_is_bound) = reflectance(event.reflectance_a);
        let (reflectance_b_db, reflectance_b_is_bound) = reflectance(event.reflectance_b);
        let position = event.position_from_b.is_none().then_some(event.position);
        let position_m = position.and_then(|position| metres(position.value.m()));
        let no_position = position_m.is_none().then(|| NotMeasuredObject {
            quantity: "position_m".to_owned(),
            reason: if event.position_from_b.is_some() {
                "the fibre's length is not known, so this place is counted from B".to_owned()
            } else {
                NO_NUMBER_REASON.to_owned()
            },
        });
        let losses = [
            ("loss_db", &event.loss),
            ("loss_a_to_b_db", &event.loss_a_to_b),
            ("loss_b_to_a_db", &event.loss_b_to_a),
            ("backscatter_step_db", &event.backscatter_step),
        ]
        .into_iter()
        .filter_map(|(quantity, measurement)| {
            let reason = match measurement {
                Ok(measured) if measured.value.db().is_finite() => return None,
                Ok(_) => NO_NUMBER_REASON,
                Err(missing) => &missing.reason,
            };
            Some(NotMeasuredObject {
                quantity: quantity.to_owned(),
                reason: reason.to_owned(),
            })
        });
        let not_measured = no_position.into_iter().chain(losses).collect();
        Self {
            number: event.number,
            kind: event.kind,
            position_m,
            position_std_error_m: position
                .and_then(|position| position.std_error)
                .and_then(|error| error_rounded(error.m())),
            end_m: event.end.map(Position::m).and_then(metres),
            position_from_b_m: event.position_from_b.map(Position::m).and_then(metres),
            reflective: event.reflective,
            kind_from: event.kind_from,
            echo_of: event
                .echo_of
                .and_then(|(one, other)| Some([metres(one.m())?, metres(other.m())?])),
            loss_db,
            loss_std_error_db,
            loss_a_to_b_db,
            loss_a_to_b_std_error_db,
            loss_b_to_a_db,
            loss_b_to_a_std_error_db,
            backscatter_step_db,
            backscatter_step_std_error_db,
            reflectance_a_db,
            reflectance_a_is_bound,
            reflectance_b_db,
            reflectance_b_is_bound,
            seen_from: (event.seen_from != SeenFrom::Neither).then_some(event.seen_from),
            joint: event.joint.clone(),
            not_measured,
            limit_db: event.limit.map(Loss::db).and_then(db),
            conformance: event.conformance.and_then(|share| rounded(share, 4)),
            verdict: event.verdict,
            notes: event.notes.clone(),
        }
    }
}

/// Value and bound flag of a reflectance; twice `None` without one.
pub(super) fn reflectance(reading: Option<ReflectanceReading>) -> (Option<f64>, Option<bool>) {
    let value = reading.and_then(|reading| reflectance_db(Reflectance::db(reading.value)));
    let is_bound = reading
        .filter(|_| value.is_some())
        .map(|reading| reading.is_bound);
    (value, is_bound)
}

impl From<&Section> for SectionObject {
    fn from(section: &Section) -> Self {
        Self {
            from_m: metres(section.from.m()),
            to_m: metres(section.to.m()),
            attenuation_db_per_km: db(section.attenuation.value.db_per_km()),
            attenuation_std_error_db_per_km: section
                .attenuation
                .std_error
                .and_then(|error| error_rounded(error.db_per_km())),
        }
    }
}

impl From<&Warning> for WarningObject {
    fn from(warning: &Warning) -> Self {
        Self {
            code: warning.code.clone().into_owned(),
            message: warning.message.clone(),
        }
    }
}
