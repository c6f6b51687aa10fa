//! Reflections strong enough to be seen sample by sample, and where the trace behind them
//! can be used again.

use super::eye::DB_PER_NEPER;
use super::light::BLOCK;
use super::noise::Noise;
use super::power::{Power, SampleState};
use super::recovery;
use super::response::Response;

/// A rise of the level this steep cannot be the backscatter step of a joint (the
/// worst pair of fibres inside one product's tolerance gives 0.7 dB): a reflection.
const REFLECTION_RISE_DB: f64 = 1.0;

/// Decibels within which two peaks at the top of a trace share a ceiling: two
/// reflections of equal height to this are rarer than a saturated receiver.
const CEILING_DB: f64 = 0.15;

/// A peak strong enough to be seen sample by sample, with its recovery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StrongPeak {
    /// Last sample before the rise.
    pub edge: usize,
    /// Leading edge as a fraction of a sample, where the receiver's shape tells it, and its
    /// standard error.
    pub place: Option<(f64, f64)>,
    /// First sample at which the straight line is usable again.
    pub settled: usize,
    /// Whether samples of it are clipped.
    pub clipped: bool,
}

impl StrongPeak {
    /// Indices between which the leading edge lies, as likely at any: as wide as its error
    /// makes it around where the receiver's shape tells it, else from the last sample before
    /// the rise to the next, and earlier by what a slow receiver keeps hidden of a rise.
    pub fn bracket(&self, response: &Response) -> (f64, f64) {
        match self.place {
            Some((place, error)) => {
                let half = 3.0_f64.sqrt() * error;
                (place - half, place + half)
            }
            None => (self.edge as f64 - response.pole, self.edge as f64 + 1.0),
        }
    }

    /// The leading edge and its standard error, indices.
    pub(crate) fn leading_edge(&self, response: &Response) -> (f64, f64) {
        let (lo, hi) = self.bracket(response);
        (f64::midpoint(lo, hi), (hi - lo) / 12.0_f64.sqrt())
    }
}

/// Rises far beyond noise and beyond what a joint's backscatter step can give.
pub(super) fn strong_peaks(
    power: &Power,
    noise: &Noise,
    lit_end: usize,
    pulse_samples: f64,
) -> Vec<StrongPeak> {
    let p = &power.value;
    let n = p.len();
    let n_w = pulse_samples.ceil() as usize;
    let rise = (REFLECTION_RISE_DB / DB_PER_NEPER).exp();
    // A slow receiver has come up by half of a long pulse only.
    let half = n_w / 2;
    // The port itself: the trace begins in the pulse.
    let mut edges = vec![0];
    let mut i = n_w + 2;
    // The light ends somewhere in the two blocks behind the last one surely lit.
    let before = |i: usize| p[i - 2..=i].iter().sum::<f64>() / 3.0;
    let sd = |level: f64| (noise.variance(level) * 1.5).sqrt();
    let rises = |level: f64, after: f64| after > level * rise && after - level > 8.0 * sd(level);
    let is_sharp = |i: usize| {
        let after = match p.get(i + 1..i + 3) {
            // A pulse of one sample has no second sample to confirm it.
            Some([next, second]) if pulse_samples >= 2.0 => next.min(*second),
            Some([next, _]) => *next,
            _ => return false,
        };
        rises(before(i), after)
    };
    while i + 2 < n.min(lit_end + 2 * BLOCK) {
        if is_quiet(p, i, half, rise) {
            i += MANY;
            continue;
        }
        let edge = if is_sharp(i) {
            Some(before_rise(p, noise, i, n_w))
        } else if half > 2
            && i + half + 1 < n
            && rises(before(i), p[i + half].min(p[i + half + 1]))
            // A sharp rise within the half pulse is told where it is.
            && !(i + 1..=i + half).any(is_sharp)
        {
            let begun = before(i) + BEGUN * sd(before(i));
            (i..=i + half).rfind(|&j| p[j] <= begun)
        } else {
            None
        };
        if let Some(edge) = edge {
            edges.push(edge);
            i = i.max(edge + n_w) + 2;
        } else {
            i += 1;
        }
    }
    let mut peaks: Vec<StrongPeak> = edges
        .iter()
        .enumerate()
        .map(|(k, &edge)| {
            let stop = still_until(edges.get(k + 1).copied(), lit_end);
            let first = if k == 0 {
                // What the port reflects may be less than the fibre behind it.
                (edge + n_w + 2).min(n)
            } else {
                fallen(p, edge, n_w, stop)
            };
            let settled = recovery::settled((power, noise), first, stop.max(first), false);
            StrongPeak {
                edge,
                place: None,
                settled,
                clipped: power.state[edge..settled.min(n)].contains(&SampleState::Clipped),
            }
        })
        .collect();
    mark_ceiling(power, noise, &mut peaks, pulse_samples);
    for (k, peak) in peaks.iter_mut().enumerate().filter(|(_, p)| p.clipped) {
        let stop = still_until(edges.get(k + 1).copied(), lit_end);
        let stop = stop.max(peak.settled);
        peak.settled = recovery::settled((power, noise), peak.settled, stop, true);
    }
    peaks
}

/// Samples that are looked at together for a rise: so many take little longer than one.
const MANY: usize = 32;

/// [`MANY`] samples from each index on; none where the trace ends before.
fn many_from<const N: usize>(p: &[f64], firsts: [usize; N]) -> Option<[&[f64; MANY]; N]> {
    let mut many = [&[0.0; MANY]; N];
    for (samples, first) in many.iter_mut().zip(firsts) {
        *samples = p.get(first..)?.first_chunk()?;
    }
    Some(many)
}

/// Whether neither the next sample nor the one `half` a pulse behind rises by the factor `rise`
/// above the mean of three, from sample `i` on for [`MANY`] samples; also false where the trace
/// ends before.
fn is_quiet(p: &[f64], i: usize, half: usize, rise: f64) -> bool {
    let Some([a, b, c, next, later]) = many_from(p, [i - 2, i - 1, i, i + 1, i + half]) else {
        return false;
    };
    // Less by more than rounding, so that whoever looks closer finds what is left out here.
    let share = rise / 3.0 * (1.0 - 1e-12);
    let mut risen = false;
    for k in 0..MANY {
        let limit = (a[k] + b[k] + c[k]) * share;
        risen |= next[k].max(later[k]) > limit;
    }
    !risen
}

/// First sample behind a peak's pulse that is below half of its height: one that a ceiling
/// cuts off stays up for longer than the pulse.
fn fallen(p: &[f64], edge: usize, n_w: usize, stop: usize) -> usize {
    let first = (edge + n_w + 2).min(p.len());
    let top = p[edge..first].iter().fold(0.0_f64, |top, v| top.max(*v));
    let half = f64::midpoint(p[edge], top);
    let below = (first..stop.min(p.len())).find(|&i| p[i] <= half);
    below.unwrap_or(first)
}

/// Up to where a peak's recovery can be looked for: the next rise, or where light is sure.
fn still_until(next_edge: Option<usize>, lit_end: usize) -> usize {
    next_edge.map_or_else(
        || lit_end.saturating_sub(BLOCK / 2),
        |next| (next + 1).min(lit_end),
    )
}

/// Lets peaks settle at least as long as the receiver's answer to them shows, up to the
/// next rise: beside a near neighbour, or the end, no recovery can be seen.
///
/// A recovery beyond that answer is looked for behind it: together with it, joints near by
/// are taken for a part of it. The port's own peak, and clipped ones, need not have the
/// receiver's shape.
pub(super) fn wait_for_receiver(
    power: &Power,
    noise: &Noise,
    response: &Response,
    peaks: &mut [StrongPeak],
    lit_end: usize,
) {
    let n_w = response.pulse.ceil() as usize;
    for k in 0..peaks.len() {
        let edge = peaks[k].edge;
        let fallen = edge + 2 + n_w;
        let next = peaks.get(k + 1).map(|next| next.edge);
        let stop = next.map_or(power.len(), |next| next + 1);
        let top = power.value[edge..fallen.min(power.len())]
            .iter()
            .fold(0.0_f64, |top, p| top.max(*p));
        let behind = peaks[k].settled.min(power.len());
        let beside = &power.value[behind..(behind + STILL).min(power.len())];
        let level = beside.iter().sum::<f64>() / beside.len().max(1) as f64;
        let sd = noise.density(level.max(0.0)).sqrt();
        let more = response.settling() + response.lingering(top, sd);
        let answered = (fallen + more).min(stop);
        let has_shape = k > 0 && !peaks[k].clipped && more > 0;
        peaks[k].settled = if has_shape {
            let until = still_until(next, lit_end).max(answered);
            recovery::settled((power, noise), answered, until, false)
        } else {
            peaks[k].settled.max(answered)
        };
    }
}

/// Last sample before a rise that is over at sample `i`, within a pulse: a slow receiver
/// takes several samples to rise by a decibel, and what of the rise stays in the line
/// before it bends that line.
fn before_rise(p: &[f64], noise: &Noise, i: usize, n_w: usize) -> usize {
    let earliest = i.saturating_sub(n_w);
    let mut edge = i;
    while edge > earliest && edge > STILL {
        let still = &p[edge - STILL..edge];
        let level = still.iter().sum::<f64>() / STILL as f64;
        let sd = (noise.variance(level.max(0.0)) * (1.0 + 1.0 / STILL as f64)).sqrt();
        if p[edge] - level <= BEGUN * sd {
            break;
        }
        edge -= 1;
    }
    edge
}

/// Samples that a rise is told from.
const STILL: usize = 4;

/// Standard errors from which a sample belongs to a rise.
const BEGUN: f64 = 3.0;

/// Marks as clipped every peak that lasts longer than the pulse ([`outlasts`]), and those
/// that share one height at the top of the trace: a ceiling, on which a receiver's own
/// recovery may ride so that no two samples are equal. What a receiver adds in overload lifts
/// some above others, and one reflection alone at the top says nothing by its height; but a
/// ceiling cuts off a rise, while what lies above it must first fall away.
fn mark_ceiling(power: &Power, noise: &Noise, peaks: &mut [StrongPeak], pulse_samples: f64) {
    let n_w = pulse_samples.ceil() as usize;
    let top = |peak: &StrongPeak| {
        power.value[peak.edge..(peak.edge + n_w + 2).min(power.len())]
            .iter()
            .copied()
            .fold(0.0, f64::max)
    };
    let highest = peaks.iter().map(&top).fold(0.0, f64::max);
    let ceiling = highest / (CEILING_DB / DB_PER_NEPER).exp();
    let at_ceiling = |peak: &StrongPeak| top(peak) >= ceiling && !comes_up(power, peak, top(peak));
    let is_shared = peaks.iter().filter(|p| at_ceiling(p)).count() >= 2;
    for (k, peak) in peaks.iter_mut().enumerate() {
        // The port's own peak need not begin with the trace.
        let is_cut = k > 0 && outlasts((power, noise), peak, top(peak), pulse_samples);
        peak.clipped |= is_cut || (is_shared && at_ceiling(peak));
    }
}

/// Whether a peak stays near its height for longer than the pulse, and takes longer to fall
/// than it took to rise. A receiver that answers in proportion comes up to nine tenths
/// later than it falls to them, so that it is near its height for less than the pulse; and it
/// rises from 3 to 90 % in the time in which it falls from 97 to 10 %, [`TO_TENTH`] of that in
/// which it falls to 3 %. Of two equal times one holds at most one sample more.
///
/// A ceiling may creep up under overload, so that a rise is over at nine tenths.
fn outlasts(
    (power, noise): (&Power, &Noise),
    peak: &StrongPeak,
    top: f64,
    pulse_samples: f64,
) -> bool {
    let base = power.value[peak.edge];
    let of = |share: f64| base + share * (top - base);
    let (low, near, high) = (of(1.0 - NEARLY), of(NEAR), of(NEARLY));
    let is_clear = top - high > BEGUN * noise.variance(top).sqrt();
    let until = 4 * pulse_samples.ceil() as usize + STILL;
    let risen = power.value.iter().skip(peak.edge + 1).take(until);
    let wide = risen.clone().skip_while(|p| **p <= near);
    let wide = wide.take_while(|p| **p > near).count();
    let rise = risen.clone().take_while(|p| **p < near);
    let rise = rise.filter(|p| **p > low).count();
    let last = risen.clone().rposition(|p| *p >= high);
    let fall = risen.skip(last.unwrap_or(0) + 1);
    let fall = fall.take_while(|p| **p > low).count();
    is_clear && wide as f64 > pulse_samples + 1.0 && TO_TENTH * fall as f64 > rise as f64 + 1.0
}

/// Share of a peak's height near which it lasts no longer than the pulse.
const NEAR: f64 = 0.9;

/// Time of an exponential's fall from 97 to 10 % over that to 3 %: ln(0.97/0.1)/ln(0.97/0.03).
const TO_TENTH: f64 = 0.65;

/// Whether a peak comes up to its top as a slow receiver does: two samples or more in the
/// upper half of the rise. A ceiling cuts it off there.
fn comes_up(power: &Power, peak: &StrongPeak, top: f64) -> bool {
    let base = power.value[peak.edge];
    let from = f64::midpoint(base, top);
    let nearly = base + NEARLY * (top - base);
    let rise = power
        .value
        .iter()
        .skip(peak.edge)
        .take_while(|p| **p < nearly);
    rise.filter(|p| **p > from).count() >= 2
}

/// Share of a peak's height from which it has come up.
const NEARLY: f64 = 0.97;

/// Share of a sample's power by which a rise behind it is steep.
const STEEP: f64 = 0.1;

/// Whether one of [`MANY`] samples in a row has a steep rise behind it; also where the trace ends
/// before.
fn may_be_steep(p: &[f64], first: usize) -> bool {
    let Some([a, b, c, d]) = many_from(p, [first - 1, first, first + 1, first + 2]) else {
        return true;
    };
    let mut steep = false;
    for k in 0..MANY {
        steep |= d[k] + c[k] - b[k] - a[k] > 2.0 * STEEP * b[k];
    }
    steep
}

/// Last samples before the rises that may show the receiver's shape: those of the
/// unclipped strong peaks, and the steepest rises of the rest.
pub(super) fn rises(
    power: &Power,
    noise: &Noise,
    peaks: &[StrongPeak],
    lit_end: usize,
    pulse_samples: f64,
) -> Vec<usize> {
    let p = &power.value;
    let mut edges: Vec<usize> = peaks
        .iter()
        .skip(1)
        .filter(|peak| !peak.clipped)
        .map(|peak| peak.edge)
        .collect();
    let n_w = pulse_samples.ceil() as usize + 4;
    let start = peaks.first().map_or(0, |port| port.settled);
    let rms = noise.floor();
    let stop = lit_end.min(p.len()).saturating_sub(3);
    let some = (start + 2..stop).step_by(MANY);
    let some = some.filter(|&first| may_be_steep(p, first));
    let mut steep: Vec<(f64, usize)> = some
        .flat_map(|first| first..(first + MANY).min(stop))
        .filter_map(|i| {
            let rise = (p[i + 2] + p[i + 1] - p[i] - p[i - 1]) / 2.0;
            // A tenth of the backscatter, and clear of the noise.
            (rise > STEEP * p[i] && rise > 10.0 * rms).then_some((rise / p[i].max(rms), i))
        })
        .collect();
    steep.sort_by(|a, b| b.0.total_cmp(&a.0));
    for (_, i) in steep {
        if edges.len() >= 8 {
            break;
        }
        // Within a pulse it is the same rise, or what follows it; what a ceiling cuts off shows
        // no shape.
        let clipped = peaks
            .iter()
            .filter(|peak| peak.clipped)
            .map(|peak| peak.edge);
        if edges
            .iter()
            .copied()
            .chain(clipped)
            .all(|e| e.abs_diff(i) > n_w)
        {
            edges.push(before_rise(p, noise, i, n_w));
        }
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise of a hundred-thousandth of the power, no more.
    fn noise() -> Noise {
        Noise {
            receiver: 1e-10,
            receiver_sum: 1e-10,
            shot: 0.0,
            rounding: 0.0,
            fading: 0.0,
            pulse_samples: 10.0,
        }
    }

    fn is_cut(value: Vec<f64>) -> bool {
        let peak = StrongPeak {
            edge: 20,
            place: None,
            settled: 20,
            clipped: false,
        };
        let top = value.iter().copied().fold(0.0, f64::max);
        let power = Power {
            state: vec![SampleState::Good; value.len()],
            value,
            reference_db: 0.0,
        };
        outlasts((&power, &noise()), &peak, top, 10.0)
    }

    /// A pulse of `n` samples from sample 20.4 on, as a receiver of one time constant shows it,
    /// over a level of 1: its closed form, written out.
    fn shown(n: f64, pole: f64, height: f64) -> Vec<f64> {
        (0..120)
            .map(|i| (f64::from(i) - 20.4).max(0.0))
            .map(|u| {
                let risen = 1.0 - (-u.min(n) / pole).exp();
                1.0 + height * risen * (-(u - n).max(0.0) / pole).exp()
            })
            .collect()
    }

    #[test]
    fn a_ceiling_that_creeps_up_cuts_a_reflection_off() {
        // Truth: 500 high, stopped at 100, which rises by a half of a hundredth a sample; above
        // it the light stays for 10 + ln 5 = 11.6 samples.
        let value = shown(10.0, 1.0, 500.0);
        let cut = |(i, p): (usize, f64)| p.min(100.0 + 0.5 * (i.max(20) - 20) as f64);
        assert!(is_cut(value.into_iter().enumerate().map(cut).collect()));
    }

    #[test]
    fn what_a_receiver_shows_in_proportion_is_not_cut_off() {
        // Pulses as long as stated, fast and slow; and one twice as long, whose header is wrong.
        for (n, pole) in [
            (10.0, 0.3),
            (10.0, 1.0),
            (10.0, 2.5),
            (10.0, 6.0),
            (20.0, 1.0),
        ] {
            assert!(!is_cut(shown(n, pole, 100.0)), "{n} samples, {pole}");
        }
    }

    /// A reflection is found wherever in the samples looked at together it begins: invented
    /// backscatter of 0.01 with a pulse twice as high, by a receiver that follows at once or with
    /// the half pulse only.
    #[test]
    fn a_reflection_is_found_wherever_it_begins() {
        for pulse in [1.0, 7.0, 20.0] {
            for edge in 100..100 + 2 * MANY {
                let value: Vec<f64> = (0..600)
                    .map(|i| {
                        let risen = i > edge && i <= edge + pulse as usize;
                        0.01 + if risen { 0.02 } else { 0.0 } + if i < 20 { 1.0 } else { 0.0 }
                    })
                    .collect();
                let power = Power {
                    state: vec![SampleState::Good; value.len()],
                    value,
                    reference_db: 0.0,
                };
                let noise = Noise {
                    receiver: 1e-10,
                    receiver_sum: 1e-10,
                    ..Noise::none(pulse)
                };
                let found = strong_peaks(&power, &noise, 500, pulse);
                let edges: Vec<usize> = found.iter().map(|peak| peak.edge).collect();
                assert_eq!(edges, [0, edge], "pulse {pulse}");
                let told = rises(&power, &noise, &found[..1], 500, pulse);
                assert!(
                    told.iter().any(|e| e.abs_diff(edge) <= 2),
                    "{told:?} for {edge}"
                );
            }
        }
    }
}
