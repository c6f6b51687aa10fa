//! A long trace reduced to what a drawing can show: least and greatest level
//! of each pixel column.

/// A range of the axis and the pixels that it takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    /// Value at the first pixel.
    pub(super) from: f64,
    /// Value at the last pixel.
    pub(super) to: f64,
    /// First pixel.
    pub(super) from_px: f64,
    /// Last pixel; may be less than the first, for an axis that grows upwards.
    pub(super) to_px: f64,
}

impl Span {
    /// Pixel of a value.
    pub(super) fn px(&self, value: f64) -> f64 {
        self.from_px + (value - self.from) / (self.to - self.from) * (self.to_px - self.from_px)
    }

    /// Pixel of a value, values outside the range at the nearer edge.
    pub(super) fn px_inside(&self, value: f64) -> f64 {
        self.px(value.clamp(self.from.min(self.to), self.from.max(self.to)))
    }
}

/// What one pixel column holds of a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PixelColumn {
    /// Index of the column from the left edge of the panel.
    pub(super) column: usize,
    /// Level of the first sample.
    pub(super) first: f64,
    /// Least level.
    pub(super) min: f64,
    /// Greatest level.
    pub(super) max: f64,
    /// Mean level.
    pub(super) mean: f64,
    /// Whether the least level comes before the greatest.
    pub(super) rises: bool,
}

/// Sorts samples into pixel columns; `None` stands for a gap where no level is.
///
/// `x` ascends; both slices are of equal length. Samples outside `span` are left out.
pub(super) fn pixel_columns(x: &[f64], y: &[f64], span: &Span) -> Vec<Option<PixelColumn>> {
    let mut columns: Vec<Option<PixelColumn>> = Vec::new();
    let mut open: Option<(PixelColumn, f64, usize)> = None;
    let close = |open: &mut Option<(PixelColumn, f64, usize)>,
                 columns: &mut Vec<Option<PixelColumn>>| {
        if let Some((mut column, sum, n)) = open.take() {
            column.mean = sum / n as f64;
            columns.push(Some(column));
        }
    };
    for (&x, &y) in x.iter().zip(y) {
        if !(span.from..=span.to).contains(&x) {
            continue;
        }
        if !y.is_finite() {
            close(&mut open, &mut columns);
            if columns.last().is_some_and(Option::is_some) {
                columns.push(None);
            }
            continue;
        }
        let column = whole(span.px(x) - span.from_px);
        match &mut open {
            Some((pixel, sum, n)) if pixel.column == column => {
                if y < pixel.min {
                    pixel.min = y;
                    pixel.rises = false;
                }
                if y > pixel.max {
                    pixel.max = y;
                    pixel.rises = true;
                }
                *sum += y;
                *n += 1;
            }
            _ => {
                close(&mut open, &mut columns);
                let pixel = PixelColumn {
                    column,
                    first: y,
                    min: y,
                    max: y,
                    mean: y,
                    rises: true,
                };
                open = Some((pixel, y, 1));
            }
        }
    }
    close(&mut open, &mut columns);
    columns
}

/// Polylines in pixels through the columns, one for each stretch without a gap.
///
/// A column whose levels differ by less than `merge_px` gives its mean only, so
/// that noise does not thicken the line; any other gives its extremes in the
/// order in which they come. Levels outside the panel stop at its edge.
pub(super) fn polylines(
    columns: &[Option<PixelColumn>],
    x: &Span,
    y: &Span,
    merge_px: f64,
) -> Vec<Vec<(f64, f64)>> {
    columns
        .split(Option::is_none)
        .map(|stretch| {
            let mut line = Vec::with_capacity(stretch.len() * 2);
            for pixel in stretch.iter().flatten() {
                let x_px = x.from_px + pixel.column as f64 + 0.5;
                let (min_px, max_px) = (y.px_inside(pixel.min), y.px_inside(pixel.max));
                if (min_px - max_px).abs() < merge_px {
                    line.push((x_px, y.px_inside(pixel.mean)));
                } else if pixel.rises {
                    line.extend([(x_px, min_px), (x_px, max_px)]);
                } else {
                    line.extend([(x_px, max_px), (x_px, min_px)]);
                }
            }
            line
        })
        .filter(|line| !line.is_empty())
        .collect()
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a pixel count between 0 and a few thousand"
)]
fn whole(px: f64) -> usize {
    px.max(0.0) as usize
}

#[cfg(test)]
mod tests {
    use super::{Span, pixel_columns, polylines};

    const X: Span = Span {
        from: 0.0,
        to: 10.0,
        from_px: 100.0,
        to_px: 110.0,
    };
    const Y: Span = Span {
        from: 0.0,
        to: 10.0,
        from_px: 50.0,
        to_px: 0.0,
    };

    #[test]
    fn a_single_spike_between_pixels_survives() {
        let x: Vec<f64> = (0..1000).map(|index| f64::from(index) * 0.01).collect();
        let mut y = vec![2.0; 1000];
        y[437] = 8.0;
        let lines = polylines(&pixel_columns(&x, &y, &X), &X, &Y, 1.0);
        assert_eq!(lines.len(), 1);
        let top = lines[0].iter().map(|point| point.1).fold(50.0, f64::min);
        // 8 of 10 on an axis 50 px high that grows upwards.
        assert!((top - 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_gap_parts_the_line() {
        let x: Vec<f64> = (0..100).map(|index| f64::from(index) * 0.1).collect();
        let mut y = vec![1.0; 100];
        y[40..60].fill(f64::NAN);
        assert_eq!(polylines(&pixel_columns(&x, &y, &X), &X, &Y, 1.0).len(), 2);
        assert!(polylines(&pixel_columns(&x, &[f64::NAN; 100], &X), &X, &Y, 1.0).is_empty());
    }

    #[test]
    fn a_level_beyond_the_panel_stops_at_its_edge() {
        let lines = polylines(&pixel_columns(&[5.0], &[99.0], &X), &X, &Y, 1.0);
        assert_eq!(lines, [[(105.5, 0.0)]]);
    }
}
