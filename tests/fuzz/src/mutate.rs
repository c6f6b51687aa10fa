//! Mutates small exports at random and checks the reader on each: a fuzzer for
//! the stable compiler, without coverage.
//!
//! ```text
//! mutate FOLDER SEED COUNT
//! ```
//! The same seed gives the same files. What breaks a promise is written into the
//! current folder and the run goes on; the number of them is the exit status.

mod check;

use std::panic::catch_unwind;
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Longest file taken as a seed; small ones are read fast.
const LONGEST: usize = 4096;
/// A single read may not take longer.
const SLOWEST: Duration = Duration::from_millis(500);

/// A small generator (xorshift64*), so that nothing but a seed is needed.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    fn below(&mut self, limit: usize) -> usize {
        (self.next() >> 33) as usize % limit.max(1)
    }
}

const TOKENS: &[&str] = &[
    "\n",
    "\r\n",
    "\r",
    ",",
    ";",
    "\t",
    "|",
    " ",
    "  ",
    ".",
    "-",
    "+",
    "\"",
    "'",
    "#",
    "# ",
    ": ",
    "=",
    "0",
    "1",
    "9",
    "000",
    "1e9",
    "1e308",
    "1e-308",
    "1e999",
    "nan",
    "inf",
    "---",
    "\u{2212}",
    "\u{a0}",
    "µ",
    "→",
    "\0",
    "\u{1a}",
    "\u{feff}",
    "km",
    "m",
    "ft",
    "ns",
    "dB",
    "mW",
    "# wavelength: 1310/1550 nm\n",
    "# spacing: 25 m\n",
    "# start: 0 m\n",
    "# samples: 48\n",
    "# group index: 1.5\n",
    "# pulse width: 10 ns\n",
    "# averaging time: 3:20\n",
    "distance_m,level_db\n",
    "Distance;Level\n",
    "distance unit: km\n",
    "1,000",
    "1.000",
    "1 000",
    "1'000",
    "\"0,5\"",
    "# wavelength 2: 1550 nm\n",
    "REM ",
    "-- ",
    "...",
];

fn mutate(random: &mut Random, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds[random.below(seeds.len())].clone();
    for _ in 0..=random.below(6) {
        let at = random.below(bytes.len() + 1);
        let end = (at + random.below(40)).min(bytes.len());
        match random.below(9) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.below(8),
            1 if at < bytes.len() => bytes[at] = random.next() as u8,
            2 => drop(bytes.drain(at..end)),
            3 => {
                let part = bytes[at..end].to_vec();
                let to = random.below(bytes.len() + 1);
                bytes.splice(to..to, part);
            }
            4 => bytes.truncate(at),
            5 => {
                let other = &seeds[random.below(seeds.len())];
                let from = random.below(other.len() + 1);
                let part = other[from..(from + random.below(400)).min(other.len())].to_vec();
                bytes.splice(at..end, part);
            }
            // A whole line away, doubled, or put elsewhere.
            6 => {
                let start = bytes[..at]
                    .iter()
                    .rposition(|b| *b == b'\n')
                    .map_or(0, |i| i + 1);
                let stop = bytes[at..]
                    .iter()
                    .position(|b| *b == b'\n')
                    .map_or(bytes.len(), |i| at + i + 1);
                let line: Vec<u8> = match random.below(2) {
                    0 => bytes.drain(start..stop).collect(),
                    _ => bytes[start..stop].to_vec(),
                };
                let to = random.below(bytes.len() + 1);
                bytes.splice(to..to, line);
            }
            // One character for another, everywhere.
            7 => {
                let (from, to) = (
                    b",;.\t |\n\"'"[random.below(9)],
                    b",;.\t |\n\"'"[random.below(9)],
                );
                bytes
                    .iter_mut()
                    .filter(|b| **b == from)
                    .for_each(|b| *b = to);
            }
            _ => {
                let token = TOKENS[random.below(TOKENS.len())].bytes();
                bytes.splice(at..at, token);
            }
        }
    }
    bytes
}

fn timed(bytes: &[u8]) -> (std::thread::Result<()>, Duration) {
    let began = Instant::now();
    let result = catch_unwind(|| check::check(bytes));
    (result, began.elapsed())
}

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let (Some(folder), Some(seed), Some(count)) =
        (arguments.next(), arguments.next(), arguments.next())
    else {
        eprintln!("usage: mutate FOLDER SEED COUNT");
        return ExitCode::from(2);
    };
    let (Ok(seed), Ok(count)) = (seed.parse::<u64>(), count.parse::<u64>()) else {
        eprintln!("usage: mutate FOLDER SEED COUNT");
        return ExitCode::from(2);
    };
    let mut paths: Vec<_> = std::fs::read_dir(&folder)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .collect();
    paths.sort();
    let seeds: Vec<Vec<u8>> = paths
        .iter()
        .filter(|path| path.extension().is_none_or(|end| end != "md"))
        .filter_map(|path| std::fs::read(path).ok())
        .filter(|bytes| bytes.len() <= LONGEST)
        .collect();
    if seeds.is_empty() {
        eprintln!("no files of at most {LONGEST} bytes in {folder}");
        return ExitCode::from(2);
    }
    std::panic::set_hook(Box::new(|_| {}));
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut found: Vec<String> = Vec::new();
    let (mut broken, mut slowest) = (0_u64, Duration::ZERO);
    for run in 0..count {
        let bytes = mutate(&mut random, &seeds);
        let (result, mut took) = timed(&bytes);
        if took > SLOWEST {
            // Another program may have had the processor.
            took = took.min(timed(&bytes).1);
        }
        slowest = slowest.max(took);
        let fault = match result {
            Err(payload) => payload
                .downcast_ref::<String>()
                .cloned()
                .or_else(|| payload.downcast_ref::<&str>().map(ToString::to_string))
                .unwrap_or_default(),
            Ok(()) if took > SLOWEST => "slow".to_owned(),
            Ok(()) => String::new(),
        };
        if !fault.is_empty() {
            broken += 1;
            let kind: String = fault.chars().take(40).collect();
            if !found.contains(&kind) {
                let name = format!("found-{seed}-{run}.txt");
                println!("run {run}: {fault} ({took:?}); written to {name}");
                if let Err(error) = std::fs::write(&name, &bytes) {
                    eprintln!("cannot write {name}: {error}");
                }
                found.push(kind);
            }
        }
        if run % 1_000_000 == 999_999 {
            println!(
                "{} runs, {broken} broken promises, slowest {slowest:?}",
                run + 1
            );
        }
    }
    println!(
        "{count} runs, seed {seed}, {} seeds: {broken} broken promises, slowest {slowest:?}",
        seeds.len()
    );
    ExitCode::from(u8::try_from(found.len()).unwrap_or(u8::MAX))
}
