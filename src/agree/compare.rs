//! Two raters side by side.

use super::labels::Verdict;
use crate::statistics::bootstrap;
use crate::statistics::kappa::{cohen, Weights};
use crate::statistics::wilson::Count;
use serde::Serialize;
use std::collections::BTreeMap;

/// Bootstrap draws.
const DRAWS: usize = 2000;

/// One thing that both raters spoke of.
#[derive(Debug, Clone, PartialEq)]
pub struct Pairing {
    /// The recording; what belongs to one recording is drawn together.
    pub recording: String,
    /// The first rater's word.
    pub first: Verdict,
    /// The second rater's word.
    pub second: Verdict,
}

/// A number with its 95 % interval, where there is one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The value; `None` where it is not defined.
    pub value: Option<f64>,
    /// 95 % interval.
    pub interval_95: Option<[f64; 2]>,
}

/// Counts: the first rater's word down, the second's across, each clear, cannot tell, fault.
pub type Table = [[u64; 3]; 3];

/// How well two raters agree.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Agreement {
    /// The first rater.
    pub first: String,
    /// The second rater.
    pub second: String,
    /// How many both spoke of.
    pub total: usize,
    /// Recordings they belong to.
    pub recordings: usize,
    /// Counts: the first rater's word down, the second's across, each clear, cannot tell, fault.
    pub counts: Table,
    /// Share on which both say the same, with its Wilson interval.
    pub same: Estimate,
    /// Cohen's κ over the three words; interval by cluster bootstrap.
    pub kappa: Estimate,
    /// κ with linear weights, in the order clear, cannot tell, fault.
    pub kappa_linear: Estimate,
    /// κ with quadratic weights.
    pub kappa_quadratic: Estimate,
    /// κ over those of which both say clear or fault.
    pub kappa_decided: Estimate,
}

/// Something on which two raters differ.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Disagreement {
    /// The recording.
    pub recording: String,
    /// The hold, where one is meant.
    pub hold: Option<usize>,
    /// The check; `None` for the stance.
    pub check: Option<String>,
    /// Who said what.
    pub said: Vec<(String, Verdict)>,
    /// The tool's fault probability, where the tool is one of them.
    pub fault_probability: Option<f64>,
    /// The hold's report, relative to the page.
    pub report: Option<String>,
    /// The hold's still, relative to the page.
    pub still: Option<String>,
    /// How bad, for the order: opposite words before one that cannot tell, the surer the worse.
    pub weight: f64,
}

/// What both raters said of one thing.
type Both = (Verdict, Verdict);

fn table(pairs: &[Both]) -> Vec<Vec<u64>> {
    let mut counts = vec![vec![0; 3]; 3];
    for (a, b) in pairs {
        counts[*a as usize][*b as usize] += 1;
    }
    counts
}

/// Compares two raters.
pub fn compare(first: &str, second: &str, pairings: &[Pairing]) -> Agreement {
    let mut clusters: BTreeMap<&str, Vec<Both>> = BTreeMap::new();
    for p in pairings {
        clusters.entry(&p.recording).or_default().push((p.first, p.second));
    }
    let clusters: Vec<Vec<Both>> = clusters.into_values().collect();
    let all: Vec<Both> = clusters.iter().flatten().copied().collect();
    let counts = table(&all);
    let estimate = |statistic: &dyn Fn(&[Both]) -> Option<f64>| Estimate {
        value: statistic(&all),
        interval_95: statistic(&all).and_then(|_| bootstrap::interval(&clusters, 0.95, DRAWS, statistic)),
    };
    let same = Count::of(all.iter().map(|(a, b)| a == b));
    let decided = |pairs: &[Both]| {
        let kept: Vec<Both> = pairs
            .iter()
            .copied()
            .filter(|(a, b)| *a != Verdict::CannotTell && *b != Verdict::CannotTell)
            .collect();
        cohen(&table(&kept), Weights::Equal)
    };
    Agreement {
        first: first.to_string(),
        second: second.to_string(),
        total: all.len(),
        recordings: clusters.len(),
        counts: std::array::from_fn(|i| std::array::from_fn(|j| counts[i][j])),
        same: Estimate {
            value: same.share(),
            interval_95: same.share().map(|_| same.wilson(0.95)),
        },
        kappa: estimate(&|p| cohen(&table(p), Weights::Equal)),
        kappa_linear: estimate(&|p| cohen(&table(p), Weights::Linear)),
        kappa_quadratic: estimate(&|p| cohen(&table(p), Weights::Quadratic)),
        kappa_decided: estimate(&decided),
    }
}
