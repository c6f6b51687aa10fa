//! A comparison for a person.

use super::TableSettings;
use super::grid::{Align, Heading, grid, title, wrapped};
use super::head::named;
use super::paint::{Paint, marked, painted};
use crate::compare::{Comparison, Difference, LinkComparison, Outcome, Quantity};
use crate::report::number::{signed, with_error};
use crate::report::plain::plain_text;

/// Writes what changed: how sure it is, then link by link every joint, and whatever else
/// is not unchanged.
pub fn compare(comparison: &Comparison, settings: &TableSettings) -> String {
    let width = settings.width.max(60);
    let mut text = wrapped(
        &marked("Before and after, two-way values", Paint::Strong),
        width,
        0,
    );
    let counts: Vec<String> = [
        Outcome::Worse,
        Outcome::Better,
        Outcome::New,
        Outcome::Vanished,
        Outcome::NotComparable,
        Outcome::Unchanged,
    ]
    .into_iter()
    .map(|outcome| (comparison.joints_that_are(outcome), outcome))
    .filter(|(count, _)| *count > 0)
    .map(|(count, outcome)| format!("{count} {}", outcome.word()))
    .collect();
    text.push_str(&wrapped(
        &format!("Joints: {}.", counts.join(", ")),
        width,
        0,
    ));
    text.push_str(&wrapped(
        &format!(
            "A change counts beyond {} standard errors of the difference; of {} joints compared, \
             {:.2} would show one by chance if none had changed. Unchanged means that no change \
             shows, not that there is none.",
            comparison.coverage,
            comparison.joints_compared(),
            comparison.changed_by_chance()
        ),
        width,
        0,
    ));
    if comparison.links.len() > 1 {
        text.push_str(&changed(comparison, width));
    }
    for link in &comparison.links {
        text.push_str(&one_link(link, width));
    }
    if !comparison.unmatched.is_empty() {
        text.push_str(&title("Not compared"));
        for one in &comparison.unmatched {
            let sentence = format!("- {}: {}", plain_text(&one.link), one.reason);
            text.push_str(&wrapped(&sentence, width, 2));
        }
    }
    painted(&text, settings.colour)
}

/// Of several links the joints that are not unchanged, the greatest change first.
fn changed(comparison: &Comparison, width: usize) -> String {
    let mut found: Vec<(&LinkComparison, &Difference)> = (comparison.links.iter())
        .flat_map(|link| link.differences.iter().map(move |one| (link, one)))
        .filter(|(_, one)| one.quantity == Quantity::JointLoss)
        .filter(|(_, one)| !matches!(one.outcome, Outcome::Unchanged | Outcome::NotComparable))
        .collect();
    let size = |one: &Difference| {
        let loss = one.change.0.or(one.after.0).or(one.before.0);
        loss.map_or(0.0, f64::abs)
    };
    found.sort_by(|p, q| size(q.1).total_cmp(&size(p.1)));
    let mut text = title("Joints that changed, the greatest change first");
    if found.is_empty() {
        text.push_str("none\n");
        return text;
    }
    let rows = (found.iter())
        .map(|(link, one)| {
            let head = &link.after.link;
            let [_, place, _, values @ ..] = row(one);
            let joint = plain_text(one.joint.as_deref().unwrap_or("—"));
            let mut cells = vec![
                named(head.fibre.as_ref()),
                format!("{}", head.wavelength_nm),
                joint,
                place,
            ];
            cells.extend(values);
            cells
        })
        .collect();
    let headings = [
        Heading("fibre", Align::Left),
        Heading("\nnm", Align::Right),
        Heading("joint", Align::Left),
        Heading("place\nm", Align::Right),
        Heading("before\ndB", Align::Right),
        Heading("after\ndB", Align::Right),
        Heading("change\ndB", Align::Right),
        Heading("outcome", Align::Left),
    ];
    text.push_str(&grid(&headings, rows, width));
    text
}

fn one_link(link: &LinkComparison, width: usize) -> String {
    let head = &link.after.link;
    let mut text = title(&format!(
        "Cable {}, fibre {}, {} nm",
        named(head.cable.as_ref()),
        named(head.fibre.as_ref()),
        head.wavelength_nm
    ));
    let rows = link
        .differences
        .iter()
        .filter(|one| {
            matches!(
                one.quantity,
                Quantity::JointLoss | Quantity::Length | Quantity::LinkLoss
            ) || one.outcome != Outcome::Unchanged
        })
        .map(|one| row(one).to_vec())
        .collect();
    let headings = [
        Heading("no. before\nand after", Align::Left),
        Heading("place\nm", Align::Right),
        Heading("what", Align::Left),
        Heading("before", Align::Right),
        Heading("after", Align::Right),
        Heading("change", Align::Right),
        Heading("outcome", Align::Left),
    ];
    text.push_str(&grid(&headings, rows, width));
    let reasons = link.differences.iter().filter_map(|one| {
        let at = one
            .at_after_m
            .or(one.at_before_m)
            .map_or_else(String::new, |at_m| format!(" at {} m", signed(at_m, 1)));
        let reason = plain_text(one.reason.as_ref()?);
        Some(format!(
            "- {}{at}, {}: {reason}",
            one.quantity.word(),
            one.outcome.word()
        ))
    });
    let weaker = link
        .weaker
        .iter()
        .map(|one| format!("{} {}", marked("!", Paint::Doubtful), plain_text(one)));
    for sentence in reasons.chain(weaker) {
        text.push_str(&wrapped(&sentence, width, 2));
    }
    text
}

fn row(one: &Difference) -> [String; 7] {
    let number = |number: Option<usize>| number.map_or_else(|| "—".to_owned(), |n| n.to_string());
    let numbers = if one.number_before.is_none() && one.number_after.is_none() {
        String::new()
    } else {
        format!(
            "{} → {}",
            number(one.number_before),
            number(one.number_after)
        )
    };
    let decimals = match one.quantity {
        Quantity::Length | Quantity::ReflectanceFromA | Quantity::ReflectanceFromB => 1,
        _ => 3,
    };
    let value = |(value, error): (Option<f64>, Option<f64>)| {
        value.map_or_else(
            || "—".to_owned(),
            |value| with_error(value, error, decimals),
        )
    };
    let what = match &one.joint {
        Some(joint) => format!("{}, {}", one.quantity.word(), plain_text(joint)),
        None => format!("{}, {}", one.quantity.word(), one.quantity.unit()),
    };
    let outcome = one.outcome.word();
    [
        numbers,
        one.at_after_m
            .or(one.at_before_m)
            .map_or_else(String::new, |at_m| signed(at_m, 1)),
        what,
        value(one.before),
        value(one.after),
        value(one.change),
        match one.outcome {
            Outcome::Worse => marked(outcome, Paint::Bad),
            Outcome::Better => marked(outcome, Paint::Good),
            Outcome::Unchanged => outcome.to_owned(),
            _ => marked(outcome, Paint::Doubtful),
        },
    ]
}
