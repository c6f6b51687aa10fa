//! The figures as Markdown tables.

use std::fmt::Write as _;

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::score::{Case, KINDS, SIZES, Tally, rms, share_outside};

/// The tables of all kinds of links, filled row by row.
#[derive(Debug, Default)]
pub(crate) struct Table {
    found: String,
    errors: String,
    kinds: String,
    remarks: String,
    /// Whether the baselines' cases are named too.
    names_all: bool,
}

/// Most single cases named under a table.
const NAMED: usize = 6;

impl Table {
    /// An empty table that names the baselines' cases too, or only the program's.
    pub(crate) fn new(names_all: bool) -> Self {
        Self {
            names_all,
            ..Self::default()
        }
    }

    /// Adds the rows of one kind of link measured in one way.
    pub(crate) fn add(&mut self, scenario: &str, method: &str, tally: &Tally) {
        let name = format!("| {scenario} | {method} |");
        let _ = write!(self.found, "{name} {} |", tally.links);
        for (found, all) in tally.found {
            let _ = match all {
                0 => write!(self.found, " – |"),
                _ => write!(self.found, " {:.0} % of {all} |", percent(found, all)),
            };
        }
        let _ = writeln!(
            self.found,
            " {} | {} | {} | {:.0} |",
            tally.false_events.len(),
            tally.doubled.len(),
            tally.echoes_taken.len(),
            tally.km
        );
        let _ = writeln!(
            self.errors,
            "{name} {} | {} | {} | {} | {} | {} | {} | {} | {} | {:.2} |",
            of(&tally.loss_by_bound, 1.0, 2),
            of(&tally.clear_losses, 1000.0, 2),
            of(&tally.place_by_bound, 1.0, 2),
            of(&tally.reflections, 1.0, 2),
            of(&tally.lengths, 1.0, 2),
            of(&tally.reflectances, 1.0, 2),
            calibration(&tally.loss_by_error),
            calibration(&tally.place_by_error),
            of(&tally.place_by_bound_core(), 1.0, 2),
            median(&tally.seconds)
        );
        if method == "bothends" {
            for (counts, truth) in tally.kinds.iter().zip(["connector", "splice", "echo"]) {
                if counts.iter().sum::<usize>() > 0 {
                    let _ = write!(self.kinds, "| {scenario} | {truth} |");
                    for count in counts {
                        let _ = write!(self.kinds, " {count} |");
                    }
                    self.kinds.push('\n');
                }
            }
        }
        if method == "bothends" || self.names_all {
            self.remark(&format!("{scenario}, {method}"), tally);
        }
    }

    /// Names the cases that fall short.
    fn remark(&mut self, scenario: &str, tally: &Tally) {
        for (seed, reason) in tally.refused.iter().take(NAMED) {
            let _ = writeln!(self.remarks, "- {scenario}, seed {seed} refused: {reason}");
        }
        let missed: Vec<Case> = tally
            .missed
            .iter()
            .copied()
            .filter(|m| m.value >= 7.0)
            .collect();
        let reflections = worst(&tally.reflections, 1.0);
        let places: Vec<Case> = worst(&tally.place_by_bound, 4.0);
        let losses: Vec<Case> = worst(&tally.loss_by_bound, 4.0);
        for (what, cases) in [
            ("missed, size in bounds", &missed),
            ("false, loss in dB", &tally.false_events),
            ("found twice, metres off", &tally.doubled),
            ("echo taken for an event, loss in dB", &tally.echoes_taken),
            ("loss error in bounds", &losses),
            ("place error in bounds", &places),
            ("reflection, samples off", &reflections),
            ("length error in metres", &worst(&tally.lengths, 0.5)),
        ] {
            for case in cases.iter().take(NAMED) {
                let _ = writeln!(
                    self.remarks,
                    "- {scenario}, seed {} at {:.1} m: {what}: {:.3}",
                    case.seed, case.at_m, case.value
                );
            }
        }
    }

    /// All tables.
    pub(crate) fn text(&self) -> String {
        let mut text = String::from("\nJoints found by size in bounds, and what is none:\n\n");
        text.push_str("| links | method | links |");
        let mut lower = 0.0;
        for upper in SIZES {
            let _ = if upper.is_finite() {
                write!(text, " {lower:.0}–{upper:.0} |")
            } else {
                write!(text, " over {lower:.0} |")
            };
            lower = upper;
        }
        text.push_str(" false | found twice | echo taken | km |\n|---|---|---|");
        text.push_str(&"---|".repeat(SIZES.len() + 4));
        let _ = write!(text, "\n{}", self.found);
        text.push_str(
            "\nErrors, root mean square (of how many). Places are counted from the first connector, and \
             their bounds are those of that distance: the first connector's own place and how B's axis \
             lies on A's, by all that both traces see, are in them:\n\n\
             | links | method | loss/bound | loss where bound < 3 mdB, mdB | place/bound | \
             reflection, samples | length, m | reflectance, dB | loss/stated error (outside ±2) | \
             place/stated error (outside ±2) | place/bound, middle 68 % | s per link |\n\
             |---|---|---|---|---|---|---|---|---|---|---|---|\n",
        );
        text.push_str(&self.errors);
        text.push_str("\nWhat events were taken for:\n\n| links | true |");
        for (_, name) in KINDS {
            let _ = write!(text, " {name} |");
        }
        text.push_str("\n|---|---|---|---|---|---|---|\n");
        text.push_str(&self.kinds);
        if !self.remarks.is_empty() {
            let _ = write!(text, "\nCases that fall short:\n\n{}", self.remarks);
        }
        text
    }
}

/// Head of the table of false events.
pub(crate) fn bare_head() -> &'static str {
    "\nFalse events on bare fibre:\n\n\
     | method | setting per 1,000 km | km | found | per 1,000 km | 95 % upper limit | measured/setting |\n\
     |---|---|---|---|---|---|---|\n"
}

/// One row of false events on bare fibre.
pub(crate) fn bare_row(method: &str, setting: f64, tally: &Tally) -> String {
    let count = tally.false_events.len();
    let per = 1000.0 / tally.km;
    let mut row = format!(
        "| {method} | {setting} | {:.0} | {count} | {:.2} | {:.2} | {:.2} |\n",
        tally.km,
        count as f64 * per,
        upper_limit(count) * per,
        count as f64 * per / setting
    );
    if !tally.refused.is_empty() {
        let _ = writeln!(row, "| {} links refused |", tally.refused.len());
    }
    row
}

/// Where bare fibre showed events, and what was refused.
pub(crate) fn bare_cases(tally: &Tally) -> String {
    let mut text = String::from("\n");
    for (seed, reason) in tally.refused.iter().take(NAMED) {
        let _ = writeln!(text, "- bare fibre, seed {seed} refused: {reason}");
    }
    for case in tally.false_events.iter().take(2 * NAMED) {
        let _ = writeln!(
            text,
            "- bare fibre, seed {} at {:.1} m: false, loss in dB: {:.4}",
            case.seed, case.at_m, case.value
        );
    }
    text
}

/// Upper limit of a Poisson mean at 95 % from a count: half of a χ² quantile.
pub(crate) fn upper_limit(count: usize) -> f64 {
    ChiSquared::new(2.0 * (count as f64 + 1.0)).map_or(f64::NAN, |d| 0.5 * d.inverse_cdf(0.95))
}

fn percent(part: usize, all: usize) -> f64 {
    100.0 * part as f64 / all as f64
}

fn of(values: &[Case], scale: f64, decimals: usize) -> String {
    match values.len() {
        0 => "–".to_owned(),
        n => format!("{:.decimals$} ({n})", rms(values) * scale),
    }
}

fn calibration(values: &[Case]) -> String {
    match values.len() {
        0 => "–".to_owned(),
        _ => format!(
            "{:.2} ({:.1} %)",
            rms(values),
            100.0 * share_outside(values, 2.0)
        ),
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Values beyond a limit, the greatest first.
fn worst(values: &[Case], limit: f64) -> Vec<Case> {
    let mut worst: Vec<Case> = values
        .iter()
        .copied()
        .filter(|v| v.value.abs() > limit)
        .collect();
    worst.sort_by(|p, q| q.value.abs().total_cmp(&p.value.abs()));
    worst
}
