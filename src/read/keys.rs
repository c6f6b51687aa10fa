//! The keys whose meaning is known, and what their values may be.

use super::quantity::Wanted;

macro_rules! known {
    ($($variant:ident = $name:literal: $($word:literal)|+;)*) => {
        /// A key whose meaning is known.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(super) enum Known { $($variant),* }

        impl Known {
            pub(super) fn from_key(key: &str) -> Option<Self> {
                match key {
                    $($($word)|+ => Some(Self::$variant),)*
                    _ => None,
                }
            }

            pub(super) const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),* }
            }
        }
    };
}

known! {
    Fibre = "fibre": "fibre" | "fiber" | "fibre id" | "fiber id" | "fibre number" | "fiber number"
        | "fibre no" | "fiber no" | "fibre name" | "fiber name";
    Cable = "cable": "cable" | "cable id" | "cable name" | "cable number" | "cable no";
    From = "from": "from" | "from end" | "near end" | "local end" | "origin" | "taken from" | "measured from";
    To = "to": "to" | "to end" | "far end" | "remote end" | "destination";
    Wavelength = "wavelength": "wavelength" | "lambda" | "λ" | "laser wavelength" | "nominal wavelength"
        | "test wavelength";
    Pulse = "pulse width": "pulse width" | "pulse" | "pulsewidth" | "pulse duration" | "pulse length";
    Index = "group index": "group index" | "index" | "ior" | "refractive index" | "index of refraction"
        | "group refractive index" | "fibre index" | "fiber index";
    Backscatter = "backscatter coefficient": "backscatter coefficient" | "backscatter"
        | "backscattering coefficient" | "scatter coefficient";
    Averaging = "averaging time": "averaging time" | "average time" | "averaging" | "acquisition time"
        | "measuring time" | "measurement duration";
    Measured = "measured": "measured" | "measured at" | "measured on" | "date" | "date and time" | "date time"
        | "timestamp" | "measurement date" | "test date";
    Time = "time": "time" | "time of day" | "measurement time" | "test time";
    Launch = "launch cord": "launch cord" | "launch fibre" | "launch fiber" | "launch cable" | "launch";
    Tail = "tail cord": "tail cord" | "tail fibre" | "tail fiber" | "tail cable" | "tail" | "receive cord"
        | "receive fibre" | "receive fiber" | "receive cable";
    Instrument = "instrument": "instrument" | "instrument name" | "otdr" | "device";
    Serial = "serial": "serial" | "serial number" | "serial no" | "s/n" | "instrument serial";
    Calibrated = "calibrated until": "calibrated until" | "calibration due" | "calibration valid until"
        | "calibration until" | "next calibration";
    Operator = "operator": "operator" | "technician" | "tester" | "measured by" | "tested by";
    Note = "note": "note" | "notes" | "remark" | "remarks" | "comment" | "comments";
    Spacing = "spacing": "spacing" | "sample spacing" | "data spacing" | "point spacing"
        | "sampling interval" | "sample interval" | "sampling step" | "distance step" | "step" | "increment";
    Start = "start": "start" | "start distance" | "first sample" | "first distance" | "distance of first sample";
    DistanceUnit = "distance unit": "distance unit" | "distance units" | "unit of distance" | "length unit";
    LevelUnit = "level unit": "level unit" | "level units" | "unit of level";
    Samples = "samples": "samples" | "number of samples" | "sample count" | "points" | "number of points"
        | "data points";
}

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
    Known::from_key(&plain_key(key).0).is_some()
}

/// A key in plain words, and the unit written in it: `Pulse width (ns)`, `pulse_ns`.
pub(super) fn plain_key(key: &str) -> (String, Option<String>) {
    const UNITS: [&str; 15] = [
        "nm", "um", "µm", "μm", "ns", "us", "µs", "μs", "s", "min", "m", "km", "db", "ft", "sec",
    ];
    let lower = key
        .to_lowercase()
        .replace(['_', '-', '[', '(', ']', ')', '.'], " ");
    let mut words: Vec<&str> = lower.split_whitespace().collect();
    let unit = match words.last() {
        Some(last) if words.len() > 1 && UNITS.contains(last) => words.pop().map(str::to_owned),
        _ => None,
    };
    (words.join(" "), unit)
}
