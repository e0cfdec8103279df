//! Bad input to the whole program: one clear sentence that says what is wrong and what to do, the right exit code, nothing half written.
//!
//! The inputs are made here with the ffmpeg tool. Exit codes are those of the program's own help: 2 bad use or bad input, 1 our failure, 0 checked.
#![cfg(target_os = "linux")]

use assert_cmd::cargo::cargo_bin;
use serde_json::{json, Value};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A folder of its own for one test, with the program run inside it and reports asked for in `out`.
struct Bench {
    folder: tempfile::TempDir,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn models() -> PathBuf {
    root().join("models")
}

impl Bench {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> &'static str {
        std::fs::write(self.path(name), bytes).unwrap();
        Box::leak(name.to_owned().into_boxed_str())
    }

    /// Makes `name` with ffmpeg from a generated picture (`source`) and further arguments.
    fn video(&self, name: &'static str, source: &str, more: &[&str]) -> &'static str {
        let made = Command::new("ffmpeg")
            .args(["-nostdin", "-v", "error", "-f", "lavfi", "-i", source])
            .args(more)
            .arg(name)
            .current_dir(self.folder.path())
            .status()
            .expect("ffmpeg is installed by scripts/setup");
        assert!(made.success(), "ffmpeg made no {name}");
        name
    }

    fn command(&self) -> Command {
        self.command_into("out")
    }

    fn command_into(&self, out: &str) -> Command {
        let mut command = Command::new(cargo_bin("shankline"));
        command
            .current_dir(self.folder.path())
            .env("SHANKLINE_MODELS", models())
            .args(["check", "--out", out]);
        command
    }

    fn check(&self, arguments: &[&str]) -> Output {
        self.command().args(arguments).output().unwrap()
    }

    /// Runs `shankline check` and wants a refusal: see [`refused`]. Nothing may be left in the output folder, which was not there before.
    fn refuses(&self, arguments: &[&str], code: i32, says: &[&str]) -> String {
        let said = refused(&self.check(arguments), code, says);
        assert!(!self.path("out").exists(), "an output folder was left behind: {said}");
        said
    }

    fn warnings(&self) -> Vec<String> {
        let call: Value = serde_json::from_slice(&std::fs::read(self.path("out/call.json")).unwrap()).unwrap();
        serde_json::from_value(call["input"]["warnings"].clone()).unwrap()
    }
}

/// Wants this exit code, nothing on standard output, and on standard error one line with one sentence that holds all of `says`.
fn refused(output: &Output, code: i32, says: &[&str]) -> String {
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    println!("{}", said.trim_end());
    assert_eq!(output.status.code(), Some(code), "{said}");
    assert!(output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stdout));
    let sentence = said.strip_prefix("shankline: ").expect("the program names itself").trim_end();
    assert_eq!(said.lines().count(), 1, "more than a line: {said}");
    assert!(sentence.ends_with('.'), "no sentence: {said}");
    // A full stop followed by a space would begin a second sentence; those inside file names and numbers have none.
    assert!(!sentence.contains(". "), "more than one sentence: {said}");
    assert!(sentence.starts_with(|c: char| !c.is_lowercase()), "no sentence: {said}");
    for word in says {
        assert!(sentence.contains(word), "{word:?} is not in: {said}");
    }
    said
}

/// Takes from a process the right to read and write what its user may not, which root otherwise has, so that the tests see the same as everybody.
fn without_special_rights(command: &mut Command) -> &mut Command {
    // From linux/capability.h.
    const CAP_DAC_OVERRIDE: libc::c_ulong = 1;
    const CAP_DAC_READ_SEARCH: libc::c_ulong = 2;
    // SAFETY: between fork and exec only system calls are made.
    unsafe {
        command.pre_exec(|| {
            if libc::geteuid() == 0 {
                for right in [CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH] {
                    if libc::prctl(libc::PR_CAPBSET_DROP, right, 0, 0, 0) != 0 {
                        return Err(std::io::Error::last_os_error());
                    }
                }
            }
            Ok(())
        })
    }
}

fn set_mode(path: &Path, mode: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

const SMALL_H264: [&str; 6] = ["-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p"];

/// A small clip that shows nobody: ten frames of a cellular automaton.
fn nobody(bench: &Bench, name: &'static str, more: &[&str]) -> &'static str {
    bench.video(
        name,
        "cellauto=s=160x120:r=10:random_seed=1,trim=duration=1",
        &[&SMALL_H264[..], more].concat(),
    )
}

#[test]
fn a_missing_input() {
    Bench::new().refuses(&["nowhere.mp4"], 2, &["“nowhere.mp4”", "There is no file", "check the path"]);
}

#[test]
fn an_empty_input() {
    let bench = Bench::new();
    bench.file("empty.mp4", "");
    bench.refuses(&["empty.mp4"], 2, &["“empty.mp4” is empty", "copy"]);
}

#[test]
fn an_input_that_may_not_be_read() {
    let bench = Bench::new();
    bench.file("locked.mp4", "locked");
    set_mode(&bench.path("locked.mp4"), 0o000);
    let output = without_special_rights(bench.command().arg("locked.mp4")).output().unwrap();
    refused(&output, 2, &["“locked.mp4” may not be read", "change its permissions"]);
    assert!(!bench.path("out").exists());
}

#[test]
fn a_folder_for_an_input() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder.mp4")).unwrap();
    bench.refuses(&["folder.mp4"], 2, &["is a folder", "give a video or photograph"]);
}

#[test]
fn a_text_file_with_the_name_of_a_video() {
    let bench = Bench::new();
    bench.file("notes.mp4", "Not a video at all.\n".repeat(200));
    bench.refuses(&["notes.mp4"], 2, &["“notes.mp4” is not a video", "MP4"]);
}

#[test]
fn a_photograph_that_is_cut_off_and_one_that_is_damaged() {
    let bench = Bench::new();
    let whole = std::fs::read(root().join("fixtures/clips/heel30-portrait-still.jpg")).unwrap();
    bench.file("half.jpg", &whole[..whole.len() / 2]);
    bench.refuses(&["half.jpg"], 2, &["“half.jpg” is cut off", "copy it again"]);
    let mut whole = std::fs::read(root().join("fixtures/clips/clean-low-still.png")).unwrap();
    let middle = whole.len() / 2;
    whole[middle..middle + 64].fill(0);
    bench.file("damaged.png", &whole);
    bench.refuses(&["damaged.png"], 2, &["“damaged.png” is damaged", "copy or export it again"]);
}

#[test]
fn sound_without_a_picture() {
    let bench = Bench::new();
    bench.video("sound.mp4", "sine=d=1", &["-c:a", "aac"]);
    bench.refuses(
        &["sound.mp4"],
        2,
        &["“sound.mp4” holds sound but no video", "give the recording with its picture"],
    );
}

#[test]
fn one_pixel() {
    let bench = Bench::new();
    bench.video("dot.mkv", "color=s=16x16:d=1:r=5,format=rgb24,scale=1:1", &["-c:v", "ffv1"]);
    bench.refuses(&["dot.mkv"], 2, &["“dot.mkv”", "1 × 1 px", "fewer than 16 px"]);
    bench.video("dot.png", "color=s=16x16:d=1:r=1,format=rgb24,scale=1:1", &["-frames:v", "1"]);
    bench.refuses(&["dot.png"], 2, &["“dot.png”", "1 × 1 px", "fewer than 16 px"]);
}

#[test]
fn sixteen_thousand_pixels_wide() {
    let bench = Bench::new();
    bench.video("wide.mkv", "color=s=16000x64:d=0.2:r=5", &["-c:v", "ffv1"]);
    bench.refuses(&["wide.mkv"], 2, &["“wide.mkv”", "16000 × 64 px", "scale it down"]);
    bench.video("wide.png", "color=s=16000x64:d=1:r=1", &["-frames:v", "1"]);
    bench.refuses(&["wide.png"], 2, &["“wide.png”", "16000 × 64 px", "scale it down"]);
}

/// A track whose samples all last no time at all is a still; one without samples shows nothing.
#[test]
fn no_duration() {
    let bench = Bench::new();
    bench.video(
        "none.mp4",
        "testsrc2=s=160x120:d=1:r=15",
        &[&SMALL_H264[..], &["-frames:v", "0"]].concat(),
    );
    bench.refuses(&["none.mp4"], 2, &["“none.mp4”"]);
    // Every sample's duration in the table of the one-frame file (ISO/IEC 14496-12, `stts`) set to nothing.
    bench.video(
        "one.mp4",
        "testsrc2=s=160x120:d=1:r=15",
        &[&SMALL_H264[..], &["-frames:v", "1"]].concat(),
    );
    let mut bytes = std::fs::read(bench.path("one.mp4")).unwrap();
    let table = bytes.windows(4).position(|w| w == b"stts").unwrap();
    // Box type, version and flags, entry count, sample count, duration: 4 bytes each.
    bytes[table + 16..table + 20].fill(0);
    bench.file("one.mp4", &bytes);
    let output = bench.check(&["one.mp4"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("not judged"), "{said}");
}

#[test]
fn a_recording_without_its_index() {
    let bench = Bench::new();
    nobody(&bench, "whole.mp4", &[]);
    let whole = std::fs::read(bench.path("whole.mp4")).unwrap();
    bench.file("unfinished.mp4", &whole[..whole.len() * 6 / 10]);
    bench.refuses(&["unfinished.mp4"], 2, &["“unfinished.mp4” is cut off", "copy it again"]);
}

/// What can be read of a cut-off recording is checked, and the loss is told in the terminal, the page and the JSON.
#[test]
fn a_cut_off_recording_is_checked_with_a_warning() {
    let bench = Bench::new();
    nobody(&bench, "whole.mp4", &["-g", "1", "-movflags", "+faststart"]);
    let whole = std::fs::read(bench.path("whole.mp4")).unwrap();
    bench.file("cut.mp4", &whole[..whole.len() * 6 / 10]);
    let output = bench.check(&["cut.mp4"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    let warning = bench
        .warnings()
        .into_iter()
        .find(|w| w.contains("The file is cut off"))
        .expect("a warning");
    assert!(warning.contains("of 10 frames were read"), "{warning}");
    assert!(said.contains(&warning), "{said}");
    let page = std::fs::read_to_string(bench.path("out/report.html")).unwrap();
    assert!(page.contains("The file is cut off"));
}

#[test]
fn a_recording_damaged_in_the_middle_is_checked_with_a_warning() {
    let bench = Bench::new();
    nobody(&bench, "damaged.mp4", &["-g", "5"]);
    let mut bytes = std::fs::read(bench.path("damaged.mp4")).unwrap();
    let media = bytes.windows(4).position(|w| w == b"mdat").unwrap();
    let index = bytes.windows(4).position(|w| w == b"moov").unwrap();
    assert!(media < index);
    let middle = (media + index) / 2;
    let mut noise = 1u32;
    for b in &mut bytes[middle..middle + 1000] {
        // Numerical Recipes' linear congruential generator.
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *b = (noise >> 24) as u8;
    }
    bench.file("damaged.mp4", &bytes);
    let output = bench.check(&["damaged.mp4"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    let warnings = bench.warnings();
    assert!(
        warnings.iter().any(|w| w.contains("The file is damaged from about")),
        "{warnings:?}"
    );
    assert!(said.contains("The file is damaged from about"), "{said}");
}

/// Told before the networks are opened, not after an hour of work.
#[test]
fn an_output_folder_that_cannot_be_written() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    bench.file("taken", "a file");
    let without_networks = |out: &str| {
        let mut command = bench.command_into(out);
        command.arg("clip.mp4").env("SHANKLINE_MODELS", "no networks here");
        command
    };
    let output = without_networks("taken/report").output().unwrap();
    refused(&output, 2, &["“taken/report” cannot be written", "choose another output folder"]);

    let locked = bench.path("locked");
    std::fs::create_dir(&locked).unwrap();
    set_mode(&locked, 0o555);
    let output = without_special_rights(&mut without_networks("locked/report")).output().unwrap();
    refused(&output, 2, &["“locked/report” may not be written", "choose an output folder"]);
    assert_eq!(std::fs::read_dir(&locked).unwrap().count(), 0);
}

/// The operating system's limit on a file's size stands in for the full disk, as in `report_full_disk.rs`: it fails the same call.
#[test]
fn a_full_disk() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let mut command = bench.command();
    command.arg("clip.mp4");
    // SAFETY: between fork and exec only system calls are made.
    unsafe {
        command.pre_exec(|| {
            let small = libc::rlimit {
                rlim_cur: 2000,
                rlim_max: 2000,
            };
            libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
            match libc::setrlimit(libc::RLIMIT_FSIZE, &small) {
                0 => Ok(()),
                _ => Err(std::io::Error::last_os_error()),
            }
        })
    };
    refused(&command.output().unwrap(), 1, &["disk is full", "free some space"]);
    assert!(!bench.path("out").exists(), "an output folder was left behind");
    // The kernel's own full device, for the JSON.
    let output = bench.check(&["clip.mp4", "--json", "/dev/full"]);
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("/dev/full") && said.contains("disk is full"), "{said}");
    assert!(
        !std::fs::metadata("/dev/full").unwrap().is_file(),
        "the device was replaced by a file"
    );
}

#[test]
fn a_json_file_that_cannot_be_written() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    bench.refuses(
        &["clip.mp4", "--json", "nowhere/call.json"],
        2,
        &["there is no folder “nowhere”", "make it first"],
    );
    bench.refuses(&["clip.mp4", "--json", "."], 2, &["is a folder", "choose another name"]);
}

fn floor(image_size: [usize; 2], marks: &[[f64; 4]]) -> String {
    let marks: Vec<Value> = marks
        .iter()
        .map(|[u, v, x, y]| json!({"image": [u, v], "carpet_m": [x, y]}))
        .collect();
    json!({"image_size": image_size, "marks": marks}).to_string()
}

const SQUARE: [[f64; 4]; 4] = [
    [40.0, 100.0, 0.0, 0.0],
    [120.0, 100.0, 1.0, 0.0],
    [110.0, 80.0, 1.0, 1.0],
    [50.0, 80.0, 0.0, 1.0],
];

#[test]
fn floor_files_that_cannot_be_used() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let check = |name: &'static str, text: String, says: &[&str]| {
        bench.file(name, text);
        bench.refuses(&["clip.mp4", "--floor", name], 2, says);
    };
    check(
        "other-size.json",
        floor([1920, 1080], &SQUARE),
        &["1920×1080", "160×120", "mark the floor on a frame of this recording"],
    );
    let line = SQUARE.map(|[u, _, x, _]| [u, 60.0 + 0.25 * u, x, 0.5 * x]);
    check(
        "line.json",
        floor([160, 120], &line),
        &["line.json", "on one line", "add a mark well off that line"],
    );
    check(
        "three.json",
        floor([160, 120], &SQUARE[..3]),
        &["3 marks are too few", "four or more"],
    );
    check("broken.json", "{".into(), &["broken.json", "is not a floor file"]);
    bench.refuses(
        &["clip.mp4", "--floor", "missing.json"],
        2,
        &["missing.json", "cannot be read", "check the path"],
    );
}

#[test]
fn values_that_cannot_be() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    bench.refuses(
        &["clip.mp4", "--stature", "17"],
        2,
        &["--stature", "17 m is no athlete's stature", "between 0.9 and 2.4"],
    );
    bench.refuses(&["clip.mp4", "--stature", "tall"], 2, &["--stature", "give metres"]);
    bench.refuses(&["clip.mp4", "--athlete", "400,300"], 2, &["--athlete", "fractions from 0 to 1"]);
    // Bad use: usage lines help more than a sentence.
    let output = bench.check(&["clip.mp4", "--colour"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("--colour"));
}

#[test]
fn a_network_file_missing_or_another() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let copy = bench.path("models");
    std::fs::create_dir(&copy).unwrap();
    for entry in std::fs::read_dir(models()).unwrap() {
        let entry = entry.unwrap();
        std::os::unix::fs::symlink(entry.path(), copy.join(entry.file_name())).unwrap();
    }
    let run = |models: &Path| bench.command().arg("clip.mp4").env("SHANKLINE_MODELS", models).output().unwrap();
    let network = copy.join("person_detector.onnx");
    let mut bytes = std::fs::read(&network).unwrap();
    std::fs::remove_file(&network).unwrap();
    refused(
        &run(&copy),
        1,
        &["person_detector.onnx cannot be read", "install the folder models anew"],
    );
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&network, &bytes).unwrap();
    refused(
        &run(&copy),
        1,
        &["person_detector.onnx is not the one listed", "install the folder models anew"],
    );
    refused(
        &run(&bench.path("no such folder")),
        1,
        &["manifest.json cannot be read", "install the folder models"],
    );
    assert!(!bench.path("out").exists());
    // ONNX Runtime's library.
    let output = bench
        .command()
        .arg("clip.mp4")
        .env("SHANKLINE_ONNXRUNTIME", "gone.so")
        .output()
        .unwrap();
    refused(&output, 1, &["gone.so", "is not a file", "set it to the path"]);
    assert!(!bench.path("out").exists());
}

/// Without ffmpeg on the path.
#[test]
fn no_decoder_installed() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let output = bench.command().arg("clip.mp4").env("PATH", bench.folder.path()).output().unwrap();
    refused(&output, 1, &["is not installed", "install the package ffmpeg"]);
    assert!(!bench.path("out").exists());
}

/// One bad input among several: the others are checked, the bad one is named, and the exit code says that not all went well.
#[test]
fn one_bad_input_among_several() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let output = bench.check(&["nowhere.mp4", "clip.mp4", "--json", "all.json"]);
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.lines().count() == 2 && said.contains("There is no file “nowhere.mp4”"),
        "{said}"
    );
    assert!(bench.path("out/clip/report.html").is_file() && !bench.path("out/nowhere").exists());
    // One JSON text a line, as the help says of several inputs.
    let text = std::fs::read_to_string(bench.path("all.json")).unwrap();
    assert_eq!(text.lines().count(), 1);
    let call: Value = serde_json::from_str(&text).unwrap();
    assert!(call["input"]["path"] == "clip.mp4" && call["holds"] == json!([]) && call["not_judged"][0]["reason"] == "no_person");
}

/// A reader that stops reading (`| head`) is no failure.
#[test]
fn a_closed_pipe_is_no_failure() {
    let bench = Bench::new();
    nobody(&bench, "clip.mp4", &[]);
    let (read, write) = std::io::pipe().unwrap();
    drop(read);
    let output = bench.command().args(["clip.mp4", "--json", "-"]).stdout(write).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty());
}
