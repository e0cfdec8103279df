//! What the tool said and measured: the table of a screen.

use super::labels::Verdict;
use crate::error::{Error, Result};
use crate::leg::profile::{GapProfile, StationMatrix, StationVector};
use crate::outcome::Call;
use crate::types::Station;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// One hold of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// The recording.
    pub recording: String,
    /// The hold's number.
    pub hold: usize,
    /// The call on the stance.
    pub call: Verdict,
    /// The largest fault probability.
    pub fault_probability: f64,
    /// Call and fault probability of each check.
    pub checks: BTreeMap<String, (Verdict, f64)>,
    /// The gaps beyond the natural hollow.
    pub profile: GapProfile,
    /// The report's page, relative to the table.
    pub report: String,
}

/// The table.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Results {
    /// Every hold.
    pub holds: Vec<Measured>,
    /// Recordings in which nothing was judged.
    pub without_hold: BTreeSet<String>,
    /// The folder that the table lies in.
    pub folder: PathBuf,
}

impl Results {
    /// The table that `path` is, or that lies in the folder `path`.
    pub fn table_of(path: &Path) -> PathBuf {
        if path.is_dir() {
            path.join("screen.csv")
        } else {
            path.to_path_buf()
        }
    }

    /// Reads `screen.csv`.
    ///
    /// # Errors
    /// [`Error::Input`] where it cannot be read or is no such table.
    pub fn read(path: &Path) -> Result<Self> {
        let shown = path.display();
        let mut reader = csv::Reader::from_path(path).map_err(|e| {
            Error::input(format!(
                "The results {shown} cannot be read ({e}): give the results folder of `shankline screen`, its screen.csv, or a second table of labels."
            ))
        })?;
        let damaged = |e: csv::Error| Error::input(format!("The results {shown} cannot be read as CSV ({e})."));
        let columns: Vec<String> = reader.headers().map_err(damaged)?.iter().map(str::to_string).collect();
        let at: BTreeMap<&str, usize> = columns.iter().enumerate().map(|(k, c)| (c.as_str(), k)).collect();
        for needed in [
            "recording",
            "row",
            "hold",
            "call",
            "fault_probability",
            "gap_covariance_mm2",
            "report",
        ] {
            if !at.contains_key(needed) {
                return Err(Error::input(format!(
                    "The results {shown} have no column “{needed}”: they are not a table of `shankline screen`."
                )));
            }
        }
        let checks: Vec<&str> = columns
            .iter()
            .filter_map(|c| c.strip_prefix("call_"))
            .filter(|c| at.contains_key(format!("fault_probability_{c}").as_str()))
            .collect();
        let mut out = Self {
            folder: path.parent().unwrap_or(Path::new("")).to_path_buf(),
            ..Self::default()
        };
        for record in reader.records() {
            let record = record.map_err(damaged)?;
            let line = record.position().map_or(0, csv::Position::line);
            let refuse = |what: &str| Error::input(format!("The results {shown} are damaged at line {line}: {what}."));
            let cell = |name: &str| at.get(name).and_then(|k| record.get(*k)).unwrap_or("");
            let recording = cell("recording").to_string();
            if cell("row") != "hold" {
                out.without_hold.insert(recording);
                continue;
            }
            let number = |name: &str| cell(name).parse::<f64>().ok().filter(|v| v.is_finite());
            let call = |name: &str| Verdict::from_word(cell(name));
            let mut profile = GapProfile {
                gap_mm: StationVector::zeros(),
                covariance_mm2: StationMatrix::zeros(),
            };
            let covariance: Vec<Vec<f64>> =
                serde_json::from_str(cell("gap_covariance_mm2")).map_err(|_| refuse("the covariance is no matrix"))?;
            for s in Station::ALL {
                let i = s.index();
                profile.gap_mm[i] = number(&format!("gap_{}_mm", s.key())).ok_or_else(|| refuse("a gap is missing"))?;
                for k in 0..Station::ALL.len() {
                    profile.covariance_mm2[(i, k)] = *covariance
                        .get(i)
                        .and_then(|row| row.get(k))
                        .ok_or_else(|| refuse("the covariance is no 6 × 6 matrix"))?;
                }
            }
            let mut of_checks = BTreeMap::new();
            for check in &checks {
                if let (Some(verdict), Some(p)) = (call(&format!("call_{check}")), number(&format!("fault_probability_{check}"))) {
                    of_checks.insert((*check).to_string(), (verdict, p));
                }
            }
            out.holds.push(Measured {
                hold: cell("hold").parse().map_err(|_| refuse("the hold has no number"))?,
                call: call("call").ok_or_else(|| refuse("the call is none"))?,
                fault_probability: number("fault_probability").ok_or_else(|| refuse("the fault probability is missing"))?,
                checks: of_checks,
                profile,
                report: cell("report").to_string(),
                recording,
            });
        }
        Ok(out)
    }

    /// Holds that a label speaks of: the one it names, or all of the recording.
    pub fn of(&self, recording: &str, hold: Option<usize>) -> Vec<&Measured> {
        self.holds
            .iter()
            .filter(|m| m.recording == recording && hold.is_none_or(|h| m.hold == h))
            .collect()
    }
}

impl Measured {
    /// What the tool says of one check or of the stance, and the fault probability.
    pub fn said(&self, check: Option<&str>) -> Option<(Verdict, f64)> {
        match check {
            None => Some((self.call, self.fault_probability)),
            Some(check) => self.checks.get(check).copied(),
        }
    }
}

/// Of several holds of one recording the one that a judge of the whole would speak of: a fault before what cannot be told before what is clear, then the likelier fault.
pub(super) fn worst<'a>(holds: &[&'a Measured], check: Option<&str>) -> Option<(&'a Measured, Verdict, f64)> {
    holds
        .iter()
        .filter_map(|m| m.said(check).map(|(v, p)| (*m, v, p)))
        .max_by(|a, b| a.1.cmp(&b.1).then(a.2.total_cmp(&b.2)))
}

/// The call that the rules make at another tolerance, from the gaps.
pub(super) fn call_at(probability: f64, smallest_lift_mm: f64, tolerance_mm: f64, confidence: f64) -> Call {
    if probability >= confidence {
        Call::Suspected
    } else if probability <= 1.0 - confidence && smallest_lift_mm <= tolerance_mm {
        Call::Clear
    } else {
        Call::CannotTell
    }
}
