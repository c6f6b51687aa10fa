//! One fibre: its files read, its pairs combined at all wavelengths.

use std::path::PathBuf;

use crate::both_ways::{self, Glimpse, Link, combine_watched};
use crate::read::{self, FileContent, Recipe};
use crate::trace::{Header, Trace};
use crate::units::{Length, Position, Wavelength};
use crate::warning::Warning;

use super::place::Reference;
use super::record::{Failure, FailureKind, Record};
use super::result::Source;
use super::roster::TraceAt;
use super::slopes::slopes;

/// Standard errors from which a reading counts as an event that shows: one place in a
/// thousand would do so by chance, as in the words *seen from* of a link.
pub(super) const SHOWS: f64 = 3.3;

/// A length of one fibre that differs by more than this share from the cable's is not
/// only another fibre of it: its ends are looked at again with the cable's length.
/// The group indices of silica fibres lie within half a per cent of each other.
const OTHER_LENGTH: f64 = 0.005;

/// A file to read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CableFile {
    /// Where it is.
    pub path: PathBuf,
    /// Its name as the report should show it; folders are separated by slashes.
    pub name: String,
}

/// Two traces to be combined.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PairJob {
    /// Index of the wavelength.
    pub(super) wavelength: usize,
    /// The trace from A and how many its file holds.
    pub(super) a: (TraceAt, usize),
    /// The trace from B and how many its file holds.
    pub(super) b: (TraceAt, usize),
}

/// All pairs of one fibre.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FibreJob {
    /// Index of the fibre.
    pub(super) fibre: usize,
    /// Its name, for headers that have none.
    pub(super) name: String,
    /// Its pairs by wavelength.
    pub(super) pairs: Vec<PairJob>,
    /// Whether names that contradict each other are accepted.
    pub(super) accept_pairing: bool,
}

/// What all fibres are measured with.
#[derive(Debug)]
pub(super) struct Bench<'b> {
    pub(super) files: &'b [CableFile],
    pub(super) wavelengths_nm: &'b [f64],
    /// Fills gaps in headers of traces from A.
    pub(super) fallback: &'b Header,
    pub(super) recipe: &'b Recipe,
    pub(super) settings: &'b both_ways::Settings,
    /// Names of the cable and its ends.
    pub(super) cable: Option<&'b str>,
    pub(super) ends: [Option<&'b str>; 2],
}

/// A trace with its origin.
struct Loaded {
    trace: Trace,
    source: Source,
    samples: u64,
    warnings: Vec<Warning>,
}

impl Bench<'_> {
    /// Measures a fibre at all its wavelengths; the longest one first, and what shows
    /// at one is measured at all others, too.
    pub(super) fn measure(&self, job: &FibreJob, reference: Option<&Reference>) -> Vec<Record> {
        let mut opened: Vec<(usize, Result<FileContent, String>)> = Vec::new();
        let mut traces: Vec<Option<[Result<Loaded, Failure>; 2]>> = Vec::new();
        traces.resize_with(job.pairs.len(), || None);
        let mut order: Vec<usize> = (0..job.pairs.len()).collect();
        order.sort_by_key(|&k| std::cmp::Reverse(job.pairs[k].wavelength));
        let mut records: Vec<Option<Record>> = vec![None; job.pairs.len()];
        // Places that show at some wavelength and are no joint of the cable, as shares
        // of the length.
        let mut extra: Vec<f64> = Vec::new();
        for &k in &order {
            // Read when they are wanted, while they are at hand.
            let pair = &job.pairs[k];
            let load = |(at, parts), from_a| self.load(&mut opened, at, parts, from_a, job, pair);
            let mut load = load;
            let loaded = traces[k].insert([load(pair.a, true), load(pair.b, false)]);
            let record = self.pair(job, pair, loaded, reference, &extra);
            if let (Some(reference), Some(link)) = (reference, record.link()) {
                extend_extra(&mut extra, link, reference);
            }
            records[k] = Some(record);
        }
        drop(opened);
        for &k in &order {
            let lacks = records[k]
                .as_ref()
                .and_then(Record::link)
                .is_some_and(|link| extra.iter().any(|share| !has_event_at(link, *share)));
            if lacks && let Some(loaded) = &traces[k] {
                records[k] = Some(self.pair(job, &job.pairs[k], loaded, reference, &extra));
            }
        }
        records.into_iter().flatten().collect()
    }

    fn open(&self, file: usize) -> Result<FileContent, String> {
        let Some(file) = self.files.get(file) else {
            return Err("the file is not in the list".to_owned());
        };
        // Which of the two cords a trace begins with is known once its end is.
        let fallback = Header {
            launch_cord: None,
            tail_cord: None,
            ..self.fallback.clone()
        };
        read::from_path_with_recipe(&file.path, &fallback, self.recipe)
            .map_err(|error| reason_of(&error))
    }

    fn load(
        &self,
        opened: &mut Vec<(usize, Result<FileContent, String>)>,
        at: TraceAt,
        parts: usize,
        from_a: bool,
        job: &FibreJob,
        pair: &PairJob,
    ) -> Result<Loaded, Failure> {
        let end = usize::from(!from_a);
        let failed = |kind, message| Failure {
            kind,
            file: Some(end),
            message,
        };
        if !opened.iter().any(|(file, _)| *file == at.file) {
            opened.push((at.file, self.open(at.file)));
        }
        let content = opened
            .iter_mut()
            .find(|(file, _)| *file == at.file)
            .map(|(_, content)| content);
        let content = match content {
            Some(Ok(content)) => content,
            Some(Err(message)) => return Err(failed(FailureKind::File, message.clone())),
            None => {
                return Err(failed(
                    FailureKind::File,
                    "the file was not read".to_owned(),
                ));
            }
        };
        if content.traces.len() != parts {
            return Err(failed(
                FailureKind::MoreTraces,
                format!("the file holds {} traces", content.traces.len()),
            ));
        }
        let Some(read) = content.traces.get_mut(at.part) else {
            return Err(failed(
                FailureKind::File,
                "the file holds no such trace".to_owned(),
            ));
        };
        let mut fallback = self.fallback.clone();
        if !from_a {
            std::mem::swap(&mut fallback.launch_cord, &mut fallback.tail_cord);
        }
        let [a, b] = self.ends.map(|end| end.map(str::to_owned));
        (fallback.from, fallback.to) = if from_a { (a, b) } else { (b, a) };
        fallback.cable = self.cable.map(str::to_owned);
        fallback.fibre = Some(job.name.clone());
        fallback.wavelength = fallback.wavelength.or_else(|| {
            Some(Wavelength::from_nm(
                *self.wavelengths_nm.get(pair.wavelength)?,
            ))
        });
        // In standard layout there is always a slice.
        let levels_db = read.levels_db.as_standard_layout();
        let samples = fingerprint(levels_db.as_slice().unwrap_or_default());
        let is_shared = parts > 1;
        let read = if is_shared {
            read.clone()
        } else {
            // The only trace of its file is wanted once.
            std::mem::replace(read, empty_trace())
        };
        let mut warnings = content.warnings.clone();
        let cords = Header {
            launch_cord: fallback.launch_cord,
            tail_cord: fallback.tail_cord,
            ..Header::default()
        };
        warnings.extend(read::overruled(std::slice::from_ref(&read), &cords));
        let trace = read
            .into_trace(&fallback)
            .map_err(|error| failed(FailureKind::File, error.to_string()))?;
        Ok(Loaded {
            trace,
            source: Source {
                file: self
                    .files
                    .get(at.file)
                    .map_or_else(String::new, |f| f.name.clone()),
                sha256: content.sha256.clone().unwrap_or_default(),
                part: is_shared.then_some(at.part + 1),
            },
            samples,
            warnings,
        })
    }

    fn pair(
        &self,
        job: &FibreJob,
        pair: &PairJob,
        traces: &[Result<Loaded, Failure>; 2],
        reference: Option<&Reference>,
        extra: &[f64],
    ) -> Record {
        let of = |end: usize| traces[end].as_ref().ok();
        let mut record = Record {
            fibre: job.fibre,
            wavelength: pair.wavelength,
            sources: [0, 1].map(|end| Some(of(end)?.source.clone())),
            samples: [0, 1].map(|end| Some(of(end)?.samples)),
            seen: None,
            slopes: None,
            outcome: Err(Failure {
                kind: FailureKind::Other,
                file: None,
                message: String::new(),
            }),
        };
        let (a, b) = match traces {
            [Ok(a), Ok(b)] => (a, b),
            [Err(failure), _] | [_, Err(failure)] => {
                record.outcome = Err(failure.clone());
                return record;
            }
        };
        let mut settings = self.settings.clone();
        settings.accept_pairing |= job.accept_pairing;
        let joints = reference.map_or_else(Vec::new, Reference::expected);
        let mut seen = None;
        let mut combined = {
            let mut watch = |glimpses: [Glimpse; 2]| {
                let places =
                    reference.map_or_else(Vec::new, |reference| reference.places(&glimpses, extra));
                seen = Some(glimpses);
                places
            };
            combine_watched(&a.trace, &b.trace, &settings, &joints, &mut watch)
        };
        // An odd length may be a broken fibre: look again with the cable's length.
        let usual_m = reference.map_or(0.0, |r| r.length_m);
        let is_odd = match &combined {
            Ok(link) => {
                link.registration.is_some()
                    && link
                        .length
                        .as_ref()
                        .ok()
                        .is_none_or(|l| (l.value.m() - usual_m).abs() > OTHER_LENGTH * usual_m)
            }
            Err(error) => matches!(Failure::from(error).kind, FailureKind::LengthsDiffer),
        };
        if is_odd && usual_m > 0.0 && settings.known_length.is_none() && !settings.broken {
            settings.known_length = Some(Length::from_m(usual_m));
            let mut watch = |_: [Glimpse; 2]| Vec::new();
            match combine_watched(&a.trace, &b.trace, &settings, &joints, &mut watch) {
                // Only a break makes the second look the better one.
                Ok(mut link) if link.registration.is_none() => {
                    link.warnings.push(Warning::new(
                        "length of the cable taken",
                        format!(
                            "the whole length of this broken fibre is taken to be that of the \
                             cable's other fibres, {usual_m:.1} m; places counted from B rest on it"
                        ),
                    ));
                    combined = Ok(link);
                }
                _ => {}
            }
        }
        record.slopes = (reference.zip(seen.as_ref()))
            .and_then(|(reference, seen)| slopes([&a.trace, &b.trace], seen, reference));
        record.seen = seen;
        record.outcome = match combined {
            Ok(mut link) => {
                for loaded in [a, b] {
                    link.warnings.extend(loaded.warnings.iter().map(|warning| {
                        Warning::new(
                            warning.code.clone(),
                            format!("{}: {}", loaded.source.file, warning.message),
                        )
                    }));
                }
                Ok(Box::new(link))
            }
            Err(error) => Err(Failure::from(&error)),
        };
        record
    }
}

/// A number that equal levels share, and others once in 2⁶⁴: their bits mixed with an odd
/// constant (2⁶⁴ over the golden ratio), in four runs side by side, each of which waits for its
/// own multiplications only.
fn fingerprint(levels_db: &[f64]) -> u64 {
    let mix =
        |hash: u64, bits: u64| (hash.rotate_left(5) ^ bits).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mut runs = [levels_db.len() as u64; 4];
    let (fours, rest) = levels_db.as_chunks::<4>();
    for four in fours {
        for (run, level) in runs.iter_mut().zip(four) {
            *run = mix(*run, level.to_bits());
        }
    }
    for (run, level) in runs.iter_mut().zip(rest) {
        *run = mix(*run, level.to_bits());
    }
    runs.into_iter().fold(0, mix)
}

fn empty_trace() -> read::ReadTrace {
    read::ReadTrace {
        header: Header::default(),
        distances_m: ndarray::Array1::zeros(0),
        levels_db: ndarray::Array1::zeros(0),
        title: None,
        first_line: 0,
        last_line: 0,
    }
}

/// An error without the name of the file, which stands beside it.
pub(super) fn reason_of(error: &read::ReadError) -> String {
    let mut text = String::new();
    let mut cause: Option<&dyn std::error::Error> = std::error::Error::source(error);
    while let Some(this) = cause {
        if !text.is_empty() {
            text.push_str(": ");
        }
        text.push_str(&this.to_string());
        cause = this.source();
    }
    if text.is_empty() {
        error.to_string()
    } else {
        text
    }
}

/// Whether an event shows in either trace, beyond chance.
pub(super) fn shows(event: &both_ways::Event) -> bool {
    let beyond = |reading: &crate::units::Measurement<crate::units::Loss>| {
        reading.as_ref().is_ok_and(|r| {
            r.std_error
                .is_some_and(|u| r.value.db().abs() >= SHOWS * u.db())
        })
    };
    event.reflective || beyond(&event.loss_a_to_b) || beyond(&event.loss_b_to_a)
}

/// Events of a link that may be joints: between its ends, no echoes, on A's axis.
pub(super) fn inner(link: &Link) -> impl Iterator<Item = (usize, &both_ways::Event)> {
    let length_m = link
        .length
        .as_ref()
        .ok()
        .map_or(f64::INFINITY, |l| l.value.m());
    let reach_m = 0.5 * link.a.spacing.m();
    link.events.iter().enumerate().filter(move |(_, event)| {
        let z_m = event.position.value.m();
        event.position_from_b.is_none()
            && !matches!(
                event.kind,
                both_ways::EventKind::Echo
                    | both_ways::EventKind::Break
                    | both_ways::EventKind::End
            )
            && z_m > reach_m
            && z_m < length_m - reach_m
    })
}

/// Whether an event lies within a pulse of a share of the link's length.
fn has_event_at(link: &Link, share: f64) -> bool {
    let Some(length) = link.length.as_ref().ok() else {
        return true;
    };
    if link.registration.is_none() {
        return true;
    }
    let place_m = share * length.value.m();
    let reach_m = pulse_m(link);
    link.events.iter().any(|e| {
        let end = e.end.map_or(e.position.value.m(), Position::m);
        place_m > e.position.value.m() - reach_m && place_m < end + reach_m
    })
}

/// Metres of fibre that the wider of the two pulses covers, and a sample.
pub(super) fn pulse_m(link: &Link) -> f64 {
    let of = |d: &both_ways::Direction| d.pulse_width.footprint(d.group_index).m() + d.spacing.m();
    of(&link.a).max(of(&link.b))
}

/// Adds the places of a link that show and are none of the cable's joints.
fn extend_extra(extra: &mut Vec<f64>, link: &Link, reference: &Reference) {
    let Some(length_m) = link.length.as_ref().ok().map(|l| l.value.m()) else {
        return;
    };
    if link.registration.is_none() || reference.length_m <= 0.0 {
        return;
    }
    let reach_m = pulse_m(link);
    for (_, event) in inner(link) {
        let is_known = event.joint.is_some();
        let share = event.position.value.m() / length_m;
        let is_there = extra.iter().any(|s| (s - share).abs() * length_m < reach_m);
        if !is_known && !is_there && shows(event) {
            extra.push(share);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lists of up to nine levels, of which the last do not fill a run of four.
    #[test]
    fn lists_have_one_fingerprint_only_where_they_are_equal() {
        for count in 0..10 {
            let levels: Vec<f64> = (0..count).map(|k| f64::from(k) - 20.0).collect();
            assert_eq!(fingerprint(&levels), fingerprint(&levels.clone()));
            let mut longer = levels.clone();
            longer.push(-20.0);
            assert_ne!(fingerprint(&levels), fingerprint(&longer));
            for changed in 0..levels.len() {
                let mut other = levels.clone();
                other[changed] += 0.001;
                assert_ne!(fingerprint(&levels), fingerprint(&other), "{changed}");
            }
        }
    }
}
