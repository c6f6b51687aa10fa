//! The joints that a reader must not overlook, in plain words.
//!
//! The table and the plot both tell them, so they are found once, here.

use super::number::{loss_and_error_db, signed, with_error};
use super::plain::plain_text;
use crate::both_ways::{Event, EventKind, Link};
use crate::verdict::BAD_SPLICE_DB;

/// Standard errors by which a reading must stand clear before a sentence is made of it.
const CLEAR_OF_NOISE: f64 = 2.0;

/// Readings nearer to zero than this many dB are not called a gain.
///
/// Below it a one-way reading misleads nobody into redoing or praising a joint.
const SMALLEST_GAIN_DB: f64 = 0.01;

/// The end a reading was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ReadFrom {
    /// The trace taken from A.
    A,
    /// The trace taken from B.
    B,
}

impl ReadFrom {
    /// The letter of the end.
    pub const fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// Joints that are held against each other.
///
/// A connector loses more than a splice by its nature and would hide the bad
/// splice, so each is ranked among its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Among {
    /// Splices, bends, and groups that hold no connector.
    Splices,
    /// Connectors, and groups that hold one.
    Connectors,
}

impl Among {
    /// The plural that a sentence needs.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Splices => "splices",
            Self::Connectors => "connectors",
        }
    }

    fn holds(self, event: &Event) -> bool {
        let own = match event.kind {
            EventKind::Connector => Self::Connectors,
            EventKind::Group if holds_connector(event) => Self::Connectors,
            EventKind::Splice | EventKind::Bend | EventKind::Group => Self::Splices,
            EventKind::Echo | EventKind::Break | EventKind::End => return false,
        };
        own == self
    }
}

/// Reflectance in dB from which a group is taken to hold a connector.
///
/// The best angled connectors reflect about −65 dB (from memory) and a fusion
/// splice nothing that shows. A fainter trace of a peak may be noise, and a
/// group that is doubtful must not leave the ranking of the splices.
const FAINTEST_CONNECTOR_DB: f64 = -65.0;

fn holds_connector(event: &Event) -> bool {
    [event.reflectance_a, event.reflectance_b]
        .into_iter()
        .flatten()
        .any(|reading| reading.value.db() >= FAINTEST_CONNECTOR_DB)
}

/// What is worth saying about one joint.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// The greatest two-way loss among its own.
    LargestLoss {
        /// Which joints it was ranked among.
        among: Among,
        /// Two-way loss in dB.
        loss_db: f64,
        /// Its standard error.
        std_error_db: Option<f64>,
        /// Number of another joint whose loss cannot be told apart from this one.
        not_told_apart_from: Option<usize>,
    },
    /// One direction reads a gain where both together read none.
    GainOneWay {
        /// The end from which it reads as a gain.
        from: ReadFrom,
        /// The reading, negative.
        reading_db: f64,
        /// Two-way loss in dB.
        loss_db: f64,
        /// Its standard error.
        std_error_db: Option<f64>,
    },
    /// One direction reads above the limit (or the reference) where the two-way loss is within it.
    BadOneWay {
        /// The end from which it looks bad.
        from: ReadFrom,
        /// The reading.
        reading_db: f64,
        /// Two-way loss in dB.
        loss_db: f64,
        /// Its standard error.
        std_error_db: Option<f64>,
        /// What it was held against.
        against_db: f64,
    },
    /// The mean of both directions is negative beyond its error.
    GainBothWays {
        /// Two-way loss in dB, negative.
        loss_db: f64,
        /// Its standard error.
        std_error_db: Option<f64>,
    },
}

/// A finding and the event it is about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noteworthy<'a> {
    /// The event.
    pub event: &'a Event,
    /// What is said of it.
    pub finding: Finding,
}

impl Noteworthy<'_> {
    /// The finding as one sentence.
    pub fn sentence(&self) -> String {
        let name = joint_name(self.event);
        match self.finding {
            Finding::LargestLoss {
                among,
                loss_db,
                std_error_db,
                not_told_apart_from,
            } => {
                let kind = kind_word(self.event.kind);
                let doubt = not_told_apart_from.map_or_else(String::new, |other| {
                    format!(" Within its error it cannot be told apart from number {other}.")
                });
                format!(
                    "The largest two-way loss among {} is that of {kind} {name}: {} dB.{doubt}",
                    among.word(),
                    with_error(loss_db, std_error_db, 3)
                )
            }
            Finding::GainOneWay {
                from,
                reading_db,
                loss_db,
                std_error_db,
            } => format!(
                "Joint {name} reads as a gain of {} dB from {}; two-way {} dB: it is the \
                 backscatter difference of the two fibres, not a gain.",
                signed(-reading_db, 3),
                from.letter(),
                with_error(loss_db, std_error_db, 3)
            ),
            Finding::BadOneWay {
                from,
                reading_db,
                loss_db,
                std_error_db,
                against_db,
            } => format!(
                "Joint {name} reads {} dB from {} alone, above {} dB, and is {} dB two-way: do not \
                 redo it on the one-way reading.",
                signed(reading_db, 3),
                from.letter(),
                signed(against_db, 2),
                with_error(loss_db, std_error_db, 3)
            ),
            Finding::GainBothWays {
                loss_db,
                std_error_db,
            } => format!(
                "Joint {name} is {} dB two-way: a joint cannot amplify, so noise or a misplaced \
                 event is behind it.",
                with_error(loss_db, std_error_db, 3)
            ),
        }
    }
}

/// The number of an event, with the joint's name where one is known.
pub(crate) fn joint_name(event: &Event) -> String {
    match &event.joint {
        Some(joint) => format!("{} ({})", event.number, plain_text(joint)),
        None => event.number.to_string(),
    }
}

/// The trade's word for a kind.
pub(crate) const fn kind_word(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Connector => "connector",
        EventKind::Splice => "splice",
        EventKind::Bend => "bend",
        EventKind::Group => "group",
        EventKind::Echo => "echo",
        EventKind::Break => "break",
        EventKind::End => "end",
    }
}

/// Everything worth a sentence: the largest losses first (splices before
/// connectors), then joint by joint from A to B.
pub fn noteworthy(link: &Link) -> Vec<Noteworthy<'_>> {
    let by_place = link
        .events
        .iter()
        .filter(|event| !matches!(event.kind, EventKind::Echo | EventKind::End))
        .flat_map(|event| {
            [
                gain_one_way(event),
                bad_one_way(event),
                gain_both_ways(event),
            ]
        })
        .flatten();
    [Among::Splices, Among::Connectors]
        .into_iter()
        .filter_map(|among| largest_loss(link, among))
        .chain(by_place)
        .collect()
}

/// The joint with the greatest two-way loss among its own.
fn largest_loss(link: &Link, among: Among) -> Option<Noteworthy<'_>> {
    let mut losses: Vec<(&Event, f64, Option<f64>)> = link
        .events
        .iter()
        .filter(|event| among.holds(event))
        .filter_map(|event| {
            let (loss_db, std_error_db) = loss_and_error_db(&event.loss)?;
            Some((event, loss_db, std_error_db))
        })
        .collect();
    losses.sort_by(|one, other| other.1.total_cmp(&one.1));
    let &(event, loss_db, std_error_db) = losses.first()?;
    let not_told_apart_from = losses
        .get(1)
        .and_then(|&(second, second_db, second_error_db)| {
            let error_db = std_error_db?.hypot(second_error_db?);
            (loss_db - second_db <= CLEAR_OF_NOISE * error_db).then_some(second.number)
        });
    Some(Noteworthy {
        event,
        finding: Finding::LargestLoss {
            among,
            loss_db,
            std_error_db,
            not_told_apart_from,
        },
    })
}

/// Both one-way readings that exist, with their errors.
fn readings(event: &Event) -> impl Iterator<Item = (ReadFrom, f64, f64)> + '_ {
    [
        (ReadFrom::A, &event.loss_a_to_b),
        (ReadFrom::B, &event.loss_b_to_a),
    ]
    .into_iter()
    .filter_map(|(from, reading)| {
        let (reading_db, std_error_db) = loss_and_error_db(reading)?;
        Some((from, reading_db, std_error_db?))
    })
}

fn gain_one_way(event: &Event) -> Option<Noteworthy<'_>> {
    let (loss_db, std_error_db) = loss_and_error_db(&event.loss)?;
    let is_gain = |reading_db: f64, error_db: f64| {
        reading_db < -SMALLEST_GAIN_DB.max(CLEAR_OF_NOISE * error_db)
    };
    if is_gain(loss_db, std_error_db?) {
        return None;
    }
    let (from, reading_db, _) =
        readings(event).find(|&(_, reading_db, error_db)| is_gain(reading_db, error_db))?;
    Some(Noteworthy {
        event,
        finding: Finding::GainOneWay {
            from,
            reading_db,
            loss_db,
            std_error_db,
        },
    })
}

fn bad_one_way(event: &Event) -> Option<Noteworthy<'_>> {
    let against_db = match (event.limit, event.kind) {
        (Some(limit), _) => limit.db(),
        (None, EventKind::Splice) => BAD_SPLICE_DB,
        (None, _) => return None,
    };
    let (loss_db, std_error_db) = loss_and_error_db(&event.loss)?;
    if loss_db + CLEAR_OF_NOISE * std_error_db? > against_db {
        return None;
    }
    let (from, reading_db, _) = readings(event)
        .find(|&(_, reading_db, error_db)| reading_db - CLEAR_OF_NOISE * error_db > against_db)?;
    Some(Noteworthy {
        event,
        finding: Finding::BadOneWay {
            from,
            reading_db,
            loss_db,
            std_error_db,
            against_db,
        },
    })
}

fn gain_both_ways(event: &Event) -> Option<Noteworthy<'_>> {
    let (loss_db, std_error_db) = loss_and_error_db(&event.loss)?;
    (loss_db < -SMALLEST_GAIN_DB.max(CLEAR_OF_NOISE * std_error_db?)).then_some(Noteworthy {
        event,
        finding: Finding::GainBothWays {
            loss_db,
            std_error_db,
        },
    })
}
