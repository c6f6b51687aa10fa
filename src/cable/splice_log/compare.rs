//! A splice log against what was measured.

use std::collections::BTreeMap;

use super::read::LogEntry;
use super::statistics::{
    DifferenceTest, LineTest, MeanTest, difference_test, holm, line_test, line_test_holding,
    mean_test,
};
use crate::cable::CableResult;
use crate::units::{Loss, Wavelength};

/// Splices below which a group says nothing about its machine, operator or day.
pub const FEWEST_SPLICES: usize = 8;

/// What a group of splices has in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum GroupBy {
    /// All splices of the log.
    All,
    /// One machine.
    Machine,
    /// One operator.
    Operator,
    /// One day.
    Day,
}

impl GroupBy {
    /// The word for one of them.
    pub const fn word(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Machine => "machine",
            Self::Operator => "operator",
            Self::Day => "day",
        }
    }
}

/// A value of a test with its probability, alone and among all tests of the log.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tested<T> {
    /// What was found, with the probability of the one test.
    pub test: T,
    /// Probability adjusted for all tests of the log (Holm).
    pub p_adjusted: f64,
}

/// One splice of the log with its measured loss.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedSplice {
    /// Line in the log.
    pub line: u64,
    /// Index of the fibre.
    pub fibre: usize,
    /// Index of the joint.
    pub joint: usize,
    /// Wavelength at which it was measured: the shortest, where curvature shows least.
    pub wavelength: Wavelength,
    /// Measured two-way loss.
    pub loss: Loss,
    /// The machine's estimate.
    pub estimate: Option<Loss>,
    /// The machine.
    pub machine: Option<String>,
    /// Who spliced.
    pub operator: Option<String>,
    /// Day.
    pub day: Option<String>,
    /// Arcs since the electrodes were new.
    pub arcs: Option<f64>,
    /// Cleaves since the blade was turned.
    pub cleaves: Option<f64>,
}

/// Splices of one machine, operator or day.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// What they have in common.
    pub by: GroupBy,
    /// Its name.
    pub name: String,
    /// Measured splices.
    pub splices: usize,
    /// Measured less estimated loss in dB and whether it is zero; none from fewer than
    /// [`FEWEST_SPLICES`] with an estimate.
    pub bias: Option<Tested<MeanTest>>,
    /// Mean measured loss in dB less that of all others of the log and whether it is
    /// zero; none where either has fewer than [`FEWEST_SPLICES`].
    pub against_others: Option<Tested<DifferenceTest>>,
}

/// What wears.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// The electrodes, with each arc.
    Electrodes,
    /// The cleaver's blade, with each cleave.
    Blade,
}

impl Part {
    /// What a splice has of its count.
    pub const fn count(self, splice: &LoggedSplice) -> Option<f64> {
        match self {
            Self::Electrodes => splice.arcs,
            Self::Blade => splice.cleaves,
        }
    }

    /// The other part.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Electrodes => Self::Blade,
            Self::Blade => Self::Electrodes,
        }
    }
}

/// Measured loss of one machine's splices against a count of wear.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// The machine.
    pub machine: String,
    /// What wears.
    pub part: Part,
    /// Least and greatest count.
    pub counts: (f64, f64),
    /// Line through the measured losses in dB; its slope is dB for each count.
    pub line: Tested<LineTest>,
    /// The same slope with the other count held; none where the log lacks the other
    /// count or both rise together.
    pub other_held: Option<LineTest>,
}

impl Trend {
    /// What the line rises by from the least count to the greatest.
    pub fn rise(&self) -> Loss {
        Loss::from_db(self.line.test.slope * (self.counts.1 - self.counts.0))
    }
}

/// A line of the log that was not used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unused {
    /// Line in the log.
    pub line: u64,
    /// Why, in words for a technician.
    pub reason: String,
}

/// A whole splice log against the measurements.
#[derive(Debug, Clone, PartialEq)]
pub struct SpliceLog {
    /// Every splice that was logged and measured, by line.
    pub splices: Vec<LoggedSplice>,
    /// Groups: all, then machines, operators, days, each by name.
    pub groups: Vec<Group>,
    /// Trends by machine, electrodes before blade.
    pub trends: Vec<Trend>,
    /// Number of tests that the adjusted probabilities allow for.
    pub tests: usize,
    /// Lines that were not used.
    pub unused: Vec<Unused>,
}

/// Holds a splice log against the two-way losses of a cable.
///
/// Of several entries for one splice the last in the file counts, since the joint
/// before it was cut out.
pub fn compare_log(entries: &[LogEntry], cable: &CableResult) -> SpliceLog {
    let (splices, unused) = join(entries, cable);
    let mut groups = vec![(GroupBy::All, "all".to_owned(), indices(&splices, |_| true))];
    for (by, key) in KEYS {
        let mut named: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (idx, splice) in splices.iter().enumerate() {
            if let Some(name) = key(splice) {
                named.entry(name).or_default().push(idx);
            }
        }
        let rows = named.into_iter();
        groups.extend(rows.map(|(name, all)| (by, name.to_owned(), all)));
    }
    let tests = |it: &mut Vec<f64>, p: Option<f64>| it.extend(p);
    let mut p = Vec::new();
    let raw: Vec<_> = groups
        .into_iter()
        .map(|(by, name, members)| {
            let bias = bias(&splices, &members);
            let others = (by != GroupBy::All)
                .then(|| against_others(&splices, &members))
                .flatten();
            tests(&mut p, bias.map(|test| test.p));
            tests(&mut p, others.map(|test| test.p));
            (by, name, members.len(), bias, others)
        })
        .collect();
    let raw_trends = trends(&splices);
    for trend in &raw_trends {
        tests(&mut p, Some(trend.test.p));
    }
    let mut adjusted = holm(&p).into_iter();
    let mut next = || adjusted.next().unwrap_or(1.0);
    let groups = raw
        .into_iter()
        .map(|(by, name, splices, bias, others)| Group {
            by,
            name,
            splices,
            bias: bias.map(|test| Tested {
                test,
                p_adjusted: next(),
            }),
            against_others: others.map(|test| Tested {
                test,
                p_adjusted: next(),
            }),
        })
        .collect();
    let trends = raw_trends
        .into_iter()
        .map(|raw| Trend {
            machine: raw.machine,
            part: raw.part,
            counts: raw.counts,
            line: Tested {
                test: raw.test,
                p_adjusted: next(),
            },
            other_held: raw.other_held,
        })
        .collect();
    SpliceLog {
        splices,
        groups,
        trends,
        tests: p.len(),
        unused,
    }
}

type Key = fn(&LoggedSplice) -> Option<&str>;

const KEYS: [(GroupBy, Key); 3] = [
    (GroupBy::Machine, |it| it.machine.as_deref()),
    (GroupBy::Operator, |it| it.operator.as_deref()),
    (GroupBy::Day, |it| it.day.as_deref()),
];

fn indices(splices: &[LoggedSplice], is: impl Fn(&LoggedSplice) -> bool) -> Vec<usize> {
    let all = splices.iter().enumerate();
    all.filter(|(_, it)| is(it)).map(|(idx, _)| idx).collect()
}

/// Entries with the measured loss of their splice, and what was left out.
fn join(entries: &[LogEntry], cable: &CableResult) -> (Vec<LoggedSplice>, Vec<Unused>) {
    let mut unused = Vec::new();
    let mut last: BTreeMap<(usize, usize), LoggedSplice> = BTreeMap::new();
    for entry in entries {
        let mut leave = |reason: String| {
            unused.push(Unused {
                line: entry.line,
                reason,
            });
        };
        let fibre = (cable.fibres.iter()).position(|it| same_name(&it.name, &entry.fibre));
        let joint = (cable.joints.iter()).position(|it| same_name(&it.name, &entry.joint));
        let (Some(fibre), Some(joint)) = (fibre, joint) else {
            let (what, name) = match fibre {
                None => ("fibre", &entry.fibre),
                Some(_) => ("joint", &entry.joint),
            };
            leave(format!("the cable has no {what} {name:?}"));
            continue;
        };
        let measured = cable.wavelengths.iter().enumerate().find_map(|(idx, nm)| {
            let cell = cable.matrix.cell(fibre, joint, idx)?;
            let loss = cell.loss.as_ref().ok()?;
            Some((*nm, loss.value))
        });
        let Some((wavelength, loss)) = measured else {
            leave("its two-way loss was not measured".to_owned());
            continue;
        };
        let splice = LoggedSplice {
            line: entry.line,
            fibre,
            joint,
            wavelength,
            loss,
            estimate: entry.estimate,
            machine: entry.machine.clone(),
            operator: entry.operator.clone(),
            day: entry.day.map(|day| day.to_string()),
            arcs: entry.arcs,
            cleaves: entry.cleaves,
        };
        if let Some(before) = last.insert((fibre, joint), splice) {
            unused.push(Unused {
                line: before.line,
                reason: format!("spliced again in line {}", entry.line),
            });
        }
    }
    let mut splices: Vec<LoggedSplice> = last.into_values().collect();
    splices.sort_by_key(|splice| splice.line);
    unused.sort_by_key(|it| it.line);
    (splices, unused)
}

/// Whether two names are the same but for case, spaces around, and leading zeros, which
/// machines leave out.
fn same_name(one: &str, other: &str) -> bool {
    let plain = |name: &str| {
        let name = name.trim().to_lowercase();
        if !name.is_empty() && name.chars().all(|c| c.is_ascii_digit()) {
            name.trim_start_matches('0').to_owned()
        } else {
            name
        }
    };
    plain(one) == plain(other)
}

fn bias(splices: &[LoggedSplice], members: &[usize]) -> Option<MeanTest> {
    let less: Vec<f64> = members
        .iter()
        .filter_map(|&idx| Some(splices[idx].loss.db() - splices[idx].estimate?.db()))
        .collect();
    if less.len() < FEWEST_SPLICES {
        return None;
    }
    mean_test(&less)
}

fn against_others(splices: &[LoggedSplice], members: &[usize]) -> Option<DifferenceTest> {
    let (mut own, mut others) = (Vec::new(), Vec::new());
    for (idx, splice) in splices.iter().enumerate() {
        if members.binary_search(&idx).is_ok() {
            own.push(splice.loss.db());
        } else {
            others.push(splice.loss.db());
        }
    }
    if own.len().min(others.len()) < FEWEST_SPLICES {
        return None;
    }
    difference_test(&own, &others)
}

/// A trend before its probability is adjusted.
struct RawTrend {
    machine: String,
    part: Part,
    counts: (f64, f64),
    test: LineTest,
    other_held: Option<LineTest>,
}

fn trends(splices: &[LoggedSplice]) -> Vec<RawTrend> {
    let mut machines: Vec<&str> = (splices.iter())
        .filter_map(|splice| splice.machine.as_deref())
        .collect();
    machines.sort_unstable();
    machines.dedup();
    let mut found = Vec::new();
    for machine in machines {
        let own = || (splices.iter()).filter(|it| it.machine.as_deref() == Some(machine));
        for part in [Part::Electrodes, Part::Blade] {
            let points = own().filter_map(|it| Some((part.count(it)?, it.loss.db())));
            let (x, y): (Vec<f64>, Vec<f64>) = points.unzip();
            if x.len() < FEWEST_SPLICES {
                continue;
            }
            let Some(test) = line_test(&x, &y) else {
                continue;
            };
            let both: Vec<[f64; 3]> = own()
                .filter_map(|it| Some([part.count(it)?, part.other().count(it)?, it.loss.db()]))
                .collect();
            let column = |idx: usize| both.iter().map(|row| row[idx]).collect::<Vec<f64>>();
            found.push(RawTrend {
                machine: machine.to_owned(),
                part,
                counts: (
                    x.iter().copied().fold(f64::INFINITY, f64::min),
                    x.iter().copied().fold(f64::NEG_INFINITY, f64::max),
                ),
                test,
                other_held: line_test_holding(&column(0), &column(1), &column(2)),
            });
        }
    }
    found
}
