//! The pack as one PDF document: PDF/A-2b, on A4 or US Letter.
//!
//! Chapters are written as blocks (`cover`, `summary`, `fibre`, …) that flow down
//! pages (`flow`, `table`); the pages are plain data (`page`), which a library then
//! writes as PDF (`write`). Text is shaped and broken into lines by a library
//! (`typeset`). Figures are drawn only when their page is written, a few pages at a
//! time, so that a cable of any size takes the memory of a few figures.

mod cover;
mod exceptions;
mod fibre;
mod flow;
mod heat;
mod matrix;
mod page;
mod redo;
mod settings;
mod summary;
mod table;
mod time;
mod typeset;
mod words;
mod write;

use std::collections::BTreeSet;

use self::flow::{Flow, Running};
use self::write::Frame;
use super::wording::Text;
use super::{Content, PackError};
use crate::plot::{PlotError, PlotSettings, brief_link_svg};
use crate::report::{plain_text, shortened};
use crate::warning::Warning;

/// Size of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm × 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in × 11 in (ANSI/ASME Y14.1).
    UsLetter,
}

impl Paper {
    /// Width and height in points of 1/72 inch.
    fn points(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::UsLetter => (612.0, 792.0),
        }
    }
}

/// A finished document.
#[derive(Debug, Clone, PartialEq)]
pub struct Pdf {
    /// The file.
    pub bytes: Vec<u8>,
    /// Number of its pages.
    pub pages: usize,
    /// Characters that the built-in font lacks; `□` stands in their place.
    pub missing: BTreeSet<char>,
}

impl Pdf {
    /// What to tell the user where characters could not be drawn.
    pub fn warning(&self) -> Option<Warning> {
        (!self.missing.is_empty()).then(|| {
            let message = format!(
                "the PDF shows □ in place of {} characters that its font lacks: {}; the other \
                 parts of the pack have them",
                self.missing.len(),
                words::characters(&self.missing)
            );
            Warning::new("characters not drawn", message)
        })
    }
}

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
pub(super) enum PdfError {
    /// The font that comes with the program cannot be read.
    #[error("the built-in font cannot be read")]
    Font(#[from] ttf_parser::FaceParsingError),
    /// The logo is no picture.
    #[error("the logo cannot be read: {0}")]
    Logo(String),
    /// A figure could not be drawn.
    #[error(transparent)]
    Plot(#[from] PlotError),
    /// A link's levels could not be had again.
    #[error(transparent)]
    Pack(#[from] Box<PackError>),
    /// The library refused the document.
    #[error("the document cannot be written: {0}")]
    Library(String),
}

impl From<PdfError> for PackError {
    fn from(error: PdfError) -> Self {
        match error {
            PdfError::Plot(error) => Self::Plot(error),
            PdfError::Pack(error) => *error,
            other => Self::Form {
                part: "the PDF",
                source: Box::new(other),
            },
        }
    }
}

/// Width of a figure in the pixels that it is drawn with: at the width of the text
/// its smallest letters are 5.9 points high.
const FIGURE_PX: u32 = 1000;

/// Most characters of the title and other texts about the document.
const MOST_IN_METADATA: usize = 500;

/// Writes the pack as one document.
///
/// Chapters: cover; settings, limits and cautions; summary with heat map;
/// exceptions; joints to do again with a sheet for each visit; every joint in
/// numbers; a page for each fibre. The same content gives the same bytes.
///
/// # Errors
/// [`PackError::Profiles`] and [`PackError::Plot`] where a figure cannot be made;
/// [`PackError::Form`] if the document cannot be written or breaks a rule of PDF/A-2b.
///
/// # Source
/// ISO 19005-2:2011 (PDF/A-2), level B, as checked by the library that writes it.
pub fn pdf(content: &Content<'_>, paper: Paper) -> Result<Pdf, PackError> {
    let (pages, typesetter) = laid_out(content, paper)?;
    let title = words::title(content);
    let short = |text: &str| shortened(&plain_text(text), MOST_IN_METADATA);
    let frame = Frame {
        size: paper.points(),
        title: short(&title),
        subject: short(content.wording.of(Text::PackTitle)),
        author: content.project.contractor.name.as_deref().map(short),
        creator: content.program.to_owned(),
        language: content.wording.language.clone(),
        time: content.report_time,
        logo: content.project.logo_png.as_deref(),
    };
    let lacks = typeset::Lacks::new()?;
    let settings = PlotSettings {
        width: FIGURE_PX,
        words: content.wording.figures().clone(),
        ..PlotSettings::default()
    };
    let figure_of = |index: usize, height: u32| {
        let entry = content
            .links
            .get(index)
            .ok_or_else(|| PdfError::Library(format!("there is no link {index}")))?;
        let profiles = (content.profiles)(index).map_err(Box::new)?;
        let settings = PlotSettings {
            height,
            ..settings.clone()
        };
        let svg = brief_link_svg(&entry.link, &profiles, &settings)?;
        Ok(lacks.replaced(&svg))
    };
    let bytes = write::written(&pages, &frame, &figure_of)?;
    Ok(Pdf {
        bytes,
        pages: pages.all.len(),
        missing: typesetter.missing().clone(),
    })
}

/// All chapters on their pages, and the typesetter that knows what it could not draw.
fn laid_out(
    content: &Content<'_>,
    paper: Paper,
) -> Result<(page::Pages, typeset::Typesetter), PdfError> {
    let fibres = words::fibres(content);
    let mut flow = Flow::new(paper)?;
    cover::lay(&mut flow, content);
    settings::lay(&mut flow, content);
    summary::lay(&mut flow, content, &fibres);
    exceptions::lay(&mut flow, content, &fibres);
    redo::lay(&mut flow, content, &fibres);
    matrix::lay(&mut flow, content, &fibres);
    fibre::lay(&mut flow, content, &fibres);
    words::missing_note(&mut flow, content);
    let running = Running {
        subject: words::title(content),
        origin: words::origin(content),
        number: content.wording.of(Text::PageNumber).to_owned(),
    };
    Ok(flow.finished(&running))
}
