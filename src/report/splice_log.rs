//! The splice log against the measurements, as a table for people.

use std::collections::BTreeMap;

use crate::cable::splice_log::{Group, GroupBy, Part, SpliceLog, Trend};

use super::number::{signed, with_error};
use super::plain::plain_text;
use super::table::{Align, Heading, grid, wrapped};

/// Groups, trends and what they say; `chance` is the one that the findings were made with.
pub fn splice_log_table(log: &SpliceLog, chance: f64, width: usize) -> String {
    let mut text = String::from("Splice log against the measured two-way losses\n");
    let intro = format!(
        "{} splices were logged and measured. Probabilities are two-sided, those adjusted allow \
         for all {} tests of this log (Holm); what follows counts where the adjusted one lies \
         below {chance}.",
        log.splices.len(),
        log.tests
    );
    text.push_str(&wrapped(&intro, width, 0));
    text.push_str("\nGroups\n");
    text.push_str(&groups(log, width));
    if !log.trends.is_empty() {
        text.push_str("\nTrends\n");
        text.push_str(&trends(log, width));
    }
    text.push_str("\nWhat it says\n");
    let findings = log.findings(chance);
    if log.splices.is_empty() {
        text.push_str(&wrapped(
            "- No line belongs to a measured splice: nothing can be said of any machine.",
            width,
            2,
        ));
    } else if findings.is_empty() {
        text.push_str(&wrapped(
            "- Nothing points to a machine: no service on these figures.",
            width,
            2,
        ));
    }
    for finding in findings {
        text.push_str(&wrapped(
            &format!("- {}.", plain_text(&finding.message)),
            width,
            2,
        ));
    }
    if !log.unused.is_empty() {
        text.push_str("\nLines not used\n");
        let mut by_reason: BTreeMap<&str, Vec<String>> = BTreeMap::new();
        for unused in &log.unused {
            let lines = by_reason.entry(&unused.reason).or_default();
            lines.push(unused.line.to_string());
        }
        for (reason, lines) in by_reason {
            let (s, lines) = (if lines.len() == 1 { "" } else { "s" }, lines.join(", "));
            let line = format!("- {}: line{s} {lines}", plain_text(reason));
            text.push_str(&wrapped(&line, width, 2));
        }
    }
    text
}

fn groups(log: &SpliceLog, width: usize) -> String {
    let headings = [
        Heading("group", Align::Left),
        Heading("splices", Align::Right),
        Heading("measured less\nestimated, dB", Align::Right),
        Heading("spread\ndB", Align::Right),
        Heading("p\nadjusted", Align::Right),
        Heading("less than others\n(−) or more, dB", Align::Right),
        Heading("p\nadjusted", Align::Right),
    ];
    grid(&headings, log.groups.iter().map(group_row).collect(), width)
}

fn group_row(group: &Group) -> Vec<String> {
    let name = match group.by {
        GroupBy::All => "all".to_owned(),
        by => format!("{} {}", by.word(), plain_text(&group.name)),
    };
    let none = || "—".to_owned();
    let bias = group.bias.as_ref();
    let others = group.against_others.as_ref();
    vec![
        name,
        group.splices.to_string(),
        bias.map_or_else(none, |it| {
            with_error(it.test.mean, Some(it.test.std_error), 3)
        }),
        bias.map_or_else(none, |it| signed(it.test.std, 3)),
        bias.map_or_else(none, |it| probability(it.p_adjusted)),
        others.map_or_else(none, |it| {
            with_error(it.test.difference, Some(it.test.std_error), 3)
        }),
        others.map_or_else(none, |it| probability(it.p_adjusted)),
    ]
}

fn trends(log: &SpliceLog, width: usize) -> String {
    let headings = [
        Heading("machine", Align::Left),
        Heading("count", Align::Left),
        Heading("splices", Align::Right),
        Heading("from", Align::Right),
        Heading("to", Align::Right),
        Heading("rise for 100\ndB", Align::Right),
        Heading("p", Align::Right),
        Heading("p\nadjusted", Align::Right),
    ];
    grid(&headings, log.trends.iter().map(trend_row).collect(), width)
}

fn trend_row(trend: &Trend) -> Vec<String> {
    let line = trend.line.test;
    let count = match trend.part {
        Part::Electrodes => "arcs since electrodes",
        Part::Blade => "cleaves since blade",
    };
    vec![
        plain_text(&trend.machine),
        count.to_owned(),
        line.n.to_string(),
        signed(trend.counts.0, 0),
        signed(trend.counts.1, 0),
        with_error(100.0 * line.slope, Some(100.0 * line.slope_std_error), 3),
        probability(line.p),
        probability(trend.line.p_adjusted),
    ]
}

/// Two significant digits; what is smaller than any use is said to be.
pub(crate) fn probability(p: f64) -> String {
    if p < 1e-6 {
        return "< 0.000001".to_owned();
    }
    if p >= 0.995 {
        return "1".to_owned();
    }
    let decimals = (1.0 - p.log10().floor()).clamp(2.0, 7.0) as usize;
    format!("{p:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::probability;

    #[test]
    fn probabilities_keep_two_digits() {
        assert_eq!(probability(0.0123), "0.012");
        assert_eq!(probability(0.5), "0.50");
        assert_eq!(probability(0.000_012_3), "0.000012");
        assert_eq!(probability(1e-12), "< 0.000001");
        assert_eq!(probability(1.0), "1");
    }
}
