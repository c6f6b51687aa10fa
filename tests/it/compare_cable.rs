//! A whole cable before and after: what was done to it is named, and nothing else. The
//! cable is simulated; what changed is what the test changed in its plan.
#![expect(
    clippy::unwrap_used,
    reason = "a cable that cannot be measured or read must fail the test"
)]

use std::fs;

use bothends::cable::{CableFile, CablePlan, CableSettings, Silent, measure_cable};
use bothends::compare::{
    Comparison, DEFAULT_COVERAGE, Difference, LinkState, Outcome, Quantity, compare, read,
};
use bothends::report::json::{self, Layout};
use bothends::simulate::{
    Bend, Cable, Dialect, Plan, RandomCableSettings, encode, random_cable, run, write,
};
use bothends::units::{Length, Loss, Position};

use crate::cable::no_faults;

/// Six fibres over four closures at two wavelengths, nothing wrong with any.
fn cable() -> Cable {
    let settings = RandomCableSettings {
        fibres: (6, 6),
        fibres_per_tube: 6,
        closures: (4, 4),
        stretch_m: (800.0, 1600.0),
        faults: no_faults(),
        ..RandomCableSettings::default()
    };
    Cable::draw(&random_cable(5, &settings), 5).unwrap()
}

fn plans(cable: &Cable) -> Vec<Plan> {
    (0..cable.links())
        .map(|idx| cable.link_plan(idx).unwrap())
        .collect()
}

/// The cable as it is measured with the noise of a seed, read back from its JSON.
fn measured(cable: &Cable, plans: &[Plan], noise: u64) -> Vec<LinkState> {
    let folder = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    for (idx, plan) in plans.iter().enumerate() {
        let simulated = run(plan, 1000 * noise + idx as u64).unwrap();
        for (end, trace) in [("a", &simulated.a), ("b", &simulated.b)] {
            let name = format!("{idx:02}-{end}.txt");
            let path = folder.path().join(&name);
            fs::write(&path, encode(&write(trace, Dialect::Plain), Dialect::Plain)).unwrap();
            files.push(CableFile { path, name });
        }
    }
    let settings = CableSettings {
        plan: CablePlan::from_toml(&cable.known_plan(None).unwrap()).unwrap(),
        ..CableSettings::default()
    };
    let result = measure_cable(&files, &settings, &Silent, None).unwrap();
    assert_eq!(result.skipped, []);
    read(&json::cable(&result, "a test", None, Layout::Indented).unwrap()).unwrap()
}

/// Fibre, quantity, closure where there is one, and outcome.
type Named = (String, &'static str, Option<String>, &'static str);

/// Every difference but those that are none, and how often each is there.
fn said(comparison: &Comparison) -> Vec<Named> {
    let mut all: Vec<Named> = (comparison.links.iter())
        .flat_map(|link| {
            let fibre = link.before.link.fibre.clone().unwrap();
            let named = |one: &Difference| {
                let joint = one.joint.clone();
                (
                    fibre.clone(),
                    one.quantity.word(),
                    joint,
                    one.outcome.word(),
                )
            };
            let changed = (link.differences.iter()).filter(|d| d.outcome != Outcome::Unchanged);
            changed.map(named).collect::<Vec<_>>()
        })
        .collect();
    all.sort();
    all
}

/// One joint spliced again (from 0.30 to 0.05 dB), one bend of 0.2 dB gone, and a coil of
/// twenty metres cut out of a section of 800 m at least: each is said of its fibre at both
/// wavelengths, with what follows from it (the loss of the link, for the coil its 0.004 dB
/// at 0.2 dB/km, and the section that an event divides on one side alone), and nothing else.
#[test]
fn what_was_done_to_a_cable_is_named_and_nothing_else() {
    let cable = cable();
    let (mut before, mut after) = (plans(&cable), plans(&cable));
    let closure = before[0].joints[1].name.clone();
    let bend_m = 0.5 * before[0].fibres[0].length.m();
    for idx in 0..before.len() {
        match before[idx].fibre.as_str() {
            "002" => {
                before[idx].joints[1].loss = Loss::from_db(0.30);
                after[idx].joints[1].loss = Loss::from_db(0.05);
            }
            "004" => before[idx].bends.push(Bend {
                name: "bend".to_owned(),
                at: Position::from_m(bend_m),
                loss: Loss::from_db(0.2),
            }),
            "005" => {
                let fibre = &mut after[idx].fibres[2];
                fibre.length = fibre.length - Length::from_m(20.0);
            }
            _ => {}
        }
    }
    let (before, after) = (measured(&cable, &before, 1), measured(&cable, &after, 2));
    let comparison = compare(&before, &after, DEFAULT_COVERAGE, false);
    assert_eq!(comparison.unmatched, []);
    assert_eq!(comparison.links.len(), 12);
    let fibre = |name: &str| name.to_owned();
    let (section, loss, length) = (
        Quantity::SectionAttenuation.word(),
        Quantity::LinkLoss.word(),
        Quantity::Length.word(),
    );
    let mut wanted = vec![
        (
            fibre("002"),
            Quantity::JointLoss.word(),
            Some(closure),
            "better",
        ),
        (fibre("002"), loss, None, "better"),
        (fibre("004"), Quantity::JointLoss.word(), None, "vanished"),
        (fibre("004"), section, None, "not comparable"),
        (fibre("004"), loss, None, "better"),
        (fibre("005"), length, None, "changed"),
        (fibre("005"), loss, None, "better"),
    ];
    wanted.extend(wanted.clone());
    wanted.sort();
    assert_eq!(said(&comparison), wanted);
}

/// The same cable measured five times: at three standard errors 0.27 % of its quantities
/// show as changed, of some 600 (four times twelve links, each of six joints, five sections,
/// its length and its loss) less than two. Eight or more come by chance once in 4,000
/// (Poisson, mean 1.7). Nothing may come or go: every joint is measured at its place.
#[test]
fn a_cable_measured_again_has_not_changed() {
    let cable = cable();
    let plans = plans(&cable);
    let first = measured(&cable, &plans, 1);
    let (mut compared, mut changed) = (0, Vec::new());
    for noise in 2..=5 {
        let again = measured(&cable, &plans, noise);
        let comparison = compare(&first, &again, DEFAULT_COVERAGE, false);
        assert_eq!(comparison.unmatched, []);
        let all = comparison.links.iter().flat_map(|link| &link.differences);
        compared += all.filter(|one| one.change.1.is_some()).count();
        changed.extend(said(&comparison));
    }
    println!("{compared} compared, {} changed", changed.len());
    assert!(compared > 500, "{compared}");
    assert!(changed.len() < 8, "{changed:?}");
    let came = |(_, _, _, outcome): &&Named| ["new", "vanished"].contains(outcome);
    assert_eq!(changed.iter().find(came), None);
}
