//! The lines beside an event between two samples, and the samples in its ramp.

use std::collections::VecDeque;
use std::ops::Range;

use super::eye::DB_PER_NEPER;
use super::response::Answers;
use super::sums::Line;
use super::view::{Span, View, before};

/// χ² of one view with an event at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// χ² of lines and ramp alone.
    pub step_only: f64,
    /// Drop of χ² that a peak gives.
    pub peak_gain: f64,
    /// Height of the peak as power relative to the backscatter.
    pub peak: f64,
    /// Its variance.
    pub peak_variance: f64,
    /// Apparent loss in dB.
    pub loss_db: f64,
    /// Its variance.
    pub loss_variance: f64,
    /// Fisher information of the place, per sample².
    pub place_information: f64,
    /// χ² of the samples in the ramp with the peak fitted, and their number.
    pub ramp: (f64, usize),
}

impl Fit {
    /// Loss over its standard error, squared.
    pub(super) fn square(&self) -> f64 {
        self.loss_db * self.loss_db / self.loss_variance
    }
}

/// What one view has between neighbouring samples in a row, each worked out when it is
/// first asked for.
#[derive(Debug, Default)]
pub(super) struct Gaps {
    /// Sample before the first gap of the row.
    first: usize,
    row: VecDeque<Asked>,
    made: Vec<Gap>,
    /// Power of the samples in the ramps over that of the line before.
    power: Vec<f64>,
    /// By how much the power of the line after is more there than that of the line before.
    drop: Vec<f64>,
}

/// What is known of a gap.
#[derive(Debug, Clone, Copy)]
enum Asked {
    Never,
    NoLine,
    /// Its index among those that were made.
    Made(usize),
}

/// The lines beside an event and the samples in its ramp: the same for all places
/// between two samples.
#[derive(Debug)]
struct Gap {
    /// Last sample before the event.
    edge: usize,
    left: Line,
    right: Line,
    /// Where its ramp's samples are kept, once they are.
    samples: Option<Range<usize>>,
    /// Samples in the ramp that have a weight.
    seen: usize,
}

impl Gaps {
    /// χ² of the two lines beside the gap behind sample `edge`; none where no line fits.
    pub(super) fn beside(&mut self, of: (&View<'_>, Span), edge: usize) -> Option<f64> {
        let at = self.at(of, edge)?;
        let gap = &self.made[at];
        Some(gap.left.chi_square + gap.right.chi_square)
    }

    /// Fits an event with its leading edge at index `x` to the samples of a span.
    pub(super) fn fit(
        &mut self,
        (view, span): (&View<'_>, Span),
        x: f64,
        answers: &mut Answers,
    ) -> Option<Fit> {
        let at = self.at((view, span), before(x)?)?;
        let gap = &mut self.made[at];
        if gap.samples.is_none() {
            gap.fill((&mut self.power, &mut self.drop), view, span);
        }
        let samples = gap.samples.clone().unwrap_or_default();
        let ramp = (&self.power[samples.clone()], &self.drop[samples]);
        Some(gap.fit(ramp, view, x, answers))
    }

    /// Index of the gap behind sample `edge`.
    fn at(&mut self, (view, span): (&View<'_>, Span), edge: usize) -> Option<usize> {
        // No line can be drawn there, and the row must not grow to it.
        if !(span.lo..span.hi).contains(&edge) {
            return None;
        }
        if self.row.is_empty() {
            self.first = edge;
        }
        while self.first > edge {
            self.row.push_front(Asked::Never);
            self.first -= 1;
        }
        while self.first + self.row.len() <= edge {
            self.row.push_back(Asked::Never);
        }
        let asked = &mut self.row[edge - self.first];
        if let Asked::Never = asked {
            *asked = Asked::NoLine;
            if let Some((left, right)) = view.lines(edge as f64, span, usize::MAX) {
                *asked = Asked::Made(self.made.len());
                self.made.push(Gap {
                    edge,
                    left,
                    right,
                    samples: None,
                    seen: 0,
                });
            }
        }
        match *asked {
            Asked::Made(at) => Some(at),
            Asked::Never | Asked::NoLine => None,
        }
    }
}

impl Gap {
    /// Sets the samples in the ramp against the two lines.
    fn fill(
        &mut self,
        (powers, drops): (&mut Vec<f64>, &mut Vec<f64>),
        view: &View<'_>,
        span: Span,
    ) {
        let eye = view.eye;
        let first = self.edge + 1;
        let last = (first + eye.hidden_samples()).min(span.hi);
        // The power of a line changes by one factor a sample.
        let at = first as f64;
        let base = self.left.at(at);
        let slope = self.left.slope;
        let power = |db: f64| (db / DB_PER_NEPER).exp();
        let (mut gain, factor) = (
            power(-(base + eye.trend.0 + eye.trend.1 * at)),
            power(-(slope + eye.trend.1)),
        );
        let (mut ratio, ratio_factor) = (
            power(self.right.at(at) - base),
            power(self.right.slope - slope),
        );
        let from = powers.len();
        for value in &eye.power.value[first..last] {
            powers.push(value * gain);
            drops.push(ratio - 1.0);
            gain *= factor;
            ratio *= ratio_factor;
        }
        self.samples = Some(from..powers.len());
        let weights = eye.weight[first..last].iter();
        self.seen = weights.filter(|w| **w > 0.0).count();
    }

    /// Fits an event with its leading edge at index `x`, at the edge sample or less than
    /// one behind it.
    ///
    /// With the ramp q and the peak b of the eye's [`super::response::Response`], the
    /// model is P = left·(1 − q) + right·q + E·left·b in linear power: what the pulse
    /// and the receiver make of a step and a reflection at x.
    fn fit(
        &self,
        (power, drop): (&[f64], &[f64]),
        view: &View<'_>,
        x: f64,
        answers: &mut Answers,
    ) -> Fit {
        let eye = view.eye;
        let (left, right) = (&self.left, &self.right);
        let middle = x + eye.response.middle();
        let loss_db = left.at(middle) - right.at(middle);
        let first = self.edge + 1;
        answers.begin(first as f64 - x, power.len());
        let weight = &eye.weight[first..first + power.len()];
        let samples = weight.iter().zip(power).zip(drop);
        let (mut square, mut sum_b, mut sum_rb, mut place_information) = (0.0, 0.0, 0.0, 0.0);
        for ((q, shape), ((w, power), drop)) in answers.iter().zip(samples) {
            let model = 1.0 + drop * q;
            // A residual in dB at the level of the model; power relative to the line
            // before is linear in the noise.
            let unit = DB_PER_NEPER / model.max(1e-3);
            let residual = unit * (power - model);
            let b = unit * shape;
            let (wr, wb) = (w * residual, w * b);
            square += wr * residual;
            sum_b += wb * b;
            sum_rb += wb * residual;
            // The ramp's own slope is the peak's shape over the pulse.
            place_information += wb * b * (drop * drop);
        }
        place_information /= eye.response.pulse * eye.response.pulse;
        let (peak, peak_variance) = if sum_b > 0.0 {
            (sum_rb / sum_b, 1.0 / sum_b)
        } else {
            (0.0, f64::INFINITY)
        };
        let peak_gain = if peak > 0.0 { peak * sum_rb } else { 0.0 };
        Fit {
            step_only: left.chi_square + right.chi_square + square,
            peak_gain,
            peak,
            peak_variance,
            loss_db,
            loss_variance: left.variance_at(middle) + right.variance_at(middle),
            place_information,
            ramp: (square - peak_gain, self.seen),
        }
    }
}
