//! The median.

/// The middle of the finite values, between two the mean of both; `None` of none.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| v.is_finite());
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let k = values.len() / 2;
    Some(if values.len() % 2 == 1 {
        values[k]
    } else {
        0.5 * (values[k - 1] + values[k])
    })
}
