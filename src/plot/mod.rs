//! Figures: a link or a single trace as SVG text, and SVG as PNG.
//!
//! A figure answers in this order: which joint is bad (columns at the top,
//! with the reading of each end beside the two-way loss), where it lies (thin
//! lines down to the traces), what the traces show, and what they cannot show
//! (strips of dead zones and noise). The same input gives the same bytes.

mod canvas;
mod compact;
mod figure;
mod heading;
mod heat_map;
mod joints;
mod levels;
mod link;
mod one_way;
mod phrases;
mod pixels;
mod place;
mod png;
mod splice_log;
mod text;

pub use heat_map::{HeatMap, heat_map_svg};
pub use link::{brief_link_svg, link_svg};
pub use one_way::one_way_svg;
pub use phrases::{Phrase, Phrases};
pub use png::png_from_svg;
pub use splice_log::splice_log_svg;
pub(crate) use text::{BOLD as FONT_BOLD, REGULAR as FONT_REGULAR, database as font_database};

use crate::units::Loss;
use crate::verdict::BAD_SPLICE_DB;

/// Size and wording of a figure.
#[derive(Debug, Clone, PartialEq)]
pub struct PlotSettings {
    /// Width in CSS pixels; at least [`PlotSettings::LEAST_WIDTH`].
    pub width: u32,
    /// Height in CSS pixels; at least [`PlotSettings::LEAST_HEIGHT`].
    pub height: u32,
    /// Name and version of the program, for the foot.
    pub program: Option<String>,
    /// Loss at which a reference line is drawn where no limit is given; it judges nothing.
    pub reference: Loss,
    /// The words of the figure.
    pub words: Phrases,
}

impl PlotSettings {
    /// Below this width the margins leave no room for a plot.
    pub const LEAST_WIDTH: u32 = 800;
    /// Below this height the panels are too low to read.
    pub const LEAST_HEIGHT: u32 = 700;
    /// Below this height the panels of a brief figure are too low to read.
    pub const LEAST_BRIEF_HEIGHT: u32 = 300;
    /// Above this a side is a mistake.
    pub const MOST: u32 = 16_000;
}

impl Default for PlotSettings {
    /// 1600 × 1000 pixels: a landscape page or a screen.
    fn default() -> Self {
        Self {
            width: 1600,
            height: 1000,
            program: None,
            reference: Loss::from_db(BAD_SPLICE_DB),
            words: Phrases::default(),
        }
    }
}

/// Why there is no figure.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PlotError {
    /// The size asked for is too small or too large.
    #[error("a picture of {width} × {height} pixels cannot be made; the most is {most} on a side")]
    Size {
        /// Width asked for.
        width: u32,
        /// Height asked for or resulting.
        height: u32,
        /// Most pixels on a side.
        most: u32,
    },
    /// The size asked for leaves no room for the panels.
    #[error(
        "a figure of {width} × {height} pixels is too small; the least is {least_width} × {least_height}"
    )]
    TooSmall {
        /// Width asked for.
        width: u32,
        /// Height asked for.
        height: u32,
        /// Least width.
        least_width: u32,
        /// Least height.
        least_height: u32,
    },
    /// The font that comes with the program cannot be read.
    #[error("the built-in font cannot be read")]
    Font(#[from] ttf_parser::FaceParsingError),
    /// The drawing library refused.
    #[error("the figure cannot be drawn")]
    Drawing(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// The text is not an SVG drawing.
    #[error("the drawing cannot be read as SVG")]
    Svg(#[from] resvg::usvg::Error),
    /// The picture cannot be encoded.
    #[error("the picture cannot be encoded as PNG")]
    Png(#[source] Box<dyn std::error::Error + Send + Sync>),
}

impl PlotError {
    fn drawing(error: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self::Drawing(Box::new(error))
    }
}
