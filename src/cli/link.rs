//! `bothends link`: the main job.

use crate::both_ways::{self, Combined};
use crate::detect::DetectSettings;
use crate::report::{self, Provenance, json};
use crate::units::Length;

use super::args::{Format, LinkArgs};
use super::input::{Source, one_trace};
use super::output::{print, table_settings, write_files};
use super::{CommandError, Outcome};

/// Name and version, as results carry it.
pub(super) const PROGRAM: &str = concat!("bothends ", env!("CARGO_PKG_VERSION"));

/// Reads, combines, prints and writes.
pub(super) fn run(args: &LinkArgs) -> Result<Outcome, CommandError> {
    let (fallback_a, fallback_b) = (args.settings.fallback(), args.settings.fallback_from_b());
    let (a, b) = rayon::join(
        || one_trace(&args.a_trace, &fallback_a),
        || one_trace(&args.b_trace, &fallback_b),
    );
    let (a, b) = (a?, b?);
    let settings = both_ways::Settings {
        detect: DetectSettings {
            false_events_per_1000_km: args.detect.false_events_per_1000_km,
        },
        known_length: args.length_m.map(Length::from_m),
        broken: args.broken,
        ..both_ways::Settings::default()
    };
    let mut combined = both_ways::combine(&a.trace, &b.trace, &settings)?;
    for source in [&a, &b] {
        combined
            .link
            .warnings
            .extend(source.warnings.iter().cloned());
    }
    let provenance = provenance(args, &a, &b);
    print(&printed(args.output.format, &combined, &provenance)?)?;
    if let Some(folder) = &args.output.out {
        write_files(folder, &[], args.output.force)?;
    }
    Ok(Outcome::Done)
}

fn provenance(args: &LinkArgs, a: &Source, b: &Source) -> Provenance {
    Provenance {
        program: PROGRAM.to_owned(),
        a: a.file.clone(),
        b: b.file.clone(),
        report_time: args.output.report_time.clone(),
        coverage_factor: None,
        limits: None,
    }
}

fn printed(
    format: Format,
    combined: &Combined,
    provenance: &Provenance,
) -> Result<String, CommandError> {
    let link = &combined.link;
    Ok(match format {
        Format::Table => report::table::link(link, &table_settings()),
        Format::Json => json::link(link, provenance, json::Layout::Indented)?,
        Format::Ndjson => json::link(link, provenance, json::Layout::OneLine)? + "\n",
        Format::Csv => report::csv::events(link)?,
    })
}
