//! Agreement against scikit-learn and statsmodels (`scripts/bench/agreement_reference.py` makes the reference values), and `shankline agree` as a program.

use serde::Deserialize;
use shankline::agree::{compare, Pairing, Verdict};
use shankline::statistics::kappa::{cohen, fleiss, Weights};
use shankline::statistics::ranking::area_under_curve;
use shankline::statistics::roc::{best_threshold, curve};
use std::path::Path;
use std::process::{Command, Output};

#[derive(Deserialize)]
struct Reference {
    cohen: Vec<CohenCase>,
    fleiss: Vec<FleissCase>,
    roc: RocCase,
}

#[derive(Deserialize)]
struct CohenCase {
    first: Vec<usize>,
    second: Vec<usize>,
    table: Vec<Vec<u64>>,
    equal: f64,
    linear: f64,
    quadratic: f64,
    equal_interval_95: [f64; 2],
}

#[derive(Deserialize)]
struct FleissCase {
    table: Vec<Vec<u64>>,
    kappa: f64,
}

#[derive(Deserialize)]
struct RocCase {
    fault: Vec<bool>,
    gap: Vec<f64>,
    thresholds: Vec<f64>,
    false_flag_rate: Vec<f64>,
    sensitivity: Vec<f64>,
    area: f64,
    best_index: f64,
}

fn reference() -> Reference {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/statistics/agreement.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

#[test]
fn cohens_kappa_is_scikit_learns_and_its_interval_is_about_statsmodels() {
    for case in reference().cohen {
        let pairings: Vec<Pairing> = case
            .first
            .iter()
            .zip(&case.second)
            .enumerate()
            .map(|(k, (a, b))| Pairing {
                recording: k.to_string(),
                first: Verdict::ALL[*a],
                second: Verdict::ALL[*b],
            })
            .collect();
        let agreement = compare("a", "b", &pairings);
        assert_eq!(agreement.counts.map(|r| r.to_vec()).to_vec(), case.table);
        for (ours, theirs, weights) in [
            (agreement.kappa, case.equal, Weights::Equal),
            (agreement.kappa_linear, case.linear, Weights::Linear),
            (agreement.kappa_quadratic, case.quadratic, Weights::Quadratic),
        ] {
            assert!(close(ours.value.unwrap(), theirs), "{weights:?}: {ours:?}, scikit-learn {theirs}");
            assert!(close(cohen(&case.table, weights).unwrap(), theirs));
        }
        if case.first.len() >= 400 {
            // Two ways to the same thing: the ends within a fifth of the interval's width.
            let [low, high] = agreement.kappa.interval_95.unwrap();
            let [a, b] = case.equal_interval_95;
            assert!(
                (low - a).abs() < 0.2 * (b - a) && (high - b).abs() < 0.2 * (b - a),
                "{low} {high}, statsmodels {a} {b}"
            );
        }
    }
}

#[test]
fn fleiss_kappa_is_statsmodels() {
    for case in reference().fleiss {
        assert!(close(fleiss(&case.table).unwrap(), case.kappa));
    }
}

#[test]
fn the_curve_over_the_tolerance_is_scikit_learns() {
    let roc = reference().roc;
    let take = |fault: bool| -> Vec<f64> {
        roc.gap
            .iter()
            .zip(&roc.fault)
            .filter(|(_, f)| **f == fault)
            .map(|(g, _)| *g)
            .collect()
    };
    let (positive, negative) = (take(true), take(false));
    let ours = curve(&positive, &negative, &roc.thresholds);
    for ((point, sensitivity), false_flags) in ours.iter().zip(&roc.sensitivity).zip(&roc.false_flag_rate) {
        assert!(
            close(point.sensitivity, *sensitivity) && close(point.false_flag_rate, *false_flags),
            "{point:?}"
        );
    }
    assert!(close(area_under_curve(&positive, &negative).unwrap(), roc.area));
    let best = best_threshold(&positive, &negative, 0.0, 200.0, 15.0).unwrap();
    let at = curve(&positive, &negative, &[best])[0];
    assert!(close(at.sensitivity - at.false_flag_rate, roc.best_index), "{best}");
}

fn run(arguments: &[&str], folder: &Path) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin("shankline"))
        .arg("agree")
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// A table as `shankline screen` writes it, cut down to what is read: one hold a recording, heel gap as given, others flat.
fn results(folder: &Path, heels_mm: &[f64], sd_mm: f64) {
    let stations = ["knee", "calf25", "calf50", "calf75", "ankle", "heel"];
    let mut csv =
        "recording,row,hold,call,fault_probability,call_inner_heel,fault_probability_inner_heel,report,gap_covariance_mm2".to_string();
    for s in stations {
        csv += &format!(",gap_{s}_mm");
    }
    csv += "\n";
    let covariance: Vec<Vec<f64>> = (0..6)
        .map(|i| (0..6).map(|k| if i == k { sd_mm * sd_mm } else { 0.0 }).collect())
        .collect();
    for (k, heel) in heels_mm.iter().enumerate() {
        let p = 1.0 / (1.0 + (-1.7 * (heel - 15.0) / sd_mm).exp());
        let call = if p >= 0.9 {
            "suspected"
        } else if p <= 0.1 {
            "clear"
        } else {
            "cannot_tell"
        };
        csv += &format!("c{k}.mp4,hold,1,{call},{p},{call},{p},reports/c{k}/report.html,\"{covariance:?}\",0,0,0,0,0,{heel}\n");
        let stills = folder.join(format!("reports/c{k}/stills"));
        std::fs::create_dir_all(&stills).unwrap();
        std::fs::write(stills.parent().unwrap().join("report.html"), b"x").unwrap();
        std::fs::write(stills.join("hold-1-leg.png"), b"x").unwrap();
    }
    csv += "nobody.mp4,not_judged,,,,,,reports/n/report.html,,,,,,,\n";
    std::fs::write(folder.join("screen.csv"), csv).unwrap();
}

#[test]
fn tool_and_judges_side_by_side_and_a_tolerance_only_when_asked_for() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path();
    let heels: Vec<f64> = (0..60).map(f64::from).collect();
    results(folder, &heels, 3.0);
    // Two judges who flag from 30 mm; the second one cannot tell every tenth.
    let mut labels = "recording,rater,check,label\n".to_string();
    for (k, heel) in heels.iter().enumerate() {
        let word = if *heel > 30.0 { "fault" } else { "clear" };
        labels += &format!("c{k}.mp4,Mo,inner_heel,{word}\n");
        labels += &format!("c{k}.mp4,Ye,inner_heel,{}\n", if k % 10 == 0 { "cannot tell" } else { word });
    }
    labels += "nobody.mp4,Mo,inner_heel,fault\nunknown.mp4,Mo,inner_heel,clear\n";
    std::fs::write(folder.join("labels.csv"), &labels).unwrap();
    let output = run(&[".", "labels.csv", "--out", "agreement"], folder);
    assert!(output.status.success(), "{}", said(&output));
    let text = said(&output);
    assert!(text.contains("the tool judged nothing (1 of them faults"), "{text}");
    assert!(text.contains("not in the results under that name (unknown.mp4)"), "{text}");
    let json: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(folder.join("agreement/agreement.json")).unwrap()).unwrap();
    let check = &json["checks"][0];
    assert_eq!(check["check"], "inner_heel");
    let judges = check["agreements"].as_array().unwrap().last().unwrap();
    assert_eq!((judges["first"].as_str(), judges["second"].as_str()), (Some("Mo"), Some("Ye")));
    // Counted by hand: of 60, every tenth (6) is "cannot tell" for Ye; 30 of the others are clear up to 30 mm less the three tenths 0, 10, 20 and 30.
    assert_eq!(judges["counts"][0], serde_json::json!([27, 4, 0]));
    assert_eq!(judges["counts"][2], serde_json::json!([0, 2, 27]));
    let against = &check["against_judges"];
    assert!(
        against["suggestion"]["Ok"]["better"].as_bool().unwrap(),
        "{}",
        against["suggestion"]
    );
    let suggested = against["suggestion"]["Ok"]["tolerance_mm"].as_f64().unwrap();
    assert!((suggested - 30.5).abs() <= 0.5, "{suggested}");
    // At the judges' own tolerance nothing is flagged wrongly; at the one in force much is.
    let row = |mm: f64| {
        against["tolerances"]
            .as_array()
            .unwrap()
            .iter()
            .find(|r| r["tolerance_mm"] == mm)
            .unwrap()
            .clone()
    };
    assert_eq!(row(30.0)["false_flags"]["count"]["of"], 0);
    assert!(row(15.0)["false_flags"]["count"]["of"].as_u64().unwrap() > 8);
    assert_eq!(row(15.0)["in_force"], true);
    // Worst first: opposite words where the tool was surest; links lead to files.
    let worst = &json["disagreements"][0];
    assert!(worst["fault_probability"].as_f64().unwrap() > 0.99, "{worst}");
    let still = folder.join("agreement").join(worst["still"].as_str().unwrap());
    assert!(still.is_file(), "{}", still.display());
    let weights: Vec<f64> = json["disagreements"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["weight"].as_f64().unwrap())
        .collect();
    assert!(weights.windows(2).all(|w| w[0] >= w[1]));
    assert!(!std::fs::read_dir(folder)
        .unwrap()
        .flatten()
        .any(|e| e.path().extension().is_some_and(|x| x == "toml")));

    let output = run(&[".", "labels.csv", "--write-rules", "club.toml"], folder);
    assert!(output.status.success(), "{}", said(&output));
    let rules = std::fs::read_to_string(folder.join("club.toml")).unwrap();
    assert!(
        rules.contains(&format!("tolerance_mm = {suggested:?}")) && rules.contains("tolerance_mm = 15.0"),
        "{rules}"
    );
    // The copy is a rule file, and never the one in force.
    let output = run(&[".", "labels.csv", "--rules", "club.toml", "--write-rules", "./club.toml"], folder);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("give --write-rules another name"));
    // With it in force nothing is better, and nothing is written.
    let output = run(&[".", "labels.csv", "--rules", "club.toml", "--write-rules", "again.toml"], folder);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(!folder.join("again.toml").exists());
}

#[test]
fn two_judges_alone_and_three_with_fleiss() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path();
    let table = |name: &str, turn: usize| {
        let mut csv = "recording,label\n".to_string();
        for k in 0..30 {
            csv += &format!(
                "<b>{k}</b>.mp4,{}\n",
                ["clear", "fault", "cannot tell"][(k + usize::from(k % turn == 0)) % 3]
            );
        }
        std::fs::write(folder.join(name), csv).unwrap();
    };
    table("Mo.csv", 7);
    table("Ye.csv", 5);
    let output = run(&["Mo.csv", "Ye.csv"], folder);
    assert!(output.status.success(), "{}", said(&output));
    assert!(
        said(&output).contains("Ye and Mo") || said(&output).contains("Mo and Ye"),
        "{}",
        said(&output)
    );
    let page = std::fs::read_to_string(folder.join("agreement/agreement.html")).unwrap();
    assert!(!page.contains("<b>") && page.contains("&lt;b&gt;") && !page.contains("<script"));
    let mut csv = "recording,rater,label\n".to_string();
    for k in 0..30 {
        for (r, turn) in [("Mo", 7), ("Ye", 5), ("Ka", 4)] {
            csv += &format!("{k}.mp4,{r},{}\n", ["clear", "fault"][(k + usize::from(k % turn == 0)) % 2]);
        }
    }
    std::fs::write(folder.join("three.csv"), csv).unwrap();
    std::fs::write(folder.join("more.csv"), "recording,label\n0.mp4,clear\n").unwrap();
    let output = run(&["more.csv", "three.csv"], folder);
    assert!(said(&output).contains("Fleiss' kappa of 4 judges"), "{}", said(&output));
}

#[test]
fn tables_that_are_none_get_a_sentence() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path();
    std::fs::write(folder.join("l.csv"), "recording,label\na.mp4,fault\n").unwrap();
    std::fs::write(folder.join("other.csv"), "a,b\n1,2\n").unwrap();
    for (arguments, word) in [
        (["nowhere", "l.csv"], "cannot be read"),
        (["other.csv", "l.csv"], "not a table of"),
        (["l.csv", "other.csv"], "label"),
    ] {
        let output = run(&arguments, folder);
        assert_eq!(output.status.code(), Some(2), "{}", said(&output));
        assert!(said(&output).contains(word), "{}", said(&output));
    }
}
