//! The whole job on the shipped clips, against the truth measured on the rendered bodies' meshes (`scripts/scenes/make_fixtures.py`). Demo data, not the evidence of accuracy.

use serde::Deserialize;
use shankline::check::{check_recording, CarpetUse, CheckOptions, Checked, Eyes, LegChoice, SheetUse};
use shankline::floor::marks::FloorFile;
use shankline::outcome::{Call, NotJudgedReason, Stillness};
use shankline::pose::models::default_folder;
use shankline::rules::RuleProfile;
use shankline::types::Station;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

#[derive(Deserialize)]
struct Truth {
    kneeling_leg: String,
    stature_m: f64,
    hold_s: Option<[f64; 2]>,
    frames: Vec<TruthFrame>,
}

#[derive(Deserialize)]
struct TruthFrame {
    time_s: f64,
    gap_mm: BTreeMap<String, f64>,
}

impl Truth {
    /// Mean gap over the hold at every station, knee to heel.
    fn gaps_mm(&self) -> [f64; 6] {
        let held: Vec<&TruthFrame> = match self.hold_s {
            Some([a, b]) => self.frames.iter().filter(|f| f.time_s >= a && f.time_s <= b).collect(),
            None => self.frames.iter().collect(),
        };
        Station::ALL.map(|s| held.iter().map(|f| f.gap_mm[s.key()]).sum::<f64>() / held.len() as f64)
    }
}

fn clips() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/clips")
}

fn truth(name: &str) -> Truth {
    let text = std::fs::read_to_string(clips().join(format!("{name}.truth.json"))).expect("the truth lies beside the clip");
    serde_json::from_str(&text).expect("the truth is JSON")
}

fn check(eyes: &mut Eyes, file: &str, name: &str, marks: bool) -> Checked {
    let truth = truth(name);
    let options = CheckOptions {
        floor: marks.then(|| FloorFile::read(&clips().join(format!("{name}.floor.json"))).expect("the floor file is sound")),
        stature_m: Some(truth.stature_m),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    check_recording(&clips().join(file), &options, eyes, &mut |_, _| {}).expect("the clip is checked")
}

fn names() -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = std::fs::read_dir(clips())
        .expect("clips are shipped")
        .filter_map(|e| e.ok().map(|e| e.file_name().to_string_lossy().into_owned()))
        .filter(|f| f.ends_with(".mp4") || f.ends_with(".jpg") || f.ends_with(".png"))
        .map(|f| (f.clone(), f.rsplit_once('.').expect("an extension").0.to_string()))
        .collect();
    found.sort();
    found
}

/// Every clip and still, with marks and without: the kneeling leg is right, no confident call is wrong, the never-still clip is not judged, and stated intervals hold.
#[test]
fn no_confident_call_is_wrong_on_any_clip() {
    let mut eyes = Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open");
    let rules = RuleProfile::shipped();
    let (mut inside, mut total) = (0, 0);
    let (mut told, mut findings) = (0, 0);
    let mut missed_stills = BTreeSet::new();
    let mut table = String::new();
    for (file, name) in names() {
        let truth = truth(&name);
        for marks in [true, false] {
            let checked = check(&mut eyes, &file, &name, marks);
            if name.contains("restless") || name.contains("still_never") || name.contains("never") {
                assert!(
                    checked.outcome.holds.is_empty(),
                    "{name}: a stance that never came to rest was judged"
                );
                assert!(
                    checked.outcome.not_judged.iter().any(|n| n.reason == NotJudgedReason::NeverStill),
                    "{name}: {:?}",
                    checked.outcome.not_judged
                );
                continue;
            }
            if checked.outcome.holds.is_empty() && !file.ends_with(".mp4") {
                // A single picture gives the general network one chance; a still may be missed, never called wrongly.
                missed_stills.insert(name.clone());
                continue;
            }
            assert!(
                !checked.outcome.holds.is_empty(),
                "{name}: no hold found, {:?}",
                checked.outcome.not_judged
            );
            let gaps = truth.gaps_mm();
            for hold in &checked.outcome.holds {
                assert_eq!(hold.kneeling_leg.name(), truth.kneeling_leg, "{name}");
                if file.ends_with(".mp4") {
                    assert_eq!(hold.stillness, Stillness::Shown);
                    let [a, b] = truth.hold_s.expect("this movement has a hold");
                    assert!(
                        hold.start_s > a - 0.4 && hold.end_s < b + 0.4,
                        "{name}: hold {} to {}, truth {a} to {b}",
                        hold.start_s,
                        hold.end_s
                    );
                } else {
                    assert_eq!(hold.stillness, Stillness::NotShown);
                }
                for (finding, rule) in hold.findings.iter().zip(&rules.checks) {
                    let worst = rule
                        .stations
                        .iter()
                        .map(|s| gaps[s.index()] - rules.hollow.mean_mm[s.index()])
                        .fold(f64::MIN, f64::max);
                    let fault = worst > rule.tolerance_mm;
                    table += &format!(
                        "{file:24} marks {marks:5} {:10} truth {worst:5.1} measured {:5.1} ± {:4.1} at {:6} fault {:.2} {}\n",
                        finding.check,
                        finding.gap_mm,
                        finding.sd_mm,
                        finding.station.key(),
                        finding.fault_probability,
                        finding.call.words()
                    );
                    findings += 1;
                    told += i32::from(finding.call != Call::CannotTell);
                    match finding.call {
                        Call::Suspected => assert!(fault, "{name}: wrong suspicion\n{table}"),
                        Call::Clear => assert!(!fault, "{name}: wrong clear\n{table}"),
                        Call::CannotTell => {}
                    }
                }
                for g in &hold.gaps {
                    let t = gaps[g.station.index()] - rules.hollow.mean_mm[g.station.index()];
                    inside += i32::from((g.gap_mm - t).abs() <= 1.96 * g.sd_mm + 2.0);
                    total += 1;
                }
            }
        }
    }
    assert!(missed_stills.len() <= 1, "stills missed: {missed_stills:?}");
    println!("{table}{inside} of {total} gaps inside their 95 % interval (2 mm slack for the mesh's own measure)");
    // The shipped clips are plain views; the network of 2026-11-25 told all 36 findings. Answering "cannot tell" to everything must not pass.
    assert!(
        f64::from(told) >= 0.8 * f64::from(findings),
        "{told} of {findings} findings told\n{table}"
    );
    assert!(f64::from(inside) >= 0.85 * f64::from(total), "{inside} of {total}\n{table}");
}
