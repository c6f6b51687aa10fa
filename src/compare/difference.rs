//! One quantity before and after.

use statrs::function::erf::erfc;

/// Standard errors that a difference must exceed to count as a change.
///
/// At 3, one unchanged joint in 370 shows as changed by chance: a cable of 300
/// joints has one.
pub const DEFAULT_COVERAGE: f64 = 3.0;

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Two-way loss of a joint.
    JointLoss,
    /// Reflectance seen from A.
    ReflectanceFromA,
    /// Reflectance seen from B.
    ReflectanceFromB,
    /// Attenuation of a section.
    SectionAttenuation,
    /// Length of the link.
    Length,
    /// Loss of the link.
    LinkLoss,
}

impl Quantity {
    /// The quantity in words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::JointLoss => "joint loss",
            Self::ReflectanceFromA => "reflectance from A",
            Self::ReflectanceFromB => "reflectance from B",
            Self::SectionAttenuation => "attenuation of a section",
            Self::Length => "length",
            Self::LinkLoss => "link loss",
        }
    }

    /// Step of the numbers that results are printed with.
    const fn step(self) -> f64 {
        match self {
            Self::Length | Self::ReflectanceFromA | Self::ReflectanceFromB => 0.01,
            Self::JointLoss | Self::SectionAttenuation | Self::LinkLoss => 1e-4,
        }
    }

    /// Its unit.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::SectionAttenuation => "dB/km",
            Self::Length => "m",
            _ => "dB",
        }
    }
}

/// What came of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Worse beyond the combined uncertainty.
    Worse,
    /// Better beyond it.
    Better,
    /// Changed beyond it, neither better nor worse.
    Changed,
    /// Only after.
    New,
    /// Only before.
    Vanished,
    /// Missing on a side, or not the same thing on both.
    NotComparable,
    /// No change that the uncertainty would let show.
    Unchanged,
}

impl Outcome {
    /// The outcome in words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Worse => "worse",
            Self::Better => "better",
            Self::Changed => "changed",
            Self::New => "new",
            Self::Vanished => "vanished",
            Self::NotComparable => "not comparable",
            Self::Unchanged => "unchanged",
        }
    }
}

/// A value and its standard error; either may be missing.
pub(super) type Side = (Option<f64>, Option<f64>);

/// One quantity before and after; numbers in the unit of [`Quantity::unit`].
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// What is compared.
    pub quantity: Quantity,
    /// Name of the joint, where one is known.
    pub joint: Option<String>,
    /// Number of the event before.
    pub number_before: Option<usize>,
    /// Number of the event after.
    pub number_after: Option<usize>,
    /// Place before: metres from A.
    pub at_before_m: Option<f64>,
    /// Place after.
    pub at_after_m: Option<f64>,
    /// Value and standard error before.
    pub before: Side,
    /// Value and standard error after.
    pub after: Side,
    /// After less before, and its standard error.
    pub change: Side,
    /// What came of it.
    pub outcome: Outcome,
    /// Why, where it is not plain.
    pub reason: Option<String>,
}

impl Difference {
    pub(super) fn new(quantity: Quantity) -> Self {
        Self {
            quantity,
            joint: None,
            number_before: None,
            number_after: None,
            at_before_m: None,
            at_after_m: None,
            before: (None, None),
            after: (None, None),
            change: (None, None),
            outcome: Outcome::NotComparable,
            reason: None,
        }
    }

    /// Decides by the difference and √(u²+u²); `shift` is taken off the value after.
    ///
    /// Both values were rounded to be printed: each is off by anything up to half a step,
    /// which is a standard deviation of step/√12.
    pub(super) fn decided(mut self, before: Side, after: Side, shift: f64, coverage: f64) -> Self {
        (self.before, self.after) = (before, after);
        let rounding = self.quantity.step() / 6f64.sqrt();
        let ((Some(one), Some(other)), Some(error)) = (
            (before.0, after.0),
            (before.1.zip(after.1)).map(|(u, v)| u.hypot(v).hypot(rounding)),
        ) else {
            let side = |side: Side, name: &str| match side {
                (None, _) => Some(format!("not measured {name}")),
                (_, None) => Some(format!("its standard error is not known {name}")),
                _ => None,
            };
            let why = [side(before, "before"), side(after, "after")];
            let why: Vec<String> = why.into_iter().flatten().collect();
            self.reason.get_or_insert(why.join("; "));
            return self;
        };
        let change = other - shift - one;
        self.change = (Some(change), Some(error));
        self.outcome = if change.abs() <= coverage * error {
            Outcome::Unchanged
        } else if self.quantity == Quantity::Length {
            Outcome::Changed
        } else if change > 0.0 {
            Outcome::Worse
        } else {
            Outcome::Better
        };
        self
    }

    pub(super) fn not_comparable(mut self, why: impl Into<String>) -> Self {
        self.outcome = Outcome::NotComparable;
        self.reason = Some(why.into());
        self
    }
}

/// Share of unchanged quantities that show as changed by chance, 2·(1 − Φ(k)).
///
/// ```
/// // Tables of the normal distribution: 4.55 % at 2, 0.27 % at 3.
/// assert!((bothends::compare::false_share(2.0) - 0.0455).abs() < 1e-4);
/// assert!((bothends::compare::false_share(3.0) - 0.0027).abs() < 1e-4);
/// ```
pub fn false_share(coverage: f64) -> f64 {
    erfc(coverage / std::f64::consts::SQRT_2)
}
