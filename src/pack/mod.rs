//! The handover pack: what it holds, and one writer for each form.
//!
//! Every writer takes a [`Content`] and gives text or bytes; none opens a file.

mod content;
pub mod project;
pub mod wording;

pub use content::{Content, Instrument, PackLink, PowerReading, ProfileOf};

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
    /// A part could not be put into its form.
    #[error("{part} cannot be made")]
    Form {
        /// What was being made.
        part: &'static str,
        /// What stopped it.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}
