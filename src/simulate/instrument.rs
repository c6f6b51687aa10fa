//! One direction's instrument: settings, receiver, noise and display.

use serde::{Deserialize, Serialize};

use super::plan::{Fibre, no_length, no_loss};
use crate::units::{BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance};

/// One direction's instrument, its settings and its faults.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// Duration of the pulse.
    #[serde(rename = "pulse_ns")]
    pub pulse_width: PulseWidth,
    /// Displayed distance between samples.
    #[serde(rename = "spacing_m")]
    pub spacing: Length,
    /// Displayed distance of the last sample; missing means a tenth beyond the
    /// outermost face, so that the noise shows.
    #[serde(rename = "range_m", default, skip_serializing_if = "Option::is_none")]
    pub range: Option<Length>,
    /// Averaging time in seconds.
    #[serde(default = "sixty_seconds")]
    pub averaging_time_s: f64,
    /// Group index that the displayed distances are computed with.
    pub group_index: GroupIndex,
    /// Displayed distance of the instrument's port less its true one (zero).
    #[serde(rename = "zero_error_m", default = "no_length")]
    pub zero_error: Length,
    /// Backscatter coefficient that the file states; missing means not stated.
    #[serde(
        rename = "stated_backscatter_db",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub stated_backscatter: Option<BackscatterCoefficient>,
    /// Loss of the instrument's port.
    #[serde(rename = "port_loss_db", default = "no_loss")]
    pub port_loss: Loss,
    /// Reflectance of the instrument's port; none means that it reflects nothing.
    #[serde(
        rename = "port_reflectance_db",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub port_reflectance: Option<Reflectance>,
    /// Cord that this measurement uses at its own end instead of the link
    /// end's (a tester who carries the launch cord along).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub launch_cord: Option<Fibre>,
    /// Cord that this measurement finds at the far end instead of the link end's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tail_cord: Option<Fibre>,
    /// The receiver after the detector.
    #[serde(default)]
    pub receiver: Receiver,
    /// Noise that averaging reduces.
    #[serde(default)]
    pub noise: Noise,
    /// Noise that averaging does not reduce.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fading: Option<Fading>,
    /// Whether light that is reflected three or five times is drawn.
    #[serde(default = "yes")]
    pub echoes: bool,
    /// How power becomes the numbers of the file.
    #[serde(default)]
    pub display: Display,
    /// When it was measured, as the file states it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<String>,
    /// Instrument's name in the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument: Option<String>,
    /// Instrument's serial number in the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Date of the instrument's calibration in the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibrated_until: Option<String>,
    /// Who measured, in the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
}

/// The receiver: one pole, a ceiling, and slow recovery.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Receiver {
    /// Time constant of the one pole in nanoseconds; zero means an instant receiver.
    pub time_constant_ns: f64,
    /// Ceiling of the power, in one-way dB above the backscatter at the port;
    /// none means that nothing is clipped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ceiling_above_start_db: Option<f64>,
    /// Slow exponentials that follow strong light.
    pub tails: Vec<Tail>,
}

/// A slow exponential of the receiver.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tail {
    /// Share of the driving power that comes late.
    pub share: f64,
    /// Time constant in nanoseconds.
    pub time_constant_ns: f64,
    /// What drives it.
    #[serde(default)]
    pub after: TailDrive,
}

/// What drives a [`Tail`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TailDrive {
    /// The power above the receiver's ceiling: recovery from overload.
    #[default]
    Overload,
    /// All power: a receiver that is not quite linear in time.
    Everything,
}

/// Gaussian noise of the averaged trace, in linear power.
///
/// At most one of `dynamic_range_db` and `level_db` is given; with neither
/// there is no noise.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Noise {
    /// Backscatter at the port over the root mean square of the noise, one-way
    /// dB (5·log10), at the pulse width and averaging time of the next two.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dynamic_range_db: Option<f64>,
    /// Pulse width for which the dynamic range holds; missing means the one in use.
    #[serde(
        rename = "dynamic_range_pulse_ns",
        skip_serializing_if = "Option::is_none"
    )]
    pub dynamic_range_pulse: Option<PulseWidth>,
    /// Averaging time for which the dynamic range or level holds; missing
    /// means the one in use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference_averaging_s: Option<f64>,
    /// Root mean square of the noise on the display's scale, 5·log10 of power
    /// against launched power.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_db: Option<f64>,
    /// Variance of the shot noise over that of the constant noise, at the
    /// power of the backscatter at the port.
    pub shot_at_start: f64,
    /// Correlation of neighbouring samples of the constant noise, 0 ≤ ρ < 1.
    pub colour: f64,
}

/// Coherent fading: the backscatter is multiplied by a random texture that
/// keeps its value over about one pulse and does not average away.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fading {
    /// Standard deviation of the factor whose mean is 1.
    pub contrast: f64,
    /// Distribution of the factor.
    #[serde(default)]
    pub distribution: FadingDistribution,
}

/// Distribution of the fading factor.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FadingDistribution {
    /// Sum of many independent exponential intensities; never negative.
    #[default]
    Gamma,
    /// Normal.
    Gaussian,
}

/// How power becomes the numbers of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Display {
    /// Added to 5·log10 of received over launched power.
    pub offset_db: f64,
    /// Levels are multiples of this; none means unrounded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step_db: Option<f64>,
    /// What a sample at or below zero power becomes.
    pub below_zero: BelowZero,
    /// Lowest level shown with [`BelowZero::Floor`], in one-way dB below the
    /// backscatter at the port.
    pub floor_below_start_db: f64,
}

/// What a sample at or below zero power becomes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BelowZero {
    /// No level.
    #[default]
    Blank,
    /// The lowest level that the instrument shows.
    Floor,
    /// The level of its absolute value.
    Absolute,
}

impl Default for Display {
    fn default() -> Self {
        Self {
            offset_db: 0.0,
            step_db: None,
            below_zero: BelowZero::Blank,
            // Beyond the dynamic range of the settings of any sample plan.
            floor_below_start_db: 45.0,
        }
    }
}

impl Instrument {
    /// An ideal instrument: no noise, an instant receiver, unrounded levels.
    pub fn ideal(pulse_width: PulseWidth, spacing: Length, group_index: GroupIndex) -> Self {
        Self {
            pulse_width,
            spacing,
            range: None,
            averaging_time_s: sixty_seconds(),
            group_index,
            zero_error: no_length(),
            stated_backscatter: None,
            port_loss: no_loss(),
            port_reflectance: None,
            launch_cord: None,
            tail_cord: None,
            receiver: Receiver::default(),
            noise: Noise::default(),
            fading: None,
            echoes: true,
            display: Display::default(),
            measured: None,
            instrument: None,
            serial: None,
            calibrated_until: None,
            operator: None,
        }
    }
}

const fn sixty_seconds() -> f64 {
    60.0
}

const fn yes() -> bool {
    true
}
