//! `bothends trace`: one direction by itself.

use crate::measure::{self, OneWay};
use crate::plot::{self, PlotSettings};
use crate::report::{self, TraceProvenance, json, table::TableSettings};
use crate::trace::Trace;

use super::args::{Format, TraceArgs};
use super::input::{one_trace, recipe};
use super::output::{File, print, table_settings, told, write_files};
use super::{CommandError, Outcome, PROGRAM};
use crate::pack::safe_stem;

/// Reads, measures, prints and writes.
pub(super) fn run(args: &TraceArgs) -> Result<Outcome, CommandError> {
    let recipe = recipe(args.settings.recipe.as_deref())?;
    let source = one_trace(&args.trace, &args.settings.fallback(), &recipe)?;
    let settings = args.detect.settings();
    let mut one_way = measure::measure(&source.trace, settings)
        .map_err(|error| format!("{}: {error}", source.file.file))?;
    one_way.warnings.extend(source.warnings);
    let given = source.trace.header().backscatter;
    let usual = measure::usual_backscatter(source.trace.wavelength().nm());
    let provenance = TraceProvenance {
        program: PROGRAM.to_owned(),
        file: source.file,
        backscatter: Some(given.unwrap_or(usual)),
        backscatter_is_default: given.is_none(),
        false_events_per_1000_km: Some(settings.false_events_per_1000_km),
        report_time: args.output.report_time.clone(),
    };
    let text = match args.output.format {
        Format::Table => report::table::trace(&source.trace, &one_way, &table_settings()),
        Format::Json => json::trace(&source.trace, &one_way, &provenance, json::Layout::Indented)?,
        Format::Ndjson => {
            json::trace(&source.trace, &one_way, &provenance, json::Layout::OneLine)? + "\n"
        }
        Format::Csv => report::csv::trace_events(&source.trace, &one_way, &provenance)?,
    };
    print(&text)?;
    if let Some(folder) = &args.output.out {
        let files = files(args, &source.trace, &one_way, &provenance)?;
        told(&write_files(folder, &files, args.output.force)?);
    }
    Ok(Outcome::Done)
}

/// Table, JSON, CSV and plot under the name of the trace file.
fn files(
    args: &TraceArgs,
    trace: &Trace,
    one_way: &OneWay,
    provenance: &TraceProvenance,
) -> Result<Vec<File>, CommandError> {
    let stem = args.trace.file_stem().map_or_else(
        || "trace".to_owned(),
        |stem| safe_stem(&stem.to_string_lossy()),
    );
    let plot_settings = PlotSettings {
        program: Some(PROGRAM.to_owned()),
        ..PlotSettings::default()
    };
    let svg = plot::one_way_svg(trace, one_way, &plot_settings)?;
    let png = plot::png_from_svg(&svg, plot_settings.width)?;
    let table = report::table::trace(trace, one_way, &TableSettings::default());
    let json = json::trace(trace, one_way, provenance, json::Layout::Indented)?;
    let events = report::csv::trace_events(trace, one_way, provenance)?;
    Ok(vec![
        (format!("{stem}-one-way.txt"), table.into_bytes()),
        (format!("{stem}-one-way.json"), json.into_bytes()),
        (format!("{stem}-one-way-events.csv"), events.into_bytes()),
        (format!("{stem}-one-way.svg"), svg.into_bytes()),
        (format!("{stem}-one-way.png"), png),
    ])
}
