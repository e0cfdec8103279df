//! The whole job under a camera that moves, on rendered clips against the truth measured on the body's mesh (`scripts/scenes/make_moving_clips.py`): filmed by hand, the stance is
//! judged and no confident call is wrong; filmed by somebody who walks past, nothing is judged, and the reason is said.

use serde_json::Value;
use shankline::check::{check_recording, CarpetUse, CheckOptions, Checked, Eyes, LegChoice, SheetUse};
use shankline::floor::marks::FloorFile;
use shankline::outcome::{Call, CameraMotionState, FloorSource, NotJudgedReason};
use shankline::pose::models::default_folder;
use shankline::rules::RuleProfile;
use shankline::types::Station;
use std::path::{Path, PathBuf};

fn clip(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/moving_clips")
        .join(format!("{name}.mp4"))
}

fn truth(name: &str) -> Value {
    let text = std::fs::read_to_string(clip(name).with_extension("truth.json")).expect("the truth lies beside the clip");
    serde_json::from_str(&text).expect("the truth is JSON")
}

fn check(eyes: &mut Eyes, name: &str) -> Checked {
    let options = CheckOptions {
        floor: Some(FloorFile::read(&clip(name).with_extension("floor.json")).expect("the floor file is sound")),
        stature_m: truth(name)["stature_m"].as_f64(),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    check_recording(&clip(name), &options, eyes, &mut |_, _| {}).expect("the clip is checked")
}

#[test]
fn by_hand_it_is_judged_and_walking_past_it_is_not() {
    let mut eyes = Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open");
    let rules = RuleProfile::shipped();

    let checked = check(&mut eyes, "sway");
    let outcome = &checked.outcome;
    let truth = truth("sway");
    let camera = outcome.input.camera_motion.as_ref().expect("the camera was watched");
    assert_eq!(camera.state, CameraMotionState::MovingRegistered, "{camera:?}");
    assert!(
        outcome.input.warnings.iter().any(|w| w.starts_with("The camera moved")),
        "{:?}",
        outcome.input.warnings
    );
    assert_eq!(outcome.holds.len(), 1, "{:?}", outcome.not_judged);
    assert_eq!(outcome.floor.source, FloorSource::Marks);
    let hold = &outcome.holds[0];
    assert_eq!(hold.kneeling_leg.name(), truth["kneeling_leg"].as_str().unwrap());
    let [from, to] = [0, 1].map(|i| truth["hold_s"][i].as_f64().unwrap());
    assert!(
        hold.start_s > from - 0.4 && hold.end_s < to + 0.4,
        "{} to {}, truth {from} to {to}",
        hold.start_s,
        hold.end_s
    );
    let rows: Vec<&Value> = truth["frames"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|r| r["phase"] == "hold")
        .collect();
    let gaps = Station::ALL.map(|s| {
        rows.iter().map(|r| r["gap_mm"][s.key()].as_f64().unwrap()).sum::<f64>() / rows.len() as f64 - rules.hollow.mean_mm[s.index()]
    });
    let mut told = 0;
    for (finding, rule) in hold.findings.iter().zip(&rules.checks) {
        let fault = rule.stations.iter().any(|s| gaps[s.index()] > rule.tolerance_mm);
        println!(
            "{}: {:.1} ± {:.1} mm, fault {fault}, {}",
            finding.check,
            finding.gap_mm,
            finding.sd_mm,
            finding.call.words()
        );
        told += usize::from(finding.call != Call::CannotTell);
        match finding.call {
            Call::Suspected => assert!(fault, "{}: wrong suspicion", finding.check),
            Call::Clear => assert!(!fault, "{}: wrong clear", finding.check),
            Call::CannotTell => {}
        }
    }
    assert!(told >= 1, "a plain view by hand tells something");
    for g in &hold.gaps {
        let off = (g.gap_mm - gaps[g.station.index()]).abs();
        assert!(
            off < 3.0 * g.sd_mm + 2.0,
            "{:?}: {:.1} ± {:.1} mm, truth {:.1}",
            g.station,
            g.gap_mm,
            g.sd_mm,
            gaps[g.station.index()]
        );
    }
    // What is drawn lies on the picture it is drawn on: the surface points where that frame truly shows the leg.
    let shown = &truth["frames"][hold.best_frame.index as usize]["points_px"];
    let heel = [0, 1].map(|i| shown[8][i].as_f64().unwrap());
    let drawn = hold.best_frame.surface[5];
    assert!(
        (drawn.u - heel[0]).hypot(drawn.v - heel[1]) < 15.0,
        "heel drawn at {drawn:?}, shown at {heel:?}"
    );

    // The layout published for programs holds for a moving camera as well (JSON Schema draft 2020-12, crate `jsonschema`).
    let schema: Value = serde_json::from_str(include_str!("../docs/call.schema.json")).expect("the schema is JSON");
    let validator = jsonschema::draft202012::new(&schema).expect("the schema is a schema");
    let written = serde_json::to_value(outcome).expect("the answer is written");
    let errors: Vec<String> = validator.iter_errors(&written).map(|e| e.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");

    let checked = check(&mut eyes, "walk");
    let outcome = &checked.outcome;
    assert!(outcome.holds.is_empty(), "a stance whose floor is not known was judged");
    let reason = outcome.not_judged.iter().find(|n| n.reason == NotJudgedReason::FloorUnknown);
    assert!(reason.is_some_and(|n| n.detail.contains("camera")), "{:?}", outcome.not_judged);
    assert!(outcome.repetitions.is_empty(), "what happened around it cannot be read either");
}
