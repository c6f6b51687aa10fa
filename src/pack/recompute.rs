//! A result of a pack made again from its raw traces.

use crate::report::json::LinkReport;
use crate::report::{Provenance, SourceFile};

use super::manifest::{Manifest, ManifestLink};
use super::setup::SetupError;

/// Measures a link of a pack again from the bytes of its raw traces.
///
/// # Errors
/// [`SetupError`] when a trace cannot be read or the two are no pair.
pub fn recomputed(
    manifest: &Manifest,
    link: &ManifestLink,
    a: &[u8],
    b: &[u8],
) -> Result<LinkReport, SetupError> {
    let again = link
        .settings
        .measure((&link.a.name, a), (&link.b.name, b))?;
    let provenance = Provenance {
        judged: again.judged,
        ..provenance(manifest, link)
    };
    Ok(LinkReport::new(&again.combined.link, &provenance))
}

/// Where the numbers of a link of a pack come from.
pub fn provenance(manifest: &Manifest, link: &ManifestLink) -> Provenance {
    let source = |trace: &super::manifest::RawTrace| SourceFile {
        file: trace.name.clone(),
        sha256: trace.sha256.clone(),
    };
    Provenance {
        program: manifest.program.clone(),
        a: source(&link.a),
        b: source(&link.b),
        report_time: manifest.report_time.clone(),
        judged: None,
    }
}
