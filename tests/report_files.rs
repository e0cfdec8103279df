//! The report's files for programs, and how they come into the folder.
//!
//! Sources outside the project: JSON Schema draft 2020-12 (crate `jsonschema`, which also checks the schema against the draft's own meta-schema); RFC 4180 for the
//! table; the PNG signature (PNG specification, 5.2).

use crate::examples;

use serde_json::Value;
use shankline::outcome::*;
use shankline::report;
use std::path::Path;

fn schema() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/call.schema.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn all_examples() -> Vec<Outcome> {
    vec![
        examples::suspected(),
        examples::clear(),
        examples::high_camera(),
        examples::no_hold(),
        examples::several(),
        examples::photograph(),
    ]
}

fn written_json(outcome: &Outcome) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let written = report::write(outcome, vec![None; outcome.holds.len()].as_slice(), folder.path()).unwrap();
    let text = std::fs::read_to_string(written.call_json).unwrap();
    assert_eq!(serde_json::from_str::<Outcome>(&text).unwrap().holds.len(), outcome.holds.len());
    serde_json::from_str(&text).unwrap()
}

#[test]
fn the_schema_is_a_schema_and_every_example_obeys_it() {
    let schema = schema();
    assert!(jsonschema::draft202012::meta::is_valid(&schema));
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    for outcome in all_examples() {
        let value = written_json(&outcome);
        let faults: Vec<String> = validator
            .iter_errors(&value)
            .map(|e| format!("{}: {e}", e.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{faults:#?}");
    }
}

/// Every object of the schema is closed and names exactly the keys that the program writes, so that neither can gain or lose a field alone.
#[test]
fn the_schema_names_every_key_and_no_other() {
    fn walk(root: &Value, schema: &Value, value: &Value, path: &str, seen: &mut usize) {
        // What may be absent stands as "this or null".
        let schema = schema.get("anyOf").map_or(schema, |any| &any[0]);
        let schema = match schema.get("$ref").and_then(Value::as_str) {
            Some(name) => &root["$defs"][name.strip_prefix("#/$defs/").unwrap()],
            None => schema,
        };
        match value {
            Value::Object(fields) => {
                *seen += 1;
                assert_eq!(schema["additionalProperties"], Value::Bool(false), "{path} is open");
                // A joined answer has two lists more (checked in tests/join_clips.rs).
                let joined_only = |k: &&String| path == "call" && ["views", "joins"].contains(&k.as_str());
                let named: Vec<&String> = schema["properties"]
                    .as_object()
                    .unwrap()
                    .keys()
                    .filter(|k| !joined_only(k))
                    .collect();
                let mut required: Vec<&str> = schema["required"].as_array().unwrap().iter().map(|v| v.as_str().unwrap()).collect();
                let mut written: Vec<&String> = fields.keys().collect();
                let mut named_sorted = named.clone();
                named_sorted.sort();
                written.sort();
                required.sort_unstable();
                assert_eq!(named_sorted, written, "keys of {path}");
                assert_eq!(
                    named_sorted.iter().map(|s| s.as_str()).collect::<Vec<_>>(),
                    required,
                    "required keys of {path}"
                );
                for (key, inner) in fields {
                    walk(root, &schema["properties"][key], inner, &format!("{path}.{key}"), seen);
                }
            }
            Value::Array(items) => {
                for item in items.iter().filter(|i| i.is_object() || i.is_array()) {
                    if schema.get("items").is_some_and(Value::is_object) {
                        walk(root, &schema["items"], item, &format!("{path}[]"), seen);
                    }
                }
            }
            _ => {}
        }
    }
    let schema = schema();
    let mut seen = 0;
    for outcome in all_examples() {
        walk(&schema, &schema, &written_json(&outcome), "call", &mut seen);
    }
    assert!(seen > 100);
}

#[test]
fn the_schema_knows_every_word_and_refuses_others() {
    let validator = jsonschema::draft202012::new(&schema()).unwrap();
    let base = written_json(&examples::several());
    let with = |pointer: &str, new: Value| {
        let mut value = base.clone();
        *value.pointer_mut(pointer).unwrap_or_else(|| panic!("{pointer}")) = new;
        validator.is_valid(&value)
    };
    let json = |v: &dyn erased::Json| v.json();
    for call in [Call::Clear, Call::Suspected, Call::CannotTell] {
        assert!(with("/holds/0/call", json(&call)));
    }
    for reason in [
        NotJudgedReason::NoPerson,
        NotJudgedReason::NoStance,
        NotJudgedReason::NeverStill,
        NotJudgedReason::FloorUnknown,
        NotJudgedReason::LegHidden,
        NotJudgedReason::ViewsDoNotMatch,
    ] {
        assert!(with("/not_judged/0/reason", json(&reason)));
    }
    for source in [FloorSource::Marks, FloorSource::Body, FloorSource::None] {
        assert!(with("/floor/source", json(&source)));
    }
    for (pointer, wrong) in [
        ("/holds/0/call", Value::from("fine")),
        ("/holds/0/gaps/0/sd_mm", Value::from(-1)),
        ("/holds/0/gaps/0/over_tolerance_probability", Value::from(1.2)),
        ("/holds/0/gaps/0/gap_mm", Value::Null),
        ("/holds/0/start_s", Value::Null),
        ("/holds/0/frames/0/gap_mm", Value::from(vec![1, 2, 3])),
        ("/input/frames_read", Value::from(1.5)),
        ("/made_by/rules", Value::from(vec!["example", "not a hash"])),
        ("/schema_version", Value::from(2)),
    ] {
        assert!(!with(pointer, wrong.clone()), "{pointer} = {wrong} was let through");
    }
    let mut extra = base.clone();
    extra["holds"][0]["view"]["mood"] = Value::from(1);
    assert!(!validator.is_valid(&extra));
}

/// So that enum values of different types can be written in one place.
mod erased {
    pub trait Json {
        fn json(&self) -> serde_json::Value;
    }
    impl<T: serde::Serialize> Json for T {
        fn json(&self) -> serde_json::Value {
            serde_json::to_value(self).unwrap()
        }
    }
}

#[test]
fn a_number_that_is_not_finite_is_named_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let mut outcome = examples::suspected();
    outcome.holds[0].view.smallest_lift_mm.heel = f64::INFINITY;
    let message = report::write(&outcome, [None].as_slice(), folder.path()).unwrap_err().to_string();
    assert!(message.contains("holds.0.view.smallest_lift_mm.heel"), "{message}");
    let mut outcome = examples::suspected();
    outcome.floor.focal_px = Some(f64::NAN);
    let message = report::write(&outcome, [None].as_slice(), folder.path()).unwrap_err().to_string();
    assert!(message.contains("floor.focal_px"), "{message}");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn the_table_has_a_row_a_frame_and_station() {
    let folder = tempfile::tempdir().unwrap();
    let outcome = examples::several();
    let written = report::write(&outcome, [None, None].as_slice(), folder.path()).unwrap();
    let bytes = std::fs::read(&written.frames_csv).unwrap();
    // RFC 4180, 2.1: lines end in CRLF.
    assert!(bytes.ends_with(b"\r\n") && bytes.iter().filter(|b| **b == b'\n').count() == bytes.windows(2).filter(|w| w == b"\r\n").count());
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    assert_eq!(
        reader.headers().unwrap().iter().collect::<Vec<_>>(),
        ["time_s", "frame", "hold", "in_hold", "station", "gap_mm", "gap_sd_mm"]
    );
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 6 * outcome.holds.iter().map(|h| h.frames.len()).sum::<usize>());
    let expected = &outcome.holds[1].frames[4];
    let row = rows
        .iter()
        .find(|r| &r[2] == "2" && r[1] == expected.index.to_string() && &r[4] == "heel")
        .unwrap();
    assert!((row[0].parse::<f64>().unwrap() - expected.time_s).abs() < 1e-6);
    assert!((row[5].parse::<f64>().unwrap() - expected.gap_mm[5]).abs() < 1e-3);
    assert!((row[6].parse::<f64>().unwrap() - expected.sd_mm[5]).abs() < 1e-3);
    assert_eq!(&row[3], if expected.in_hold { "true" } else { "false" });
}

#[test]
fn stills_are_pictures_and_an_older_reports_further_ones_go() {
    let folder = tempfile::tempdir().unwrap();
    let still = || Some(examples::UPRIGHT.scene().draw());
    let names = || {
        let mut names: Vec<String> = std::fs::read_dir(folder.path().join("stills"))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    };
    let written = report::write(&examples::several(), [still(), still()].as_slice(), folder.path()).unwrap();
    assert_eq!(written.stills.len(), 6);
    for path in &written.stills {
        assert_eq!(std::fs::read(path).unwrap()[..8], *b"\x89PNG\r\n\x1a\n");
    }
    std::fs::write(folder.path().join("stills/mine.png"), b"").unwrap();
    let mut one = examples::several();
    one.holds.truncate(1);
    report::write(&one, [still()].as_slice(), folder.path()).unwrap();
    assert_eq!(names(), ["hold-1-leg-plain.png", "hold-1-leg.png", "hold-1.png", "mine.png"]);
    let top: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(top.len(), 4, "temporary files were left: {top:?}");
}

#[test]
fn a_folder_that_cannot_be_written_gets_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, b"mine").unwrap();
    for bad in [file.clone(), file.join("deeper")] {
        let error = report::write(&examples::no_hold(), [].as_slice(), &bad).unwrap_err();
        assert_eq!(error.exit_code(), 2, "{error}");
        assert!(error.to_string().contains("choose another output folder"), "{error}");
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"mine");
    // A folder where a file of ours belongs: said before anything is renamed.
    let out = folder.path().join("out");
    std::fs::create_dir_all(out.join("report.html")).unwrap();
    std::fs::write(out.join("call.json"), b"older").unwrap();
    let error = report::write(&examples::no_hold(), [].as_slice(), &out).unwrap_err();
    assert!(error.to_string().contains("report.html” is a folder"), "{error}");
    assert_eq!(std::fs::read(out.join("call.json")).unwrap(), b"older");
    assert_eq!(std::fs::read_dir(&out).unwrap().count(), 2);
}

#[test]
fn a_hold_without_a_picture_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let written = report::write(&examples::suspected(), [].as_slice(), folder.path()).unwrap();
    assert!(written.stills.is_empty());
    let page = std::fs::read_to_string(written.report_html).unwrap();
    assert!(page.contains("No picture of this hold was kept."));
}
