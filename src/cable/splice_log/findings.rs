//! What a splice log says of the machines: only what the tests bear out.

use super::compare::{GroupBy, Part, SpliceLog, Trend};
use crate::cable::{CableResult, Finding, FindingKind};
use crate::warning::Warning;

/// A difference below this is not worth a visit to the workshop, dB. Our choice: a
/// fifteenth of the common limit of 0.15 dB.
const WORTH_SAYING_DB: f64 = 0.01;

impl SpliceLog {
    /// Findings of the kind `splicing machine`, by machine.
    ///
    /// `chance` is the probability that any of them is false: a test counts where its
    /// adjusted probability lies below it. What wears is named only where the loss
    /// rises with its count, and by at least 0.01 dB over the counts seen.
    pub fn findings(&self, chance: f64) -> Vec<Finding> {
        let mut machines: Vec<&str> = (self.groups.iter())
            .filter(|group| group.by == GroupBy::Machine)
            .map(|group| group.name.as_str())
            .collect();
        machines.dedup();
        machines
            .into_iter()
            .flat_map(|machine| {
                let worn = self.worn(machine, chance);
                let worse = self.worse(machine, chance);
                let estimates = self.estimates(machine, chance);
                [worn, worse, estimates].into_iter().flatten()
            })
            .collect()
    }

    /// Puts the findings where a cable's other findings are.
    pub fn add_to(&self, result: &mut CableResult) {
        if self.splices.is_empty() {
            result.warnings.push(Warning::new(
                "splice log not used",
                format!(
                    "none of the {} lines of the splice log belongs to a measured splice: check its \
                     names of joints and fibres against those of the cable",
                    self.unused.len()
                ),
            ));
        }
        let found = self.findings(result.rules.false_finding_chance);
        result.findings.extend(found);
        // The sort is stable: findings of one kind stay in the order of their places.
        result.findings.sort_by_key(|finding| finding.kind);
    }

    fn rising(&self, machine: &str, part: Part, chance: f64) -> Option<&Trend> {
        self.trends.iter().find(|trend| {
            trend.machine == machine
                && trend.part == part
                && trend.line.p_adjusted < chance
                && trend.rise().db() >= WORTH_SAYING_DB
        })
    }

    fn worn(&self, machine: &str, chance: f64) -> Option<Finding> {
        let mut arcs = self.rising(machine, Part::Electrodes, chance);
        let mut cleaves = self.rising(machine, Part::Blade, chance);
        if let (Some(one), Some(other)) = (arcs, cleaves) {
            // Counts that rise together borrow each other's slope: what is left of it with
            // the other held decides.
            let own = |trend: &Trend| trend.other_held.is_some_and(|line| line.p < chance);
            match (own(one), own(other)) {
                (true, false) => cleaves = None,
                (false, true) => arcs = None,
                _ => {}
            }
        }
        let advice = match (arcs, cleaves) {
            (Some(_), None) => "service the electrodes",
            (None, Some(_)) => "turn or change the blade",
            (Some(_), Some(_)) => {
                "service both electrodes and blade, which these counts cannot tell apart"
            }
            (None, None) => return None,
        };
        let told: Vec<String> = [arcs, cleaves].into_iter().flatten().map(told).collect();
        let message = format!(
            "machine {machine}: the measured loss rises {}; {advice}",
            told.join(" and ")
        );
        let mut finding = self.finding(machine, message);
        for trend in [arcs, cleaves].into_iter().flatten() {
            let line = trend.line.test;
            let keys = match trend.part {
                Part::Electrodes => [
                    "rise_db_per_1000_arcs",
                    "rise_std_error_db_per_1000_arcs",
                    "arcs_p",
                    "arcs_p_adjusted",
                ],
                Part::Blade => [
                    "rise_db_per_1000_cleaves",
                    "rise_std_error_db_per_1000_cleaves",
                    "cleaves_p",
                    "cleaves_p_adjusted",
                ],
            };
            let values = [
                1000.0 * line.slope,
                1000.0 * line.slope_std_error,
                line.p,
                trend.line.p_adjusted,
            ];
            for (key, value) in keys.into_iter().zip(values) {
                finding = finding.number(key, value);
            }
        }
        Some(finding)
    }

    fn worse(&self, machine: &str, chance: f64) -> Option<Finding> {
        let group = self.machine(machine)?;
        let tested = group.against_others?;
        let more_db = tested.test.difference;
        if tested.p_adjusted >= chance || more_db < WORTH_SAYING_DB {
            return None;
        }
        let message = format!(
            "machine {machine}: its {} splices lose {more_db:.3} ± {:.3} dB more than the others; \
             look at the machine, the cleaver and the hands",
            group.splices, tested.test.std_error
        );
        Some(
            self.finding(machine, message)
                .number("more_than_others_db", more_db)
                .number("more_than_others_std_error_db", tested.test.std_error)
                .number("p", tested.test.p)
                .number("p_adjusted", tested.p_adjusted),
        )
    }

    fn estimates(&self, machine: &str, chance: f64) -> Option<Finding> {
        let group = self.machine(machine)?;
        let tested = group.bias?;
        let bias_db = tested.test.mean;
        if tested.p_adjusted >= chance || bias_db.abs() < WORTH_SAYING_DB {
            return None;
        }
        let side = if bias_db > 0.0 { "below" } else { "above" };
        let message = format!(
            "machine {machine}: its estimates lie {:.3} ± {:.3} dB {side} what was measured \
             ({} splices); do not accept joints on them",
            bias_db.abs(),
            tested.test.std_error,
            tested.test.n
        );
        Some(
            self.finding(machine, message)
                .number("measured_less_estimated_db", bias_db)
                .number(
                    "measured_less_estimated_std_error_db",
                    tested.test.std_error,
                )
                .number("measured_less_estimated_std_db", tested.test.std)
                .number("p", tested.test.p)
                .number("p_adjusted", tested.p_adjusted),
        )
    }

    fn machine(&self, name: &str) -> Option<&super::compare::Group> {
        (self.groups.iter()).find(|group| group.by == GroupBy::Machine && group.name == name)
    }

    fn finding(&self, machine: &str, message: String) -> Finding {
        let splices = self.machine(machine).map_or(0, |group| group.splices);
        Finding::of(FindingKind::SplicingMachine, Vec::new(), message)
            .text("machine", machine)
            .number("splices", splices as f64)
            .number("tests", self.tests as f64)
    }
}

fn told(trend: &Trend) -> String {
    let line = trend.line.test;
    let what = match trend.part {
        Part::Electrodes => "arcs since the electrodes were new",
        Part::Blade => "cleaves since the blade was turned",
    };
    format!(
        "by {:.3} ± {:.3} dB over {:.0} to {:.0} {what}",
        trend.rise().db(),
        line.slope_std_error * (trend.counts.1 - trend.counts.0),
        trend.counts.0,
        trend.counts.1
    )
}
