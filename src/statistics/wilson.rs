//! Shares of counted things with their intervals.

use crate::numerics::normal;
use serde::{Deserialize, Serialize};

/// So many of so many.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Count {
    /// How many had the property.
    pub of: u64,
    /// How many there were.
    pub total: u64,
}

impl Count {
    /// Counts how many of `these` are true.
    pub fn of(these: impl IntoIterator<Item = bool>) -> Self {
        let mut count = Self::default();
        for this in these {
            count.add(this);
        }
        count
    }

    /// Counts one more.
    pub fn add(&mut self, this: bool) {
        self.of += u64::from(this);
        self.total += 1;
    }

    /// The share, 0–1; `None` of nothing.
    pub fn share(self) -> Option<f64> {
        (self.total > 0).then(|| self.of as f64 / self.total as f64)
    }

    /// Wilson's score interval of the share at `confidence` (two-sided, such as 0.95); 0 to 1 of nothing.
    ///
    /// Wilson, "Probable inference, the law of succession, and statistical inference", *Journal of the American Statistical Association* 22 (1927), p. 209.
    pub fn wilson(self, confidence: f64) -> [f64; 2] {
        if self.total == 0 {
            return [0.0, 1.0];
        }
        let n = self.total as f64;
        let p = self.of as f64 / n;
        let z = normal::quantile_fast(0.5 + 0.5 * confidence);
        let denominator = 1.0 + z * z / n;
        let middle = (p + z * z / (2.0 * n)) / denominator;
        let half = z / denominator * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
        // At the ends the interval reaches 0 or 1 exactly; rounding must not push it past.
        [
            if self.of == 0 { 0.0 } else { (middle - half).max(0.0) },
            if self.of == self.total { 1.0 } else { (middle + half).min(1.0) },
        ]
    }
}
