//! Speed of everything behind reading: two traces of a link in memory, measured.
//!
//! Keep a baseline before a change and compare after it:
//! ```text
//! cargo bench --bench link -- --save-baseline before
//! cargo bench --bench link -- --baseline before
//! ```
#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "a bench that cannot run must fail; its functions are no interface"
)]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};

use bothends::both_ways::{Settings, combine_watched};
use bothends::simulate::{Plan, run};

/// Fixed, so that every run measures the same traces.
const SEED: u64 = 17;

/// Links of an outside plant (18,000 samples, seven joints), with an echo, and inside a
/// building (a close pair).
const PLANS: [(&str, &str, usize); 3] = [
    (
        "plant",
        include_str!("../sample-traces/harrow-mill-017-1550-plan.toml"),
        9,
    ),
    (
        "echo",
        include_str!("../sample-traces/quarry-sluice-009-1550-echo-plan.toml"),
        4,
    ),
    (
        "building",
        include_str!("../sample-traces/orchard-house-04-1310-close-pair-plan.toml"),
        5,
    ),
];

fn link(c: &mut Criterion) {
    let mut group = c.benchmark_group("link");
    for (name, plan, least) in PLANS {
        let simulated = run(&Plan::from_toml(plan).unwrap(), SEED).unwrap();
        let (a, b) = (
            simulated.a.to_trace().unwrap(),
            simulated.b.to_trace().unwrap(),
        );
        group.throughput(Throughput::Elements((a.len() + b.len()) as u64));
        group.bench_function(name, |bench| {
            bench.iter(|| {
                let link = combine_watched(&a, &b, &Settings::default(), &[], &mut |_| Vec::new());
                let link = link.unwrap();
                // The plan's joints and connectors, a close pair being one event.
                assert!(link.events.len() >= least, "{}", link.events.len());
                link
            });
        });
    }
    group.finish();
}

criterion_group!(benches, link);
criterion_main!(benches);
