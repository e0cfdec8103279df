//! Whether a number puts one kind of case above another.

/// Area under the receiver operating characteristic: the chance that a case of `positive` has the larger score than one of `negative`, ties by half
/// (Mann and Whitney, *Annals of Mathematical Statistics* 18(1), 1947; Hanley and McNeil, *Radiology* 143(1), 1982); `None` where either is empty.
pub fn area_under_curve(positive: &[f64], negative: &[f64]) -> Option<f64> {
    if positive.is_empty() || negative.is_empty() {
        return None;
    }
    let mut sorted = negative.to_vec();
    sorted.sort_by(f64::total_cmp);
    let sum: f64 = positive
        .iter()
        .map(|x| {
            let below = sorted.partition_point(|y| y < x);
            let up_to = sorted.partition_point(|y| y <= x);
            0.5 * (below + up_to) as f64
        })
        .sum();
    Some(sum / (positive.len() as f64 * negative.len() as f64))
}
