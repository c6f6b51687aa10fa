//! Keys in plain words, and what the values of the known ones may be.

use super::quantity::Wanted;
use super::words;

const LENGTH_UNITS: &[(&str, f64)] = &[
    ("m", 1.0),
    ("km", 1000.0),
    ("cm", 0.01),
    ("mm", 0.001),
    ("ft", 0.3048),
    ("kft", 304.8),
    ("metres", 1.0),
    ("meters", 1.0),
    ("feet", 0.3048),
    ("mi", 1609.344),
    ("miles", 1609.344),
];

pub(super) const WAVELENGTH_NM: Wanted = Wanted {
    units: &[("nm", 1.0), ("um", 1000.0)],
    min: 600.0,
    max: 2000.0,
    words: "a wavelength from 600 nm to 2000 nm, such as `1550 nm`",
};
pub(super) const PULSE_NS: Wanted = Wanted {
    units: &[
        ("ns", 1.0),
        ("us", 1000.0),
        ("nsec", 1.0),
        ("usec", 1000.0),
        ("nanoseconds", 1.0),
        ("microseconds", 1000.0),
        ("ms", 1e6),
        ("ps", 0.001),
        ("s", 1e9),
    ],
    min: 0.01,
    max: 200_000.0,
    words: "a time from 0.01 ns to 200 us, such as `100 ns`",
};
pub(super) const INDEX: Wanted = Wanted {
    units: &[("", 1.0)],
    min: 1.3,
    max: 1.7,
    words: "a ratio from 1.3 to 1.7, such as `1.4682`",
};
pub(super) const BACKSCATTER_DB: Wanted = Wanted {
    units: &[("db", 1.0)],
    min: -120.0,
    max: 120.0,
    words: "decibels at 1 ns, such as `-81.5 dB`",
};
pub(super) const AVERAGING_S: Wanted = Wanted {
    units: &[
        ("s", 1.0),
        ("sec", 1.0),
        ("seconds", 1.0),
        ("min", 60.0),
        ("minutes", 60.0),
        ("ms", 0.001),
        ("h", 3600.0),
    ],
    min: 0.0,
    max: 1e6,
    words: "a time, such as `60 s` or `3 min`",
};
pub(super) const CORD_M: Wanted = Wanted {
    units: LENGTH_UNITS,
    min: 0.0,
    max: 1e5,
    words: "a length, such as `1000 m`, or `0 m` for none",
};
pub(super) const SPACING_M: Wanted = Wanted {
    units: LENGTH_UNITS,
    min: 1e-6,
    max: 1e4,
    words: "a length, such as `0.5 m`",
};
pub(super) const START_M: Wanted = Wanted {
    units: LENGTH_UNITS,
    min: -1e6,
    max: 1e6,
    words: "a distance, such as `0 m`",
};

/// Whether a key would be taken for a setting with a meaning.
pub(super) fn is_known_key(key: &str) -> bool {
    words::key(&plain_key(key).0).is_some()
}

/// Units that a key may end with: `Pulse width (ns)`, `pulse_ns`.
const KEY_UNITS: [&str; 26] = [
    "nm", "um", "µm", "μm", "ns", "us", "µs", "μs", "ms", "s", "sec", "min", "m", "km", "db", "ft",
    "kft", "mi", "seconds", "minutes", "metres", "meters", "nsec", "usec", "µsec", "μsec",
];

/// Units that are no words, and that a key may hold anywhere.
const CLEAR_UNITS: [&str; 8] = ["nm", "um", "µm", "μm", "ns", "us", "µs", "μs"];

/// Whether a word is a unit that a key may end with.
pub(super) fn is_key_unit(word: &str) -> bool {
    KEY_UNITS.contains(&word.to_lowercase().as_str())
}

/// A key in plain words, and the unit written in it: `Pulse width (ns)`, `pulse_ns`.
pub(super) fn plain_key(key: &str) -> (String, Option<String>) {
    let lower = spaced_out(key).to_lowercase();
    let parts = |c: char| {
        c.is_whitespace()
            || matches!(
                c,
                '_' | '-' | '[' | '(' | ']' | ')' | '.' | ',' | '/' | ';' | '|' | '"'
            )
    };
    let mut words: Vec<&str> = lower.split(parts).filter(|word| !word.is_empty()).collect();
    // `Averaging time (mm:ss)` says how, not in what.
    if matches!(
        words.last(),
        Some(&"mm:ss" | &"hh:mm:ss" | &"h:mm:ss" | &"m:ss")
    ) {
        words.pop();
    }
    let unit = match words.last() {
        Some(last) if words.len() > 1 && KEY_UNITS.contains(last) => words.pop(),
        // `wavelength_nm_nominal`
        _ => (1..words.len())
            .find(|at| {
                words
                    .get(*at)
                    .is_some_and(|word| CLEAR_UNITS.contains(word))
            })
            .map(|at| words.remove(at)),
    };
    let unit = unit.map(str::to_owned);
    (words.join(" "), unit)
}

/// `PulseWidth` as `Pulse Width`; `dB` stays.
fn spaced_out(key: &str) -> String {
    let mut spaced = String::with_capacity(key.len() + 4);
    let mut small = 0;
    for c in key.chars() {
        if c.is_uppercase() && small > 1 {
            spaced.push(' ');
        }
        small = if c.is_lowercase() { small + 1 } else { 0 };
        spaced.push(c);
    }
    spaced
}
