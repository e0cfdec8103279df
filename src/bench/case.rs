//! One case of a bench: how the camera stood, what was true, what was said.

use crate::outcome::Call;
use crate::rules::judge::Judgement;
use crate::rules::RuleProfile;
use crate::types::STATION_COUNT;
use serde::{Deserialize, Serialize};

/// A case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Case {
    /// Where the floor came from: `marks`, `body` (stature known) or `body_only` (stature not known).
    pub floor: String,
    /// Elevation of the camera over the carpet seen from the leg, degrees.
    pub elevation_deg: f64,
    /// Azimuth of the camera relative to the shank, degrees; ±90 is square to the shin.
    pub azimuth_deg: f64,
    /// Apparent shank length, px.
    pub shank_px: f64,
    /// Clothing of the legs, where there is a picture.
    pub clothing: Option<String>,
    /// What was measured; `None` where the program gave no answer.
    pub answer: Option<Answer>,
}

/// Truth and answer side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// True gaps beyond the natural hollow, mm, knee to heel.
    pub truth_mm: [f64; STATION_COUNT],
    /// Measured gaps beyond the natural hollow, mm.
    pub gap_mm: [f64; STATION_COUNT],
    /// Their stated standard deviations, mm.
    pub sd_mm: [f64; STATION_COUNT],
    /// The checks.
    pub checks: Vec<Checked>,
}

/// One check of a case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Checked {
    /// The check's key in the rule profile.
    pub key: String,
    /// Largest true gap among its stations, mm.
    pub worst_truth_mm: f64,
    /// Tolerance, mm.
    pub tolerance_mm: f64,
    /// Stated probability of a fault.
    pub fault_probability: f64,
    /// The call.
    pub call: Call,
}

impl Checked {
    /// Whether there was a fault.
    pub fn fault(&self) -> bool {
        self.worst_truth_mm > self.tolerance_mm
    }

    /// Whether something definite was said that was not so.
    pub fn confidently_wrong(&self) -> bool {
        match self.call {
            Call::Suspected => !self.fault(),
            Call::Clear => self.fault(),
            Call::CannotTell => false,
        }
    }

    /// Whether the truth lies within `margin_mm` of the tolerance, where no call is plainly right or wrong.
    pub fn borderline(&self, margin_mm: f64) -> bool {
        (self.worst_truth_mm - self.tolerance_mm).abs() <= margin_mm
    }
}

impl Answer {
    /// From a judgement and the heights measured on the mesh.
    pub fn of(judged: &Judgement, mesh_gap_mm: &[f64; STATION_COUNT], rules: &RuleProfile) -> Self {
        let truth_mm: [f64; STATION_COUNT] = std::array::from_fn(|s| mesh_gap_mm[s] - rules.hollow.mean_mm[s]);
        let checks = rules
            .checks
            .iter()
            .zip(&judged.findings)
            .map(|(check, finding)| Checked {
                key: check.key.clone(),
                worst_truth_mm: check.stations.iter().map(|s| truth_mm[s.index()]).fold(f64::NEG_INFINITY, f64::max),
                tolerance_mm: check.tolerance_mm,
                fault_probability: finding.fault_probability,
                call: finding.call,
            })
            .collect();
        Self {
            truth_mm,
            gap_mm: std::array::from_fn(|s| judged.gaps[s].gap_mm),
            sd_mm: std::array::from_fn(|s| judged.gaps[s].sd_mm),
            checks,
        }
    }
}
