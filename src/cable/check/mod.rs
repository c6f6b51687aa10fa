//! Findings that the finished matrix and links show.

mod bad;
mod bends;
pub(super) mod breaks;
mod odd;
mod poor;
mod trays;
mod usual;

use std::collections::BTreeSet;

use crate::both_ways::{Event, EventKind};
use crate::units::{Loss, Measured, Measurement, Position, Wavelength};

use super::draft::Draft;
use super::finding::Finding;
use super::result::{Cell, JointKind, Rules};

pub(super) use bad::Bad;

/// A fibre at a joint, by their indices.
pub(super) type At = (usize, usize);

/// Everything that the checks look at.
pub(super) struct Facts<'f> {
    pub(super) draft: &'f Draft,
    pub(super) rules: &'f Rules,
    /// Chainage of a place on the cable's axis, where a plan tells.
    pub(super) chainage_m: &'f (dyn Fn(f64) -> Option<f64> + Sync),
    /// Usual length of a fibre.
    pub(super) length_m: f64,
    /// Fibres measured as labelled although their traces say that they are crossed.
    pub(super) disputed: &'f BTreeSet<usize>,
}

/// What the checks have found.
pub(super) struct Checked {
    pub(super) findings: Vec<Finding>,
    pub(super) bad: Vec<Bad>,
}

/// Runs all checks.
pub(super) fn check(facts: &Facts<'_>) -> Checked {
    let mut findings = breaks::breaks(facts);
    let (poor_findings, poor) = poor::poor_settings(facts);
    let (bends, bent) = bends::bends(facts, &poor);
    let (bad_findings, bad) = bad::bad_joints(facts, &bent);
    // What a few fibres with poor settings read says little of how splices scatter.
    let few_poor = poor
        .iter()
        .filter(|_| 2 * poor.len() < facts.fibres_measured());
    let joints = facts.draft.joints.len();
    let unlike: BTreeSet<At> = (bent.iter().copied())
        .chain(few_poor.flat_map(|&fibre| (0..joints).map(move |joint| (fibre, joint))))
        .collect();
    let known: BTreeSet<At> = (unlike.iter().copied())
        .chain(bad.iter().map(|bad| bad.at))
        .collect();
    let outliers = odd::outliers(facts, &known);
    findings.extend(bad_findings);
    findings.extend(bends);
    // A tray is shifted with its bad joints, which may be all it has.
    findings.extend(trays::shifted_trays(facts, &unlike));
    findings.extend(outliers);
    findings.extend(bad::looks_bad_one_way(facts, &bent));
    findings.extend(poor_findings);
    Checked { findings, bad }
}

impl Facts<'_> {
    pub(super) fn fibre_name(&self, fibre: usize) -> String {
        self.draft
            .fibres
            .get(fibre)
            .map_or_else(String::new, |f| f.name.clone())
    }

    pub(super) fn joint_name(&self, joint: usize) -> String {
        self.draft
            .joints
            .get(joint)
            .map_or_else(String::new, |j| j.name.clone())
    }

    pub(super) fn wavelength(&self, wavelength: usize) -> Wavelength {
        self.draft
            .wavelengths
            .get(wavelength)
            .copied()
            .unwrap_or(Wavelength::from_nm(f64::NAN))
    }

    pub(super) fn fibres(&self) -> usize {
        self.draft.fibres.len()
    }

    /// How many fibres have a link.
    pub(super) fn fibres_measured(&self) -> usize {
        let links = self.draft.links.iter();
        links.map(|link| link.fibre).collect::<BTreeSet<_>>().len()
    }

    pub(super) fn wavelengths(&self) -> usize {
        self.draft.wavelengths.len()
    }

    /// Indices of the joints that are no ends.
    pub(super) fn splices(&self) -> impl Iterator<Item = usize> + '_ {
        let joints = self.draft.joints.iter().enumerate();
        joints
            .filter(|(_, j)| j.kind == JointKind::Joint)
            .map(|(index, _)| index)
    }

    pub(super) fn cell(&self, fibre: usize, joint: usize, wavelength: usize) -> Option<&Cell> {
        self.draft.matrix.cell(fibre, joint, wavelength)
    }

    /// The limit on a cell: that of the limits, else the value for bad splices.
    pub(super) fn limit_of(&self, joint: usize, cell: &Cell) -> Option<f64> {
        if self.rules.limits.is_some() {
            return cell.limit.map(Loss::db);
        }
        let is_splice = self
            .draft
            .joints
            .get(joint)
            .is_some_and(|j| j.kind == JointKind::Joint);
        is_splice.then_some(self.rules.bad_splice.db())
    }

    /// Words for a limit.
    pub(super) fn limit_words(&self, limit_db: f64) -> String {
        match &self.rules.limits {
            Some(name) => format!("the limit of {limit_db} dB ({name})"),
            None if self.rules.bad_splice_is_default => {
                format!("{limit_db} dB (common contract value)")
            }
            None => format!("{limit_db} dB (as given)"),
        }
    }

    /// Where a fibre's place lies, in words: at a joint, or between two.
    pub(super) fn where_is(&self, position: Option<Position>, joint: Option<usize>) -> String {
        if let Some(joint) = joint {
            return format!("at {}", self.joint_name(joint));
        }
        let Some(z_m) = position.map(Position::m) else {
            return "at an unknown place".to_owned();
        };
        let after = self
            .draft
            .joints
            .windows(2)
            .find(|w| w[0].position.value.m() <= z_m && z_m < w[1].position.value.m());
        let chainage =
            (self.chainage_m)(z_m).map_or_else(String::new, |c| format!(", chainage {c:.0} m"));
        match after {
            Some(w) => format!(
                "{z_m:.0} m from A{chainage}, between {} and {}",
                w[0].name, w[1].name
            ),
            None => format!("{z_m:.0} m from A{chainage}"),
        }
    }

    /// Events of a fibre at a wavelength that lie at no joint and show, with the index of
    /// their link; what is closer than can be told apart is left out.
    pub(super) fn loose_events(&self) -> impl Iterator<Item = (usize, &Event)> {
        let all = self.loose_places();
        all.filter(|(_, event)| event.kind != EventKind::Group)
    }

    /// The same with the groups, each of which has one loss.
    pub(super) fn loose_places(&self) -> impl Iterator<Item = (usize, &Event)> {
        self.draft
            .links
            .iter()
            .enumerate()
            .flat_map(|(index, link)| {
                super::measure::inner(&link.link)
                    .filter(|(e, _)| {
                        let joint = link.joint_of_event.get(*e).copied().flatten();
                        joint.is_none() && link.link.registration.is_some()
                    })
                    .map(move |(_, event)| (index, event))
            })
    }
}

/// A loss and its standard error in dB, where both are numbers.
pub(super) fn known(loss: &Measurement<Loss>) -> Option<(f64, f64)> {
    let loss = loss.as_ref().ok()?;
    let u = loss.std_error?.db();
    let value = loss.value.db();
    (value.is_finite() && u.is_finite()).then_some((value, u))
}

/// A loss as it goes into a finding.
pub(super) fn measured(value_db: f64, error_db: f64) -> Measured<Loss> {
    Measured {
        value: Loss::from_db(value_db),
        std_error: Some(Loss::from_db(error_db)),
    }
}

/// `value ± error` with as many decimals as the error asks for, at least three.
pub(super) fn plus_minus(value: f64, error: f64) -> String {
    let decimals = (3..6)
        .find(|d| error >= 0.095 * 0.1_f64.powi(*d - 1))
        .unwrap_or(6) as usize;
    format!("{value:.decimals$} ± {error:.decimals$}").replace('-', "\u{2212}")
}

/// The number of standard errors that noise passes with a chance of `chance` anywhere in
/// `count` independent cells, one-sided.
pub(super) fn threshold(chance: f64, count: usize) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    let each = (chance / count.max(1) as f64).min(0.1);
    Normal::new(0.0, 1.0).map_or(f64::INFINITY, |normal| -normal.inverse_cdf(each))
}
