//! The figure of a link measured from both ends.

mod panels;
mod words;

use self::panels::{Heights, levels};
use self::words::{column, heading};
use super::figure::{FibreAxis, X_TICKS_PX, sheet};
use super::heading::{FOOT_PX, HEADING_PX};
use super::joints::{Column, Columns, Wording};
use super::levels::{STRIP_MARGIN_PX, STRIP_PX};
use super::phrases::Phrase;
use super::text::Fonts;
use super::{PlotError, PlotSettings};
use crate::both_ways::{Link, Profiles};
use crate::report::findings::{Noteworthy, noteworthy};
use crate::units::Length;

/// Height of the backscatter panel with its axis, as a share of the sheet.
const BACKSCATTER_SHARE: f64 = 0.115;
/// Height of the columns, as a share of what the heading leaves.
const COLUMNS_SHARE: f64 = 0.49;
/// Space for the ticks and name of the fibre's axis.
const AXIS_PX: f64 = 46.0;

/// Draws a link: columns of losses, traces, backscatter profile.
///
/// `profiles` holds both traces on A's axis, as the measurement left them.
///
/// # Errors
/// [`PlotError::Size`] or [`PlotError::TooSmall`] for a size that cannot be;
/// [`PlotError::Drawing`] if the drawing library refuses.
pub fn link_svg(
    link: &Link,
    profiles: &Profiles,
    settings: &PlotSettings,
) -> Result<String, PlotError> {
    let fonts = Fonts::new()?;
    let found = noteworthy(link);
    sheet(settings, PlotSettings::LEAST_HEIGHT, |canvas| {
        let (width, height) = (f64::from(settings.width), f64::from(settings.height));
        let extent = Extent::of(link, profiles);
        let axis = extent.axis(link, width);
        heading(link, &found, &axis, settings).draw(canvas, &fonts, width, height)?;
        let columns = columns_of(link, &found, &axis, settings);
        let columns_bottom = HEADING_PX + COLUMNS_SHARE * (height - HEADING_PX);
        Columns::new(&columns, &axis, &fonts).draw(
            canvas,
            &fonts,
            &axis,
            (HEADING_PX, columns_bottom),
            Wording {
                axis: [Phrase::LossAxis, Phrase::LossAxisShort].map(|name| canvas.words.of(name)),
                values: canvas.words.of(Phrase::TwoWayValues),
                is_two_way: true,
                is_brief: false,
            },
            settings.reference.db(),
        )?;

        let lowest = height - FOOT_PX - AXIS_PX;
        let backscatter_top = lowest - BACKSCATTER_SHARE * height;
        let strips_top = backscatter_top - 3.0 * STRIP_PX - 2.0 * STRIP_MARGIN_PX;
        levels(
            canvas,
            &fonts,
            &axis,
            &extent,
            link,
            profiles,
            &columns,
            &Heights {
                traces: (columns_bottom, strips_top),
                strips_top,
                backscatter: Some((backscatter_top, lowest)),
                lowest,
            },
        )
    })
}

/// Height that the brief figure has besides the columns and the traces: strips and axis.
const BRIEF_FOOT_PX: f64 = 3.0 * STRIP_PX + 2.0 * STRIP_MARGIN_PX + X_TICKS_PX;
/// Share of the columns in a brief figure's remaining height.
const BRIEF_COLUMNS_SHARE: f64 = 0.64;

/// Draws a link for a page that holds its names, settings and joints in words and
/// tables of its own: columns of losses and both traces, no heading, no foot, no
/// backscatter profile.
///
/// # Errors
/// As [`link_svg`], but a brief figure may be as low as
/// [`PlotSettings::LEAST_BRIEF_HEIGHT`].
pub fn brief_link_svg(
    link: &Link,
    profiles: &Profiles,
    settings: &PlotSettings,
) -> Result<String, PlotError> {
    let fonts = Fonts::new()?;
    let found = noteworthy(link);
    sheet(settings, PlotSettings::LEAST_BRIEF_HEIGHT, |canvas| {
        let (width, height) = (f64::from(settings.width), f64::from(settings.height));
        let extent = Extent::of(link, profiles);
        let axis = extent.axis(link, width);
        let columns = columns_of(link, &found, &axis, settings);
        let columns_bottom = BRIEF_COLUMNS_SHARE * (height - BRIEF_FOOT_PX);
        Columns::new(&columns, &axis, &fonts).draw(
            canvas,
            &fonts,
            &axis,
            (0.0, columns_bottom),
            Wording {
                axis: [canvas.words.of(Phrase::LossAxisShort), "dB"],
                values: canvas.words.of(Phrase::TwoWayValues),
                is_two_way: true,
                is_brief: true,
            },
            settings.reference.db(),
        )?;
        let strips_top = height - BRIEF_FOOT_PX;
        levels(
            canvas,
            &fonts,
            &axis,
            &extent,
            link,
            profiles,
            &columns,
            &Heights {
                traces: (columns_bottom, strips_top),
                strips_top,
                backscatter: None,
                lowest: height - X_TICKS_PX,
            },
        )
    })
}

/// A column for each event.
fn columns_of(
    link: &Link,
    found: &[Noteworthy<'_>],
    axis: &FibreAxis,
    settings: &PlotSettings,
) -> Vec<Column> {
    let of = |event| column(event, found, axis, settings);
    link.events.iter().map(of).collect()
}

/// What the fibre's axis must hold.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Extent {
    from_m: f64,
    to_m: f64,
    /// From the launch cord's beginning to the tail cord's end, in metres.
    fibre: (f64, f64),
    length_m: Option<f64>,
}

impl Extent {
    /// The axis on a sheet of that width, with room for the columns.
    fn axis(&self, link: &Link, width: f64) -> FibreAxis {
        FibreAxis::new(self.from_m, self.to_m, width).with_room_for(link.events.len())
    }

    fn of(link: &Link, profiles: &Profiles) -> Self {
        let has_level = |index: usize| {
            profiles
                .level_a_db
                .get(index)
                .is_some_and(|db| db.is_finite())
                || profiles
                    .level_b_db
                    .get(index)
                    .is_some_and(|db| db.is_finite())
        };
        let mut seen = profiles
            .position_m
            .iter()
            .enumerate()
            .filter(|&(index, x)| has_level(index) && x.is_finite())
            .map(|(_, &x)| x);
        let first_m = seen.next();
        let last_m = seen.next_back().or(first_m);
        let length_m = link
            .length
            .as_ref()
            .ok()
            .map(|length| length.value.m())
            .filter(|length_m| length_m.is_finite() && *length_m > 0.0);
        let last_event_m = link
            .events
            .iter()
            .filter(|event| event.position_from_b.is_none())
            .map(|event| event.position.value.m())
            .filter(|place_m| place_m.is_finite())
            .fold(0.0, f64::max);
        let span_m = length_m
            .or(last_m)
            .unwrap_or(last_event_m)
            .max(last_event_m);
        let margin_m = 0.01 * span_m;
        let cord = |cord: Option<Length>, other: Option<Length>, seen_m: f64| {
            cord.or(other).map_or(seen_m.min(0.04 * span_m), Length::m)
        };
        let (a, b) = (&link.a.header, &link.b.header);
        let before_m = cord(a.launch_cord, b.tail_cord, -first_m.unwrap_or(0.0));
        let after_m = cord(
            a.tail_cord,
            b.launch_cord,
            last_m.unwrap_or(span_m) - span_m,
        );
        Self {
            from_m: -before_m.max(0.0) - margin_m,
            to_m: span_m + after_m.max(0.0) + margin_m,
            fibre: (-before_m.max(0.0), span_m + after_m.max(0.0)),
            length_m,
        }
    }
}
