//! Agreement between raters beyond chance.

use serde::{Deserialize, Serialize};

/// How much two different categories count as disagreement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Weights {
    /// Every disagreement the same.
    Equal,
    /// In proportion to the distance between the categories.
    Linear,
    /// In proportion to its square.
    Quadratic,
}

impl Weights {
    fn of(self, i: usize, j: usize) -> f64 {
        let distance = i.abs_diff(j) as f64;
        match self {
            Weights::Equal => f64::from(u8::from(i != j)),
            Weights::Linear => distance,
            Weights::Quadratic => distance * distance,
        }
    }
}

/// Cohen's κ of a square table of counts (one rater's categories down, the other's across); with weights, the categories must be in order. `None` where chance alone would
/// make no disagreement (nothing counted, or both raters always in one category).
///
/// Cohen, "A coefficient of agreement for nominal scales", *Educational and Psychological Measurement* 20 (1960), p. 37; weighted: Cohen, *Psychological Bulletin* 70 (1968),
/// p. 213: 1 − observed ÷ expected weighted disagreement.
pub fn cohen(counts: &[Vec<u64>], weights: Weights) -> Option<f64> {
    let n: u64 = counts.iter().flatten().sum();
    let size = counts.len();
    let down: Vec<f64> = counts.iter().map(|row| row.iter().sum::<u64>() as f64).collect();
    let across: Vec<f64> = (0..size).map(|j| counts.iter().map(|row| row[j]).sum::<u64>() as f64).collect();
    let (mut observed, mut expected) = (0.0, 0.0);
    for i in 0..size {
        for j in 0..size {
            let w = weights.of(i, j);
            observed += w * counts[i][j] as f64;
            expected += w * down[i] * across[j];
        }
    }
    (n > 0 && expected > 0.0).then(|| 1.0 - observed * n as f64 / expected)
}

/// Fleiss' κ: for each subject how many raters chose each category, the same number of raters for every subject. `None` where there are fewer than two raters, or chance
/// alone would make no disagreement.
///
/// Fleiss, "Measuring nominal scale agreement among many raters", *Psychological Bulletin* 76 (1971), p. 378.
pub fn fleiss(choices: &[Vec<u64>]) -> Option<f64> {
    let raters = choices.first()?.iter().sum::<u64>();
    if raters < 2 || choices.iter().any(|c| c.iter().sum::<u64>() != raters) {
        return None;
    }
    let (n, r) = (choices.len() as f64, raters as f64);
    let observed = choices
        .iter()
        .map(|c| (c.iter().map(|k| (*k as f64).powi(2)).sum::<f64>() - r) / (r * (r - 1.0)))
        .sum::<f64>()
        / n;
    let categories = choices[0].len();
    let chance: f64 = (0..categories)
        .map(|k| (choices.iter().map(|c| c[k] as f64).sum::<f64>() / (n * r)).powi(2))
        .sum();
    (chance < 1.0).then(|| (observed - chance) / (1.0 - chance))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Cohen (1960), the worked example of two raters on 200 cases (from memory): observed agreement 0.70, by chance 0.41, κ = 0.492.
    #[test]
    fn cohens_own_example() {
        let counts = vec![vec![88, 10, 2], vec![14, 40, 6], vec![18, 10, 12]];
        let kappa = cohen(&counts, Weights::Equal).unwrap();
        assert!((kappa - 0.492).abs() < 0.0005, "{kappa}");
    }

    #[test]
    fn nothing_to_disagree_on_is_none() {
        assert_eq!(cohen(&[vec![5, 0], vec![0, 0]], Weights::Equal), None);
        assert_eq!(cohen(&[vec![0, 0], vec![0, 0]], Weights::Equal), None);
        assert_eq!(cohen(&[vec![5, 0], vec![0, 5]], Weights::Equal), Some(1.0));
        assert_eq!(fleiss(&[vec![3, 0], vec![3, 0]]), None);
        assert_eq!(fleiss(&[vec![3, 0], vec![2, 0]]), None);
        assert_eq!(fleiss(&[]), None);
    }
}
