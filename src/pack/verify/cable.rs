//! A cable of a pack measured again from its raw traces.

use std::collections::BTreeMap;

use rayon::prelude::*;
use serde_json::Value;

use super::compare::{differing, taken_apart};
use super::{Difference, PackFiles, raw_bytes};
use crate::cable::{CableFile, Silent};
use crate::pack::chain;
use crate::pack::manifest::{Manifest, ManifestCable};
use crate::report::json::CableReport;

/// Measures the cable again and compares it as a whole and link by link.
pub(super) fn check_cable(
    files: &dyn PackFiles,
    manifest: &Manifest,
    cable: &ManifestCable,
) -> Vec<Difference> {
    let at = |file: &str, message: String| Difference {
        file: file.to_owned(),
        message,
    };
    // Every raw trace first: what is not the one that was measured ends it.
    let wrong: Vec<Difference> = cable
        .files
        .par_iter()
        .filter_map(|trace| {
            let why = raw_bytes(files, manifest.raw_traces, trace).err()?;
            Some(at(trace.file.as_ref().unwrap_or(&trace.name), why))
        })
        .collect();
    if !wrong.is_empty() {
        return wrong;
    }
    let found: Vec<CableFile> = cable
        .files
        .iter()
        .filter_map(|trace| {
            Some(CableFile {
                path: files.path(trace)?,
                name: trace.name.clone(),
            })
        })
        .collect();
    let mut result = match cable.settings.measure(&found, &Silent, None) {
        Ok(result) => result,
        Err(error) => {
            return vec![at(
                &cable.result,
                format!("cannot be measured again: {}", chain(&error)),
            )];
        }
    };
    // The fingerprint of a trace is that of its bytes before they were packed.
    let hashes: BTreeMap<&str, &str> = cable
        .files
        .iter()
        .map(|trace| (trace.name.as_str(), trace.sha256.as_str()))
        .collect();
    for source in result
        .links
        .iter_mut()
        .flat_map(|link| [&mut link.a, &mut link.b])
    {
        if let Some(&hash) = hashes.get(source.file.as_str()) {
            hash.clone_into(&mut source.sha256);
        }
    }
    let report = CableReport::new(&result, &manifest.program, manifest.report_time.as_deref());
    let again = match taken_apart(&report) {
        Ok(value) => value,
        Err(why) => return vec![at(&cable.result, why)],
    };
    let none = Vec::new();
    let links = again
        .get("links")
        .and_then(Value::as_array)
        .unwrap_or(&none);
    let mut differences = Vec::new();
    if links.len() != cable.link_results.len() {
        differences.push(at(
            &cable.result,
            format!(
                "the pack has {} links; the raw traces give {}",
                cable.link_results.len(),
                links.len()
            ),
        ));
    }
    let pairs =
        std::iter::once((&cable.result, &again)).chain(cable.link_results.iter().zip(links));
    for (file, again) in pairs {
        match files.bytes(file) {
            Err(why) => differences.push(at(file, format!("cannot be read: {why}"))),
            Ok(stored) => differences.extend(
                differing(&stored, again)
                    .into_iter()
                    .map(|message| at(file, message)),
            ),
        }
    }
    differences
}
