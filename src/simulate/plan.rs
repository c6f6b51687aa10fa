//! What is to be simulated: the glass, the joints and the instruments.
//!
//! A plan is built in code (every field is public) or read from a TOML file by
//! [`Plan::from_toml`]. Places along the link are metres of fibre from the
//! first connector on A's side; sequences run from A to B.

use serde::{Deserialize, Serialize};

use crate::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, Position, PulseWidth,
    Reflectance, Wavelength,
};

/// A link, its two ends, and the two measurements made of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// Cable's name.
    #[serde(default)]
    pub cable: String,
    /// Fibre's name or number.
    #[serde(default)]
    pub fibre: String,
    /// Place of end A.
    #[serde(default = "end_a_name")]
    pub from: String,
    /// Place of end B.
    #[serde(default = "end_b_name")]
    pub to: String,
    /// Wavelength of both measurements.
    #[serde(rename = "wavelength_nm")]
    pub wavelength: Wavelength,
    /// Seed used when the caller gives none.
    #[serde(default)]
    pub seed: u64,
    /// What is connected at A.
    #[serde(default)]
    pub end_a: LinkEnd,
    /// What is connected at B.
    #[serde(default)]
    pub end_b: LinkEnd,
    /// The fibres of the link from A to B, cords excluded.
    #[serde(rename = "fibres")]
    pub fibres: Vec<Fibre>,
    /// The joints between them, one fewer than there are fibres.
    #[serde(default)]
    pub joints: Vec<Joint>,
    /// Bends within the fibres.
    #[serde(default)]
    pub bends: Vec<Bend>,
    /// A place where the fibre is interrupted.
    #[serde(rename = "break", default, skip_serializing_if = "Option::is_none")]
    pub broken: Option<Break>,
    /// The measurement from A.
    pub a: Instrument,
    /// The measurement from B; missing means with A's settings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub b: Option<Instrument>,
}

/// One end of the link: its connector and what hangs on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LinkEnd {
    /// Name of the connector in the truth.
    pub name: String,
    /// Loss of the connector.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
    /// Reflectance of the connector; none means that it reflects nothing.
    #[serde(rename = "reflectance_db", skip_serializing_if = "Option::is_none")]
    pub reflectance: Option<Reflectance>,
    /// The cord at this end. Without one, this end's instrument is plugged
    /// straight into the link, and from the other end the link ends here.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cord: Option<Fibre>,
    /// Reflectance of the outermost face while the instrument is at the other
    /// end; none means a face that reflects nothing (angled or matched).
    #[serde(
        rename = "open_reflectance_db",
        skip_serializing_if = "Option::is_none"
    )]
    pub open_reflectance: Option<Reflectance>,
}

/// A piece of fibre of one kind, also a cord.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fibre {
    /// Its length.
    #[serde(rename = "length_m")]
    pub length: Length,
    /// Its attenuation.
    #[serde(rename = "attenuation_db_per_km")]
    pub attenuation: Attenuation,
    /// Backscatter coefficient at 1 ns at its end on A's side.
    #[serde(rename = "backscatter_db")]
    pub backscatter: BackscatterCoefficient,
    /// Group index of its mode.
    pub group_index: GroupIndex,
    /// Steady rise of the backscatter coefficient from A to B in dB/km
    /// (10·log10), as a mode field that slowly narrows gives.
    #[serde(default)]
    pub backscatter_drift_db_per_km: f64,
}

/// A joint between two fibres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Joint {
    /// Its name, such as the closure it lies in.
    pub name: String,
    /// Its true loss, the same in both directions.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
    /// Its reflectance; none means that it reflects nothing.
    #[serde(rename = "reflectance_db", skip_serializing_if = "Option::is_none")]
    pub reflectance: Option<Reflectance>,
}

/// Loss by curvature at one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bend {
    /// Its name.
    #[serde(default)]
    pub name: String,
    /// Where it lies.
    #[serde(rename = "at_m")]
    pub at: Position,
    /// Its loss at the plan's wavelength.
    #[serde(rename = "loss_db")]
    pub loss: Loss,
}

/// An interruption of the fibre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Break {
    /// Where it lies.
    #[serde(rename = "at_m")]
    pub at: Position,
    /// Reflectance of its faces; none means that they reflect nothing.
    #[serde(
        rename = "reflectance_db",
        default,
        skip_serializing_if = "Option::is_none"
    )]
    pub reflectance: Option<Reflectance>,
}

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

impl Default for LinkEnd {
    fn default() -> Self {
        Self {
            name: String::new(),
            loss: no_loss(),
            reflectance: None,
            cord: None,
            open_reflectance: None,
        }
    }
}

impl Default for Joint {
    fn default() -> Self {
        Self {
            name: String::new(),
            loss: no_loss(),
            reflectance: None,
        }
    }
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

impl Fibre {
    /// A piece of fibre whose backscatter does not drift.
    pub const fn new(
        length: Length,
        attenuation: Attenuation,
        backscatter: BackscatterCoefficient,
        group_index: GroupIndex,
    ) -> Self {
        Self {
            length,
            attenuation,
            backscatter,
            group_index,
            backscatter_drift_db_per_km: 0.0,
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

impl Plan {
    /// A plan of one wavelength with the given fibres and A's instrument;
    /// joints without loss, no cords, the same instrument at B.
    pub fn new(wavelength: Wavelength, fibres: Vec<Fibre>, a: Instrument) -> Self {
        let joints = vec![Joint::default(); fibres.len().saturating_sub(1)];
        Self {
            cable: String::new(),
            fibre: String::new(),
            from: end_a_name(),
            to: end_b_name(),
            wavelength,
            seed: 0,
            end_a: LinkEnd::default(),
            end_b: LinkEnd::default(),
            fibres,
            joints,
            bends: Vec::new(),
            broken: None,
            a,
            b: None,
        }
    }

    /// B's instrument, which is A's where the plan gives none.
    pub fn instrument_b(&self) -> &Instrument {
        self.b.as_ref().unwrap_or(&self.a)
    }

    /// True length of the link between its first and last connector.
    pub fn length(&self) -> Length {
        self.fibres
            .iter()
            .fold(no_length(), |sum, fibre| sum + fibre.length)
    }
}

fn end_a_name() -> String {
    "A".to_owned()
}

fn end_b_name() -> String {
    "B".to_owned()
}

const fn sixty_seconds() -> f64 {
    60.0
}

const fn no_length() -> Length {
    Length::from_m(0.0)
}

const fn no_loss() -> Loss {
    Loss::from_db(0.0)
}

const fn yes() -> bool {
    true
}
