//! The settings that a result was computed with, as they are printed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::link::metres;
use crate::both_ways::{Direction, Link, Registration};
use crate::report::Provenance;
use crate::report::number::{error_rounded, rounded};
use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth};
use crate::verdict::Limits;

/// Settings of a link's measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct LinkSettings {
    /// Settings of the trace taken from A.
    pub a: DirectionSettings,
    /// Settings of the trace taken from B.
    pub b: DirectionSettings,
    /// How B's axis was laid on A's; null if it could not be.
    pub registration: Option<RegistrationObject>,
    /// False events per 1,000 km that the detection was set to.
    pub false_events_per_1000_km: Option<f64>,
    /// Standard errors that a verdict keeps from the limit.
    pub coverage_factor: Option<f64>,
    /// The limits applied, each with its source; null where none were.
    pub limits: Option<Limits>,
    /// Time that the user gave for the report.
    pub report_time: Option<String>,
}

/// Settings that any trace has.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasuringSettings {
    /// Pulse width in nanoseconds.
    pub pulse_width_ns: Option<f64>,
    /// Group index that distances were computed with.
    pub group_index: Option<f64>,
    /// Backscatter coefficient at 1 ns.
    pub backscatter_coefficient_db: Option<f64>,
    /// Whether that is the default for the wavelength rather than given.
    pub backscatter_coefficient_is_default: bool,
    /// Distance between samples.
    pub spacing_m: Option<f64>,
    /// Number of samples.
    pub samples: usize,
    /// Averaging time in seconds.
    pub averaging_time_s: Option<f64>,
    /// Launch cord; 0 means none, null means not stated.
    pub launch_cord_m: Option<f64>,
    /// Tail cord; 0 means none, null means not stated.
    pub tail_cord_m: Option<f64>,
}

/// Settings of one direction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct DirectionSettings {
    /// Those that any trace has.
    #[serde(flatten)]
    pub measuring: MeasuringSettings,
    /// When it was measured, as written in the file.
    pub measured: Option<String>,
    /// Instrument, as written in the file.
    pub instrument: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// Date to which its calibration holds, as written in the file.
    pub calibrated_until: Option<String>,
    /// Farthest place measured from this end, on A's axis.
    pub usable_to_m: Option<f64>,
    /// Noise of one sample where the link begins for this end, one-way dB.
    pub noise_at_start_db: Option<f64>,
    /// Backscatter above the rms noise at `usable_to_m`, one-way dB.
    pub above_noise_at_end_db: Option<f64>,
    /// Attenuation of the link's sections together, on which the lines beside every joint lean
    /// by what both are known to; null where fewer than three sections tell it.
    pub shared_attenuation_db_per_km: Option<f64>,
    /// How far one section may lie from it at most, by what the sections bear.
    pub shared_attenuation_spread_db_per_km: Option<f64>,
}

/// How B's axis lies on A's: position on A's axis = offset − scale · (position from B's port).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct RegistrationObject {
    /// Place of B's port on A's axis.
    pub offset_m: Option<f64>,
    /// Its standard error.
    pub offset_std_error_m: Option<f64>,
    /// Metres of A's axis for one metre of B's.
    pub scale: Option<f64>,
    /// Its standard error.
    pub scale_std_error: Option<f64>,
    /// Events it rests on.
    pub matched_events: usize,
    /// Greatest error of a place of B on A's axis.
    pub position_error_m: Option<f64>,
    /// Greatest error of a loss that this can cause.
    pub loss_error_db: Option<f64>,
}

impl LinkSettings {
    pub(super) fn new(link: &Link, provenance: &Provenance) -> Self {
        let judged = provenance.judged.as_ref();
        Self {
            a: DirectionSettings::from(&link.a),
            b: DirectionSettings::from(&link.b),
            registration: link.registration.as_ref().map(RegistrationObject::from),
            false_events_per_1000_km: rounded(link.false_events_per_1000_km, 6),
            coverage_factor: judged.and_then(|judged| rounded(judged.coverage, 4)),
            limits: judged.map(|judged| judged.limits.clone()),
            report_time: provenance.report_time.clone(),
        }
    }
}

impl MeasuringSettings {
    /// `grid` is the distance between samples and their number.
    pub(super) fn new(
        header: &Header,
        pulse_width: PulseWidth,
        group_index: GroupIndex,
        backscatter: Option<BackscatterCoefficient>,
        backscatter_is_default: bool,
        grid: (Length, usize),
    ) -> Self {
        Self {
            pulse_width_ns: rounded(pulse_width.ns(), 3),
            group_index: rounded(group_index.ratio(), 6),
            backscatter_coefficient_db: backscatter
                .map(BackscatterCoefficient::db)
                .and_then(|coefficient| rounded(coefficient, 3)),
            backscatter_coefficient_is_default: backscatter_is_default,
            spacing_m: rounded(grid.0.m(), 6),
            samples: grid.1,
            averaging_time_s: header.averaging_time_s.and_then(|s| rounded(s, 3)),
            launch_cord_m: header.launch_cord.map(Length::m).and_then(metres),
            tail_cord_m: header.tail_cord.map(Length::m).and_then(metres),
        }
    }
}

impl From<&Direction> for DirectionSettings {
    fn from(direction: &Direction) -> Self {
        let header = &direction.header;
        Self {
            measuring: MeasuringSettings::new(
                header,
                direction.pulse_width,
                direction.group_index,
                Some(direction.backscatter),
                direction.backscatter_is_default,
                (direction.spacing, direction.samples),
            ),
            measured: header.measured.clone(),
            instrument: header.instrument.clone(),
            serial: header.serial.clone(),
            calibrated_until: header.calibrated_until.clone(),
            usable_to_m: metres(direction.usable_to.m()),
            noise_at_start_db: error_rounded(direction.noise_at_start_db),
            above_noise_at_end_db: rounded(direction.above_noise_at_end_db, 2),
            shared_attenuation_db_per_km: (direction.shared_attenuation)
                .and_then(|shared| rounded(shared.value.db_per_km(), 5)),
            shared_attenuation_spread_db_per_km: (direction.shared_attenuation)
                .and_then(|shared| error_rounded(shared.std_error?.db_per_km())),
        }
    }
}

impl From<&Registration> for RegistrationObject {
    fn from(registration: &Registration) -> Self {
        Self {
            offset_m: metres(registration.offset.value.m()),
            offset_std_error_m: registration
                .offset
                .std_error
                .and_then(|error| error_rounded(error.m())),
            scale: rounded(registration.scale.value, 7),
            scale_std_error: registration.scale.std_error.and_then(error_rounded),
            matched_events: registration.matched,
            position_error_m: error_rounded(registration.position_error.m()),
            loss_error_db: error_rounded(registration.loss_error.db()),
        }
    }
}
