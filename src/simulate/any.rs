//! Which kind of plan a file is.

use serde::Deserialize;
use toml::de::DeTable;

use super::cable::{CablePlan, RandomCableSettings};
use super::check::{PlanError, text_error};
use super::plan::Plan;

/// What a plan file describes.
#[derive(Debug, Clone, PartialEq)]
pub enum AnyPlan {
    /// One fibre at one wavelength.
    Link(Box<Plan>),
    /// A whole cable.
    Cable(Box<CablePlan>),
    /// What a cable is to be drawn from.
    RandomCable(Box<RandomCablePlan>),
}

/// A plan that only says what a cable is drawn from.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RandomCablePlan {
    /// Seed used when the caller gives none.
    #[serde(default)]
    pub seed: u64,
    /// What it is drawn from.
    pub random_cable: RandomCableSettings,
}

impl AnyPlan {
    /// Reads a plan from TOML: of a cable to be drawn where it has the table
    /// `random_cable`, of a cable where it has `closures` or `wavelengths`, and
    /// of a link otherwise.
    ///
    /// # Errors
    /// [`PlanError`] with line and column, when the text is not a plan or a
    /// value cannot be.
    pub fn from_toml(text: &str) -> Result<Self, PlanError> {
        let table = DeTable::parse(text).map_err(|error| text_error(text, &error))?;
        let has = |key: &str| table.get_ref().contains_key(key);
        if has("random_cable") {
            let plan = toml::from_str(text).map_err(|error| text_error(text, &error))?;
            Ok(Self::RandomCable(Box::new(plan)))
        } else if has("closures") || has("wavelengths") {
            Ok(Self::Cable(Box::new(CablePlan::from_toml(text)?)))
        } else {
            Ok(Self::Link(Box::new(Plan::from_toml(text)?)))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_of_its_own_asks_for_a_drawn_cable() {
        let text =
            "seed = 7\n[random_cable]\nfibres = [12, 24]\n[random_cable.faults]\nbends = 3\n";
        let AnyPlan::RandomCable(plan) = AnyPlan::from_toml(text).unwrap() else {
            panic!("not a drawn cable")
        };
        assert_eq!((plan.seed, plan.random_cable.fibres), (7, (12, 24)));
        assert_eq!(plan.random_cable.faults.bends, 3);
    }

    #[test]
    fn a_plan_of_a_cable_is_refused_with_the_place_in_it() {
        let refused = |text: &str| AnyPlan::from_toml(text).unwrap_err().to_string();
        let drawn = refused("seed = 7\n[random_cable]\nfibers = [12, 24]\n");
        assert!(
            drawn.starts_with("line 3, column 1: unknown field `fibers`"),
            "{drawn}"
        );
        let cut = refused("closures = [\n");
        assert!(cut.starts_with("line "), "{cut}");
    }
}
