//! A few numbers for many.

use serde::{Deserialize, Serialize};

/// Errors in a nutshell, in the unit of the errors.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ErrorSummary {
    /// How many.
    pub total: u64,
    /// Mean error (bias).
    pub mean: f64,
    /// Standard error of the mean, the errors taken as independent.
    pub mean_standard_error: f64,
    /// Mean absolute error.
    pub mean_absolute: f64,
    /// 95th percentile of the absolute error.
    pub absolute_95: f64,
}

/// Sums up errors (estimate − truth); `None` of nothing.
pub fn of_errors(errors: &[f64]) -> Option<ErrorSummary> {
    let mean = mean(errors)?;
    let absolute: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    Some(ErrorSummary {
        total: errors.len() as u64,
        mean,
        mean_standard_error: standard_deviation(errors).map_or(f64::INFINITY, |sd| sd / (errors.len() as f64).sqrt()),
        mean_absolute: absolute.iter().sum::<f64>() / absolute.len() as f64,
        absolute_95: quantile(&absolute, 0.95)?,
    })
}

/// Arithmetic mean; `None` of nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation (divisor n − 1); `None` of fewer than two.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    Some((squares / (values.len() - 1) as f64).sqrt())
}

/// Quantile by linear interpolation between order statistics (Hyndman and Fan, *American Statistician* 50(4), 1996, type 7; NumPy's default); `None` of nothing.
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = p.clamp(0.0, 1.0) * (sorted.len().checked_sub(1)?) as f64;
    let (below, fraction) = (at.floor() as usize, at.fract());
    let above = (below + 1).min(sorted.len() - 1);
    Some(sorted[below] + fraction * (sorted[above] - sorted[below]))
}

/// Pearson's correlation; `None` of fewer than two pairs or where either does not vary.
pub fn correlation(a: &[f64], b: &[f64]) -> Option<f64> {
    let (ma, mb) = (mean(a)?, mean(b)?);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma).powi(2);
        bb += (y - mb).powi(2);
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}
