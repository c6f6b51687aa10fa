//! Both traces on A's axis, the two-way profile and the backscatter profile.

use ndarray::Array1;

use crate::trace::Trace;

use super::link::{Link, Profiles};

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

impl Profiles {
    /// Lays the two traces that a link was measured from on A's samples as the link
    /// says they lie, from the beginning of A's trace to B's port; B is interpolated
    /// between its samples, and NaN stands where a trace has no level. Where light does
    /// not cross the fibre there is no two-way and no backscatter profile.
    pub fn of(link: &Link, a: &Trace, b: &Trace) -> Self {
        let scale = link.registration.as_ref().map_or_else(
            || link.b.group_index.ratio() / link.a.group_index.ratio(),
            |registration| registration.scale.value,
        );
        let crosses = link.registration.is_some();
        let port_a_m = link.a.port.m();
        let port_b_m = link.b.port.m();
        let place = |i: usize| port_a_m + a.position_of(i).m();
        let reach = (port_b_m - place(0)) / a.spacing_m();
        let last = (reach.ceil().max(0.0) as usize + 1).min(a.len());
        let position_m = Array1::from_iter((0..last).map(place));
        let level_a_db = Array1::from_iter(a.levels_db().iter().copied().take(last));
        let start_b_m = b.position_of(0).m();
        let index_b = |z_m: f64| ((port_b_m - z_m) / scale - start_b_m) / b.spacing_m();
        let level_b_db = position_m.mapv(|z_m| interpolate(b, index_b(z_m)));
        let (two_way_db, backscatter_db) = level_a_db
            .iter()
            .zip(&level_b_db)
            .map(|(&x, &y)| {
                if crosses {
                    two_way_levels(x, y)
                } else {
                    (f64::NAN, f64::NAN)
                }
            })
            .unzip::<f64, f64, Vec<_>, Vec<_>>();
        Self {
            position_m,
            level_a_db,
            level_b_db,
            two_way_db: Array1::from_vec(two_way_db),
            backscatter_db: Array1::from_vec(backscatter_db),
        }
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
