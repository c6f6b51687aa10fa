//! What an event is, in the words that every form for people shares.

use super::findings::kind_word;
use super::number::signed;
use crate::both_ways::{Event, EventKind, Link, SeenFrom};

/// The kind of an event with what its form adds to it.
pub(crate) fn kind_in_words(event: &Event) -> String {
    let word = kind_word(event.kind);
    match event.kind {
        EventKind::Bend => format!("suspected {word}"),
        EventKind::Group => format!("{word}, one loss"),
        EventKind::Splice if event.reflective => format!("{word}, reflective"),
        EventKind::Connector if is_out_of_sight(event) => format!("{word}, not measured"),
        EventKind::Connector if !event.reflective => format!("{word}, no reflection"),
        _ => word.to_owned(),
    }
}

/// From where an event shows, to be put behind what it is; nothing where it shows in both
/// traces, or where nothing of it can be measured anyway.
pub(crate) fn seen_in_words(event: &Event) -> &'static str {
    match event.seen_from {
        SeenFrom::A => "; seen from A only",
        SeenFrom::B => "; seen from B only",
        SeenFrom::Neither if !is_out_of_sight(event) => "; shows in neither trace",
        SeenFrom::Both | SeenFrom::Neither => "",
    }
}

/// An end connector behind which there is no cord: nothing of it is measured.
pub(crate) fn is_out_of_sight(event: &Event) -> bool {
    event.seen_from == SeenFrom::Neither && event.loss_a_to_b.is_err() && event.loss_b_to_a.is_err()
}

/// The number of the event at a place, or the place itself.
///
/// The echo's places are copies of the events' positions; a metre allows for
/// their rounding.
pub(crate) fn named_place(link: &Link, place_m: f64) -> String {
    link.events
        .iter()
        .filter(|event| event.kind != EventKind::Echo)
        .find(|event| (event.position.value.m() - place_m).abs() < 1.0)
        .map_or_else(
            || format!("{} m", signed(place_m, 1)),
            |event| event.number.to_string(),
        )
}
