//! Header words that people put together from parts: `Launch reel length`,
//! `Test set model`, `Tester name`.

use super::words::Known;

/// Every word of a family is one of each list, in this order.
struct Family {
    known: Known,
    /// What is spoken of.
    things: &'static [&'static str],
    /// What is told of it.
    facts: &'static [&'static str],
}

/// Names of a cord that lies at one end: what it is called, and its two sides.
const CORDS: &[&str] = &[
    "cord",
    "fibre",
    "cable",
    "lead",
    "reel",
    "box",
    "coil",
    "spool",
    "ring",
    "jumper",
    "patch cord",
    "patchcord",
    "drum",
    "bobbin",
];

/// What is told of a cord: its length, and the end it lies at.
const LAUNCH_FACTS: &[&str] = &["", "length", "a", "end a", "length a", "near end"];
const TAIL_FACTS: &[&str] = &["", "length", "b", "end b", "length b", "far end"];

const FAMILIES: &[Family] = &[
    Family {
        known: Known::Instrument,
        things: &[
            "instrument",
            "test instrument",
            "measuring instrument",
            "measurement instrument",
            "test set",
            "test device",
            "test equipment",
            "test unit",
            "measuring device",
            "measuring equipment",
            "measuring unit",
            "measuring set",
            "measurement device",
            "measurement equipment",
            "otdr",
            "otdr unit",
            "otdr module",
            "otdr device",
            "device",
            "equipment",
            "mainframe",
        ],
        facts: &["", "name", "model", "type", "id", "identifier"],
    },
    Family {
        known: Known::Serial,
        things: &[
            "",
            "instrument",
            "test instrument",
            "otdr",
            "device",
            "equipment",
            "unit",
            "test set",
            "tester",
            "meter",
            "module",
            "mainframe",
            "measuring instrument",
        ],
        facts: &["serial", "serial no", "serial id", "s n", "sn", "ser no"],
    },
    Family {
        known: Known::Operator,
        things: &[
            "operator",
            "technician",
            "tester",
            "engineer",
            "inspector",
            "surveyor",
            "test engineer",
        ],
        facts: &["", "name", "id", "initials"],
    },
    Family {
        known: Known::Operator,
        things: &[
            "measured",
            "tested",
            "performed",
            "taken",
            "recorded",
            "acquired",
            "carried out",
            "done",
        ],
        facts: &["by"],
    },
    Family {
        known: Known::Averaging,
        things: &[
            "averaging",
            "acquisition",
            "measuring",
            "measurement",
            "test",
            "scan",
            "integration",
        ],
        facts: &["time", "duration", "period", "interval"],
    },
    Family {
        known: Known::Wavelength,
        things: &[
            "",
            "test",
            "laser",
            "source",
            "nominal",
            "measurement",
            "measuring",
            "operating",
            "otdr",
            "optical",
        ],
        facts: &["wavelength", "lambda", "λ"],
    },
    Family {
        known: Known::Pulse,
        things: &[
            "pulse",
            "test pulse",
            "laser pulse",
            "optical pulse",
            "light pulse",
            "otdr pulse",
        ],
        facts: &["", "width", "length", "duration", "time"],
    },
];

/// What an end of the fibre is called, before or behind its letter.
const PLACES: &[&str] = &[
    "end", "site", "location", "place", "exchange", "office", "building",
];

/// Every word of the families, and what it means.
pub(super) fn put_together() -> impl Iterator<Item = (Known, String)> {
    let cords = [
        (
            Known::Launch,
            ["launch", "launching"].as_slice(),
            LAUNCH_FACTS,
        ),
        (
            Known::Tail,
            ["tail", "receive", "receiving"].as_slice(),
            TAIL_FACTS,
        ),
    ];
    let cords = cords.into_iter().flat_map(|(known, sides, facts)| {
        sides.iter().flat_map(move |side| {
            CORDS.iter().flat_map(move |cord| {
                facts
                    .iter()
                    .map(move |fact| (known, format!("{side} {cord} {fact}")))
            })
        })
    });
    let ends = [(Known::From, "a"), (Known::To, "b")];
    let ends = ends.into_iter().flat_map(|(known, end)| {
        PLACES.iter().flat_map(move |place| {
            ["", "name", "id", "code"]
                .into_iter()
                .flat_map(move |fact| {
                    [
                        (known, format!("{place} {end} {fact}")),
                        (known, format!("{place} {fact} {end}")),
                        (known, format!("{end} {place} {fact}")),
                    ]
                })
        })
    });
    let others = FAMILIES.iter().flat_map(|family| {
        family.things.iter().flat_map(move |thing| {
            family
                .facts
                .iter()
                .map(move |fact| (family.known, format!("{thing} {fact}")))
        })
    });
    cords.chain(ends).chain(others)
}
