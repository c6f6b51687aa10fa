//! The splicing machines of a cable and the log that they keep.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use super::faults::Fault;
use super::layout::{FibrePath, Purpose, stream};
use super::plan::CablePlan;
use crate::units::Loss;

/// Cleaves of one splice: one of each fibre.
const CLEAVES: usize = 2;

/// Who spliced, and how well the machines' own estimates are.
///
/// The machines take turns closure by closure; within one they splice the fibres in
/// their order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Splicing {
    /// The machines; the first closure is the first one's.
    pub machines: Vec<Machine>,
    /// Standard deviation of an estimate about the loss that the machine believes in.
    #[serde(rename = "estimate_error_db", default = "usual_error")]
    pub estimate_error: Loss,
    /// Days on which the closures were spliced, in their order, as the log writes them;
    /// closures beyond the last have none.
    #[serde(default)]
    pub days: Vec<String>,
}

/// A splicing machine before its first splice of the cable.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Machine {
    /// Its name.
    pub name: String,
    /// Who works with it.
    pub operator: String,
    /// Arcs since its electrodes were new.
    #[serde(default)]
    pub arcs: usize,
    /// Cleaves since its blade was turned.
    #[serde(default)]
    pub cleaves: usize,
}

/// How one splice was made.
#[derive(Debug, Clone, Copy)]
struct Made {
    machine: usize,
    arcs: usize,
    cleaves: usize,
}

const fn usual_error() -> Loss {
    Loss::from_db(0.01)
}

impl Splicing {
    fn made(&self, fibres: usize, closures: usize) -> BTreeMap<(usize, usize), Made> {
        let mut counts = vec![0; self.machines.len()];
        let mut made = BTreeMap::new();
        for closure in 0..closures {
            let machine = closure % self.machines.len().max(1);
            let Some((it, count)) = self.machines.get(machine).zip(counts.get_mut(machine)) else {
                continue;
            };
            for fibre in 1..=fibres {
                *count += 1;
                let (arcs, cleaves) = (it.arcs + *count, it.cleaves + CLEAVES * *count);
                made.insert(
                    (closure, fibre),
                    Made {
                        machine,
                        arcs,
                        cleaves,
                    },
                );
            }
        }
        made
    }
}

/// Decibels that the machines at fault add, by closure counted from 0 and port at A.
pub(super) fn added_db(plan: &CablePlan) -> BTreeMap<(usize, usize), f64> {
    let Some(splicing) = &plan.splicing else {
        return BTreeMap::new();
    };
    let mut added: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    for (splice, made) in splicing.made(plan.fibres, plan.closures.len()) {
        for fault in &plan.faults {
            if let Fault::SplicingMachine {
                machine,
                loss,
                rise_db_per_1000_arcs,
            } = fault
                && splicing.machines[made.machine].name == *machine
            {
                *added.entry(splice).or_default() +=
                    loss.db() + rise_db_per_1000_arcs * made.arcs as f64 / 1000.0;
            }
        }
    }
    added
}

/// The log as CSV: what the machines believe of their splices. It is rounded to 0.01 dB,
/// and knows nothing of what a worn machine adds, of trays and of bends.
pub(super) fn log(plan: &CablePlan, paths: &[FibrePath], seed: u64) -> Option<String> {
    let splicing = plan.splicing.as_ref()?;
    let mut text = String::from(
        "joint,fibre,estimated_loss_db,time,machine,operator,arcs_since_electrodes,\
         cleaves_since_blade\n",
    );
    for ((closure, fibre), made) in splicing.made(plan.fibres, plan.closures.len()) {
        let path = paths.iter().find(|path| path.at_a == fibre)?;
        let machine = splicing.machines.get(made.machine)?;
        let error_db =
            splicing.estimate_error.db() * stream(seed, Purpose::Estimate, closure, fibre).normal();
        let estimate_db = (path.joints_alone_db.get(closure)? + error_db).max(0.0);
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{},{},{estimate_db:.2},{},{},{},{},{}",
            quoted(&plan.closures.get(closure)?.name),
            CablePlan::fibre_name(fibre),
            quoted(splicing.days.get(closure).map_or("", String::as_str)),
            quoted(&machine.name),
            quoted(&machine.operator),
            made.arcs,
            made.cleaves,
        );
    }
    Some(text)
}

/// A field of CSV, in quotes where it needs them.
fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}
