//! The handover pack: what it holds, and one writer for each form.
//!
//! Every writer takes a [`Content`] and gives text or bytes; none opens a file.

pub mod cable_setup;
mod content;
mod judged;
pub mod logo;
pub mod manifest;
mod named;
mod names;
pub mod page;
pub mod pdf;
pub mod power;
pub mod project;
mod recompute;
pub mod setup;
pub mod site;
pub mod verify;
pub mod wording;
mod workbook;
mod write;

pub use content::{Content, Instrument, PackLink, PowerReading, ProfileOf};
pub use names::{Names, safe_stem};
pub use recompute::{provenance, recomputed};
pub use workbook::workbook;
pub use write::{CableMaking, Making, Put, RawOf, json_layout, write_pack};

impl PackError {
    /// A part that could not be put into its form.
    fn form(part: &'static str, error: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self::Form {
            part,
            source: Box::new(error),
        }
    }
}

/// An error and what caused it, outermost first, joined by colons.
pub(crate) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

/// Why a part of a pack could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PackError {
    /// The levels of a link could not be had again.
    #[error("the levels of link {stem} cannot be read again")]
    Profiles {
        /// Name of the link's files.
        stem: String,
        /// What stopped it.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The text of a report could not be made.
    #[error(transparent)]
    Report(#[from] crate::report::ReportError),
    /// A plot could not be made.
    #[error(transparent)]
    Plot(#[from] crate::plot::PlotError),
    /// A raw trace is no longer what was measured.
    #[error("{file} changed while it was measured")]
    Changed {
        /// Its name.
        file: String,
    },
    /// A file could not be read or written.
    #[error("cannot {what} {file}")]
    File {
        /// `read` or `write`.
        what: &'static str,
        /// Its name.
        file: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// A part could not be put into its form.
    #[error("{part} cannot be made")]
    Form {
        /// What was being made.
        part: &'static str,
        /// What stopped it.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}
