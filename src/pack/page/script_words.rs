//! Words that the script of a fibre's page shows.

use serde::Serialize;

use crate::pack::wording::{Text, Wording};

/// Words that the page's script shows.
#[derive(Debug, Serialize)]
pub(super) struct Words<'w> {
    a: &'w str,
    b: &'w str,
    two: &'w str,
    scatter: &'w str,
    place_axis: &'w str,
    level_axis: &'w str,
    cursor: &'w str,
    from_a: &'w str,
    from_b: &'w str,
    to_mark: &'w str,
    falls: &'w str,
    no_cursor: &'w str,
    no_levels: &'w str,
}

impl<'w> Words<'w> {
    pub(super) fn of(wording: &'w Wording) -> Self {
        Self {
            a: wording.of(Text::TraceFromA),
            b: wording.of(Text::TraceFromB),
            two: wording.of(Text::TwoWayProfile),
            scatter: wording.of(Text::BackscatterProfile),
            place_axis: wording.of(Text::PlaceAxis),
            level_axis: wording.of(Text::LevelAxis),
            cursor: wording.of(Text::Cursor),
            from_a: wording.of(Text::FromA),
            from_b: wording.of(Text::FromB),
            to_mark: wording.of(Text::FromMark),
            falls: wording.of(Text::LevelFalls),
            no_cursor: wording.of(Text::NoCursor),
            no_levels: wording.of(Text::NoLevels),
        }
    }
}
