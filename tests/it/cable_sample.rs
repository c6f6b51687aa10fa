//! The sample cable: what its plan plants is found, and nothing else.
//!
//! Truth: the file that `simulate` writes beside the traces. The program is run as a user
//! runs it, splice log included.
#![expect(
    clippy::unwrap_used,
    reason = "a cable that cannot be made or measured must fail the test"
)]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use bothends::simulate::{CableTruth, Fault};
use serde_json::Value;

/// Limit on a splice without other limits, as the result states it.
const LIMIT_DB: f64 = 0.15;

fn run(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("bothends"))
        .current_dir(folder)
        .args(args)
        .output()
        .unwrap()
}

/// Kind, what it is about (fibres; of a tray its tube; of a machine its name), and closure.
type Named = (String, Vec<String>, Option<String>);

fn planted(truth: &CableTruth) -> BTreeSet<Named> {
    let fibre = |number: &usize| format!("{number:03}");
    (truth.faults.iter())
        .map(|fault| {
            let about = match fault {
                Fault::SplicingMachine { machine, .. } => vec![machine.clone()],
                // The plan's fourth tube is the yellow one.
                Fault::ShiftedTray { tube, .. } => {
                    vec![["red", "green", "blue", "yellow"][tube - 1].to_owned()]
                }
                _ => fault.fibres().iter().map(fibre).collect(),
            };
            // Where two closures' fibres are exchanged cannot be told from the ends.
            let closure = fault.closure().filter(|_| fault.kind() != "crossed fibres");
            (fault.kind().to_owned(), about, closure.map(str::to_owned))
        })
        .collect()
}

fn found(result: &Value) -> BTreeSet<Named> {
    (result["findings"].as_array().unwrap().iter())
        .map(|finding| {
            let kind = finding["kind"].as_str().unwrap();
            let evidence = |key: &str| vec![finding["evidence"][key].as_str().unwrap().to_owned()];
            let about = match kind {
                "splicing machine" => evidence("machine"),
                "shifted tray" => evidence("tube"),
                _ => (finding["fibres"].as_array().unwrap().iter())
                    .map(|fibre| fibre.as_str().unwrap().to_owned())
                    .collect(),
            };
            let joint = finding["joint"].as_str().map(str::to_owned);
            (kind.to_owned(), about, joint)
        })
        .collect()
}

/// Whether a joint truly reads above the limit from one end and loses less both ways.
fn truly_looks_bad(truth: &CableTruth, (kind, fibres, joint): &Named) -> bool {
    kind == "looks bad one way"
        && (truth.links.iter())
            .filter(|link| fibres.contains(&link.fibre))
            .flat_map(|link| &link.events)
            .filter(|event| Some(&event.name) == joint.as_ref())
            .any(|event| {
                let reading = |loss: Option<bothends::units::Loss>| loss.unwrap().db();
                reading(event.loss) < LIMIT_DB
                    && reading(event.loss_a_to_b).max(reading(event.loss_b_to_a)) > LIMIT_DB
            })
}

#[test]
fn each_planted_fault_is_found_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let plan =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces/rowan-tern-24-cable-plan.toml");
    let plan = plan.to_str().unwrap();
    let made = run(folder.path(), &["simulate", plan, "--out", "."]);
    assert!(made.status.success(), "{made:?}");
    let truth = fs::read_to_string(folder.path().join("rowan-tern-24-cable-truth.json")).unwrap();
    let truth: CableTruth = serde_json::from_str(&truth).unwrap();
    let output = run(
        folder.path(),
        &["cable", "rowan-tern-24-cable.toml", "--format", "json"],
    );
    // Crossed, double and lone files give no link.
    assert_eq!(output.status.code(), Some(2));
    let result: Value = serde_json::from_slice(&output.stdout).unwrap();
    let (planted, found) = (planted(&truth), found(&result));
    let missed: Vec<&Named> = planted.difference(&found).collect();
    assert!(missed.is_empty(), "missed {missed:?} of {found:#?}");
    let other: Vec<&Named> = found
        .difference(&planted)
        .filter(|finding| !truly_looks_bad(&truth, finding))
        .collect();
    assert!(other.is_empty(), "{other:?}");
}
