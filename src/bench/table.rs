//! Sums cases up by class of view.

use crate::bench::case::{Answer, Case, Checked};
use crate::outcome::Call;
use crate::statistics::calibration::{brier_score, expected_calibration_error, reliability, Bin, Forecast};
use crate::statistics::ranking::area_under_curve;
use crate::statistics::summary::{of_errors, ErrorSummary};
use crate::statistics::wilson::Count;
use crate::types::Station;

/// A truth this near the tolerance, mm, is counted neither in the catch rate nor in the false-flag rate, and not in the plain wrong calls.
pub const MARGIN_MM: f64 = 3.0;

/// Bins of the reliability curve.
pub const BINS: usize = 10;

/// Half width of a 95 % interval in standard deviations.
const COVERAGE_95: f64 = 1.959_964;

/// Elevation classes: name, from, up to (degrees).
pub const ELEVATIONS: [(&str, f64, f64); 3] = [("low (≤ 10°)", -90.0, 10.0), ("middle", 10.0, 25.0), ("high (≥ 25°)", 25.0, 90.1)];

/// Azimuth classes by the angle between view and shank, folded to 0–90 degrees: name, from, up to.
pub const AZIMUTHS: [(&str, f64, f64); 3] = [("across", 60.0, 90.1), ("oblique", 30.0, 60.0), ("towards", 0.0, 30.0)];

/// One class of cases and what came out.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Where the floor came from.
    pub floor: String,
    /// Elevation class, or `all`.
    pub elevation: String,
    /// How the shank lies to the view, or `all`.
    pub shank: String,
    /// Clothing, or `all`.
    pub clothing: String,
    /// Cases.
    pub cases: u64,
    /// Cases without an answer.
    pub without_answer: u64,
    /// Errors of the heel's gap, mm.
    pub heel: Option<ErrorSummary>,
    /// Errors of the calf's gaps (25, 50 and 75 %), mm.
    pub calf: Option<ErrorSummary>,
    /// Errors of the worst-placed station: mean error of largest size among the six, mm.
    pub largest_bias_mm: f64,
    /// 95 % intervals that hold the truth, all stations.
    pub covered: Count,
    /// Faults beyond the margin that were called suspected.
    pub caught: Count,
    /// Clean parts beyond the margin that were called suspected.
    pub falsely_flagged: Count,
    /// Checks answered "cannot tell".
    pub cannot_tell: Count,
    /// Checks on which something definite and untrue was said, the margin left aside.
    pub wrong: Count,
    /// The same with every case counted, also those on the tolerance itself.
    pub wrong_strict: Count,
    /// Of the definite calls, those that were untrue (strict).
    pub wrong_of_calls: Count,
    /// Area under the curve of fault probability against fault.
    pub area: Option<f64>,
    /// Brier score of the fault probability.
    pub brier: Option<f64>,
    /// Expected calibration error of the fault probability.
    pub calibration_error: Option<f64>,
    /// Reliability curve.
    pub reliability: Vec<Bin>,
}

/// The angle between the view's and the shank's direction on the carpet, 0 (along it) to 90 degrees (square to it).
pub fn folded_azimuth_deg(azimuth_deg: f64) -> f64 {
    let a = azimuth_deg.rem_euclid(180.0);
    a.min(180.0 - a)
}

/// All rows: for every floor the whole, elevations, azimuths, both together, and where clothing is known elevations by clothing.
pub fn rows(cases: &[Case]) -> Vec<Row> {
    let mut floors: Vec<&str> = Vec::new();
    let mut clothes: Vec<&str> = Vec::new();
    for c in cases {
        if !floors.contains(&c.floor.as_str()) {
            floors.push(&c.floor);
        }
        if let Some(cloth) = c.clothing.as_deref().filter(|k| !clothes.contains(k)) {
            clothes.push(cloth);
        }
    }
    clothes.sort_unstable();
    let any = [None];
    let elevations: Vec<Option<usize>> = (0..ELEVATIONS.len()).map(Some).collect();
    let azimuths: Vec<Option<usize>> = (0..AZIMUTHS.len()).map(Some).collect();
    let worn: Vec<Option<&str>> = clothes.into_iter().map(Some).collect();
    let mut out = Vec::new();
    for floor in floors {
        type Group<'a> = (&'a [Option<usize>], &'a [Option<usize>], &'a [Option<&'a str>]);
        let groups: [Group<'_>; 6] = [
            (&any, &any, &[None]),
            (&elevations, &any, &[None]),
            (&any, &azimuths, &[None]),
            (&elevations, &azimuths, &[None]),
            (&any, &any, &worn),
            (&elevations, &any, &worn),
        ];
        for (elevations, azimuths, clothes) in groups {
            for cloth in clothes {
                for elevation in elevations {
                    for azimuth in azimuths {
                        let these: Vec<&Case> = cases
                            .iter()
                            .filter(|c| c.floor == floor && belongs(c, *elevation, *azimuth, *cloth))
                            .collect();
                        if !these.is_empty() {
                            out.push(row(&these, floor, *elevation, *azimuth, *cloth));
                        }
                    }
                }
            }
        }
    }
    out
}

fn belongs(case: &Case, elevation: Option<usize>, azimuth: Option<usize>, cloth: Option<&str>) -> bool {
    let within = |value: f64, class: (&str, f64, f64)| value >= class.1 && value < class.2;
    elevation.is_none_or(|k| within(case.elevation_deg, ELEVATIONS[k]))
        && azimuth.is_none_or(|k| within(folded_azimuth_deg(case.azimuth_deg), AZIMUTHS[k]))
        && cloth.is_none_or(|c| case.clothing.as_deref() == Some(c))
}

fn row(cases: &[&Case], floor: &str, elevation: Option<usize>, azimuth: Option<usize>, cloth: Option<&str>) -> Row {
    let answers: Vec<&Answer> = cases.iter().filter_map(|c| c.answer.as_ref()).collect();
    let checks: Vec<&Checked> = answers.iter().flat_map(|a| &a.checks).collect();
    let errors = |stations: &[Station]| -> Vec<f64> {
        answers
            .iter()
            .flat_map(|a| stations.iter().map(|s| a.gap_mm[s.index()] - a.truth_mm[s.index()]))
            .collect()
    };
    let forecasts: Vec<Forecast> = checks
        .iter()
        .map(|c| Forecast {
            probability: c.fault_probability,
            happened: c.fault(),
        })
        .collect();
    let plain = || checks.iter().filter(|c| !c.borderline(MARGIN_MM));
    let side = |fault: bool| -> Vec<f64> { forecasts.iter().filter(|f| f.happened == fault).map(|f| f.probability).collect() };
    let bins = reliability(&forecasts, BINS);
    let name = |of: Option<&str>| of.unwrap_or("all").to_string();
    Row {
        floor: floor.to_string(),
        elevation: name(elevation.map(|k| ELEVATIONS[k].0)),
        shank: name(azimuth.map(|k| AZIMUTHS[k].0)),
        clothing: name(cloth),
        cases: cases.len() as u64,
        without_answer: (cases.len() - answers.len()) as u64,
        heel: of_errors(&errors(&[Station::Heel])),
        calf: of_errors(&errors(&[Station::Calf25, Station::Calf50, Station::Calf75])),
        largest_bias_mm: Station::ALL
            .iter()
            .filter_map(|s| of_errors(&errors(&[*s])).map(|e| e.mean))
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a }),
        covered: Count::of(answers.iter().flat_map(|a| {
            Station::ALL
                .iter()
                .map(|s| (a.gap_mm[s.index()] - a.truth_mm[s.index()]).abs() <= COVERAGE_95 * a.sd_mm[s.index()])
        })),
        caught: Count::of(plain().filter(|c| c.fault()).map(|c| c.call == Call::Suspected)),
        falsely_flagged: Count::of(plain().filter(|c| !c.fault()).map(|c| c.call == Call::Suspected)),
        cannot_tell: Count::of(checks.iter().map(|c| c.call == Call::CannotTell)),
        wrong: Count::of(plain().map(|c| c.confidently_wrong())),
        wrong_strict: Count::of(checks.iter().map(|c| c.confidently_wrong())),
        wrong_of_calls: Count::of(checks.iter().filter(|c| c.call != Call::CannotTell).map(|c| c.confidently_wrong())),
        area: area_under_curve(&side(true), &side(false)),
        brier: brier_score(&forecasts),
        calibration_error: expected_calibration_error(&bins),
        reliability: bins,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn case(elevation_deg: f64, truth_heel: f64, gap_heel: f64, call: Call, probability: f64) -> Case {
        let mut answer = Answer {
            truth_mm: [0.0; 6],
            gap_mm: [1.0; 6],
            sd_mm: [2.0; 6],
            checks: vec![Checked {
                key: "inner_heel".into(),
                worst_truth_mm: truth_heel,
                tolerance_mm: 15.0,
                fault_probability: probability,
                call,
            }],
        };
        (answer.truth_mm[5], answer.gap_mm[5]) = (truth_heel, gap_heel);
        Case {
            floor: "marks".into(),
            elevation_deg,
            azimuth_deg: -95.0,
            shank_px: 100.0,
            clothing: None,
            answer: Some(answer),
        }
    }

    /// Counted by hand.
    #[test]
    fn counts_what_it_says() {
        let mut cases = vec![
            case(5.0, 40.0, 42.0, Call::Suspected, 0.99),
            case(5.0, 16.0, 8.0, Call::Clear, 0.05),
            case(30.0, 2.0, 20.0, Call::Suspected, 0.95),
            case(30.0, 30.0, 20.0, Call::CannotTell, 0.7),
        ];
        cases.push(Case {
            answer: None,
            ..cases[0].clone()
        });
        let rows = rows(&cases);
        let all = &rows[0];
        assert_eq!((all.cases, all.without_answer), (5, 1));
        assert_eq!((all.caught.of, all.caught.total), (1, 2));
        assert_eq!((all.falsely_flagged.of, all.falsely_flagged.total), (1, 1));
        assert_eq!((all.wrong.of, all.wrong.total), (1, 3));
        assert_eq!((all.wrong_strict.of, all.wrong_strict.total), (2, 4));
        assert_eq!((all.wrong_of_calls.of, all.wrong_of_calls.total), (2, 3));
        assert_eq!((all.cannot_tell.of, all.cannot_tell.total), (1, 4));
        // Five stations a case err by 1 mm and are covered; the heels err by 2 (covered), −8, 18 and −10 mm (not).
        assert_eq!((all.covered.of, all.covered.total), (21, 24));
        assert!((all.heel.unwrap().mean - 0.5).abs() < 1e-12);
        assert!(rows
            .iter()
            .any(|r| r.elevation.starts_with("high") && r.shank == "across" && r.cases == 2));
        assert!(rows.iter().all(|r| r.shank != "oblique"));
    }

    #[test]
    fn azimuths_fold_to_a_quarter_turn() {
        for (azimuth, folded) in [(0.0, 0.0), (180.0, 0.0), (-95.0, 85.0), (135.0, 45.0), (90.0, 90.0), (-20.0, 20.0)] {
            assert!((folded_azimuth_deg(azimuth) - folded).abs() < 1e-12, "{azimuth}");
        }
    }
}
