//! Both traces on A's axis, the two-way profile and the backscatter profile.

use ndarray::Array1;

use crate::trace::Trace;
use crate::units::Length;

use super::joint::Joint;
use super::link::Profiles;

/// Two-way profile y(x) = (a(x) − b(L−x))/2 and backscatter profile
/// I(x) = (a(x) + b(L−x))/2 of two levels at one place, one-way dB.
///
/// y falls by the loss alone; I steps by −h and holds no loss.
///
/// # Source
/// ITU-T G.650.1 (03/2018) eq. 6-14 and, on its own scale, Appendix II eq. II-1.
///
/// ```
/// use bothends::both_ways::two_way_levels;
/// // 20 km at 0.2 dB/km, splice of 0.05 dB at 10 km, h = −0.292894 dB; at 9.9 km:
/// let (y, i) = two_way_levels(-1.9800, -2.3629);
/// assert!((y - 0.1914).abs() < 1e-4 && (i + 2.1714).abs() < 1e-4);
/// ```
pub fn two_way_levels(a_db: f64, b_db: f64) -> (f64, f64) {
    (0.5 * (a_db - b_db), 0.5 * (a_db + b_db))
}

/// Lays both traces on A's samples from the beginning of A's trace to the end of
/// B's (B interpolated between its samples); NaN where a trace has no level.
pub(super) fn profiles(a: &Trace, b: &Trace, joint: &Joint, length: Option<Length>) -> Profiles {
    let views = joint.views();
    let last = length.map_or(a.len(), |l| {
        // Past the link by as much as lies before it: the cord at B's end.
        let past = views[0].index(l.m() + views[1].eye.metres(views[1].index(l.m())).max(0.0));
        (past.ceil().max(0.0) as usize + 1).min(a.len())
    });
    let position_m = Array1::from_iter((0..last).map(|i| views[0].place(i as f64)));
    let level_a_db = Array1::from_iter(a.levels_db().iter().copied().take(last));
    let level_b_db = position_m.mapv(|z| interpolate(b, views[1].index(z)));
    let (two_way_db, backscatter_db) = level_a_db
        .iter()
        .zip(&level_b_db)
        .map(|(&x, &y)| two_way_levels(x, y))
        .unzip::<f64, f64, Vec<_>, Vec<_>>();
    Profiles {
        position_m,
        level_a_db,
        level_b_db,
        two_way_db: Array1::from_vec(two_way_db),
        backscatter_db: Array1::from_vec(backscatter_db),
    }
}

fn interpolate(trace: &Trace, index: f64) -> f64 {
    if index < 0.0 || index > (trace.len() - 1) as f64 {
        return f64::NAN;
    }
    let levels = trace.levels_db();
    let lo = index as usize;
    let hi = (lo + 1).min(trace.len() - 1);
    let share = index - lo as f64;
    levels[lo] * (1.0 - share) + levels[hi] * share
}
