//! Places labels so that none covers another.

/// Centres of boxes of one `width`, as near to `wanted` (ascending) as the
/// boxes can lie side by side between `low` and `high`.
///
/// Minimises the sum of squared displacements: with the widths taken off the
/// coordinate the order is a monotone sequence, and the least-squares monotone
/// sequence is found by pooling neighbours that are out of order. Where the
/// boxes do not all fit, they are spread evenly and overlap evenly.
///
/// # Source
/// Pool-adjacent-violators for isotonic regression: Barlow, Bartholomew,
/// Bremner, Brunk, *Statistical Inference under Order Restrictions* (1972).
pub(super) fn side_by_side(wanted: &[f64], width: f64, low: f64, high: f64) -> Vec<f64> {
    let n = wanted.len();
    if n == 0 {
        return Vec::new();
    }
    let room = (high - low).max(0.0);
    let width = width.min(room / n as f64);
    // Mean and number of each pool.
    let mut pools: Vec<(f64, usize)> = Vec::with_capacity(n);
    for (index, &place) in wanted.iter().enumerate() {
        pools.push((place - index as f64 * width, 1));
        while let [.., (before, before_n), (last, last_n)] = pools[..] {
            if before <= last {
                break;
            }
            let count = before_n + last_n;
            let mean = (before * before_n as f64 + last * last_n as f64) / count as f64;
            pools.truncate(pools.len() - 2);
            pools.push((mean, count));
        }
    }
    let first = low + width / 2.0;
    let last = high - width / 2.0 - (n - 1) as f64 * width;
    pools
        .iter()
        .flat_map(|&(mean, count)| std::iter::repeat_n(mean, count))
        .enumerate()
        .map(|(index, place)| place.clamp(first, last.max(first)) + index as f64 * width)
        .collect()
}

/// Intervals already taken on one line.
#[derive(Debug, Default, Clone)]
pub(super) struct Taken {
    intervals: Vec<(f64, f64)>,
}

impl Taken {
    /// Whether nothing overlaps `from..to`.
    pub(super) fn is_free(&self, from: f64, to: f64) -> bool {
        self.intervals
            .iter()
            .all(|&(other_from, other_to)| to <= other_from || from >= other_to)
    }

    /// Takes `from..to` if it is free; tells whether it was.
    pub(super) fn take(&mut self, from: f64, to: f64) -> bool {
        let is_free = self.is_free(from, to);
        if is_free {
            self.intervals.push((from, to));
        }
        is_free
    }
}

/// Rows of labels that hang above columns by a thin line each.
///
/// Row 0 is the lowest. A label's line runs down through the rows below it, so
/// these must be free there.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    labels: Vec<Taken>,
    lines: Vec<Taken>,
}

/// Where a label stands to its line by preference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lean {
    Centred,
    Before,
    Behind,
}

impl Lean {
    /// Every preference, the plainest first.
    pub(super) const ALL: [Self; 3] = [Self::Centred, Self::Before, Self::Behind];
}

impl Rows {
    /// Free space left and right of a label or a line.
    const GAP: f64 = 5.0;

    pub(super) fn new(rows: usize) -> Self {
        Self {
            labels: vec![Taken::default(); rows],
            lines: vec![Taken::default(); rows],
        }
    }

    /// The row and the centre of a label of `width` for the column at `x`, if any row is free.
    pub(super) fn place(
        &mut self,
        x: f64,
        width: f64,
        lean: Lean,
        (low, high): (f64, f64),
    ) -> Option<(usize, f64)> {
        let half = width / 2.0;
        if width > high - low {
            return None;
        }
        // Above the column, or beside its line with the line near the label's end.
        let beside = (half - 2.0 * Self::GAP).max(0.0);
        let centres = match lean {
            Lean::Centred => [x, x + beside, x - beside],
            Lean::Before => [x - beside, x, x + beside],
            Lean::Behind => [x + beside, x, x - beside],
        }
        .map(|c| c.clamp(low + half, high - half));
        let spread = |centre: f64| (centre - half - Self::GAP, centre + half + Self::GAP);
        let (row, centre) = (0..self.labels.len())
            .flat_map(|row| centres.map(|centre| (row, centre)))
            .find(|&(row, centre)| {
                let (from, to) = spread(centre);
                self.labels[row].is_free(from, to)
                    && self.lines[row].is_free(from, to)
                    && self.labels[..row]
                        .iter()
                        .all(|below| below.is_free(x - Self::GAP, x + Self::GAP))
            })?;
        let (from, to) = spread(centre);
        self.labels[row].take(from, to);
        for line in &mut self.lines[..row] {
            line.intervals.push((x - Self::GAP, x + Self::GAP));
        }
        Some((row, centre))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{Lean, Rows, side_by_side};

    #[test]
    fn labels_with_room_stay_where_they_belong() {
        assert_eq!(
            side_by_side(&[50.0, 100.0, 180.0], 40.0, 0.0, 200.0),
            [50.0, 100.0, 180.0]
        );
    }

    #[test]
    fn two_labels_on_one_place_part_evenly() {
        assert_eq!(
            side_by_side(&[100.0, 100.0], 40.0, 0.0, 200.0),
            [80.0, 120.0]
        );
    }

    #[test]
    fn labels_at_the_edge_stay_inside() {
        assert_eq!(side_by_side(&[0.0, 0.0], 40.0, 0.0, 200.0), [20.0, 60.0]);
        assert_eq!(side_by_side(&[], 40.0, 0.0, 200.0), [0.0; 0]);
    }

    #[test]
    fn a_label_may_not_cover_the_line_of_another() {
        let mut rows = Rows::new(2);
        let mut place = |x| rows.place(x, 80.0, Lean::Centred, (0.0, 400.0));
        assert_eq!(place(100.0), Some((0, 100.0)));
        assert_eq!(place(150.0), Some((1, 150.0)));
        // The line of the second runs through row 0 at 150, so a third leans away from it.
        assert_eq!(place(190.0), Some((0, 220.0)));
        assert_eq!(place(155.0), None);
    }

    proptest! {
        #[test]
        fn no_two_labels_overlap_and_none_leaves_the_panel(
            mut wanted in prop::collection::vec(-50.0_f64..1500.0, 0..60),
            width in 1.0_f64..60.0,
        ) {
            wanted.sort_by(f64::total_cmp);
            let (low, high) = (100.0, 1400.0);
            let width = width.min((high - low) / wanted.len().max(1) as f64);
            let placed = side_by_side(&wanted, width, low, high);
            prop_assert_eq!(placed.len(), wanted.len());
            // 1e-6 of a pixel covers the rounding of sixty additions.
            for pair in placed.windows(2) {
                prop_assert!(pair[1] - pair[0] >= width - 1e-6);
            }
            for centre in placed {
                prop_assert!(centre >= low + width / 2.0 - 1e-6);
                prop_assert!(centre <= high - width / 2.0 + 1e-6);
            }
        }

        #[test]
        fn no_two_remarks_overlap_and_no_line_crosses_one(
            wanted in prop::collection::vec((100.0_f64..1400.0, 20.0_f64..300.0), 0..40),
            lean in prop::sample::select(&Lean::ALL[..]),
        ) {
            let mut rows = Rows::new(3);
            let placed: Vec<(f64, f64, usize, f64)> = wanted
                .iter()
                .filter_map(|&(x, width)| {
                    let (row, centre) = rows.place(x, width, lean, (0.0, 1500.0))?;
                    Some((x, width, row, centre))
                })
                .collect();
            for (index, &(_, width, row, centre)) in placed.iter().enumerate() {
                for &(other_x, other_width, other_row, other_centre) in &placed[..index] {
                    let apart = (centre - other_centre).abs() >= f64::midpoint(width, other_width);
                    prop_assert!(row != other_row || apart);
                    // The other's line runs below its own row.
                    prop_assert!(other_row <= row || (other_x - centre).abs() >= width / 2.0);
                }
            }
        }
    }
}
