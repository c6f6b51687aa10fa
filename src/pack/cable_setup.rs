//! What a cable's measurement was set to, so that it can be made again.

use serde::{Deserialize, Serialize};

use crate::both_ways;
use crate::cable::splice_log::{LogError, compare_log, read_log};
use crate::cable::{
    AcceptPairing, CableError, CableFile, CablePlan, CableResult, CableSettings, Journal,
    NamePattern, PatternError, PlanError, Progress, measure_cable,
};
use crate::detect::DetectSettings;
use crate::read::{Recipe, RecipeError};
use crate::units::Loss;
use crate::verdict::{DEFAULT_COVERAGE, Limits, LimitsError};
use crate::warning::Warning;

use super::setup::GivenSettings;

/// Everything that a cable's result depends on beside its raw traces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CableSetup {
    /// Text of the plan.
    pub plan: Option<String>,
    /// Pattern of file names, over the plan's.
    pub file_names: Option<String>,
    /// Length, over the plan's.
    pub length_m: Option<f64>,
    /// What was given for traces from A.
    pub given: GivenSettings,
    /// Text of the recipe that the files were read by.
    pub recipe: Option<String>,
    /// False events allowed in 1,000 km.
    pub false_events_per_1000_km: f64,
    /// Loss above which a splice is bad, if it was given.
    pub bad_splice_db: Option<f64>,
    /// Which pairing was measured where headers and traces disagree.
    pub accept_pairing: Option<Accepted>,
    /// The limits as TOML, if any were asked for.
    pub limits: Option<String>,
    /// Standard errors that a value keeps from its limit.
    pub coverage: Option<f64>,
    /// Text of the splicing machines' log, if there was one; the plan states its columns.
    pub splice_log: Option<String>,
    /// Files of the folder that were not looked at.
    pub left_out: usize,
}

/// A pairing that was accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Accepted {
    /// The one that the traces support.
    Found,
    /// The one that headers and names give.
    Labelled,
}

/// Why a cable could not be measured.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CableSetupError {
    /// The plan is none.
    #[error("the plan of the cable cannot be read")]
    Plan(#[from] PlanError),
    /// The pattern is none.
    #[error("the pattern of the file names cannot be used")]
    Pattern(#[from] PatternError),
    /// The recipe is none.
    #[error("the recipe cannot be read")]
    Recipe(#[from] RecipeError),
    /// The limits are none.
    #[error("the limits cannot be read")]
    Limits(#[from] LimitsError),
    /// The splice log is none.
    #[error("the splice log cannot be read")]
    SpliceLog(#[from] LogError),
    /// Nothing was measured.
    #[error(transparent)]
    Cable(#[from] CableError),
}

impl CableSetup {
    /// The settings of the measurement.
    ///
    /// # Errors
    /// [`CableSetupError`] for a text that cannot be read.
    pub fn settings(&self) -> Result<CableSettings, CableSetupError> {
        let mut plan = match &self.plan {
            Some(text) => CablePlan::from_toml(text)?,
            None => CablePlan::default(),
        };
        if let Some(pattern) = &self.file_names {
            plan.file_names = Some(NamePattern::new(pattern)?);
        }
        plan.length_m = self.length_m.or(plan.length_m);
        let defaults = CableSettings::default();
        Ok(CableSettings {
            plan,
            link: both_ways::Settings {
                detect: DetectSettings {
                    false_events_per_1000_km: self.false_events_per_1000_km,
                },
                ..both_ways::Settings::default()
            },
            fallback: self.given.header(),
            recipe: match &self.recipe {
                Some(text) => Recipe::from_toml(text)?,
                None => Recipe::default(),
            },
            limits: match &self.limits {
                Some(text) => Some(Limits::from_toml(text, "limits")?),
                None => None,
            },
            coverage: self.coverage.unwrap_or(DEFAULT_COVERAGE),
            bad_splice: self.bad_splice_db.map(Loss::from_db),
            accept_pairing: self.accept_pairing.map(|which| match which {
                Accepted::Found => AcceptPairing::Found,
                Accepted::Labelled => AcceptPairing::Labelled,
            }),
            ..defaults
        })
    }

    /// Measures a cable.
    ///
    /// # Errors
    /// [`CableSetupError`] for a text that cannot be read, or without a pair of traces.
    pub fn measure(
        &self,
        files: &[CableFile],
        progress: &dyn Progress,
        journal: Option<&dyn Journal>,
    ) -> Result<CableResult, CableSetupError> {
        let settings = self.settings()?;
        let mut result = measure_cable(files, &settings, progress, journal)?;
        if let Some(text) = &self.splice_log {
            let planned = settings.plan.splice_log.as_ref();
            let columns = planned.map(|log| log.columns.clone()).unwrap_or_default();
            compare_log(&read_log(text, &columns)?, &result).add_to(&mut result);
        }
        result.warnings.extend(files_left_out(self.left_out));
        Ok(result)
    }
}

/// What the result says of so many files that are no traces: the last of its warnings.
pub(crate) fn files_left_out(count: usize) -> Option<Warning> {
    (count > 0).then(|| {
        Warning::new(
            "files left out",
            format!(
                "{count} files that are no traces by their endings or titles were not looked at"
            ),
        )
    })
}
