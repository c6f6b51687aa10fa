//! The sheet to take along to a closure: what to splice again, where it lies, what it
//! can win, how long it takes, and what can hurt.
//!
//! [`visit_sheets`] gives plain data, so that a page can be laid out from it;
//! [`visit_sheet_text`] sets it as text that prints as it is.

use std::fmt::Write as _;

use crate::both_ways::Verdict;
use crate::cable::{CableResult, Fibre, RedoEntry, Visit, VisitStep};
use crate::units::{Length, Loss, Measured, Measurement, Position, Wavelength};

use super::number::{loss_with_error, signed};
use super::plain::plain_text;
use super::table::wrapped;

/// Characters in a line of the sheet: what a page holds in a type that can be read at arm's length.
const WIDTH: usize = 80;

/// What can hurt at a closure, in short. Local rules and licensed practice come first.
///
/// Common practice of the trade; no limit of power or time is stated, because those
/// depend on the edition of the standard and on the place.
pub const CAUTIONS: [(&str, &str); 5] = [
    (
        "Laser light",
        "It cannot be seen at these wavelengths. Make sure that every source and all traffic on \
         the fibres is off, and stays off, before they are opened. Never look into a fibre, \
         connector or port, least of all through a microscope.",
    ),
    (
        "Glass",
        "Wear eye protection. Scraps of fibre go into a closed container at once; no food or \
         drink at the bench; wash hands afterwards.",
    ),
    (
        "Splicing machine",
        "It makes an arc at high voltage. Never switch it on in gas, vapour or dust that can \
         burn, and keep its cover closed.",
    ),
    (
        "Cable",
        "Its metal parts may be live, and other cables beside it may carry mains or feeding \
         voltage. Test and earth as the owner's rules say; leave the rest to people licensed for it.",
    ),
    (
        "Chamber, pole and road",
        "Chambers hold gas and too little air: test before and while inside, and never go in \
         alone. Mind traffic and heights. Entry, climbing and road works need their own permits.",
    ),
];

/// Sentence that stands above the cautions.
pub const RULES_FIRST: &str = "Local rules, the owner's method statement and licensed practice come \
                               before this sheet. It is a calculation, not a permit.";

/// One closure to open.
#[derive(Debug, Clone, PartialEq)]
pub struct VisitSheet {
    /// Cable's name.
    pub cable: Option<String>,
    /// End A.
    pub from: Option<String>,
    /// End B.
    pub to: Option<String>,
    /// The closure.
    pub closure: String,
    /// Along the route from A, where a plan tells.
    pub chainage_from_a: Option<Length>,
    /// Along the route from B.
    pub chainage_from_b: Option<Length>,
    /// Fibres of the cable, and how many of them lose how much here at the wavelengths measured.
    pub usual: Vec<UsualLoss>,
    /// The joints to splice again, most worth it first.
    pub joints: Vec<SheetJoint>,
    /// Steps of the visit with their times.
    pub steps: Vec<VisitStep>,
    /// Time of these steps in seconds.
    pub seconds: f64,
    /// Steps whose times nobody gave.
    pub not_counted: Vec<String>,
}

/// What all fibres lose in this closure at one wavelength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsualLoss {
    /// The wavelength.
    pub wavelength: Wavelength,
    /// Fibres measured here.
    pub measured: usize,
    /// Their mean.
    pub mean: Option<Loss>,
}

/// One joint to splice again.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetJoint {
    /// Rank in the whole redo list.
    pub rank: usize,
    /// The fibre with tube and colour.
    pub fibre: Fibre,
    /// Wavelength at which it is worst.
    pub wavelength: Wavelength,
    /// Fibre from A's first connector to the joint.
    pub from_a: Position,
    /// Fibre from B's last connector to the joint; none where the length was not measured.
    pub from_b: Option<Length>,
    /// Two-way loss.
    pub loss: Measured<Loss>,
    /// Reading of the trace from A.
    pub loss_a_to_b: Option<Loss>,
    /// Reading of the trace from B.
    pub loss_b_to_a: Option<Loss>,
    /// What the two fibres force at most; none where it cannot be said.
    pub forced: Option<Measured<Loss>>,
    /// What work can win; none where it cannot be said.
    pub workmanship: Option<Measured<Loss>>,
    /// Loss to expect of the new joint.
    pub expected_after: Option<Loss>,
    /// What that expectation rests on.
    pub expected_from: String,
    /// Verdict on the link after this and all other entries of it.
    pub link_verdict_after: Verdict,
}

/// The sheets of a cable, one for each closure to open, in the order of the visits.
pub fn visit_sheets(cable: &CableResult) -> Vec<VisitSheet> {
    cable
        .visits
        .iter()
        .filter_map(|visit| sheet(cable, visit))
        .collect()
}

fn sheet(cable: &CableResult, visit: &Visit) -> Option<VisitSheet> {
    let place = cable.joints.get(visit.joint)?;
    let entries: Vec<&RedoEntry> = (visit.entries.iter())
        .filter_map(|&entry| cable.redo.get(entry))
        .collect();
    let first = entries.first()?;
    Some(VisitSheet {
        cable: cable.name.clone(),
        from: cable.from.clone(),
        to: cable.to.clone(),
        closure: place.name.clone(),
        chainage_from_a: first.chainage_from_a,
        chainage_from_b: first.chainage_from_b,
        usual: (place.statistics.iter())
            .map(|it| UsualLoss {
                wavelength: it.wavelength,
                measured: it.measured,
                mean: it.mean,
            })
            .collect(),
        joints: entries
            .into_iter()
            .filter_map(|entry| joint(cable, entry))
            .collect(),
        steps: visit.steps.clone(),
        seconds: visit.seconds,
        not_counted: visit.not_counted.clone(),
    })
}

fn joint(cable: &CableResult, entry: &RedoEntry) -> Option<SheetJoint> {
    let fibre = cable.fibres.get(entry.fibre)?.clone();
    let wavelength_idx = (cable.wavelengths.iter()).position(|nm| *nm == entry.wavelength);
    let cell = wavelength_idx
        .and_then(|wavelength| cable.matrix.cell(entry.fibre, entry.joint, wavelength));
    let length = cable
        .links
        .iter()
        .find(|it| it.fibre == entry.fibre && Some(it.wavelength) == wavelength_idx)
        .and_then(|it| it.link.length.as_ref().ok());
    let reading = |of: &Measurement<Loss>| of.as_ref().ok().map(|it| it.value);
    Some(SheetJoint {
        rank: entry.rank,
        fibre,
        wavelength: entry.wavelength,
        from_a: entry.position,
        from_b: length.map(|it| Length::from_m(it.value.m() - entry.position.m())),
        loss: entry.loss,
        loss_a_to_b: cell.and_then(|cell| reading(&cell.loss_a_to_b)),
        loss_b_to_a: cell.and_then(|cell| reading(&cell.loss_b_to_a)),
        forced: entry.forced,
        workmanship: entry.workmanship,
        expected_after: entry.expected_after,
        expected_from: entry.expected_from.clone(),
        link_verdict_after: entry.link_verdict_after,
    })
}

/// The sheet as text of 80 characters a line, with room to write in the new losses.
///
/// # Example
/// See `tests/it/visit_sheet.rs` for a whole one.
pub fn visit_sheet_text(sheet: &VisitSheet) -> String {
    let mut text = format!("VISIT SHEET  {}\n", plain_text(&sheet.closure));
    text.push_str(&"─".repeat(WIDTH));
    text.push('\n');
    let name = |name: &Option<String>, else_: &str| {
        name.as_deref().map_or_else(|| else_.to_owned(), plain_text)
    };
    row(
        &mut text,
        "cable",
        &format!(
            "{}, from {} (A) to {} (B)",
            name(&sheet.cable, "not named"),
            name(&sheet.from, "end A"),
            name(&sheet.to, "end B")
        ),
    );
    row(&mut text, "route", &route(sheet));
    let usual: Vec<String> = (sheet.usual.iter()).filter_map(usual).collect();
    row(&mut text, "usual here", &or_not_measured(usual.join("; ")));
    row(&mut text, "to do", &to_do(sheet));
    text.push_str("\nJOINTS TO SPLICE AGAIN\n");
    for joint in &sheet.joints {
        text.push('\n');
        joint_text(&mut text, joint);
    }
    text.push_str("\nTIME\n");
    times(&mut text, sheet);
    text.push_str("\nCAUTIONS\n");
    text.push_str(&wrapped(RULES_FIRST, WIDTH, 0));
    for (what, caution) in CAUTIONS {
        text.push_str(&wrapped(&format!("- {what}: {caution}"), WIDTH, 2));
    }
    text
}

/// A line with a label; what does not fit goes on below the value.
fn row(text: &mut String, label: &str, value: &str) {
    const LABEL: usize = 12;
    let line = wrapped(value, WIDTH - LABEL, 0);
    for (idx, part) in line.lines().enumerate() {
        let label = if idx == 0 { label } else { "" };
        let _ = writeln!(text, "{label:LABEL$}{part}");
    }
}

fn metres(m: f64) -> String {
    format!("{} m", signed(m, 1))
}

fn or_not_measured(text: String) -> String {
    if text.is_empty() {
        "not measured".to_owned()
    } else {
        text
    }
}

fn route(sheet: &VisitSheet) -> String {
    let part = |length: Option<Length>, end: &str| {
        length.map(|length| format!("{} from {end}", metres(length.m())))
    };
    let parts: Vec<String> = [
        part(sheet.chainage_from_a, "A"),
        part(sheet.chainage_from_b, "B"),
    ]
    .into_iter()
    .flatten()
    .collect();
    if parts.is_empty() {
        "not known: the plan gives no chainages; go by the metres of fibre below".to_owned()
    } else {
        format!("{} along the cable", parts.join(", "))
    }
}

fn usual(it: &UsualLoss) -> Option<String> {
    let mean = it.mean?;
    Some(format!(
        "{} dB at {:.0} nm (mean of {} fibres)",
        signed(mean.db(), 3),
        it.wavelength.nm(),
        it.measured
    ))
}

fn to_do(sheet: &VisitSheet) -> String {
    let joints = match sheet.joints.len() {
        1 => "1 joint".to_owned(),
        more => format!("{more} joints"),
    };
    let open = if sheet.not_counted.is_empty() {
        ""
    } else {
        " and what is not counted below"
    };
    format!("{joints}; {}{open}", duration(sheet.seconds))
}

/// Minutes, from an hour on hours and minutes; below a minute seconds.
fn duration(seconds: f64) -> String {
    if seconds < 60.0 {
        return format!("{seconds:.0} s");
    }
    let minutes = (seconds / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

fn joint_text(text: &mut String, joint: &SheetJoint) {
    let mut who = format!("fibre {}", plain_text(&joint.fibre.name));
    for (what, name) in [("tube", &joint.fibre.tube), ("colour", &joint.fibre.colour)] {
        if let Some(name) = name {
            // Tubes without a name of their own are numbered: `tube 2`.
            let word = if name.starts_with(what) { "" } else { what };
            let _ = write!(who, ", {}", format!("{word} {}", plain_text(name)).trim());
        }
    }
    text.push_str(&wrapped(&format!("[ ] {who}"), WIDTH, 4));
    let mut line = |label: &str, value: &str| row(text, &format!("    {label}"), value);
    let from_b = joint.from_b.map_or_else(
        || "from B not known (length not measured)".to_owned(),
        |length| format!("{} from B's", metres(length.m())),
    );
    line(
        "place",
        &format!(
            "{} of fibre from A's connector, {from_b}",
            metres(joint.from_a.m())
        ),
    );
    let reading = |loss: Option<Loss>| loss.map_or("—".to_owned(), |it| signed(it.db(), 3));
    line(
        "loss",
        &format!(
            "{} dB two-way at {:.0} nm ({} from A, {} from B)",
            loss_with_error(&joint.loss),
            joint.wavelength.nm(),
            reading(joint.loss_a_to_b),
            reading(joint.loss_b_to_a)
        ),
    );
    line("of it", &shares(joint));
    let after = joint.expected_after.map_or_else(
        || "cannot be said".to_owned(),
        |loss| format!("{} dB", signed(loss.db(), 3)),
    );
    line(
        "after",
        &format!("{after} ({})", plain_text(&joint.expected_from)),
    );
    line(
        "link",
        &format!("then {}", verdict(joint.link_verdict_after)),
    );
    line(
        "new",
        "estimate ________ dB    measured two-way ________ dB",
    );
    line(
        "",
        "date ____________  machine __________  arcs _______  by __________",
    );
}

fn shares(joint: &SheetJoint) -> String {
    match (&joint.forced, &joint.workmanship) {
        (Some(forced), Some(workmanship)) => format!(
            "work can win {} dB; the two fibres force up to {} dB",
            loss_with_error(workmanship),
            loss_with_error(forced)
        ),
        (None, Some(workmanship)) => {
            format!("work can win {} dB", loss_with_error(workmanship))
        }
        _ => "what work can win cannot be said".to_owned(),
    }
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "passes, with all joints of it on the list done as expected",
        Verdict::Fail => "still fails, even with all joints of it on the list done as expected",
        Verdict::Undecided => "undecided, even with all joints of it on the list done as expected",
        Verdict::NotJudged => "not judged: no limits were given",
    }
}

fn times(text: &mut String, sheet: &VisitSheet) {
    for step in &sheet.steps {
        let origin = if step.given {
            "given"
        } else {
            "common practice, no source"
        };
        let each = if step.times == 1 {
            String::new()
        } else {
            format!("{} × {} = ", step.times, duration(step.seconds))
        };
        let total = duration(step.times as f64 * step.seconds);
        let line = format!("- {}: {each}{total} ({origin})", plain_text(&step.step));
        text.push_str(&wrapped(&line, WIDTH, 2));
    }
    if !sheet.not_counted.is_empty() {
        let missing: Vec<String> = (sheet.not_counted.iter())
            .map(|step| plain_text(step))
            .collect();
        let line = format!("- not counted, no time given: {}", missing.join(", "));
        text.push_str(&wrapped(&line, WIDTH, 2));
    }
    text.push_str(&wrapped(
        &format!("- together: {}", duration(sheet.seconds)),
        WIDTH,
        2,
    ));
}

#[cfg(test)]
mod tests {
    use super::duration;

    #[test]
    fn durations_are_as_people_say_them() {
        assert_eq!(duration(15.0), "15 s");
        assert_eq!(duration(90.0), "2 min");
        assert_eq!(duration(3900.0), "1 h 05 min");
        assert_eq!(duration(3599.0), "1 h 00 min");
    }
}
