//! What is to be simulated of a whole cable.

use serde::{Deserialize, Serialize};

use super::faults::Fault;
use super::splicing::Splicing;
use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength,
};

/// A cable, what varies from fibre to fibre in it, its two measurements, and the
/// faults planted in it.
///
/// Chainages are metres along the cable's route from end A, slack loops left out.
/// Fibres, and the fibres of faults, are numbered from 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CablePlan {
    /// Cable's name.
    pub cable: String,
    /// Place of end A.
    pub from: String,
    /// Place of end B.
    pub to: String,
    /// Seed used when the caller gives none.
    #[serde(default)]
    pub seed: u64,
    /// Number of fibres.
    pub fibres: usize,
    /// Fibres of one tube.
    #[serde(default = "twelve")]
    pub fibres_per_tube: usize,
    /// Names of the tubes in order; missing ones are numbered.
    #[serde(default)]
    pub tubes: Vec<String>,
    /// Colours of the fibres of one tube in order; missing ones are numbered.
    #[serde(default)]
    pub colours: Vec<String>,
    /// Length of the route from end A to end B.
    #[serde(rename = "route_m")]
    pub route: Length,
    /// Metres of fibre in a metre of cable, the same for all fibres.
    #[serde(default = "one")]
    pub helix_factor: f64,
    /// Least and greatest excess of one fibre over that, as a share of its length.
    #[serde(default = "usual_excess")]
    pub excess_fibre: (f64, f64),
    /// Length of the cords at A and at B.
    #[serde(rename = "cords_m")]
    pub cords: (Length, Length),
    /// The closures from A to B.
    pub closures: Vec<Closure>,
    /// The reels of cable from A to B, one more than closures; missing means all alike.
    #[serde(default)]
    pub reels: Vec<Reel>,
    /// The wavelengths measured.
    pub wavelengths: Vec<CableWavelength>,
    /// What varies from fibre to fibre.
    #[serde(default)]
    pub spread: Spread,
    /// The instrument of all measurements.
    pub instrument: CableInstrument,
    /// The splicing machines; with them, their log is written too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub splicing: Option<Splicing>,
    /// The faults.
    #[serde(default)]
    pub faults: Vec<Fault>,
}

/// A closure on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Closure {
    /// Its name.
    pub name: String,
    /// Its place along the route.
    #[serde(rename = "chainage_m")]
    pub chainage: Length,
    /// Fibre coiled at it, half on each side of the joints.
    #[serde(rename = "slack_m", default = "no_length")]
    pub slack: Length,
}

/// A reel of cable: one stretch between two closures or an end.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Reel {
    /// Mean mode-field diameter of its fibres less the cable's, in micrometres.
    pub mode_field_change_um: f64,
    /// Mean attenuation of its fibres less the wavelength's, in dB/km.
    pub attenuation_change_db_per_km: f64,
}

/// One wavelength of the measurements and the cable's mean fibre at it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CableWavelength {
    /// The wavelength.
    #[serde(rename = "nm")]
    pub wavelength: Wavelength,
    /// Mean attenuation.
    #[serde(rename = "attenuation_db_per_km")]
    pub attenuation: Attenuation,
    /// Mean backscatter coefficient at 1 ns.
    #[serde(rename = "backscatter_db")]
    pub backscatter: BackscatterCoefficient,
    /// Mean group index, which the instrument is set to.
    pub group_index: GroupIndex,
}

/// What varies from fibre to fibre. All values are invented, of a size that
/// practice knows; standard deviations unless they say otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Spread {
    /// Mean mode-field diameter in micrometres; only ratios to it matter.
    pub mode_field_mean_um: f64,
    /// Mode-field diameter of one fibre in one reel, micrometres.
    pub mode_field_um: f64,
    /// Backscatter coefficient apart from what the mode field does, dB, drawn
    /// anew for each wavelength.
    pub backscatter_db: f64,
    /// Attenuation of one fibre in one reel, dB/km.
    pub attenuation_db_per_km: f64,
    /// Group index of one fibre in one reel.
    pub group_index: f64,
    /// Fibre cut away or left over at a joint, metres.
    pub trim_m: f64,
    /// Median of the workmanship share of a splice's loss, dB.
    pub splice_median_db: f64,
    /// Standard deviation of its natural logarithm.
    pub splice_log_sd: f64,
    /// Greatest workmanship share of a splice that is not planted as a fault, dB.
    pub splice_most_db: f64,
    /// Least and greatest loss of a connector, dB.
    pub connector_loss_db: (f64, f64),
    /// Least and greatest reflectance of a connector, dB.
    pub connector_reflectance_db: (f64, f64),
}

/// The instrument of all measurements of a cable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CableInstrument {
    /// Duration of the pulse.
    #[serde(rename = "pulse_ns")]
    pub pulse_width: PulseWidth,
    /// Samples of one trace, about.
    pub samples: usize,
    /// Averaging time in seconds.
    #[serde(default = "sixty_seconds")]
    pub averaging_time_s: f64,
    /// Backscatter at the port over the rms of the noise, one-way dB, for this
    /// pulse and averaging time.
    pub dynamic_range_db: f64,
    /// Time constant of the receiver in nanoseconds.
    #[serde(default)]
    pub time_constant_ns: f64,
    /// Correlation of neighbouring samples of the noise.
    #[serde(default)]
    pub colour: f64,
    /// Contrast of the fading, which averaging does not reduce.
    #[serde(default)]
    pub fading_contrast: f64,
    /// Levels are multiples of this, dB.
    #[serde(default = "thousandth")]
    pub step_db: f64,
    /// When it was measured, as every file states it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<String>,
    /// Who measured, in the files.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
}

impl Default for Spread {
    fn default() -> Self {
        Self {
            mode_field_mean_um: 9.2,
            mode_field_um: 0.05,
            backscatter_db: 0.03,
            attenuation_db_per_km: 0.003,
            group_index: 3e-5,
            trim_m: 0.3,
            splice_median_db: 0.03,
            splice_log_sd: 0.4,
            splice_most_db: 0.08,
            connector_loss_db: (0.1, 0.35),
            connector_reflectance_db: (-60.0, -50.0),
        }
    }
}

impl CablePlan {
    /// A fibre's number as files name it: three digits at least.
    pub fn fibre_name(fibre: usize) -> String {
        format!("{fibre:03}")
    }

    /// Index of the tube that a fibre lies in, counted from 0.
    pub fn tube_of(&self, fibre: usize) -> usize {
        fibre.saturating_sub(1) / self.fibres_per_tube.max(1)
    }

    /// Name of the tube that a fibre lies in.
    pub fn tube_name(&self, fibre: usize) -> String {
        let idx = self.tube_of(fibre);
        (self.tubes.get(idx)).map_or_else(|| format!("tube {}", idx + 1), Clone::clone)
    }

    /// Name of a fibre's colour within its tube.
    pub fn colour_name(&self, fibre: usize) -> String {
        let idx = fibre.saturating_sub(1) % self.fibres_per_tube.max(1);
        (self.colours.get(idx)).map_or_else(|| format!("colour {}", idx + 1), Clone::clone)
    }

    /// Index of a closure by its name.
    pub(super) fn closure_idx(&self, name: &str) -> Option<usize> {
        self.closures
            .iter()
            .position(|closure| closure.name == name)
    }

    /// Chainages where stretches begin and end: A, every closure, B.
    pub(super) fn stops_m(&self) -> Vec<f64> {
        let mut stops = vec![0.0];
        stops.extend(self.closures.iter().map(|closure| closure.chainage.m()));
        stops.push(self.route.m());
        stops
    }
}

const fn twelve() -> usize {
    12
}

const fn one() -> f64 {
    1.0
}

const fn usual_excess() -> (f64, f64) {
    (0.001, 0.003)
}

const fn no_length() -> Length {
    Length::from_m(0.0)
}

const fn sixty_seconds() -> f64 {
    60.0
}

const fn thousandth() -> f64 {
    0.001
}
