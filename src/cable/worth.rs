//! The redo list: what to splice again, what it wins, and what the visits cost.

use crate::both_ways::{Link, Verdict};
use crate::units::{Loss, Measured};
use crate::verdict::{Limits, judge};

use super::check::Bad;
use super::draft::{Draft, median};
use super::plan::VisitTimes;
use super::redo::{RedoEntry, Visit, VisitStep};
use super::result::JointKind;

/// Seconds of one fusion (common practice, no source).
const FUSION_S: f64 = 15.0;
/// Seconds of one sleeve in the heater (common practice, no source).
const SLEEVE_S: f64 = 40.0;

/// Limits with the coverage factor that goes with them.
pub(super) type Judging<'l> = Option<(&'l Limits, f64)>;

/// Builds the list of the joints to splice again: those of the bad ones that are certain.
///
/// A new joint is expected to lose what its two fibres force on it and the usual
/// workmanship of this cable: the middle loss of the joints that are not bad.
pub(super) fn redo_list(
    draft: &Draft,
    bad: &[Bad],
    judging: Judging<'_>,
    chainage_m: &dyn Fn(f64) -> Option<f64>,
    length_m: f64,
) -> Vec<RedoEntry> {
    let mut entries: Vec<RedoEntry> = (bad.iter().filter(|one| one.is_certain))
        .filter(|one| {
            let joint = draft.joints.get(one.at.1);
            joint.is_some_and(|j| j.kind == JointKind::Joint)
        })
        .filter_map(|one| entry(draft, bad, one, chainage_m, length_m))
        .collect();
    for index in 0..entries.len() {
        entries[index].link_verdict_after = verdict_after(draft, &entries, index, judging);
    }
    rank(&mut entries);
    entries
}

fn entry(
    draft: &Draft,
    bad: &[Bad],
    one: &Bad,
    chainage_m: &dyn Fn(f64) -> Option<f64>,
    length_m: f64,
) -> Option<RedoEntry> {
    let ((fibre, joint), w) = (one.at, one.wavelength);
    let cell = draft.matrix.cell(fibre, joint, w)?;
    let loss = *cell.loss.as_ref().ok()?;
    let (link, event) = cell.source?;
    let event = draft.links.get(link)?.link.events.get(event)?;
    let split = event.workmanship.as_ref().ok();
    let usual = usual_workmanship(draft, bad, w);
    let forced = split.map(|s| s.forced);
    let expected = usual.map(|u| u.db() + forced.map_or(0.0, |f| f.value.db()));
    let expected_from = match (usual, forced) {
        (None, _) => "no other joint of the cable was measured at this wavelength".to_owned(),
        (Some(usual), Some(forced)) => format!(
            "{:.3} dB forced by the two fibres and {:.3} dB, the middle of the cable's good joints \
             at this wavelength",
            forced.value.db(),
            usual.db()
        ),
        (Some(usual), None) => format!(
            "{:.3} dB, the middle of the cable's good joints at this wavelength; what the two \
             fibres force cannot be said",
            usual.db()
        ),
    };
    let position = cell.position?;
    let at = draft.joints.get(joint)?.position.value.m();
    let along = |from_m: f64| {
        let (here, end) = (chainage_m(at)?, chainage_m(from_m)?);
        Some(crate::units::Length::from_m((here - end).abs()))
    };
    Some(RedoEntry {
        rank: 0,
        fibre,
        joint,
        wavelength: *draft.wavelengths.get(w)?,
        position,
        chainage_from_a: along(0.0),
        chainage_from_b: along(length_m),
        loss,
        forced,
        workmanship: split.map(|s| s.workmanship),
        // No new joint is promised to be worse than the old one.
        expected_after: expected.map(|e| Loss::from_db(e.min(loss.value.db()))),
        expected_from,
        link_verdict_after: Verdict::NotJudged,
    })
}

/// Middle of the workmanship shares of the joints that are not bad; of a joint of which
/// nothing can be said of the shares, its whole loss.
fn usual_workmanship(draft: &Draft, bad: &[Bad], w: usize) -> Option<Loss> {
    let mut shares = Vec::new();
    for (fibre, joint, wavelength, cell) in draft.matrix.iter() {
        let is_splice = draft
            .joints
            .get(joint)
            .is_some_and(|j| j.kind == JointKind::Joint);
        if wavelength != w || !is_splice || bad.iter().any(|one| one.at == (fibre, joint)) {
            continue;
        }
        let (Ok(loss), Some((link, event))) = (&cell.loss, cell.source) else {
            continue;
        };
        let event = draft.links.get(link).and_then(|l| l.link.events.get(event));
        let share = event
            .and_then(|e| e.workmanship.as_ref().ok())
            .map_or(loss.value, |s| s.workmanship.value);
        shares.push(share.db());
    }
    median(shares).map(|db| Loss::from_db(db.max(0.0)))
}

/// Verdict on the entry's link once all entries of that link are done as expected.
fn verdict_after(
    draft: &Draft,
    entries: &[RedoEntry],
    index: usize,
    judging: Judging<'_>,
) -> Verdict {
    let (Some((limits, coverage)), Some(entry)) = (judging, entries.get(index)) else {
        return Verdict::NotJudged;
    };
    let link = draft.links.iter().find(|l| {
        l.fibre == entry.fibre && draft.wavelengths.get(l.wavelength) == Some(&entry.wavelength)
    });
    let Some(link) = link else {
        return Verdict::NotJudged;
    };
    let mut after: Link = link.link.clone();
    for done in entries.iter().filter(|e| e.fibre == entry.fibre) {
        let cell = draft.matrix.cell(done.fibre, done.joint, link.wavelength);
        let Some((_, event)) = cell.and_then(|c| c.source) else {
            continue;
        };
        let Some(event) = after.events.get_mut(event) else {
            continue;
        };
        let (Some(expected), Ok(loss)) = (done.expected_after, &event.loss) else {
            continue;
        };
        let won = loss.value - expected;
        let std_error = loss.std_error;
        event.loss = Ok(Measured {
            value: expected,
            std_error,
        });
        if let Ok(total) = &mut after.loss {
            total.value = total.value - won;
        }
    }
    judge(&mut after, limits, coverage).verdict
}

/// Ranks: closures by what a visit wins in all, joints of a closure by what each wins.
fn rank(entries: &mut [RedoEntry]) {
    let won = |e: &RedoEntry| e.loss.value.db() - e.expected_after.map_or(0.0, Loss::db);
    let mut of_joint: std::collections::BTreeMap<usize, f64> = std::collections::BTreeMap::new();
    for entry in entries.iter() {
        *of_joint.entry(entry.joint).or_default() += won(entry);
    }
    entries.sort_by(|p, q| {
        let whole = |e: &RedoEntry| of_joint.get(&e.joint).copied().unwrap_or(0.0);
        whole(q)
            .total_cmp(&whole(p))
            .then(p.joint.cmp(&q.joint))
            .then(won(q).total_cmp(&won(p)))
            .then(p.fibre.cmp(&q.fibre))
    });
    for (index, entry) in entries.iter_mut().enumerate() {
        entry.rank = index + 1;
    }
}

/// One visit for each closure of the list, in its order, with the time of the steps
/// that are known.
pub(super) fn visits(entries: &[RedoEntry], times: &VisitTimes) -> Vec<Visit> {
    let groups = entries.chunk_by(|p, q| p.joint == q.joint);
    let mut first = 0;
    groups
        .map(|group| {
            let indices: Vec<usize> = (first..first + group.len()).collect();
            first += group.len();
            let joints = group.len();
            let mut steps = Vec::new();
            let mut not_counted = Vec::new();
            let mut add =
                |step: &str, times: usize, given: Option<f64>, usual: Option<f64>| match given
                    .or(usual)
                {
                    Some(seconds) => steps.push(VisitStep {
                        step: step.to_owned(),
                        times,
                        seconds,
                        given: given.is_some(),
                    }),
                    None => not_counted.push(step.to_owned()),
                };
            add(
                "reaching the closure and setting up",
                1,
                times.reaching_s,
                None,
            );
            add("opening the closure", 1, times.opening_s, None);
            add(
                "stripping, cleaning and cleaving",
                joints,
                times.preparing_s,
                None,
            );
            add("fusion", joints, times.fusion_s, Some(FUSION_S));
            add(
                "sleeve in the heater",
                joints,
                times.sleeve_s,
                Some(SLEEVE_S),
            );
            add("dressing the tray", joints, times.dressing_s, None);
            add("closing the closure", 1, times.closing_s, None);
            Visit {
                joint: group[0].joint,
                entries: indices,
                seconds: steps.iter().map(|s| s.times as f64 * s.seconds).sum(),
                steps,
                not_counted,
            }
        })
        .collect()
}
