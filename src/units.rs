//! Quantities with their unit and sign rule in the type.
//!
//! A number that crosses a module boundary is one of these; numeric kernels
//! and sample arrays hold plain `f64` with the unit in the name. Only the
//! operators that mean something physically exist: a [`Position`] minus a
//! [`Position`] is a [`Length`], and two positions cannot be added.

use std::ops::{Add, Mul, Neg, Sub};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Speed of light in vacuum, m/s; exact by the definition of the metre (SI, 1983).
pub const SPEED_OF_LIGHT_M_PER_S: f64 = 299_792_458.0;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $to:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            #[doc = concat!("A `", stringify!($name), "` from its value in the unit of the function's name.")]
            pub const fn $from(value: f64) -> Self {
                Self(value)
            }

            /// The value in the unit of the function's name.
            pub const fn $to(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// A point along the fibre, in metres from the zero of its axis; which
    /// axis (the instrument's port, or the first connector of the link on A's
    /// side) is said by whatever holds it.
    Position,
    from_m,
    m
);
quantity!(
    /// A distance between two [`Position`]s, in metres.
    Length,
    from_m,
    m
);
quantity!(
    /// A level of the trace in one-way decibels, 5·log10 of received power on
    /// the trace's own scale: only differences mean anything.
    Level,
    from_db,
    db
);
quantity!(
    /// Power lost between two points, in one-way decibels; positive when power
    /// falls, negative for a gain.
    Loss,
    from_db,
    db
);
quantity!(
    /// Power reflected at one point against the power arriving there, in
    /// decibels; negative.
    Reflectance,
    from_db,
    db
);
quantity!(
    /// Optical return loss of a whole link in decibels; positive.
    ReturnLoss,
    from_db,
    db
);
quantity!(
    /// Attenuation coefficient in dB/km; positive when power falls.
    Attenuation,
    from_db_per_km,
    db_per_km
);
quantity!(
    /// Wavelength in vacuum, in nanometres.
    Wavelength,
    from_nm,
    nm
);
quantity!(
    /// Duration of the light pulse in nanoseconds.
    PulseWidth,
    from_ns,
    ns
);
quantity!(
    /// Group index of the fibre's mode, c divided by the group velocity.
    GroupIndex,
    from_ratio,
    ratio
);
quantity!(
    /// Backscattered power of a pulse of 1 ns against its launched power, in
    /// decibels (10·log10); negative.
    BackscatterCoefficient,
    from_db,
    db
);

impl Length {
    /// A length from kilometres.
    pub const fn from_km(km: f64) -> Self {
        Self(km * 1000.0)
    }

    /// The length in kilometres.
    pub const fn km(self) -> f64 {
        self.0 / 1000.0
    }
}

impl Sub for Position {
    type Output = Length;
    fn sub(self, rhs: Self) -> Length {
        Length(self.0 - rhs.0)
    }
}

impl Add<Length> for Position {
    type Output = Self;
    fn add(self, rhs: Length) -> Self {
        Self(self.0 + rhs.0)
    }
}

impl Sub<Length> for Position {
    type Output = Self;
    fn sub(self, rhs: Length) -> Self {
        Self(self.0 - rhs.0)
    }
}

impl Add for Length {
    type Output = Self;
    fn add(self, rhs: Self) -> Self {
        Self(self.0 + rhs.0)
    }
}

impl Sub for Length {
    type Output = Self;
    fn sub(self, rhs: Self) -> Self {
        Self(self.0 - rhs.0)
    }
}

impl Sub for Level {
    type Output = Loss;
    fn sub(self, rhs: Self) -> Loss {
        Loss(self.0 - rhs.0)
    }
}

impl Add for Loss {
    type Output = Self;
    fn add(self, rhs: Self) -> Self {
        Self(self.0 + rhs.0)
    }
}

impl Sub for Loss {
    type Output = Self;
    fn sub(self, rhs: Self) -> Self {
        Self(self.0 - rhs.0)
    }
}

impl Neg for Loss {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl Mul<Length> for Attenuation {
    type Output = Loss;
    fn mul(self, rhs: Length) -> Loss {
        Loss(self.0 * rhs.km())
    }
}

impl PulseWidth {
    /// Length of fibre that answers at one instant, c·τ/(2·n) metres.
    ///
    /// # Source
    /// Round trip: light sent during τ comes back together from c·τ/(2·n).
    ///
    /// ```
    /// use bothends::units::{GroupIndex, PulseWidth};
    /// let w = PulseWidth::from_ns(100.0).footprint(GroupIndex::from_ratio(1.468));
    /// assert!((w.m() - 10.21).abs() < 0.005);
    /// ```
    pub fn footprint(self, group_index: GroupIndex) -> Length {
        Length(SPEED_OF_LIGHT_M_PER_S * self.0 * 1e-9 / (2.0 * group_index.0))
    }
}

/// A measured value and its standard uncertainty.
///
/// `std_error` is `None` where too few samples were left to know it; it is
/// never 0 in its place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured<Q, E = Q> {
    /// The value.
    pub value: Q,
    /// One standard deviation of the value's error.
    pub std_error: Option<E>,
}

/// A quantity that was looked for and could not be measured, with the reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("not measured: {reason}")]
pub struct NotMeasured {
    /// Why, in words for a technician.
    pub reason: String,
}

impl NotMeasured {
    /// A missing value with its reason.
    pub fn because(reason: impl Into<String>) -> Self {
        Self {
            reason: reason.into(),
        }
    }
}

/// A value with its error, or the reason why there is none.
pub type Measurement<Q, E = Q> = Result<Measured<Q, E>, NotMeasured>;
