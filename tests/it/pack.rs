//! The pack that `--out` writes: what is in it, and that it appears whole or not at all.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use crate::bench::{Bench, FROM_A, FROM_B};

/// Every file below a folder by its name, with its bytes.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(at) = folders.pop() {
        for entry in fs::read_dir(&at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().display().to_string();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

#[test]
fn a_pack_holds_every_form_and_is_replaced_only_when_told() {
    let bench = Bench::new();
    let args = ["link", FROM_A, FROM_B, "--out", "results"];
    assert_eq!(bench.run(&args).code, 0);
    let before = files(&bench.path("results"));
    let names: Vec<&str> = before.keys().map(String::as_str).collect();
    insta::assert_snapshot!(names.join("\n"), @"
    events.csv
    fibres/HL-204-017.html
    index.html
    links.ndjson
    links/HL-204-017-1550.json
    links/HL-204-017-1550.txt
    manifest.json
    plots/HL-204-017-1550.png
    plots/HL-204-017-1550.svg
    raw/harrow-mill-017-1550-from-a.txt
    raw/harrow-mill-017-1550-from-b.txt
    report.pdf
    results.xlsx
    sections.csv
    ");
    assert!(before["plots/HL-204-017-1550.png"].starts_with(b"\x89PNG"));
    assert_eq!(
        before[&format!("raw/{FROM_A}")],
        fs::read(bench.path(FROM_A)).unwrap()
    );
    insta::assert_snapshot!(bench.run(&args).message(), @"
    exit status 2
    bothends: results exists; nothing was written (use --force to replace the pack)
    ");
    assert_eq!(files(&bench.path("results")), before);

    let forced = bench.run(&[&args[..], &["--force", "--report-time", "later"]].concat());
    assert_eq!(forced.code, 0, "{}", forced.err);
    let after = files(&bench.path("results"));
    assert_ne!(after["manifest.json"], before["manifest.json"]);
    // Nothing is left beside it.
    assert_eq!(bench.names("."), [FROM_A, FROM_B, "results"]);
}

#[test]
fn the_same_run_writes_the_same_bytes() {
    let bench = Bench::new();
    for folder in ["one", "two"] {
        let ran = bench.run(&[
            "link",
            FROM_A,
            FROM_B,
            "--out",
            folder,
            "--raw-traces",
            "xz",
        ]);
        assert_eq!(ran.code, 0);
    }
    let (one, two) = (files(&bench.path("one")), files(&bench.path("two")));
    assert_eq!(
        one.keys().collect::<Vec<_>>(),
        two.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &one {
        assert!(*bytes == two[name], "{name} differs");
    }
}

#[test]
fn a_folder_that_holds_anything_else_is_never_replaced() {
    let bench = Bench::new();
    let args = ["link", FROM_A, FROM_B, "--out", "results", "--force"];
    fs::create_dir(bench.path("results")).unwrap();
    bench.write("results/holiday.jpg", "mine");
    insta::assert_snapshot!(bench.run(&args).message(), @"
    exit status 2
    bothends: results holds other files and is no pack; nothing was written (name a new folder)
    ");
    assert_eq!(bench.names("results"), ["holiday.jpg"]);
    fs::remove_file(bench.path("results/holiday.jpg")).unwrap();
    // An empty folder may be used.
    assert_eq!(bench.run(&args).code, 0);
    bench.write("results/links/notes.txt", "mine");
    insta::assert_snapshot!(bench.run(&args).message(), @"
    exit status 2
    bothends: results cannot be replaced: links/notes.txt is no part of the pack; nothing was written (move it away, or name a new folder)
    ");
    assert!(bench.path("results/links/notes.txt").is_file());
    bench.write("file", "mine");
    insta::assert_snapshot!(bench.run(&["link", FROM_A, FROM_B, "--out", "file", "--force"]).message(), @"
    exit status 2
    bothends: file exists and is no folder; nothing was written (name another)
    ");
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let bench = Bench::new();
    bench.write("file", "");
    let ran = bench.run(&["link", FROM_A, FROM_B, "--out", "file/results"]);
    assert_eq!(ran.code, 2);
    assert!(
        ran.err.starts_with("bothends: cannot write file/results: "),
        "{}",
        ran.err
    );
}

#[cfg(unix)]
#[test]
fn a_folder_that_is_read_only_is_named_and_stays() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    let folder = bench.path("closed");
    fs::create_dir(&folder).unwrap();
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).unwrap();
    let ran = bench.run(&["link", FROM_A, FROM_B, "--out", "closed"]);
    insta::assert_snapshot!(ran.message(), @"
    exit status 2
    bothends: cannot write closed: it is read-only
    ");
    let mode = fs::metadata(&folder).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o555);
}

/// The device that is always full stands for a full disk; only this family of systems
/// has it, and only a file can be laid on it.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_the_old_pack_and_says_so() {
    let bench = Bench::new();
    let args = ["link", FROM_A, FROM_B, "--out", "results", "--force"];
    assert_eq!(bench.run(&args).code, 0);
    let before = files(&bench.path("results"));
    // No file may grow beyond 40 kB in this shell: writing fails as on a full disk.
    let program = assert_cmd::cargo::cargo_bin!("bothends");
    let ran = std::process::Command::new("sh")
        .current_dir(bench.path("."))
        .arg("-c")
        .arg("trap '' XFSZ; ulimit -f 40; exec \"$0\" \"$@\"")
        .arg(program)
        .args(args)
        .output()
        .unwrap();
    let said = String::from_utf8(ran.stderr).unwrap();
    assert_eq!(ran.status.code(), Some(2), "{said}");
    assert!(said.contains("cannot write results/"), "{said}");
    assert!(said.contains("File too large"), "{said}");
    assert_eq!(files(&bench.path("results")), before);
    assert_eq!(bench.names("."), [FROM_A, FROM_B, "results"]);
}

#[test]
fn killed_at_any_point_there_is_a_whole_pack_or_none() {
    let bench = Bench::new();
    let args = ["link", FROM_A, FROM_B, "--out", "results"];
    // How far each run gets by then does not matter: whatever is there must be whole.
    for after_ms in [5, 20, 40, 60, 80, 100, 120, 140, 160, 200, 300, 500] {
        let forced = [&args[..], &["--force"]].concat();
        let mut run = bench
            .command(&forced)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(after_ms));
        run.kill().unwrap();
        run.wait().unwrap();
        for place in ["results", "results.old"] {
            if bench.path(place).exists() {
                let checked = bench.run(&["verify", place]);
                assert_eq!(checked.code, 0, "{after_ms} ms, {place}: {}", checked.out);
            }
        }
        // Both are there if it was killed just before the old one went out of sight.
        if bench.path("results.old").exists() && bench.path("results").exists() {
            fs::remove_dir_all(bench.path("results.old")).unwrap();
        }
    }
}

#[test]
fn a_pack_that_was_being_replaced_when_a_run_was_stopped_is_put_back() {
    let bench = Bench::new();
    let args = ["link", FROM_A, FROM_B, "--out", "results"];
    assert_eq!(bench.run(&args).code, 0);
    let before = files(&bench.path("results"));
    // The moment between the two renames.
    fs::rename(bench.path("results"), bench.path("results.old")).unwrap();
    let ran = bench.run(&args);
    insta::assert_snapshot!(ran.message(), @"
    exit status 2
    bothends: results was put back: an earlier run was stopped while it was replaced
    bothends: results exists; nothing was written (use --force to replace the pack)
    ");
    assert_eq!(files(&bench.path("results")), before);
}

#[cfg(unix)]
#[test]
fn written_files_can_be_read_by_others_as_the_user_s_mask_allows() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    bench.run(&["link", FROM_A, FROM_B, "--out", "results"]);
    bench.write("usual", "");
    fs::create_dir(bench.path("usual folder")).unwrap();
    let mode = |name: &str| fs::metadata(bench.path(name)).unwrap().permissions().mode();
    assert_eq!(mode("results/index.html"), mode("usual"));
    assert_eq!(mode("results"), mode("usual folder"));
    assert_eq!(mode("results/links"), mode("usual folder"));
}

#[test]
fn a_trace_that_changed_while_it_was_measured_stops_the_pack() {
    use bothends::pack::{PackError, RawOf};
    // The library's own promise: bytes other than those that were measured are refused.
    let raw: &RawOf<'_> = &|_| Ok(b"other bytes".to_vec());
    let error = crate::pack_parts::pack_with(raw).unwrap_err();
    assert!(matches!(error, PackError::Changed { .. }), "{error}");
}
