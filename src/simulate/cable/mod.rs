//! Known cables: every fibre from both ends at every wavelength, with planted faults.
//!
//! A [`CablePlan`] and a seed make a [`Cable`]; its links are simulated one by one,
//! so that a cable of any size needs little memory and all cores can share the work.

mod check;
mod faults;
mod known;
mod labels;
mod layout;
mod links;
mod plan;
mod random_cable;
mod splicing;
mod truth;

pub use faults::Fault;
pub use plan::{CableInstrument, CablePlan, CableWavelength, Closure, Reel, Spread};
pub use random_cable::{FaultCounts, RandomCableSettings, random_cable};
pub use splicing::{Machine, Splicing};
pub use truth::{CableFile, CableLink, CableTruth};

use labels::Label;
use layout::FibrePath;

use super::path::From;
use super::random::{Component, Stream};
use super::{Dialect, Plan, SimTrace, SimulateError, TracedFrom, run, write};

/// A cable whose glass is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Cable {
    plan: CablePlan,
    seed: u64,
    paths: Vec<FibrePath>,
    labels: Vec<Label>,
    grid: (crate::units::Length, crate::units::Length),
}

/// The files of one link, each with name and text, and what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkFiles {
    /// Name and content of each file.
    pub files: Vec<(String, Vec<u8>)>,
    /// What is true of the link.
    pub truth: CableLink,
}

impl Cable {
    /// Draws the glass of a cable. The same plan and seed give the same cable.
    ///
    /// # Errors
    /// [`SimulateError::Plan`] when a value of the plan cannot be.
    ///
    /// # Example
    /// ```
    /// use bothends::simulate::{Cable, RandomCableSettings, random_cable};
    /// let plan = random_cable(1, &RandomCableSettings { fibres: (12, 12), ..Default::default() });
    /// let cable = Cable::draw(&plan, 1)?;
    /// assert_eq!(cable.links(), 12 * plan.wavelengths.len());
    /// # Ok::<(), bothends::simulate::SimulateError>(())
    /// ```
    pub fn draw(plan: &CablePlan, seed: u64) -> Result<Self, SimulateError> {
        plan.check()?;
        let paths = layout::paths(plan, seed);
        let cable = Self {
            labels: labels::labels(plan, &paths),
            grid: links::grid(plan, layout::longest(plan, &paths)),
            paths,
            plan: plan.clone(),
            seed,
        };
        Ok(cable)
    }

    /// Number of links: fibres times wavelengths.
    pub fn links(&self) -> usize {
        self.paths.len() * self.plan.wavelengths.len()
    }

    /// Names of all trace files in the order of the links.
    pub fn file_names(&self) -> impl Iterator<Item = &str> {
        self.labels.iter().map(|label| label.file.as_str())
    }

    /// Plan of a link, counted from 0: fibre after fibre, each with all its
    /// wavelengths; `None` behind the last.
    pub fn link_plan(&self, idx: usize) -> Option<Plan> {
        let (path, wavelength) = self.place_of(idx);
        let it = self.paths.get(path)?;
        Some(links::link(&self.plan, it, wavelength, self.grid))
    }

    fn place_of(&self, idx: usize) -> (usize, usize) {
        let wavelengths = self.plan.wavelengths.len();
        (idx / wavelengths, idx % wavelengths)
    }

    /// Simulates one link and writes its files; none behind the last.
    ///
    /// # Errors
    /// [`SimulateError`] as for [`run`].
    pub fn link_files(&self, idx: usize, dialect: Dialect) -> Result<LinkFiles, SimulateError> {
        let (path, wavelength) = self.place_of(idx);
        let plan = self.link_plan(idx).ok_or_else(|| SimulateError::Truth {
            reason: format!("the cable has {} links", self.links()),
        })?;
        let part = 1 + idx as u64;
        let noise = Stream::of_part(self.seed, From::B, Component::Cable, part).bits();
        let simulated = run(&plan, noise)?;
        let files = (self.labels.iter())
            .filter(|label| label.path == path && label.wavelength == wavelength)
            .map(|label| {
                let mut trace = match label.from {
                    TracedFrom::A => simulated.a.clone(),
                    TracedFrom::B => simulated.b.clone(),
                };
                self.say(label, &mut trace);
                (label.file.clone(), write(&trace, dialect).into_bytes())
            })
            .collect();
        let at_b = self.paths.get(path).map_or(0, |path| path.at_b);
        Ok(LinkFiles {
            files,
            truth: CableLink::new(simulated.truth, CablePlan::fibre_name(at_b)),
        })
    }

    /// Makes a trace say what its label says.
    fn say(&self, label: &Label, trace: &mut SimTrace) {
        let header = &mut trace.header;
        header.fibre = Some(CablePlan::fibre_name(label.says_fibre));
        let (here, there) = match label.says_from {
            TracedFrom::A => (&self.plan.from, &self.plan.to),
            TracedFrom::B => (&self.plan.to, &self.plan.from),
        };
        header.from = Some(here.clone());
        header.to = Some(there.clone());
        header.note = Some(format!("simulated, seed {}", self.seed));
    }

    /// What a technician would know of the cable beforehand, as the plan that
    /// `bothends cable` reads; the traces lie in the folder `traces` beside it, and the
    /// splice log, where there is one, under the given name.
    ///
    /// # Errors
    /// [`SimulateError::Truth`] when it cannot be written.
    pub fn known_plan(&self, splice_log: Option<&str>) -> Result<String, SimulateError> {
        known::text(&self.plan, splice_log)
    }

    /// The splicing machines' log as CSV, where the plan has machines.
    pub fn splice_log(&self) -> Option<String> {
        splicing::log(&self.plan, &self.paths, self.seed)
    }

    /// All that is true, from the truths of all links in their order.
    pub fn truth(&self, links: Vec<CableLink>) -> CableTruth {
        CableTruth {
            cable: self.plan.cable.clone(),
            from: self.plan.from.clone(),
            to: self.plan.to.clone(),
            seed: self.seed,
            fibres: self.plan.fibres,
            closures: self.plan.closures.clone(),
            faults: self.plan.faults.clone(),
            files: (self.labels.iter())
                .map(|label| CableFile {
                    file: label.file.clone(),
                    path: CablePlan::fibre_name(self.paths[label.path].at_a),
                    measured_from: label.from,
                    wavelength: self.plan.wavelengths[label.wavelength].wavelength,
                    says_fibre: CablePlan::fibre_name(label.says_fibre),
                    says_from: label.says_from,
                })
                .collect(),
            links,
        }
    }
}
