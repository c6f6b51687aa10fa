//! What a pack holds, as every writer takes it.

use std::collections::{BTreeMap, BTreeSet};

use crate::both_ways::{Link, Profiles};
use crate::cable::{CableResult, Fibre};
use crate::report::Provenance;
use crate::units::{Loss, Measured, Wavelength};
use crate::verdict::{Judgement, Limits};
use crate::warning::Warning;

use super::PackError;
use super::project::Project;
use super::wording::Wording;

/// Gives both traces of the link of that index in [`Content::links`], on A's axis.
///
/// A cable's levels do not fit into memory at once: a writer asks for one link, draws
/// it, and lets it go.
pub type ProfileOf<'a> = dyn Fn(usize) -> Result<Profiles, PackError> + Sync + 'a;

/// Everything that a pack is made from.
#[expect(
    missing_debug_implementations,
    reason = "it holds a function, which has no text of its own"
)]
pub struct Content<'a> {
    /// Name and version of the program.
    pub program: &'a str,
    /// Time to print, as given by the user; the clock is never read.
    pub report_time: Option<&'a str>,
    /// Project, parties and logo.
    pub project: &'a Project,
    /// The fixed texts in the reader's language.
    pub wording: &'a Wording,
    /// The limits that everything was judged against; none if none were asked for.
    pub limits: Option<&'a Limits>,
    /// Standard errors that a value keeps from its limit, where limits were asked for.
    pub coverage: f64,
    /// The links in the order of fibres, then of wavelengths.
    pub links: &'a [PackLink],
    /// The cable as a whole: matrix, findings and redo list; none for a single link.
    pub cable: Option<&'a CableResult>,
    /// Doubts about the whole, beside those of each link.
    pub warnings: &'a [Warning],
    /// The levels of a link on demand.
    pub profiles: &'a ProfileOf<'a>,
}

/// One link of the pack.
#[derive(Debug, Clone, PartialEq)]
pub struct PackLink {
    /// Name that its files begin with, unlike that of any other link of the pack.
    pub stem: String,
    /// Name of its fibre's page: links of one fibre share it.
    pub page: String,
    /// Its result, judged.
    pub link: Link,
    /// Where its numbers come from.
    pub provenance: Provenance,
    /// What a source and a power meter read over it, if given.
    pub power: Vec<PowerReading>,
}

/// End-to-end loss by source and power meter.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerReading {
    /// Direction as the file names it: `A to B`, `B to A`, or empty for both.
    pub direction: String,
    /// Loss with its standard error.
    pub loss: Measured<Loss>,
}

/// An instrument that traces of the pack were taken with, as their headers say.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Instrument {
    /// Its name.
    pub name: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// Date to which its calibration holds, as written.
    pub calibrated_until: Option<String>,
}

/// A link that the cable should have: one of the pack, or one that no pair of traces gave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Due<'a> {
    /// It was measured from both ends.
    Measured(&'a PackLink),
    /// It was not.
    Missing {
        /// Its fibre.
        fibre: &'a Fibre,
        /// Its wavelength.
        wavelength: Wavelength,
    },
}

impl PackLink {
    /// Every value of it that was held against a limit; none without limits.
    pub fn judgements(&self) -> &[Judgement] {
        self.provenance
            .judged
            .as_ref()
            .map_or(&[], |judged| &judged.judgements)
    }
}

impl<'a> Content<'a> {
    /// Every link that there should be, by fibre and then by wavelength: of a cable, each
    /// of its fibres at each of its wavelengths, then at those of the plan without traces.
    pub(super) fn due(&self) -> Vec<Due<'a>> {
        let Some(cable) = self
            .cable
            .filter(|cable| cable.links.len() == self.links.len())
        else {
            return self.links.iter().map(Due::Measured).collect();
        };
        let measured: BTreeMap<(usize, usize), &PackLink> = cable
            .links
            .iter()
            .zip(self.links)
            .map(|(link, entry)| ((link.fibre, link.wavelength), entry))
            .collect();
        let mut due = Vec::new();
        for (index, fibre) in cable.fibres.iter().enumerate() {
            for (light, &wavelength) in cable.wavelengths.iter().enumerate() {
                due.push(match measured.get(&(index, light)) {
                    Some(entry) => Due::Measured(entry),
                    None => Due::Missing { fibre, wavelength },
                });
            }
            due.extend(
                cable
                    .untaken
                    .wavelengths()
                    .map(|wavelength| Due::Missing { fibre, wavelength }),
            );
        }
        due
    }

    /// Fibre and wavelength of every link that was not measured from both ends.
    pub(super) fn missing(&self) -> Vec<(&'a Fibre, Wavelength)> {
        self.due()
            .into_iter()
            .filter_map(|due| match due {
                Due::Measured(_) => None,
                Due::Missing { fibre, wavelength } => Some((fibre, wavelength)),
            })
            .collect()
    }

    /// The means of the cable's closures that were held against a limit, each with its
    /// wavelength.
    pub fn closure_means(&self) -> impl Iterator<Item = (Wavelength, &Judgement)> {
        self.cable
            .iter()
            .flat_map(|cable| &cable.joints)
            .flat_map(|joint| &joint.statistics)
            .filter_map(|one| Some((one.wavelength, one.mean_judged.as_ref()?)))
    }

    /// Every instrument that a header names, once, in order.
    pub fn instruments(&self) -> Vec<Instrument> {
        self.links
            .iter()
            .flat_map(|entry| [&entry.link.a.header, &entry.link.b.header])
            .map(|header| Instrument {
                name: header.instrument.clone(),
                serial: header.serial.clone(),
                calibrated_until: header.calibrated_until.clone(),
            })
            .filter(|instrument| *instrument != Instrument::default())
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect()
    }

    /// Every operator that a header names, once, in order.
    pub fn operators(&self) -> Vec<&str> {
        self.links
            .iter()
            .flat_map(|entry| [&entry.link.a.header, &entry.link.b.header])
            .filter_map(|header| header.operator.as_deref())
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect()
    }

    /// The links of each fibre's page together, in order: name of the page, and
    /// indices into [`Content::links`].
    pub fn pages(&self) -> Vec<(&str, Vec<usize>)> {
        let mut pages: Vec<(&str, Vec<usize>)> = Vec::new();
        for (index, entry) in self.links.iter().enumerate() {
            match pages.iter_mut().find(|(page, _)| *page == entry.page) {
                Some((_, links)) => links.push(index),
                None => pages.push((&entry.page, vec![index])),
            }
        }
        pages
    }
}
