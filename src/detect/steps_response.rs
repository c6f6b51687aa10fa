//! The receiver's time constants from the steps of a trace that shows no reflection, the drop
//! at its end among them.

use super::end::drop_misfit;
use super::eye::Eye;
use super::find::Finder;
use super::mark::Mark;
use super::profile::Stretch;
use super::response::Response;
use super::view::View;

/// Standard errors of a step from which its ramp shows a shape: a hundredth of it is then
/// seen in a single sample or two.
const SHOWS: f64 = 50.0;

/// Most steps asked.
const ASKED: usize = 6;

/// Pulse lengths on each side of a step that are looked at.
const AROUND: f64 = 6.0;

/// Time constants tried, in pulse lengths, and the faster of two as part of the slower.
const TRIED: [f64; 8] = [0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.27, 0.35];
const SECOND: [f64; 2] = [0.0, 0.6];

/// Difference of χ² from which one receiver is believed before another: one or two
/// numbers more, and 25 comes by chance once in 100,000 comparisons.
const BELIEVED: f64 = 25.0;

impl Eye {
    /// The eye with the response that its clearest steps and the drop at its end show, where
    /// no reflection shows one; none where these neither do.
    pub fn with_response_of(&self, finder: &Finder<'_>, marks: &[Mark]) -> Option<Self> {
        let mut clearest: Vec<(f64, usize)> = (marks.iter().enumerate())
            .filter(|(_, m)| !m.strong && !m.reflective[0])
            .filter_map(|(i, m)| Some((m.significance[0]?.abs(), i)))
            .filter(|(errors, _)| *errors > SHOWS)
            .collect();
        clearest.sort_by(|a, b| b.0.total_cmp(&a.0));
        clearest.truncate(ASKED);
        let ends_in_drop = drop_misfit(self).is_some();
        if self.shows_response || (clearest.is_empty() && !ends_in_drop) {
            return None;
        }
        let reach_m = 0.5 * self.pulse_samples * self.spacing_m;
        // χ² of all the steps and of the drop, and the samples that it is of.
        let cost = |eye: &Eye| -> (f64, usize) {
            let views = [View::own(eye)];
            let of = |&(_, i): &(f64, usize)| {
                let before = i.checked_sub(1).map(|k| &marks[k]);
                let z_m = marks[i].z_m;
                let spans = finder.spans(before, marks.get(i + 1));
                let spans = finder.near(&spans, z_m, 2.0 * AROUND * reach_m);
                let [step, _] =
                    Stretch::new(&views, &spans).locate(z_m - reach_m, z_m + reach_m)?;
                Some((step.chi_square, spans[0].hi - spans[0].lo))
            };
            let each = clearest.iter().filter_map(of).chain(drop_misfit(eye));
            each.fold((0.0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1))
        };
        let response = |share: f64, second: f64| Response {
            pulse: self.response.pulse,
            pole: share * self.response.pulse,
            second: second * share * self.response.pulse,
            ..Response::default()
        };
        let (at_once, _) = cost(self);
        let tried: Vec<(f64, usize, Self)> = TRIED
            .iter()
            .flat_map(|&share| SECOND.map(|second| self.through(response(share, second))))
            .map(|eye| {
                let (cost, samples) = cost(&eye);
                (cost, samples, eye)
            })
            .collect();
        let (least, samples, _) = tried.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        // The first in the order of the slower constant that does nearly as well: a slower one
        // moves all places, and a shape
        // that is not quite the receiver's must not choose it.
        let enough = least + BELIEVED * (least / (*samples).max(1) as f64).max(1.0);
        if at_once <= enough {
            return None;
        }
        let chosen = tried.iter().find(|(cost, _, _)| *cost <= enough);
        chosen.map(|(_, _, eye)| eye.clone())
    }
}
