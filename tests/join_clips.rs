//! `shankline join` on rendered recordings of one repetition seen twice, against their truth files (measured on the mesh). Rendered bodies, not athletes.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name)
}

fn ffmpeg(arguments: &[&str]) {
    let status = Command::new("ffmpeg").args(["-v", "error", "-y"]).args(arguments).status().unwrap();
    assert!(status.success(), "ffmpeg {arguments:?}");
}

fn join(arguments: &[&str], folder: &Path) -> (std::process::Output, Option<Value>) {
    let output = Command::new(env!("CARGO_BIN_EXE_shankline"))
        .arg("join")
        .args(arguments)
        .args(["--stature", "1.656", "--out"])
        .arg(folder.join("out"))
        .output()
        .unwrap();
    let call = std::fs::read(folder.join("out/call.json"))
        .ok()
        .map(|t| serde_json::from_slice(&t).unwrap());
    (output, call)
}

fn truth(name: &str) -> Value {
    serde_json::from_slice(&std::fs::read(fixture(name)).unwrap()).unwrap()
}

/// Two photographs of one instant, cut out of two clips of one movement: nothing to align, the marks tie the floors, and the joined gaps cover the mesh's. The answer obeys the schema.
#[test]
fn two_photographs_of_one_instant() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["heel30-low", "heel30-high"] {
        let clip = fixture(&format!("clips/{name}.mp4"));
        let still = folder.path().join(format!("{name}.png"));
        // Frame 48, in the middle of the hold.
        ffmpeg(&[
            "-i",
            clip.to_str().unwrap(),
            "-vf",
            "select=eq(n\\,48)",
            "-frames:v",
            "1",
            still.to_str().unwrap(),
        ]);
        std::fs::copy(
            fixture(&format!("clips/{name}.floor.json")),
            folder.path().join(format!("{name}.floor.json")),
        )
        .unwrap();
    }
    let (low, high) = (folder.path().join("heel30-low.png"), folder.path().join("heel30-high.png"));
    let (output, call) = join(&[low.to_str().unwrap(), high.to_str().unwrap()], folder.path());
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let call = call.expect("a joined answer");
    let schema: Value = serde_json::from_str(include_str!("../docs/call.schema.json")).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let wrong: Vec<String> = validator
        .iter_errors(&call)
        .map(|e| format!("{}: {e}", e.instance_path()))
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    assert_eq!(call["views"].as_array().unwrap().len(), 2);
    assert_eq!(call["views"][1]["alignment"]["by"], "assumed_instant");
    let join = &call["joins"][0];
    assert_eq!(join["ties"][0]["by"], "same_marks", "{said}");
    assert_eq!(join["contradiction"], Value::Null, "{said}");
    let frame = &truth("clips/heel30-low.truth.json")["frames"][48];
    let hold = &call["holds"][0];
    for gap in hold["gaps"].as_array().unwrap() {
        let station = gap["station"].as_str().unwrap();
        let of = |v: &Value, key: &str| v[key].as_f64().unwrap();
        let true_mm = of(&frame["gap_mm"], station) - of(gap, "natural_hollow_mm");
        let away = (of(gap, "gap_mm") - true_mm) / of(gap, "sd_mm");
        println!(
            "{station}: {:.1} ± {:.1} mm, true {true_mm:.1} mm",
            of(gap, "gap_mm"),
            of(gap, "sd_mm")
        );
        assert!(away.abs() < 3.0, "{station} is {away:.1} standard deviations off");
    }
    // Each view alone says less than both together.
    let sd = |h: &Value| h["gaps"][5]["sd_mm"].as_f64().unwrap();
    let alone = call["views"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| sd(&v["holds"][0]))
        .fold(f64::INFINITY, f64::min);
    assert!(sd(hold) < alone, "together {} mm, the better one alone {alone} mm", sd(hold));
}

/// Input that cannot be joined is refused in one sentence, with exit code 2.
#[test]
fn refusals_are_one_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let clip = fixture("clips/heel30-low.mp4");
    let clip = clip.to_str().unwrap();
    let still = fixture("clips/clean-low-still.png");
    for (arguments, word) in [
        (vec![clip, clip], "given twice"),
        (vec![clip, "nothing-there.mp4"], "nothing-there.mp4"),
        (
            vec![clip, still.to_str().unwrap(), "--floor", "-"],
            "--floor was given 1 times for 2 inputs",
        ),
        (vec![clip, &format!("{clip}@3-1")], "must end after it begins"),
    ] {
        let (output, _) = join(&arguments, folder.path());
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(word) && said.trim().lines().count() == 1, "{said}");
    }
}
