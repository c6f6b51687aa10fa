//! Limits and judgements as rows, for every form of the pack.

use crate::verdict::{Judgement, Place};

use super::content::Content;

/// A limit that something of the pack was held against.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Applied {
    /// The quantity, in words.
    pub(super) what: &'static str,
    /// The limit; none for continuity.
    pub(super) limit: Option<f64>,
    /// Unit of the limit.
    pub(super) unit: &'static str,
    /// Who asks for it.
    pub(super) source: String,
}

/// Every limit that was applied, once, by quantity and value.
pub(super) fn applied(content: &Content<'_>) -> Vec<Applied> {
    let mut found: Vec<(&Judgement, Applied)> = Vec::new();
    for judgement in content.links.iter().flat_map(|entry| &entry.judgements) {
        let applied = Applied {
            what: judgement.what.word(),
            limit: judgement.limit,
            unit: judgement.what.unit(),
            source: judgement.source.clone(),
        };
        if !found.iter().any(|(_, known)| *known == applied) {
            found.push((judgement, applied));
        }
    }
    found.sort_by(|(one, _), (other, _)| {
        one.what.cmp(&other.what).then_with(|| {
            let number = |j: &Judgement| j.limit.unwrap_or(f64::INFINITY);
            number(one).total_cmp(&number(other))
        })
    });
    found.into_iter().map(|(_, applied)| applied).collect()
}

/// Where a judged value belongs, in words.
pub(super) fn place_words(place: &Place) -> String {
    match place {
        Place::Event {
            number,
            joint,
            seen_from,
        } => {
            let joint = joint
                .as_ref()
                .map_or_else(String::new, |j| format!(" ({j})"));
            let from = seen_from.map_or_else(String::new, |end| format!(", seen from {end}"));
            format!("event {number}{joint}{from}")
        }
        Place::Section { from, to } => format!("{:.1} m to {:.1} m", from.m(), to.m()),
        Place::Link => "the link".to_owned(),
        Place::LinkFrom(end) => format!("the link, seen from {end}"),
        Place::Closure(name) => name.clone(),
    }
}
