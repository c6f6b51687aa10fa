//! The words that files use for settings and columns: one table, in English, which
//! `families` and `languages` add to.
//!
//! A key is compared without case, marks and filling words, after its common
//! abbreviations are spelt out (`Avg. time` is `averaging time`). Words of
//! further languages come with a [`Recipe`](super::Recipe), which maps them to
//! the names used here.

use std::collections::HashMap;
use std::sync::LazyLock;

use super::families::put_together;
use super::languages;
use super::settings::wanted_of;

macro_rules! known {
    ($($variant:ident = $name:literal: [$($word:literal),* $(,)?], if it fits: [$($soft:literal),* $(,)?];)*) => {
        /// A key whose meaning is known.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub(super) enum Known { $($variant),* }

        impl Known {
            /// The key in the plain trace text.
            pub(super) const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),* }
            }

            /// The known key with this name.
            pub(super) fn from_name(name: &str) -> Option<Self> {
                match name { $($name => Some(Self::$variant),)* _ => None }
            }

            /// Every name, in the order of the table.
            pub(super) const NAMES: &'static [&'static str] = &[$($name),*];
        }

        static KEYS: LazyLock<HashMap<String, Key>> = LazyLock::new(|| {
            let mut keys = HashMap::new();
            $(
                let known = Known::$variant;
                for word in [$name, $($word),*] {
                    keys.insert(folded(word), Key { known, sure: true });
                }
                for word in <[&str]>::iter(&[$($soft),*]) {
                    keys.entry(folded(word)).or_insert(Key { known, sure: false });
                }
            )*
            for (known, word) in put_together().chain(languages::settings()) {
                keys.entry(folded(&word)).or_insert(Key { known, sure: true });
            }
            keys
        });

        /// Keys of numbers, by their words in any order; `None` where two keys have the same.
        static LOOSE: LazyLock<HashMap<String, Option<Known>>> = LazyLock::new(|| {
            let mut keys = HashMap::new();
            let own = [$((Known::$variant, [$name, $($word),*].as_slice())),*];
            let own = own.iter().flat_map(|(known, words)| words.iter().map(|word| (*known, (*word).to_owned())));
            for (known, word) in own.chain(put_together()).chain(languages::settings()) {
                if wanted_of(known).is_some() {
                    let found = keys.entry(loose(&word)).or_insert(Some(known));
                    *found = found.filter(|other| *other == known);
                }
            }
            keys
        });
    };
}

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Key {
    pub(super) known: Known,
    /// Whether the word has no other meaning; else it counts only where its
    /// value fits.
    pub(super) sure: bool,
}

// After each name: words that mean nothing else, and words with other meanings,
// which count only where the value fits (`n: 1.468`, `laser: 1550 nm`).
known! {
    Fibre = "fibre": ["fibre id", "fibre no", "fibre name", "fibre identifier", "fibre label", "fibre ref", "fibre reference", "fibre identification", "fibre code"],
        if it fits: ["strand", "strand no", "core", "core no"];
    Cable = "cable": ["cable id", "cable name", "cable no", "cable identifier", "cable code", "cable ref", "cable identification", "cable label"],
        if it fits: [];
    From = "from": ["from end", "from site", "from location", "near end", "local end", "origin", "taken from", "measured from",
        "location a", "end a", "site a", "a end", "start location", "start site", "originating location", "origin location",
        "launch end", "near end location", "near location", "measured from end", "test location a"],
        if it fits: ["point a", "station a", "node a"];
    To = "to": ["to end", "to site", "to location", "far end", "remote end", "destination", "location b", "end b", "site b", "b end",
        "end location", "end site", "terminating location", "termination location", "destination location",
        "receive end", "far end location", "far location", "towards", "measured to", "measured towards", "taken towards", "taken to", "test location b"],
        if it fits: ["point b", "station b", "node b"];
    Direction = "direction": ["test direction", "measurement direction", "measuring direction", "trace direction", "direction measured",
        "direction test", "direction trace", "direction measurement", "shooting direction"],
        if it fits: [];
    Wavelength = "wavelength": ["wavelengths", "lambda", "λ", "laser wavelength", "nominal wavelength", "test wavelength",
        "source wavelength", "light source wavelength", "optical wavelength", "centre wavelength", "center wavelength",
        "wave length", "wl", "operating wavelength", "measurement wavelength", "wavelength laser"],
        if it fits: ["laser", "light source", "source", "light"];
    Pulse = "pulse width": ["pulse", "pulse duration", "pulse length", "pulse time", "test pulse", "test pulse width",
        "laser pulse", "laser pulse width", "optical pulse width", "pulse widths", "pw", "pulse duration time",
        "pulse width fwhm", "fwhm pulse width", "pulse width setting", "pulse setting"],
        if it fits: ["τ", "tau"];
    Index = "group index": ["ior", "refractive index", "index refraction", "group refractive index", "refraction index",
        "fibre index", "effective group index", "group index refraction", "gri", "glass index", "effective index",
        "fibre refractive index", "effective group refractive index", "cable group index"],
        if it fits: ["index", "n", "ng", "ior n", "ri", "n eff", "n group", "indice", "índice", "indeks"];
    Backscatter = "backscatter coefficient": ["backscatter", "backscattering coefficient", "scatter coefficient",
        "scattering coefficient", "rayleigh backscatter coefficient", "rayleigh coefficient", "bsc", "rbs",
        "backscatter level", "rayleigh backscatter", "backscatter coefficient 1 ns", "backscattering", "rayleigh scattering coefficient"],
        if it fits: ["scatter", "k"];
    Averaging = "averaging time": ["averaging", "acquisition time", "acquisition duration", "measuring time",
        "measurement duration", "test duration", "averaging duration", "averaging period"],
        if it fits: ["duration", "acquisition", "time averaging"];
    Measured = "measured": ["measured at", "measured on", "date", "date and time", "date time", "timestamp", "time stamp",
        "measurement date", "measurement date and time", "measurement date time", "test date", "test date time",
        "test date and time", "acquired", "acquisition date", "recorded", "recorded at", "recorded on", "acquired on", "acquired at", "taken", "taken on", "tested on", "tested"],
        if it fits: [];
    Time = "time": ["time day", "measurement time", "test time", "start time", "clock time"],
        if it fits: [];
    Launch = "launch cord": ["launch fibre", "launch cable", "launch", "launch cord length", "launch fibre length",
        "launch cable length", "launch lead", "launch length", "launch reel", "launch box", "pulse suppressor"],
        if it fits: [];
    Tail = "tail cord": ["tail fibre", "tail cable", "tail", "tail cord length", "tail fibre length", "tail cable length",
        "receive cord", "receive fibre", "receive cable", "receive", "receive cord length", "receive fibre length",
        "receive cable length", "tail lead", "tail length", "receive reel", "tail box", "receive length"],
        if it fits: [];
    Instrument = "instrument": ["instrument name", "instrument model", "instrument type", "otdr", "otdr model", "device",
        "device name", "device model", "equipment", "meter", "unit model"],
        if it fits: ["model"];
    Serial = "serial": ["serial no", "s n", "sn", "instrument serial", "instrument serial no", "device serial no",
        "otdr serial no", "equipment serial no"],
        if it fits: [];
    Calibrated = "calibrated until": ["calibration due", "calibration due date", "calibration valid until", "calibration until",
        "next calibration", "calibration expires", "calibration expiry"],
        if it fits: [];
    Operator = "operator": ["technician", "tester", "measured by", "tested by", "operator name", "technician name",
        "user name", "engineer", "operator id", "taken by", "recorded by"],
        if it fits: ["user"];
    Note = "note": ["notes", "remark", "remarks", "comment", "comments", "annotation"],
        if it fits: [];
    Spacing = "spacing": ["sample spacing", "data spacing", "point spacing", "sampling interval", "sample interval",
        "sampling step", "distance step", "sampling spacing", "sampling resolution", "sample resolution", "data resolution",
        "distance between samples", "distance per sample", "sample distance", "sampling distance", "spacing between samples",
        "sample step", "distance increment", "point interval", "point distance", "distance spacing", "data interval",
        "distance between points", "metres per sample", "meters per sample", "sample width", "sampling period"],
        if it fits: ["step", "increment", "interval", "resolution", "distance resolution", "delta", "dx", "dz", "step size"];
    Start = "start": ["start distance", "first sample", "first distance", "distance first sample", "start position",
        "first point", "position first sample", "first sample position", "first sample distance", "distance first point",
        "position first point", "start offset", "distance offset", "sample offset", "origin offset"],
        if it fits: ["offset", "begin", "start point", "x0", "z0"];
    DistanceUnit = "distance unit": ["distance units", "unit distance", "units distance", "length unit", "length units", "units length",
        "position unit", "position units", "unit length", "x unit", "x units", "x axis unit", "horizontal unit",
        "distance axis unit", "range unit", "range units"],
        if it fits: ["units", "unit"];
    LevelUnit = "level unit": ["level units", "unit level", "units level", "power unit", "power units", "y unit", "y units", "vertical unit",
        "y axis unit", "amplitude unit"],
        if it fits: [];
    Samples = "samples": ["sample no", "no samples", "sample count", "points", "no points", "data points", "no data points",
        "point count", "total samples", "total points", "data size", "record length", "trace points", "no sample points", "sample points"],
        if it fits: ["count"];
}

/// What a word stands for: a setting, or what a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Word {
    Key(Known),
    Column(Quantity),
}

impl Word {
    /// The meaning that a name in a recipe stands for.
    pub(super) fn from_name(name: &str) -> Option<Self> {
        let column = match name {
            "distance" => Quantity::Distance,
            "level" => Quantity::Level,
            "loss" => Quantity::Loss,
            "unused" => Quantity::Other,
            _ => return Known::from_name(name).map(Self::Key),
        };
        Some(Self::Column(column))
    }
}

/// The table above, and words of a recipe, which come first.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Vocabulary {
    own: HashMap<String, Word>,
}

impl Vocabulary {
    pub(super) fn add(&mut self, text: &str, word: Word) {
        self.own.insert(folded(&text.to_lowercase()), word);
    }

    /// What a key in lower case means, if anything.
    pub(super) fn key(&self, words: &str) -> Option<Key> {
        let own = if self.own.is_empty() {
            None
        } else {
            self.own.get(&folded(words))
        };
        match own {
            Some(Word::Key(known)) => Some(Key {
                known: *known,
                sure: true,
            }),
            _ => key(words),
        }
    }

    /// What a column holds by an own word in its title; the longest one counts.
    pub(super) fn column(&self, title: &str) -> Option<Quantity> {
        if self.own.is_empty() {
            return None;
        }
        let folded = folded(title);
        let held = self.own.iter().filter_map(|(text, word)| match word {
            Word::Column(quantity) if folded.contains(text.as_str()) => Some((text, *quantity)),
            _ => None,
        });
        held.max_by_key(|(text, _)| (text.len(), *text))
            .map(|(_, quantity)| quantity)
    }
}

/// Longest key, in bytes, that may say the same thing twice.
const LONGEST_TWICE: usize = 80;

/// What a key in lower case means, without words of a recipe.
pub(super) fn key(words: &str) -> Option<Key> {
    let found = |words: &str| KEYS.get(&folded(words)).copied();
    // `Group index (IOR)` says the same thing twice.
    let twice = || {
        words.match_indices(' ').find_map(|(at, _)| {
            let (one, other) = words.split_at_checked(at)?;
            let (one, other) = (found(one)?, found(other)?);
            (one.known == other.known).then_some(Key {
                known: one.known,
                sure: one.sure || other.sure,
            })
        })
    };
    let loosely = || {
        let known = LOOSE.get(&loose(words)).copied().flatten()?;
        Some(Key { known, sure: false })
    };
    let short = words.len() <= LONGEST_TWICE;
    found(words).or_else(|| {
        if short {
            twice().or_else(loosely)
        } else {
            None
        }
    })
}

/// Words that may stand beside the key of a number and leave its meaning as it is:
/// `Wavelength, nominal`, `Set pulse width`. Not here is what names another number of the
/// kind, as `cut-off` or `core` do.
const QUALIFYING: [&str; 14] = [
    "nominal",
    "nominale",
    "nominaler",
    "nominell",
    "nominalna",
    "actual",
    "selected",
    "set",
    "setting",
    "configured",
    "chosen",
    "value",
    "valeur",
    "valor",
];

/// The words of a key without those that leave its meaning as it is, in one order.
fn loose(key: &str) -> String {
    let mut words: Vec<&str> = spelt(key)
        .filter(|word| !QUALIFYING.contains(word))
        .collect();
    words.sort_unstable();
    words.join(" ")
}

/// Articles and prepositions of other languages; alone, some are keys (`De`, `Da`, `Do`).
const FILLING: [&str; 22] = [
    "de", "del", "della", "dell", "dello", "di", "da", "do", "dos", "das", "du", "la", "le", "les",
    "el", "l", "d", "van", "het", "der", "des", "und",
];

/// A key as it is compared: abbreviations spelt out, filling words and spaces left out.
pub(super) fn folded(key: &str) -> String {
    spelt(key).collect()
}

/// The words of a key that count, abbreviations spelt out.
fn spelt(key: &str) -> impl Iterator<Item = &str> {
    let words = move || {
        key.split(|c: char| !c.is_alphanumeric())
            .filter(|word| !matches!(*word, "" | "of" | "the" | "used" | "for" | "in"))
    };
    let alone = words().all(|word| FILLING.contains(&word));
    words()
        .filter(move |word| alone || !FILLING.contains(word))
        .map(|word| match word {
            "fiber" | "fibres" | "fibers" => "fibre",
            "avg" | "ave" | "aver" | "average" => "averaging",
            "acq" => "acquisition",
            "coeff" | "coef" => "coefficient",
            "nr" | "num" | "number" => "no",
            "refr" => "refractive",
            "meas" => "measurement",
            "dist" => "distance",
            "dir" => "direction",
            "eff" => "effective",
            "loc" => "location",
            "pos" => "position",
            "cal" => "calibration",
            "pts" => "points",
            other => other,
        })
}

/// Quantities that a word of a title names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Quantity {
    Distance,
    /// A level that falls along the fibre.
    Level,
    /// A loss that rises along the fibre.
    Loss,
    /// A count of the samples.
    Index,
    /// Something of no use here.
    Other,
}

/// What a word of a column's title names, in lower case.
pub(super) fn title_word(word: &str) -> Option<Quantity> {
    Some(match word {
        "distance" | "dist" | "position" | "pos" | "location" | "loc" | "length" | "range"
        | "time" | "delay" | "chainage" | "place" | "z" | "x" => Quantity::Distance,
        "loss" | "losses" | "attenuation" | "att" | "atten" => Quantity::Loss,
        "level" | "levels" | "power" | "backscatter" | "backscattered" | "amplitude" | "signal"
        | "trace" | "intensity" | "reading" | "magnitude" | "value" | "y" => Quantity::Level,
        "index" | "idx" | "no" | "nr" | "number" | "sample" | "point" | "#" | "n" | "i" => {
            Quantity::Index
        }
        _ => return languages::column(word),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_word_means_two_things_for_sure() {
        // The map keeps the last of two equal words: every name must mean itself.
        for name in Known::NAMES {
            let found = key(name).unwrap();
            assert_eq!((found.known.name(), found.sure), (*name, true));
        }
    }

    #[test]
    fn marks_case_and_abbreviations_do_not_matter() {
        for (words, name) in [
            ("avg. time", "averaging time"),
            ("index of refraction", "group index"),
            ("number of data points", "samples"),
            ("fiber no.", "fibre"),
            ("date/time", "measured"),
            ("pulsewidth", "pulse width"),
            ("group index ior", "group index"),
        ] {
            assert_eq!(
                key(words).map(|key| key.known.name()),
                Some(name),
                "{words}"
            );
        }
        for (words, name) in [
            ("wavelength nominal", "wavelength"),
            ("set pulse width", "pulse width"),
            ("refraction index value", "group index"),
            ("valeur indice de groupe", "group index"),
            ("time of averaging", "averaging time"),
        ] {
            let found = key(words).map(|key| (key.known.name(), key.sure));
            assert_eq!(found, Some((name, false)), "{words}");
        }
        // Another wavelength, another index, another time.
        for words in [
            "cut off wavelength",
            "wavelength zero dispersion",
            "core index",
            "set time",
            "value",
            "nominal",
        ] {
            assert_eq!(key(words), None, "{words}");
        }
        assert_eq!(key("n").map(|key| key.sure), Some(false));
        assert_eq!(key("filter"), None);
        // Two keys of two meanings are neither.
        assert_eq!(key("fibre wavelength"), None);
    }
}
