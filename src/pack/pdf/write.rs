//! Pages written as PDF/A-2b.

use std::sync::Arc;

use krilla::annotation::{Annotation, LinkAnnotation, Target};
use krilla::color::rgb;
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::destination::{Destination, XyzDestination};
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::Fill;
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};
use krilla_svg::{SurfaceExt, SvgSettings};
use rayon::prelude::*;
use resvg::usvg::{Options, Tree, fontdb};

use super::PdfError;
use super::page::{Area, Bookmark, Item, Page, Pages, Spot};
use super::typeset::{Colour, Line, Weight};
use crate::plot::{FONT_BOLD, FONT_REGULAR};

/// Pages whose figures are prepared at once: enough for all cores, few in memory.
const AT_ONCE: usize = 16;

/// What is written besides the pages.
pub(super) struct Frame<'a> {
    /// Sheet in points.
    pub(super) size: (f32, f32),
    pub(super) title: String,
    pub(super) subject: String,
    pub(super) author: Option<String>,
    pub(super) creator: String,
    pub(super) language: String,
    /// Time to state as the document's, as the user gave it.
    pub(super) time: Option<&'a str>,
    /// Logo as PNG.
    pub(super) logo: Option<&'a [u8]>,
}

/// Gives the figure of a link as SVG, so many pixels high; all its characters are in
/// the program's faces.
pub(super) type FigureOf<'a> = dyn Fn(usize, u32) -> Result<String, PdfError> + Sync + 'a;

/// Writes the pages.
///
/// # Errors
/// [`PdfError`] if a figure cannot be made or the document breaks a rule of PDF/A-2b.
pub(super) fn written(
    pages: &Pages,
    frame: &Frame<'_>,
    figure_of: &FigureOf<'_>,
) -> Result<Vec<u8>, PdfError> {
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_B)
        .finish()
        .map_err(|error| PdfError::Library(format!("{error:?}")))?;
    let mut document = Document::new_with(SerializeSettings {
        configuration,
        enable_tagging: false,
        ..SerializeSettings::default()
    });
    let tools = Tools::new(frame)?;
    for some in pages.all.chunks(AT_ONCE) {
        let figures = tools.figures(some, figure_of)?;
        let mut figures = figures.into_iter();
        for page in some {
            tools.page(&mut document, page, pages, frame, &mut figures)?;
        }
    }
    document.set_outline(outline(&pages.bookmarks, pages.all.len()));
    document.set_metadata(metadata(frame));
    document.finish().map_err(|error| {
        PdfError::Library(match error {
            krilla::error::KrillaError::Validation(errors) => format!("{errors:?}"),
            other => other.to_string(),
        })
    })
}

/// What every page needs.
struct Tools {
    regular: Font,
    bold: Font,
    logo: Option<Image>,
    fonts: Arc<fontdb::Database>,
}

impl Tools {
    fn new(frame: &Frame<'_>) -> Result<Self, PdfError> {
        let font = |data: &'static [u8]| {
            Font::new(data.into(), 0)
                .ok_or_else(|| PdfError::Library("the built-in face is refused".to_owned()))
        };
        let logo = frame
            .logo
            .map(|png| Image::from_png(png.to_vec().into(), false).map_err(PdfError::Logo))
            .transpose()?;
        Ok(Self {
            regular: font(FONT_REGULAR)?,
            bold: font(FONT_BOLD)?,
            logo,
            fonts: Arc::new(crate::plot::font_database()),
        })
    }

    /// The figures of some pages in the order in which they are drawn.
    fn figures(&self, pages: &[Page], figure_of: &FigureOf<'_>) -> Result<Vec<Tree>, PdfError> {
        let links: Vec<(usize, u32)> = pages
            .iter()
            .flat_map(|page| &page.items)
            .filter_map(|item| match item {
                Item::Figure {
                    link, height_px, ..
                } => Some((*link, *height_px)),
                _ => None,
            })
            .collect();
        links
            .into_par_iter()
            .map(|(link, height_px)| {
                let svg = figure_of(link, height_px)?;
                let options = Options {
                    fontdb: Arc::clone(&self.fonts),
                    font_family: "DejaVu Sans".to_owned(),
                    ..Options::default()
                };
                Ok(Tree::from_str(&svg, &options).map_err(crate::plot::PlotError::from)?)
            })
            .collect()
    }

    fn page(
        &self,
        document: &mut Document,
        page: &Page,
        pages: &Pages,
        frame: &Frame<'_>,
        figures: &mut impl Iterator<Item = Tree>,
    ) -> Result<(), PdfError> {
        let settings = PageSettings::from_wh(frame.size.0, frame.size.1)
            .ok_or_else(|| PdfError::Library("the sheet has no size".to_owned()))?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        for item in &page.items {
            match item {
                Item::Text { x, y, line } => self.text(&mut surface, *x, *y, line),
                Item::Filled { area, colour } => fill(&mut surface, *area, *colour),
                Item::Framed {
                    area,
                    width,
                    colour,
                } => outline_of(*area, *width)
                    .into_iter()
                    .for_each(|side| fill(&mut surface, side, *colour)),
                Item::Figure { area, .. } => {
                    if let Some(tree) = figures.next() {
                        draw_figure(&mut surface, &tree, *area);
                    }
                }
                Item::Logo { area } => self.logo(&mut surface, *area),
            }
        }
        surface.finish();
        for (area, anchor) in &page.jumps {
            let spot = pages.anchors.get(anchor);
            let Some((spot, rect)) = spot.zip(rectangle(*area)) else {
                continue;
            };
            let target = Target::Destination(Destination::Xyz(destination(*spot)));
            sheet.add_annotation(Annotation::new_link(
                LinkAnnotation::new(rect, target),
                None,
            ));
        }
        sheet.finish();
        Ok(())
    }

    fn text(&self, surface: &mut Surface<'_>, x: f32, y: f32, line: &Line) {
        if line.glyphs.is_empty() {
            return;
        }
        let font = match line.style.weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        };
        let glyphs: Vec<KrillaGlyph> = line
            .glyphs
            .iter()
            .map(|glyph| {
                KrillaGlyph::new(
                    GlyphId::new(u32::from(glyph.id)),
                    glyph.advance,
                    glyph.offset.0,
                    glyph.offset.1,
                    0.0,
                    glyph.text.start as usize..glyph.text.end as usize,
                    None,
                )
            })
            .collect();
        surface.set_stroke(None);
        surface.set_fill(Some(paint(line.style.ink)));
        surface.draw_glyphs(
            Point::from_xy(x, y),
            &glyphs,
            font.clone(),
            &line.text,
            line.style.size,
            false,
        );
    }

    /// The logo as large as the area allows, at its right upper corner.
    fn logo(&self, surface: &mut Surface<'_>, area: Area) {
        let Some(image) = &self.logo else { return };
        let (wide, high) = image.size();
        let scale = (area.width / wide as f32).min(area.height / high as f32);
        let size = Size::from_wh(wide as f32 * scale, high as f32 * scale);
        let Some(size) = size else { return };
        let x = area.x + area.width - size.width();
        surface.push_transform(&Transform::from_translate(x, area.y));
        surface.draw_image(image.clone(), size);
        surface.pop();
    }
}

fn draw_figure(surface: &mut Surface<'_>, tree: &Tree, area: Area) {
    let Some(size) = Size::from_wh(area.width, area.height) else {
        return;
    };
    surface.push_transform(&Transform::from_translate(area.x, area.y));
    // It gives `None` for nothing that could be put right here.
    let _drawn = surface.draw_svg(tree, size, SvgSettings::default());
    surface.pop();
}

fn fill(surface: &mut Surface<'_>, area: Area, colour: Colour) {
    let Some(rect) = rectangle(area) else { return };
    let mut builder = PathBuilder::new();
    builder.push_rect(rect);
    if let Some(path) = builder.finish() {
        surface.set_stroke(None);
        surface.set_fill(Some(paint(colour)));
        surface.draw_path(&path);
    }
}

/// Four filled strips in place of a stroke, so that nothing leaves the area.
fn outline_of(area: Area, width: f32) -> [Area; 4] {
    let Area {
        x,
        y,
        width: wide,
        height: high,
    } = area;
    [
        (x, y, wide, width),
        (x, y + high - width, wide, width),
        (x, y, width, high),
        (x + wide - width, y, width, high),
    ]
    .map(|(x, y, width, height)| Area {
        x,
        y,
        width,
        height,
    })
}

fn rectangle(area: Area) -> Option<Rect> {
    Rect::from_xywh(area.x, area.y, area.width, area.height)
}

fn paint(colour: Colour) -> Fill {
    Fill {
        paint: rgb::Color::new(colour.0, colour.1, colour.2).into(),
        opacity: NormalizedF32::ONE,
        ..Fill::default()
    }
}

fn destination(spot: Spot) -> XyzDestination {
    XyzDestination::new(spot.page, Point::from_xy(0.0, spot.y))
}

/// Bookmarks as a tree; one that points behind the last page is left out, because
/// the library would panic on it.
fn outline(bookmarks: &[Bookmark], pages: usize) -> Outline {
    let mut outline = Outline::new();
    let inside: Vec<&Bookmark> = bookmarks
        .iter()
        .filter(|bookmark| bookmark.spot.page < pages)
        .collect();
    for node in nodes(&inside, 0) {
        outline.push_child(node);
    }
    outline
}

fn nodes(bookmarks: &[&Bookmark], level: usize) -> Vec<OutlineNode> {
    let mut found = Vec::new();
    let mut rest = bookmarks;
    while let Some((first, after)) = rest.split_first() {
        let below = after
            .iter()
            .take_while(|bookmark| bookmark.level > level)
            .count();
        let (children, next) = after.split_at(below);
        let mut node = OutlineNode::new(first.text.clone(), destination(first.spot));
        for child in nodes(children, level + 1) {
            node.push_child(child);
        }
        found.push(node);
        rest = next;
    }
    found
}

fn metadata(frame: &Frame<'_>) -> Metadata {
    let date = frame
        .time
        .and_then(super::time::document_time)
        .unwrap_or_else(super::time::no_time);
    Metadata::new()
        .title(frame.title.clone())
        .description(frame.subject.clone())
        .creator(frame.creator.clone())
        .producer(frame.creator.clone())
        .authors(frame.author.iter().cloned().collect())
        .language(frame.language.clone())
        .creation_date(date)
}
