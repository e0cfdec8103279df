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

/// Two recordings of one movement with clocks of their own (30 and 25 frames a second, 13.3 ms apart), both with the hall's sound: motion and sound must each find the shift within their
/// stated uncertainty (three standard deviations; a part of a frame), agree, and the joined heel must cover the mesh's.
#[test]
fn two_recordings_with_their_own_clocks() {
    let folder = tempfile::tempdir().unwrap();
    // Claps in the hall, on the first clip's clock; 16-bit PCM, so that no encoder shifts it.
    let rate = 16_000_u32;
    let claps = [0.52, 0.83, 1.31, 1.52, 1.66];
    let wav = |from_s: f64, seconds: f64| -> Vec<u8> {
        let mut seed = 12345_u32;
        let samples: Vec<i16> = (0..(seconds * f64::from(rate)) as usize)
            .map(|k| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = f64::from(seed >> 8) / f64::from(1 << 24) - 0.5;
                let t = from_s + k as f64 / f64::from(rate);
                let clap: f64 = claps
                    .iter()
                    .filter(|c| t >= **c && t < **c + 0.1)
                    .map(|c| (-(t - c) * 60.0).exp())
                    .sum();
                (noise * (18_000.0 * clap + 150.0)) as i16
            })
            .collect();
        let mut out = Vec::new();
        let bytes = 2 * samples.len() as u32;
        out.extend(b"RIFF");
        out.extend((36 + bytes).to_le_bytes());
        out.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
        out.extend(rate.to_le_bytes());
        out.extend((2 * rate).to_le_bytes());
        out.extend(b"\x02\0\x10\0data");
        out.extend(bytes.to_le_bytes());
        out.extend(samples.iter().flat_map(|s| s.to_le_bytes()));
        out
    };
    let starts_s = truth("pairs/heel30-second.truth.json")["starts_at_s_of_heel30_low"]
        .as_f64()
        .unwrap();
    let mut paths = Vec::new();
    // Frames 10 to 51 of the one, 4 to 37 of the other: from coming down until well into the hold.
    for (clip, first, last, fps, start_s) in [
        ("clips/heel30-low", 10, 51, 30.0, 0.0),
        ("pairs/heel30-second", 4, 37, 25.0, starts_s),
    ] {
        let name = clip.rsplit('/').next().unwrap();
        let (sound, out) = (folder.path().join(format!("{name}.wav")), folder.path().join(format!("{name}.mkv")));
        let from_s = start_s + f64::from(first) / fps;
        std::fs::write(&sound, wav(from_s, f64::from(last - first + 1) / fps)).unwrap();
        ffmpeg(&[
            "-i",
            fixture(&format!("{clip}.mp4")).to_str().unwrap(),
            "-i",
            sound.to_str().unwrap(),
            "-vf",
            &format!("trim=start_frame={first}:end_frame={},setpts=PTS-STARTPTS", last + 1),
            "-c:v",
            "libx264",
            "-preset",
            "veryfast",
            "-crf",
            "20",
            "-c:a",
            "copy",
            out.to_str().unwrap(),
        ]);
        std::fs::copy(
            fixture(&format!("{clip}.floor.json")),
            folder.path().join(format!("{name}.floor.json")),
        )
        .unwrap();
        paths.push((out, from_s));
    }
    let (output, call) = join(&[paths[0].0.to_str().unwrap(), paths[1].0.to_str().unwrap()], folder.path());
    let said = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    println!("{said}");
    let call = call.expect("a joined answer");
    let alignment = &call["views"][1]["alignment"];
    assert_eq!(alignment["by"], "motion_and_sound", "{said}");
    let true_s = paths[0].1 - paths[1].1;
    let of = |v: &Value, key: &str| v[key].as_f64().unwrap();
    for source in [alignment, &alignment["motion"], &alignment["sound"]] {
        let error = of(source, "offset_s") - true_s;
        let sd = of(source, "offset_sd_s");
        assert!(error.abs() < 3.0 * sd, "off by {error:.4} s, stated {sd:.4} s: {source}");
        assert!(sd < 0.04, "stated {sd:.4} s is more than a frame: {source}");
    }
    // The sound comes from one wave in both: a millisecond or two.
    assert!((of(&alignment["sound"], "offset_s") - true_s).abs() < 0.003, "{alignment}");
    let heel = &call["holds"][0]["gaps"][5];
    let true_mm = of(&truth("clips/heel30-low.truth.json")["frames"][45]["gap_mm"], "heel") - of(heel, "natural_hollow_mm");
    let away = (of(heel, "gap_mm") - true_mm) / of(heel, "sd_mm");
    assert!(
        away.abs() < 3.0,
        "heel {} ± {} mm, true {true_mm} mm",
        of(heel, "gap_mm"),
        of(heel, "sd_mm")
    );
    assert_eq!(call["holds"][0]["findings"][1]["call"], "suspected", "{said}");
}
