//! Refining a landmark by its heatmap: local centre of mass, and how widely the heatmap spreads about it.

use crate::types::Covariance2;

/// Side of a heatmap, cells.
pub const HEATMAP_SIDE: usize = 64;
/// Side of the window about the coarse point, cells (the original pipeline's).
pub const WINDOW_CELLS: usize = 7;
/// Confidence that some cell of the window must reach (the original pipeline's).
pub const CONFIDENCE_THRESHOLD: f64 = 0.5;

/// A landmark refined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Refined {
    /// Fraction of the window's side to the right.
    pub x: f64,
    /// Fraction of the window's side downwards.
    pub y: f64,
    /// Second moment of the confidence about the point, cells², axes of the crop.
    pub spread_cells2: Covariance2,
}

/// Local centre of mass of one heatmap about a coarse point; `None` where the point lies outside the crop or no cell of the window reaches
/// [`CONFIDENCE_THRESHOLD`].
///
/// `logits`: 64 × 64, rows from the top. `x`, `y`: the coarse point as fractions of the crop's side.
pub fn refine(logits: &[f32], x: f64, y: f64) -> Option<Refined> {
    let side = HEATMAP_SIDE as f64;
    let inside = (0.0..1.0).contains(&x) && (0.0..1.0).contains(&y);
    if !inside || logits.len() != HEATMAP_SIDE * HEATMAP_SIDE {
        return None;
    }
    let reach = (WINDOW_CELLS - 1) / 2;
    let span = |centre: usize| centre.saturating_sub(reach)..(centre + reach + 1).min(HEATMAP_SIDE);
    let (columns, rows) = (span((x * side) as usize), span((y * side) as usize));
    let (mut sum, mut best) = (0.0, 0.0f64);
    let (mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for row in rows {
        for column in columns.clone() {
            let confidence = 1.0 / (1.0 + f64::from(-logits[row * HEATMAP_SIDE + column]).exp());
            let (c, r) = (column as f64, row as f64);
            best = best.max(confidence);
            sum += confidence;
            sx += c * confidence;
            sy += r * confidence;
            sxx += c * c * confidence;
            sxy += c * r * confidence;
            syy += r * r * confidence;
        }
    }
    if !(best >= CONFIDENCE_THRESHOLD && sum.is_finite() && sum > 0.0) {
        return None;
    }
    let (mx, my) = (sx / sum, sy / sum);
    Some(Refined {
        x: mx / side,
        y: my / side,
        spread_cells2: Covariance2 {
            uu: (sxx / sum - mx * mx).max(0.0),
            uv: sxy / sum - mx * my,
            vv: (syy / sum - my * my).max(0.0),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn logits(peaks: &[(usize, usize)]) -> Vec<f32> {
        let mut map = vec![-30.0; HEATMAP_SIDE * HEATMAP_SIDE];
        for (column, row) in peaks {
            map[row * HEATMAP_SIDE + column] = 30.0;
        }
        map
    }

    #[test]
    fn the_centre_lies_between_two_equal_peaks() {
        let refined = refine(&logits(&[(20, 30), (22, 30)]), 20.5 / 64.0, 31.2 / 64.0).unwrap();
        assert_abs_diff_eq!(refined.x, 21.0 / 64.0, epsilon = 1e-9);
        assert_abs_diff_eq!(refined.y, 30.0 / 64.0, epsilon = 1e-9);
        assert_abs_diff_eq!(refined.spread_cells2.uu, 1.0, epsilon = 1e-6);
        assert_abs_diff_eq!(refined.spread_cells2.vv, 0.0, epsilon = 1e-6);
    }

    #[test]
    fn far_peaks_and_faint_maps_do_not_move_the_point() {
        assert!(refine(&logits(&[(40, 30)]), 20.0 / 64.0, 30.0 / 64.0).is_none());
        assert!(refine(&vec![-1.0; 4096], 0.5, 0.5).is_none());
        assert!(refine(&logits(&[(0, 0)]), -0.1, 0.5).is_none());
        assert!(refine(&logits(&[(0, 0)]), f64::NAN, 0.5).is_none());
        assert!(refine(&vec![f32::NAN; 4096], 0.5, 0.5).is_none());
    }

    #[test]
    fn the_window_is_cut_at_the_edge() {
        let refined = refine(&logits(&[(0, 63)]), 0.01, 0.99).unwrap();
        assert_abs_diff_eq!(refined.x, 0.0, epsilon = 1e-9);
        assert_abs_diff_eq!(refined.y, 63.0 / 64.0, epsilon = 1e-9);
    }
}
