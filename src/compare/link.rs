//! Everything about one link, before and after.

use crate::both_ways::EventKind;

use super::difference::{Difference, Outcome, Quantity, Side};
use super::matching::{joints, matched, scale};
use super::state::{EventState, LinkState};

/// Standard error of a reflectance read again with the same coefficient, dB (our
/// choice, results state none): at k = 3 a change of 2.1 dB shows.
const REFLECTANCE_REPEAT_DB: f64 = 0.5;

/// One link, measured twice.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkComparison {
    /// The link before.
    pub before: LinkState,
    /// The link after, its ends turned to those before.
    pub after: LinkState,
    /// What differs in the measurements themselves and makes the comparison weaker.
    pub weaker: Vec<String>,
    /// Every quantity, joints by place first.
    pub differences: Vec<Difference>,
}

/// Compares one link with itself, `coverage` standard errors of the difference apart.
pub fn compare_link(before: &LinkState, after: &LinkState, coverage: f64) -> LinkComparison {
    let mut weaker = weaker(before, after);
    let is_turned = |one: &Option<String>, other: &Option<String>| one.is_some() && one == other;
    let swapped = is_turned(&before.link.from, &after.link.to)
        && is_turned(&before.link.to, &after.link.from)
        && before.link.from != before.link.to;
    let mut turned = after.clone();
    if swapped {
        if let Some(mirrored) = after.mirrored() {
            weaker.push("A and B are exchanged after: its places are turned round".to_owned());
            turned = mirrored;
        } else {
            weaker.push(
                "A and B are exchanged after, and its length is not known: its places cannot be turned round"
                    .to_owned(),
            );
        }
    }
    let after = turned;
    let pairs = matched(before, &after);
    let mut differences = joint_losses(before, &after, &pairs, coverage);
    differences.extend(reflectances(before, &after, &pairs, coverage));
    differences.extend(sections(before, &after, &pairs, coverage));
    differences.push(length(before, &after, coverage));
    let total = |state: &LinkState| (state.link.loss_db, state.link.loss_std_error_db);
    differences.push(Difference::new(Quantity::LinkLoss).decided(
        total(before),
        total(&after),
        0.0,
        coverage,
    ));
    LinkComparison {
        before: before.clone(),
        after,
        weaker,
        differences,
    }
}

/// Settings that differ between the two measurements.
fn weaker(before: &LinkState, after: &LinkState) -> Vec<String> {
    let mut found = Vec::new();
    let mut differ = |what: &str, one: Option<f64>, other: Option<f64>, unit: &str, so: &str| {
        let text = |value: Option<f64>| {
            value.map_or_else(|| "not stated".to_owned(), |value| format!("{value}{unit}"))
        };
        if one != other {
            found.push(format!(
                "{what}: {} before, {} after: {so}",
                text(one),
                text(other)
            ));
        }
    };
    let (one, other) = (&before.link, &after.link);
    differ(
        "wavelength",
        Some(one.wavelength_nm),
        Some(other.wavelength_nm),
        " nm",
        "losses of joints and fibre depend on it",
    );
    let (one, other) = (&before.provenance.settings, &after.provenance.settings);
    for (end, one, other) in [("A", &one.a, &other.a), ("B", &one.b, &other.b)] {
        let (pulse, index) = (
            format!("pulse from {end}"),
            format!("group index from {end}"),
        );
        let so = "another pulse hides and joins other events";
        differ(&pulse, one.pulse_width_ns, other.pulse_width_ns, " ns", so);
        let so = "places are scaled to each other";
        differ(&index, one.group_index, other.group_index, "", so);
        let spacing = format!("sample spacing from {end}");
        differ(
            &spacing,
            one.spacing_m,
            other.spacing_m,
            " m",
            "places are known differently well",
        );
        let coefficient = format!("backscatter coefficient from {end}");
        let (k1, k2) = (
            one.backscatter_coefficient_db,
            other.backscatter_coefficient_db,
        );
        differ(
            &coefficient,
            k1,
            k2,
            " dB",
            "reflectances are compared as if it were the one before",
        );
    }
    for (end, one, other) in [("A", &one.a, &other.a), ("B", &one.b, &other.b)] {
        if (&one.instrument, &one.serial) != (&other.instrument, &other.serial) {
            found.push(format!(
                "another instrument from {end}: how its scales differ is not in the errors"
            ));
        }
    }
    found
}

fn of_events(
    quantity: Quantity,
    before: Option<&EventState>,
    after: Option<&EventState>,
) -> Difference {
    let mut difference = Difference::new(quantity);
    difference.joint = [after, before]
        .into_iter()
        .flatten()
        .find_map(|event| event.joint.clone());
    difference.number_before = before.map(|event| event.number);
    difference.number_after = after.map(|event| event.number);
    difference.at_before_m = before.and_then(|event| event.position_m);
    difference.at_after_m = after.and_then(|event| event.position_m);
    difference
}

fn loss_of(event: &EventState) -> Side {
    (event.loss_db, event.loss_std_error_db)
}

fn why_missing(event: &EventState) -> Option<&str> {
    let of_loss = |missing: &&super::state::MissingState| missing.quantity == "loss_db";
    event.loss_db.is_none().then_some(())?;
    event
        .not_measured
        .iter()
        .find(of_loss)
        .map(|missing| missing.reason.as_str())
}

fn joint_losses(
    before: &LinkState,
    after: &LinkState,
    pairs: &[(usize, usize)],
    coverage: f64,
) -> Vec<Difference> {
    let scale = scale(before, after);
    let mut differences: Vec<Difference> = pairs
        .iter()
        .map(|&(i, j)| {
            let (one, other) = (&before.events[i], &after.events[j]);
            let mut difference = of_events(Quantity::JointLoss, Some(one), Some(other));
            if (one.kind == EventKind::Group) != (other.kind == EventKind::Group) {
                return difference
                    .not_comparable("a group on one side only: other joints are in it");
            }
            let reasons: Vec<String> = [(one, "before"), (other, "after")]
                .into_iter()
                .filter_map(|(event, side)| Some(format!("{side}: {}", why_missing(event)?)))
                .collect();
            difference.reason = Some(reasons.join("; ")).filter(|reason| !reason.is_empty());
            difference.decided(loss_of(one), loss_of(other), 0.0, coverage)
        })
        .collect();
    let in_group = |at_m: f64, state: &LinkState, factor: f64| {
        joints(state).into_iter().find_map(|(_, event)| {
            let (from, to) = (event.position_m? * factor, event.end_m? * factor);
            (from <= at_m && at_m <= to).then_some(event.number)
        })
    };
    for (i, event) in joints(before) {
        if pairs.iter().all(|pair| pair.0 != i) {
            let mut difference = of_events(Quantity::JointLoss, Some(event), None);
            difference.before = loss_of(event);
            let group = in_group(event.position_m.unwrap_or(f64::NAN), after, 1.0 / scale);
            let one = one_sided(difference, Outcome::Vanished, group, "after");
            differences.push(unless_nothing(one, event, coverage));
        }
    }
    for (j, event) in joints(after) {
        if pairs.iter().all(|pair| pair.1 != j) {
            let mut difference = of_events(Quantity::JointLoss, None, Some(event));
            difference.after = loss_of(event);
            let group = in_group(event.position_m.unwrap_or(f64::NAN), before, scale);
            let one = one_sided(difference, Outcome::New, group, "before");
            differences.push(unless_nothing(one, event, coverage));
        }
    }
    let place = |difference: &Difference| {
        let before = difference.at_before_m.map(|at_m| at_m * scale);
        difference.at_after_m.or(before).unwrap_or(f64::NAN)
    };
    differences.sort_by(|one, other| place(one).total_cmp(&place(other)));
    differences
}

fn one_sided(
    mut difference: Difference,
    outcome: Outcome,
    group: Option<usize>,
    other_side: &str,
) -> Difference {
    if let Some(group) = group {
        return difference.not_comparable(format!("within group {group} {other_side}"));
    }
    difference.outcome = outcome;
    difference.reason = Some(format!(
        "nothing was found at this place {other_side}; measure it there as a known joint to be sure"
    ));
    difference
}

/// Takes back what has come or gone if it is nothing: an event that reflects nothing and
/// whose loss and backscatter step are within `coverage` standard errors of none. Noise
/// makes some in either measurement, and what is measured because its place is known comes
/// and goes with it. Where two unlike fibres meet there is a joint, though it lose nothing.
fn unless_nothing(mut difference: Difference, event: &EventState, coverage: f64) -> Difference {
    let reflects = event.reflectance_a_db.is_some() || event.reflectance_b_db.is_some();
    if reflects || difference.outcome == Outcome::NotComparable {
        return difference;
    }
    let step = event
        .backscatter_step_db
        .zip(event.backscatter_step_std_error_db);
    let is_step = step.is_some_and(|(step, error)| step.abs() > coverage * error);
    match (event.loss_db, event.loss_std_error_db) {
        (Some(loss), Some(error)) if loss.abs() <= coverage * error && !is_step => {
            difference.outcome = Outcome::Unchanged;
            difference.reason = Some(format!(
                "it shows nothing beyond {coverage} standard errors, on one side alone"
            ));
            difference
        }
        (None, _) => {
            let why = why_missing(event).unwrap_or("its loss is not measured");
            let why = why.to_owned();
            difference.not_comparable(why)
        }
        _ => difference,
    }
}

fn reflectances(
    before: &LinkState,
    after: &LinkState,
    pairs: &[(usize, usize)],
    coverage: f64,
) -> Vec<Difference> {
    let (one_set, other_set) = (&before.provenance.settings, &after.provenance.settings);
    let mut differences = Vec::new();
    for &(i, j) in pairs {
        let (one, other) = (&before.events[i], &after.events[j]);
        for (quantity, values, bounds, settings) in [
            (
                Quantity::ReflectanceFromA,
                (one.reflectance_a_db, other.reflectance_a_db),
                [one.reflectance_a_is_bound, other.reflectance_a_is_bound],
                (&one_set.a, &other_set.a),
            ),
            (
                Quantity::ReflectanceFromB,
                (one.reflectance_b_db, other.reflectance_b_db),
                [one.reflectance_b_is_bound, other.reflectance_b_is_bound],
                (&one_set.b, &other_set.b),
            ),
        ] {
            if values == (None, None) {
                continue;
            }
            let side = |value: Option<f64>| (value, value.map(|_| REFLECTANCE_REPEAT_DB));
            let mut difference = of_events(quantity, Some(one), Some(other));
            (difference.before, difference.after) = (side(values.0), side(values.1));
            if bounds.contains(&Some(true)) {
                differences
                    .push(difference.not_comparable("a peak is clipped: only a bound is known"));
                continue;
            }
            let coefficient = |direction: &super::state::DirectionState| {
                direction.backscatter_coefficient_db.unwrap_or(0.0)
            };
            let shift = coefficient(settings.1) - coefficient(settings.0);
            differences.push(difference.decided(side(values.0), side(values.1), shift, coverage));
        }
    }
    differences
}

/// Sections between two joints that are neighbours before and after.
fn sections(
    before: &LinkState,
    after: &LinkState,
    pairs: &[(usize, usize)],
    coverage: f64,
) -> Vec<Difference> {
    let value = |state: &LinkState, from: usize, to: usize| -> Side {
        let place = |index: usize| state.events[index].position_m;
        let middle = place(from).zip(place(to)).map(|(p, q)| f64::midpoint(p, q));
        let section = state.sections.iter().find(|section| {
            middle
                .zip(section.from_m)
                .zip(section.to_m)
                .is_some_and(|((at, from), to)| from <= at && at <= to)
        });
        section.map_or((None, None), |section| {
            (
                section.attenuation_db_per_km,
                section.attenuation_std_error_db_per_km,
            )
        })
    };
    let neighbours = |state: &LinkState, from: usize, to: usize| {
        !joints(state).iter().any(|(k, _)| from < *k && *k < to)
    };
    pairs
        .windows(2)
        .map(|window| {
            let ((i, j), (k, l)) = (window[0], window[1]);
            let mut difference = of_events(
                Quantity::SectionAttenuation,
                Some(&before.events[i]),
                Some(&after.events[j]),
            );
            difference.joint = None;
            if !neighbours(before, i, k) || !neighbours(after, j, l) {
                return difference.not_comparable("an event on one side divides it");
            }
            difference.decided(value(before, i, k), value(after, j, l), 0.0, coverage)
        })
        .collect()
}

fn length(before: &LinkState, after: &LinkState, coverage: f64) -> Difference {
    let scale = scale(before, after);
    let one = (before.link.length_m, before.link.length_std_error_m);
    let other = (after.link.length_m, after.link.length_std_error_m);
    // What another group index alone does to the length is no change.
    let shift = one.0.map_or(0.0, |length| (scale - 1.0) * length);
    Difference::new(Quantity::Length).decided(one, other, shift, coverage)
}
