//! The receiver's time constant from the steps of a trace that shows no reflection.

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
const TRIED: [f64; 10] = [0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.27, 0.35, 0.45, 0.6];
const SECOND: [f64; 2] = [0.0, 0.6];

/// Drop of χ² from which a receiver that follows at once is out of question: one or two
/// numbers more, and 25 comes by chance once in 100,000 traces.
const BELIEVED: f64 = 25.0;

impl Eye {
    /// The eye with the response that its clearest steps show, where no reflection shows
    /// one; none where these neither do.
    pub fn with_response_of(&self, finder: &Finder<'_>, marks: &[Mark]) -> Option<Self> {
        let mut clearest: Vec<(f64, usize)> = (marks.iter().enumerate())
            .filter(|(_, m)| !m.strong && !m.reflective[0])
            .filter_map(|(i, m)| Some((m.significance[0]?.abs(), i)))
            .filter(|(square, _)| *square > SHOWS)
            .collect();
        clearest.sort_by(|a, b| b.0.total_cmp(&a.0));
        clearest.truncate(ASKED);
        if self.shows_response || clearest.is_empty() {
            return None;
        }
        let reach_m = 0.5 * self.pulse_samples * self.spacing_m;
        let cost = |eye: &Eye| -> f64 {
            let views = [View::own(eye)];
            let of = |&(_, i): &(f64, usize)| {
                let before = i.checked_sub(1).map(|k| &marks[k]);
                let z_m = marks[i].z_m;
                let spans = finder.spans(before, marks.get(i + 1));
                let spans = finder.near(&spans, z_m, 2.0 * AROUND * reach_m);
                let [step, _] =
                    Stretch::new(&views, &spans).locate(z_m - reach_m, z_m + reach_m)?;
                Some(step.chi_square)
            };
            clearest.iter().filter_map(of).sum()
        };
        let at_once = cost(self);
        let response = |share: f64, second: f64| Response {
            pulse: self.response.pulse,
            pole: share * self.response.pulse,
            second: second * share * self.response.pulse,
            ..Response::default()
        };
        TRIED
            .iter()
            .flat_map(|&share| SECOND.map(|second| self.through(response(share, second))))
            .map(|eye| (cost(&eye), eye))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(least, _)| at_once - least > BELIEVED)
            .map(|(_, eye)| eye)
    }
}
