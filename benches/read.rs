//! Speed of the reader on text in memory.
//!
//! Keep a baseline before a change and compare after it:
//! ```text
//! cargo bench --bench read -- --save-baseline before
//! cargo bench --bench read -- --baseline before
//! ```
#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "a bench that cannot run must fail; its functions are no interface"
)]

use std::fmt::Write as _;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use bothends::read::from_bytes;

/// A usual trace, and one as long as any: the second is larger than the caches.
const SIZES: [(&str, u32); 2] = [("16k", 16_384), ("1m", 1 << 20)];
/// Fixed, so that every run reads the same bytes.
const SEED: u64 = 17;

/// A made trace: 0.19 dB/km with a sample every metre, a joint every 4 km, and noise.
fn made(separator: char, decimal: char, samples: u32) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    let mut text =
        String::from("# wavelength: 1550 nm\n# pulse width: 100 ns\n# group index: 1.4682\n");
    let _ = writeln!(text, "distance_m{separator}level_db");
    for i in 0..samples {
        let distance = f64::from(i);
        let joints = (distance / 4000.0).floor() * 0.05;
        let level = -12.0 - 0.19e-3 * distance - joints + 0.01 * (random.random::<f64>() - 0.5);
        let row = format!("{distance:.3}{separator}{level:.3}\n");
        text.push_str(&if decimal == '.' {
            row
        } else {
            row.replace('.', ",")
        });
    }
    text
}

fn read(c: &mut Criterion) {
    let mut group = c.benchmark_group("read");
    for (size, samples) in SIZES {
        for (name, separator, decimal) in [("plain", ',', '.'), ("decimal_comma", ';', ',')] {
            let mut text = made(separator, decimal, samples);
            if decimal == ',' {
                text = text.replace("1.4682", "1,4682");
            }
            // For `pandas_read.py` on the same bytes.
            if let Some(folder) = std::env::var_os("BENCH_READ_FILES") {
                let file = std::path::Path::new(&folder).join(format!("{name}_{size}.csv"));
                std::fs::write(file, &text).unwrap();
            }
            group.throughput(Throughput::Bytes(text.len() as u64));
            group.bench_function(format!("{name}/{size}"), |b| {
                b.iter(|| {
                    let content = from_bytes(text.as_bytes()).unwrap();
                    let trace = &content.traces[0];
                    assert_eq!(trace.levels_db.len(), samples as usize);
                    assert!(trace.levels_db[0] < -11.99 && trace.distances_m[1] > 0.999);
                    content
                });
            });
        }
    }
    group.finish();
}

criterion_group!(benches, read);
criterion_main!(benches);
