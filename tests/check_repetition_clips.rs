//! Whole repetitions end to end, on rendered clips whose truth is known: a jump, one foot first, a hand on the carpet; and a clean one with a slow replay after a cut.
//!
//! Source outside the project: the standard acceleration of free fall (9.80665 m/s², 3rd CGPM, 1901; ISO 80000-3), by which the rendered bodies fall.

use serde_json::Value;
use shankline::check::{check_recording, CarpetUse, CheckOptions, Checked, Eyes, LegChoice, SheetUse};
use shankline::floor::marks::FloorFile;
use shankline::outcome::{Call, EventKind, Limb, Phase};
use shankline::pose::models::default_folder;
use shankline::report::Pictures;
use shankline::rules::RuleProfile;
use std::path::{Path, PathBuf};

fn clips() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/repetition_clips")
}

fn truth(name: &str) -> Value {
    let text = std::fs::read_to_string(clips().join(format!("{name}.truth.json"))).expect("the truth lies beside the clip");
    serde_json::from_str(&text).expect("the truth is JSON")
}

fn check(name: &str, marks: bool) -> Checked {
    let options = CheckOptions {
        floor: marks.then(|| FloorFile::read(&clips().join(format!("{name}.floor.json"))).expect("the floor file is sound")),
        stature_m: truth(name)["stature_m"].as_f64(),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    let mut eyes = Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open");
    check_recording(&clips().join(format!("{name}.mp4")), &options, &mut eyes, &mut |_, _| {}).expect("the clip is checked")
}

#[test]
fn a_jump_that_lands_on_one_foot_and_a_hand_on_the_carpet() {
    let truth = truth("hand");
    let start = truth["repetition"]["clip_starts_at_s"].as_f64().unwrap();
    let at = |v: &Value| v.as_f64().unwrap() - start;
    let checked = check("hand", true);
    assert_eq!(checked.outcome.repetitions.len(), 1);
    let r = &checked.outcome.repetitions[0];
    let landing = r.landing.as_ref().expect("the landing is seen");
    let rep = &truth["repetition"];
    assert!((landing.take_off_s - at(&rep["take_off_s"])).abs() < 0.05, "{landing:?}");
    for c in &landing.contacts {
        let expected = at(&rep["contact_s"][c.leg.name()]);
        assert!((c.time_s - expected).abs() < 0.06, "{landing:?}, true {expected}");
    }
    // 110 ms apart: found or not sure, never "together".
    assert_ne!(landing.call, Call::Clear, "{landing:?}");
    let turn = r.turn.as_ref().expect("the turn is measured");
    let off = turn.turn_deg - rep["turn_deg"].as_f64().unwrap();
    assert!(off.abs() < 3.0 * turn.sd_deg && turn.sd_deg < 25.0, "{turn:?}");
    assert!((r.slow_motion.factor - 1.0).abs() < 0.1, "{:?}", r.slow_motion);
    let hand = &rep["events"][0];
    let support: Vec<_> = r
        .events
        .iter()
        .filter(|e| e.kind == EventKind::Support && e.confidence > 0.8)
        .collect();
    assert_eq!(support.len(), 1, "{:?}", r.events);
    assert_eq!(support[0].limb, Limb::RightHand);
    assert!(
        support[0].start_s < at(&hand["end_s"]) && support[0].end_s > at(&hand["start_s"]),
        "{support:?}"
    );
    for e in &r.events {
        let right = matches!(e.kind, EventKind::Support | EventKind::OneFootFirst | EventKind::Sway);
        assert!(right || e.call != Call::Suspected, "{e:?}");
    }
    let leaving = r.phases.iter().find(|p| p.phase == Phase::Leaving).expect("the leaving is seen");
    assert!((leaving.start_s - at(&rep["leave_s"])).abs() < 0.15, "{leaving:?}");
    assert!(!r.moments.is_empty() && (0..r.moments.len()).all(|k| checked.pictures.moment(0, k).is_some()));
}

#[test]
fn a_replay_at_a_quarter_of_the_speed_after_a_cut() {
    let truth = truth("replay");
    let checked = check("replay", false);
    let cut = truth["shots"][1]["start_s"].as_f64().unwrap();
    assert_eq!(checked.track.cuts_s.len(), 1, "{:?}", checked.track.cuts_s);
    assert!(
        (checked.track.cuts_s[0] - cut).abs() < 0.02,
        "{:?}, true {cut}",
        checked.track.cuts_s
    );
    let r = &checked.outcome.repetitions;
    // The slowed shot ends before its stance begins. Without marks and without a stance there is no floor, so nothing is said of it; with a reading it must be right.
    assert!((1..=2).contains(&r.len()), "{r:?}");
    assert!(r[0].end_s <= cut + 1e-6, "the cut was crossed: {r:?}");
    assert!((r[0].slow_motion.factor - 1.0).abs() < 0.15, "{:?}", r[0].slow_motion);
    if let Some(slowed) = r.get(1) {
        assert!(slowed.start_s >= cut - 1e-6);
        assert!((slowed.slow_motion.factor / 4.0 - 1.0).abs() < 0.15, "{:?}", slowed.slow_motion);
    }
    // Where it has none, that is said.
    let said = checked.outcome.input.warnings.iter().any(|w| w.contains("without a floor"));
    assert_eq!(said, r.len() == 1, "{:?}", checked.outcome.input.warnings);
    // Both feet came down together, and nothing else went wrong.
    for one in r {
        assert!(one.landing.as_ref().is_none_or(|l| l.call != Call::Suspected), "{:?}", one.landing);
        assert!(one.events.iter().all(|e| e.call != Call::Suspected), "{:?}", one.events);
    }
}
