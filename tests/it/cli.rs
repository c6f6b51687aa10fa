//! The built program: what it prints, what it writes, how it ends.
//!
//! Messages are snapshots, to be read aloud: would a technician know what to do?
//! Numbers of links are not snapshot here; they belong to the tests of the measurement.
use std::fs;
use std::io::Read;
use std::path::Path;
use std::process::Stdio;

use serde_json::Value;

use crate::bench::{Bench, FROM_A, FROM_B};

#[test]
fn help_names_every_command_and_the_exit_status() {
    let bench = Bench::new();
    let ran = bench.run(&["--help"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    insta::assert_snapshot!(ran.out);
    for command in ["link", "trace", "inspect", "convert", "simulate", "schema"] {
        let ran = bench.run(&[command, "--help"]);
        assert_eq!((ran.code, ran.err.as_str()), (0, ""), "{command}");
        assert!(ran.out.contains("Example"), "{command}: {}", ran.out);
    }
}

#[test]
fn link_prints_a_table_or_json_or_csv() {
    let bench = Bench::new();
    let table = bench.run(&["link", FROM_A, FROM_B]);
    assert_eq!((table.code, table.err.as_str()), (0, ""));
    assert!(table.out.starts_with("Cable HL-204, fibre 017, 1550 nm"));
    // No terminal: no colour.
    assert!(!table.out.contains('\u{1b}'));

    let json = bench.run(&["link", FROM_A, FROM_B, "--format", "json"]);
    let object: Value = serde_json::from_str(&json.out).unwrap();
    assert_eq!(object["schema"], "bothends.link/1");
    assert_eq!(object["provenance"]["a"]["file"], FROM_A);

    let line = bench.run(&["link", FROM_A, FROM_B, "--format", "ndjson"]);
    assert_eq!(line.out.lines().count(), 1);
    assert!(line.out.ends_with("}\n"));
    assert_eq!(serde_json::from_str::<Value>(&line.out).unwrap(), object);

    let csv = bench.run(&["link", FROM_A, FROM_B, "--format", "csv"]);
    assert_eq!(csv.code, 0);
    let rows = csv::Reader::from_reader(csv.out.as_bytes())
        .into_records()
        .count();
    assert_eq!(rows, object["events"].as_array().unwrap().len());
}

#[test]
fn link_measures_the_bad_splice_of_the_sample() {
    // Truth: the sample's plan has 0.31 dB at closure 3. Tolerance: five times the
    // error of 0.0005 dB that noise leaves, and the file's 0.001 dB of rounding.
    let bench = Bench::new();
    let ran = bench.run(&["link", FROM_A, FROM_B, "--format", "json"]);
    let object: Value = serde_json::from_str(&ran.out).unwrap();
    let greatest = object["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["kind"] == "splice")
        .filter_map(|event| event["loss_db"].as_f64())
        .fold(0.0, f64::max);
    assert!((greatest - 0.31).abs() < 0.003, "{greatest}");
}

#[test]
fn files_that_are_no_traces_are_refused_by_name() {
    let bench = Bench::new();
    bench.write("empty.txt", "");
    bench.write("photo.jpg", [0xff, 0xd8, 0xff, 0xe0, 0, 0, 1, 2, 3, 0xfe]);
    bench.write("letter.txt", "Dear sir,\nplease find the traces below.\n");
    let messages = ["missing.txt", ".", "empty.txt", "photo.jpg", "letter.txt"]
        .map(|name| bench.fails(&["link", FROM_A, name]))
        .concat();
    insta::assert_snapshot!(messages);
}

#[test]
fn two_files_that_are_no_pair_are_refused() {
    let bench = Bench::new();
    bench.altered("b-1310.txt", FROM_B, "1550 nm", "1310 nm");
    bench.altered("b-018.txt", FROM_B, "fibre: 017", "fibre: 018");
    bench.altered(
        "b-same-end.txt",
        FROM_B,
        "from: Mill Bridge",
        "from: Harrow Lane",
    );
    let messages = [FROM_A, "b-1310.txt", "b-018.txt", "b-same-end.txt"]
        .map(|name| bench.fails(&["link", FROM_A, name]))
        .concat();
    insta::assert_snapshot!(messages);
}

#[test]
fn another_pairing_can_be_accepted_and_stays_visible() {
    let bench = Bench::new();
    bench.altered("b-018.txt", FROM_B, "fibre: 017", "fibre: 018");
    let ran = bench.run(&[
        "link",
        FROM_A,
        "b-018.txt",
        "--accept-pairing",
        "--format",
        "json",
    ]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let object: Value = serde_json::from_str(&ran.out).unwrap();
    insta::assert_snapshot!(object["warnings"][0]["message"]);
}

#[test]
fn swapped_arguments_are_refused_where_the_files_name_a_and_b() {
    let bench = Bench::new();
    for (name, of, here, there) in [("a.txt", FROM_A, "A", "B"), ("b.txt", FROM_B, "B", "A")] {
        let text = fs::read_to_string(bench.path(of)).unwrap();
        let (from, to) = if here == "A" {
            ("Harrow Lane", "Mill Bridge")
        } else {
            ("Mill Bridge", "Harrow Lane")
        };
        let text = text
            .replace(&format!("from: {from}"), &format!("from: {here}"))
            .replace(&format!("to: {to}"), &format!("to: {there}"));
        bench.write(name, text);
    }
    assert_eq!(bench.run(&["link", "a.txt", "b.txt"]).code, 0);
    insta::assert_snapshot!(bench.fails(&["link", "b.txt", "a.txt"]));
}

#[test]
fn named_ends_swap_with_the_arguments() {
    let bench = Bench::new();
    let ran = bench.run(&["link", FROM_B, FROM_A]);
    assert_eq!(ran.code, 0);
    assert!(
        ran.out.contains("end A         Mill Bridge\n"),
        "{}",
        ran.out
    );
}

#[test]
fn a_missing_setting_names_the_line_to_write_and_the_option() {
    let bench = Bench::new();
    bench.altered("a.txt", FROM_A, "# pulse width: 100 ns\n", "");
    insta::assert_snapshot!(bench.fails(&["link", "a.txt", FROM_B]));
    let ran = bench.run(&["link", "a.txt", FROM_B, "--pulse-ns", "100"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
}

#[test]
fn absurd_options_are_refused_with_what_is_wanted() {
    let bench = Bench::new();
    let messages = [
        ["--length-m", "-5"],
        ["--length-m", "nan"],
        ["--false-events-per-1000-km", "0"],
        ["--false-events-per-1000-km", "-1"],
        ["--pulse-ns", "inf"],
        ["--group-index", "1,4682"],
        ["--backscatter-db", "81.5"],
        ["--launch-m", "-1"],
        ["--wavelength-nm", "1.55"],
    ]
    .map(|[option, value]| {
        let message = bench.fails(&["link", FROM_A, FROM_B, option, value]);
        message.lines().next().unwrap_or_default().to_owned()
    })
    .join("\n");
    insta::assert_snapshot!(messages);
}

#[test]
fn wrong_usage_ends_with_2() {
    let bench = Bench::new();
    for args in [
        &["link", FROM_A][..],
        &["lnk"],
        &[],
        &["link", FROM_A, FROM_B, "--loud"],
    ] {
        assert_eq!(bench.run(args).code, 2, "{args:?}");
    }
}

#[test]
fn known_joints_are_named_and_those_outside_are_said() {
    let bench = Bench::new();
    bench.write(
        "joints.csv",
        "name,position_m\n\"closure 3, east\",12091\nclosure 9,50000\n",
    );
    let args = [
        "link",
        FROM_A,
        FROM_B,
        "--joints",
        "joints.csv",
        "--format",
        "json",
    ];
    let ran = bench.run(&args);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let object: Value = serde_json::from_str(&ran.out).unwrap();
    let events = object["events"].as_array().unwrap();
    assert!(
        events
            .iter()
            .any(|event| event["joint"] == "closure 3, east")
    );
    assert!(
        object["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|warning| warning["code"] == "joint outside the link"),
        "{}",
        object["warnings"]
    );

    bench.write("joints.csv", "closure 3;12091,5\n");
    insta::assert_snapshot!(bench.fails(&args));
}

#[test]
fn control_characters_of_a_file_reach_neither_table_nor_message() {
    let bench = Bench::new();
    for (name, of) in [("a.txt", FROM_A), ("b.txt", FROM_B)] {
        bench.altered(name, of, "cable: HL-204", "cable: HL\u{9b}2J\u{202e}204");
    }
    let hostile = |text: &str| {
        text.chars()
            .any(|c| c.is_control() && c != '\n' || c == '\u{202e}')
    };
    for args in [
        &["link", "a.txt", "b.txt", "--out", "results"][..],
        &["trace", "a.txt"],
        &["inspect", "a.txt"],
    ] {
        let ran = bench.run(args);
        assert_eq!(ran.code, 0, "{args:?}: {}", ran.err);
        assert!(!hostile(&ran.out) && !hostile(&ran.err), "{args:?}");
    }
    assert!(
        bench
            .names("results/links")
            .iter()
            .all(|name| name.starts_with("HL-"))
    );
    bench.altered(
        "c.txt",
        FROM_B,
        "cable: HL-204",
        "cable: \u{9d}0;title\u{9c}",
    );
    let message = bench.fails(&["link", FROM_A, "c.txt"]);
    assert!(!hostile(&message), "{message:?}");
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let bench = Bench::new();
    let mut child = bench
        .command(&["convert", FROM_A, FROM_B])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0; 10];
    let mut out = child.stdout.take().unwrap();
    out.read_exact(&mut first).unwrap();
    drop(out);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

#[test]
fn trace_says_what_one_direction_cannot_know() {
    let bench = Bench::new();
    let table = bench.run(&["trace", FROM_A]);
    assert_eq!((table.code, table.err.as_str()), (0, ""));
    assert!(table.out.contains("What one direction cannot know"));

    let json = bench.run(&["trace", FROM_A, "--format", "json"]);
    let object: Value = serde_json::from_str(&json.out).unwrap();
    assert_eq!(object["schema"], "bothends.trace/1");
    let events = object["events"].as_array().unwrap();
    assert!(events.iter().all(|event| event["loss_db"].is_null()));

    let csv = bench.run(&["trace", FROM_A, "--format", "csv"]);
    let rows = csv::Reader::from_reader(csv.out.as_bytes())
        .into_records()
        .count();
    assert_eq!(rows, events.len());

    assert_eq!(bench.run(&["trace", FROM_A, "--out", "results"]).code, 0);
    assert_eq!(bench.names("results").len(), 5);
}

#[test]
fn inspect_goes_on_past_a_bad_file() {
    let bench = Bench::new();
    let ran = bench.run(&["inspect", "missing.txt", FROM_A, "--ascii"]);
    insta::assert_snapshot!(ran.message());
    assert!(ran.out.contains("wavelength is 1550 nm"), "{}", ran.out);
    assert!(ran.out.is_ascii());
    assert_eq!(bench.run(&["inspect", FROM_A, FROM_B]).code, 0);
}

#[test]
fn convert_keeps_samples_and_settings_and_goes_on_past_a_bad_file() {
    let bench = Bench::new();
    let original = fs::read_to_string(bench.path(FROM_A)).unwrap();
    // The sample is the plain form already.
    assert_eq!(bench.run(&["convert", FROM_A]).out, original);

    bench.write("bad.csv", "no trace\n");
    let ran = bench.run(&["convert", "bad.csv", FROM_A, "--out", "plain"]);
    insta::assert_snapshot!(ran.message());
    assert_eq!(
        fs::read_to_string(bench.path("plain").join(FROM_A)).unwrap(),
        original
    );
    // The same again would overwrite.
    assert_eq!(bench.run(&["convert", FROM_A, "--out", "plain"]).code, 2);
}

#[test]
fn a_file_of_both_directions_becomes_two_files() {
    let bench = Bench::new();
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus");
    fs::copy(corpus.join("both_directions.csv"), bench.path("both.csv")).unwrap();
    let ran = bench.run(&["convert", "both.csv", "--out", "plain"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(bench.names("plain"), ["both-1.txt", "both-2.txt"]);
    insta::assert_snapshot!(bench.fails(&["link", "both.csv", FROM_B]));
}

#[test]
fn two_files_of_one_name_do_not_overwrite_each_other() {
    let bench = Bench::new();
    fs::create_dir(bench.path("other")).unwrap();
    fs::copy(bench.path(FROM_B), bench.path("other").join(FROM_A)).unwrap();
    let other = format!("other/{FROM_A}");
    let ran = bench.run(&["convert", FROM_A, &other, "--out", "plain", "--force"]);
    insta::assert_snapshot!(ran.message());
    let original = fs::read(bench.path(FROM_A)).unwrap();
    assert_eq!(
        fs::read(bench.path("plain").join(FROM_A)).unwrap(),
        original
    );
}

#[test]
fn simulate_writes_the_sample_again() {
    let bench = Bench::new();
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
    let plan = "harrow-mill-017-1550-plan.toml";
    fs::copy(samples.join(plan), bench.path(plan)).unwrap();
    let ran = bench.run(&["simulate", plan, "--out", "made"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    for name in [FROM_A, FROM_B] {
        let made = fs::read_to_string(bench.path("made").join(name)).unwrap();
        assert!(
            made == fs::read_to_string(bench.path(name)).unwrap(),
            "{name}"
        );
    }
    assert_eq!(bench.run(&["simulate", plan, "--out", "made"]).code, 2);
    bench.write("bad.toml", "fibre = 3 km\n");
    insta::assert_snapshot!(bench.fails(&["simulate", "bad.toml"]));
}

#[test]
fn schema_describes_what_is_printed() {
    let bench = Bench::new();
    for (what, name) in [("link", "bothends.link/1"), ("trace", "bothends.trace/1")] {
        let ran = bench.run(&["schema", what]);
        assert_eq!(ran.code, 0);
        let schema: Value = serde_json::from_str(&ran.out).unwrap();
        assert_eq!(schema["title"], name);
    }
    assert_eq!(
        bench.run(&["schema"]).out,
        bench.run(&["schema", "link"]).out
    );
}
