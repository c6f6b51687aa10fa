//! The pack of a cable that was judged: margins and verdicts in every form.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::fs;
use std::io::Cursor;

use approx::assert_relative_eq;
use calamine::{DataType, Reader, Xlsx};
use serde_json::Value;

use crate::bench::{Bench, cable_plan};

/// Limits of which the sample cable keeps some and misses others.
const LIMITS: &str = r#"
[splice_loss]
max_db = 0.15
source = "contract value"
[mean_per_closure]
max_db = 0.045
source = "contract value"
"#;

/// The cable of the samples without its faults: 24 fibres, two wavelengths, six closures.
fn sound_cable() -> Bench {
    let bench = Bench::new();
    bench.write("plan.toml", cable_plan(""));
    bench.write("limits.toml", LIMITS);
    let made = bench.run(&["simulate", "plan.toml", "--out", "cable"]);
    assert_eq!(made.code, 0, "{}", made.err);
    bench
}

fn json(bench: &Bench, name: &str) -> Value {
    serde_json::from_slice(&fs::read(bench.path(name)).unwrap()).unwrap()
}

#[test]
fn every_value_of_a_cable_is_judged_with_its_margin_and_so_is_the_mean_of_a_closure() {
    let bench = sound_cable();
    let ran = bench.run(&[
        "cable",
        "cable",
        "--limits",
        "limits.toml",
        "--out",
        "results",
    ]);
    assert_ne!(ran.code, 2, "{}", ran.err);
    let cable = json(&bench, "results/RT-24.json");
    let links = cable["links"].as_array().unwrap();
    assert_eq!(links.len(), 12);
    // Each link has six splices between its ends, and a judgement on each.
    let mut judged = 0;
    for link in links {
        for one in link["judgements"].as_array().unwrap() {
            assert_eq!(one["what"], "splice loss");
            let [value, limit, margin] =
                ["value", "limit", "margin"].map(|key| one[key].as_f64().unwrap());
            // Margin: the limit less the value, by its definition; both are printed to 0.00001 dB.
            assert_relative_eq!(margin, limit - value, epsilon = 2e-5);
            judged += 1;
        }
    }
    assert_eq!(judged, 72);
    // The mean of a closure by hand from the links' own losses: Σ/n and √(Σu²)/n (GUM,
    // JCGM 100:2008, 5.1.2, from memory). Losses are printed to 0.0001 dB, errors to three
    // digits, which is what the tolerances allow for.
    let mut means = 0;
    for joint in cable["joints"].as_array().unwrap() {
        let mean = &joint["mean_judgement"];
        if mean.is_null() {
            assert_ne!(joint["kind"], "joint");
            continue;
        }
        let here: Vec<(f64, f64)> = links
            .iter()
            .filter(|link| link["link"]["wavelength_nm"] == joint["wavelength_nm"])
            .flat_map(|link| link["events"].as_array().unwrap())
            .filter(|event| event["joint"] == joint["name"])
            .map(|event| {
                let number = |key: &str| event[key].as_f64().unwrap();
                (number("loss_db"), number("loss_std_error_db"))
            })
            .collect();
        assert_eq!(here.len(), 6);
        let sum: f64 = here.iter().map(|(loss, _)| loss).sum();
        let squares: f64 = here.iter().map(|(_, error)| error * error).sum();
        let (value, error) = (sum / 6.0, squares.sqrt() / 6.0);
        assert_relative_eq!(mean["value"].as_f64().unwrap(), value, epsilon = 1e-4);
        assert_relative_eq!(
            mean["std_error"].as_f64().unwrap(),
            error,
            max_relative = 0.01
        );
        let expected = if value + 1.645 * error <= 0.045 {
            "pass"
        } else if value - 1.645 * error > 0.045 {
            "fail"
        } else {
            "undecided"
        };
        assert_eq!(mean["verdict"], expected, "{mean}");
        means += 1;
    }
    assert_eq!(means, 12);
    // The worst of all is that of the cable, and of the exit status.
    let all: Vec<&str> = cable["joints"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|joint| joint["mean_judgement"]["verdict"].as_str())
        .chain(
            links
                .iter()
                .map(|link| link["link"]["verdict"].as_str().unwrap()),
        )
        .collect();
    let worst = ["fail", "not judged", "undecided", "pass"]
        .into_iter()
        .find(|word| all.contains(word))
        .unwrap();
    assert_eq!(cable["cable"]["verdict"], worst);
    assert_eq!(ran.code, i32::from(worst != "pass"));

    // The same judgements in the other forms: twelve means and 72 losses below the heads.
    let table = fs::read_to_string(bench.path("results/judgements.csv")).unwrap();
    assert_eq!(table.lines().count(), 1 + 12 + 72);
    let bytes = fs::read(bench.path("results/results.xlsx")).unwrap();
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).unwrap();
    let sheet = book.worksheet_range("Values against limits").unwrap();
    assert_eq!(sheet.height(), 1 + 12 + 72);
    let margin = sheet
        .rows()
        .next()
        .unwrap()
        .iter()
        .position(|cell| cell == "Margin");
    let margin = margin.unwrap();
    assert!(sheet.rows().skip(1).all(|row| row[margin].is_float()));
}

/// Detection that finds less, a splice log whose machine wears, and a plan: `verify` must
/// measure with all of them, and the levels drawn are where the result has them.
#[test]
fn a_pack_made_with_other_settings_is_measured_again_with_them() {
    let bench = sound_cable();
    let log =
        "joint,fibre,estimated_loss_db,machine\nclosure 1,001,0.02,M1\nclosure 2,001,0.03,M1\n";
    bench.write("log.csv", log);
    let ran = bench.run(&[
        "cable",
        "cable",
        "--false-events-per-1000-km",
        "50",
        "--splice-log",
        "log.csv",
        "--out",
        "results",
    ]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let settings = &json(&bench, "results/manifest.json")["cable"]["settings"];
    assert_eq!(settings["false_events_per_1000_km"], 50.0);
    assert_eq!(settings["splice_log"], log);
    let checked = bench.run(&["verify", "results"]);
    assert_eq!(checked.code, 0, "{}", checked.out);
}
