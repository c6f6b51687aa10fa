//! The table of a whole cable: what is wrong, what to redo, then the numbers.

use std::fmt::Write as _;

use super::TableSettings;
use super::grid::{Align, Heading, grid, title, wrapped};
use super::paint::painted;
use crate::both_ways::Verdict;
use crate::cable::{CableResult, FindingKind, JointKind};
use crate::report::number::{loss_with_error, signed};
use crate::report::plain::{plain_text, shortened};
use crate::units::{Attenuation, Length, Loss};
use crate::verdict::Judgement;

/// Fewest characters that anything useful fits in.
const LEAST_WIDTH: usize = 60;
/// Findings of one kind that are listed; JSON and CSV have all.
const MOST_OF_A_KIND: usize = 40;
/// Longest name of a joint or file in a row.
const LONGEST_NAME: usize = 28;

/// Writes a cable for a person.
pub fn cable(result: &CableResult, settings: &TableSettings) -> String {
    let width = settings.width.max(LEAST_WIDTH);
    let mut text = head(result, width);
    text.push_str(&findings(result, width));
    text.push_str(&redo(result, width));
    text.push_str(&super::verdicts::failed(result, MOST_OF_A_KIND, width));
    text.push_str(&joints(result, width));
    text.push_str(&fibres(result, width));
    text.push_str(&matrix(result, width));
    text.push_str(&calibration(result, width));
    text.push_str(&skipped(result, width));
    text.push_str(&super::trace::warnings(&result.warnings, width));
    painted(&text, settings.colour)
}

fn head(result: &CableResult, width: usize) -> String {
    let name = result
        .name
        .as_deref()
        .map_or_else(|| "Cable".to_owned(), |n| format!("Cable {n}"));
    let waves: Vec<String> = result
        .wavelengths
        .iter()
        .map(|w| format!("{}", w.nm()))
        .collect();
    let (planned, measured) = (result.fibres.len(), result.fibres_measured());
    let count = if measured < planned {
        format!("{measured} of {planned}")
    } else {
        planned.to_string()
    };
    let mut text = format!(
        "{}, {count} fibres at {} nm, measured from both ends\n",
        plain_text(&name),
        waves.join(" and ")
    );
    let mut row = |key: &str, value: String| {
        let lines = wrapped(&value, width.saturating_sub(14), 0);
        for (index, line) in lines.lines().enumerate() {
            let _ = writeln!(text, "{:<14}{line}", if index == 0 { key } else { "" });
        }
    };
    row(
        "end A",
        plain_text(result.from.as_deref().unwrap_or("not named")),
    );
    row(
        "end B",
        plain_text(result.to.as_deref().unwrap_or("not named")),
    );
    if let Some(length) = result.length {
        row(
            "length",
            format!("{:.1} m of fibre, the middle one of all fibres", length.m()),
        );
    }
    row(
        "measured",
        format!(
            "{} links, {} joints between the ends",
            result.links.len(),
            result
                .joints
                .iter()
                .filter(|j| j.kind == JointKind::Joint)
                .count()
        ),
    );
    let rules = &result.rules;
    row(
        "judged",
        match &rules.limits {
            Some(name) => format!(
                "by {}, keeping {} standard errors: {}",
                plain_text(name),
                rules.coverage,
                verdict_word(result.verdict())
            ),
            None => format!(
                "not judged; a splice counts as bad above {} dB two-way ({}) by {} standard errors",
                rules.bad_splice.db(),
                if rules.bad_splice_is_default {
                    "common contract value"
                } else {
                    "as given"
                },
                rules.coverage
            ),
        },
    );
    text
}

fn findings(result: &CableResult, width: usize) -> String {
    let mut text = title("What is wrong");
    if result.findings.is_empty() {
        text.push_str("nothing found\n");
        return text;
    }
    for kind in FindingKind::ALL {
        let of_kind: Vec<_> = result.findings.iter().filter(|f| f.kind == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        let _ = writeln!(text, "{} ({})", kind.word(), of_kind.len());
        for finding in of_kind.iter().take(MOST_OF_A_KIND) {
            text.push_str(&wrapped(
                &format!("- {}", plain_text(&finding.message)),
                width,
                2,
            ));
        }
        if of_kind.len() > MOST_OF_A_KIND {
            let _ = writeln!(
                text,
                "- and {} more, in the JSON",
                of_kind.len() - MOST_OF_A_KIND
            );
        }
    }
    text
}

fn redo(result: &CableResult, width: usize) -> String {
    let mut text = title("What to splice again, most worth it first");
    if result.redo.is_empty() {
        text.push_str("nothing\n");
        return text;
    }
    let metres = |m: Option<Length>| m.map_or_else(|| "—".to_owned(), |m| format!("{:.0}", m.m()));
    let rows = result
        .redo
        .iter()
        .map(|entry| {
            let fibre = result.fibres.get(entry.fibre);
            let place: Vec<&str> = [
                fibre.and_then(|f| f.tube.as_deref()),
                fibre.and_then(|f| f.colour.as_deref()),
            ]
            .into_iter()
            .flatten()
            .collect();
            vec![
                entry.rank.to_string(),
                joint_name(result, entry.joint),
                plain_text(fibre.map_or("", |f| f.name.as_str())),
                plain_text(&place.join(", ")),
                metres(entry.chainage_from_a),
                metres(entry.chainage_from_b),
                loss_with_error(&entry.loss),
                entry
                    .forced
                    .map_or_else(|| "—".to_owned(), |f| signed(f.value.db(), 3)),
                entry
                    .expected_after
                    .map_or_else(|| "—".to_owned(), |e| signed(e.db(), 3)),
                verdict_word(entry.link_verdict_after).to_owned(),
            ]
        })
        .collect();
    let headings = [
        Heading("no.", Align::Right),
        Heading("joint", Align::Left),
        Heading("fibre", Align::Left),
        Heading("tube, colour", Align::Left),
        Heading("from A\nm", Align::Right),
        Heading("from B\nm", Align::Right),
        Heading("two-way\ndB", Align::Right),
        Heading("forced\ndB", Align::Right),
        Heading("after\ndB", Align::Right),
        Heading("link then", Align::Left),
    ];
    text.push_str(&grid(&headings, rows, width));
    for visit in &result.visits {
        let minutes = visit.seconds / 60.0;
        let practice = visit.steps.iter().any(|step| !step.given);
        let mut line = format!(
            "{}: {} joint{}, {minutes:.1} minutes",
            joint_name(result, visit.joint),
            visit.entries.len(),
            if visit.entries.len() == 1 { "" } else { "s" }
        );
        if practice {
            line.push_str(" (fusion and sleeve by common practice, no source)");
        }
        if !visit.not_counted.is_empty() {
            let _ = write!(
                line,
                "; not in it, since no time was given: {}",
                visit.not_counted.join(", ")
            );
        }
        text.push_str(&wrapped(&line, width, 2));
    }
    text
}

const fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "pass",
        Verdict::Fail => "fail",
        Verdict::Undecided => "undecided",
        Verdict::NotJudged => "not judged",
    }
}

fn joint_name(result: &CableResult, joint: usize) -> String {
    let name = result.joints.get(joint).map_or("", |j| j.name.as_str());
    shortened(&plain_text(name), LONGEST_NAME)
}

fn joints(result: &CableResult, width: usize) -> String {
    let mut text =
        title("Joints (places in metres of fibre from A's first connector, losses two-way)");
    let mut rows = Vec::new();
    let mut reasons = Vec::new();
    let statistics = || result.joints.iter().flat_map(|joint| &joint.statistics);
    let is_judged = statistics().any(|one| one.mean_judged.is_some());
    for (index, joint) in result.joints.iter().enumerate() {
        for one in &joint.statistics {
            let db =
                |loss: Option<Loss>| loss.map_or_else(|| "—".to_owned(), |l| signed(l.db(), 3));
            let mean_judged = one.mean_judged.as_ref();
            let mut row = vec![
                joint_name(result, index),
                format!("{:.1}", joint.position.value.m()),
                joint
                    .chainage
                    .map_or_else(|| "—".to_owned(), |c| format!("{:.0}", c.m())),
                format!("{}", one.wavelength.nm()),
                format!("{} of {}", one.measured, result.fibres.len()),
                db(one.mean),
                db(one.max),
                db(one.std),
            ];
            if is_judged {
                row.push(mean_judged.map_or_else(|| "—".to_owned(), in_short));
            }
            rows.push(row);
            reasons.extend(
                mean_judged
                    .filter(|it| it.verdict != Verdict::Pass)
                    .map(|it| {
                        format!(
                            "- {}: mean of {} at {} nm: {}",
                            verdict_word(it.verdict),
                            joint_name(result, index),
                            one.wavelength.nm(),
                            plain_text(&it.reason)
                        )
                    }),
            );
        }
    }
    let mut headings = vec![
        Heading("joint", Align::Left),
        Heading("place\nm", Align::Right),
        Heading("chainage\nm", Align::Right),
        Heading("\nnm", Align::Right),
        Heading("measured", Align::Right),
        Heading("mean\ndB", Align::Right),
        Heading("greatest\ndB", Align::Right),
        Heading("spread\ndB", Align::Right),
    ];
    if is_judged {
        headings.push(Heading("mean against\nits limit", Align::Left));
    }
    text.push_str(&grid(&headings, rows, width));
    for reason in reasons {
        text.push_str(&wrapped(&reason, width, 2));
    }
    text
}

/// A verdict with its limit.
fn in_short(judged: &Judgement) -> String {
    let limit = (judged.limit).map_or_else(String::new, |limit| format!(" at {limit}"));
    format!("{}{limit}", verdict_word(judged.verdict))
}

fn fibres(result: &CableResult, width: usize) -> String {
    let mut text = title("Fibres");
    let rows = result
        .links
        .iter()
        .map(|link| {
            let missing = || "—".to_owned();
            vec![
                plain_text(
                    result
                        .fibres
                        .get(link.fibre)
                        .map_or("", |f| f.name.as_str()),
                ),
                format!("{}", link.link.wavelength.nm()),
                link.link
                    .length
                    .as_ref()
                    .map_or_else(|_| missing(), |l| format!("{:.1}", l.value.m())),
                link.link
                    .loss
                    .as_ref()
                    .map_or_else(|_| missing(), loss_with_error),
                link.link
                    .attenuation
                    .map(Attenuation::db_per_km)
                    .map_or_else(missing, |a| signed(a, 4)),
                verdict_word(link.link.verdict).to_owned(),
            ]
        })
        .collect();
    let headings = [
        Heading("fibre", Align::Left),
        Heading("\nnm", Align::Right),
        Heading("length\nm", Align::Right),
        Heading("two-way loss\ndB", Align::Right),
        Heading("attenuation\ndB/km", Align::Right),
        Heading("verdict", Align::Left),
    ];
    text.push_str(&grid(&headings, rows, width));
    text
}

/// Fibres down, joints across; so many joints in a block as the width holds.
fn matrix(result: &CableResult, width: usize) -> String {
    let mut text = String::new();
    let name_width = result
        .fibres
        .iter()
        .map(|f| plain_text(&f.name).chars().count())
        .max()
        .unwrap_or(5)
        .clamp(5, 12);
    let column = 10;
    let per_block = ((width - name_width) / column).max(1);
    for (w, wavelength) in result.wavelengths.iter().enumerate() {
        let heading = format!(
            "Two-way loss in dB of every fibre at every joint, {} nm",
            wavelength.nm()
        );
        text.push_str(&title(&heading));
        let all: Vec<usize> = (0..result.joints.len()).collect();
        for block in all.chunks(per_block) {
            let mut line = format!("{:<name_width$}", "fibre");
            for &j in block {
                let _ = write!(line, "{:>column$}", short_name(result, j));
            }
            text.push_str(line.trim_end());
            text.push('\n');
            text.push_str(&"─".repeat(name_width + block.len() * column));
            text.push('\n');
            for (f, fibre) in result.fibres.iter().enumerate() {
                let mut line = format!(
                    "{:<name_width$}",
                    shortened(&plain_text(&fibre.name), name_width)
                );
                for &j in block {
                    let cell = result.matrix.cell(f, j, w);
                    let loss = cell.and_then(|c| c.loss.as_ref().ok());
                    let mut value =
                        loss.map_or_else(|| "—".to_owned(), |l| signed(l.value.db(), 3));
                    match cell.map(|c| c.verdict) {
                        Some(Verdict::Fail) => value.push('!'),
                        Some(Verdict::Undecided) => value.push('?'),
                        _ => value.push(' '),
                    }
                    let _ = write!(line, "{value:>column$}");
                }
                text.push_str(line.trim_end());
                text.push('\n');
            }
            text.push('\n');
        }
    }
    text.push_str(&wrapped(
        "— not measured (the CSV and JSON have the reason), ! outside its limit, ? undecided",
        width,
        2,
    ));
    text
}

fn short_name(result: &CableResult, joint: usize) -> String {
    let name = match result.joints.get(joint).map(|j| j.kind) {
        Some(JointKind::EndA) => "A".to_owned(),
        Some(JointKind::EndB) => "B".to_owned(),
        _ => joint_name(result, joint),
    };
    // The end of a long name tells more: closures differ by their number.
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= 9 {
        return name;
    }
    let end: String = letters[letters.len() - 8..].iter().collect();
    format!("…{end}")
}

fn calibration(result: &CableResult, width: usize) -> String {
    let Some(calibration) = &result.calibration else {
        return String::new();
    };
    let mut text = title("From fibre to chainage");
    let helix = calibration.helix_factor;
    let line = format!(
        "fibre = {:.5}{} · chainage + {:.1} ± {:.1} m · (closures passed + ½)",
        helix.value,
        helix
            .std_error
            .map_or_else(|| " (given)".to_owned(), |e| format!(" ± {e:.5}")),
        calibration.slack.value.m(),
        calibration.slack.std_error.map_or(f64::NAN, Length::m),
    );
    text.push_str(&wrapped(&line, width, 2));
    let rows = calibration
        .closures
        .iter()
        .map(|closure| {
            vec![
                shortened(&plain_text(&closure.name), LONGEST_NAME),
                format!("{:.0}", closure.chainage.m()),
                signed(closure.residual.m(), 1),
            ]
        })
        .collect();
    let headings = [
        Heading("closure", Align::Left),
        Heading("chainage\nm", Align::Right),
        Heading("fibre off by\nm", Align::Right),
    ];
    text.push_str(&grid(&headings, rows, width));
    if !calibration.unmatched.is_empty() {
        let names: Vec<String> = calibration
            .unmatched
            .iter()
            .map(|n| plain_text(n))
            .collect();
        text.push_str(&wrapped(
            &format!("no joint found at {}", names.join(", ")),
            width,
            2,
        ));
    }
    text
}

fn skipped(result: &CableResult, width: usize) -> String {
    if result.skipped.is_empty() {
        return String::new();
    }
    let mut text = title("Files without a result");
    for skipped in &result.skipped {
        let line = format!(
            "- {}: {}",
            plain_text(&skipped.file),
            plain_text(&skipped.reason)
        );
        text.push_str(&wrapped(&line, width, 2));
    }
    text
}
