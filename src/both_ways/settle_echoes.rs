//! Takes echoes out and looks again; what then shows a step of its own was none.

use crate::detect::{DetectSettings, Mark};

use super::echo::{Echo, find_echoes, hidden, is_denied, predicted, shows};
use super::ends::HAS_STEP;
use super::joint::Joint;

/// Rounds of taking out echoes: a weaker one may show only when a stronger one is gone.
const ROUNDS: usize = 3;

impl Joint {
    /// Names the echoes among the marks and takes them, and what they hide, out.
    ///
    /// A peak that reflections explain may stand on or beside a joint, and its mark then
    /// carries the joint's step. So each is left out, the fibre looked through again, and
    /// where a step shows under it, it is a joint after all: its place goes to `refuted`.
    /// Where the other direction would show such a reflection and does not, echo and joint
    /// are two.
    pub(super) fn settle_echoes(&mut self, settings: DetectSettings, refuted: &mut Vec<f64>) {
        for _ in 0..ROUNDS {
            let reach = self.reach() + self.pulse_m();
            let echoes: Vec<Echo> = find_echoes(self)
                .into_iter()
                .filter(|e| refuted.iter().all(|z| (z - e.z_m).abs() > reach))
                .collect();
            if echoes.is_empty() {
                return;
            }
            let before = self.clone();
            self.take_out(&echoes);
            self.find_again(settings);
            let (wrong, right): (Vec<Echo>, Vec<Echo>) = echoes
                .into_iter()
                .partition(|e| self.has_step_under(e, &before) && !before.is_denied(e, settings));
            if !wrong.is_empty() {
                *self = before;
                refuted.extend(wrong.iter().map(|e| e.z_m));
                self.take_out(&right);
                self.find_again(settings);
            }
        }
    }

    /// Length of the longer pulse on A's axis.
    pub(super) fn pulse_m(&self) -> f64 {
        let views = self.views();
        let pulse = views
            .iter()
            .map(|v| v.eye.pulse_samples / v.per_metre.abs());
        pulse.fold(0.0, f64::max)
    }

    /// Looks again with the marks there are, the levels having changed.
    pub(super) fn find_again(&mut self, settings: DetectSettings) {
        let mut marks = std::mem::take(&mut self.marks);
        marks.iter_mut().for_each(Mark::forget);
        self.marks = self.finder(settings).find(marks);
    }

    /// Leaves the samples of echoes that the reflections seen so far must make out of
    /// what is looked at; whether there were any that were not left out before.
    pub(super) fn leave_out_predicted(&mut self) -> bool {
        let new = predicted(self);
        self.take_out(&new);
        !new.is_empty()
    }

    /// Whether two echoes are one: in one view, within a pulse.
    pub(super) fn same(&self, one: &Echo, other: &Echo) -> bool {
        one.view == other.view && (one.z_m - other.z_m).abs() <= self.pulse_m()
    }

    /// Forgets the predicted echoes that do not show.
    pub(super) fn keep_what_shows(&mut self, settings: DetectSettings) {
        let finder = self.finder(settings);
        let views = self.views();
        let seen: Vec<Echo> = (self.echoes.iter())
            .filter(|e| {
                let next = self.marks.partition_point(|m| m.z_m < e.z_m);
                let before = next.checked_sub(1).map(|k| &self.marks[k]);
                let spans = finder.spans(before, self.marks.get(next));
                let found = e.mark.is_some();
                let found_too = |o: &Echo| o.mark.is_some() && self.same(o, e);
                found
                    || (!self.echoes.iter().any(found_too)
                        && shows(&views[e.view], e, spans[e.view]))
            })
            .copied()
            .collect();
        self.echoes = seen;
    }

    /// Takes marks of echoes and the samples they hide out of what is looked at.
    fn take_out(&mut self, echoes: &[Echo]) {
        let blocks: Vec<_> = {
            let views = self.views();
            let block = |e: &Echo| {
                if let Some(mark) = e.mark {
                    return self.marks[mark].blocks[e.view];
                }
                Some(hidden(&views[e.view], e))
            };
            echoes.iter().map(block).collect()
        };
        for (v, eye) in [&mut self.eye_a, &mut self.eye_b].into_iter().enumerate() {
            let of_view = echoes
                .iter()
                .zip(&blocks)
                .filter(|(echo, _)| echo.view == v);
            let stretches: Vec<(usize, usize)> = of_view.filter_map(|(_, block)| *block).collect();
            eye.leave_out(&stretches);
        }
        let mut index = 0;
        self.marks.retain(|_| {
            index += 1;
            echoes.iter().all(|e| e.mark != Some(index - 1))
        });
        self.echoes.extend_from_slice(echoes);
    }

    /// Whether a step now shows where the echo's peak lay, or so near that it cannot be
    /// told from it: one that was not there before, and that the other direction, which
    /// has no echo there, sees as well wherever it can.
    fn has_step_under(&self, echo: &Echo, before: &Self) -> bool {
        let view = &before.views()[echo.view];
        let hidden = echo.mark.and_then(|m| before.marks[m].blocks[echo.view]);
        let Some((lo, hi)) = hidden else { return false };
        let (p, q) = (view.place(lo as f64), view.place(hi as f64));
        let pulse_m = self.pulse_m();
        let same = 2.0 / view.per_metre.abs();
        let was_there = |m: &Mark| {
            let others = (before.marks.iter().enumerate()).filter(|(k, _)| echo.mark != Some(*k));
            others
                .map(|(_, n)| n)
                .any(|n| (n.z_m - m.z_m).abs() <= same)
        };
        let has_step = |m: &Mark| match (m.significance[1 - echo.view], m.significance[echo.view]) {
            (Some(other), _) => other.abs() >= HAS_STEP,
            (None, own) => own.is_some_and(|own| own.abs() >= HAS_STEP),
        };
        self.marks
            .iter()
            .filter(|m| m.z_m > p.min(q) - pulse_m && m.z_m < p.max(q) + pulse_m)
            .any(|m| has_step(m) && !was_there(m))
    }

    /// Whether the other direction denies that an echo's peak is a joint's.
    fn is_denied(&self, echo: &Echo, settings: DetectSettings) -> bool {
        let finder = self.finder(settings);
        let others = || {
            let marks = self.marks.iter().enumerate();
            marks.filter(|(k, _)| echo.mark != Some(*k)).map(|(_, m)| m)
        };
        let before = others().rfind(|m| m.z_m < echo.z_m);
        let spans = finder.spans(before, others().find(|m| m.z_m >= echo.z_m));
        let other = 1 - echo.view;
        is_denied(&self.views()[other], echo, spans[other], self.reach())
    }

    /// Whether a mark stands where an echo was taken out.
    pub(super) fn is_echo(&self, mark: &Mark) -> bool {
        let reach = self.reach() + 1.0 / self.placing[0].1;
        self.echoes
            .iter()
            .any(|e| (e.z_m - mark.z_m).abs() <= reach && !mark.reflective[1 - e.view])
    }
}
