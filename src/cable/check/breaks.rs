//! Interrupted fibres.

use crate::both_ways::EventKind;
use crate::cable::finding::{Finding, FindingKind};
use crate::units::{Length, Position};

use super::Facts;

/// One finding for a broken fibre, from all its wavelengths.
pub(super) fn breaks(facts: &Facts<'_>) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    for fibre in 0..facts.fibres() {
        let mut from_a: Vec<(f64, f64)> = Vec::new();
        let mut from_b: Vec<f64> = Vec::new();
        let mut wavelengths = Vec::new();
        for link in facts.draft.links.iter().filter(|l| l.fibre == fibre) {
            for event in link
                .link
                .events
                .iter()
                .filter(|e| e.kind == EventKind::Break)
            {
                wavelengths.push(facts.wavelength(link.wavelength).nm());
                let z_m = event.position.value.m();
                let whole_m = link.link.length.as_ref().ok().map(|l| l.value.m());
                match (event.position_from_b, event.seen_from, whole_m) {
                    (Some(own), _, _) => from_b.push(own.m()),
                    (None, crate::both_ways::SeenFrom::B, Some(whole)) => from_b.push(whole - z_m),
                    (None, _, _) => {
                        from_a.push((z_m, event.position.std_error.map_or(0.0, Length::m)));
                    }
                }
            }
        }
        let middle = |values: Vec<f64>| crate::cable::draft::median(values);
        let a_m = middle(from_a.iter().map(|(z, _)| *z).collect());
        let b_m = middle(from_b);
        let place_m = match (a_m, b_m) {
            (Some(a), _) => a,
            (None, Some(b)) => facts.length_m - b,
            (None, None) => continue,
        };
        let finding = break_at(facts, fibre, place_m, a_m, b_m);
        findings.push(finding);
    }
    findings
}

/// The finding of a break at a place, seen at distances from either end.
pub(in crate::cable) fn break_at(
    facts: &Facts<'_>,
    fibre: usize,
    place_m: f64,
    from_a_m: Option<f64>,
    from_b_m: Option<f64>,
) -> Finding {
    let name = facts.fibre_name(fibre);
    // At a joint where it lies among the joint's own fibres.
    let joint = facts.draft.joints.iter().position(|joint| {
        let scatter = joint.scatter.map_or(0.0, Length::m);
        (joint.position.value.m() - place_m).abs() <= 6.0 * scatter
    });
    let position = Position::from_m(place_m);
    let seen = match (from_a_m, from_b_m) {
        (Some(a), Some(b)) => format!("{a:.1} m from A and {b:.1} m from B"),
        (Some(a), None) => format!("{a:.1} m from A"),
        (None, Some(b)) => format!("{b:.1} m from B"),
        (None, None) => "at an end".to_owned(),
    };
    let mut finding = Finding::of(
        FindingKind::Break,
        vec![name.clone()],
        format!(
            "fibre {name} is broken {}: its light ends {seen}",
            facts.where_is(Some(position), joint)
        ),
    )
    .at(joint, Some(position));
    if let Some(a) = from_a_m {
        finding = finding.number("from_a_m", a);
    }
    if let Some(b) = from_b_m {
        finding = finding.number("from_b_m", b);
    }
    if let Some(chainage) = (facts.chainage_m)(place_m) {
        finding = finding.number("chainage_m", chainage);
    }
    finding
}
