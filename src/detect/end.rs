//! Where the light ends, and how.

use super::eye::{DB_PER_NEPER, Eye, LEAST_SNR};
use super::light::BLOCK;
use super::response::Answers;
use super::strong::StrongPeak;

/// How a trace ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum End {
    /// The backscatter drops to nothing within a pulse: end of the fibre, or a break.
    Drop {
        /// Index of the leading edge, a fraction.
        edge: f64,
        /// Its standard error, samples.
        error: f64,
        /// Whether a reflection stands there.
        reflective: bool,
    },
    /// The backscatter sinks into the noise; the fibre goes on unseen.
    Faded {
        /// First index that cannot be measured.
        index: usize,
    },
    /// The trace stops while there is still light.
    BeyondRange,
}

impl End {
    /// First index behind the last measurable sample of the fibre.
    pub fn limit(&self, samples: usize) -> usize {
        match *self {
            Self::Drop { edge, .. } => (edge.max(0.0) as usize + 1).min(samples),
            Self::Faded { index } => index,
            Self::BeyondRange => samples,
        }
    }
}

/// Samples averaged to judge the backscatter before the drop.
const JUDGED: usize = 64;

/// Fewest of them, behind a reflection: three times the noise of a sample stands out of it
/// by ten standard errors.
const FEWEST_JUDGED: usize = 12;

/// Decay behind a peak from which it is the receiver's recovery, not fibre: ten
/// times what fibre attenuates at the usual wavelengths.
const RECOVERY_DB_PER_KM: f64 = 5.0;

/// Finds the end of light of a prepared trace.
pub fn find_end(eye: &Eye) -> End {
    let p = &eye.power.value;
    let n = p.len();
    if eye.lit.end >= n {
        return End::BeyondRange;
    }
    if let Some(peak) = ending_peak(eye) {
        let (edge, error) = peak.leading_edge(&eye.response);
        return End::Drop {
            edge,
            error,
            reflective: true,
        };
    }
    let faded = End::Faded {
        index: eye.usable_end,
    };
    let Some(drop) = Drop::of(eye) else {
        return faded;
    };
    let places = drop.places(eye);
    let best = |cost: fn(&Tried) -> f64| places.iter().min_by(|a, b| cost(a).total_cmp(&cost(b)));
    let (Some(step), Some(peak)) = (best(|p| p.step_only), best(|p| p.with_peak)) else {
        return faded;
    };
    let reflective = step.step_only - peak.with_peak > IS_PEAK * drop.variance;
    let edge = if reflective { peak.edge } else { step.edge };
    // A weak reflection and a ramp that begins earlier look nearly the same: how far off the
    // place may be is told by the likelihood of all places, each with the peak that fits it.
    let (total, square) = places.iter().fold((0.0, 0.0), |(total, square), place| {
        let above = (place.with_peak - peak.with_peak) / drop.variance;
        let likelihood = (-above / 2.0).exp();
        (
            total + likelihood,
            square + likelihood * (place.edge - edge).powi(2),
        )
    });
    End::Drop {
        edge,
        error: (square / total).sqrt().hypot(SAMPLING),
        reflective,
    }
}

/// χ² of the drop at a trace's end with the eye's receiver, at its best place and with the
/// reflection that fits best there, and the samples it is of; none where a strong reflection
/// or the noise ends the trace.
pub(super) fn drop_misfit(eye: &Eye) -> Option<(f64, usize)> {
    let shaped = eye.response.pulse >= SHAPED;
    if !shaped || eye.lit.end >= eye.len() || ending_peak(eye).is_some() {
        return None;
    }
    // A reflection beside it is of no known height, and may be clipped.
    if eye.peaks.iter().any(|peak| peak.edge >= eye.lit.end) {
        return None;
    }
    let drop = Drop::of(eye)?;
    let costs = drop.places(eye).into_iter().map(|place| place.with_peak);
    let least = costs.fold(f64::INFINITY, f64::min);
    Some((least / drop.variance, drop.to - drop.hi))
}

/// Samples of a pulse from which a drop shows a shape: in a shorter one the slowest receiver
/// looked for answers within one sample.
const SHAPED: f64 = 3.0;

/// The samples between which the light drops.
struct Drop {
    /// First sample, still before the drop.
    hi: usize,
    /// One past the last, behind it.
    to: usize,
    /// Mean power before.
    level: f64,
    /// What is left behind: the noise's mean, above zero where it is folded.
    dark: f64,
    /// Variance of a sample half-way down.
    variance: f64,
}

/// The drop with its leading edge at one place.
struct Tried {
    /// The place, a sample's index.
    edge: f64,
    /// Sum of squares that the ramp leaves.
    step_only: f64,
    /// What a reflection of the best height leaves of it.
    with_peak: f64,
}

impl Drop {
    /// None where the level sinks into the noise.
    fn of(eye: &Eye) -> Option<Self> {
        let p = &eye.power.value;
        let mean = |lo: usize, hi: usize| p[lo..hi].iter().sum::<f64>() / (hi - lo).max(1) as f64;
        // The drop lies between the middle of the last lit block, which may be partly dark,
        // less a pulse, and the end of the next block; behind the last reflection, where fibre
        // answers that may be too short for a block of its own.
        let pulse = eye.pulse_samples.ceil() as usize;
        let settled = eye.peaks.last().map_or(0, |peak| behind(eye, peak));
        let lit_end = eye.lit.end.max(settled + FEWEST_JUDGED);
        let hi = lit_end.saturating_sub(pulse + 4 + JUDGED / 2);
        let hi = hi.max(settled + FEWEST_JUDGED);
        let lo = hi.saturating_sub(JUDGED).max(settled);
        let to = (lit_end + JUDGED + pulse).min(p.len());
        if to <= hi + 8 {
            return None;
        }
        let level = mean(lo, hi);
        // What is told of so few samples behind a reflection is a level only where their halves
        // are alike: a fibre that ends among them is not told.
        let halves = [
            mean(lo, usize::midpoint(lo, hi)),
            mean(usize::midpoint(lo, hi), hi),
        ];
        let is_told = lit_end == eye.lit.end || halves[1] > 0.5 * halves[0];
        if !is_told || level < LEAST_SNR * eye.noise.floor() || eye.usable_end + JUDGED < lo {
            return None;
        }
        let dark_from = (lit_end + pulse).max(to.saturating_sub(16)).min(to);
        let dark = mean(dark_from, to).min(level);
        // Else the level goes on behind, only less clear of the noise.
        let drops = dark <= 0.5 * level;
        drops.then(|| Self {
            hi,
            to,
            level,
            dark,
            // A trace without noise errs by its rounding in f64.
            variance: eye.noise.density(0.5 * level).max(1e-24 * level * level),
        })
    }

    /// Every eighth of a sample tried as the place, through the eye's receiver.
    fn places(&self, eye: &Eye) -> Vec<Tried> {
        let &Self {
            hi,
            to,
            level,
            dark,
            ..
        } = self;
        // Sums of squares about the level before the drop up to each sample, and about what
        // is left behind it from each sample on: only the ramp between needs its shape.
        let window = &eye.power.value[hi..to];
        let mut before = vec![0.0; window.len() + 1];
        let mut after = vec![0.0; window.len() + 1];
        for i in 0..window.len() {
            before[i + 1] = before[i] + (window[i] - level).powi(2);
            let k = window.len() - i;
            after[k - 1] = after[k] + (window[k - 1] - dark).powi(2);
        }
        // Squares of the falling light and of a peak at the edge are fitted, too: the weak
        // reflection of a broken or dirty end shifts the ramp by as much as a third of a pulse.
        let mut answers = Answers::of(eye.response);
        // Forty time constants behind the pulse nothing is left: e⁻⁴⁰.
        let ramp = (eye.response.pulse + 40.0 * eye.response.pole).ceil() as usize + 2;
        let steps = ((to - hi) * 8) as i64;
        let places = (0..steps).map(|k| hi as f64 - 1.0 + k as f64 / 8.0);
        places
            .map(|edge| {
                let first = ((edge - hi as f64).max(0.0) as usize).min(window.len());
                let last = (first + ramp).min(window.len());
                answers.begin((hi + first) as f64 - edge, last - first);
                let (mut between, mut product, mut own) = (0.0, 0.0, 0.0);
                for ((q, b), p) in answers.iter().zip(&window[first..last]) {
                    let rest = p - level * (1.0 - q) - dark * q;
                    between += rest * rest;
                    product += rest * b;
                    own += b * b;
                }
                let gain = if product > 0.0 {
                    product * product / own
                } else {
                    0.0
                };
                let step_only = before[first] + between + after[last];
                Tried {
                    edge,
                    step_only,
                    with_peak: step_only - gain,
                }
            })
            .collect()
    }
}

/// Standard deviation of a place anywhere between two samples: 1/√12.
const SAMPLING: f64 = 0.288_675;

/// Drop of χ² from which a reflection stands at the end: height and place are free, and 25
/// comes by chance once in 100,000 ends.
const IS_PEAK: f64 = 25.0;

/// The first reflection behind which no fibre answers: nothing follows, or only the
/// receiver's recovery and echoes.
fn ending_peak(eye: &Eye) -> Option<&StrongPeak> {
    let mut ending = None;
    // Behind the last peak as far as a cord may reach, light or not.
    let mut to = eye.lit.end;
    for peak in eye.peaks.iter().skip(1).rev() {
        let from = behind(eye, peak);
        let until = if ending.is_none() {
            to.max((from + BEHIND).min(eye.len()))
        } else {
            to
        };
        if fibre_answers(eye, from, until) {
            break;
        }
        ending = Some(peak);
        to = peak.edge;
    }
    ending
}

/// First sample behind a peak. One beyond the part that is surely lit was let settle no farther
/// than its pulse, and a ceiling makes it longer: it is over where it has fallen to half of its
/// height, within the two blocks in which the light ends.
fn behind(eye: &Eye, peak: &StrongPeak) -> usize {
    let p = &eye.power.value;
    let settled = peak.settled.min(p.len());
    if settled < eye.lit.end {
        return settled;
    }
    let top = p[peak.edge..settled]
        .iter()
        .fold(0.0_f64, |top, v| top.max(*v));
    let half = f64::midpoint(p[peak.edge], top);
    let until = (eye.lit.end + 2 * BLOCK).clamp(settled, p.len());
    (settled..until).find(|&i| p[i] <= half).unwrap_or(settled)
}

/// Whether fibre answers behind a reflection that begins at index `edge`, a fraction: then no
/// fibre ends there. Two pulses on a weak one is over.
pub fn answers_behind(eye: &Eye, edge: f64) -> bool {
    let strong = eye
        .peaks
        .iter()
        .find(|p| (p.edge as f64 - edge).abs() <= 1.0);
    let over = (edge.max(0.0) + 2.0 * eye.pulse_samples).ceil() as usize + 1;
    let from = strong.map_or(over, |peak| behind(eye, peak));
    fibre_answers(eye, from, (from + BEHIND).min(eye.len()))
}

/// Samples looked at behind the last peak for fibre that answers under the noise.
const BEHIND: usize = 256;

/// Standard errors by which a mean must exceed the dark part's to be fibre.
const ANSWERS: f64 = 5.0;

/// Whether the samples `from..to` are backscatter: more than the dark part of the
/// trace, if only in the mean, and not falling as only a receiver's recovery does.
///
/// How steeply they fall is judged where their far half still answers: fibre that sinks
/// into the noise answers in the near part alone.
fn fibre_answers(eye: &Eye, from: usize, mut to: usize) -> bool {
    let p = &eye.power.value;
    let mean = |lo: usize, hi: usize| p[lo..hi].iter().sum::<f64>() / (hi - lo).max(1) as f64;
    let dark = dark_level(&p[usize::midpoint(to.max(eye.lit.end), p.len())..]);
    let answers = |lo: usize, hi: usize| {
        let sd = eye.noise.floor() / ((hi - lo) as f64).sqrt();
        (mean(lo, hi) - dark >= ANSWERS * sd).then(|| mean(lo, hi) - dark)
    };
    while from + 4 <= to && answers(from, to).is_some() {
        let middle = usize::midpoint(from, to);
        if let Some(far) = answers(middle, to) {
            let length_km = (middle - from) as f64 * eye.spacing_m / 1000.0;
            let near = mean(from, middle) - dark;
            let fall_db = 5.0 * (near / far).log10();
            return fall_db < RECOVERY_DB_PER_KM * length_km + 1.5
                || is_level(eye, (from, middle), dark, fall_db);
        }
        to = middle;
    }
    false
}

/// Whether the samples `lo..hi`, the near half of ones that fall by `fall_db` from half to half,
/// are level themselves: fibre that breaks off in the far half.
fn is_level(eye: &Eye, (lo, hi): (usize, usize), dark: f64, fall_db: f64) -> bool {
    let p = &eye.power.value;
    let middle = usize::midpoint(lo, hi);
    let above = |lo: usize, hi: usize| p[lo..hi].iter().sum::<f64>() / (hi - lo) as f64 - dark;
    let (near, far) = (above(lo, middle), above(middle, hi));
    let error_db = DB_PER_NEPER * eye.noise.floor() * (2.0 / (middle - lo) as f64).sqrt() / far;
    5.0 * (near / far).log10() + 2.0 * error_db < LEVEL_SHARE * fall_db
}

/// Share of the fall between two halves that their near half may fall by itself and be level,
/// two standard errors included: in a recovery it falls by half of it, or by more.
const LEVEL_SHARE: f64 = 1.0 / 3.0;

/// Mean power of noise, above zero where it is folded: the median over blocks of
/// [`JUDGED`] samples, of which some may hold reflections; 0 without a whole block.
fn dark_level(behind: &[f64]) -> f64 {
    let blocks = behind.chunks_exact(JUDGED);
    let mut means: Vec<f64> = blocks
        .map(|block| block.iter().sum::<f64>() / JUDGED as f64)
        .collect();
    means.sort_by(f64::total_cmp);
    means.get(means.len() / 2).copied().unwrap_or(0.0)
}

/// Standard errors by which the mean over a pulse must stand out of the noise to be a
/// reflection in it: a trace of 100,000 samples shows one by chance in a million.
const SPIKE: f64 = 7.0;

/// Samples of noise that a spike is judged against.
const AROUND: usize = 256;

/// Reflections in the part of the trace whose backscatter is under the noise: index of
/// the leading edge and height over the noise's spread, nearest first.
pub fn spikes(eye: &Eye) -> Vec<(f64, f64)> {
    let p = &eye.power.value;
    let width = (eye.pulse_samples.floor() as usize).max(1);
    let mut found = Vec::new();
    let mut start = eye.usable_end;
    while start + width < p.len() {
        let end = (start + AROUND).min(p.len());
        let centre = p[start..end].iter().sum::<f64>() / (end - start) as f64;
        let spread = eye.noise.floor();
        let threshold = centre + SPIKE * spread / (width as f64).sqrt();
        let mut i = start;
        while i < end && i + width < p.len() {
            let mean = p[i..i + width].iter().sum::<f64>() / width as f64;
            if mean > threshold {
                // The mean rises as the window slides on: its best fit begins the peak.
                let best = (i..(i + width + 1).min(p.len() - width))
                    .max_by(|&a, &b| {
                        let sum = |k: usize| p[k..k + width].iter().sum::<f64>();
                        sum(a).total_cmp(&sum(b))
                    })
                    .unwrap_or(i);
                let top = p[best..best + width].iter().sum::<f64>() / width as f64;
                found.push((
                    best as f64 - 0.5,
                    (top - centre) / spread.max(f64::MIN_POSITIVE),
                ));
                i = best + 2 * width;
            } else {
                i += 1;
            }
        }
        start = end.max(i);
    }
    found
}
