//! `bothends link`: the main job.

use crate::both_ways::{self, Combined};
use crate::plot::{self, PlotSettings};
use crate::report::{self, Provenance, json, table::TableSettings};
use crate::units::Length;

use super::args::{Format, LinkArgs};
use super::input::{Source, known_joints, one_trace, recipe};
use super::output::{File, print, table_settings, told, write_files};
use super::{CommandError, Outcome, PROGRAM};
use crate::pack::safe_stem;

/// Reads, combines, prints and writes.
pub(super) fn run(args: &LinkArgs) -> Result<Outcome, CommandError> {
    let known_joints = match &args.joints {
        Some(path) => known_joints(path)?,
        None => Vec::new(),
    };
    let recipe = recipe(args.settings.recipe.as_deref())?;
    let (fallback_a, fallback_b) = (args.settings.fallback(), args.settings.fallback_from_b());
    let (a, b) = rayon::join(
        || one_trace(&args.a_trace, &fallback_a, &recipe),
        || one_trace(&args.b_trace, &fallback_b, &recipe),
    );
    let (a, b) = (a?, b?);
    refuse_swapped(&a, &b)?;
    let settings = both_ways::Settings {
        detect: args.detect.settings(),
        known_length: args.length_m.map(Length::from_m),
        broken: args.broken,
        known_joints,
        accept_pairing: args.accept_pairing,
    };
    let mut combined = both_ways::combine(&a.trace, &b.trace, &settings)?;
    for source in [&a, &b] {
        combined
            .link
            .warnings
            .extend(source.warnings.iter().cloned());
    }
    let provenance = Provenance {
        program: PROGRAM.to_owned(),
        a: a.file.clone(),
        b: b.file.clone(),
        report_time: args.output.report_time.clone(),
        coverage_factor: None,
        limits: None,
    };
    print(&printed(args.output.format, &combined, &provenance)?)?;
    if let Some(folder) = &args.output.out {
        let stem = stem(&combined, args);
        let files = files(&stem, &combined, &provenance)?;
        told(&write_files(folder, &files, args.output.force)?);
    }
    Ok(Outcome::of(
        combined.link.verdict,
        provenance.limits.is_some(),
    ))
}

/// Refuses files that are themselves named A and B, given in the other order.
fn refuse_swapped(a: &Source, b: &Source) -> Result<(), CommandError> {
    let is_from = |source: &Source, end: &str| {
        let from = source.trace.header().from.as_deref();
        from.is_some_and(|from| from.trim().eq_ignore_ascii_case(end))
    };
    if is_from(a, "B") && is_from(b, "A") {
        return Err(format!(
            "{} says that it was taken from end B and {} from end A: give the trace from A first",
            a.file.file, b.file.file
        )
        .into());
    }
    Ok(())
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

/// Table, JSON, CSV and plot of a link under one name.
fn files(
    stem: &str,
    combined: &Combined,
    provenance: &Provenance,
) -> Result<Vec<File>, CommandError> {
    let link = &combined.link;
    let plot_settings = PlotSettings {
        program: Some(PROGRAM.to_owned()),
        ..PlotSettings::default()
    };
    let svg = plot::link_svg(link, &combined.profiles, &plot_settings)?;
    let png = plot::png_from_svg(&svg, plot_settings.width)?;
    let table = report::table::link(link, &TableSettings::default());
    let json = json::link(link, provenance, json::Layout::Indented)?;
    Ok(vec![
        (format!("{stem}.txt"), table.into_bytes()),
        (format!("{stem}.json"), json.into_bytes()),
        (
            format!("{stem}-events.csv"),
            report::csv::events(link)?.into_bytes(),
        ),
        (
            format!("{stem}-sections.csv"),
            report::csv::sections(link)?.into_bytes(),
        ),
        (format!("{stem}.svg"), svg.into_bytes()),
        (format!("{stem}.png"), png),
    ])
}

/// Cable, fibre and wavelength, or the name of A's file where the headers name nothing.
fn stem(combined: &Combined, args: &LinkArgs) -> String {
    let link = &combined.link;
    let name = match (&link.cable, &link.fibre) {
        (None, None) => args
            .a_trace
            .file_stem()
            .map_or_else(|| "link".into(), |stem| stem.to_string_lossy()),
        (cable, fibre) => [cable, fibre]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect::<Vec<_>>()
            .join("-")
            .into(),
    };
    safe_stem(&format!("{name}-{}", link.wavelength.nm()))
}
