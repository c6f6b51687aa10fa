//! `bothends link`: the main job.

use std::path::{Path, PathBuf};

use crate::both_ways::{self, Combined};
use crate::pack::setup::{GivenSettings, LinkSetup, NamedPlace};
use crate::pack::{PackLink, safe_stem};
use crate::report::{self, Provenance, json};
use crate::units::Length;
use crate::verdict::judge;

use super::args::{Format, LinkArgs};
use super::input::{Source, known_joints, one_trace, recipe, recipe_text};
use super::output::{print, table_settings};
use super::pack_args::{PackInputs, PackResults};
use super::{CommandError, Outcome, PROGRAM};

/// Reads, combines, prints and writes.
pub(super) fn run(args: &LinkArgs) -> Result<Outcome, CommandError> {
    let limits = args.limits.limits()?;
    let known_joints = match &args.joints {
        Some(path) => known_joints(path)?,
        None => Vec::new(),
    };
    let inputs = args.pack.read()?;
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
    let judged = limits.map(|limits| judge(&mut combined.link, &limits, args.limits.coverage));
    let provenance = Provenance {
        program: PROGRAM.to_owned(),
        a: a.file.clone(),
        b: b.file.clone(),
        report_time: args.output.report_time.clone(),
        judged,
    };
    print(&printed(args.output.format, &combined, &provenance)?)?;
    let outcome = Outcome::of(combined.link.verdict, provenance.judged.is_some());
    if let Some(folder) = &args.output.out {
        pack(args, folder, &inputs, &settings, &combined, provenance)?;
    }
    Ok(outcome)
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
        Format::Table => report::table::link(link, provenance.judged.as_ref(), &table_settings()),
        Format::Json => json::link(link, provenance, json::Layout::Indented)?,
        Format::Ndjson => json::link(link, provenance, json::Layout::OneLine)? + "\n",
        Format::Csv => report::csv::events(link)?,
    })
}

/// Writes the pack of one link.
fn pack(
    args: &LinkArgs,
    folder: &Path,
    inputs: &PackInputs,
    settings: &both_ways::Settings,
    combined: &Combined,
    provenance: Provenance,
) -> Result<(), CommandError> {
    let setup = LinkSetup {
        a: GivenSettings::from(&args.settings.fallback()),
        b: GivenSettings::from(&args.settings.fallback_from_b()),
        recipe: recipe_text(args.settings.recipe.as_deref())?,
        false_events_per_1000_km: args.detect.settings().false_events_per_1000_km,
        length_m: args.length_m,
        broken: args.broken,
        joints: settings.known_joints.iter().map(NamedPlace::from).collect(),
        accept_pairing: args.accept_pairing,
        limits: provenance.judged.as_ref().map(|j| j.limits.to_toml()),
        coverage: provenance.judged.as_ref().map(|j| j.coverage),
    };
    let link = &combined.link;
    let judged = provenance.judged.clone();
    let entry = PackLink {
        stem: safe_stem(&format!(
            "{}-{}",
            name(combined, args),
            link.wavelength.nm()
        )),
        page: safe_stem(&name(combined, args)),
        link: link.clone(),
        provenance,
        power: Vec::new(),
    };
    inputs.write(
        folder,
        args.output.force,
        args.output.report_time.as_deref(),
        PackResults {
            links: vec![entry],
            setups: vec![setup],
            cable: None,
            limits: judged
                .as_ref()
                .map(|judged| (&judged.limits, judged.coverage)),
            warnings: &[],
            profiles: &|_| Ok(combined.profiles.clone()),
            others: Vec::new(),
            path_of: &|name| PathBuf::from(name),
        },
    )
}

/// Cable and fibre, or the name of A's file where the headers name nothing.
fn name(combined: &Combined, args: &LinkArgs) -> String {
    let link = &combined.link;
    match (&link.cable, &link.fibre) {
        (None, None) => args
            .a_trace
            .file_stem()
            .map_or_else(|| "link".into(), |stem| stem.to_string_lossy())
            .into_owned(),
        (cable, fibre) => [cable, fibre]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect::<Vec<_>>()
            .join("-"),
    }
}
