//! Sensitivity against false alarms over a threshold, and the threshold that separates best.

use serde::{Deserialize, Serialize};

/// What a threshold does: cases with a score above it are flagged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RocPoint {
    /// The threshold, in the unit of the score.
    pub threshold: f64,
    /// Share of the positive cases that are flagged.
    pub sensitivity: f64,
    /// Share of the negative cases that are flagged.
    pub false_flag_rate: f64,
}

/// The receiver operating characteristic at the thresholds given; empty where there are no positive or no negative cases.
pub fn curve(positive: &[f64], negative: &[f64], thresholds: &[f64]) -> Vec<RocPoint> {
    if positive.is_empty() || negative.is_empty() {
        return Vec::new();
    }
    let in_order = |scores: &[f64]| {
        let mut sorted = scores.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted
    };
    let (positive, negative) = (in_order(positive), in_order(negative));
    let above = |sorted: &[f64], t: f64| (sorted.len() - sorted.partition_point(|s| *s <= t)) as f64 / sorted.len() as f64;
    thresholds
        .iter()
        .map(|t| RocPoint {
            threshold: *t,
            sensitivity: above(&positive, *t),
            false_flag_rate: above(&negative, *t),
        })
        .collect()
}

/// The threshold with the largest sensitivity minus false-flag rate (Youden, "Index for rating diagnostic tests", *Cancer* 3 (1950), p. 32), between `low` and `high`; the
/// middle of the scores between which the index is largest, the one nearest `prior` where several do as well. `None` without positive or without negative cases.
pub fn best_threshold(positive: &[f64], negative: &[f64], low: f64, high: f64, prior: f64) -> Option<f64> {
    if positive.is_empty() || negative.is_empty() {
        return None;
    }
    let mut edges: Vec<f64> = positive.iter().chain(negative).copied().filter(|s| *s > low && *s < high).collect();
    edges.extend([low, high]);
    edges.sort_by(f64::total_cmp);
    edges.dedup();
    let candidates: Vec<f64> = edges.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect();
    let points = curve(positive, negative, &candidates);
    let index = |p: &RocPoint| p.sensitivity - p.false_flag_rate;
    let best = points.iter().map(index).fold(f64::NEG_INFINITY, f64::max);
    points
        .iter()
        .filter(|p| index(p) >= best - 1e-12)
        .map(|p| p.threshold)
        .min_by(|a, b| (a - prior).abs().total_cmp(&(b - prior).abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn apart_by_a_gap_is_cut_in_its_middle() {
        let best = best_threshold(&[20.0, 30.0], &[2.0, 10.0], 1.0, 100.0, 15.0).unwrap();
        assert_eq!(best, 15.0);
        assert_eq!(best_threshold(&[], &[1.0], 1.0, 100.0, 15.0), None);
    }
}
