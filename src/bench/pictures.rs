//! The picture bench: what `examples/measure_stills.rs` measured on rendered stills, one JSON text a line.

use crate::bench::case::{Answer, Case, Checked};
use crate::error::{Error, Result};
use crate::outcome::HoldReport;
use crate::statistics::summary::{correlation, mean, quantile};
use crate::types::{Keypoint, Leg, Station, STATION_COUNT};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// One still measured with one kind of floor.
#[derive(Debug, Clone, Deserialize)]
pub struct Still {
    /// Where the floor came from.
    pub floor: String,
    /// What is true.
    pub truth: Truth,
    /// The answer, where there is one.
    #[serde(default)]
    pub hold: Option<HoldReport>,
    /// Gaps from the points and the camera alone.
    #[serde(default)]
    pub geometry: Option<Part>,
    /// Gaps from the picture alone.
    #[serde(default)]
    pub picture: Option<Part>,
    /// The lower-leg network's points.
    #[serde(default)]
    pub points: Option<Vec<Keypoint>>,
    /// The general network's knees, ankles, heels and toes (landmarks 23 to 32).
    #[serde(default)]
    pub body: Option<Vec<Keypoint>>,
}

/// Truth of a still, from the renderer.
#[derive(Debug, Clone, Deserialize)]
pub struct Truth {
    /// The kneeling leg.
    pub kneeling_leg: Leg,
    /// Height of the inner skin over the carpet, mm.
    pub gap_mm: BTreeMap<String, f64>,
    /// Elevation of the camera seen from the leg, degrees.
    pub elevation_deg: f64,
    /// Azimuth relative to the shank, degrees.
    pub azimuth_deg: f64,
    /// Apparent shank length, px.
    pub shank_px: f64,
    /// The leg's points, px.
    pub points_px: Vec<[f64; 2]>,
    /// What the legs wear.
    pub clothing: String,
}

/// One of the two measurements that a hold's gaps are joined from.
#[derive(Debug, Clone, Deserialize)]
pub struct Part {
    /// Gaps, mm.
    pub gap_mm: [f64; STATION_COUNT],
    /// Standard deviations, mm.
    pub sd_mm: [f64; STATION_COUNT],
}

/// Reads the lines.
///
/// # Errors
/// [`Error::Input`] with the line that cannot be read.
pub fn parse(text: &str) -> Result<Vec<Still>> {
    let stills = text
        .lines()
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty())
        .map(|(k, line)| {
            serde_json::from_str(line).map_err(|e| {
                Error::input(format!(
                    "Line {} of the measured stills cannot be read ({e}); make the file with: cargo run --release --example measure_stills -- FOLDER",
                    k + 1
                ))
            })
        })
        .collect::<Result<Vec<Still>>>()?;
    if stills.is_empty() {
        return Err(Error::input(
            "The file of measured stills is empty; make it with: cargo run --release --example measure_stills -- FOLDER",
        ));
    }
    Ok(stills)
}

impl Still {
    fn mesh_gap_mm(&self) -> Result<[f64; STATION_COUNT]> {
        let mut gaps = [0.0; STATION_COUNT];
        for s in Station::ALL {
            gaps[s.index()] = *self
                .truth
                .gap_mm
                .get(s.key())
                .ok_or_else(|| Error::input(format!("A still's truth has no gap at {}; render the stills anew.", s.key())))?;
        }
        Ok(gaps)
    }

    /// As a case of the bench. Checks take their stations from the shipped profile's keys: a check named for the heel is the heel's, all others are the calf's.
    ///
    /// # Errors
    /// [`Error::Input`] where the truth lacks a station.
    pub fn case(&self) -> Result<Case> {
        let mesh = self.mesh_gap_mm()?;
        let answer = self.hold.as_ref().map(|hold| {
            let hollow: [f64; STATION_COUNT] =
                Station::ALL.map(|s| hold.gaps.iter().find(|g| g.station == s).map_or(0.0, |g| g.natural_hollow_mm));
            let of = |f: &dyn Fn(&crate::outcome::GapReport) -> f64| -> [f64; STATION_COUNT] {
                Station::ALL.map(|s| hold.gaps.iter().find(|g| g.station == s).map_or(f64::NAN, f))
            };
            let truth_mm: [f64; STATION_COUNT] = std::array::from_fn(|s| mesh[s] - hollow[s]);
            Answer {
                truth_mm,
                gap_mm: of(&|g| g.gap_mm),
                sd_mm: of(&|g| g.sd_mm),
                checks: hold
                    .findings
                    .iter()
                    .map(|f| Checked {
                        key: f.check.clone(),
                        worst_truth_mm: if f.check.contains("heel") {
                            truth_mm[Station::Heel.index()]
                        } else {
                            truth_mm[..Station::Heel.index()].iter().copied().fold(f64::NEG_INFINITY, f64::max)
                        },
                        tolerance_mm: f.tolerance_mm,
                        fault_probability: f.fault_probability,
                        call: f.call,
                    })
                    .collect(),
            }
        });
        Ok(Case {
            floor: self.floor.clone(),
            elevation_deg: self.truth.elevation_deg,
            azimuth_deg: self.truth.azimuth_deg,
            shank_px: self.truth.shank_px,
            clothing: Some(self.truth.clothing.clone()),
            answer,
        })
    }
}

/// What only pictures tell: the two measurements by themselves, and the networks' points.
///
/// # Errors
/// [`Error::Input`] where a truth lacks a station.
pub fn further_tables(stills: &[Still]) -> Result<String> {
    let mut out = String::from(
        "### Geometry and picture by themselves\n\nMean absolute error, mm; root mean square of error over stated standard deviation, errors cut at 6 of them; correlation of the two.\n\n\
         | floor | station | stills | picture | geometry | correlation |\n| --- | --- | --- | --- | --- | --- |\n",
    );
    for line in parts(stills)? {
        let _ = writeln!(
            out,
            "| {} | {} | {} | {:.1}, {:.2} | {:.1}, {:.2} | {:.2} |",
            line.floor,
            line.station.key(),
            line.stills,
            line.picture_mae_mm,
            line.picture_z_rms,
            line.geometry_mae_mm,
            line.geometry_z_rms,
            line.correlation
        );
    }
    out += "\n### Points\n\nDistance to the truth in per cent of the shank, median / 95th percentile.\n\n| point | lower-leg network | general network |\n| --- | --- | --- |\n";
    // Name, our points, the general network's (left, right) from landmark 23 on.
    let wanted: [(&str, &[usize], [usize; 2]); 4] = [
        ("knee joint", &[0], [2, 3]),
        ("ankle", &[5, 6], [4, 5]),
        ("heel", &[7], [6, 7]),
        ("big toe", &[9], [8, 9]),
    ];
    for (name, ours, general) in wanted {
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for s in stills.iter().filter(|s| s.floor == "body") {
            let (Some(points), Some(body)) = (&s.points, &s.body) else {
                continue;
            };
            let middle = |at: &dyn Fn(usize) -> Option<[f64; 2]>| -> Option<[f64; 2]> {
                let all = ours.iter().map(|p| at(*p)).collect::<Option<Vec<_>>>()?;
                let n = all.len() as f64;
                Some([all.iter().map(|p| p[0]).sum::<f64>() / n, all.iter().map(|p| p[1]).sum::<f64>() / n])
            };
            let truth = middle(&|p| s.truth.points_px.get(p).copied());
            let found = middle(&|p| points.get(p).map(|k| [k.at.u, k.at.v]));
            let other = body.get(general[usize::from(s.truth.kneeling_leg == Leg::Right)]);
            let (Some(truth), Some(found), Some(other)) = (truth, found, other) else {
                continue;
            };
            let per_cent = |u: f64, v: f64| 100.0 * (u - truth[0]).hypot(v - truth[1]) / s.truth.shank_px;
            a.push(per_cent(found[0], found[1]));
            b.push(per_cent(other.at.u, other.at.v));
        }
        let words = |v: &[f64]| match (quantile(v, 0.5), quantile(v, 0.95)) {
            (Some(m), Some(q)) => format!("{m:.1} / {q:.1}"),
            _ => "–".to_string(),
        };
        let _ = writeln!(out, "| {name} | {} | {} |", words(&a), words(&b));
    }
    Ok(out)
}

/// How picture and geometry err by themselves at one station with one floor.
#[derive(Debug, Clone, PartialEq)]
pub struct PartErrors {
    /// Where the floor came from.
    pub floor: String,
    /// The station.
    pub station: Station,
    /// Stills that have both.
    pub stills: usize,
    /// Mean absolute error of the picture's reading, mm.
    pub picture_mae_mm: f64,
    /// Root mean square of its error over its stated standard deviation, cut at 6.
    pub picture_z_rms: f64,
    /// Mean absolute error of the geometric fit, mm.
    pub geometry_mae_mm: f64,
    /// Root mean square of its error over its stated standard deviation, cut at 6.
    pub geometry_z_rms: f64,
    /// Correlation of the two.
    pub correlation: f64,
}

/// Errors of picture and geometry where a floor has ten stills or more.
///
/// # Errors
/// [`Error::Input`] where a truth lacks a station.
pub fn parts(stills: &[Still]) -> Result<Vec<PartErrors>> {
    let mut floors: Vec<&str> = stills.iter().map(|s| s.floor.as_str()).collect();
    floors.dedup();
    floors.sort_unstable();
    floors.dedup();
    let mut out = Vec::new();
    for floor in floors {
        let mut these = Vec::new();
        for s in stills.iter().filter(|s| s.floor == floor) {
            if let (Some(g), Some(p)) = (&s.geometry, &s.picture) {
                these.push((g, p, s.mesh_gap_mm()?));
            }
        }
        if these.len() < 10 {
            continue;
        }
        for station in Station::ALL {
            let i = station.index();
            let z = |p: &Part, t: &[f64; STATION_COUNT]| ((p.gap_mm[i] - t[i]) / p.sd_mm[i].max(1e-9)).clamp(-6.0, 6.0);
            let zp: Vec<f64> = these.iter().map(|(_, p, t)| z(p, t)).collect();
            let zg: Vec<f64> = these.iter().map(|(g, _, t)| z(g, t)).collect();
            let mae = |errors: &[f64]| mean(&errors.iter().map(|e| e.abs()).collect::<Vec<_>>()).unwrap_or(0.0);
            let picture_errors: Vec<f64> = these.iter().map(|(_, p, t)| p.gap_mm[i] - t[i]).collect();
            let geometry_errors: Vec<f64> = these.iter().map(|(g, _, t)| g.gap_mm[i] - t[i]).collect();
            let rms = |z: &[f64]| (z.iter().map(|v| v * v).sum::<f64>() / z.len() as f64).sqrt();
            out.push(PartErrors {
                floor: floor.to_string(),
                station,
                stills: these.len(),
                picture_mae_mm: mae(&picture_errors),
                picture_z_rms: rms(&zp),
                geometry_mae_mm: mae(&geometry_errors),
                geometry_z_rms: rms(&zg),
                correlation: correlation(&zp, &zg).unwrap_or(0.0),
            });
        }
    }
    Ok(out)
}
