//! Whatever is changed in a pack, `verify` names it.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use bothends::read::sha256_hex;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::bench::{Bench, FROM_A, FROM_B};

const RESULT: &str = "links/HL-204-017-1550.json";

fn packed(raw_traces: &str) -> Bench {
    let bench = Bench::new();
    let ran = bench.run(&[
        "link",
        FROM_A,
        FROM_B,
        "--out",
        "results",
        "--raw-traces",
        raw_traces,
    ]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    bench
}

/// The digest that a run printed.
fn digest(text: &str) -> String {
    let (_, after) = text.split_once("digest ").unwrap();
    after.split_whitespace().next().unwrap().to_owned()
}

fn copy_all(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.path().is_dir() {
            copy_all(&entry.path(), &to.join(entry.file_name()));
        } else {
            fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

#[test]
fn an_untouched_pack_differs_in_nothing_and_has_one_digest() {
    for raw_traces in ["copy", "xz"] {
        let bench = packed(raw_traces);
        let ran = bench.run(&["verify", "results"]);
        assert_eq!(ran.code, 0, "{}", ran.out);
        // Any program that computes SHA-256 gives the same for the manifest.
        let manifest = fs::read(bench.path("results/manifest.json")).unwrap();
        assert_eq!(digest(&ran.out), sha256_hex(&manifest));
        let args = ["verify", "results", "--digest", &digest(&ran.out)];
        assert_eq!(bench.run(&args).code, 0);
        // A pack may be moved: what its results say of files is not where they are read.
        fs::rename(bench.path("results"), bench.path("elsewhere")).unwrap();
        fs::remove_file(bench.path(FROM_A)).unwrap();
        assert_eq!(bench.run(&["verify", "elsewhere"]).code, 0);
    }
}

#[test]
fn traces_that_are_only_named_are_looked_for_where_the_user_says() {
    let bench = packed("name");
    assert!(!bench.path("results/raw").exists());
    let without = bench.run(&["verify", "results"]);
    assert_eq!(without.code, 1);
    assert!(
        without.out.contains("give --traces FOLDER"),
        "{}",
        without.out
    );
    let with = bench.run(&["verify", "results", "--traces", "."]);
    assert_eq!(with.code, 0, "{}", with.out);
    bench.altered(FROM_A, FROM_A, "-2", "-3");
    let changed = bench.run(&["verify", "results", "--traces", "."]);
    assert_eq!(changed.code, 1);
    assert!(changed.out.contains("not the raw trace that was measured"));
}

/// The files of a pack by their form; raw traces are one of their own.
fn by_form(pack: &Path) -> BTreeMap<String, Vec<String>> {
    let manifest: serde_json::Value =
        serde_json::from_slice(&fs::read(pack.join("manifest.json")).unwrap()).unwrap();
    let mut forms: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for entry in manifest["files"].as_array().unwrap() {
        let file = entry["file"].as_str().unwrap();
        let form = match file.strip_prefix("raw/") {
            Some(_) => "raw",
            None => file.rsplit('.').next().unwrap(),
        };
        forms
            .entry(form.to_owned())
            .or_default()
            .push(file.to_owned());
    }
    forms
}

/// A pack with limits, so that it has a file of every form.
fn judged_pack() -> Bench {
    let bench = Bench::new();
    let ran = bench.run(&[
        "link",
        FROM_A,
        FROM_B,
        "--limits",
        "long-haul",
        "--out",
        "results",
    ]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    let forms: Vec<String> = by_form(&bench.path("results")).into_keys().collect();
    let all = "csv html json ndjson pdf png raw svg toml txt xlsx";
    assert_eq!(forms.join(" "), all);
    bench
}

/// One changed bit, a cut end, a missing file, an added one, two exchanged, another name:
/// each at a drawn place of a drawn file, in every form that a pack has; 66 times.
#[test]
fn tamperings_of_every_form_are_each_found_and_named() {
    let bench = judged_pack();
    let kept = bench.path("results");
    let forms = by_form(&kept);
    let delivered = digest(&bench.run(&["verify", "results"]).out);
    let mut rng = ChaCha8Rng::seed_from_u64(50);
    for (tampering, files) in (0..6).flat_map(|how| forms.values().map(move |f| (how, f))) {
        let folder = bench.path("tampered");
        copy_all(&kept, &folder);
        let file = &files[rng.random_range(0..files.len())];
        let path = folder.join(file);
        let mut bytes = fs::read(&path).unwrap();
        let place = rng.random_range(0..bytes.len());
        let mut named = file.clone();
        match tampering {
            0 => {
                bytes[place] ^= 1 << rng.random_range(0..8);
                fs::write(&path, &bytes).unwrap();
            }
            1 => {
                bytes.truncate(place);
                fs::write(&path, &bytes).unwrap();
            }
            2 => fs::remove_file(&path).unwrap(),
            3 => {
                named = format!("{file}.more");
                fs::write(folder.join(&named), "added").unwrap();
            }
            4 => {
                let other = folder.join(if file == RESULT { "index.html" } else { RESULT });
                fs::copy(&other, &path).unwrap();
                fs::write(&other, &bytes).unwrap();
            }
            _ => fs::rename(&path, folder.join(format!("{file}.other"))).unwrap(),
        }
        let ran = bench.run(&["verify", "tampered"]);
        assert_eq!(ran.code, 1, "tampering {tampering} of {named}: {}", ran.out);
        assert!(
            ran.out.contains(&format!("- {named}: ")),
            "tampering {tampering} of {named}: {}",
            ran.out
        );
        fs::remove_dir_all(&folder).unwrap();
    }
    // The manifest itself: any changed byte changes the digest of the pack.
    for _ in 0..10 {
        let folder = bench.path("tampered");
        copy_all(&kept, &folder);
        let path = folder.join("manifest.json");
        let mut bytes = fs::read(&path).unwrap();
        let place = rng.random_range(0..bytes.len());
        bytes[place] ^= 1;
        fs::write(&path, &bytes).unwrap();
        let ran = bench.run(&["verify", "tampered", "--digest", &delivered]);
        assert_ne!(ran.code, 0, "byte {place} of the manifest: {}", ran.out);
        fs::remove_dir_all(&folder).unwrap();
    }
}

/// A byte of a file of each form, with its new fingerprint in the manifest: what somebody
/// would do who knows how a pack is made.
#[test]
fn a_forgery_of_any_form_with_its_manifest_shows_by_the_digest() {
    let bench = judged_pack();
    let kept = bench.path("results");
    let delivered = digest(&bench.run(&["verify", "results"]).out);
    for (form, files) in by_form(&kept) {
        let folder = bench.path("tampered");
        copy_all(&kept, &folder);
        let path = folder.join(&files[0]);
        let before = fs::read(&path).unwrap();
        let mut after = before.clone();
        *after.last_mut().unwrap() ^= 1;
        fs::write(&path, &after).unwrap();
        let manifest = fs::read_to_string(folder.join("manifest.json")).unwrap();
        let forged = manifest.replace(&sha256_hex(&before), &sha256_hex(&after));
        assert_ne!(forged, manifest);
        fs::write(folder.join("manifest.json"), forged).unwrap();
        let ran = bench.run(&["verify", "tampered", "--digest", &delivered]);
        assert_eq!(ran.code, 1, "{form}: {}", ran.out);
        assert!(ran.out.contains("was delivered"), "{form}: {}", ran.out);
        fs::remove_dir_all(&folder).unwrap();
    }
}

/// Puts a text in place of another in a file of a pack, and the new fingerprint into the
/// manifest: what somebody would do who knows how a pack is made.
fn forged(bench: &Bench, file: &str, from: &str, to: &str) {
    let path = bench.path("results").join(file);
    let before = fs::read_to_string(&path).unwrap();
    assert!(before.contains(from), "{file} has no {from:?}");
    let after = before.replacen(from, to, 1);
    fs::write(&path, &after).unwrap();
    let manifest = bench.path("results/manifest.json");
    let text = fs::read_to_string(&manifest).unwrap();
    let text = text
        .replace(
            &sha256_hex(before.as_bytes()),
            &sha256_hex(after.as_bytes()),
        )
        .replace(
            &format!("\"bytes\": {},", before.len()),
            &format!("\"bytes\": {},", after.len()),
        );
    fs::write(&manifest, text).unwrap();
}

#[test]
fn a_result_forged_with_its_manifest_does_not_come_from_the_raw_traces() {
    let bench = packed("copy");
    let delivered = digest(&bench.run(&["verify", "results"]).out);
    let result = fs::read_to_string(bench.path("results").join(RESULT)).unwrap();
    let result: serde_json::Value = serde_json::from_str(&result).unwrap();
    // The bad splice of the sample, number 4, made a good one.
    let loss = result["events"][3]["loss_db"].as_f64().unwrap();
    forged(
        &bench,
        RESULT,
        &format!("\"loss_db\": {loss}"),
        "\"loss_db\": 0.05",
    );
    let ran = bench.run(&["verify", "results"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(
        ran.out.contains(&format!(
            "events[4].loss_db is 0.05 in the pack; the raw traces give {loss}"
        )),
        "{}",
        ran.out
    );
    let compared = bench.run(&["verify", "results", "--digest", &delivered]);
    assert!(compared.out.contains("was delivered"), "{}", compared.out);
}

/// A manifest without links has nothing measured again; the results that it lists tell.
#[test]
fn a_result_that_no_link_names_is_found() {
    let bench = packed("copy");
    let path = bench.path("results/manifest.json");
    let text = fs::read_to_string(&path).unwrap();
    let mut manifest: serde_json::Value = serde_json::from_str(&text).unwrap();
    manifest["links"] = serde_json::json!([]);
    fs::write(&path, manifest.to_string()).unwrap();
    let ran = bench.run(&["verify", "results"]);
    assert_eq!(ran.code, 1, "{}", ran.out);
    assert!(
        ran.out
            .contains("a result that no link of the manifest names"),
        "{}",
        ran.out
    );
}

#[test]
fn a_page_forged_with_its_manifest_shows_by_the_digest() {
    let bench = packed("copy");
    let delivered = digest(&bench.run(&["verify", "results"]).out);
    forged(&bench, "index.html", "not judged", "pass");
    let ran = bench.run(&["verify", "results", "--digest", &delivered]);
    assert_eq!(ran.code, 1);
    assert!(ran.out.contains("was delivered"), "{}", ran.out);
}

#[test]
fn what_is_no_pack_cannot_be_checked() {
    let bench = packed("copy");
    insta::assert_snapshot!(bench.fails(&["verify", "."]), @"bothends: . is no pack: it has no manifest.json");
    let manifest = bench.path("results/manifest.json");
    fs::write(&manifest, "{\"schema\": 7}").unwrap();
    insta::assert_snapshot!(bench.fails(&["verify", "results"]), @"bothends: results: manifest.json, line 1, column 12: invalid type: integer `7`, expected a string; this is no manifest of a pack");
    let bad = bench.fails(&["verify", "results", "--digest", "12"]);
    assert!(bad.contains("wanted the 64 hexadecimal digits"), "{bad}");
}

/// The cable of the samples, with its planted faults: its result is made again from the
/// packed raw traces, and a forged redo list does not come from them.
#[test]
fn a_cable_is_measured_again_from_its_raw_traces() {
    let bench = Bench::new();
    let plan = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-traces")
        .join("rowan-tern-24-cable-plan.toml");
    fs::copy(plan, bench.path("plan.toml")).unwrap();
    let made = bench.run(&["simulate", "plan.toml", "--out", "cable"]);
    assert_eq!(made.code, 0, "{}", made.err);
    // Two planted files have no partner, so that not all could be done: status 2.
    let ran = bench.run(&["cable", "cable", "--out", "results"]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    assert!(ran.err.contains("wrote the pack results"), "{}", ran.err);
    let checked = bench.run(&["verify", "results"]);
    assert_eq!(checked.code, 0, "{}", checked.out);
    assert!(
        bench
            .names("results/raw")
            .iter()
            .all(|n| Path::new(n).extension().is_some_and(|e| e == "xz"))
    );
    // What was judged is judged again by the same limits and coverage.
    let judging = ["--limits", "long-haul", "--coverage", "2"];
    let ran = bench.run(&[&["cable", "cable", "--out", "judged"], &judging[..]].concat());
    assert_eq!(ran.code, 2, "{}", ran.err);
    let checked = bench.run(&["verify", "judged"]);
    assert_eq!(checked.code, 0, "{}", checked.out);
    forged(&bench, "RT-24.json", "\"rank\": 1", "\"rank\": 9");
    let forged = bench.run(&["verify", "results"]);
    assert_eq!(forged.code, 1);
    assert!(
        forged
            .out
            .contains("redo[1].rank is 9 in the pack; the raw traces give 1"),
        "{}",
        forged.out
    );
}
