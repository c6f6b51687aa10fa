//! The receiver's time constants from the steps of a trace that shows no reflection, the drop
//! at its end among them, or only one, which a ceiling may have cut off.

use super::end::drop_misfit;
use super::eye::Eye;
use super::find::Finder;
use super::mark::Mark;
use super::profile::Stretch;
use super::response::Response;
use super::view::View;

/// Standard errors of a step from which its ramp shows a shape: a part in thirty of it is then
/// seen in a single sample or two, which a time constant of a third of the pulse makes.
const SHOWS: f64 = 20.0;

/// Most steps asked.
const ASKED: usize = 6;

/// Pulse lengths on each side of a step that are looked at.
const AROUND: f64 = 6.0;

/// Time constants tried, in pulse lengths, and the faster of two as part of the slower.
const TRIED: [f64; 8] = [0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.27, 0.35];
const SECOND: [f64; 2] = [0.0, 0.6];

/// Part of a time constant to which it is told: a hundredth of a sample or two.
const FINEST: f64 = 0.02;

/// Share of the time constants that a lone reflection tells below which those of the steps
/// refute them.
const REFUTED: f64 = 0.5;

/// Difference of χ² from which one receiver is believed before another: one number more,
/// three standard errors. What is believed by chance is little: the place of a step moves by
/// as many of its own standard errors at most.
const BELIEVED: f64 = 9.0;

impl Eye {
    /// The eye with the response that its clearest steps and the drop at its end show, where
    /// no reflection shows one, or a lone one shows what the steps contradict; none where these
    /// show nothing else.
    pub fn with_response_of(&self, finder: &Finder<'_>, marks: &[Mark]) -> Option<Self> {
        let mut clearest: Vec<(f64, usize)> = (marks.iter().enumerate())
            .filter(|(_, m)| !m.strong && !m.reflective[0])
            .filter_map(|(i, m)| Some((m.significance[0]?.abs(), i)))
            .filter(|(errors, _)| *errors > SHOWS)
            .collect();
        clearest.sort_by(|a, b| b.0.total_cmp(&a.0));
        clearest.truncate(ASKED);
        let ends_in_drop = drop_misfit(self).is_some();
        if self.response_shown_by > 1 || (clearest.is_empty() && !ends_in_drop) {
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
        let response = |[share, second]: [f64; 2]| Response {
            pulse: self.response.pulse,
            pole: share * self.response.pulse,
            second: second * share * self.response.pulse,
            ..Response::default()
        };
        let (as_it_is, _) = cost(self);
        // The likeliest with a faster constant that is this part of the slower one.
        let likeliest = |second: f64| -> (f64, usize, [f64; 2]) {
            let of = |share: f64| {
                let (cost, samples) = cost(&self.through(response([share, second])));
                (cost, samples, [share, second])
            };
            let less = |a: &(f64, usize, [f64; 2]), b: &(f64, usize, [f64; 2])| a.0 < b.0;
            let mut best = of(TRIED[0]);
            for &share in &TRIED[1..] {
                let next = of(share);
                best = if less(&next, &best) { next } else { best };
            }
            // Between those tried the places of all steps would be off by half of the difference.
            let mut by = 0.25 * best.2[0];
            while by > FINEST * best.2[0] {
                let share = best.2[0];
                for near in [share - by, share + by] {
                    let next = of(near);
                    best = if less(&next, &best) { next } else { best };
                }
                by *= 0.5;
            }
            best
        };
        let [one, two] = SECOND.map(likeliest);
        let believed = BELIEVED * (one.0.min(two.0) / one.1.max(1) as f64).max(1.0);
        let (cost, _, shares) = if two.0 + believed < one.0 { two } else { one };
        // A reflection that was cut off looks slower than its receiver by far; what one tells
        // otherwise is sharper than what steps can say of it.
        let told = self.response.pole + self.response.second;
        let seen = response(shares);
        let is_refuted = seen.pole + seen.second < REFUTED * told;
        if as_it_is <= cost + believed || (self.response_shown_by > 0 && !is_refuted) {
            return None;
        }
        let mut eye = self.through(seen);
        // What the steps contradict is no answer to a pulse: the reflection was cut off. Of
        // several it is not known which.
        let placed = eye.peaks.iter().skip(1).filter(|p| p.place.is_some());
        let is_only = placed.count() == 1;
        for peak in eye.peaks.iter_mut().skip(1) {
            peak.clipped |= peak.place.take().is_some() && is_only;
        }
        Some(eye)
    }
}
