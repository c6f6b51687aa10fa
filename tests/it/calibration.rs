//! Whether stated errors are the errors made, over many simulated links.

use bothends::both_ways::{EventKind, Settings, combine};
use bothends::simulate::{RandomLinkSettings, random_link, run};

const LINKS: u64 = 30;

/// Farther than this from any true event an event is a false one: three pulse
/// lengths of 275 ns (28 m).
const REACH_M: f64 = 85.0;

#[test]
fn stated_errors_are_the_errors_made() {
    let settings = RandomLinkSettings {
        // Long enough that the far end's noise matters, short enough to be quick.
        length_km: (10.0, 30.0),
        ..RandomLinkSettings::default()
    };
    let mut losses = Vec::new();
    let mut places = Vec::new();
    let mut false_events = Vec::new();
    let mut missed = Vec::new();
    for seed in 0..LINKS {
        let plan = random_link(seed, &settings);
        let simulated = run(&plan, seed).unwrap();
        let (a, b) = (
            simulated.a.to_trace().unwrap(),
            simulated.b.to_trace().unwrap(),
        );
        let link = combine(&a, &b, &Settings::default()).unwrap().link;
        let truth = &simulated.truth.events;
        for event in &link.events {
            let at_m = event.position.value.m();
            if event.kind == EventKind::Echo {
                continue;
            }
            let near: Vec<_> = truth
                .iter()
                .filter(|t| (t.position.m() - at_m).abs() < REACH_M)
                .collect();
            if near.is_empty() {
                false_events.push((seed, at_m));
                continue;
            }
            // A group is measured as one: only a lone event has one truth.
            let ([only], Ok(loss)) = (near.as_slice(), &event.loss) else {
                continue;
            };
            if event.kind == EventKind::Group {
                continue;
            }
            let true_db = only.loss.unwrap().db();
            let error_db = loss.value.db() - true_db;
            losses.push((
                seed,
                at_m,
                error_db,
                error_db / loss.std_error.unwrap().db(),
            ));
            if let Some(u) = event.position.std_error {
                places.push((at_m - only.position.m()) / u.m());
            }
        }
        for t in truth {
            let is_found = (link.events.iter())
                .any(|e| (e.position.value.m() - t.position.m()).abs() < REACH_M);
            // Twenty errors of the best readings: nobody may miss it.
            if !is_found && t.loss.is_some_and(|l| l.db() > 0.2) {
                missed.push((seed, t.position.m()));
            }
        }
    }
    let n = losses.len() as f64;
    assert!(n > 120.0, "{n} losses");
    let rms = (losses.iter().map(|l| l.3 * l.3).sum::<f64>() / n).sqrt();
    let mean = losses.iter().map(|l| l.3).sum::<f64>() / n;
    let place_rms = (places.iter().map(|p| p * p).sum::<f64>() / places.len() as f64).sqrt();
    let mut worst = losses.clone();
    worst.sort_by(|p, q| q.3.abs().total_cmp(&p.3.abs()));
    worst.truncate(5);
    println!(
        "{n} losses: rms {rms:.3}, mean {mean:.3}; places: rms {place_rms:.3}; worst {worst:?}"
    );
    // A root mean square of n ≈ 150 normal numbers scatters by 1/√(2n) = 6 %; 15 %
    // is two and a half of these, and the seeds are fixed.
    assert!(
        (0.85..1.15).contains(&rms),
        "rms of error over its standard error {rms}, worst {worst:?}"
    );
    // A mean of n numbers of unit variance scatters by 1/√n.
    assert!(
        mean.abs() < 3.0 / n.sqrt(),
        "mean of error over its standard error {mean}"
    );
    // Set to 0.5 false events per 1,000 km; these are about 600 km.
    assert!(false_events.len() <= 3, "false events {false_events:?}");
    assert!(missed.is_empty(), "missed {missed:?}");
}
