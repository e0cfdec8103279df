//! Whether stated probabilities come true.

use serde::{Deserialize, Serialize};

/// A stated probability and whether the thing was so.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Stated probability, 0–1.
    pub probability: f64,
    /// Whether it was so.
    pub happened: bool,
}

/// One bin of a reliability curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    /// Lower edge of the stated probability; belongs to the bin below, except 0.
    pub low: f64,
    /// Upper edge; belongs to this bin.
    pub high: f64,
    /// How many forecasts fell into it.
    pub total: u64,
    /// How many of them happened.
    pub happened: u64,
    /// Mean of the stated probabilities; the bin's middle where it is empty.
    pub mean_stated: f64,
}

/// Brier score: mean squared difference of stated probability and outcome (Brier, *Monthly Weather Review* 78(1), 1950, for two classes); `None` of nothing.
pub fn brier_score(forecasts: &[Forecast]) -> Option<f64> {
    let sum: f64 = forecasts
        .iter()
        .map(|f| (f.probability - f64::from(u8::from(f.happened))).powi(2))
        .sum();
    (!forecasts.is_empty()).then(|| sum / forecasts.len() as f64)
}

/// Reliability curve in `bins` bins of equal width, each closed above (as scikit-learn's `calibration_curve` with `strategy="uniform"`); empty bins are kept.
pub fn reliability(forecasts: &[Forecast], bins: usize) -> Vec<Bin> {
    let bins = bins.max(1);
    let edge = |k: usize| k as f64 / bins as f64;
    let mut out: Vec<Bin> = (0..bins)
        .map(|k| Bin {
            low: edge(k),
            high: edge(k + 1),
            total: 0,
            happened: 0,
            mean_stated: 0.0,
        })
        .collect();
    for f in forecasts {
        // The first bin whose upper edge is not below the probability.
        let k = out.iter().position(|b| f.probability <= b.high).unwrap_or(bins - 1);
        out[k].total += 1;
        out[k].happened += u64::from(f.happened);
        out[k].mean_stated += f.probability;
    }
    for b in &mut out {
        b.mean_stated = if b.total > 0 {
            b.mean_stated / b.total as f64
        } else {
            0.5 * (b.low + b.high)
        };
    }
    out
}

/// Expected calibration error: the bins' differences of mean stated probability and observed share, weighted by their forecasts
/// (Guo, Pleiss, Sun, Weinberger, "On calibration of modern neural networks", ICML 2017, eq. 3); `None` of nothing.
pub fn expected_calibration_error(bins: &[Bin]) -> Option<f64> {
    let total: u64 = bins.iter().map(|b| b.total).sum();
    let sum: f64 = bins
        .iter()
        .filter(|b| b.total > 0)
        .map(|b| (b.total as f64 * b.mean_stated - b.happened as f64).abs())
        .sum();
    (total > 0).then(|| sum / total as f64)
}
