//! Which files a cable leaves behind, and what they say they are.

use super::faults::Fault;
use super::layout::FibrePath;
use super::links::wavelength_idx;
use super::plan::CablePlan;
use crate::simulate::TracedFrom;

/// One file: what it holds and what it says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Label {
    pub(super) file: String,
    /// Path that it holds, counted from 0 by port at A.
    pub(super) path: usize,
    /// End that it was measured from.
    pub(super) from: TracedFrom,
    pub(super) wavelength: usize,
    /// Fibre that it names.
    pub(super) says_fibre: usize,
    /// End that it names as its own.
    pub(super) says_from: TracedFrom,
}

/// All files, ordered by path, wavelength and end; copies behind their original.
pub(super) fn labels(plan: &CablePlan, paths: &[FibrePath]) -> Vec<Label> {
    let mut all = Vec::new();
    for (path, it) in paths.iter().enumerate() {
        for wavelength in 0..plan.wavelengths.len() {
            for from in [TracedFrom::A, TracedFrom::B] {
                let port = match from {
                    TracedFrom::A => it.at_a,
                    TracedFrom::B => it.at_b,
                };
                files_of(plan, &mut all, (path, port), wavelength, from);
            }
        }
    }
    all
}

fn files_of(
    plan: &CablePlan,
    all: &mut Vec<Label>,
    (path, port): (usize, usize),
    wavelength: usize,
    from: TracedFrom,
) {
    let mut says_fibre = port;
    let mut says_from = from;
    let mut copies = 1;
    let here = |nm: f64| wavelength_idx(plan, nm) == Some(wavelength);
    for fault in &plan.faults {
        match fault {
            Fault::CrossedFibres {
                fibres,
                closure: None,
            } if from == TracedFrom::B => {
                if let Some(idx) = fibres.iter().position(|fibre| *fibre == port) {
                    says_fibre = fibres[(idx + 1) % fibres.len()];
                }
            }
            Fault::SwappedEnds {
                fibre,
                wavelength: it,
            } if *fibre == port && it.is_none_or(|it| here(it.nm())) => {
                says_from = match from {
                    TracedFrom::A => TracedFrom::B,
                    TracedFrom::B => TracedFrom::A,
                };
            }
            Fault::MissingPartner {
                fibre,
                from: end,
                wavelength: it,
            } if *fibre == port && *end == from && here(it.nm()) => copies = 0,
            Fault::DuplicateFile {
                fibre,
                from: end,
                wavelength: it,
            } if *fibre == port && *end == from && here(it.nm()) => copies += 1,
            _ => {}
        }
    }
    for copy in 0..copies {
        let end = match says_from {
            TracedFrom::A => "a",
            TracedFrom::B => "b",
        };
        let suffix = if copy == 0 { "" } else { "-again" };
        let nm = plan.wavelengths[wavelength].wavelength.nm();
        let fibre = CablePlan::fibre_name(says_fibre);
        let cable = plain_name(&plan.cable);
        all.push(Label {
            file: format!("{cable}-{fibre}-{nm:.0}-from-{end}{suffix}.txt"),
            path,
            from,
            wavelength,
            says_fibre,
            says_from,
        });
    }
}

/// A name that any file system takes.
fn plain_name(name: &str) -> String {
    let plain: String = name
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .collect();
    if plain.is_empty() {
        "cable".to_owned()
    } else {
        plain
    }
}
