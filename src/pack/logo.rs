//! A logo made harmless: whatever comes in, a plain PNG of limited size goes out.

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{ImageHrefResolver, Options, Tree};

/// Most bytes of a logo's file.
pub const MOST_BYTES: usize = 2 << 20;

/// Most pixels of its sides: twice the size of the largest place that it is shown at.
const MOST_PX: (u32, u32) = (800, 320);

/// Most pixels of a side of a PNG that is read at all.
const MOST_READ_PX: u32 = 8_192;

/// Why a logo is not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LogoError {
    /// The file is too large.
    #[error("it has {found} bytes, and at most {MOST_BYTES} are taken")]
    TooLarge {
        /// Its size.
        found: usize,
    },
    /// The file is neither.
    #[error("it is neither a PNG nor an SVG picture")]
    Neither,
    /// The picture cannot be read.
    #[error("the picture cannot be read: {why}")]
    Unreadable {
        /// What the library says.
        why: String,
    },
}

/// Makes a PNG of at most 800 × 320 pixels from a PNG or SVG file.
///
/// The picture is drawn anew: scripts, links, embedded files and notes do not get
/// through. Text in an SVG is drawn only if it was made paths, since no font of the
/// machine is used.
///
/// # Errors
/// [`LogoError`], with what is wrong.
pub fn logo_png(bytes: &[u8]) -> Result<Vec<u8>, LogoError> {
    if bytes.len() > MOST_BYTES {
        return Err(LogoError::TooLarge { found: bytes.len() });
    }
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        from_png(bytes)
    } else if std::str::from_utf8(bytes).is_ok_and(|text| text.contains("<svg")) {
        from_svg(bytes)
    } else {
        Err(LogoError::Neither)
    }
}

fn unreadable(why: impl std::fmt::Display) -> LogoError {
    LogoError::Unreadable {
        why: why.to_string(),
    }
}

fn from_png(bytes: &[u8]) -> Result<Vec<u8>, LogoError> {
    // Width and height are the first two numbers of the first chunk (PNG, clause 11.2.2).
    let side = |at: usize| {
        bytes
            .get(at..at + 4)
            .and_then(|four| four.try_into().ok())
            .map(u32::from_be_bytes)
    };
    let (Some(width), Some(height)) = (side(16), side(20)) else {
        return Err(unreadable("it ends too early"));
    };
    if width == 0 || height == 0 || width > MOST_READ_PX || height > MOST_READ_PX {
        return Err(unreadable(format!(
            "{width} × {height} pixels; from 1 to {MOST_READ_PX} on a side are taken"
        )));
    }
    let picture = Pixmap::decode_png(bytes).map_err(unreadable)?;
    let (scale, mut small) = canvas(width as f32, height as f32)?;
    small.draw_pixmap(
        0,
        0,
        picture.as_ref(),
        &resvg::tiny_skia::PixmapPaint {
            quality: resvg::tiny_skia::FilterQuality::Bicubic,
            ..resvg::tiny_skia::PixmapPaint::default()
        },
        Transform::from_scale(scale, scale),
        None,
    );
    small.encode_png().map_err(unreadable)
}

fn from_svg(bytes: &[u8]) -> Result<Vec<u8>, LogoError> {
    let options = Options {
        // No picture from elsewhere, and none within.
        image_href_resolver: ImageHrefResolver {
            resolve_data: Box::new(|_, _, _| None),
            resolve_string: Box::new(|_, _| None),
        },
        resources_dir: None,
        ..Options::default()
    };
    let tree = Tree::from_data(bytes, &options).map_err(unreadable)?;
    let (scale, mut pixmap) = canvas(tree.size().width(), tree.size().height())?;
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut pixmap.as_mut(),
    );
    pixmap.encode_png().map_err(unreadable)
}

/// An empty picture with the sides' ratio that fits, and its scale.
fn canvas(width: f32, height: f32) -> Result<(f32, Pixmap), LogoError> {
    let scale = (MOST_PX.0 as f32 / width).min(MOST_PX.1 as f32 / height);
    let side = |px: f32, most: u32| ((px * scale).round() as u32).clamp(1, most);
    let pixmap = Pixmap::new(side(width, MOST_PX.0), side(height, MOST_PX.1))
        .ok_or_else(|| unreadable("it has no size"))?;
    Ok((scale, pixmap))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SVG: &str = "<svg xmlns='http://www.w3.org/2000/svg' width='40' height='10'>\
        <rect width='40' height='10' fill='#c00'/></svg>";

    #[test]
    fn a_drawing_becomes_a_picture_and_a_picture_is_drawn_anew() {
        let png = logo_png(SVG.as_bytes()).unwrap();
        let picture = Pixmap::decode_png(&png).unwrap();
        assert_eq!((picture.width(), picture.height()), (800, 200));
        let again = logo_png(&png).unwrap();
        assert!(again.starts_with(b"\x89PNG"));
        // What hangs behind a picture does not get through.
        let mut with_more = png;
        with_more.extend_from_slice(b"<script>alert(1)</script>");
        let clean = logo_png(&with_more).unwrap();
        assert!(!clean.windows(8).any(|part| part == b"<script>"));
    }

    #[test]
    fn scripts_and_pictures_from_elsewhere_are_left_out() {
        let hostile = SVG.replace(
            "</svg>",
            "<script>alert(1)</script><image href='/etc/passwd' width='9' height='9'/>\
             <image href='http://192.0.2.1/x.png' width='9' height='9'/></svg>",
        );
        let png = logo_png(hostile.as_bytes()).unwrap();
        assert_eq!(png, logo_png(SVG.as_bytes()).unwrap());
    }

    #[test]
    fn what_is_no_picture_is_refused() {
        assert_eq!(logo_png(b"GIF89a"), Err(LogoError::Neither));
        assert!(matches!(
            logo_png(&vec![0; MOST_BYTES + 1]),
            Err(LogoError::TooLarge { .. })
        ));
        assert!(logo_png(b"\x89PNG\r\n\x1a\n").is_err());
        let mut huge = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec();
        huge.extend_from_slice(&[0xff; 16]);
        assert!(logo_png(&huge).is_err());
        let endless = "<svg xmlns='http://www.w3.org/2000/svg' width='1e9' height='1e9'/>";
        // Drawn at the size of a logo, whatever size it says.
        assert!(logo_png(endless.as_bytes()).is_ok_and(|png| png.len() < 10_000));
    }
}
