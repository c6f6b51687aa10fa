//! Whether numbers without a unit may be linear power instead of decibels.

/// Stretches that the numbers are averaged over.
const STRETCHES: usize = 40;

/// Whether levels of no unit may be linear power.
///
/// Linear power is never negative and falls along a fibre, exponentially: its
/// logarithm is straight where decibels themselves are. A scale from 0 to 1 that
/// does not rise is a share of something more often than decibels, and is not
/// taken for them without a word.
pub(super) fn may_be_linear(distances: &[f64], levels: &[f64]) -> bool {
    let len = levels.len() / STRETCHES;
    let finite = || levels.iter().copied().filter(|v| v.is_finite());
    let (low, high) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    if low < -0.02 * high || high <= 0.0 {
        return false;
    }
    let quarter = levels.len() / 4;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let ends = (levels.get(..quarter), levels.get(levels.len() - quarter..));
    let (Some(first), Some(last)) = ends else {
        return false;
    };
    let falls = quarter > 0 && mean(first) > mean(last);
    if high <= 1.0 && high > low && falls {
        return true;
    }
    if len == 0 {
        return false;
    }
    let means: Vec<(f64, f64)> = (0..STRETCHES)
        .filter_map(|i| {
            let range = i * len..(i + 1) * len;
            Some((
                mean(distances.get(range.clone())?),
                mean(levels.get(range)?),
            ))
        })
        .collect();
    let top = means.iter().map(|m| m.1).fold(0.0, f64::max);
    let from = means.iter().position(|m| m.1 >= top).unwrap_or(0);
    let fibre: Vec<(f64, f64)> = means
        .iter()
        .skip(from)
        .take_while(|m| m.1 > 0.02 * top)
        .copied()
        .collect();
    let ratio = fibre.last().map_or(1.0, |last| top / last.1);
    if fibre.len() < 8 || ratio < 3.0 {
        return false;
    }
    let logs: Vec<(f64, f64)> = fibre.iter().map(|(x, y)| (*x, y.ln())).collect();
    let (plain, log) = (crookedness(&fibre), crookedness(&logs));
    plain > 0.05 && log < 0.4 * plain
}

/// How far points lie off their straight line, as a share of their range.
fn crookedness(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let slope = sxy / sxx;
    let off: f64 = points
        .iter()
        .map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2))
        .sum();
    let (low, high) = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
            (l.min(p.1), h.max(p.1))
        });
    (off / n).sqrt() / (high - low)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: power falls as 10^(−2·α·z/10), level as −α·z.
    fn level_db(z_m: f64) -> f64 {
        let joints = (z_m / 2000.0).floor() * 0.1;
        -0.3e-3 * z_m - joints
    }

    #[test]
    fn power_is_told_from_decibels_on_a_positive_scale() {
        let z: Vec<f64> = (0..4000).map(|i| 5.0 * f64::from(i)).collect();
        for scale in [1.0, 100.0, 65_535.0] {
            let power: Vec<f64> = z
                .iter()
                .map(|z| scale * 10_f64.powf(level_db(*z) / 5.0))
                .collect();
            assert!(may_be_linear(&z, &power), "{scale}");
        }
        for start in [7.5, 20.0, 45.0] {
            let levels: Vec<f64> = z.iter().map(|z| start + level_db(*z)).collect();
            assert!(!may_be_linear(&z, &levels), "{start}");
            let losses: Vec<f64> = z.iter().map(|z| -level_db(*z)).collect();
            assert!(!may_be_linear(&z, &losses));
        }
        // A fibre that ends, and noise behind it.
        let levels: Vec<f64> = z
            .iter()
            .map(|z| {
                if *z < 12_000.0 {
                    30.0 + level_db(*z)
                } else {
                    5.0
                }
            })
            .collect();
        assert!(!may_be_linear(&z, &levels));
    }

    #[test]
    fn a_short_loss_that_rises_is_decibels() {
        let z: Vec<f64> = (0..100).map(f64::from).collect();
        let losses: Vec<f64> = z.iter().map(|z| 0.005 * z).collect();
        assert!(!may_be_linear(&z, &losses));
        let shares: Vec<f64> = z.iter().map(|z| 1.0 - 0.005 * z).collect();
        assert!(may_be_linear(&z, &shares));
    }
}
