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

/// Slope known from the link's other sections, for stretches too short for their own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownSlope {
    /// Level per sample, the trend of the eye taken out.
    pub slope: f64,
    /// Its variance: the spread among sections.
    pub variance: f64,
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
/// as the stretch is bent beyond its noise; a stretch shorter than
/// 2.5 pulse lengths borrows its slope.
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
    if short && let Some(known) = known {
        let own = 1.0 / line.slope_variance;
        let lent = 1.0 / known.variance.max(f64::MIN_POSITIVE);
        line.slope = (line.slope * own + known.slope * lent) / (own + lent);
        line.slope_variance = 1.0 / (own + lent);
        slope_known = true;
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

/// Slope of the link's well measured stretches and their spread, for those too
/// short for their own; none from fewer than three.
pub fn usual_slope(eye: &Eye, spans: &[Span]) -> Option<KnownSlope> {
    let least = (5.0 * eye.pulse_samples).ceil().max(32.0) as usize;
    let lines: Vec<_> = spans
        .iter()
        .filter(|s| s.hi >= s.lo + least)
        .filter_map(|s| eye.sums.line(s.lo, s.hi))
        .collect();
    if lines.len() < 3 {
        return None;
    }
    let total: f64 = lines.iter().map(|l| 1.0 / l.slope_variance).sum();
    let slope = lines
        .iter()
        .map(|l| l.slope / l.slope_variance)
        .sum::<f64>()
        / total;
    let count = lines.len() as f64;
    let spread = lines.iter().map(|l| (l.slope - slope).powi(2)).sum::<f64>() / (count - 1.0);
    Some(KnownSlope {
        slope,
        variance: spread.max(1.0 / total),
    })
}

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
