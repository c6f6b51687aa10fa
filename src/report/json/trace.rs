//! One trace by itself: `bothends.trace/1`.
//!
//! One direction reads loss plus or minus the backscatter difference of the
//! two fibres. Its readings are therefore called `apparent_loss_db`; `loss_db`
//! is always null here, with the reason beside it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::link::{
    NotMeasuredObject, SectionObject, WarningObject, db, metres, reflectance, reflectance_db,
};
use super::settings::MeasuringSettings;
use crate::measure::{OneWay, OneWayEvent, OneWayKind};
use crate::report::number::{error_rounded, rounded};
use crate::report::{SourceFile, TraceProvenance};
use crate::trace::Trace;
use crate::units::{Length, Position};

/// Why one direction never gives the loss of a joint.
pub(crate) const ONE_WAY_REASON: &str = "one direction reads the difference in backscatter of the two fibres \
     as loss or gain; the loss needs the trace taken from the other end too";

/// Why the first joint of a link cannot be measured without a launch cord.
pub(crate) const NO_LAUNCH_REASON: &str =
    "no launch cord: there is no fibre before the first connector to measure against";

/// What one trace tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields, title = "bothends.trace/1")]
pub struct TraceReport {
    /// Name and version of this form.
    #[schemars(extend("const" = "bothends.trace/1"))]
    pub schema: String,
    /// The trace as a whole.
    pub trace: TraceHead,
    /// Events, nearest to the instrument first.
    pub events: Vec<TraceEventObject>,
    /// Straight stretches between events; places counted from the link's start.
    pub sections: Vec<SectionObject>,
    /// What a reader must know before relying on the numbers.
    pub warnings: Vec<WarningObject>,
    /// Where the numbers come from.
    pub provenance: TraceProvenanceObject,
}

/// The trace as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct TraceHead {
    /// Name of the cable.
    pub cable: Option<String>,
    /// Name of the fibre.
    pub fibre: Option<String>,
    /// The end it was taken from.
    pub from: Option<String>,
    /// The far end.
    pub to: Option<String>,
    /// Wavelength in nanometres.
    pub wavelength_nm: Option<f64>,
    /// Where the link starts, counted from the instrument's port.
    pub link_start_from_port_m: Option<f64>,
    /// Fibre from the link's start to its end; null if the end was not seen.
    pub length_m: Option<f64>,
    /// Standard error of the place of the link's end.
    pub length_std_error_m: Option<f64>,
    /// Loss of the link: always null, one direction cannot know it.
    pub loss_db: Option<f64>,
    /// Optical return loss seen from this end.
    pub orl_db: Option<f64>,
    /// Last place, from the link's start, where the backscatter can be measured.
    pub usable_to_m: Option<f64>,
    /// Noise of one sample at the link's start, one-way dB.
    pub noise_at_start_db: Option<f64>,
    /// Backscatter above the rms noise at `usable_to_m`, one-way dB.
    pub above_noise_at_end_db: Option<f64>,
    /// Attenuation of the link's sections together, on which the lines beside every event lean
    /// by what both are known to; null where fewer than three sections tell it.
    pub shared_attenuation_db_per_km: Option<f64>,
    /// How far one section may lie from it at most, by what the sections bear.
    pub shared_attenuation_spread_db_per_km: Option<f64>,
    /// What is missing and why.
    pub not_measured: Vec<NotMeasuredObject>,
}

/// One event as seen from one end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct TraceEventObject {
    /// Counted from 1 at the instrument.
    pub number: usize,
    /// What it looks like.
    #[schemars(extend("enum" = ["non-reflective", "reflective", "echo", "end"]))]
    pub kind: String,
    /// Leading edge, from the link's start.
    pub position_m: Option<f64>,
    /// Leading edge, from the instrument's port.
    pub position_from_port_m: Option<f64>,
    /// Standard error of the position.
    pub position_std_error_m: Option<f64>,
    /// Numbers of the two reflections that make an echo; null for everything else.
    pub echo_of: Option<[usize; 2]>,
    /// Loss: always null, one direction cannot know it.
    pub loss_db: Option<f64>,
    /// What this direction reads: loss plus or minus the backscatter difference of the fibres.
    pub apparent_loss_db: Option<f64>,
    /// Its standard error.
    pub apparent_loss_std_error_db: Option<f64>,
    /// Reflectance; negative.
    pub reflectance_db: Option<f64>,
    /// Whether the true reflectance is at least this strong; null without a reflectance.
    pub reflectance_is_bound: Option<bool>,
    /// Where the stretch hidden by this event begins, from the link's start.
    pub dead_zone_from_m: Option<f64>,
    /// Where it ends.
    pub dead_zone_to_m: Option<f64>,
    /// What is missing and why.
    pub not_measured: Vec<NotMeasuredObject>,
}

/// Where the numbers come from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct TraceProvenanceObject {
    /// Name and version of the program.
    pub program: String,
    /// File of the trace.
    pub file: SourceFile,
    /// Settings that the numbers were computed with.
    pub settings: TraceSettings,
}

/// Settings of one trace.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct TraceSettings {
    /// Those that any trace has.
    #[serde(flatten)]
    pub measuring: MeasuringSettings,
    /// False events per 1,000 km that the detection was set to.
    pub false_events_per_1000_km: Option<f64>,
    /// Time that the user gave for the report.
    pub report_time: Option<String>,
}

/// The word for what an event looks like.
pub(crate) const fn one_way_kind_word(kind: OneWayKind) -> &'static str {
    match kind {
        OneWayKind::NonReflective => "non-reflective",
        OneWayKind::Reflective => "reflective",
        OneWayKind::Echo => "echo",
        OneWayKind::End => "end",
    }
}

impl TraceReport {
    /// Puts one direction's result into the form that is printed.
    pub fn new(trace: &Trace, one_way: &OneWay, provenance: &TraceProvenance) -> Self {
        let start = one_way.link_from;
        let header = trace.header();
        let from_start = |position: Position| metres((position - start).m());
        let mut not_measured = vec![missing("loss_db", ONE_WAY_REASON)];
        if one_way.link_to.is_none() {
            not_measured.push(missing(
                "length_m",
                "the end of the link does not show in this trace",
            ));
        }
        if one_way.orl.is_none() {
            not_measured.push(missing(
                "orl_db",
                "the return loss needs the link's whole backscatter and a known coefficient",
            ));
        }
        Self {
            schema: "bothends.trace/1".to_owned(),
            trace: TraceHead {
                cable: header.cable.clone(),
                fibre: header.fibre.clone(),
                from: header.from.clone(),
                to: header.to.clone(),
                wavelength_nm: rounded(trace.wavelength().nm(), 3),
                link_start_from_port_m: metres(start.m()),
                length_m: one_way.link_to.and_then(|end| from_start(end.value)),
                length_std_error_m: one_way
                    .link_to
                    .and_then(|end| end.std_error)
                    .and_then(|error| error_rounded(error.m())),
                loss_db: None,
                orl_db: one_way.orl.and_then(|orl| reflectance_db(orl.db())),
                usable_to_m: from_start(one_way.usable_to),
                noise_at_start_db: error_rounded(one_way.noise_at_start_db),
                above_noise_at_end_db: rounded(one_way.above_noise_at_end_db, 2),
                shared_attenuation_db_per_km: (one_way.shared_attenuation)
                    .and_then(|shared| rounded(shared.value.db_per_km(), 5)),
                shared_attenuation_spread_db_per_km: (one_way.shared_attenuation)
                    .and_then(|shared| error_rounded(shared.std_error?.db_per_km())),
                not_measured,
            },
            events: one_way
                .events
                .iter()
                .enumerate()
                .map(|(index, event)| TraceEventObject::new(index + 1, event, start))
                .collect(),
            sections: one_way
                .sections
                .iter()
                .map(|section| SectionObject {
                    from_m: from_start(section.from),
                    to_m: from_start(section.to),
                    ..SectionObject::from(section)
                })
                .collect(),
            warnings: one_way.warnings.iter().map(Into::into).collect(),
            provenance: TraceProvenanceObject {
                program: provenance.program.clone(),
                file: provenance.file.clone(),
                settings: TraceSettings {
                    measuring: MeasuringSettings::new(
                        header,
                        trace.pulse_width(),
                        trace.group_index(),
                        provenance.backscatter,
                        provenance.backscatter_is_default,
                        (Length::from_m(trace.spacing_m()), trace.len()),
                    ),
                    false_events_per_1000_km: provenance
                        .false_events_per_1000_km
                        .and_then(|rate| rounded(rate, 6)),
                    report_time: provenance.report_time.clone(),
                },
            },
        }
    }
}

fn missing(quantity: &str, reason: &str) -> NotMeasuredObject {
    NotMeasuredObject {
        quantity: quantity.to_owned(),
        reason: reason.to_owned(),
    }
}

impl TraceEventObject {
    fn new(number: usize, event: &OneWayEvent, start: Position) -> Self {
        let from_start = |position: Position| metres((position - start).m());
        let apparent = event.loss.as_ref().ok();
        let (reflectance_db, reflectance_is_bound) = reflectance(event.reflectance);
        let mut not_measured = vec![missing("loss_db", ONE_WAY_REASON)];
        if let Err(reason) = &event.loss {
            not_measured.push(missing("apparent_loss_db", &reason.reason));
        }
        Self {
            number,
            kind: one_way_kind_word(event.kind).to_owned(),
            position_m: from_start(event.position.value),
            position_from_port_m: metres(event.position.value.m()),
            position_std_error_m: event
                .position
                .std_error
                .and_then(|error| error_rounded(error.m())),
            echo_of: event.echo_of.map(|(one, other)| [one + 1, other + 1]),
            loss_db: None,
            apparent_loss_db: apparent.and_then(|loss| db(loss.value.db())),
            apparent_loss_std_error_db: apparent
                .and_then(|loss| loss.std_error)
                .and_then(|error| error_rounded(error.db())),
            reflectance_db,
            reflectance_is_bound,
            dead_zone_from_m: from_start(event.dead_zone.0),
            dead_zone_to_m: from_start(event.dead_zone.1),
            not_measured,
        }
    }
}
