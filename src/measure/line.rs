//! The line on one side of an event: as long as the fibre is straight.

use crate::detect::{Eye, Line, Span, View};
use crate::units::{Attenuation, Measured};

/// Standard errors of bend at which a stretch no longer counts as straight; one
/// straight stretch in a thousand is shortened by chance.
const BENT: f64 = 3.3;

/// Fewest samples and fewest pulse lengths that a shortened line keeps: in less,
/// a free slope makes the level at the event worse than the bend does.
const LEAST_SAMPLES: usize = 32;
const LEAST_PULSES: f64 = 2.5;

/// Which end of a stretch an event lies at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The stretch lies before the event, in the direction of travel.
    Before,
    /// The stretch lies after it.
    After,
}

/// Slope known from the link's sections together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownSlope {
    /// Level per sample, the trend of the eye taken out.
    pub slope: f64,
    /// Its variance for any one section: how sections differ, and the mean's own. A section
    /// that falls faster does so from both ends, where the mean of both directions adds
    /// variances as if they were independent; so it is twice that.
    pub variance: f64,
    /// Samples from the link's first to its last connector: cords may be of other fibre.
    pub glass: Span,
    /// Whether it is the slope of the link's own sections; where they are fewer than three,
    /// cords count, and only what is too short for a slope of its own borrows it.
    pub of_link: bool,
}

impl KnownSlope {
    /// As the attenuation of the link's sections together, with how far one may lie from it at
    /// most; none where cords had to count.
    pub fn attenuation(&self, view: &View<'_>) -> Option<Measured<Attenuation>> {
        let per_km = view.per_metre.abs() * 1000.0;
        let per_sample = self.slope + view.eye.trend.1;
        // Doubled for the mean of both directions.
        let variance = 0.5 * self.variance;
        self.of_link.then(|| Measured {
            value: Attenuation::from_db_per_km(-per_sample * per_km),
            std_error: Some(Attenuation::from_db_per_km(variance.sqrt() * per_km)),
        })
    }

    /// Whether a stretch is of the link's own fibre.
    fn is_of_link(glass: Span, span: &Span) -> bool {
        (glass.lo..glass.hi).contains(&usize::midpoint(span.lo, span.hi))
    }
}

/// A line and what had to be done to get it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SideLine {
    /// The line; levels are the eye's detrended ones.
    pub line: Line,
    /// Samples used.
    pub samples: usize,
    /// The stretch was not straight, and only the part next to the event was used.
    pub shortened: bool,
    /// The slope comes from the link's other sections.
    pub slope_known: bool,
}

/// Fits the line beside an event over `span`, shortened towards the event as long
/// as the stretch is bent beyond its noise.
///
/// A straight stretch of the link, and any one shorter than 2.5 pulse lengths, leans on the
/// slope of all together by what both are known to: to a long one that adds nothing, to a
/// short one, whose own slope would be drawn out to the event, nearly all. A stretch is one
/// of those it leans on: with three alike that states its variance too small by less than the
/// doubling of theirs adds.
///
/// # Source
/// A slope known to τ beforehand adds 1/τ² to its information: derived, as the weights of
/// any two independent estimates.
///
/// What the line leaves beyond four standard errors of its noise widens its errors by
/// √(χ²/(n − 2)).
///
/// None with fewer than six samples.
pub fn side_line(eye: &Eye, span: Span, side: Side, known: Option<KnownSlope>) -> Option<SideLine> {
    let mut span = span;
    let mut shortened = false;
    let least = LEAST_SAMPLES.max((LEAST_PULSES * eye.pulse_samples).ceil() as usize);
    while span.hi - span.lo >= 2 * least && bend(eye, span).abs() > BENT {
        let half = (span.hi - span.lo) / 2;
        match side {
            Side::Before => span.lo = span.hi - half,
            Side::After => span.hi = span.lo + half,
        }
        shortened = true;
    }
    let samples = span.hi.saturating_sub(span.lo);
    if samples < 6 {
        return None;
    }
    let mut line = eye.sums.line(span.lo, span.hi)?;
    // What a line cannot explain is no noise, and its errors are not those of noise: an
    // event that was not found there tilts it, and the tilt is drawn out to the event.
    let strain = strain(line.chi_square, samples);
    line.level_variance *= strain;
    line.slope_variance *= strain;
    let short = (samples as f64) < LEAST_PULSES * eye.pulse_samples;
    let mut slope_known = false;
    // A bent stretch does not fall as the others do, nor need a cord.
    let leans = |known: &KnownSlope| {
        short || (known.of_link && !shortened && KnownSlope::is_of_link(known.glass, &span))
    };
    if let Some(known) = known.filter(leans) {
        let own = 1.0 / line.slope_variance;
        let lent = 1.0 / known.variance.max(f64::MIN_POSITIVE);
        line.slope = (line.slope * own + known.slope * lent) / (own + lent);
        line.slope_variance = 1.0 / (own + lent);
        slope_known = short;
    }
    Some(SideLine {
        line,
        samples,
        shortened,
        slope_known,
    })
}

/// χ² per sample that a line leaves, where it is more than four standard errors of chance
/// above 1; else 1.
fn strain(chi_square: f64, samples: usize) -> f64 {
    let freedom = samples.saturating_sub(2).max(1) as f64;
    let ratio = chi_square / freedom;
    if ratio > 1.0 + 4.0 * (2.0 / freedom).sqrt() {
        ratio
    } else {
        1.0
    }
}

/// How far a stretch is bent: outer quarters against inner quarters about the
/// line through all, over the standard error of that contrast.
pub fn bend(eye: &Eye, span: Span) -> f64 {
    let Some(line) = eye.sums.line(span.lo, span.hi) else {
        return 0.0;
    };
    let quarter = (span.hi - span.lo) / 4;
    let mut contrast = 0.0;
    let mut variance = 0.0;
    for (k, sign) in [1.0, -1.0, -1.0, 1.0].into_iter().enumerate() {
        let lo = span.lo + k * quarter;
        let Some(part) = eye.sums.line(lo, lo + quarter) else {
            return 0.0;
        };
        contrast += sign * (part.level - line.at(part.centre));
        variance += part.level_variance;
    }
    contrast / variance.sqrt()
}

/// Slope of the well measured stretches of the link's fibre `glass` and their spread; none
/// from fewer than three, for which cords count where the link has fewer.
pub fn usual_slope(eye: &Eye, spans: &[Span], glass: Span) -> Option<KnownSlope> {
    let least = (5.0 * eye.pulse_samples).ceil().max(32.0) as usize;
    let measured = |spans: &[&Span]| -> Vec<_> {
        let spans = spans.iter().filter(|s| s.hi >= s.lo + least);
        spans.filter_map(|s| eye.sums.line(s.lo, s.hi)).collect()
    };
    let all: Vec<&Span> = spans.iter().collect();
    let of_link = all.iter().copied();
    let of_link: Vec<&Span> = of_link
        .filter(|s| KnownSlope::is_of_link(glass, s))
        .collect();
    let mut lines = measured(&of_link);
    let of_link = lines.len() >= 3;
    if !of_link {
        lines = measured(&all);
    }
    if lines.len() < 3 {
        return None;
    }
    let count = lines.len() as f64;
    // Weighted by noise and spread: mean, its variance, and χ² about it.
    let about = |spread: f64| {
        let weights = lines.iter().map(|l| 1.0 / (l.slope_variance + spread));
        let total: f64 = weights.clone().sum();
        let slope = lines.iter().zip(weights.clone()).map(|(l, w)| w * l.slope);
        let slope = slope.sum::<f64>() / total;
        let squares = lines.iter().zip(weights);
        let squares = squares.map(|(l, w)| w * (l.slope - slope).powi(2));
        (slope, 1.0 / total, squares.sum::<f64>())
    };
    // The greatest spread that leaves no less than χ² less its standard error; that of
    // three may be any, and is taken as it is, noise and all.
    let mean = lines.iter().map(|l| l.slope).sum::<f64>() / count;
    let plain = lines.iter().map(|l| (l.slope - mean).powi(2)).sum::<f64>() / (count - 1.0);
    let freedom = count - 1.0;
    let least_square = freedom - (2.0 * freedom).sqrt();
    let (mut lo, mut hi) = (0.0, plain);
    if least_square > 0.0 {
        while about(hi).2 > least_square {
            hi *= 2.0;
        }
        for _ in 0..BISECTIONS {
            let middle = f64::midpoint(lo, hi);
            if about(middle).2 > least_square {
                lo = middle;
            } else {
                hi = middle;
            }
        }
    }
    let (slope, variance, _) = about(hi);
    Some(KnownSlope {
        slope,
        variance: 2.0 * (hi + variance),
        glass,
        of_link,
    })
}

/// Halvings of the range in which the spread of slopes is sought: to a part in a million.
const BISECTIONS: usize = 20;

/// Attenuation of a stretch in one direction, per kilometre of the view's axis.
pub fn attenuation(view: &View<'_>, span: Span) -> Option<Measured<Attenuation>> {
    let eye = view.eye;
    let line = (span.hi >= span.lo + 8)
        .then(|| eye.sums.line(span.lo, span.hi))
        .flatten()?;
    let per_km = view.per_metre.abs() * 1000.0;
    // A bent stretch still has a mean slope; its error grows by the misfit.
    let misfit = (bend(eye, span).abs() / BENT).max(1.0);
    Some(Measured {
        value: Attenuation::from_db_per_km(-(line.slope + eye.trend.1) * per_km),
        std_error: Some(Attenuation::from_db_per_km(
            line.slope_variance.sqrt() * per_km * misfit,
        )),
    })
}
