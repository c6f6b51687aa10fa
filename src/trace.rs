//! One backscatter trace: its settings, its distances and its levels.

use ndarray::Array1;
use serde::{Deserialize, Serialize};

use crate::units::{BackscatterCoefficient, GroupIndex, Length, Position, PulseWidth, Wavelength};

/// What a file (or an option) says about a trace; every entry may be missing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Fibre's name or number.
    pub fibre: Option<String>,
    /// Cable's name.
    pub cable: Option<String>,
    /// The end the trace was taken from.
    pub from: Option<String>,
    /// The far end.
    pub to: Option<String>,
    /// Wavelength of the light.
    pub wavelength: Option<Wavelength>,
    /// Duration of the pulse.
    pub pulse_width: Option<PulseWidth>,
    /// Group index that the distances were computed with.
    pub group_index: Option<GroupIndex>,
    /// Backscatter coefficient at 1 ns.
    pub backscatter: Option<BackscatterCoefficient>,
    /// Averaging time in seconds.
    pub averaging_time_s: Option<f64>,
    /// When it was measured, as written in the file.
    pub measured: Option<String>,
    /// Cord at the instrument's end; zero means none, missing means unknown.
    pub launch_cord: Option<Length>,
    /// Cord at the far end; zero means none, missing means unknown.
    pub tail_cord: Option<Length>,
    /// Instrument's name.
    pub instrument: Option<String>,
    /// Instrument's serial number.
    pub serial: Option<String>,
    /// Date to which the instrument's calibration holds, as written.
    pub calibrated_until: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// Free text.
    pub note: Option<String>,
    /// Entries that the program has no use for: key and value, in file order.
    pub other: Vec<(String, String)>,
}

impl Header {
    /// Fills what is missing here from `fallback` (the file wins).
    #[must_use]
    pub fn or(mut self, fallback: &Self) -> Self {
        macro_rules! fill {
            ($($field:ident),*) => { $( if self.$field.is_none() { self.$field = fallback.$field.clone(); } )* };
        }
        fill!(
            fibre,
            cable,
            from,
            to,
            wavelength,
            pulse_width,
            group_index,
            backscatter,
            averaging_time_s,
            measured,
            launch_cord,
            tail_cord,
            instrument,
            serial,
            calibrated_until,
            operator,
            note
        );
        self
    }
}

/// Why samples and settings do not make a trace.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TraceError {
    /// A setting that scales a result is missing.
    #[error(
        "the {setting} is not given: write a line `# {setting}: {example}` into the file's header, \
         or use the option {option}"
    )]
    MissingSetting {
        /// Key of the setting in the trace text.
        setting: &'static str,
        /// A value as it would be written.
        example: &'static str,
        /// Command option that states it.
        option: &'static str,
    },
    /// A setting is outside what can be.
    #[error("the {setting} is {found}, and must lie between {min} and {max} {unit}")]
    SettingOutOfRange {
        /// Key of the setting.
        setting: &'static str,
        /// What was given.
        found: f64,
        /// Least value accepted.
        min: f64,
        /// Greatest value accepted.
        max: f64,
        /// Unit of the three.
        unit: &'static str,
    },
    /// Fewer samples than any measurement needs.
    #[error("{found} samples, and at least {needed} are needed")]
    TooFewSamples {
        /// Number of samples.
        found: usize,
        /// Least number.
        needed: usize,
    },
    /// Distances and levels are not equally many.
    #[error("{distances} distances and {levels} levels")]
    LengthsDiffer {
        /// Number of distances.
        distances: usize,
        /// Number of levels.
        levels: usize,
    },
    /// The distances do not advance by one constant spacing.
    #[error(
        "sample {index} lies at {found_m} m where even spacing of {spacing_m} m puts it at {wanted_m} m"
    )]
    UnevenSpacing {
        /// Index of the sample, from 0.
        index: usize,
        /// Its distance.
        found_m: f64,
        /// The distance it should have.
        wanted_m: f64,
        /// The common spacing.
        spacing_m: f64,
    },
    /// The distances do not grow.
    #[error(
        "distance {this_m} m at sample {index} does not exceed the one before it, {before_m} m"
    )]
    DistanceNotIncreasing {
        /// Index of the sample, from 0.
        index: usize,
        /// Its distance.
        this_m: f64,
        /// The distance before.
        before_m: f64,
    },
}

/// Fewest samples of a usable trace: two lines of eight points and an event between.
const FEWEST_SAMPLES: usize = 24;

/// A trace that can be measured: even grid, known scale-giving settings.
///
/// Invariants: distances grow evenly (to the rounding of the file);
/// wavelength, pulse width and group index are known and within range; a level
/// that the file left blank is NaN, and no level is infinite.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    header: Header,
    wavelength: Wavelength,
    pulse_width: PulseWidth,
    group_index: GroupIndex,
    distances_m: Array1<f64>,
    levels_db: Array1<f64>,
    start_m: f64,
    spacing_m: f64,
}

impl Trace {
    /// Builds a trace from a header, distances in metres from the instrument's
    /// port and levels in one-way decibels that fall along the fibre (NaN where
    /// the file has no level).
    ///
    /// # Errors
    /// [`TraceError`] when a scale-giving setting is missing or out of range,
    /// or when the distances are not an even grid.
    pub fn new(
        header: Header,
        distances_m: Array1<f64>,
        mut levels_db: Array1<f64>,
    ) -> Result<Self, TraceError> {
        if distances_m.len() != levels_db.len() {
            return Err(TraceError::LengthsDiffer {
                distances: distances_m.len(),
                levels: levels_db.len(),
            });
        }
        let wavelength = header.wavelength.ok_or(TraceError::MissingSetting {
            setting: "wavelength",
            example: "1550 nm",
            option: "--wavelength-nm",
        })?;
        let pulse_width = header.pulse_width.ok_or(TraceError::MissingSetting {
            setting: "pulse width",
            example: "100 ns",
            option: "--pulse-ns",
        })?;
        let group_index = header.group_index.ok_or(TraceError::MissingSetting {
            setting: "group index",
            example: "1.4682",
            option: "--group-index",
        })?;
        // Silica fibre guides and is measured between the visible and its infrared edge.
        in_range("wavelength", wavelength.nm(), 600.0, 2000.0, "nm")?;
        // From laboratory photon-counting pulses to the longest long-haul pulse, ten times over.
        in_range("pulse width", pulse_width.ns(), 0.01, 200_000.0, "ns")?;
        // Fluoride glass to heavily doped silica; a phase index or a permittivity falls outside.
        in_range("group index", group_index.ratio(), 1.3, 1.7, "")?;
        let (start_m, spacing_m) = even_grid(&distances_m)?;
        levels_db.mapv_inplace(|db| if db.is_finite() { db } else { f64::NAN });
        Ok(Self {
            header,
            wavelength,
            pulse_width,
            group_index,
            distances_m,
            levels_db,
            start_m,
            spacing_m,
        })
    }

    /// What the file said, missing entries filled from options.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// Wavelength of the light.
    pub fn wavelength(&self) -> Wavelength {
        self.wavelength
    }

    /// Duration of the pulse.
    pub fn pulse_width(&self) -> PulseWidth {
        self.pulse_width
    }

    /// Group index that the distances were computed with.
    pub fn group_index(&self) -> GroupIndex {
        self.group_index
    }

    /// Length of the pulse in the fibre, c·τ/(2·n).
    pub fn pulse_length(&self) -> Length {
        self.pulse_width.footprint(self.group_index)
    }

    /// Distances as the file gave them, metres from the instrument's port.
    pub fn distances_m(&self) -> &Array1<f64> {
        &self.distances_m
    }

    /// Levels in one-way decibels, NaN where the file has none.
    pub fn levels_db(&self) -> &Array1<f64> {
        &self.levels_db
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.levels_db.len()
    }

    /// Whether there is no sample; never true of a built trace.
    pub fn is_empty(&self) -> bool {
        self.levels_db.is_empty()
    }

    /// Distance between samples in metres.
    pub fn spacing_m(&self) -> f64 {
        self.spacing_m
    }

    /// Place of sample `idx` on the even grid.
    pub fn position_of(&self, idx: usize) -> Position {
        Position::from_m(self.start_m + idx as f64 * self.spacing_m)
    }

    /// Sample index of a place, as a fraction; may lie outside the trace.
    pub fn index_of(&self, position: Position) -> f64 {
        (position.m() - self.start_m) / self.spacing_m
    }
}

fn in_range(
    setting: &'static str,
    found: f64,
    min: f64,
    max: f64,
    unit: &'static str,
) -> Result<(), TraceError> {
    if (min..=max).contains(&found) {
        Ok(())
    } else {
        Err(TraceError::SettingOutOfRange {
            setting,
            found,
            min,
            max,
            unit,
        })
    }
}

/// The least and the greatest of the levels that are numbers; infinities the wrong way round
/// where none is.
pub(crate) fn range(levels_db: &[f64]) -> (f64, f64) {
    let (chunks, rest) = levels_db.as_chunks::<8>();
    let mut low = [f64::INFINITY; 8];
    let mut high = [f64::NEG_INFINITY; 8];
    // A comparison with what is no number is false.
    let mut take = |lane: usize, v: f64| {
        if let (Some(low), Some(high)) = (low.get_mut(lane), high.get_mut(lane)) {
            *low = if v < *low { v } else { *low };
            *high = if v > *high { v } else { *high };
        }
    };
    for chunk in chunks {
        for (lane, v) in chunk.iter().enumerate() {
            take(lane, *v);
        }
    }
    for v in rest {
        take(0, *v);
    }
    (
        low.into_iter().fold(f64::INFINITY, f64::min),
        high.into_iter().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// Start and spacing of the even grid through all distances.
///
/// The spacing is (last − first)/(n − 1). A file prints distances rounded, so a
/// sample may stand off the grid; half a spacing is the limit beyond which two
/// samples could have changed places. Finer doubts are the reader's to voice.
#[expect(
    clippy::needless_bitwise_bool,
    reason = "without a branch many are looked at at once"
)]
fn even_grid(distances_m: &Array1<f64>) -> Result<(f64, f64), TraceError> {
    let n = distances_m.len();
    if n < FEWEST_SAMPLES {
        return Err(TraceError::TooFewSamples {
            found: n,
            needed: FEWEST_SAMPLES,
        });
    }
    let start_m = distances_m[0];
    let spacing_m = (distances_m[n - 1] - start_m) / (n - 1) as f64;
    // What is wrong is said below, where one that is not in a row would go, too.
    let wanted_m = |index: usize| start_m + index as f64 * spacing_m;
    let is_off = |index: usize, found_m: f64| (found_m - wanted_m(index)).abs() > 0.5 * spacing_m;
    let distances = distances_m.as_standard_layout();
    let distances = distances.as_slice().unwrap_or(&[f64::NAN; 2]);
    let pairs = distances.iter().zip(distances.iter().skip(1));
    let rises = pairs.fold(true, |rises, (before, this)| rises & (this > before));
    let places = distances.iter().enumerate();
    let is_even = places.fold(true, |even, (index, d)| even & !is_off(index, *d));
    if rises && is_even {
        return Ok((start_m, spacing_m));
    }
    for (index, pair) in distances_m.windows(2).into_iter().enumerate() {
        let (before_m, this_m) = (pair[0], pair[1]);
        if this_m.is_nan() || before_m.is_nan() || this_m <= before_m {
            return Err(TraceError::DistanceNotIncreasing {
                index: index + 1,
                this_m,
                before_m,
            });
        }
    }
    for (index, &found_m) in distances_m.iter().enumerate() {
        if is_off(index, found_m) {
            return Err(TraceError::UnevenSpacing {
                index,
                found_m,
                wanted_m: wanted_m(index),
                spacing_m,
            });
        }
    }
    Ok((start_m, spacing_m))
}
