//! What a measurement was set to, so that it can be made again from the raw traces.

use serde::{Deserialize, Serialize};

use crate::both_ways::{self, CombineError, Combined, KnownJoint};
use crate::detect::DetectSettings;
use crate::read::{self, ParseError, Recipe, RecipeError};
use crate::trace::{Header, Trace, TraceError};
use crate::units::{BackscatterCoefficient, GroupIndex, Length, Position, PulseWidth, Wavelength};
use crate::verdict::{DEFAULT_COVERAGE, Judged, Limits, LimitsError, judge};
use crate::warning::Warning;

/// Settings that were given where files lack them.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GivenSettings {
    /// Wavelength.
    pub wavelength_nm: Option<f64>,
    /// Pulse width.
    pub pulse_width_ns: Option<f64>,
    /// Group index.
    pub group_index: Option<f64>,
    /// Backscatter coefficient at 1 ns.
    pub backscatter_db: Option<f64>,
    /// Cord at the instrument's end.
    pub launch_cord_m: Option<f64>,
    /// Cord at the far end.
    pub tail_cord_m: Option<f64>,
}

impl From<&Header> for GivenSettings {
    fn from(header: &Header) -> Self {
        Self {
            wavelength_nm: header.wavelength.map(Wavelength::nm),
            pulse_width_ns: header.pulse_width.map(PulseWidth::ns),
            group_index: header.group_index.map(GroupIndex::ratio),
            backscatter_db: header.backscatter.map(BackscatterCoefficient::db),
            launch_cord_m: header.launch_cord.map(Length::m),
            tail_cord_m: header.tail_cord.map(Length::m),
        }
    }
}

impl GivenSettings {
    /// The header that fills what a file lacks.
    pub fn header(&self) -> Header {
        Header {
            wavelength: self.wavelength_nm.map(Wavelength::from_nm),
            pulse_width: self.pulse_width_ns.map(PulseWidth::from_ns),
            group_index: self.group_index.map(GroupIndex::from_ratio),
            backscatter: self.backscatter_db.map(BackscatterCoefficient::from_db),
            launch_cord: self.launch_cord_m.map(Length::from_m),
            tail_cord: self.tail_cord_m.map(Length::from_m),
            ..Header::default()
        }
    }
}

/// A joint that was named beforehand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedPlace {
    /// Name of the joint.
    pub name: String,
    /// Its place on A's axis.
    pub position_m: f64,
}

impl From<&KnownJoint> for NamedPlace {
    fn from(joint: &KnownJoint) -> Self {
        Self {
            name: joint.name.clone(),
            position_m: joint.position.m(),
        }
    }
}

/// Everything that a link's result depends on beside its two raw traces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinkSetup {
    /// What was given for the trace from A.
    pub a: GivenSettings,
    /// What was given for the trace from B.
    pub b: GivenSettings,
    /// Text of the recipe that the files were read by.
    pub recipe: Option<String>,
    /// False events allowed in 1,000 km.
    pub false_events_per_1000_km: f64,
    /// Known length.
    pub length_m: Option<f64>,
    /// Whether the fibre was said to be broken.
    pub broken: bool,
    /// Known joints.
    pub joints: Vec<NamedPlace>,
    /// Whether names that contradict were accepted.
    pub accept_pairing: bool,
    /// The limits as TOML, if any were asked for.
    pub limits: Option<String>,
    /// Standard errors that a value keeps from its limit.
    pub coverage: Option<f64>,
}

/// A link measured again, and judged if it was.
#[derive(Debug, Clone, PartialEq)]
pub struct Again {
    /// What was measured.
    pub combined: Combined,
    /// Every value held against a limit.
    pub judged: Option<Judged>,
}

/// Why a link could not be measured again.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SetupError {
    /// The limits of the manifest are none.
    #[error("the limits cannot be read")]
    Limits(#[from] LimitsError),
    /// The recipe of the manifest is none.
    #[error("the recipe cannot be read")]
    Recipe(#[from] RecipeError),
    /// A raw trace cannot be read.
    #[error("{file} cannot be read")]
    Parse {
        /// Name of the trace's file.
        file: String,
        /// Where and why.
        source: Box<ParseError>,
    },
    /// A raw trace holds none or several traces.
    #[error("{file} holds {found} traces, and one is wanted")]
    Traces {
        /// Name of the trace's file.
        file: String,
        /// How many it holds.
        found: usize,
    },
    /// What a file holds is no usable trace.
    #[error("{file} is not a usable trace")]
    Trace {
        /// Name of the trace's file.
        file: String,
        /// What is wrong.
        source: TraceError,
    },
    /// The two traces are no pair.
    #[error(transparent)]
    Combine(#[from] CombineError),
}

impl LinkSetup {
    /// The settings of the two-way measurement.
    pub fn settings(&self) -> both_ways::Settings {
        both_ways::Settings {
            detect: DetectSettings {
                false_events_per_1000_km: self.false_events_per_1000_km,
            },
            known_length: self.length_m.map(Length::from_m),
            broken: self.broken,
            known_joints: self
                .joints
                .iter()
                .map(|joint| KnownJoint {
                    name: joint.name.clone(),
                    position: Position::from_m(joint.position_m),
                    may_be_off: None,
                })
                .collect(),
            accept_pairing: self.accept_pairing,
        }
    }

    /// Measures a link from the bytes of its two files, each with the name that
    /// doubts show.
    ///
    /// # Errors
    /// [`SetupError`] when a file cannot be read or the two are no pair.
    pub fn measure(&self, a: (&str, &[u8]), b: (&str, &[u8])) -> Result<Again, SetupError> {
        let recipe = match &self.recipe {
            Some(text) => Recipe::from_toml(text)?,
            None => Recipe::default(),
        };
        let (a, b) = rayon::join(
            || one_trace(a, &self.a.header(), &recipe),
            || one_trace(b, &self.b.header(), &recipe),
        );
        let ((a, doubts_a), (b, doubts_b)) = (a?, b?);
        let mut combined = both_ways::combine(&a, &b, &self.settings())?;
        combined.link.warnings.extend(doubts_a);
        combined.link.warnings.extend(doubts_b);
        let limits = match &self.limits {
            Some(text) => Some(Limits::from_toml(text, "limits")?),
            None => None,
        };
        let judged = limits.map(|limits| {
            let coverage = self.coverage.unwrap_or(DEFAULT_COVERAGE);
            judge(&mut combined.link, &limits, coverage)
        });
        Ok(Again { combined, judged })
    }
}

/// The one trace of a file, and the reader's doubts with the file's name.
fn one_trace(
    (file, bytes): (&str, &[u8]),
    given: &Header,
    recipe: &Recipe,
) -> Result<(Trace, Vec<Warning>), SetupError> {
    let mut content =
        read::from_bytes_with_recipe(bytes, given, recipe).map_err(|source| SetupError::Parse {
            file: file.to_owned(),
            source: Box::new(source),
        })?;
    let found = content.traces.len();
    let (Some(trace), 1) = (content.traces.pop(), found) else {
        return Err(SetupError::Traces {
            file: file.to_owned(),
            found,
        });
    };
    let trace = trace
        .into_trace(given)
        .map_err(|source| SetupError::Trace {
            file: file.to_owned(),
            source,
        })?;
    let doubts = content
        .warnings
        .into_iter()
        .map(|doubt| Warning::new(doubt.code, format!("{file}: {}", doubt.message)))
        .collect();
    Ok((trace, doubts))
}
