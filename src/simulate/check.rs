//! Reading a plan file, and refusing a plan that cannot be built.

use std::fmt;

use serde::de::DeserializeOwned;

use super::instrument::Instrument;
use super::place::{Path, Place, find, place_of};
use super::plan::{Fibre, LinkEnd, Plan};
use crate::units::Reflectance;

/// Why a plan cannot be simulated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}{kind}", place.map(|place| format!("{place}: ")).unwrap_or_default())]
pub struct PlanError {
    /// Where in the file it is said; none for a plan built in code.
    pub place: Option<Place>,
    /// What is wrong.
    pub kind: PlanErrorKind,
}

/// What is wrong with a plan. Keys count repeated tables from 0, as `fibres[2]`.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlanErrorKind {
    /// The text is not a plan: a fault of TOML, or a missing, unknown or mistyped key.
    #[error("{message}")]
    Text {
        /// The reader's words.
        message: String,
    },
    /// A value is outside what can be.
    #[error(
        "`{key}` is {found}, and must lie between {min} and {max}{}",
        Spaced(unit)
    )]
    OutOfRange {
        /// Where in the plan.
        key: String,
        /// What was given.
        found: f64,
        /// Least value accepted.
        min: f64,
        /// Greatest value accepted.
        max: f64,
        /// Unit of the three.
        unit: &'static str,
    },
    /// The link has no fibre.
    #[error("`fibres` is empty, and at least one is needed")]
    NoFibre,
    /// Joints and fibres do not match.
    #[error("{joints} `joints` for {fibres} `fibres`, and one fewer than fibres is needed")]
    JointCount {
        /// Number of joints.
        joints: usize,
        /// Number of fibres.
        fibres: usize,
    },
    /// Reels and closures of a cable do not match.
    #[error(
        "{reels} `reels` for {closures} `closures`, and one more than closures is needed, or none"
    )]
    ReelCount {
        /// Number of reels.
        reels: usize,
        /// Number of closures.
        closures: usize,
    },
    /// A cable without wavelengths.
    #[error("`wavelengths` is empty, and at least one is needed")]
    NoWavelength,
    /// Two things of one name.
    #[error("`{key}` names {name} twice")]
    NameTwice {
        /// Where in the plan.
        key: String,
        /// The name.
        name: String,
    },
    /// A name or wavelength that the plan does not have.
    #[error("`{key}` is {found}, which the plan does not have")]
    NotInThePlan {
        /// Where in the plan.
        key: String,
        /// What was given.
        found: String,
    },
    /// Neither or both of two keys.
    #[error("`{key}` needs either `{one}` or `{other}`")]
    OneOf {
        /// Where in the plan.
        key: String,
        /// One way.
        one: &'static str,
        /// The other way.
        other: &'static str,
    },
    /// A bend's losses and the wavelengths do not match.
    #[error(
        "`{key}` has {losses} losses for {wavelengths} wavelengths, and one for each is needed"
    )]
    LossCount {
        /// Where in the plan.
        key: String,
        /// Number of losses.
        losses: usize,
        /// Number of wavelengths.
        wavelengths: usize,
    },
    /// The noise is stated twice.
    #[error("`{key}` has both `dynamic_range_db` and `level_db`, and at most one can hold")]
    NoiseStatedTwice {
        /// Where in the plan.
        key: String,
    },
    /// The settings ask for more samples than is reasonable.
    #[error(
        "`{key}` with a range of {range_m:.0} m asks for {found} samples, and at most {most} are simulated: \
         widen `spacing_m` or shorten `range_m`"
    )]
    TooManySamples {
        /// Where in the plan.
        key: String,
        /// Displayed range in metres.
        range_m: f64,
        /// Number of samples asked for.
        found: f64,
        /// Greatest number.
        most: usize,
    },
}

/// A unit after its number, or nothing where there is none.
struct Spaced<'a>(&'a str);

impl fmt::Display for Spaced<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() {
            return Ok(());
        }
        write!(f, " {}", self.0)
    }
}

/// Most samples of one trace: 100 km at 5 cm.
const MOST_SAMPLES: usize = 2_000_000;

/// Reads a plan of any form from TOML; `fault` finds the first value that cannot be.
pub(super) fn read<P: DeserializeOwned>(
    text: &str,
    fault: impl Fn(&P) -> Option<(Path, PlanErrorKind)>,
) -> Result<P, PlanError> {
    let plan: P = toml::from_str(text).map_err(|error| text_error(text, &error))?;
    match fault(&plan) {
        None => Ok(plan),
        Some((path, kind)) => Err(PlanError {
            place: find(text, &path),
            kind,
        }),
    }
}

/// A fault of a plan that was built in code and so has no place.
pub(super) fn without_place(fault: Option<(Path, PlanErrorKind)>) -> Result<(), PlanError> {
    fault.map_or(Ok(()), |(_, kind)| Err(PlanError { place: None, kind }))
}

impl Plan {
    /// Reads a plan from TOML and checks it.
    ///
    /// # Errors
    /// [`PlanError`] with line and column, when the text is not a plan or a
    /// value cannot be.
    ///
    /// # Example
    /// ```
    /// use bothends::simulate::Plan;
    /// let text = "
    /// wavelength_nm = 1550.0
    /// [[fibres]]
    /// length_m = 4210.5
    /// attenuation_db_per_km = 0.19
    /// backscatter_db = -82.0
    /// group_index = 1.4682
    /// [a]
    /// pulse_ns = 100.0
    /// spacing_m = 2.0
    /// group_index = 14.682
    /// ";
    /// let error = Plan::from_toml(text).unwrap_err();
    /// assert_eq!(
    ///     error.to_string(),
    ///     "line 11, column 15: `a.group_index` is 14.682, and must lie between 1.3 and 1.7",
    /// );
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, PlanError> {
        read(text, Self::fault)
    }

    /// Checks a plan built in code.
    ///
    /// # Errors
    /// [`PlanError`] without a place, naming the first value that cannot be.
    pub fn check(&self) -> Result<(), PlanError> {
        without_place(self.fault())
    }

    fn fault(&self) -> Option<(Path, PlanErrorKind)> {
        let root = Path::default();
        if self.fibres.is_empty() {
            return Some((root.key("fibres"), PlanErrorKind::NoFibre));
        }
        if self.joints.len() + 1 != self.fibres.len() {
            let kind = PlanErrorKind::JointCount {
                joints: self.joints.len(),
                fibres: self.fibres.len(),
            };
            // A file without joints has no place for them.
            let said = if self.joints.is_empty() {
                "fibres"
            } else {
                "joints"
            };
            return Some((root.key(said), kind));
        }
        let length_m = self.length().m();
        // Silica fibre guides between the visible and its infrared edge.
        range(
            &root,
            "wavelength_nm",
            self.wavelength.nm(),
            600.0,
            2000.0,
            "nm",
        )
        .or_else(|| end_fault(&root.key("end_a"), &self.end_a))
        .or_else(|| end_fault(&root.key("end_b"), &self.end_b))
        .or_else(|| {
            (self.fibres.iter().enumerate())
                .find_map(|(idx, fibre)| fibre_fault(&root.item("fibres", idx), fibre))
        })
        .or_else(|| {
            self.joints.iter().enumerate().find_map(|(idx, joint)| {
                let path = root.item("joints", idx);
                loss(&path, "loss_db", joint.loss.db()).or_else(|| {
                    reflectance(
                        &path,
                        "reflectance_db",
                        joint.reflectance.map(Reflectance::db),
                    )
                })
            })
        })
        .or_else(|| {
            self.bends.iter().enumerate().find_map(|(idx, bend)| {
                let path = root.item("bends", idx);
                range(&path, "at_m", bend.at.m(), 0.0, length_m, "m")
                    .or_else(|| loss(&path, "loss_db", bend.loss.db()))
            })
        })
        .or_else(|| {
            let path = root.key("break");
            let broken = self.broken.as_ref()?;
            range(&path, "at_m", broken.at.m(), 0.0, length_m, "m").or_else(|| {
                reflectance(
                    &path,
                    "reflectance_db",
                    broken.reflectance.map(Reflectance::db),
                )
            })
        })
        .or_else(|| self.instrument_fault(&root.key("a"), &self.a))
        .or_else(|| self.instrument_fault(&root.key("b"), self.b.as_ref()?))
    }

    fn instrument_fault(&self, path: &Path, it: &Instrument) -> Option<(Path, PlanErrorKind)> {
        let noise = path.key("noise");
        let receiver = path.key("receiver");
        let display = path.key("display");
        range(path, "pulse_ns", it.pulse_width.ns(), 0.01, 200_000.0, "ns")
            .or_else(|| range(path, "spacing_m", it.spacing.m(), 1e-4, 1000.0, "m"))
            .or_else(|| range(path, "group_index", it.group_index.ratio(), 1.3, 1.7, ""))
            .or_else(|| range(path, "range_m", it.range?.m(), 0.0, 1e6, "m"))
            .or_else(|| {
                range(
                    path,
                    "averaging_time_s",
                    it.averaging_time_s,
                    1e-3,
                    1e6,
                    "s",
                )
            })
            .or_else(|| range(path, "zero_error_m", it.zero_error.m(), -1e3, 1e3, "m"))
            .or_else(|| loss(path, "port_loss_db", it.port_loss.db()))
            .or_else(|| {
                let given = it.port_reflectance.map(Reflectance::db);
                reflectance(path, "port_reflectance_db", given)
            })
            .or_else(|| fibre_fault(&path.key("launch_cord"), it.launch_cord.as_ref()?))
            .or_else(|| fibre_fault(&path.key("tail_cord"), it.tail_cord.as_ref()?))
            .or_else(|| {
                let found = it.receiver.time_constant_ns;
                range(&receiver, "time_constant_ns", found, 0.0, 1e6, "ns")
            })
            .or_else(|| {
                let found = it.receiver.ceiling_above_start_db?;
                range(&receiver, "ceiling_above_start_db", found, 0.0, 100.0, "dB")
            })
            .or_else(|| {
                it.receiver
                    .tails
                    .iter()
                    .enumerate()
                    .find_map(|(idx, tail)| {
                        let path = receiver.item("tails", idx);
                        range(&path, "share", tail.share, 0.0, 1.0, "").or_else(|| {
                            let found = tail.time_constant_ns;
                            range(&path, "time_constant_ns", found, 1e-3, 1e7, "ns")
                        })
                    })
            })
            .or_else(|| {
                let both = it.noise.dynamic_range_db.is_some() && it.noise.level_db.is_some();
                both.then(|| {
                    let key = noise.to_string();
                    (noise.clone(), PlanErrorKind::NoiseStatedTwice { key })
                })
            })
            .or_else(|| {
                let found = it.noise.dynamic_range_db?;
                range(&noise, "dynamic_range_db", found, 0.0, 100.0, "dB")
            })
            .or_else(|| range(&noise, "level_db", it.noise.level_db?, -150.0, 0.0, "dB"))
            .or_else(|| {
                let found = it.noise.dynamic_range_pulse?.ns();
                range(
                    &noise,
                    "dynamic_range_pulse_ns",
                    found,
                    0.01,
                    200_000.0,
                    "ns",
                )
            })
            .or_else(|| {
                let found = it.noise.reference_averaging_s?;
                range(&noise, "reference_averaging_s", found, 1e-3, 1e6, "s")
            })
            .or_else(|| {
                range(
                    &noise,
                    "shot_at_start",
                    it.noise.shot_at_start,
                    0.0,
                    1e6,
                    "",
                )
            })
            .or_else(|| range(&noise, "colour", it.noise.colour, 0.0, 0.999, ""))
            .or_else(|| {
                let found = it.fading?.contrast;
                range(&path.key("fading"), "contrast", found, 0.0, 1.0, "")
            })
            .or_else(|| {
                range(
                    &display,
                    "offset_db",
                    it.display.offset_db,
                    -200.0,
                    200.0,
                    "dB",
                )
            })
            .or_else(|| range(&display, "step_db", it.display.step_db?, 1e-6, 1.0, "dB"))
            .or_else(|| {
                let found = it.display.floor_below_start_db;
                range(&display, "floor_below_start_db", found, 0.0, 59.0, "dB")
            })
            .or_else(|| {
                let range_m = super::range_m(self, it);
                let found = (range_m / it.spacing.m()).floor() + 1.0;
                let key = path.key("spacing_m");
                (found > MOST_SAMPLES as f64).then(|| {
                    let kind = PlanErrorKind::TooManySamples {
                        key: key.to_string(),
                        range_m,
                        found,
                        most: MOST_SAMPLES,
                    };
                    (key, kind)
                })
            })
    }
}

/// The reader's words, and where it stopped.
pub(super) fn text_error(text: &str, error: &toml::de::Error) -> PlanError {
    PlanError {
        place: error.span().map(|span| place_of(text, span.start)),
        kind: PlanErrorKind::Text {
            message: error.message().trim().replace('\n', ", "),
        },
    }
}

fn end_fault(path: &Path, end: &LinkEnd) -> Option<(Path, PlanErrorKind)> {
    loss(path, "loss_db", end.loss.db())
        .or_else(|| reflectance(path, "reflectance_db", end.reflectance.map(Reflectance::db)))
        .or_else(|| {
            let given = end.open_reflectance.map(Reflectance::db);
            reflectance(path, "open_reflectance_db", given)
        })
        .or_else(|| fibre_fault(&path.key("cord"), end.cord.as_ref()?))
}

fn fibre_fault(path: &Path, fibre: &Fibre) -> Option<(Path, PlanErrorKind)> {
    // From a splice-on stub to a transoceanic span.
    range(path, "length_m", fibre.length.m(), 0.01, 1e6, "m")
        .or_else(|| {
            // Up to plastic-clad and multimode at the visible end.
            let found = fibre.attenuation.db_per_km();
            range(path, "attenuation_db_per_km", found, 0.0, 50.0, "dB/km")
        })
        .or_else(|| {
            range(
                path,
                "backscatter_db",
                fibre.backscatter.db(),
                -120.0,
                -40.0,
                "dB",
            )
        })
        .or_else(|| range(path, "group_index", fibre.group_index.ratio(), 1.3, 1.7, ""))
        .or_else(|| {
            let found = fibre.backscatter_drift_db_per_km;
            range(
                path,
                "backscatter_drift_db_per_km",
                found,
                -10.0,
                10.0,
                "dB/km",
            )
        })
}

fn loss(path: &Path, key: &'static str, found: f64) -> Option<(Path, PlanErrorKind)> {
    // No passive joint gains; 60 dB is an open circuit.
    range(path, key, found, 0.0, 60.0, "dB")
}

fn reflectance(
    path: &Path,
    key: &'static str,
    found: Option<f64>,
) -> Option<(Path, PlanErrorKind)> {
    range(path, key, found?, -100.0, 0.0, "dB")
}

pub(super) fn range(
    path: &Path,
    key: &'static str,
    found: f64,
    min: f64,
    max: f64,
    unit: &'static str,
) -> Option<(Path, PlanErrorKind)> {
    if (min..=max).contains(&found) {
        return None;
    }
    let path = path.key(key);
    let kind = PlanErrorKind::OutOfRange {
        key: path.to_string(),
        found,
        min,
        max,
        unit,
    };
    Some((path, kind))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: &str = "\
wavelength_nm = 1550.0
[[fibres]]
length_m = 4000.0
attenuation_db_per_km = 0.19
backscatter_db = -82.0
group_index = 1.4682
[[fibres]]
length_m = 3000.0
attenuation_db_per_km = 0.19
backscatter_db = -82.1
group_index = 1.4682
[[joints]]
loss_db = 0.05
[a]
pulse_ns = 100.0
spacing_m = 2.0
group_index = 1.4682
noise = { dynamic_range_db = 20.0 }
";

    fn refused(change: &str, to: &str) -> String {
        assert!(PLAN.contains(change), "nothing to change");
        let text = PLAN.replacen(change, to, 1);
        Plan::from_toml(&text).unwrap_err().to_string()
    }

    #[test]
    fn a_plan_reads_back_as_written() {
        let plan = Plan::from_toml(PLAN).unwrap();
        let again = Plan::from_toml(&toml::to_string(&plan).unwrap()).unwrap();
        assert_eq!(plan, again);
        assert_eq!(plan.instrument_b(), &plan.a);
    }

    #[test]
    fn a_value_that_cannot_be_is_named_with_its_place() {
        insta::assert_snapshot!(
            refused("length_m = 3000.0", "length_m = -3000.0"),
            @"line 8, column 12: `fibres[1].length_m` is -3000, and must lie between 0.01 and 1000000 m"
        );
        insta::assert_snapshot!(
            refused("dynamic_range_db = 20.0", "dynamic_range_db = nan"),
            @"line 18, column 30: `a.noise.dynamic_range_db` is NaN, and must lie between 0 and 100 dB"
        );
    }

    #[test]
    fn more_samples_than_a_trace_can_hold_are_refused() {
        insta::assert_snapshot!(
            refused("spacing_m = 2.0", "spacing_m = 0.001"),
            @"line 16, column 13: `a.spacing_m` with a range of 7802 m asks for 7802096 samples, and at most 2000000 are simulated: widen `spacing_m` or shorten `range_m`"
        );
    }

    #[test]
    fn joints_and_fibres_must_match() {
        insta::assert_snapshot!(refused("[[joints]]\nloss_db = 0.05\n", ""), @"line 2, column 1: 0 `joints` for 2 `fibres`, and one fewer than fibres is needed");
        insta::assert_snapshot!(
            refused("noise = { dynamic_range_db = 20.0 }", "noise = { dynamic_range_db = 20.0, level_db = -50.0 }"),
            @"line 18, column 9: `a.noise` has both `dynamic_range_db` and `level_db`, and at most one can hold"
        );
    }

    #[test]
    fn faults_of_the_text_have_a_place_too() {
        insta::assert_snapshot!(refused("pulse_ns = 100.0", "pulse_ns = \"long\""), @r#"line 15, column 12: invalid type: string "long", expected f64"#);
        insta::assert_snapshot!(refused("pulse_ns = 100.0\n", ""), @"line 14, column 1: missing field `pulse_ns`");
        insta::assert_snapshot!(refused("loss_db = 0.05", "los_db = 0.05"), @"line 13, column 1: unknown field `los_db`, expected one of `name`, `loss_db`, `reflectance_db`");
        insta::assert_snapshot!(refused("[[joints]]", "[[joints]"), @"line 12, column 10: unclosed array table, expected `]`");
    }

    #[test]
    fn a_plan_built_in_code_is_refused_without_a_place() {
        let mut plan = Plan::from_toml(PLAN).unwrap();
        plan.fibres.clear();
        insta::assert_snapshot!(
            plan.check().unwrap_err(),
            @"`fibres` is empty, and at least one is needed"
        );
    }
}
