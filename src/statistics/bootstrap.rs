//! Intervals by drawing again from what was seen.

use super::summary;

/// A small generator of random numbers that gives the same numbers every time (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Draws(u64);

impl Draws {
    /// Starts from `seed`.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `n` (which is not 0); the bias of the reduction is below n ÷ 2⁶⁴.
    pub fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.bits()) * n as u128) >> 64) as usize
    }
}

/// Percentile bootstrap interval at `confidence` of `statistic`, drawing whole clusters with replacement: what belongs together (holds of one recording) is drawn together.
/// `None` of fewer than two clusters, where more than a tenth of the draws have no value, or where every draw gives the same (then drawing again says nothing of how sure
/// the value is).
///
/// Efron, "Bootstrap methods: another look at the jackknife", *Annals of Statistics* 7 (1979), p. 1; clusters: Davison and Hinkley, *Bootstrap Methods and their
/// Application* (1997), 3.8.
pub fn interval<T: Clone>(clusters: &[Vec<T>], confidence: f64, draws: usize, statistic: &dyn Fn(&[T]) -> Option<f64>) -> Option<[f64; 2]> {
    if clusters.len() < 2 {
        return None;
    }
    let mut random = Draws::new(1979);
    let mut values = Vec::with_capacity(draws);
    let mut drawn = Vec::new();
    for _ in 0..draws {
        drawn.clear();
        for _ in 0..clusters.len() {
            drawn.extend_from_slice(&clusters[random.below(clusters.len())]);
        }
        values.extend(statistic(&drawn));
    }
    if values.len() * 10 < draws * 9 {
        return None;
    }
    if values.iter().all(|v| *v == values[0]) {
        return None;
    }
    let tail = 0.5 * (1.0 - confidence);
    Some([summary::quantile(&values, tail)?, summary::quantile(&values, 1.0 - tail)?])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mean of n independent values: the interval must be about the normal one, ±1.96 s ÷ √n (elementary statistics).
    #[test]
    fn the_interval_of_a_mean_is_the_normal_one() {
        let mut random = Draws::new(7);
        let uniform: Vec<Vec<f64>> = (0..400).map(|_| vec![random.bits() as f64 / u64::MAX as f64]).collect();
        let [low, high] = interval(&uniform, 0.95, 4000, &summary::mean).unwrap();
        let expected = 2.0 * 1.96 * (1.0_f64 / 12.0).sqrt() / 20.0;
        assert!((high - low - expected).abs() < 0.1 * expected, "{low} {high} {expected}");
        assert_eq!(interval(&[vec![1.0], vec![1.0]], 0.95, 100, &summary::mean), None);
        // The same values twice in each cluster say nothing more.
        let doubled: Vec<Vec<f64>> = uniform.iter().map(|c| vec![c[0], c[0]]).collect();
        let [low, high] = interval(&doubled, 0.95, 4000, &summary::mean).unwrap();
        assert!((high - low - expected).abs() < 0.1 * expected, "{low} {high} {expected}");
    }
}
