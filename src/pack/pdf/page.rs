//! What stands on the pages, before it is written as PDF.
//!
//! Distances are points from the upper left corner of the sheet.

use std::collections::BTreeMap;

use super::typeset::{Colour, Line};

/// Text and rules.
pub(super) const INK: Colour = Colour(26, 28, 30);
/// Second-rank text.
pub(super) const SOFT: Colour = Colour(96, 100, 104);
/// Rules between rows.
pub(super) const HAIR: Colour = Colour(205, 208, 211);
/// The one colour besides black and grey.
pub(super) const ACCENT: Colour = Colour(122, 30, 74);
/// Paper.
pub(super) const PAPER: Colour = Colour(255, 255, 255);

/// An upright rectangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) width: f32,
    pub(super) height: f32,
}

/// Something drawn.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Item {
    /// A line of text; `y` is its baseline.
    Text { x: f32, y: f32, line: Line },
    /// A filled rectangle.
    Filled { area: Area, colour: Colour },
    /// The outline of a rectangle, drawn inside it.
    Framed {
        area: Area,
        width: f32,
        colour: Colour,
    },
    /// The figure of a link; drawn from SVG when the page is written.
    Figure {
        area: Area,
        link: usize,
        /// Height in the pixels that it is drawn with.
        height_px: u32,
    },
    /// A picture given by the user.
    Logo { area: Area },
}

/// A place that can be jumped to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Anchor {
    /// The page of a fibre, by its place in the content.
    Fibre(usize),
    /// A chapter, by its order.
    Chapter(usize),
}

/// A place on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    /// Counted from 0.
    pub(super) page: usize,
    pub(super) y: f32,
}

/// One page.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Page {
    pub(super) items: Vec<Item>,
    pub(super) jumps: Vec<(Area, Anchor)>,
    /// Chapter named in its head; none on the cover.
    pub(super) chapter: Option<String>,
}

/// An entry of the reader's table of contents.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bookmark {
    /// 0 is the highest.
    pub(super) level: usize,
    pub(super) text: String,
    pub(super) spot: Spot,
}

/// All pages.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Pages {
    pub(super) all: Vec<Page>,
    pub(super) bookmarks: Vec<Bookmark>,
    pub(super) anchors: BTreeMap<Anchor, Spot>,
}
