//! One direction made ready for looking: noise known, levels linearised.

use std::sync::Arc;

use crate::trace::Trace;

use super::lateness::lateness;
use super::light::{self, Lit};
use super::noise::{self, Noise};
use super::power::{Power, SampleState};
use super::receiver;
use super::response::Response;
use super::running::{Means, Running};
use super::strong::{StrongPeak, rises, strong_peaks, wait_for_receiver};
use super::sums::{Line, Sums};
use super::sweep::Sweeps;
use super::view::Span;

/// Backscatter over rms noise below which samples may have been cut at zero or
/// folded, so that their mean is no longer the power. At 3 one sample in 700 is.
pub(crate) const LEAST_SNR: f64 = 3.0;

/// Samples up to which a stretch takes the trace's mean slope for linearising: over so few,
/// fibre falls by less than any noise.
const TELLS_SLOPE: usize = 8;

/// Decibels of one-way level per relative change of power, 5/ln 10.
pub(crate) const DB_PER_NEPER: f64 = 5.0 / std::f64::consts::LN_10;

/// One trace prepared for detection and measurement; index 0 is its first sample.
#[derive(Debug, Clone)]
pub struct Eye {
    /// Metres from the port of sample 0.
    pub start_m: f64,
    /// Metres between samples.
    pub spacing_m: f64,
    /// Pulse length in samples.
    pub pulse_samples: f64,
    /// Samples that the pulse touches.
    pulse_touches: usize,
    /// Linear power of the samples.
    pub power: Arc<Power>,
    /// Noise of the trace.
    pub noise: Noise,
    /// Part with light in it.
    pub lit: Lit,
    /// Strong peaks in order; the port is the first where the trace begins there.
    pub peaks: Vec<StrongPeak>,
    /// Pulse and receiver.
    pub response: Response,
    /// How many reflections show the receiver's part in it.
    pub response_shown_by: usize,
    /// Samples that an event hides beyond the pulse: until the receiver has settled,
    /// or as many as the other direction's wider pulse asks.
    pub settling: usize,
    /// First index from which backscatter is no longer measurable.
    pub usable_end: usize,
    /// Linearised level in dB: an unbiased level also where single samples are noise.
    pub level_db: Arc<Vec<f64>>,
    /// 1/variance of the level, for sums over many samples; 0 where unusable.
    pub weight: Arc<Vec<f64>>,
    /// Straight trend taken out of the levels before summing: at sample 0, and per sample.
    pub trend: (f64, f64),
    /// Sums over the detrended levels.
    pub sums: Arc<Sums>,
    /// What was worked out from them once and may be asked for again.
    pub(super) sweeps: Arc<Sweeps>,
}

/// Levels that become linear in the noise, and their weights.
struct Linearised {
    level_db: Vec<f64>,
    weight: Vec<f64>,
    /// Samples that have become so.
    done: usize,
}

impl Linearised {
    /// Level, weight and power of the samples up to `hi` that are not done, which they then are.
    fn samples<'l>(
        &'l mut self,
        power: &'l [f64],
        hi: usize,
    ) -> impl Iterator<Item = (&'l mut f64, &'l mut f64, f64)> {
        let range = self.done.min(hi)..hi;
        self.done = self.done.max(hi);
        let levels = self.level_db[range.clone()].iter_mut();
        let each = levels
            .zip(&mut self.weight[range.clone()])
            .zip(&power[range]);
        each.map(|((level_db, weight), power)| (level_db, weight, *power))
    }
}

/// 1/variance of the level of a sample by its power.
fn weight(noise: &Noise) -> impl Fn(f64) -> f64 + use<> {
    let density = noise.densities();
    move |power| {
        let of_power = power * power;
        // A trace without noise is weighted evenly, by its rounding in f64.
        let variance = density(power).max(1e-24 * of_power);
        of_power / (variance * DB_PER_NEPER * DB_PER_NEPER)
    }
}

/// Greatest |z|, z = (r − s)/(r + s), at which ln r is taken from ln s, as
/// ln s + 2·(z + z³/3 + z⁵/5 + z⁷/7): the next term, 2·z⁹/9, is 1e-16. A smaller one takes more
/// logarithms, a greater one more terms.
const CLOSE: f64 = 0.02;

/// Natural logarithm of one number after another, of which most are close to those before.
fn logarithms() -> impl FnMut(f64) -> f64 {
    let (mut near, mut logarithm) = (f64::NAN, 0.0);
    move |r| {
        let z = (r - near) / (r + near);
        if z.abs() < CLOSE {
            let square = z * z;
            let terms = 1.0 / 3.0 + square * (1.0 / 5.0 + square * (1.0 / 7.0));
            return logarithm + 2.0 * z * (1.0 + square * terms);
        }
        (near, logarithm) = (r, r.ln());
        logarithm
    }
}

impl Eye {
    /// Prepares a trace.
    pub fn new(trace: &Trace) -> Self {
        let power = Power::from_trace(trace);
        let pulse_samples = trace.pulse_length().m() / trace.spacing_m();
        let lit = light::find_lit(&power, pulse_samples);
        let noise = noise::estimate(&power, lit.end, lit.dark_rms, pulse_samples);
        let mut peaks = strong_peaks(&power, &noise, lit.end, pulse_samples);
        let edges = rises(&power, &noise, &peaks, lit.end, pulse_samples);
        let seen = receiver::estimate(&power, &edges, pulse_samples, noise.floor());
        let at_once = Response {
            pulse: pulse_samples,
            ..Response::default()
        };
        let (response, response_shown_by) = seen.unwrap_or((at_once, 0));
        let longest = response.pulse.max(pulse_samples);
        for peak in peaks.iter_mut().skip(1).filter(|peak| !peak.clipped) {
            peak.place = receiver::place(&power, peak.edge, &response, noise.floor());
        }
        wait_for_receiver(&power, &noise, &response, &mut peaks, lit.end);
        let mut eye = Self {
            start_m: trace.position_of(0).m(),
            spacing_m: trace.spacing_m(),
            pulse_samples,
            pulse_touches: longest.ceil() as usize + 1,
            power: Arc::new(power),
            noise,
            lit,
            peaks,
            response,
            response_shown_by,
            settling: response.settling(),
            usable_end: 0,
            level_db: Arc::default(),
            weight: Arc::default(),
            trend: (0.0, 0.0),
            sums: Arc::default(),
            sweeps: Arc::default(),
        };
        let means = eye.smooth_reference();
        eye.linearise(means);
        let seen = lateness(&eye, &edges);
        (eye.response.late, eye.response.early) = (seen.late, seen.early);
        eye
    }

    /// The eye, and in its place one that has neither levels nor weights nor sums: it still tells
    /// lengths and places, and panics when asked for a level.
    #[must_use]
    pub fn take(&mut self) -> Self {
        let without = Self {
            level_db: Arc::default(),
            weight: Arc::default(),
            sums: Arc::default(),
            sweeps: Arc::default(),
            ..self.clone()
        };
        std::mem::replace(self, without)
    }

    /// The same trace seen through another receiver.
    pub(super) fn through(&self, response: Response) -> Self {
        Self {
            response,
            settling: response.settling(),
            sweeps: Arc::default(),
            ..self.clone()
        }
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.power.len()
    }

    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.power.is_empty()
    }

    /// Metres from the port of a sample index.
    pub fn metres(&self, index: f64) -> f64 {
        self.start_m + index * self.spacing_m
    }

    /// Sample index of a place in metres from the port.
    pub fn index(&self, metres: f64) -> f64 {
        (metres - self.start_m) / self.spacing_m
    }

    /// Length of the pulse in samples as the unclipped strong peaks show it, at half
    /// their height: the median over them; none without any.
    pub fn pulse_seen(&self) -> Option<f64> {
        let p = &self.power.value;
        let reach = 2 * self.pulse_samples.ceil() as usize + 4;
        let mut widths: Vec<usize> = self
            .peaks
            .iter()
            .skip(1)
            .filter(|peak| !peak.clipped && peak.edge + 2 < p.len())
            .map(|peak| {
                // A slow receiver comes up to the top only later in the pulse.
                let behind = &p[peak.edge + 1..(peak.edge + 1 + reach).min(p.len())];
                let top = behind.iter().fold(0.0_f64, |top, v| top.max(*v));
                let half = f64::midpoint(p[peak.edge], top);
                let risen = peak.edge + 1..p.len();
                let high = risen.skip_while(|&i| p[i] <= half);
                high.take_while(|&i| p[i] > half).count()
            })
            .collect();
        widths.sort_unstable();
        widths.get(widths.len() / 2).map(|&n| n as f64)
    }

    /// Whether a clipped sample, or the top of a clipped peak, lies in `lo..hi`.
    pub fn is_clipped(&self, lo: usize, hi: usize) -> bool {
        let hi = hi.min(self.len());
        let lo = lo.min(hi);
        self.power.state[lo..hi].contains(&SampleState::Clipped)
            || self.peaks.iter().any(|peak| {
                let top = peak.edge + 1;
                peak.clipped && top < hi && top + self.pulse_samples.ceil() as usize > lo
            })
    }

    /// Detrended level around an index: the mean over the nearest samples that have
    /// weight, 16 on each side and more where those are hidden; 0 without any.
    pub fn level_near(&self, x: f64) -> f64 {
        let at = x.max(0.0) as usize;
        let reaches = (0..self.len().ilog2().max(5)).map(|k| 16_usize << k);
        reaches
            .map(|reach| (at.saturating_sub(reach), (at + reach).min(self.len())))
            .filter(|(lo, hi)| lo < hi)
            .find_map(|(lo, hi)| self.sums.mean(lo, hi))
            .map_or(0.0, |(level, _)| level)
    }

    /// Power in the middle of a line.
    pub(super) fn power_at(&self, line: &Line) -> f64 {
        let level_db = line.level + self.trend.0 + self.trend.1 * line.centre;
        (level_db / DB_PER_NEPER).exp()
    }

    /// Samples that an event hides after its leading edge: the pulse, one for
    /// the place within a sample, and the receiver's settling.
    pub fn hidden_samples(&self) -> usize {
        self.pulse_touches + self.settling
    }

    /// Running means of the power of plain backscatter, up to where it is too weak.
    fn smooth_reference(&mut self) -> Means {
        let usable = self.unmasked();
        let running = Running::of(&self.power.value, &usable);
        // Where the backscatter is too weak for good, nothing behind is usable.
        let rms = self.noise.floor();
        let judged = 243;
        self.usable_end = (0..self.lit.end)
            .step_by(16)
            .find(|&i| {
                let lo = i.saturating_sub(judged / 2);
                let hi = (i + judged / 2 + 1).min(self.lit.end);
                let (total, samples) = running.between(lo, hi);
                samples >= 64.0 && total / samples < LEAST_SNR * rms
            })
            .unwrap_or(self.lit.end);
        let mut means = running.means(self.usable_end, self.noise.density(0.0));
        for (reference, usable) in means.reference.iter_mut().zip(usable) {
            if !usable {
                *reference = 0.0;
            }
        }
        means
    }

    /// Linearises again about the lines between events: `sections` holds spans of plain fibre in
    /// order, of which none overlaps another; samples between two take the nearer line's level,
    /// but for those beside a stretch too short for a line, which keep the reference they had, as
    /// do all before the first and behind the last.
    ///
    /// The lines come from all samples of a section, so the reference no longer
    /// follows any single sample's noise.
    pub fn relinearise(&mut self, sections: &[Span]) {
        let lines: Vec<(Span, Line)> = sections
            .iter()
            .filter_map(|s| Some((*s, self.line_or_mean(*s)?)))
            .collect();
        // In the memory that they have where nobody else holds them.
        let mut made = Linearised {
            level_db: Arc::unwrap_or_clone(std::mem::take(&mut self.level_db)),
            weight: Arc::unwrap_or_clone(std::mem::take(&mut self.weight)),
            done: 0,
        };
        let n = self.len();
        for (k, (span, line)) in lines.iter().enumerate() {
            // Half of the gap to each neighbour belongs to this line; none to one that is too
            // short to tell more than its own level.
            let is_short = span.hi <= span.lo + TELLS_SLOPE;
            let lo = (k.checked_sub(1).filter(|_| !is_short))
                .map_or(span.lo, |j| usize::midpoint(lines[j].0.hi, span.lo));
            let hi = (lines.get(k + 1).filter(|_| !is_short))
                .map_or(span.hi, |next| usize::midpoint(span.hi, next.0.lo));
            self.keep_reference(&mut made, lo.min(n));
            self.about_line(&mut made, line, hi.min(n));
        }
        self.keep_reference(&mut made, n);
        self.level_db = Arc::new(made.level_db);
        self.weight = Arc::new(made.weight);
        self.sum_up();
    }

    /// Linearises the samples up to `hi` about the reference that they had.
    fn keep_reference(&self, made: &mut Linearised, hi: usize) {
        let weight = weight(&self.noise);
        for (level_db, slot, power) in made.samples(&self.power.value, hi) {
            if *slot > 0.0 {
                let reference = (*level_db / DB_PER_NEPER).exp();
                *level_db += DB_PER_NEPER * (power / reference - 1.0);
                *slot = weight(reference);
            }
        }
    }

    /// Linearises the samples up to `hi` about a line.
    fn about_line(&self, made: &mut Linearised, line: &Line, hi: usize) {
        let db = |x: f64| line.at(x) + self.trend.0 + self.trend.1 * x;
        // The power of a line changes by one factor a sample.
        let power = |db: f64| (db / DB_PER_NEPER).exp();
        let slope_db = line.slope + self.trend.1;
        let mut x = made.done as f64;
        let (mut reference, mut gain) = (power(db(x)), power(-db(x)));
        let (factor, gain_factor) = (power(slope_db), power(-slope_db));
        let weight = weight(&self.noise);
        for (level_db, slot, power) in made.samples(&self.power.value, hi) {
            if *slot > 0.0 {
                *level_db = db(x) + DB_PER_NEPER * (power * gain - 1.0);
                *slot = weight(reference);
            }
            x += 1.0;
            reference *= factor;
            gain *= gain_factor;
        }
    }

    /// Line through a stretch; with the trace's mean slope where it is too short to tell its
    /// own: two closely spaced events may have a tenth of a decibel on both sides, and about a
    /// level so far off the linearised one errs by 0.002 dB, d²·ln10/10.
    fn line_or_mean(&self, span: Span) -> Option<Line> {
        if span.hi > span.lo + TELLS_SLOPE {
            return self.sums.line(span.lo, span.hi);
        }
        let (level, level_variance) = self.sums.mean(span.lo, span.hi.max(span.lo))?;
        Some(Line {
            centre: 0.5 * (span.lo + span.hi) as f64,
            level,
            slope: 0.0,
            level_variance,
            slope_variance: 0.0,
            chi_square: 0.0,
        })
    }

    /// Leaves stretches of samples out of every line (echoes on plain fibre).
    pub fn leave_out(&mut self, stretches: &[(usize, usize)]) {
        let n = self.len();
        let weight = Arc::make_mut(&mut self.weight);
        for &(lo, hi) in stretches {
            let hi = hi.min(n);
            weight[lo.min(hi)..hi].fill(0.0);
        }
        if !stretches.is_empty() {
            self.sum_up();
        }
    }

    /// Samples that hold plain backscatter: lit, neither blank nor clipped, not in a strong peak.
    fn unmasked(&self) -> Vec<bool> {
        let mut usable: Vec<bool> = self
            .power
            .state
            .iter()
            .enumerate()
            .map(|(i, &s)| s == SampleState::Good && i < self.lit.end)
            .collect();
        for peak in &self.peaks {
            let hi = peak.settled.min(usable.len());
            let lo = peak.edge.min(hi);
            usable[lo..hi].fill(false);
        }
        usable
    }

    /// Linearises the levels about reference powers (0 where there is none):
    /// y = (5/ln10)·(ln r + P/r − 1), linear in the noise and so without the bias that a
    /// logarithm has near the floor. The `steady` powers tell the weights.
    fn linearise(&mut self, means: Means) {
        let Means {
            mut reference,
            mut steady,
        } = means;
        // Levels and weights take the places of the powers that they are made of.
        let weight = weight(&self.noise);
        let mut logarithm = logarithms();
        let slots = reference.iter_mut().zip(&mut steady);
        for ((level, steady), power) in slots.zip(&self.power.value) {
            let r = *level;
            (*level, *steady) = if r > 0.0 {
                let level_db = DB_PER_NEPER * (logarithm(r) + (power / r - 1.0));
                (level_db, weight(*steady))
            } else {
                (0.0, 0.0)
            };
        }
        self.level_db = Arc::new(reference);
        self.weight = Arc::new(steady);
        self.sum_up();
    }

    fn sum_up(&mut self) {
        let first = self.weight.iter().position(|w| *w > 0.0).unwrap_or(0);
        let last = self.weight.iter().rposition(|w| *w > 0.0).unwrap_or(0);
        let (from, per_sample) = if last > first {
            let fall = self.level_db[last] - self.level_db[first];
            (self.level_db[first], fall / (last - first) as f64)
        } else {
            (self.level_db.get(first).copied().unwrap_or(0.0), 0.0)
        };
        self.trend = (from - per_sample * first as f64, per_sample);
        // In the memory of those before where nobody else holds them.
        let before = Arc::try_unwrap(std::mem::take(&mut self.sums)).unwrap_or_default();
        self.sums = Arc::new(before.of_others(&self.level_db, &self.weight, self.trend));
        self.sweeps = Arc::default();
    }
}

#[cfg(test)]
mod tests {
    use super::super::sweep::tests::eye;
    use super::*;

    /// Second computation: sample by sample as the doc of [`Eye::linearise`] has it, about the
    /// line of the section that a sample lies in or beside; beside none, about the reference it had.
    ///
    /// The powers of a line are made one from the other: 600 roundings of 1e-16 make 2e-13 dB,
    /// and five times that is allowed.
    #[test]
    fn levels_are_linear_about_the_line_of_their_section() {
        let mut before = eye(0.0);
        before.leave_out(&[(300, 330)]);
        let span = |lo: usize, hi: usize| Span { lo, hi };
        // Samples that each section takes: half of the gaps beside it, but for a short one.
        let made = [
            (span(40, 240), 40..251),
            (span(262, 390), 251..390),
            (span(40, 240), 40..242),
            (span(244, 250), 244..250),
            (span(262, 600), 256..600),
        ];
        for sections in [&made[..2], &made[2..], &[]] {
            let spans: Vec<Span> = sections.iter().map(|(span, _)| *span).collect();
            let mut after = before.clone();
            after.relinearise(&spans);
            let mut seen = 0;
            for i in 0..before.len() {
                let own = sections.iter().find(|(_, takes)| takes.contains(&i));
                let line = own.map(|(span, _)| before.line_or_mean(*span).unwrap());
                let trend = before.trend.0 + before.trend.1 * i as f64;
                let about_db = line.map_or(before.level_db[i], |line| line.at(i as f64) + trend);
                let reference = (about_db / DB_PER_NEPER).exp();
                let off = before.power.value[i] / reference - 1.0;
                if before.weight[i] > 0.0 {
                    seen += 1;
                    let wanted_db = about_db + DB_PER_NEPER * off;
                    approx::assert_abs_diff_eq!(after.level_db[i], wanted_db, epsilon = 1e-12);
                    let variance = before.noise.density(reference) / (reference * reference);
                    let wanted = 1.0 / (variance * DB_PER_NEPER * DB_PER_NEPER);
                    approx::assert_relative_eq!(after.weight[i], wanted, max_relative = 1e-12);
                } else {
                    assert!(after.weight[i].abs() < f64::EPSILON);
                }
            }
            assert!(seen > 400, "{seen} samples tell");
        }
    }

    /// Second computation: the standard library's logarithm of each. They go down to −20.02, whose
    /// last place is 3.6e-15: one of it is allowed. Without z⁷/7 the error is 3e-13.
    #[test]
    fn logarithms_of_close_numbers_are_those_of_each() {
        let mut logarithm = logarithms();
        for k in 0..20_000 {
            let off = 0.02 * f64::from(k * 7919 % 1000 - 500) / 500.0;
            let r = (-1e-3 * f64::from(k)).exp() * (1.0 + off);
            approx::assert_abs_diff_eq!(logarithm(r), r.ln(), epsilon = 4e-15);
        }
    }

    /// What somebody else holds stays as it was, and what is taken is whole.
    #[test]
    fn levels_are_changed_in_place_only_where_nobody_else_holds_them() {
        let mut held = eye(0.0);
        let levels = held.level_db.to_vec();
        held.clone().relinearise(&[Span { lo: 40, hi: 390 }]);
        assert_eq!(*held.level_db, levels);
        let taken = held.take();
        assert_eq!(*taken.level_db, levels);
        assert!(held.level_db.is_empty() && held.len() == levels.len());
    }
}
