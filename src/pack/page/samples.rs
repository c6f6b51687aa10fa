//! Levels small enough to lie in a page: steps of a thousandth of a decibel.

use std::io::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::DeflateEncoder;
use ndarray::Array1;
use serde::Serialize;

use crate::both_ways::Profiles;

/// Step in which a page holds levels, in dB: a tenth of what a reading can use of one
/// sample.
const STEP_DB: f64 = 0.001;

/// The number that stands for "no level".
const NONE: u16 = u16::MAX;

/// Most samples of a trace in a page; a longer trace is thinned to the least and
/// greatest level of each stretch.
pub(super) const MOST_SAMPLES: usize = 24_000;

/// Levels of one trace as text.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Packed {
    /// Level of step 0.
    base_db: f64,
    /// Decibels of a step.
    step_db: f64,
    /// Differences from sample to sample modulo 2^16: all low bytes, then all high ones,
    /// deflated, as base64.
    data: String,
}

/// Both traces on one even axis, for a page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Samples {
    pub(super) start_m: f64,
    pub(super) spacing_m: f64,
    #[serde(rename = "samples_n")]
    pub(super) count: usize,
    pub(super) a: Packed,
    pub(super) b: Packed,
    /// Samples of the trace that one of the page stands for.
    #[serde(skip)]
    pub(super) thinned: usize,
}

impl Samples {
    /// Packs the traces of a link; none where there is no axis.
    pub(super) fn of(profiles: &Profiles) -> Option<Self> {
        let axis = Axis::of(&profiles.position_m)?;
        let n = profiles.position_m.len();
        let each = n.div_ceil(MOST_SAMPLES);
        let (a, b, each) = if each == 1 {
            (
                packed(profiles.level_a_db.iter().copied()),
                packed(profiles.level_b_db.iter().copied()),
                1,
            )
        } else {
            (
                packed(thinned(&profiles.level_a_db, each).into_iter()),
                packed(thinned(&profiles.level_b_db, each).into_iter()),
                each,
            )
        };
        Some(Self {
            start_m: axis.start_m,
            spacing_m: axis.spacing_m * each as f64,
            count: if each == 1 {
                n
            } else {
                2 * n.div_ceil(2 * each)
            },
            a,
            b,
            thinned: each,
        })
    }
}

/// The even axis of some profiles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Axis {
    pub(crate) start_m: f64,
    pub(crate) spacing_m: f64,
}

impl Axis {
    /// First place and spacing; none of fewer than two places.
    pub(crate) fn of(position_m: &Array1<f64>) -> Option<Self> {
        let (first, last) = (*position_m.first()?, *position_m.last()?);
        let spacing_m = (last - first) / (position_m.len().checked_sub(1)?) as f64;
        (spacing_m.is_finite() && spacing_m > 0.0).then_some(Self {
            start_m: first,
            spacing_m,
        })
    }
}

/// Least and greatest level of each stretch of twice `each` samples, in the order in
/// which they come.
fn thinned(levels: &Array1<f64>, each: usize) -> Vec<f64> {
    let all: Vec<f64> = levels.to_vec();
    let mut thin = Vec::with_capacity(2 * all.len().div_ceil(2 * each));
    for stretch in all.chunks(2 * each) {
        let mut least = (0, f64::NAN);
        let mut greatest = (0, f64::NAN);
        for (index, &level) in stretch.iter().enumerate() {
            if level.is_finite() && (least.1.is_nan() || level < least.1) {
                least = (index, level);
            }
            if level.is_finite() && (greatest.1.is_nan() || level > greatest.1) {
                greatest = (index, level);
            }
        }
        thin.extend(if least.0 <= greatest.0 {
            [least.1, greatest.1]
        } else {
            [greatest.1, least.1]
        });
    }
    thin
}

fn packed(levels: impl Iterator<Item = f64> + Clone) -> Packed {
    let (mut least, mut greatest) = (f64::INFINITY, f64::NEG_INFINITY);
    for level in levels.clone().filter(|level| level.is_finite()) {
        least = least.min(level);
        greatest = greatest.max(level);
    }
    if least > greatest {
        (least, greatest) = (0.0, 0.0);
    }
    let base_db = (least / STEP_DB).floor() * STEP_DB;
    let most = f64::from(NONE - 1);
    let step_db = STEP_DB * ((greatest - base_db) / (most * STEP_DB)).ceil().max(1.0);
    let (mut low, mut high) = (Vec::new(), Vec::new());
    let mut before = 0_u16;
    for level in levels {
        let step = if level.is_finite() {
            ((level - base_db) / step_db).round().clamp(0.0, most) as u16
        } else {
            NONE
        };
        let [first, second] = step.wrapping_sub(before).to_le_bytes();
        low.push(first);
        high.push(second);
        before = step;
    }
    low.extend(high);
    Packed {
        base_db,
        step_db,
        data: STANDARD.encode(deflated(&low)),
    }
}

/// Deflates bytes; writing into memory does not fail, and what could not be deflated
/// would be empty, which the page reports as levels that could not be loaded.
fn deflated(bytes: &[u8]) -> Vec<u8> {
    let mut packer = DeflateEncoder::new(Vec::new(), Compression::best());
    packer
        .write_all(bytes)
        .and_then(|()| packer.finish())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use super::*;

    fn unpacked(packed: &Packed) -> Vec<f64> {
        let mut bytes = Vec::new();
        let deflated = STANDARD.decode(&packed.data).unwrap();
        flate2::read::DeflateDecoder::new(deflated.as_slice())
            .read_to_end(&mut bytes)
            .unwrap();
        let (low, high) = bytes.split_at(bytes.len() / 2);
        low.iter()
            .zip(high)
            .scan(0_u16, |step, (&low, &high)| {
                *step = step.wrapping_add(u16::from_le_bytes([low, high]));
                Some(*step)
            })
            .map(|step| {
                if step == NONE {
                    f64::NAN
                } else {
                    packed.base_db + f64::from(step) * packed.step_db
                }
            })
            .collect()
    }

    #[test]
    fn levels_come_back_to_half_a_step_and_gaps_stay_gaps() {
        let levels = [-41.23456, 12.0, f64::NAN, 0.0004];
        let back = unpacked(&packed(levels.iter().copied()));
        for (level, back) in levels.iter().zip(&back) {
            // Half a step of 0.001 dB, and what a float adds.
            assert!(
                level.is_nan() && back.is_nan() || (level - back).abs() < 0.000_500_1,
                "{level} {back}"
            );
        }
        // 100 dB do not fit into 65,534 steps of 0.001: the step doubles.
        let wide = packed([0.0, 100.0].into_iter());
        assert!((wide.step_db - 0.002).abs() < 1e-12);
        assert!(
            unpacked(&packed([f64::NAN; 3].into_iter()))
                .iter()
                .all(|v| v.is_nan())
        );
    }

    #[test]
    fn a_spike_of_a_long_trace_is_kept() {
        let mut levels = Array1::zeros(100_000);
        levels[55_555] = 30.0;
        levels[77_777] = -9.0;
        let thin = thinned(&levels, 5);
        let greatest = thin.iter().copied().fold(f64::MIN, f64::max);
        let least = thin.iter().copied().fold(f64::MAX, f64::min);
        // Taken over unchanged.
        assert!((greatest - 30.0).abs() < 1e-12);
        assert!((least + 9.0).abs() < 1e-12);
        assert_eq!(thin.len(), 20_000);
    }
}
