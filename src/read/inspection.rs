//! What was understood of a file, as data for machines.

use serde::Serialize;

use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};
use crate::warning::Warning;

use super::layout::Layout;
use super::{FileContent, ReadTrace};

/// One file as `inspect --format json` prints it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Inspection<'c> {
    /// Name and version of this form.
    pub schema: &'static str,
    /// The file's name as given.
    pub file: String,
    /// SHA-256 of the file's bytes, where it was read by path.
    pub sha256: Option<&'c str>,
    /// How the file is laid out, with the line of each setting and note.
    pub layout: &'c Layout,
    /// The traces in it.
    pub traces: Vec<InspectedTrace<'c>>,
    /// Every doubt.
    pub warnings: &'c [Warning],
}

/// One trace of a file; what the file lacks is null.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectedTrace<'c> {
    /// Title of its column.
    pub title: Option<&'c str>,
    /// Line of the first sample, counted from 1.
    pub first_line: usize,
    /// Line of the last sample.
    pub last_line: usize,
    /// Number of samples.
    pub samples: usize,
    /// Samples without a level.
    pub blank_samples: usize,
    /// Distance of the first sample.
    pub start_m: Option<f64>,
    /// Distance of the last sample.
    pub end_m: Option<f64>,
    /// Mean distance between samples.
    pub spacing_m: Option<f64>,
    /// Highest level.
    pub highest_db: Option<f64>,
    /// Lowest level.
    pub lowest_db: Option<f64>,
    /// Fibre's name or number.
    pub fibre: Option<&'c str>,
    /// Cable's name.
    pub cable: Option<&'c str>,
    /// The end it was taken from.
    pub from: Option<&'c str>,
    /// The far end.
    pub to: Option<&'c str>,
    /// Wavelength.
    pub wavelength_nm: Option<f64>,
    /// Duration of the pulse.
    pub pulse_width_ns: Option<f64>,
    /// Group index of the distances.
    pub group_index: Option<f64>,
    /// Backscatter coefficient at 1 ns.
    pub backscatter_db: Option<f64>,
    /// Averaging time.
    pub averaging_time_s: Option<f64>,
    /// When it was measured, as written.
    pub measured: Option<&'c str>,
    /// Cord at the instrument's end.
    pub launch_cord_m: Option<f64>,
    /// Cord at the far end.
    pub tail_cord_m: Option<f64>,
    /// Instrument's name.
    pub instrument: Option<&'c str>,
    /// Instrument's serial number.
    pub serial: Option<&'c str>,
    /// Date to which the calibration holds, as written.
    pub calibrated_until: Option<&'c str>,
    /// Who measured.
    pub operator: Option<&'c str>,
    /// Free text.
    pub note: Option<&'c str>,
    /// Entries that the program has no use for.
    pub other: &'c [(String, String)],
}

/// What was understood of a file, under the name it is known by.
///
/// ```
/// let text = b"# wavelength: 1550 nm\ndistance_m,level_db\n0,-12.3\n0.5,-12.4\n";
/// let content = bothends::read::from_bytes(text).unwrap();
/// let json = serde_json::to_value(bothends::read::inspection("a.csv", &content)).unwrap();
/// assert_eq!(json["layout"]["settings"][0]["line"], 1);
/// assert_eq!(json["layout"]["columns"][0]["holds"]["distance"]["unit"], "m");
/// assert_eq!(json["traces"][0]["wavelength_nm"], 1550.0);
/// assert_eq!(json["traces"][0]["pulse_width_ns"], serde_json::Value::Null);
/// ```
pub fn inspection(file: impl Into<String>, content: &FileContent) -> Inspection<'_> {
    Inspection {
        schema: "bothends.inspect/1",
        file: file.into(),
        sha256: content.sha256.as_deref(),
        layout: &content.layout,
        traces: content.traces.iter().map(inspected).collect(),
        warnings: &content.warnings,
    }
}

fn inspected(trace: &ReadTrace) -> InspectedTrace<'_> {
    let header = &trace.header;
    let (start_m, end_m) = (
        trace.distances_m.first().copied(),
        trace.distances_m.last().copied(),
    );
    let samples = trace.levels_db.len();
    let levels = || {
        trace
            .levels_db
            .iter()
            .copied()
            .filter(|level| level.is_finite())
    };
    InspectedTrace {
        title: trace.title.as_deref(),
        first_line: trace.first_line,
        last_line: trace.last_line,
        samples,
        blank_samples: samples - levels().count(),
        start_m,
        end_m,
        spacing_m: match (start_m, end_m) {
            (Some(start), Some(end)) if samples > 1 => Some((end - start) / (samples - 1) as f64),
            _ => None,
        },
        highest_db: levels().reduce(f64::max),
        lowest_db: levels().reduce(f64::min),
        fibre: header.fibre.as_deref(),
        cable: header.cable.as_deref(),
        from: header.from.as_deref(),
        to: header.to.as_deref(),
        wavelength_nm: header.wavelength.map(Wavelength::nm),
        pulse_width_ns: header.pulse_width.map(PulseWidth::ns),
        group_index: header.group_index.map(GroupIndex::ratio),
        backscatter_db: header.backscatter.map(BackscatterCoefficient::db),
        averaging_time_s: header.averaging_time_s,
        measured: header.measured.as_deref(),
        launch_cord_m: header.launch_cord.map(Length::m),
        tail_cord_m: header.tail_cord.map(Length::m),
        instrument: header.instrument.as_deref(),
        serial: header.serial.as_deref(),
        calibrated_until: header.calibrated_until.as_deref(),
        operator: header.operator.as_deref(),
        note: header.note.as_deref(),
        other: &header.other,
    }
}
