//! The statistics against scikit-learn (`brier_score_loss`, `calibration_curve`, `roc_auc_score`), statsmodels (`proportion_confint` with `method="wilson"`) and NumPy.
//!
//! The committed table says which versions made it. Where a Python with those packages is at hand (the variable SHANKLINE_REFERENCE_PYTHON, or `.venv-scenes`), the same
//! script is run with another seed and compared as well.

use serde_json::Value;
use shankline::statistics::calibration::{brier_score, expected_calibration_error, reliability, Forecast};
use shankline::statistics::ranking::area_under_curve;
use shankline::statistics::summary::{correlation, mean, of_errors, quantile, standard_deviation};
use shankline::statistics::wilson::Count;
use std::path::{Path, PathBuf};
use std::process::Command;

fn near(what: &str, ours: f64, theirs: &Value) {
    let theirs = theirs.as_f64().expect("the table holds a number");
    assert!((ours - theirs).abs() < 1e-8, "{what}: {ours} here, {theirs} there");
}

fn list(v: &Value) -> Vec<f64> {
    v.as_array()
        .expect("a list")
        .iter()
        .map(|x| x.as_f64().expect("a number"))
        .collect()
}

fn compare(table: &Value) {
    let rows = |key: &str| table[key].as_array().filter(|rows| !rows.is_empty()).expect("rows").clone();
    for row in rows("wilson") {
        let count = Count {
            of: row["of"].as_u64().expect("a count"),
            total: row["total"].as_u64().expect("a count"),
        };
        let [low, high] = count.wilson(row["confidence"].as_f64().expect("a confidence"));
        near(&format!("Wilson, low, {row}"), low, &row["low"]);
        near(&format!("Wilson, high, {row}"), high, &row["high"]);
    }
    for row in rows("forecasts") {
        let happened: Vec<bool> = row["happened"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|h| h.as_bool().expect("yes or no"))
            .collect();
        let forecasts: Vec<Forecast> = list(&row["probability"])
            .into_iter()
            .zip(&happened)
            .map(|(probability, happened)| Forecast {
                probability,
                happened: *happened,
            })
            .collect();
        near("Brier score", brier_score(&forecasts).expect("not empty"), &row["brier"]);
        let bins = reliability(&forecasts, row["bins"].as_u64().expect("a count") as usize);
        let filled: Vec<_> = bins.iter().filter(|b| b.total > 0).collect();
        let (share, stated) = (
            row["curve_share"].as_array().expect("a list"),
            row["curve_stated"].as_array().expect("a list"),
        );
        assert_eq!(filled.len(), share.len(), "filled bins");
        for (b, (share, stated)) in filled.iter().zip(share.iter().zip(stated)) {
            near("share in a bin", b.happened as f64 / b.total as f64, share);
            near("mean stated in a bin", b.mean_stated, stated);
        }
        near(
            "expected calibration error",
            expected_calibration_error(&bins).expect("not empty"),
            &row["expected_calibration_error"],
        );
        let side = |wanted: bool| -> Vec<f64> { forecasts.iter().filter(|f| f.happened == wanted).map(|f| f.probability).collect() };
        near(
            "area under the curve",
            area_under_curve(&side(true), &side(false)).expect("both kinds"),
            &row["area_under_curve"],
        );
    }
    for row in rows("numbers") {
        let (a, b) = (list(&row["a"]), list(&row["b"]));
        near("mean", mean(&a).expect("not empty"), &row["mean"]);
        near("standard deviation", standard_deviation(&a).expect("two or more"), &row["sd"]);
        near("correlation", correlation(&a, &b).expect("two or more"), &row["correlation"]);
        for (p, value) in row["quantiles"].as_object().expect("quantiles") {
            near("quantile", quantile(&a, p.parse().expect("a number")).expect("not empty"), value);
        }
    }
}

#[test]
fn matches_the_committed_reference_values() {
    compare(&serde_json::from_str(include_str!("data/statistics/reference.json")).expect("the table is JSON"));
}

#[test]
fn matches_the_reference_libraries_where_they_are_installed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("SHANKLINE_REFERENCE_PYTHON").map_or_else(|| root.join(".venv-scenes/bin/python"), PathBuf::from);
    if !python.exists() {
        println!("no {}: only the committed table was compared", python.display());
        return;
    }
    for seed in ["2", "3"] {
        let out = Command::new(&python)
            .arg(root.join("scripts/bench/statistics_reference.py"))
            .args(["--seed", seed])
            .output()
            .expect("Python starts");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        compare(&serde_json::from_slice(&out.stdout).expect("the script writes JSON"));
    }
}

#[test]
fn nothing_counted_gives_no_number() {
    assert_eq!(Count::default().share(), None);
    assert_eq!(Count::default().wilson(0.95), [0.0, 1.0]);
    assert_eq!(of_errors(&[]), None);
    assert_eq!(brier_score(&[]), None);
    assert_eq!(expected_calibration_error(&reliability(&[], 10)), None);
    assert_eq!(area_under_curve(&[1.0], &[]), None);
    assert_eq!(quantile(&[], 0.5), None);
}
