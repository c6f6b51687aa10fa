//! The simulator from plan to traces, against closed forms and its own sample files.

#![expect(
    clippy::unwrap_used,
    reason = "the functions around tests fail by panicking too"
)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::simulate::{
    self, Dialect, Fading, Fibre, Instrument, LinkEnd, Noise, Plan, RandomLinkSettings, Receiver,
    SimTrace,
};
use bothends::units::{
    Attenuation, BackscatterCoefficient, GroupIndex, Length, Loss, PulseWidth, Reflectance,
    SPEED_OF_LIGHT_M_PER_S, Wavelength,
};

const INDEX: f64 = 1.4682;

fn fibre(km: f64, attenuation: f64, backscatter_db: f64) -> Fibre {
    Fibre::new(
        Length::from_km(km),
        Attenuation::from_db_per_km(attenuation),
        BackscatterCoefficient::from_db(backscatter_db),
        GroupIndex::from_ratio(INDEX),
    )
}

fn ideal(pulse_ns: f64, spacing_m: f64) -> Instrument {
    Instrument::ideal(
        PulseWidth::from_ns(pulse_ns),
        Length::from_m(spacing_m),
        GroupIndex::from_ratio(INDEX),
    )
}

fn plan(fibres: Vec<Fibre>, a: Instrument) -> Plan {
    Plan::new(Wavelength::from_nm(1550.0), fibres, a)
}

/// Level of the sample nearest to a displayed distance.
fn level_at(trace: &SimTrace, at_m: f64) -> f64 {
    let nearest = (trace.distances_m.iter().zip(&trace.levels_db))
        .min_by(|one, other| (one.0 - at_m).abs().total_cmp(&(other.0 - at_m).abs()));
    *nearest.unwrap().1
}

#[test]
fn backscatter_starts_at_its_coefficient_and_falls_by_the_attenuation() {
    let sim = simulate::run(&plan(vec![fibre(20.0, 0.2, -82.0)], ideal(100.0, 10.0)), 0).unwrap();
    // Closed form: 5·log10 of the integral of 10^(−8.2)/ns over a pulse that
    // loses 2·0.2 dB/km on its length of 10.2 m: x = ln(10)/10·2·0.2·0.0102.
    let pulse_km = SPEED_OF_LIGHT_M_PER_S * 100e-9 / (2.0 * INDEX) / 1000.0;
    let x = std::f64::consts::LN_10 / 10.0 * 0.4 * pulse_km;
    let at_one_pulse = 5.0 * (10f64.powf(-8.2) * 100.0 * (1.0 - (-x).exp()) / x).log10();
    let at_10_m = at_one_pulse - 0.2 * (0.01 - pulse_km);
    // 10 m is 0.2 m short of a whole pulse: 5·log10(10/10.21) = −0.0455 dB.
    let short = 5.0 * ((1.0 - (-x * 0.01 / pulse_km).exp()) / (1.0 - (-x).exp())).log10();
    assert_abs_diff_eq!(
        level_at(&sim.a, 10.0),
        at_10_m + short - 0.2 * (pulse_km - 0.01),
        epsilon = 1e-9
    );
    // From there on 0.2 dB/km one way; rounding only.
    let fall = level_at(&sim.a, 2000.0) - level_at(&sim.a, 12_000.0);
    assert_abs_diff_eq!(fall, 2.0, epsilon = 1e-9);
    // B's trace of one even fibre is the same.
    assert_abs_diff_eq!(
        level_at(&sim.b, 2000.0),
        level_at(&sim.a, 2000.0),
        epsilon = 1e-9
    );
}

#[test]
fn the_traces_step_by_what_the_truth_says_each_direction_reads() {
    // Worked numbers for three fibres: A reads +0.21 and −0.13, B −0.09 and
    // +0.37, and the traces drop 6.87 and 7.07 dB from end to end.
    let fibres = vec![
        fibre(5.0, 0.34, -80.0),
        fibre(7.0, 0.35, -80.3),
        fibre(8.0, 0.33, -79.8),
    ];
    let mut plan = plan(fibres, ideal(100.0, 5.0));
    plan.joints[0].loss = Loss::from_db(0.06);
    plan.joints[1].loss = Loss::from_db(0.12);
    let sim = simulate::run(&plan, 0).unwrap();
    // Both levels lie 100 m from the joint, clear of the pulse of 10 m.
    let step = |trace: &SimTrace, at_m: f64, before: f64, after: f64| {
        level_at(trace, at_m - 100.0) - level_at(trace, at_m + 100.0) - 0.1 * (before + after)
    };
    // A pulse's mean level in a fibre depends on its attenuation: 0.01 dB/km
    // over half a pulse of 10.2 m is 5e-5 dB.
    let pulse = 6e-5;
    assert_abs_diff_eq!(step(&sim.a, 5000.0, 0.34, 0.35), 0.21, epsilon = pulse);
    assert_abs_diff_eq!(
        step(&sim.a, 12_000.0, 0.35, 0.33),
        -0.13,
        epsilon = 2.0 * pulse
    );
    assert_abs_diff_eq!(
        step(&sim.b, 8000.0, 0.33, 0.35),
        0.37,
        epsilon = 2.0 * pulse
    );
    assert_abs_diff_eq!(step(&sim.b, 15_000.0, 0.35, 0.34), -0.09, epsilon = pulse);
    let drop = |trace: &SimTrace| level_at(trace, 50.0) - level_at(trace, 19_950.0);
    // 50 m at each end are not seen: 0.05·(0.34 + 0.33) dB.
    assert_abs_diff_eq!(drop(&sim.a), 6.87 - 0.0335, epsilon = 1e-4);
    assert_abs_diff_eq!(drop(&sim.b), 7.07 - 0.0335, epsilon = 1e-4);
}

#[test]
fn a_peak_stands_as_high_as_its_reflectance_and_pulse_say() {
    // Worked numbers of H = 5·log10(1 + 10^((R − B)/10)/W).
    for (backscatter_db, reflectance_db, pulse_ns, height_db) in [
        (-80.0, -55.0, 100.0, 3.0967),
        (-82.0, -45.0, 10.0, 13.5043),
        (-82.0, -65.0, 30.0, 2.1331),
    ] {
        let fibres = vec![
            fibre(1.0, 0.0, backscatter_db),
            fibre(1.0, 0.0, backscatter_db),
        ];
        let mut plan = plan(fibres, ideal(pulse_ns, 0.1));
        plan.joints[0].reflectance = Some(Reflectance::from_db(reflectance_db));
        let sim = simulate::run(&plan, 0).unwrap();
        // Half a pulse past the joint, in glass without loss.
        let half_m = 0.5 * 0.1021 * pulse_ns;
        let height = level_at(&sim.a, 1000.0 + half_m) - level_at(&sim.a, 999.0);
        // The worked numbers have four decimals.
        assert_abs_diff_eq!(height, height_db, epsilon = 5.1e-5);
    }
}

#[test]
fn a_step_ramps_over_one_pulse_that_runs_away_from_each_instrument() {
    // 1 µs is 102.1 m; the joint lies off the sampling grid.
    let mut plan = plan(
        vec![fibre(3.000_37, 0.0, -82.0), fibre(4.0, 0.0, -82.0)],
        ideal(1000.0, 0.5),
    );
    plan.joints[0].loss = Loss::from_db(0.5);
    let sim = simulate::run(&plan, 0).unwrap();
    let pulse_m = SPEED_OF_LIGHT_M_PER_S * 1e-6 / (2.0 * INDEX);
    for (trace, at_m) in [(&sim.a, 3000.37), (&sim.b, 4000.0)] {
        let before_db = level_at(trace, at_m - 50.0);
        let after_db = level_at(trace, at_m + 200.0);
        assert_abs_diff_eq!(before_db - after_db, 0.5, epsilon = 1e-9);
        // Between, power falls on a straight line: closed form at every sample.
        let (high, low) = (10f64.powf(before_db / 5.0), 10f64.powf(after_db / 5.0));
        for (distance_m, level_db) in trace.distances_m.iter().zip(&trace.levels_db) {
            if (distance_m - at_m).abs() < 200.0 {
                let share = ((distance_m - at_m) / pulse_m).clamp(0.0, 1.0);
                let expected = 5.0 * (high + share * (low - high)).log10();
                assert_abs_diff_eq!(*level_db, expected, epsilon = 1e-9);
            }
        }
    }
}

#[test]
fn noise_has_one_spread_in_linear_power_along_the_whole_trace() {
    let mut it = ideal(100.0, 1.0);
    it.noise = Noise {
        dynamic_range_db: Some(15.0),
        ..Noise::default()
    };
    it.display.below_zero = simulate::BelowZero::Absolute;
    let noisy = plan(vec![fibre(40.0, 0.2, -82.0)], it);
    let mut quiet = noisy.clone();
    quiet.a.noise = Noise::default();
    let (noisy, quiet) = (
        simulate::run(&noisy, 11).unwrap(),
        simulate::run(&quiet, 11).unwrap(),
    );
    let rms = noisy.truth.a.noise_rms.unwrap();
    // 5·log10(start/noise) is the dynamic range.
    let start_db = noisy.truth.a.start_level.db();
    assert_abs_diff_eq!(start_db - 5.0 * rms.log10(), 15.0, epsilon = 1e-9);
    let power = |level_db: f64| 10f64.powf(level_db / 5.0);
    for part_km in [1.0, 5.0, 10.0, 20.0] {
        let range = (part_km * 1000.0, part_km * 1000.0 + 5000.0);
        let noise: Vec<f64> = (0..noisy.a.levels_db.len())
            .filter(|&idx| (range.0..range.1).contains(&noisy.a.distances_m[idx]))
            .map(|idx| power(noisy.a.levels_db[idx]) - power(quiet.a.levels_db[idx]))
            .collect();
        let n = noise.len() as f64;
        let sd = (noise.iter().map(|v| v * v).sum::<f64>() / n).sqrt();
        // 5000 samples: four standard errors are 4 %.
        assert_relative_eq!(sd, rms, max_relative = 0.04);
    }
}

#[test]
fn switching_one_component_on_leaves_the_others_numbers_as_they_were() {
    let mut it = ideal(100.0, 2.0);
    it.noise = Noise {
        dynamic_range_db: Some(20.0),
        ..Noise::default()
    };
    let plain = plan(vec![fibre(5.0, 0.2, -82.0)], it);
    let mut faded = plain.clone();
    faded.a.fading = Some(Fading {
        contrast: 0.01,
        distribution: simulate::FadingDistribution::Gamma,
    });
    let plain = simulate::run(&plain, 2).unwrap();
    let faded = simulate::run(&faded, 2).unwrap();
    let beyond_the_end = plain
        .a
        .distances_m
        .iter()
        .position(|&d| d > 5100.0)
        .unwrap();
    for idx in beyond_the_end..plain.a.levels_db.len() {
        let (one, other) = (plain.a.levels_db[idx], faded.a.levels_db[idx]);
        assert!(one.to_bits() == other.to_bits() || one.is_nan() && other.is_nan());
    }
    assert_ne!(
        plain.a.levels_db[100].to_bits(),
        faded.a.levels_db[100].to_bits()
    );
}

#[test]
fn the_same_seed_gives_the_same_traces_and_another_seed_does_not() {
    let plan = simulate::random_link(3, &RandomLinkSettings::default());
    let text = |seed| simulate::write(&simulate::run(&plan, seed).unwrap().a, Dialect::Plain);
    assert_eq!(text(5), text(5));
    assert_ne!(text(5), text(6));
}

#[test]
fn a_strong_peak_is_cut_flat_and_followed_by_a_tail() {
    let end = LinkEnd {
        cord: Some(fibre(0.5, 0.2, -82.0)),
        open_reflectance: Some(Reflectance::from_db(-14.7)),
        ..LinkEnd::default()
    };
    let mut it = ideal(100.0, 1.0);
    it.echoes = false;
    it.receiver = Receiver {
        time_constant_ns: 10.0,
        ceiling_above_start_db: Some(8.0),
        tails: vec![simulate::Tail {
            share: 0.002,
            time_constant_ns: 500.0,
            after: simulate::TailDrive::Overload,
        }],
    };
    let mut plan = plan(vec![fibre(2.0, 0.2, -82.0)], it);
    plan.end_b = end;
    let sim = simulate::run(&plan, 0).unwrap();
    let ceiling_db = sim.truth.a.start_level.db() + 8.0;
    // The tail's own power rides on the ceiling: at most 0.002 of an overload
    // of 10^((−14.7 + 82 − 20)/10 − 1.6) = 1350 times the ceiling, a factor of 1.6.
    for at_m in [2503.0, 2508.0] {
        let level_db = level_at(&sim.a, at_m);
        assert!(
            (ceiling_db..ceiling_db + 2.0).contains(&level_db),
            "{level_db}"
        );
    }
    // Past the pulse one sample per metre falls by the tail's time constant:
    // 5·log10(e)·(1/500 ns)·9.7948 ns/m = 0.042 538 dB/m.
    let fall = level_at(&sim.a, 2540.0) - level_at(&sim.a, 2560.0);
    assert_abs_diff_eq!(fall, 20.0 * 0.042_538, epsilon = 1e-4);
}

#[test]
fn sixty_kilometres_both_ways_take_little_time() {
    let settings = RandomLinkSettings {
        length_km: (58.0, 58.0),
        ..RandomLinkSettings::default()
    };
    let plan = simulate::random_link(1, &settings);
    let started = Instant::now();
    let sim = simulate::run(&plan, 1).unwrap();
    let took = started.elapsed();
    assert!(sim.a.levels_db.len() > 30_000);
    // 7 ms on one core when written; this only catches a change of order.
    assert!(took.as_millis() < 500, "{took:?}");
}

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces")
}

/// Names in the first column of the folder's table, and the rows.
fn rows() -> Vec<(String, String)> {
    let text = fs::read_to_string(samples().join("README.md")).unwrap();
    text.lines()
        .filter_map(|line| {
            let name = line.strip_prefix("| `")?.split('`').next()?;
            Some((name.to_owned(), line.to_owned()))
        })
        .collect()
}

#[test]
fn every_sample_file_has_a_row_and_every_row_a_file() {
    let files: BTreeSet<String> = fs::read_dir(samples())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name != "README.md")
        .collect();
    let rows = rows();
    let named: BTreeSet<String> = rows.iter().map(|row| row.0.clone()).collect();
    assert_eq!(named.len(), rows.len(), "a file has two rows");
    assert_eq!(files, named);
    for (name, row) in &rows {
        let cells = row.trim_matches('|').split('|').map(str::trim);
        let cells: Vec<&str> = cells.collect();
        assert_eq!(cells.len(), 6, "{name}: a row has six cells");
        assert!(
            cells.iter().all(|cell| !cell.is_empty()),
            "{name}: an empty cell"
        );
    }
    for name in files {
        let bytes = fs::metadata(samples().join(&name)).unwrap().len();
        assert!(bytes <= 300_000, "{name} has {bytes} bytes");
    }
}

/// Each plan with the dialect of its traces.
const PLANS: [(&str, Dialect); 4] = [
    ("harrow-mill-017-1550", Dialect::Plain),
    ("orchard-house-04-1310-close-pair", Dialect::Plain),
    ("quarry-sluice-009-1550-echo", Dialect::Plain),
    ("sallow-penny-042-1550-decimal-comma", Dialect::DecimalComma),
];

/// Whether two texts differ only by numbers that round to neighbouring steps.
///
/// The mathematics library differs between systems in the last bit, which may
/// turn the rounding of a level to 0.001 dB.
fn same_within_a_step(name: &str, one: &str, other: &str) -> bool {
    let between = if name.ends_with("csv") { ';' } else { ',' };
    let number = |cell: &str| cell.trim().replace(',', ".").parse::<f64>();
    let same_cell = |(one, other): (&str, &str)| {
        one == other
            || matches!((number(one), number(other)), (Ok(one), Ok(other)) if (one - other).abs() < 0.0011)
    };
    // In JSON the number follows its key.
    let cells = |line: &str| -> Vec<String> {
        let line = line
            .trim_end_matches(',')
            .replace(": ", &between.to_string());
        line.split(between).map(str::to_owned).collect()
    };
    one.lines().count() == other.lines().count()
        && one.lines().zip(other.lines()).all(|(one, other)| {
            let (one, other) = (cells(one), cells(other));
            one.len() == other.len()
                && (one.iter().zip(&other)).all(|(one, other)| same_cell((one, other)))
        })
}

#[test]
fn the_plans_still_make_the_sample_files() {
    let mut made = BTreeSet::from(["README.md".to_owned()]);
    for (stem, dialect) in PLANS {
        let plan_name = format!("{stem}-plan.toml");
        let text = fs::read_to_string(samples().join(&plan_name)).unwrap();
        let plan = Plan::from_toml(&text).unwrap();
        made.insert(plan_name);
        for (name, bytes) in simulate::files(&plan, stem, plan.seed, dialect).unwrap() {
            let text = String::from_utf8(bytes).unwrap();
            let kept = fs::read_to_string(samples().join(&name)).unwrap();
            assert!(
                same_within_a_step(&name, &kept, &text),
                "{name} is not what its plan makes"
            );
            made.insert(name);
        }
    }
    // Its traces are too many to keep; `simulate_cable` makes them.
    made.insert("rowan-tern-24-cable-plan.toml".to_owned());
    let kept: BTreeSet<String> = fs::read_dir(samples())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        // Pictures are held against what is drawn by the test `readme`.
        .filter(|name| Path::new(name).extension().is_none_or(|e| e != "png"))
        .collect();
    assert_eq!(kept, made, "a sample file that no plan makes");
}
