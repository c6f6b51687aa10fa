//! Logs of cables built by hand and drawn from a seed.

use std::fmt::Write as _;

use rand::SeedableRng;
use rand_chacha::ChaCha12Rng;
use rand_distr::{Distribution, Normal};

use super::*;
use crate::both_ways::Verdict;
use crate::cable::{
    CableResult, Cell, Fibre, FindingKind, Joint, JointKind, Matrix, NamedBy, Rules,
};
use crate::units::{Length, Loss, Measured, NotMeasured, Position, Wavelength};

/// A cable with losses by fibre and joint; NaN is a loss that was not measured.
pub(in crate::cable) fn cable(losses_db: &[Vec<f64>]) -> CableResult {
    let joints = losses_db.first().map_or(0, Vec::len);
    let cells = losses_db.iter().flatten().map(|&db| cell(db)).collect();
    CableResult {
        name: Some("RT-24".into()),
        from: None,
        to: None,
        fibres: (1..=losses_db.len())
            .map(|number| Fibre {
                name: format!("{number:03}"),
                tube: None,
                colour: None,
            })
            .collect(),
        wavelengths: vec![Wavelength::from_nm(1550.0)],
        length: None,
        joints: (1..=joints)
            .map(|number| Joint {
                name: format!("closure {number}"),
                named_by: NamedBy::Plan,
                kind: JointKind::Joint,
                position: Measured {
                    value: Position::from_m(1000.0 * number as f64),
                    std_error: Some(Length::from_m(1.0)),
                },
                scatter: None,
                chainage: None,
                seen_in: losses_db.len(),
                statistics: Vec::new(),
            })
            .collect(),
        matrix: Matrix {
            joints,
            wavelengths: 1,
            cells,
        },
        findings: Vec::new(),
        redo: Vec::new(),
        visits: Vec::new(),
        links: Vec::new(),
        skipped: Vec::new(),
        calibration: None,
        rules: Rules {
            limits: None,
            coverage: 1.645,
            bad_splice: Loss::from_db(0.15),
            bad_splice_is_default: true,
            false_finding_chance: 0.01,
        },
        warnings: Vec::new(),
        untaken: crate::cable::Untaken::default(),
    }
}

fn cell(db: f64) -> Cell {
    let missing = || Err(NotMeasured::because("not in this test"));
    let loss = if db.is_nan() {
        missing()
    } else {
        Ok(Measured {
            value: Loss::from_db(db),
            std_error: Some(Loss::from_db(0.001)),
        })
    };
    Cell {
        loss,
        loss_a_to_b: missing(),
        loss_b_to_a: missing(),
        backscatter_step: missing(),
        position: None,
        seen: true,
        verdict: Verdict::NotJudged,
        limit: None,
        source: None,
    }
}

/// What one machine does to its splices in a drawn log.
#[derive(Debug, Clone, Copy, Default)]
struct Machine {
    wear_db_per_arc: f64,
    estimate_less_db: f64,
    more_db: f64,
}

/// Fibres × 6 joints by two machines in turns, two operators and a day for each joint:
/// log-normal losses, estimates of ±0.008 dB.
fn drawn(seed: u64, fibres: usize, machines: [Machine; 2]) -> SpliceLog {
    let mut source = ChaCha12Rng::seed_from_u64(seed);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut losses_db = vec![vec![0.0; 6]; fibres];
    let mut text = String::from(
        "joint,fibre,estimated_loss_db,time,machine,operator,arcs_since_electrodes,\
         cleaves_since_blade\n",
    );
    let mut arcs = [1400.0, 300.0];
    for joint in 0..6 {
        for (fibre, row) in losses_db.iter_mut().enumerate() {
            let which = (fibre / 6 + joint) % 2;
            let machine = machines[which];
            let worn_db = machine.wear_db_per_arc * (arcs[which] - [1400.0, 300.0][which]);
            let plain_db = 0.03 * f64::exp(0.4 * normal.sample(&mut source));
            let loss_db = plain_db + worn_db + machine.more_db;
            row[joint] = loss_db;
            let noise_db = 0.008 * normal.sample(&mut source);
            let estimate_db = f64::max(loss_db - machine.estimate_less_db + noise_db, 0.0);
            let _ = writeln!(
                text,
                "closure {},{},{estimate_db:.3},2026-04-{:02}T10:00,S-{},{},{},{}",
                joint + 1,
                fibre + 1,
                13 + joint,
                which + 1,
                ["J. Sorrel", "A. Teasel"][joint % 2],
                arcs[which],
                // The blade is turned every 50 cleaves, two for each splice.
                (2.0 * arcs[which]) % 50.0,
            );
            arcs[which] += 1.0;
        }
    }
    let entries = read_log(&text, &LogColumns::default()).unwrap();
    compare_log(&entries, &cable(&losses_db))
}

#[test]
fn a_log_is_joined_by_name_and_the_last_entry_of_a_splice_counts() {
    let losses = vec![vec![0.03, 0.05], vec![0.04, f64::NAN]];
    let text = "joint,fibre,estimated_loss_db\n\
        CLOSURE 1,1,0.09\nclosure 1,001,0.02\nclosure 2,2,0.01\nclosure 3,1,0.01\nclosure 1,7,0.01\n";
    let entries = read_log(text, &LogColumns::default()).unwrap();
    let log = compare_log(&entries, &cable(&losses));
    assert_eq!(log.splices.len(), 1);
    assert_eq!((log.splices[0].line, log.splices[0].loss.db()), (3, 0.03));
    let reasons: Vec<String> = (log.unused.iter())
        .map(|it| format!("{}: {}", it.line, it.reason))
        .collect();
    assert_eq!(
        reasons,
        [
            "2: spliced again in line 3",
            "4: its two-way loss was not measured",
            "5: the cable has no joint \"closure 3\"",
            "6: the cable has no fibre \"7\"",
        ]
    );
    // One splice tests nothing.
    assert!(log.groups[0].bias.is_none());
    assert_eq!((log.tests, log.findings(0.05).len()), (0, 0));
}

#[test]
fn machines_without_a_fault_are_left_alone() {
    let chance = 0.05;
    let logs = 300;
    let false_alarms = (0..logs)
        .filter(|&seed| {
            !drawn(seed, 24, [Machine::default(); 2])
                .findings(chance)
                .is_empty()
        })
        .count();
    // At most 5 % of logs by construction, 15 of 300; four standard errors more, √(15·0.95) = 3.8.
    assert!(false_alarms <= 30, "{false_alarms} of {logs}");
}

#[test]
fn worn_electrodes_are_named_and_nothing_else() {
    // 0.0008 dB for each of 72 arcs: 0.058 dB over the log, sixteen standard errors of 24
    // fibres' losses (0.013 dB each, √72·21 arcs of spread).
    let worn = Machine {
        wear_db_per_arc: 0.0008,
        ..Machine::default()
    };
    for seed in 0..20 {
        let log = drawn(seed, 24, [worn, Machine::default()]);
        let said: Vec<String> = log
            .findings(0.01)
            .into_iter()
            .map(|it| it.message)
            .collect();
        assert!(
            said[0].starts_with("machine S-1: the measured loss rises by"),
            "{said:?}"
        );
        assert!(said[0].ends_with("; service the electrodes"), "{said:?}");
        assert!(
            said.iter().all(|it| it.starts_with("machine S-1")),
            "{said:?}"
        );
        let trend = log.trends.iter().find(|it| it.machine == "S-1").unwrap();
        let line = trend.line.test;
        // Five standard errors.
        approx::assert_abs_diff_eq!(line.slope, 0.0008, epsilon = 5.0 * line.slope_std_error);
    }
}

#[test]
fn counts_that_rise_together_are_not_told_apart() {
    let losses: Vec<Vec<f64>> = (0..40)
        .map(|fibre| vec![0.02 + 0.002 * f64::from(fibre) + 0.004 * f64::from(fibre % 3)])
        .collect();
    let log = |cleaves: fn(u32) -> u32| {
        let mut text = String::from(
            "joint,fibre,estimated_loss_db,machine,arcs_since_electrodes,cleaves_since_blade\n",
        );
        for fibre in 0..40 {
            let count = cleaves(fibre);
            let _ = writeln!(text, "closure 1,{},,S-1,{},{count}", fibre + 1, 500 + fibre);
        }
        let entries = read_log(&text, &LogColumns::default()).unwrap();
        compare_log(&entries, &cable(&losses)).findings(0.01)
    };
    let together = log(|fibre| 2 * fibre);
    assert_eq!(together.len(), 1);
    assert!(
        together[0]
            .message
            .contains("which these counts cannot tell apart")
    );
    // Turned once in between, the cleaves fall where the loss goes on rising.
    let apart = log(|fibre| 2 * fibre % 44);
    assert!(
        apart[0].message.ends_with("service the electrodes"),
        "{apart:?}"
    );
}

#[test]
fn estimates_that_lie_are_said_to() {
    let lies = Machine {
        estimate_less_db: 0.02,
        ..Machine::default()
    };
    let log = drawn(4, 24, [Machine::default(), lies]);
    let findings = log.findings(0.01);
    let kinds: Vec<FindingKind> = findings.iter().map(|it| it.kind).collect();
    assert_eq!(kinds, [FindingKind::SplicingMachine]);
    assert!(
        findings[0]
            .message
            .contains("machine S-2: its estimates lie")
    );
    assert!(findings[0].message.contains("below what was measured"));
}

#[test]
fn a_machine_whose_splices_lose_more_is_named() {
    let worse = Machine {
        more_db: 0.03,
        ..Machine::default()
    };
    let log = drawn(5, 24, [worse, Machine::default()]);
    let findings = log.findings(0.01);
    assert_eq!(findings.len(), 1, "{findings:?}");
    assert!(findings[0].message.contains("dB more than the others"));
}
