//! Reading a cable's plan, and refusing one that cannot be built.

use super::faults::Fault;
use super::plan::CablePlan;
use crate::simulate::check::{PlanError, PlanErrorKind, range, read, without_place};
use crate::simulate::place::Path;
use crate::units::Loss;

type Found = Option<(Path, PlanErrorKind)>;

/// More fibres than any cable has.
const MOST_FIBRES: usize = 10_000;
/// Fewest samples from which a trace can be measured, with some room.
const FEWEST_SAMPLES: f64 = 100.0;

impl CablePlan {
    /// Reads a cable's plan from TOML and checks it.
    ///
    /// # Errors
    /// [`PlanError`] with line and column, when the text is not a plan or a value
    /// cannot be.
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

    fn fault(&self) -> Found {
        let root = Path::default();
        let count = |key: &'static str, found: usize, most: usize| {
            range(&root, key, found as f64, 1.0, most as f64, "")
        };
        count("fibres", self.fibres, MOST_FIBRES)
            .or_else(|| count("fibres_per_tube", self.fibres_per_tube, MOST_FIBRES))
            .or_else(|| range(&root, "route_m", self.route.m(), 10.0, 1e6, "m"))
            .or_else(|| range(&root, "helix_factor", self.helix_factor, 1.0, 1.2, ""))
            .or_else(|| {
                [self.excess_fibre.0, self.excess_fibre.1]
                    .iter()
                    .find_map(|share| range(&root, "excess_fibre", *share, 0.0, 0.1, ""))
            })
            .or_else(|| {
                [self.cords.0, self.cords.1]
                    .iter()
                    .find_map(|cord| range(&root, "cords_m", cord.m(), 1.0, 1e5, "m"))
            })
            .or_else(|| self.closure_fault(&root))
            .or_else(|| self.reel_fault(&root))
            .or_else(|| self.wavelength_fault(&root))
            .or_else(|| self.spread_fault(&root.key("spread")))
            .or_else(|| self.instrument_fault(&root.key("instrument")))
            .or_else(|| self.splicing_fault(&root.key("splicing")))
            .or_else(|| {
                (self.faults.iter().enumerate())
                    .find_map(|(idx, fault)| self.planted_fault(&root.item("faults", idx), fault))
            })
    }

    fn closure_fault(&self, root: &Path) -> Found {
        let mut before_m = 0.0;
        for (idx, closure) in self.closures.iter().enumerate() {
            let path = root.item("closures", idx);
            let most_m = self.route.m() - 1.0;
            let found = range(
                &path,
                "chainage_m",
                closure.chainage.m(),
                before_m + 1.0,
                most_m,
                "m",
            )
            .or_else(|| range(&path, "slack_m", closure.slack.m(), 0.0, 1e4, "m"));
            if found.is_some() {
                return found;
            }
            before_m = closure.chainage.m();
            let named_before = |other: &super::Closure| other.name == closure.name;
            if self.closures.iter().take(idx).any(named_before) {
                let path = path.key("name");
                let kind = PlanErrorKind::NameTwice {
                    key: path.to_string(),
                    name: closure.name.clone(),
                };
                return Some((path, kind));
            }
        }
        None
    }

    fn reel_fault(&self, root: &Path) -> Found {
        let (reels, closures) = (self.reels.len(), self.closures.len());
        if reels > 0 && reels != closures + 1 {
            return Some((
                root.key("reels"),
                PlanErrorKind::ReelCount { reels, closures },
            ));
        }
        self.reels.iter().enumerate().find_map(|(idx, reel)| {
            let path = root.item("reels", idx);
            let um = reel.mode_field_change_um;
            let db_per_km = reel.attenuation_change_db_per_km;
            range(&path, "mode_field_change_um", um, -3.0, 3.0, "µm").or_else(|| {
                let key = "attenuation_change_db_per_km";
                range(&path, key, db_per_km, -0.5, 0.5, "dB/km")
            })
        })
    }

    fn wavelength_fault(&self, root: &Path) -> Found {
        if self.wavelengths.is_empty() {
            return Some((root.key("wavelengths"), PlanErrorKind::NoWavelength));
        }
        self.wavelengths.iter().enumerate().find_map(|(idx, it)| {
            let path = root.item("wavelengths", idx);
            range(&path, "nm", it.wavelength.nm(), 600.0, 2000.0, "nm")
                .or_else(|| {
                    let found = it.attenuation.db_per_km();
                    range(&path, "attenuation_db_per_km", found, 0.0, 50.0, "dB/km")
                })
                .or_else(|| {
                    let found = it.backscatter.db();
                    range(&path, "backscatter_db", found, -110.0, -50.0, "dB")
                })
                .or_else(|| range(&path, "group_index", it.group_index.ratio(), 1.3, 1.7, ""))
        })
    }

    fn spread_fault(&self, path: &Path) -> Found {
        let it = &self.spread;
        let rows = [
            (
                "mode_field_mean_um",
                it.mode_field_mean_um,
                1.0,
                100.0,
                "µm",
            ),
            ("mode_field_um", it.mode_field_um, 0.0, 1.0, "µm"),
            ("backscatter_db", it.backscatter_db, 0.0, 5.0, "dB"),
            (
                "attenuation_db_per_km",
                it.attenuation_db_per_km,
                0.0,
                0.1,
                "dB/km",
            ),
            ("group_index", it.group_index, 0.0, 0.01, ""),
            ("trim_m", it.trim_m, 0.0, 10.0, "m"),
            ("splice_median_db", it.splice_median_db, 0.0, 5.0, "dB"),
            ("splice_log_sd", it.splice_log_sd, 0.0, 3.0, ""),
            ("splice_most_db", it.splice_most_db, 0.0, 5.0, "dB"),
            ("connector_loss_db", it.connector_loss_db.0, 0.0, 10.0, "dB"),
            ("connector_loss_db", it.connector_loss_db.1, 0.0, 10.0, "dB"),
            (
                "connector_reflectance_db",
                it.connector_reflectance_db.0,
                -100.0,
                0.0,
                "dB",
            ),
            (
                "connector_reflectance_db",
                it.connector_reflectance_db.1,
                -100.0,
                0.0,
                "dB",
            ),
        ];
        rows.iter()
            .find_map(|(key, found, min, max, unit)| range(path, key, *found, *min, *max, unit))
    }

    fn instrument_fault(&self, path: &Path) -> Found {
        let it = &self.instrument;
        let samples = it.samples as f64;
        range(path, "pulse_ns", it.pulse_width.ns(), 0.1, 200_000.0, "ns")
            .or_else(|| range(path, "samples", samples, FEWEST_SAMPLES, 2e6, ""))
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
            .or_else(|| {
                range(
                    path,
                    "dynamic_range_db",
                    it.dynamic_range_db,
                    0.0,
                    100.0,
                    "dB",
                )
            })
            .or_else(|| {
                range(
                    path,
                    "time_constant_ns",
                    it.time_constant_ns,
                    0.0,
                    1e6,
                    "ns",
                )
            })
            .or_else(|| range(path, "colour", it.colour, 0.0, 0.999, ""))
            .or_else(|| range(path, "fading_contrast", it.fading_contrast, 0.0, 1.0, ""))
            .or_else(|| range(path, "step_db", it.step_db, 1e-6, 1.0, "dB"))
    }

    fn splicing_fault(&self, path: &Path) -> Found {
        let it = self.splicing.as_ref()?;
        let machines = it.machines.len() as f64;
        range(
            path,
            "machines",
            machines,
            1.0,
            MOST_FIBRES as f64,
            "machines",
        )
        .or_else(|| {
            let key = "estimate_error_db";
            range(path, key, it.estimate_error.db(), 0.0, 5.0, "dB")
        })
    }

    fn planted_fault(&self, path: &Path, fault: &Fault) -> Found {
        let fibre_key = match fault {
            Fault::CrossedFibres { .. } => "fibres",
            _ => "fibre",
        };
        let most = self.fibres as f64;
        let loss = |loss: &Loss| range(path, "loss_db", loss.db(), 0.0, 60.0, "dB");
        let chainage = |at_m: f64| range(path, "chainage_m", at_m, 1.0, self.route.m() - 1.0, "m");
        let wavelength = |nm: f64| {
            let known = self
                .wavelengths
                .iter()
                .any(|it| same_nm(it.wavelength.nm(), nm));
            (!known).then(|| {
                let path = path.key("wavelength_nm");
                let kind = PlanErrorKind::NotInThePlan {
                    key: path.to_string(),
                    found: nm.to_string(),
                };
                (path, kind)
            })
        };
        (fault.fibres().iter())
            .find_map(|fibre| range(path, fibre_key, *fibre as f64, 1.0, most, ""))
            .or_else(|| {
                let name = fault.closure()?;
                self.closure_idx(name).is_none().then(|| {
                    let path = path.key("closure");
                    let kind = PlanErrorKind::NotInThePlan {
                        key: path.to_string(),
                        found: name.to_owned(),
                    };
                    (path, kind)
                })
            })
            .or_else(|| match fault {
                Fault::BadJoint { loss: it, .. } | Fault::Outlier { loss: it, .. } => loss(it),
                Fault::ShiftedTray { tube, loss: it, .. } => {
                    let tubes = self.tube_of(self.fibres) + 1;
                    range(path, "tube", *tube as f64, 1.0, tubes as f64, "").or_else(|| loss(it))
                }
                Fault::LooksBadOneWay { step, .. } => {
                    range(path, "step_db", step.db(), -3.0, 3.0, "dB")
                }
                Fault::Bend {
                    chainage: at,
                    closure,
                    loss: losses,
                    ..
                } => self
                    .bend_fault(path, at.is_some(), closure.is_some(), losses.len())
                    .or_else(|| chainage(at.as_ref()?.m()))
                    .or_else(|| losses.iter().find_map(loss)),
                Fault::Break {
                    chainage: at,
                    reflectance,
                    ..
                } => chainage(at.m()).or_else(|| {
                    range(
                        path,
                        "reflectance_db",
                        reflectance.as_ref()?.db(),
                        -100.0,
                        0.0,
                        "dB",
                    )
                }),
                Fault::CrossedFibres { fibres, .. } => {
                    range(path, "fibres", fibres.len() as f64, 2.0, most, "fibres").or_else(|| {
                        let mut seen = fibres.clone();
                        seen.sort_unstable();
                        let twice = seen.windows(2).find(|pair| pair[0] == pair[1])?;
                        let path = path.key("fibres");
                        let kind = PlanErrorKind::NameTwice {
                            key: path.to_string(),
                            name: twice[0].to_string(),
                        };
                        Some((path, kind))
                    })
                }
                Fault::SwappedEnds { wavelength: it, .. } => wavelength(it.as_ref()?.nm()),
                Fault::DuplicateFile { wavelength: it, .. }
                | Fault::MissingPartner { wavelength: it, .. } => wavelength(it.nm()),
                Fault::SplicingMachine {
                    machine,
                    loss: it,
                    rise_db_per_1000_arcs,
                } => loss(it)
                    .or_else(|| {
                        let key = "rise_db_per_1000_arcs";
                        range(path, key, *rise_db_per_1000_arcs, 0.0, 60.0, "dB")
                    })
                    .or_else(|| {
                        let mut machines = self.splicing.iter().flat_map(|it| &it.machines);
                        (!machines.any(|it| it.name == *machine)).then(|| {
                            let path = path.key("machine");
                            let kind = PlanErrorKind::NotInThePlan {
                                key: path.to_string(),
                                found: machine.clone(),
                            };
                            (path, kind)
                        })
                    }),
                Fault::PoorSettings {
                    pulse_width,
                    averaging_time_s,
                    ..
                } => pulse_width
                    .and_then(|pulse| range(path, "pulse_ns", pulse.ns(), 0.1, 200_000.0, "ns"))
                    .or_else(|| {
                        range(
                            path,
                            "averaging_time_s",
                            (*averaging_time_s)?,
                            1e-3,
                            1e6,
                            "s",
                        )
                    }),
            })
    }

    fn bend_fault(&self, path: &Path, at: bool, closure: bool, losses: usize) -> Found {
        if at == closure {
            return Some((
                path.clone(),
                PlanErrorKind::OneOf {
                    key: path.to_string(),
                    one: "chainage_m",
                    other: "closure",
                },
            ));
        }
        let wanted = self.wavelengths.len();
        (losses != wanted).then(|| {
            let path = path.key("loss_db");
            let kind = PlanErrorKind::LossCount {
                key: path.to_string(),
                losses,
                wavelengths: wanted,
            };
            (path, kind)
        })
    }
}

/// Whether two wavelengths are the same one as written.
pub(super) fn same_nm(one: f64, other: f64) -> bool {
    (one - other).abs() < 1e-6
}
