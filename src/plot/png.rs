//! A drawing as pixels.

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};

use super::PlotError;
use super::text::database;

/// Most pixels of a picture on one side: 16,384 × 16,384 × 4 bytes is 1 GiB.
const MOST_PIXELS: u32 = 16_384;

/// Renders an SVG text as a PNG file of `width` pixels, on white.
///
/// Only the fonts that come with the program are used, so the bytes do not
/// depend on the machine.
///
/// # Errors
/// [`PlotError::Svg`] if `svg` cannot be read, [`PlotError::Size`] if the
/// picture would be empty or too large, [`PlotError::Png`] if it cannot be encoded.
pub fn png_from_svg(svg: &str, width: u32) -> Result<Vec<u8>, PlotError> {
    let options = Options {
        fontdb: std::sync::Arc::new(database()),
        font_family: "DejaVu Sans".to_owned(),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options)?;
    let scale = width as f32 / tree.size().width();
    let height = rounded(tree.size().height() * scale);
    let too_large = width > MOST_PIXELS || height > MOST_PIXELS;
    let pixmap = (!too_large).then(|| Pixmap::new(width, height)).flatten();
    let mut pixmap = pixmap.ok_or(PlotError::Size {
        width,
        height,
        most: MOST_PIXELS,
    })?;
    pixmap.fill(resvg::tiny_skia::Color::WHITE);
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut pixmap.as_mut(),
    );
    pixmap
        .encode_png()
        .map_err(|error| PlotError::Png(Box::new(error)))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a float beyond the range becomes the nearest limit, which is refused"
)]
fn rounded(px: f32) -> u32 {
    px.round() as u32
}
