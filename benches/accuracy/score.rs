//! Holds what a method found against what is true.

use bothends::both_ways::{Event, EventKind, Link};
use bothends::simulate::{TrueEvent, TrueKind, Truth};
use bothends::units::{Length, Loss, Position};

use super::bound::Bound;

/// Upper edges of the bins of size, in bounds of both directions.
pub(crate) const SIZES: [f64; 6] = [3.0, 5.0, 7.0, 10.0, 20.0, f64::INFINITY];

/// What something was taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A reflective joint or an end of the link.
    Connector,
    /// A joint that does not reflect.
    Splice,
    /// A peak made elsewhere.
    Echo,
    /// Several events with one loss.
    Group,
    /// Not found.
    Nothing,
}

/// Names of the kinds, in the order of [`Tally::kinds`].
pub(crate) const KINDS: [(Kind, &str); 5] = [
    (Kind::Connector, "connector"),
    (Kind::Splice, "splice"),
    (Kind::Echo, "echo"),
    (Kind::Group, "group"),
    (Kind::Nothing, "nothing"),
];

/// One event that a method reports, on A's axis.
#[derive(Debug, Clone)]
pub(crate) struct Seen {
    /// Where it begins.
    pub(crate) at_m: f64,
    /// Where it ends; the same but for a group.
    pub(crate) to_m: f64,
    /// What it was taken for.
    pub(crate) kind: Kind,
    /// Two-way loss, where measured.
    pub(crate) loss_db: Option<f64>,
    /// Its stated standard error.
    pub(crate) loss_error_db: Option<f64>,
    /// Stated standard error of the place.
    pub(crate) at_error_m: Option<f64>,
    /// Reflectances that are more than bounds.
    pub(crate) reflectances_db: Vec<f64>,
}

/// What a method reports of one link.
#[derive(Debug, Clone, Default)]
pub(crate) struct Report {
    /// Its events.
    pub(crate) seen: Vec<Seen>,
    /// Length of the link.
    pub(crate) length_m: Option<f64>,
}

impl From<&Link> for Report {
    fn from(link: &Link) -> Self {
        Self {
            seen: link.events.iter().map(Seen::from).collect(),
            length_m: link.length.as_ref().ok().map(|l| l.value.m()),
        }
    }
}

impl From<&Event> for Seen {
    fn from(event: &Event) -> Self {
        let at_m = event.position.value.m();
        Self {
            at_m,
            to_m: event.end.map_or(at_m, Position::m),
            kind: match event.kind {
                EventKind::Echo => Kind::Echo,
                EventKind::Group => Kind::Group,
                EventKind::Splice | EventKind::Bend => Kind::Splice,
                EventKind::Connector | EventKind::Break | EventKind::End => Kind::Connector,
            },
            loss_db: event.loss.as_ref().ok().map(|l| l.value.db()),
            loss_error_db: (event.loss.as_ref().ok())
                .and_then(|l| l.std_error)
                .map(Loss::db),
            at_error_m: event.position.std_error.map(Length::m),
            reflectances_db: [event.reflectance_a, event.reflectance_b]
                .into_iter()
                .flatten()
                .filter(|r| !r.is_bound)
                .map(|r| r.value.db())
                .collect(),
        }
    }
}

/// A number with the seed and place that gave it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Case {
    /// The number.
    pub(crate) value: f64,
    /// Seed of the link.
    pub(crate) seed: u64,
    /// Place on A's axis.
    pub(crate) at_m: f64,
}

/// What became of many links.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    /// Links measured.
    pub(crate) links: usize,
    /// Kilometres of them.
    pub(crate) km: f64,
    /// Links that were refused: seed and reason.
    pub(crate) refused: Vec<(u64, String)>,
    /// Inner joints found and all of them, by size.
    pub(crate) found: [(usize, usize); SIZES.len()],
    /// Sizes of those that were missed.
    pub(crate) missed: Vec<Case>,
    /// Events where there is none.
    pub(crate) false_events: Vec<Case>,
    /// Further events beside a true one that is already matched.
    pub(crate) doubled: Vec<Case>,
    /// Echoes taken for events.
    pub(crate) echoes_taken: Vec<Case>,
    /// Loss error over the bound, noise-limited inner joints.
    pub(crate) loss_by_bound: Vec<Case>,
    /// Loss error in dB where the bound is below 0.003 dB.
    pub(crate) clear_losses: Vec<Case>,
    /// Error of the place over its bound, counted from the first connector, of clear joints
    /// that do not reflect.
    pub(crate) place_by_bound: Vec<Case>,
    /// Error of the place of reflections, in samples.
    pub(crate) reflections: Vec<Case>,
    /// Error of the link's length in metres.
    pub(crate) lengths: Vec<Case>,
    /// Error of reflectances in dB.
    pub(crate) reflectances: Vec<Case>,
    /// Loss error over the stated standard error.
    pub(crate) loss_by_error: Vec<Case>,
    /// Error of the place over the stated standard error.
    pub(crate) place_by_error: Vec<Case>,
    /// True connectors, splices and echoes by what they were taken for.
    pub(crate) kinds: [[usize; KINDS.len()]; 3],
    /// Seconds that each link took.
    pub(crate) seconds: Vec<f64>,
}

/// Bound of a loss that counts as clear.
const CLEAR_DB: f64 = 0.003;

/// Clearness from which the bound of a place means something.
const CLEAR_PLACE: f64 = 9.0;

/// What is known of a link to score by.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Known<'a> {
    /// Seed.
    pub(crate) seed: u64,
    /// Truth.
    pub(crate) truth: &'a Truth,
    /// Bounds of its events.
    pub(crate) bounds: &'a [Bound],
    /// Pulse length in metres.
    pub(crate) pulse_m: f64,
    /// Spacing in metres.
    pub(crate) spacing_m: f64,
}

impl Known<'_> {
    /// How far from an event a report of it may lie: three pulses, or as far as its
    /// noise may throw it (√26·h·(σ/d)² for a bare step, four times), but never
    /// beyond a third of the way to the next event.
    fn reach_m(&self, k: usize) -> f64 {
        let bound = &self.bounds[k];
        let thrown_m = if bound.clearness() > 0.0 {
            let samples = self.pulse_m / self.spacing_m;
            let share = samples.sqrt() / bound.clearness();
            4.0 * 26f64.sqrt() * self.spacing_m * share * share
        } else {
            0.0
        };
        let events = &self.truth.events;
        let at_m = events[k].position.m();
        let before = k.checked_sub(1).map(|j| at_m - events[j].position.m());
        let after = events.get(k + 1).map(|e| e.position.m() - at_m);
        let room_m = before
            .into_iter()
            .chain(after)
            .fold(f64::INFINITY, f64::min)
            / 3.0;
        (3.0 * self.pulse_m)
            .max(
                5.0 * Some(bound.from_first_m)
                    .filter(|m| m.is_finite())
                    .unwrap_or(0.0),
            )
            .max(thrown_m)
            .min(room_m)
            .max(2.0 * self.spacing_m)
    }
}

impl Tally {
    /// Adds what a method said of one link.
    pub(crate) fn add(&mut self, known: &Known<'_>, report: &Report) {
        self.links += 1;
        self.km += known.truth.length.km();
        let mark = |value: f64, at_m: f64| Case {
            value,
            seed: known.seed,
            at_m,
        };
        if let Some(length_m) = report.length_m {
            let error_m = length_m - known.truth.length.m();
            self.lengths.push(mark(error_m, length_m));
        }
        let events = &known.truth.events;
        let mut taken = vec![false; report.seen.len()];
        for (k, event) in events.iter().enumerate() {
            let at_m = event.position.m();
            let reach_m = known.reach_m(k);
            let distance = |seen: &Seen| {
                if (seen.at_m..=seen.to_m).contains(&at_m) {
                    0.0
                } else {
                    (seen.at_m - at_m).abs().min((seen.to_m - at_m).abs())
                }
            };
            let mut near: Vec<usize> = (0..report.seen.len())
                .filter(|&j| {
                    let seen = &report.seen[j];
                    let is_free = !taken[j] || seen.kind == Kind::Group;
                    seen.kind != Kind::Echo && is_free && distance(seen) <= reach_m
                })
                .collect();
            near.sort_by(|&i, &j| distance(&report.seen[i]).total_cmp(&distance(&report.seen[j])));
            // The nearest is it; others this near are the same event once more.
            for &j in &near {
                taken[j] = true;
            }
            for &j in near.iter().skip(1) {
                self.doubled.push(mark(report.seen[j].at_m - at_m, at_m));
            }
            let seen = near.first().map(|&j| &report.seen[j]);
            self.add_event(known, k, seen);
        }
        self.add_echoes(known, report, &taken);
    }

    fn add_event(&mut self, known: &Known<'_>, k: usize, seen: Option<&Seen>) {
        let events = &known.truth.events;
        let (event, bound) = (&events[k], &known.bounds[k]);
        let at_m = event.position.m();
        let mark = |value: f64| Case {
            value,
            seed: known.seed,
            at_m,
        };
        let is_inner = k > 0 && k + 1 < events.len();
        let size = bound.size();
        if is_inner {
            let bin = SIZES.iter().position(|s| size < *s).unwrap_or(0);
            self.found[bin].1 += 1;
            if seen.is_some() {
                self.found[bin].0 += 1;
            } else {
                self.missed.push(mark(size));
            }
        }
        self.kinds[row(event)][column(seen.map_or(Kind::Nothing, |s| s.kind))] += 1;
        let Some(seen) = seen.filter(|s| s.kind != Kind::Group) else {
            return;
        };
        if let (Some(loss_db), Some(true_loss)) = (seen.loss_db, event.loss) {
            let error_db = loss_db - true_loss.db();
            if let Some(limit_db) = bound.loss_db().filter(|_| is_inner) {
                if bound.is_noise_limited() {
                    self.loss_by_bound.push(mark(error_db / limit_db));
                }
                if limit_db < CLEAR_DB {
                    self.clear_losses.push(mark(error_db));
                }
            }
            if let Some(stated_db) = seen.loss_error_db.filter(|e| *e > 0.0) {
                self.loss_by_error.push(mark(error_db / stated_db));
            }
        }
        let error_m = seen.at_m - at_m;
        if let Some(stated_m) = seen.at_error_m.filter(|e| *e > 0.0 && k > 0) {
            self.place_by_error.push(mark(error_m / stated_m));
        }
        match event.reflectance {
            Some(reflectance) => {
                if k > 0 {
                    self.reflections.push(mark(error_m / known.spacing_m));
                }
                for found_db in &seen.reflectances_db {
                    self.reflectances.push(mark(found_db - reflectance.db()));
                }
            }
            None if is_inner && bound.clearness() >= CLEAR_PLACE => {
                self.place_by_bound.push(mark(error_m / bound.from_first_m));
            }
            None => {}
        }
    }

    /// What is left over: echoes named or taken for events, and false events.
    fn add_echoes(&mut self, known: &Known<'_>, report: &Report, taken: &[bool]) {
        let reach_m = 3.0 * known.pulse_m;
        for echo in &known.truth.echoes {
            let at_m = echo.position.m();
            let as_what = report
                .seen
                .iter()
                .zip(taken)
                .filter(|(seen, taken)| !**taken && (seen.at_m - at_m).abs() <= reach_m)
                .map(|(seen, _)| seen.kind)
                .next();
            if (0.0..=known.truth.length.m()).contains(&at_m) {
                self.kinds[2][column(as_what.unwrap_or(Kind::Nothing))] += 1;
            }
        }
        for (seen, _) in report
            .seen
            .iter()
            .zip(taken)
            .filter(|(s, t)| !**t && s.kind != Kind::Echo)
        {
            let mark = Case {
                value: seen.loss_db.unwrap_or(f64::NAN),
                seed: known.seed,
                at_m: seen.at_m,
            };
            let is_echo = known
                .truth
                .echoes
                .iter()
                .any(|echo| (echo.position.m() - seen.at_m).abs() <= reach_m);
            if is_echo {
                self.echoes_taken.push(mark);
            } else {
                self.false_events.push(mark);
            }
        }
    }

    /// Adds another tally to this one.
    pub(crate) fn join(mut self, other: Self) -> Self {
        self.links += other.links;
        self.km += other.km;
        for (one, more) in self.found.iter_mut().zip(other.found) {
            one.0 += more.0;
            one.1 += more.1;
        }
        for (one, more) in self
            .kinds
            .iter_mut()
            .flatten()
            .zip(other.kinds.iter().flatten())
        {
            *one += more;
        }
        self.refused.extend(other.refused);
        self.missed.extend(other.missed);
        self.false_events.extend(other.false_events);
        self.doubled.extend(other.doubled);
        self.echoes_taken.extend(other.echoes_taken);
        self.loss_by_bound.extend(other.loss_by_bound);
        self.clear_losses.extend(other.clear_losses);
        self.place_by_bound.extend(other.place_by_bound);
        self.reflections.extend(other.reflections);
        self.lengths.extend(other.lengths);
        self.reflectances.extend(other.reflectances);
        self.loss_by_error.extend(other.loss_by_error);
        self.place_by_error.extend(other.place_by_error);
        self.seconds.extend(other.seconds);
        self
    }

    /// Half of the width of the middle 68 % of the places' errors over their bounds, as
    /// one value: what it would be without the few that noise has thrown far.
    pub(crate) fn place_by_bound_core(&self) -> Vec<Case> {
        let mut sorted = self.place_by_bound.clone();
        sorted.sort_by(|p, q| p.value.abs().total_cmp(&q.value.abs()));
        sorted
            .get(sorted.len() * 683 / 1000)
            .copied()
            .into_iter()
            .collect()
    }

    /// Joints found and all of them, of at least a size in bounds.
    pub(crate) fn found_from(&self, size: f64) -> (usize, usize) {
        let mut lower = 0.0;
        let mut sum = (0, 0);
        for (bin, upper) in self.found.iter().zip(SIZES) {
            if lower >= size {
                sum = (sum.0 + bin.0, sum.1 + bin.1);
            }
            lower = upper;
        }
        sum
    }
}

/// Root mean square; NaN of nothing.
pub(crate) fn rms(values: &[Case]) -> f64 {
    (values.iter().map(|v| v.value * v.value).sum::<f64>() / values.len() as f64).sqrt()
}

/// Share of values outside ±`limit`.
pub(crate) fn share_outside(values: &[Case], limit: f64) -> f64 {
    values.iter().filter(|v| v.value.abs() > limit).count() as f64 / values.len() as f64
}

fn row(event: &TrueEvent) -> usize {
    match event.kind {
        TrueKind::Splice | TrueKind::Bend => 1,
        TrueKind::Connector | TrueKind::Break | TrueKind::End => 0,
    }
}

fn column(kind: Kind) -> usize {
    KINDS.iter().position(|k| k.0 == kind).unwrap_or(0)
}
