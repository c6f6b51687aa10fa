//! A simulated cable against its plan: places, losses, labels, and the faults planted.
#![expect(
    clippy::unwrap_used,
    reason = "a cable that cannot be built must fail the test"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use bothends::both_ways::{Settings, combine};
use bothends::read::from_bytes;
use bothends::simulate::{
    Cable, CableLink, CablePlan, CableTruth, Dialect, Fault, TracedFrom, TrueEvent, TrueKind,
};
use bothends::trace::{Header, Trace};

/// The sample's plan.
fn plan() -> CablePlan {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    let text = fs::read_to_string(folder.join("rowan-tern-24-cable-plan.toml")).unwrap();
    CablePlan::from_toml(&text).unwrap()
}

/// Files by name, and the truth.
fn made(plan: &CablePlan, seed: u64) -> (BTreeMap<String, Vec<u8>>, CableTruth) {
    let cable = Cable::draw(plan, seed).unwrap();
    let mut files = BTreeMap::new();
    let links = (0..cable.links())
        .map(|idx| {
            let made = cable.link_files(idx, Dialect::Plain).unwrap();
            for (name, text) in made.files {
                assert!(files.insert(name, text).is_none(), "two files of one name");
            }
            made.truth
        })
        .collect();
    (files, cable.truth(links))
}

fn link<'t>(truth: &'t CableTruth, fibre: &str, nm: f64) -> &'t CableLink {
    (truth.links.iter())
        .find(|link| link.fibre == fibre && (link.wavelength.nm() - nm).abs() < 1.0)
        .unwrap()
}

fn event<'t>(link: &'t CableLink, name: &str) -> &'t TrueEvent {
    link.events.iter().find(|event| event.name == name).unwrap()
}

fn db(event: &TrueEvent) -> f64 {
    event.loss.unwrap().db()
}

#[test]
fn joints_lie_where_route_helix_excess_and_slack_put_them() {
    let plan = plan();
    let (_, truth) = made(&plan, plan.seed);
    for link in &truth.links {
        let mut slack_m = 0.0;
        for (idx, closure) in plan.closures.iter().enumerate() {
            let joint = event(link, &closure.name);
            let helix_m = closure.chainage.m() * plan.helix_factor;
            let place_m =
                |excess: f64| helix_m * (1.0 + excess) + slack_m + 0.5 * closure.slack.m();
            // Five standard deviations of the trims of that many joints, 0.3 m each.
            let trims_m = 5.0 * 0.3 * (idx as f64 + 1.0).sqrt();
            let found_m = joint.true_position.m();
            assert!(
                (place_m(0.001) - trims_m..place_m(0.003) + trims_m).contains(&found_m),
                "{} of {}: {found_m} m",
                closure.name,
                link.fibre
            );
            slack_m += closure.slack.m();
        }
    }
}

#[test]
fn planted_faults_are_what_the_plan_says() {
    let plan = plan();
    let (_, truth) = made(&plan, plan.seed);
    for nm in [1310.0, 1550.0] {
        let of = |fibre: &str| link(&truth, fibre, nm);
        // Losses as the plan states them, through sums of doubles; the machine of every other
        // closure puts 0.02 dB on top.
        approx::assert_abs_diff_eq!(db(event(of("017"), "closure 4")), 0.33, epsilon = 1e-9);
        approx::assert_abs_diff_eq!(db(event(of("002"), "closure 2")), 0.24, epsilon = 1e-9);
        approx::assert_abs_diff_eq!(db(event(of("012"), "closure 6")), 0.145, epsilon = 1e-9);
        let bend = event(of("009"), "bend");
        let expected = if nm < 1400.0 { 0.06 } else { 0.21 };
        approx::assert_abs_diff_eq!(db(bend), expected, epsilon = 1e-9);
        assert_eq!(bend.kind, TrueKind::Bend);
        // A tray's bend lies a metre behind its joint.
        let tray = of("020");
        approx::assert_abs_diff_eq!(
            event(tray, "bend").true_position.m() - event(tray, "closure 1").true_position.m(),
            1.0,
            epsilon = 1e-6
        );
        assert!(of("013").loss.is_none());
        assert_eq!(event(of("013"), "break").kind, TrueKind::Break);
        for (fibre, closure, step_db) in [("005", "closure 3", 0.28), ("022", "closure 5", -0.25)] {
            let joint = event(of(fibre), closure);
            // Apart from the step drawn for each wavelength, 0.03 dB for each of the two
            // fibres: half the difference, 0.03/√2, five standard deviations.
            approx::assert_abs_diff_eq!(
                joint.backscatter_step.unwrap().db(),
                step_db,
                epsilon = 0.11
            );
            assert!(db(joint) < 0.15);
        }
        // Spliced crosswise in closure 5: each comes out at the other's port.
        assert_eq!(of("015").fibre_at_b, "018");
        assert_eq!(of("018").fibre_at_b, "015");
        assert_eq!(of("007").fibre_at_b, "007");
    }
}

#[test]
fn a_shifted_tray_and_a_crossing_change_nothing_else() {
    let plan = plan();
    let (_, with) = made(&plan, plan.seed);
    let mut without = plan.clone();
    without.faults.retain(|fault| {
        !matches!(
            fault,
            Fault::ShiftedTray { .. } | Fault::CrossedFibres { .. }
        )
    });
    let (_, without) = made(&without, plan.seed);
    for (one, other) in with.links.iter().zip(&without.links) {
        if one.fibre == "015" || one.fibre == "018" {
            continue;
        }
        for (event, plain) in one.events.iter().zip(&other.events) {
            let in_tray = one.fibre.as_str() >= "019" && event.name == "closure 2";
            let more_db = if in_tray { 0.05 } else { 0.0 };
            assert_eq!(event.position, plain.position);
            if let (Some(loss), Some(plain)) = (event.loss, plain.loss) {
                approx::assert_abs_diff_eq!(loss.db(), plain.db() + more_db, epsilon = 1e-9);
            }
        }
    }
}

#[test]
fn files_say_what_their_labels_say() {
    let plan = plan();
    let (files, truth) = made(&plan, plan.seed);
    assert_eq!(files.len(), truth.files.len());
    // 24 fibres × 2 wavelengths × 2 ends, one missing, one twice.
    assert_eq!(files.len(), 96);
    assert!(!files.contains_key("RT-24-024-1310-from-b.txt"));
    assert_eq!(
        files["RT-24-003-1550-from-a.txt"],
        files["RT-24-003-1550-from-a-again.txt"]
    );
    let says = |name: &str| {
        let text = std::str::from_utf8(&files[name]).unwrap();
        let value = |key: &str| {
            let line = text.lines().find_map(|line| line.strip_prefix(key));
            line.unwrap().to_owned()
        };
        (value("# fibre: "), value("# from: "))
    };
    let file = |fibre: &str, from: TracedFrom| {
        let of = |file: &&bothends::simulate::CableFile| {
            file.path == fibre && file.measured_from == from && file.wavelength.nm() > 1500.0
        };
        truth.files.iter().find(of).unwrap().file.clone()
    };
    let b = "Tern Quay".to_owned();
    let a = "Rowan Mast".to_owned();
    // Crossed labels: what B measured of 7 is called 8, and the other way round.
    assert_eq!(says(&file("007", TracedFrom::B)), ("008".into(), b.clone()));
    assert_eq!(says(&file("008", TracedFrom::B)), ("007".into(), b.clone()));
    assert_eq!(says(&file("007", TracedFrom::A)), ("007".into(), a.clone()));
    // Crossed in a closure: B's tester names the port rightly, which is another path.
    assert_eq!(says(&file("015", TracedFrom::B)), ("018".into(), b.clone()));
    // Swapped ends: measured from A, says B.
    assert_eq!(says(&file("011", TracedFrom::A)), ("011".into(), b));
    assert_eq!(says(&file("011", TracedFrom::B)), ("011".into(), a));
}

#[test]
fn the_same_seed_gives_the_same_files_and_another_another_cable() {
    let mut plan = plan();
    plan.fibres = 2;
    plan.faults.clear();
    plan.instrument.samples = 500;
    let (one, truth) = made(&plan, 5);
    let (again, truth_again) = made(&plan, 5);
    assert!(one == again && truth == truth_again);
    let (_, other) = made(&plan, 6);
    for (one, other) in truth.links.iter().zip(&other.links) {
        assert_ne!(one.length, other.length);
        assert_ne!(one.loss, other.loss);
    }
}

#[test]
fn the_two_traces_of_a_path_measure_as_its_truth_says() {
    let plan = plan();
    let (files, truth) = made(&plan, plan.seed);
    let trace = |fibre: &str, from: TracedFrom| -> Trace {
        let of = |file: &&bothends::simulate::CableFile| {
            file.path == fibre && file.measured_from == from && file.wavelength.nm() > 1500.0
        };
        let name = &truth.files.iter().find(of).unwrap().file;
        let mut read = from_bytes(&files[name]).unwrap();
        read.traces
            .pop()
            .unwrap()
            .into_trace(&Header::default())
            .unwrap()
    };
    let settings = Settings {
        accept_pairing: true,
        ..Settings::default()
    };
    // A fibre without a fault, one with a bad joint, one spliced crosswise.
    for fibre in ["004", "017", "015"] {
        let combined = combine(
            &trace(fibre, TracedFrom::A),
            &trace(fibre, TracedFrom::B),
            &settings,
        )
        .unwrap();
        let truth = link(&truth, fibre, 1550.0);
        for event in &combined.link.events {
            let at_m = event.position.value.m();
            let distance = |it: &&TrueEvent| (it.position.m() - at_m).abs();
            let nearest = (truth.events.iter())
                .min_by(|one, other| distance(one).total_cmp(&distance(other)))
                .unwrap();
            // A sample is 3.8 m.
            assert!(
                distance(&nearest) < 8.0,
                "{fibre}: nothing true at {at_m} m"
            );
            if let Ok(loss) = &event.loss {
                // Five standard errors of what is measured.
                let error_db = loss.std_error.unwrap().db();
                approx::assert_abs_diff_eq!(loss.value.db(), db(nearest), epsilon = 5.0 * error_db);
            }
        }
    }
}
