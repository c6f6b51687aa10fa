//! Which link after is which link before.

use super::difference::{Outcome, Quantity, false_share};
use super::link::{LinkComparison, compare_link};
use super::state::LinkState;

/// Nominal wavelengths that are the same, as where two directions are paired.
const SAME_WAVELENGTH_NM: f64 = 5.0;

/// A link that has no partner.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unmatched {
    /// The link in words.
    pub link: String,
    /// Why it is not compared.
    pub reason: String,
}

/// All links of two results.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Standard errors that a difference must exceed to count as a change.
    pub coverage: f64,
    /// The links that are in both.
    pub links: Vec<LinkComparison>,
    /// Those that are not, and why.
    pub unmatched: Vec<Unmatched>,
}

impl Comparison {
    /// Joints whose losses could be compared.
    pub fn joints_compared(&self) -> usize {
        self.links
            .iter()
            .flat_map(|link| &link.differences)
            .filter(|one| one.quantity == Quantity::JointLoss && one.change.1.is_some())
            .count()
    }

    /// How many of the compared joints would show as changed by chance if none had.
    pub fn changed_by_chance(&self) -> f64 {
        self.joints_compared() as f64 * false_share(self.coverage)
    }

    /// Joints of one outcome.
    pub fn joints_that_are(&self, outcome: Outcome) -> usize {
        self.links
            .iter()
            .flat_map(|link| &link.differences)
            .filter(|one| one.quantity == Quantity::JointLoss && one.outcome == outcome)
            .count()
    }
}

/// Pairs links by cable, fibre and wavelength, and compares each pair.
///
/// `accept_pairing` compares a single link with a single link of another name.
pub fn compare(
    before: &[LinkState],
    after: &[LinkState],
    coverage: f64,
    accept_pairing: bool,
) -> Comparison {
    let mut links = Vec::new();
    let mut unmatched = Vec::new();
    let accepted = accept_pairing && before.len() == 1 && after.len() == 1;
    let partners = |one: &LinkState, all: &[LinkState]| -> Vec<usize> {
        (0..all.len())
            .filter(|&k| accepted && near(one, &all[k]) || is_same(one, &all[k]))
            .collect()
    };
    for one in after {
        match partners(one, before).as_slice() {
            [k] if partners(&before[*k], after).len() == 1 => {
                links.push(compare_link(&before[*k], one, coverage));
            }
            found => unmatched.push(Unmatched {
                link: described(one, "after"),
                reason: reason(found.len(), "before", "after"),
            }),
        }
    }
    for one in before {
        let found = partners(one, after);
        if found.len() != 1 {
            unmatched.push(Unmatched {
                link: described(one, "before"),
                reason: reason(found.len(), "after", "before"),
            });
        }
    }
    Comparison {
        coverage,
        links,
        unmatched,
    }
}

fn reason(found: usize, there: &str, here: &str) -> String {
    match found {
        0 => format!("no link {there} has this cable, fibre and wavelength"),
        1 => format!("it is there more than once {here}"),
        count => format!("{count} links {there} have this cable, fibre and wavelength"),
    }
}

fn near(one: &LinkState, other: &LinkState) -> bool {
    (one.link.wavelength_nm - other.link.wavelength_nm).abs() <= SAME_WAVELENGTH_NM
}

fn is_same(one: &LinkState, other: &LinkState) -> bool {
    let name = |name: &Option<String>| name.as_deref().map(|name| name.trim().to_lowercase());
    let (p, q) = (&one.link, &other.link);
    let cables = (name(&p.cable), name(&q.cable));
    near(one, other)
        && name(&p.fibre) == name(&q.fibre)
        && (cables.0.is_none() || cables.1.is_none() || cables.0 == cables.1)
}

fn described(state: &LinkState, side: &str) -> String {
    let name = |name: &Option<String>| name.clone().unwrap_or_else(|| "not named".to_owned());
    format!(
        "{side}: cable {}, fibre {}, {} nm",
        name(&state.link.cable),
        name(&state.link.fibre),
        state.link.wavelength_nm
    )
}
