//! A comparison: `bothends.compare/1`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::link::{db, metres};
use crate::compare::{Comparison, Difference, LinkComparison, Quantity};
use crate::report::SourceFile;
use crate::report::number::{error_rounded, rounded};

/// Two results of the same links, compared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields, title = "bothends.compare/1")]
pub struct CompareReport {
    /// Name and version of this form.
    #[schemars(extend("const" = "bothends.compare/1"))]
    pub schema: String,
    /// Standard errors that a difference must exceed to count as a change.
    pub coverage_factor: f64,
    /// Joints whose losses could be compared.
    pub joints_compared: usize,
    /// How many of them would show as changed by chance if none had.
    pub joints_changed_by_chance: Option<f64>,
    /// Links that are in both results.
    pub links: Vec<LinkCompareObject>,
    /// Links that are not compared.
    pub unmatched: Vec<UnmatchedObject>,
    /// Where the numbers come from.
    pub provenance: CompareProvenance,
}

/// One link in both results.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct LinkCompareObject {
    /// Name of the cable.
    pub cable: Option<String>,
    /// Name of the fibre.
    pub fibre: Option<String>,
    /// Wavelength in nanometres.
    pub wavelength_nm: Option<f64>,
    /// What differs in the measurements themselves.
    pub weaker: Vec<String>,
    /// Every quantity before and after.
    pub differences: Vec<DifferenceObject>,
}

/// One quantity before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct DifferenceObject {
    /// The quantity in words.
    pub quantity: String,
    /// Unit of the values.
    pub unit: String,
    /// Name of the joint.
    pub joint: Option<String>,
    /// Number of the event before.
    pub number_before: Option<usize>,
    /// Number of the event after.
    pub number_after: Option<usize>,
    /// Place before.
    pub position_before_m: Option<f64>,
    /// Place after.
    pub position_after_m: Option<f64>,
    /// Value before.
    pub before: Option<f64>,
    /// Its standard error.
    pub before_std_error: Option<f64>,
    /// Value after.
    pub after: Option<f64>,
    /// Its standard error.
    pub after_std_error: Option<f64>,
    /// After less before.
    pub change: Option<f64>,
    /// Standard error of the change.
    pub change_std_error: Option<f64>,
    /// What came of it.
    #[schemars(extend("enum" = ["worse", "better", "changed", "new", "vanished", "not comparable", "unchanged"]))]
    pub outcome: String,
    /// Why, where it is not plain.
    pub reason: Option<String>,
}

/// A link without a partner.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct UnmatchedObject {
    /// The link in words.
    pub link: String,
    /// Why it is not compared.
    pub reason: String,
}

/// Where a comparison comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct CompareProvenance {
    /// Name and version of the program.
    pub program: String,
    /// Results before.
    pub before: Vec<SourceFile>,
    /// Results after.
    pub after: Vec<SourceFile>,
}

impl CompareReport {
    /// Puts a comparison into the form that is printed.
    pub fn new(comparison: &Comparison, provenance: CompareProvenance) -> Self {
        Self {
            schema: "bothends.compare/1".to_owned(),
            coverage_factor: comparison.coverage,
            joints_compared: comparison.joints_compared(),
            joints_changed_by_chance: error_rounded(comparison.changed_by_chance()),
            links: comparison.links.iter().map(Into::into).collect(),
            unmatched: comparison
                .unmatched
                .iter()
                .map(|one| UnmatchedObject {
                    link: one.link.clone(),
                    reason: one.reason.clone(),
                })
                .collect(),
            provenance,
        }
    }
}

impl From<&LinkComparison> for LinkCompareObject {
    fn from(link: &LinkComparison) -> Self {
        let head = &link.after.link;
        Self {
            cable: head.cable.clone(),
            fibre: head.fibre.clone(),
            wavelength_nm: rounded(head.wavelength_nm, 3),
            weaker: link.weaker.clone(),
            differences: link.differences.iter().map(Into::into).collect(),
        }
    }
}

impl From<&Difference> for DifferenceObject {
    fn from(difference: &Difference) -> Self {
        let round = |value: Option<f64>| {
            value.and_then(|value| match difference.quantity {
                Quantity::Length => metres(value),
                _ => db(value),
            })
        };
        let error = |value: Option<f64>| value.and_then(error_rounded);
        Self {
            quantity: difference.quantity.word().to_owned(),
            unit: difference.quantity.unit().to_owned(),
            joint: difference.joint.clone(),
            number_before: difference.number_before,
            number_after: difference.number_after,
            position_before_m: difference.at_before_m.and_then(metres),
            position_after_m: difference.at_after_m.and_then(metres),
            before: round(difference.before.0),
            before_std_error: error(difference.before.1),
            after: round(difference.after.0),
            after_std_error: error(difference.after.1),
            change: round(difference.change.0),
            change_std_error: error(difference.change.1),
            outcome: difference.outcome.word().to_owned(),
            reason: difference.reason.clone(),
        }
    }
}
