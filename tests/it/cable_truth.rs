//! What a cable must not claim: a pass for what was not taken, a loss from traces that do not
//! belong together, a bend where a joint was made anew. Cables are the samples' without their
//! faults, or with one of their own; all data invented, the truth is the plan's.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::bench::{Bench, Ran, cable_plan};

/// Makes the sample cable with 6 fibres and these faults in a folder of this name.
fn made(bench: &Bench, name: &str, faults: &str) {
    bench.write(&format!("{name}-made.toml"), cable_plan(faults));
    let ran = bench.run(&["simulate", &format!("{name}-made.toml"), "--out", name]);
    assert_eq!(ran.code, 0, "{}", ran.err);
}

fn plan_of(bench: &Bench, name: &str) -> String {
    let is_plan = |file: &String| Path::new(file).extension().is_some_and(|e| e == "toml");
    let file = bench.names(name).into_iter().find(is_plan).unwrap();
    format!("{name}/{file}")
}

fn json(ran: &Ran) -> Value {
    serde_json::from_str(&ran.out).unwrap()
}

/// Messages of the findings of a kind.
fn found<'v>(result: &'v Value, kind: &str) -> Vec<&'v str> {
    let of_kind = result["findings"].as_array().unwrap().iter();
    of_kind
        .filter(|finding| finding["kind"] == kind)
        .map(|finding| finding["message"].as_str().unwrap())
        .collect()
}

/// Messages of the cable's warnings with a code.
fn warned<'v>(result: &'v Value, code: &str) -> Vec<&'v str> {
    let warnings = result["warnings"].as_array().unwrap().iter();
    warnings
        .filter(|warning| warning["code"] == code)
        .map(|warning| warning["message"].as_str().unwrap())
        .collect()
}

fn remove(bench: &Bench, folder: &str, part: &str) {
    for name in bench.names(folder) {
        if name.contains(part) {
            fs::remove_file(bench.path(&format!("{folder}/{name}"))).unwrap();
        }
    }
}

#[test]
fn a_fibre_or_wavelength_of_the_plan_without_traces_is_no_pass() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let plan = plan_of(&bench, "cable");
    let judged = |plan: &str| {
        let ran = bench.run(&["cable", plan, "--limits", "long-haul", "--format", "json"]);
        (ran.code, json(&ran))
    };
    let (code, whole) = judged(&plan);
    assert_eq!(
        (code, &whole["cable"]["verdict"]),
        (0, &Value::from("pass"))
    );
    remove(&bench, "cable/traces", "-005-");
    let (code, lacking) = judged(&plan);
    assert_eq!(
        (code, &lacking["cable"]["verdict"]),
        (1, &Value::from("not judged"))
    );
    let said = warned(&lacking, "number of fibres");
    assert_eq!(
        said,
        ["the plan has 6 fibres, and there are traces of 5: none of 005"]
    );
    made(&bench, "whole", "");
    remove(&bench, "whole/traces", "-1310-");
    let (code, dark) = judged(&plan_of(&bench, "whole"));
    assert_eq!(
        (code, &dark["cable"]["verdict"]),
        (1, &Value::from("not judged"))
    );
    assert_eq!(warned(&dark, "wavelength missing").len(), 1);
}

#[test]
fn a_pack_of_results_among_the_traces_is_not_read_again() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let first = bench.run(&["cable", "cable/traces", "--out", "cable/traces/results"]);
    assert_eq!(first.code, 0, "{}", first.err);
    let again = bench.run(&["cable", "cable/traces", "--format", "json"]);
    assert_eq!(again.code, 0, "{}", again.err);
    let result = json(&again);
    assert_eq!(found(&result, "duplicate file").len(), 0);
    assert_eq!(result["skipped"].as_array().unwrap().len(), 0);
    assert!(
        again.err.contains("results in results were not looked at"),
        "{}",
        again.err
    );
}

#[test]
fn two_traces_that_differ_under_one_label_give_no_loss() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let of_a = "cable/traces/RT-24-002-1310-from-a.txt";
    let other = "cable/traces/RT-24-003-1310-from-a.txt";
    // The trace of another fibre under this one's label, in a file that comes first by name.
    let text = fs::read_to_string(bench.path(other)).unwrap();
    bench.write(
        "cable/traces/RT-24-002-1310-a-new.txt",
        text.replace("# fibre: 003", "# fibre: 002"),
    );
    let ran = bench.run(&["cable", &plan_of(&bench, "cable"), "--format", "json"]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    let result = json(&ran);
    let is_it =
        |link: &&Value| link["link"]["fibre"] == "002" && link["link"]["wavelength_nm"] == 1310.0;
    assert_eq!(result["links"].as_array().unwrap().iter().find(is_it), None);
    let skipped: Vec<&str> = result["skipped"]
        .as_array()
        .unwrap()
        .iter()
        .map(|skipped| skipped["file"].as_str().unwrap())
        .collect();
    assert!(
        skipped.iter().any(|file| of_a.ends_with(file)),
        "{skipped:?}"
    );
    assert!(skipped.contains(&"RT-24-002-1310-a-new.txt"), "{skipped:?}");
    assert_eq!(warned(&result, "traces contradict each other").len(), 1);

    // Both say that they are from A, and none is from B: one of them may be.
    remove(&bench, "cable/traces", "-002-1310-from-b");
    let ran = bench.run(&["cable", &plan_of(&bench, "cable"), "--format", "json"]);
    let result = json(&ran);
    let lacks = found(&result, "missing partner");
    assert_eq!(lacks.len(), 1);
    assert!(lacks[0].contains("one of the two from"), "{}", lacks[0]);
}

#[test]
fn a_file_cut_short_is_said_to_be() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let name = "cable/traces/RT-24-005-1310-from-a.txt";
    let text = fs::read_to_string(bench.path(name)).unwrap();
    // Half of the rows: 5.7 km of 9.4 km of fibre behind a cord of one.
    let rows = text.lines().count();
    let half: Vec<&str> = text.lines().take(rows / 2).collect();
    bench.write(name, half.join("\n") + "\n");
    let ran = bench.run(&["cable", &plan_of(&bench, "cable"), "--format", "json"]);
    let result = json(&ran);
    let poor = found(&result, "poor settings");
    assert_eq!(poor.len(), 1, "{poor:?}");
    assert!(
        poor[0].contains("at 1310 nm, the trace from A stops"),
        "{}",
        poor[0]
    );
    assert!(poor[0].contains("export it again"), "{}", poor[0]);
}

/// Planted: 0.31 dB at closure 4 of fibre 2, and none of it in the traces of 1310 nm that were
/// taken two months later.
#[test]
fn a_joint_made_anew_between_two_wavelengths_stays_on_the_redo_list() {
    let bench = Bench::new();
    let fault =
        "[[faults]]\nkind = \"bad joint\"\nfibre = 2\nclosure = \"closure 4\"\nloss_db = 0.31\n";
    made(&bench, "before", fault);
    made(&bench, "after", "");
    for end in ["a", "b"] {
        let name = format!("RT-24-002-1310-from-{end}.txt");
        let text = fs::read_to_string(bench.path(&format!("after/traces/{name}"))).unwrap();
        let line = text
            .lines()
            .find(|line| line.starts_with("# measured:"))
            .unwrap();
        let later = text.replace(line, "# measured: 2031-07-01T10:00:00+02:00");
        bench.write(&format!("before/traces/{name}"), later);
    }
    let ran = bench.run(&["cable", &plan_of(&bench, "before"), "--format", "json"]);
    let result = json(&ran);
    let redo = result["redo"].as_array().unwrap();
    assert_eq!(redo.len(), 1, "{redo:?}");
    assert_eq!(
        (&redo[0]["fibre"], &redo[0]["joint"]),
        (&"002".into(), &"closure 4".into())
    );
    let bends = found(&result, "bend");
    assert_eq!(bends.len(), 1, "{bends:?}");
    assert!(
        bends[0].contains("if it was spliced again in between"),
        "{}",
        bends[0]
    );
}

/// The two of a crossed pair share no joint: half sums of two fibres are no bends.
#[test]
fn crossed_fibres_measured_as_labelled_have_no_bends() {
    let bench = Bench::new();
    made(
        &bench,
        "cable",
        "[[faults]]\nkind = \"crossed fibres\"\nfibres = [3, 4]\n",
    );
    let ran = bench.run(&[
        "cable",
        &plan_of(&bench, "cable"),
        "--accept-pairing",
        "labelled",
        "--format",
        "json",
    ]);
    let result = json(&ran);
    assert_eq!(found(&result, "crossed fibres").len(), 1);
    assert_eq!(found(&result, "bend"), Vec::<&str>::new());
    let links = result["links"].as_array().unwrap();
    let doubted = links.iter().filter(|link| {
        let mut warnings = link["warnings"].as_array().unwrap().iter();
        warnings.any(|warning| warning["code"] == "pairing in doubt")
    });
    assert_eq!(doubted.count(), 4);
}

#[test]
fn chainages_that_cannot_be_are_refused_or_said() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let plan = plan_of(&bench, "cable");
    let text = fs::read_to_string(bench.path(&plan)).unwrap();
    let with = |name: &str, from: &str, to: &str| {
        assert!(text.contains(from), "{from}: {text}");
        let file = format!("cable/{name}.toml");
        bench.write(&file, text.replace(from, to));
        file
    };
    let beyond = with("beyond", "chainage_m = 8020", "chainage_m = 9920");
    let message = bench.fails(&["cable", &beyond]);
    assert!(
        message.contains("a closure lies not behind end B, which is at 9150"),
        "{message}"
    );
    let early = with("early", "chainage_b_m = 9150", "chainage_b_m = 0");
    let message = bench.fails(&["cable", &early]);
    assert!(message.contains("end B lies behind end A"), "{message}");

    let said = |file: &str| {
        let ran = bench.run(&["cable", file, "--format", "json"]);
        let result = json(&ran);
        let warned = warned(&result, "chainages doubtful");
        warned.into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(said(&plan), Vec::<String>::new());
    // Longer than the fibre.
    let long = said(&with("long", "chainage_b_m = 9150", "chainage_b_m = 9950"));
    assert!(long[0].contains("longer than its fibre"), "{long:?}");
    // One closure's chainage is off by 200 m.
    let off = said(&with("off", "chainage_m = 3905", "chainage_m = 4105"));
    assert!(
        off.iter().any(|said| said.starts_with("closure 3 lies")),
        "{off:?}"
    );
    // The winding makes more fibre than there is.
    let wound = said(&with(
        "wound",
        "chainage_b_m = 9150",
        "helix_factor = 1.2\nchainage_b_m = 9150",
    ));
    assert!(wound[0].contains("helix factor makes 10980 m"), "{wound:?}");
    // A closure at the end itself, where no splice can be told from the connector, lets nothing pass.
    let at_end = with("end", "chainage_m = 8020", "chainage_m = 9150");
    let ran = bench.run(&[
        "cable",
        &at_end,
        "--limits",
        "long-haul",
        "--format",
        "json",
    ]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    let result = json(&ran);
    assert_eq!(result["cable"]["verdict"], "not judged");
    assert_eq!(warned(&result, "closure not measured").len(), 1);
    // A splice log that names no joint of the cable says nothing of machines.
    bench.write(
        "log.csv",
        "joint,fibre,estimated_loss_db\njoint 99,001,0.02\n",
    );
    let ran = bench.run(&[
        "cable",
        &plan,
        "--splice-log",
        "log.csv",
        "--format",
        "json",
    ]);
    assert_eq!(warned(&json(&ran), "splice log not used").len(), 1);
}

/// Kilometres where metres are asked.
#[test]
fn a_route_far_shorter_than_its_fibre_places_no_closure() {
    let bench = Bench::new();
    made(&bench, "cable", "");
    let plan = plan_of(&bench, "cable");
    let text = fs::read_to_string(bench.path(&plan)).unwrap();
    let in_km: Vec<String> = text
        .lines()
        .map(|line| match line.split_once("chainage") {
            Some((before, rest)) => {
                let (key, value) = rest.split_once('=').unwrap();
                let km = value.trim().parse::<f64>().unwrap() / 1000.0;
                format!("{before}chainage{key}= {km}")
            }
            None => line.to_owned(),
        })
        .collect();
    bench.write("cable/km.toml", in_km.join("\n"));
    let ran = bench.run(&["cable", "cable/km.toml", "--format", "json"]);
    let result = json(&ran);
    let said = warned(&result, "chainages doubtful");
    assert!(said[0].contains("chainages are metres"), "{said:?}");
    let joints = result["joints"].as_array().unwrap();
    // Six joints between two ends, each at two wavelengths, and none at a place of the plan's.
    assert_eq!(joints.len(), 16);
}

/// The same connector with and without a break 6 km behind it: its reflection is the same, and no
/// section of the broken fibre, which one direction tells, passes.
///
/// Tolerance: noise of some thousandths of the reflection's height at both; 0.1 dB is what a
/// reflectance is stated to.
#[test]
fn a_broken_fibre_keeps_its_reflections_and_passes_no_section() {
    let bench = Bench::new();
    made(&bench, "sound", "");
    let fault =
        "[[faults]]\nkind = \"break\"\nfibre = 3\nchainage_m = 6120.0\nreflectance_db = -32.0\n";
    made(&bench, "broken", fault);
    let link = |folder: &str| {
        let ran = bench.run(&[
            "link",
            &format!("{folder}/traces/RT-24-003-1310-from-a.txt"),
            &format!("{folder}/traces/RT-24-003-1310-from-b.txt"),
            "--limits",
            "long-haul",
            "--format",
            "json",
        ]);
        json(&ran)
    };
    let (sound, broken) = (link("sound"), link("broken"));
    let db = |link: &Value| link["events"][0]["reflectance_a_db"].as_f64().unwrap();
    approx::assert_abs_diff_eq!(db(&sound), db(&broken), epsilon = 0.1);
    let sections = |link: &Value| -> Vec<String> {
        let judgements = link["judgements"].as_array().unwrap().iter();
        let of_sections = judgements.filter(|one| one["what"] == "attenuation of a section");
        of_sections
            .map(|one| one["verdict"].as_str().unwrap().to_owned())
            .collect()
    };
    assert!(sections(&sound).iter().all(|verdict| verdict == "pass"));
    let verdicts = sections(&broken);
    assert!(!verdicts.is_empty() && verdicts.iter().all(|verdict| verdict == "not judged"));
}

/// All fibres cut at one place: how far each end sees is told, and no chainage of it, since no
/// fibre's length lays the route along the fibre.
#[test]
fn a_cable_cut_through_has_breaks_and_no_chainages() {
    let bench = Bench::new();
    let fault = |fibre: usize| {
        format!("[[faults]]\nkind = \"break\"\nfibre = {fibre}\nchainage_m = 6120.0\n")
    };
    made(
        &bench,
        "cable",
        &(1..=6).map(fault).collect::<Vec<_>>().concat(),
    );
    let ran = bench.run(&["cable", &plan_of(&bench, "cable"), "--format", "json"]);
    let result = json(&ran);
    let breaks = found(&result, "break");
    assert_eq!(breaks.len(), 6, "{breaks:?}");
    assert!(
        breaks.iter().all(|said| !said.contains("chainage")),
        "{breaks:?}"
    );
    let said = warned(&result, "chainages doubtful");
    assert!(
        said[0].contains("no fibre shows both of its ends"),
        "{said:?}"
    );
}
