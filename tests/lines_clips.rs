//! The carpet's own lines through the whole program: the taped rectangle of the shipped clips (2.4 m × 1.8 m, tape 5 cm) found by itself, and what is said where it is not used.

use serde_json::Value;
use shankline::check::{check_recording, CarpetUse, CheckOptions, Eyes, LegChoice, SheetUse};
use shankline::floor::lines::CarpetSize;
use shankline::outcome::{FloorSource, Outcome};
use shankline::pose::models::default_folder;
use shankline::rules::RuleProfile;
use std::path::{Path, PathBuf};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name)
}

fn check(eyes: &mut Eyes, name: &str, carpet: CarpetUse) -> Outcome {
    let options = CheckOptions {
        floor: None,
        stature_m: None,
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet,
    };
    check_recording(&fixture(name), &options, eyes, &mut |_, _| {})
        .expect("the fixture is checked")
        .outcome
}

#[test]
fn a_taped_rectangle_is_found_used_and_shown() {
    let mut eyes = Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open");
    let tape = CarpetUse::Find(CarpetSize::new(2.4, 1.8).unwrap());
    let name = "clips/heel30-high.mp4";
    let with = check(&mut eyes, name, tape);
    let truth: Value = serde_json::from_slice(&std::fs::read(fixture(name).with_extension("truth.json")).unwrap()).unwrap();
    let number = |v: &Value| v.as_f64().unwrap();
    let floor = &with.floor;
    assert_eq!(floor.source, FloorSource::Lines, "{:?}", floor.notes);
    let off = |value: Option<f64>, sd: Option<f64>, exact: f64| (value.unwrap() - exact).abs() / sd.unwrap();
    assert!(off(floor.focal_px, floor.focal_sd_px, number(&truth["camera"]["focal_px"])) < 3.0);
    assert!(
        off(
            floor.camera_height_m,
            floor.camera_height_sd_m,
            number(&truth["camera"]["centre_m"][2])
        ) < 3.0
    );
    let lines = floor.lines.as_ref().expect("the report says what was found");
    assert!(lines.sides >= 3 && lines.scale_from_sides && lines.confidence > 0.99 && lines.found.len() == lines.sides);
    assert!(floor.notes.iter().any(|n| n.contains("carpet's own lines") && n.contains("% sure")));
    // Far better than the body alone, and nearer to the truth than a body floor can be.
    let without = check(&mut eyes, name, CarpetUse::Ignore);
    assert_eq!(without.floor.source, FloorSource::Body);
    assert!(without.floor.lines.is_none() && !without.floor.notes.iter().any(|n| n.contains("carpet's lines")));
    assert!(floor.camera_elevation_sd_deg.unwrap() < 0.5 * without.floor.camera_elevation_sd_deg.unwrap());
    // What programs read.
    let schema: Value = serde_json::from_slice(&std::fs::read(fixture("../docs/call.schema.json")).unwrap()).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let answer = serde_json::to_value(&with).unwrap();
    assert_eq!(answer["floor"]["source"], "lines");
    let errors: Vec<String> = validator.iter_errors(&answer).map(|e| e.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");

    // The same tape said to be a carpet of 14 m by 8 m: not used, and why is said.
    let wrong = check(&mut eyes, name, CarpetUse::Find(CarpetSize::default()));
    assert_eq!(wrong.floor.source, FloorSource::Body);
    assert!(
        wrong
            .floor
            .notes
            .iter()
            .any(|n| n.starts_with("The carpet's lines were looked for and not used: ")),
        "{:?}",
        wrong.floor.notes
    );
}

#[test]
fn a_moving_camera_is_told() {
    let mut eyes = Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open");
    let outcome = check(
        &mut eyes,
        "moving_clips/pan.mp4",
        CarpetUse::Find(CarpetSize::new(2.4, 1.8).unwrap()),
    );
    assert_ne!(outcome.floor.source, FloorSource::Lines);
    assert!(
        outcome.input.warnings.iter().any(|w| w == shankline::check::lines::CAMERA_MOVED),
        "{:?}",
        outcome.input.warnings
    );
}
