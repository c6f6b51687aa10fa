//! What a contract or standard asks for.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::{Attenuation, Length, Loss, Reflectance, ReturnLoss, Wavelength};

/// Acceptance limits; what is missing is not asked for.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Name that results show.
    pub name: String,
    /// Two-way loss of a splice.
    pub splice_loss: Option<LossLimit>,
    /// Two-way loss of a mated pair of connectors.
    pub connector_loss: Option<LossLimit>,
    /// Mean two-way loss of a fibre's splices.
    pub mean_per_fibre: Option<LossLimit>,
    /// Mean two-way loss of all fibres' splices in one closure.
    pub mean_per_closure: Option<LossLimit>,
    /// How many splices of a fibre may exceed a softer limit.
    pub splices_over: Option<CountLimit>,
    /// Reflectance of a reflective event.
    pub reflectance: Option<ReflectanceLimit>,
    /// Optical return loss of the link, from either end.
    pub orl: Option<ReturnLossLimit>,
    /// Attenuation of a section, by wavelength; of several bands that hold a
    /// wavelength, the lowest limit counts.
    pub section_attenuation: Vec<AttenuationLimit>,
    /// Loss of the whole link, by wavelength; of several, the lowest counts.
    pub link_loss: Vec<LinkLossLimit>,
}

/// A greatest loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LossLimit {
    /// The loss may not be above this.
    #[serde(rename = "max_db")]
    pub max: Loss,
    /// Who asks for it: a standard's number, "contract value", "from memory".
    pub source: String,
}

/// How many splices may exceed a loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CountLimit {
    /// The softer limit.
    #[serde(rename = "over_db")]
    pub over: Loss,
    /// So many splices of a fibre may be above it.
    pub at_most: usize,
    /// Who asks for it.
    pub source: String,
}

/// A greatest reflectance (the least negative that is allowed).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReflectanceLimit {
    /// The reflectance may not be above this.
    #[serde(rename = "max_db")]
    pub max: Reflectance,
    /// Standard error of a reflectance in dB; missing means the usual one for
    /// the origin of the backscatter coefficient.
    pub std_error_db: Option<f64>,
    /// Who asks for it.
    pub source: String,
}

/// A least return loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReturnLossLimit {
    /// The return loss may not be below this.
    #[serde(rename = "min_db")]
    pub min: ReturnLoss,
    /// Standard error of a return loss in dB; missing means the usual one for
    /// the origin of the backscatter coefficient.
    pub std_error_db: Option<f64>,
    /// Who asks for it.
    pub source: String,
}

/// Wavelengths that a limit is for, both ends included; a missing end is open.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Band {
    /// Shortest wavelength.
    #[serde(rename = "from_nm")]
    pub from: Option<Wavelength>,
    /// Longest wavelength.
    #[serde(rename = "to_nm")]
    pub to: Option<Wavelength>,
}

/// A greatest attenuation of a section.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AttenuationLimit {
    /// Wavelengths that it is for.
    #[serde(flatten)]
    pub band: Band,
    /// The attenuation may not be above this.
    #[serde(rename = "max_db_per_km")]
    pub max: Attenuation,
    /// Shorter sections are not judged; missing means that all are.
    #[serde(rename = "least_length_m")]
    pub least_length: Option<Length>,
    /// Who asks for it.
    pub source: String,
}

/// A greatest loss of the whole link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LinkLossLimit {
    /// Wavelengths that it is for.
    #[serde(flatten)]
    pub band: Band,
    /// The greatest loss, or how to add it up.
    #[serde(flatten)]
    pub bound: LossBound,
    /// Who asks for it.
    pub source: String,
}

/// The greatest loss of a link, fixed or added up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum LossBound {
    /// One value, however long the link.
    Fixed {
        /// The loss may not be above this.
        #[serde(rename = "max_db")]
        max: Loss,
    },
    /// A budget from counts and length.
    Budget {
        /// For each splice.
        #[serde(rename = "per_splice_db")]
        per_splice: Loss,
        /// For each mated pair of connectors.
        #[serde(rename = "per_connector_db")]
        per_connector: Loss,
        /// For each kilometre of fibre.
        #[serde(rename = "per_km_db")]
        per_km: Attenuation,
        /// Added once.
        #[serde(rename = "plus_db")]
        plus: Loss,
        /// Number of splices; missing means those that were found.
        splices: Option<usize>,
        /// Number of mated pairs of connectors; missing means those that were found.
        connectors: Option<usize>,
    },
}

impl Band {
    /// Whether the limit is for this wavelength.
    pub fn holds(&self, wavelength: Wavelength) -> bool {
        self.from.is_none_or(|from| from <= wavelength) && self.to.is_none_or(|to| wavelength <= to)
    }
}

impl Limits {
    /// The limit on a section's attenuation at a wavelength: the lowest of those that hold it.
    pub fn section_attenuation_at(&self, wavelength: Wavelength) -> Option<&AttenuationLimit> {
        self.section_attenuation
            .iter()
            .filter(|limit| limit.band.holds(wavelength))
            .min_by(|one, other| one.max.db_per_km().total_cmp(&other.max.db_per_km()))
    }

    /// Whether anything is asked for.
    pub fn is_empty(&self) -> bool {
        let nothing = Self {
            name: self.name.clone(),
            ..Self::default()
        };
        *self == nothing
    }
}
