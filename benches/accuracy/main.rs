//! How well joints are found and measured, against bounds and against two other ways.
//!
//! `cargo bench --bench accuracy` simulates links of each kind from fixed seeds and
//! prints Markdown tables; `-- --test` measures a handful of links and checks that the
//! figures make sense; `-- NAME` prints one kind only, by a part of its name,
//! `-- NAME --link SEED` shows one link, and `-- --cases` names the baselines' worst cases too.
#![expect(
    clippy::expect_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a bench prints, and must fail where it cannot run; sample counts are small"
)]

mod baselines;
mod bound;
mod one_way;
mod scenarios;
mod score;
mod table;

use std::time::Instant;

use bothends::both_ways::{Settings, combine};
use bothends::detect::{DetectSettings, Eye};
use bothends::simulate::{Plan, run};
use bothends::units::{Loss, Reflectance};
use rayon::prelude::*;

use baselines::Baseline;
use bound::bounds;
use scenarios::{ALL, Scenario, bare};
use score::{Known, Report, Tally};
use table::Table;

/// Links of each kind.
const LINKS: u64 = 60;

/// First seed; the tests take theirs from below.
const FIRST_SEED: u64 = 1000;

/// Length of bare fibre.
const BARE_KM: f64 = 40.0;

/// Links of it at the usual setting: 20,000 km.
const BARE_LINKS: u64 = 500;

/// Links of it at [`LOOSE`]: 5,000 km.
const BARE_LINKS_LOOSE: u64 = 125;

/// Length and number of rounded links, 2,000 km: near the port of so long a link noise
/// is far below the step, and rounding is no longer like noise.
const LONG_KM: f64 = 100.0;
const LONG_LINKS: u64 = 20;

/// A setting at which enough false events come to count them.
const LOOSE: f64 = 10.0;

/// Step of the levels of rounded traces.
const ROUNDED_DB: f64 = 0.001;

/// Who measures.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Method {
    Program,
    Baseline(Baseline),
}

const METHODS: [Method; 3] = [
    Method::Program,
    Method::Baseline(Baseline::Windows),
    Method::Baseline(Baseline::Segments),
];

impl Method {
    const fn name(self) -> &'static str {
        match self {
            Self::Program => "bothends",
            Self::Baseline(baseline) => baseline.name(),
        }
    }
}

/// One link measured in each of several ways.
fn measure(plan: &Plan, seed: u64, methods: &[Method], false_events: f64) -> Vec<Tally> {
    let simulated = run(plan, seed).expect("a drawn link can be simulated");
    let limits = bounds(plan, &simulated);
    let trace = |t: &bothends::simulate::SimTrace| t.to_trace().expect("its traces are whole");
    let (a, b) = (trace(&simulated.a), trace(&simulated.b));
    let detect = DetectSettings {
        false_events_per_1000_km: false_events,
    };
    let pulse = plan.a.pulse_width.footprint(plan.a.group_index);
    let known = Known {
        seed,
        truth: &simulated.truth,
        bounds: &limits,
        pulse_m: pulse.m(),
        spacing_m: plan.a.spacing.m(),
    };
    methods
        .iter()
        .map(|method| {
            let mut tally = Tally::default();
            let start = Instant::now();
            let report = match method {
                Method::Program => {
                    let settings = Settings {
                        detect,
                        ..Settings::default()
                    };
                    combine(&a, &b, &settings)
                        .map(|combined| Report::from(&combined.link))
                        .map_err(|e| e.to_string())
                }
                Method::Baseline(how) => baselines::measure(&a, &b, *how, detect)
                    .ok_or_else(|| "the ends cannot be tied".to_owned()),
            };
            tally.seconds.push(start.elapsed().as_secs_f64());
            match report {
                Ok(report) => tally.add(&known, &report),
                Err(reason) => tally.refused.push((seed, reason)),
            }
            tally
        })
        .collect()
}

/// Many links measured in each of several ways.
fn measure_all(
    plan: impl Fn(u64) -> Plan + Sync,
    links: u64,
    methods: &[Method],
    false_events: f64,
) -> Vec<Tally> {
    let nothing = || vec![Tally::default(); methods.len()];
    let join = |one: Vec<Tally>, more: Vec<Tally>| -> Vec<Tally> {
        one.into_iter().zip(more).map(|(a, b)| a.join(b)).collect()
    };
    // Collected first: the order of the seeds, whichever comes in first.
    let each: Vec<Vec<Tally>> = (FIRST_SEED..FIRST_SEED + links)
        .into_par_iter()
        .map(|seed| measure(&plan(seed), seed, methods, false_events))
        .collect();
    each.into_iter().fold(nothing(), join)
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if words.iter().any(|w| w == "--test") {
        quick();
        return;
    }
    let wanted: Vec<&String> = words.iter().filter(|w| !w.starts_with('-')).collect();
    let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|w| name.contains(*w));
    if let Some(at) = words.iter().position(|w| w == "--link") {
        let seed = words.get(at + 1).and_then(|w| w.parse().ok());
        let seed = seed.unwrap_or(FIRST_SEED);
        for scenario in ALL.into_iter().filter(|s| is_wanted(s.name())) {
            one_link(&scenario.plan(seed), seed);
        }
        if is_wanted("bare fibre") {
            one_link(&bare(seed, BARE_KM, None), seed);
        }
        return;
    }
    let setting = DetectSettings::default().false_events_per_1000_km;
    let mut table = Table::new(words.iter().any(|w| w == "--cases"));
    for scenario in ALL.into_iter().filter(|s| is_wanted(s.name())) {
        let tallies = measure_all(|seed| scenario.plan(seed), LINKS, &METHODS, setting);
        for (method, tally) in METHODS.iter().zip(&tallies) {
            table.add(scenario.name(), method.name(), tally);
        }
    }
    print!("{}", table.text());
    if is_wanted("bare fibre") {
        bare_fibre(setting);
    }
    if wanted.iter().any(|w| *w == "settings") {
        print!("{}", table::bare_head());
        for setting in [10.0, 30.0, 100.0] {
            let plain = |seed| bare(seed, BARE_KM, None);
            let tallies = measure_all(plain, BARE_LINKS_LOOSE, &METHODS[..1], setting);
            print!(
                "{}",
                table::bare_row(METHODS[0].name(), setting, &tallies[0])
            );
        }
    }
}

/// False events where there is nothing to find.
fn bare_fibre(setting: f64) {
    let plain = |seed| bare(seed, BARE_KM, None);
    let rounded = |seed| bare(seed, LONG_KM, Some(ROUNDED_DB));
    let usual = measure_all(plain, BARE_LINKS, &METHODS[..1], setting);
    let loose = measure_all(plain, BARE_LINKS_LOOSE, &METHODS, LOOSE);
    let stepped = measure_all(rounded, LONG_LINKS, &METHODS[..1], setting);
    print!("{}", table::bare_head());
    print!("{}", table::bare_row(METHODS[0].name(), setting, &usual[0]));
    for (method, tally) in METHODS.iter().zip(&loose) {
        print!("{}", table::bare_row(method.name(), LOOSE, tally));
    }
    let name = format!(
        "{}, {LONG_KM} km rounded to {ROUNDED_DB} dB",
        METHODS[0].name()
    );
    print!("{}", table::bare_row(&name, setting, &stepped[0]));
    print!("{}", table::bare_cases(&usual[0]));
    print!("{}", table::bare_cases(&stepped[0]));
}

/// Prints what the program says of one link beside the truth.
fn one_link(plan: &Plan, seed: u64) {
    let simulated = run(plan, seed).expect("a drawn link can be simulated");
    let limits = bounds(plan, &simulated);
    let trace = |t: &bothends::simulate::SimTrace| t.to_trace().expect("its traces are whole");
    let (a, b) = (trace(&simulated.a), trace(&simulated.b));
    for (from, trace, rms) in [
        ('A', &a, simulated.truth.a.noise_rms),
        ('B', &b, simulated.truth.b.noise_rms),
    ] {
        let eye = Eye::new(trace);
        // Power is counted against the trace's highest level.
        let scale = 10f64.powf(eye.power.reference_db / 5.0);
        println!(
            "noise from {from}: {:.3} of the true rms; {:?}",
            eye.noise.floor() * scale / rms.unwrap_or(f64::NAN),
            eye.noise
        );
    }
    println!(
        "pulse {:.1} m, spacing {:.2} m",
        plan.a.pulse_width.footprint(plan.a.group_index).m(),
        plan.a.spacing.m()
    );
    for (event, bound) in simulated.truth.events.iter().zip(&limits) {
        println!(
            "true  {:10.2} m ±{:.2}: {:?} {:?} dB ±{:.4} step {:?} reflectance {:?} size {:.1}",
            event.position.m(),
            bound.from_first_m,
            event.kind,
            event.loss.map(Loss::db),
            bound.loss_db().unwrap_or(f64::NAN),
            event.backscatter_step.map(|h| (h.db() * 1e4).round() / 1e4),
            event.reflectance.map(Reflectance::db),
            bound.size()
        );
    }
    for echo in &simulated.truth.echoes {
        println!("echo  {:10.2} m, {:?}", echo.position.m(), echo.height_db);
    }
    match combine(&a, &b, &Settings::default()) {
        Ok(combined) => {
            println!("{:?}", combined.link.registration);
            for seen in Report::from(&combined.link).seen {
                println!("found {seen:?}");
            }
        }
        Err(e) => println!("refused: {e}"),
    }
}

/// A few links in seconds: the figures are finite and joints are found.
fn quick() {
    let setting = DetectSettings::default().false_events_per_1000_km;
    for scenario in [Scenario::Usual, Scenario::Building] {
        let tallies = measure_all(|seed| scenario.plan(seed), 2, &METHODS, setting);
        for (method, tally) in METHODS.iter().zip(&tallies) {
            let (found, all) = tally.found_from(0.0);
            let loss = score::rms(&tally.loss_by_bound);
            assert!(tally.refused.is_empty(), "{:?}", tally.refused);
            assert!(found > 0 && found <= all, "{found} of {all} found");
            assert!(loss.is_finite(), "no loss was measured");
            println!(
                "{}, {}: {found} of {all} joints, loss error {loss:.2} bounds",
                scenario.name(),
                method.name()
            );
        }
    }
}
