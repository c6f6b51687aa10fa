//! Which traces belong together: from headers, and where they are silent, from file names.

use std::collections::BTreeMap;

use crate::trace::Header;
use crate::units::Wavelength;

use super::natural::{key, natural_order, same_name};
use super::pattern::NamePattern;
use super::plan::CablePlan;
use super::result::Skipped;

/// Nominal wavelengths farther apart than this are different: lasers of one nominal
/// wavelength differ by a few nanometres. Our choice, no source.
pub(super) const SAME_WAVELENGTH_NM: f64 = 5.0;

/// One trace of a file, before its samples are read.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceEntry {
    /// The file's name as the report should show it; folders are separated by slashes.
    pub file: String,
    /// Index of the file among those given.
    pub file_index: usize,
    /// Which of the file's traces, counted from 0.
    pub part: usize,
    /// How many traces the file holds.
    pub parts: usize,
    /// Settings, options filled in.
    pub header: Header,
}

/// Where a trace is: index of the file, and which of its traces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TraceAt {
    /// Index of the file among those given.
    pub file: usize,
    /// Which of its traces, counted from 0.
    pub part: usize,
}

/// Both traces of one fibre at one wavelength, as far as they are there.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    /// Index of the fibre.
    pub fibre: usize,
    /// Index of the wavelength.
    pub wavelength: usize,
    /// The trace from A.
    pub a: Option<TraceAt>,
    /// The trace from B.
    pub b: Option<TraceAt>,
}

/// Two traces that say they are the same one.
#[derive(Debug, Clone, PartialEq)]
pub struct Double {
    /// Index of the fibre.
    pub fibre: usize,
    /// Index of the wavelength.
    pub wavelength: usize,
    /// Whether both say that they are from A.
    pub from_a: bool,
    /// The one that is used.
    pub used: TraceAt,
    /// The one that is not.
    pub other: TraceAt,
}

/// The traces of a cable in their places.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Roster {
    /// Name of the cable.
    pub cable: Option<String>,
    /// Names of the ends.
    pub ends: [Option<String>; 2],
    /// Names of the fibres in natural order, those of the plan without a trace among them.
    pub fibres: Vec<String>,
    /// How many fibres of the plan have no trace.
    pub untaken: usize,
    /// Nominal wavelengths, shortest first.
    pub wavelengths_nm: Vec<f64>,
    /// Every fibre and wavelength of which there is a trace; by fibre, then wavelength.
    pub slots: Vec<Slot>,
    /// Traces of one label, the same or not.
    pub doubles: Vec<Double>,
    /// Traces that have no place.
    pub skipped: Vec<Skipped>,
}

/// What a trace says it is.
struct Identity<'e> {
    entry: &'e TraceEntry,
    fibre: String,
    wavelength_nm: f64,
    from: Option<String>,
    to: Option<String>,
    cable: Option<String>,
}

impl Roster {
    /// Puts traces in their places; of several with one label the first, the others are doubles.
    pub fn of(entries: &[TraceEntry], plan: &CablePlan) -> Self {
        let mut roster = Self::default();
        let mut known: Vec<Identity<'_>> = Vec::new();
        for entry in entries {
            match identity(entry, plan.file_names.as_ref()) {
                Ok(identity) => known.push(identity),
                Err(reason) => roster.skip(entry, reason),
            }
        }
        roster.name_cable(&mut known, plan);
        roster.name_ends(&known, plan);
        roster.fibres = fibre_names(&known);
        roster.untaken = add_untaken(&mut roster.fibres, plan);
        roster.wavelengths_nm = wavelengths(&known);
        let mut places: BTreeMap<(usize, usize), [Option<TraceAt>; 2]> = BTreeMap::new();
        for identity in &known {
            let from_a = match roster.is_from_a(identity) {
                Ok(from_a) => from_a,
                Err(reason) => {
                    roster.skip(identity.entry, reason);
                    continue;
                }
            };
            let fibre = roster
                .fibres
                .iter()
                .position(|f| same_name(f, &identity.fibre));
            let wavelength = nearest(&roster.wavelengths_nm, identity.wavelength_nm);
            let (Some(fibre), Some(wavelength)) = (fibre, wavelength) else {
                continue;
            };
            let this = TraceAt {
                file: identity.entry.file_index,
                part: identity.entry.part,
            };
            let place = &mut places.entry((fibre, wavelength)).or_default()[usize::from(!from_a)];
            match *place {
                None => *place = Some(this),
                Some(used) => roster.doubles.push(Double {
                    fibre,
                    wavelength,
                    from_a,
                    used,
                    other: this,
                }),
            }
        }
        roster.slots = places
            .into_iter()
            .map(|((fibre, wavelength), [a, b])| Slot {
                fibre,
                wavelength,
                a,
                b,
            })
            .collect();
        roster
    }

    fn skip(&mut self, entry: &TraceEntry, reason: String) {
        self.skipped.push(Skipped {
            file: shown(entry),
            reason,
        });
    }

    /// The plan's cable, else the one that most traces name; traces of another are left out.
    fn name_cable(&mut self, known: &mut Vec<Identity<'_>>, plan: &CablePlan) {
        self.cable = plan
            .cable
            .clone()
            .or_else(|| most_named(known.iter().map(|i| &i.cable)));
        let Some(cable) = self.cable.clone() else {
            return;
        };
        let mut others = Vec::new();
        known.retain(|identity| match &identity.cable {
            Some(other) if !same_name(other, &cable) => {
                others.push((identity.entry, other.clone()));
                false
            }
            _ => true,
        });
        for (entry, other) in others {
            self.skip(entry, format!("it is of cable {other:?}, not of {cable:?}"));
        }
    }

    /// The plan's ends, else `from` and `to` of the first fibre in natural order.
    fn name_ends(&mut self, known: &[Identity<'_>], plan: &CablePlan) {
        if let Some([a, b]) = &plan.ends {
            self.ends = [Some(a.clone()), Some(b.clone())];
            return;
        }
        let first = known
            .iter()
            .filter(|i| i.from.is_some())
            .min_by(|p, q| natural_order(&p.fibre, &q.fibre));
        let Some(first) = first else { return };
        // Files that say A and B mean A and B, whichever comes first.
        let mut ends: Vec<Option<String>> = vec![first.from.clone()];
        let other = known
            .iter()
            .flat_map(|i| [&i.to, &i.from])
            .flatten()
            .find(|name| {
                first
                    .from
                    .as_ref()
                    .is_some_and(|from| !same_name(name, from))
            });
        ends.push(first.to.clone().or_else(|| other.cloned()));
        if let [Some(a), b] = ends.as_slice()
            && same_name(a, "b")
            && b.as_ref().is_none_or(|b| same_name(b, "a"))
        {
            ends.reverse();
        }
        let mut ends = ends.into_iter();
        self.ends = [ends.next().flatten(), ends.next().flatten()];
    }

    fn is_from_a(&self, identity: &Identity<'_>) -> Result<bool, String> {
        let is = |name: &Option<String>, end: usize| {
            let letter = ["a", "b"][end];
            name.as_ref().is_some_and(|name| {
                same_name(name, letter)
                    || self.ends[end]
                        .as_ref()
                        .is_some_and(|known| same_name(known, name))
            })
        };
        let (a, b) = (&self.ends[0], &self.ends[1]);
        let ends = format!(
            "the ends of the cable are {:?} and {:?}",
            a.as_deref().unwrap_or("A"),
            b.as_deref().unwrap_or("B")
        );
        match (&identity.from, &identity.to) {
            (Some(from), _) if is(&identity.from, 0) && is(&identity.to, 0) => {
                Err(format!("it names {from:?} as both of its ends; {ends}"))
            }
            (Some(from), _) if is(&identity.from, 1) && is(&identity.to, 1) => {
                Err(format!("it names {from:?} as both of its ends; {ends}"))
            }
            (Some(_), _) if is(&identity.from, 0) => Ok(true),
            (Some(_), _) if is(&identity.from, 1) => Ok(false),
            (Some(from), _) => Err(format!("it was taken from {from:?}, and {ends}")),
            (None, Some(_)) if is(&identity.to, 1) => Ok(true),
            (None, Some(_)) if is(&identity.to, 0) => Ok(false),
            _ => Err(format!(
                "neither its header nor its name says from which end it was taken; {ends} (a line \
                 `# from: …` in the header, or a pattern of the file names with {{from}})"
            )),
        }
    }
}

/// A file's name with the number of its trace, where it holds several.
pub(super) fn shown(entry: &TraceEntry) -> String {
    if entry.parts > 1 {
        format!("{} (trace {})", entry.file, entry.part + 1)
    } else {
        entry.file.clone()
    }
}

fn identity<'e>(
    entry: &'e TraceEntry,
    pattern: Option<&NamePattern>,
) -> Result<Identity<'e>, String> {
    let told = pattern
        .and_then(|p| p.read(&entry.file))
        .unwrap_or_default();
    let header = &entry.header;
    let fibre = header
        .fibre
        .clone()
        .or(told.fibre)
        .filter(|name| !name.trim().is_empty());
    let Some(fibre) = fibre else {
        return Err(
            "neither its header nor its name says which fibre it is of (a line `# fibre: …` in the \
             header, or a pattern of the file names)"
                .to_owned(),
        );
    };
    let Some(wavelength_nm) = header.wavelength.map(Wavelength::nm).or(told.wavelength_nm) else {
        return Err(
            "neither its header nor its name says at which wavelength it was taken (a line \
             `# wavelength: … nm` in the header, a pattern of the file names, or --wavelength-nm)"
                .to_owned(),
        );
    };
    Ok(Identity {
        entry,
        fibre: fibre.trim().to_owned(),
        wavelength_nm,
        from: header.from.clone().or(told.from),
        to: header.to.clone().or(told.to),
        cable: header.cable.clone().or(told.cable),
    })
}

/// The name that occurs most often, the first of those that do.
fn most_named<'n>(names: impl Iterator<Item = &'n Option<String>>) -> Option<String> {
    let mut counts: Vec<(String, usize, String)> = Vec::new();
    for name in names.flatten() {
        let this = key(name);
        match counts.iter_mut().find(|(k, _, _)| *k == this) {
            Some((_, count, _)) => *count += 1,
            None => counts.push((this, 1, name.trim().to_owned())),
        }
    }
    let most = counts.iter().map(|(_, count, _)| *count).max()?;
    counts
        .into_iter()
        .find(|(_, count, _)| *count == most)
        .map(|(_, _, name)| name)
}

fn fibre_names(known: &[Identity<'_>]) -> Vec<String> {
    let by_key: BTreeMap<String, &String> = known
        .iter()
        .rev()
        .map(|identity| (key(&identity.fibre), &identity.fibre))
        .collect();
    let mut names: Vec<String> = by_key.into_values().cloned().collect();
    names.sort_by(|p, q| natural_order(p, q));
    names
}

/// Adds the fibres of the plan of which there is no trace, named by the plan or like the others;
/// gives how many there are, named or not.
fn add_untaken(names: &mut Vec<String>, plan: &CablePlan) -> usize {
    let untaken = if plan.fibre_names.is_empty() {
        let Some(planned) = plan.fibres else { return 0 };
        match by_number(names, plan, planned) {
            Some(untaken) => untaken,
            // Which of them the traces are of, the names do not tell.
            None => return planned.saturating_sub(names.len()),
        }
    } else {
        let has_none = |planned: &&String| names.iter().all(|name| !same_name(name, planned));
        plan.fibre_names.iter().filter(has_none).cloned().collect()
    };
    let count = untaken.len();
    names.extend(untaken);
    names.sort_by(|p, q| natural_order(p, q));
    count
}

/// Names of the fibres of 1 to `planned` that are not among these, where each name ends in a
/// number of its own of those and begins as the others.
fn by_number(names: &[String], plan: &CablePlan, planned: usize) -> Option<Vec<String>> {
    let stem = |name: &str| -> String {
        let name = name.trim();
        name.trim_end_matches(|c: char| c.is_ascii_digit())
            .to_owned()
    };
    let like = names.first()?;
    let mut taken = vec![false; planned];
    for name in names {
        let place = taken.get_mut(plan.fibre_index(name)?)?;
        if *place || stem(name) != stem(like) {
            return None;
        }
        *place = true;
    }
    let width = like.trim().len() - stem(like).len();
    let name = |index: usize| format!("{}{:0width$}", stem(like), index + 1);
    Some(
        (0..planned)
            .filter(|&index| !taken[index])
            .map(name)
            .collect(),
    )
}

/// Nominal wavelengths: of those within the tolerance of each other, the most frequent.
fn wavelengths(known: &[Identity<'_>]) -> Vec<f64> {
    let mut all: Vec<f64> = known
        .iter()
        .map(|identity| identity.wavelength_nm)
        .collect();
    all.sort_by(f64::total_cmp);
    let mut found: Vec<f64> = Vec::new();
    for group in all.chunk_by(|p, q| q - p <= SAME_WAVELENGTH_NM) {
        let best = group
            .chunk_by(|p, q| p.total_cmp(q).is_eq())
            .max_by_key(|same| same.len())
            .and_then(|same| same.first());
        found.extend(best);
    }
    found
}

fn nearest(all: &[f64], nm: f64) -> Option<usize> {
    (0..all.len()).min_by(|&i, &j| (all[i] - nm).abs().total_cmp(&(all[j] - nm).abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(index: usize, fibre: &str, nm: f64, from: &str, to: &str) -> TraceEntry {
        let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        TraceEntry {
            file: format!("{index}.txt"),
            file_index: index,
            part: 0,
            parts: 1,
            header: Header {
                fibre: some(fibre),
                wavelength: Some(Wavelength::from_nm(nm)),
                from: some(from),
                to: some(to),
                ..Header::default()
            },
        }
    }

    #[test]
    fn pairs_are_found_in_natural_order_and_what_is_amiss_is_listed() {
        let entries = [
            entry(0, "10", 1550.0, "East", "West"),
            entry(1, "9", 1551.0, "West", "East"),
            entry(2, "9", 1550.0, "East", "West"),
            entry(3, "9", 1550.0, " east ", "West"),
            entry(4, "9", 1310.0, "North", "West"),
            entry(5, "", 1550.0, "East", "West"),
        ];
        let roster = Roster::of(&entries, &CablePlan::default());
        assert_eq!(roster.fibres, ["9", "10"]);
        // Fibre 9 comes first, and the first of its traces was taken at West.
        assert_eq!(roster.ends[0].as_deref(), Some("West"));
        let at = |file| Some(TraceAt { file, part: 0 });
        let places: Vec<_> = roster
            .slots
            .iter()
            .map(|s| (s.fibre, s.wavelength, s.a, s.b))
            .collect();
        assert_eq!(places, [(0, 1, at(1), at(2)), (1, 1, None, at(0))]);
        assert_eq!(roster.doubles.len(), 1);
        assert_eq!(roster.doubles[0].other, TraceAt { file: 3, part: 0 });
        let skipped: Vec<&str> = roster.skipped.iter().map(|s| s.file.as_str()).collect();
        assert_eq!(skipped, ["5.txt", "4.txt"]);
    }

    #[test]
    fn fibres_of_the_plan_without_a_trace_have_their_places() {
        let entries = [
            entry(0, "F03", 1550.0, "East", "West"),
            entry(1, "F01", 1550.0, "East", "West"),
        ];
        let plan = CablePlan {
            fibres: Some(4),
            ..CablePlan::default()
        };
        assert_eq!(
            Roster::of(&entries, &plan).fibres,
            ["F01", "F02", "F03", "F04"]
        );
        let named = CablePlan {
            fibre_names: ["red", "F03", "blue"].map(str::to_owned).to_vec(),
            ..CablePlan::default()
        };
        let of_one = Roster::of(&entries[..1], &named);
        assert_eq!(of_one.fibres, ["blue", "F03", "red"]);
        // A stranger is none of the plan's.
        let strange = [
            entry(0, "red", 1550.0, "East", "West"),
            entry(1, "spare", 1550.0, "East", "West"),
        ];
        let roster = Roster::of(&strange, &named);
        assert_eq!((roster.untaken, roster.fibres.len()), (2, 4));
        // Which of the plan's fibres they are, these names do not tell: two count as one, one
        // has no number, one is beyond the plan.
        for (names, untaken) in [
            (vec!["T1-1", "T2-1"], 2),
            (vec!["spare"], 3),
            (vec!["25", "26", "27", "28"], 0),
            (vec!["1", "2", "3", "4", "5"], 0),
        ] {
            let entries: Vec<TraceEntry> = (names.iter().enumerate())
                .map(|(index, name)| entry(index, name, 1550.0, "East", "West"))
                .collect();
            let roster = Roster::of(&entries, &plan);
            assert_eq!(
                (roster.fibres.len(), roster.untaken),
                (names.len(), untaken),
                "{names:?}"
            );
        }
    }

    #[test]
    fn names_of_files_fill_what_headers_leave_out() {
        let mut one = entry(0, "", 1550.0, "", "");
        one.file = "run/007_1550_b.txt".to_owned();
        one.header.wavelength = None;
        let plan = CablePlan {
            file_names: Some(NamePattern::new("{fibre}_{wavelength}_{from}.txt").unwrap()),
            ..CablePlan::default()
        };
        let roster = Roster::of(&[one], &plan);
        assert_eq!(roster.fibres, ["007"]);
        assert_eq!(
            (roster.slots[0].a, roster.slots[0].b.is_some()),
            (None, true)
        );
    }
}
