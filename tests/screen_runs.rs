//! `shankline screen` as a program: kills, broken files, hostile names, loops, folders that may not be written, a disk that fills up, shards.
//!
//! The recordings are ffmpeg's test pictures: nobody is in them, which is an answer too. What is looked at is read by outside readers: the `csv` crate (RFC 4180) and SQLite
//! itself (`PRAGMA integrity_check`).
#![cfg(unix)]

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::{OsStr, OsString};
use std::io::BufRead;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

fn program() -> Command {
    Command::new(assert_cmd::cargo::cargo_bin("shankline"))
}

fn screen(folder: &Path, out: &Path, more: &[&str]) -> Output {
    program()
        .arg("screen")
        .arg(folder)
        .arg("--out")
        .arg(out)
        .args(more)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn well(output: &Output) -> String {
    let said = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(output.status.success(), "{:?} {said}", output.status);
    said
}

fn ffmpeg(arguments: &[&str], target: &Path) {
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-y"])
        .args(arguments)
        .arg(target)
        .stdin(Stdio::null())
        .status()
        .unwrap();
    assert!(done.success());
}

/// A small recording of nobody; each number another content.
fn clip(number: u32) -> Vec<u8> {
    static BASE: OnceLock<Vec<u8>> = OnceLock::new();
    let mut bytes = BASE
        .get_or_init(|| {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("base.mp4");
            ffmpeg(
                &[
                    "-f",
                    "lavfi",
                    "-i",
                    "testsrc=size=128x96:rate=10:duration=0.3",
                    "-pix_fmt",
                    "yuv420p",
                    "-c:v",
                    "mpeg4",
                ],
                &path,
            );
            std::fs::read(path).unwrap()
        })
        .clone();
    // A box of free space at the end (ISO/IEC 14496-12, 8.1.2) changes the content and nothing else.
    bytes.extend(12_u32.to_be_bytes());
    bytes.extend(b"free");
    bytes.extend(number.to_be_bytes());
    bytes
}

type Row = BTreeMap<String, String>;

fn rows(out: &Path) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(out.join("screen.csv")).unwrap();
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_string).collect();
    reader
        .records()
        .map(|r| names.iter().cloned().zip(r.unwrap().iter().map(str::to_string)).collect())
        .collect()
}

fn by_recording(out: &Path) -> BTreeMap<String, Row> {
    let rows = rows(out);
    let count = rows.len();
    let map: BTreeMap<String, Row> = rows.into_iter().map(|r| (r["recording"].clone(), r)).collect();
    assert_eq!(map.len(), count, "a recording is there twice");
    map
}

fn unfinished(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        if entry.file_type().unwrap().is_dir() {
            found.extend(unfinished(&entry.path()));
        } else if entry.file_name().as_bytes().starts_with(b".unfinished-") {
            found.push(entry.path());
        }
    }
    found
}

fn children(process: u32) -> Vec<u32> {
    let Ok(tasks) = std::fs::read_dir(format!("/proc/{process}/task")) else {
        return Vec::new();
    };
    tasks
        .flatten()
        .filter_map(|t| std::fs::read_to_string(t.path().join("children")).ok())
        .flat_map(|t| t.split_whitespace().filter_map(|c| c.parse().ok()).collect::<Vec<u32>>())
        .collect()
}

fn alive(process: u32) -> bool {
    // A zombie is dead; its parent has not looked yet.
    std::fs::read_to_string(format!("/proc/{process}/stat"))
        .is_ok_and(|s| !s.rsplit(')').next().unwrap_or("").trim_start().starts_with('Z'))
}

fn database(out: &Path) -> rusqlite::Connection {
    let connection = rusqlite::Connection::open(out.join("screen.sqlite")).unwrap();
    let sound: String = connection.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
    assert_eq!(sound, "ok");
    connection
}

/// When each recording's current result was made.
fn made_at(out: &Path) -> BTreeMap<String, (String, String)> {
    if !out.join("screen.sqlite").is_file() {
        return BTreeMap::new();
    }
    let connection = database(out);
    let has_tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_master WHERE name = 'recording'", [], |r| r.get(0))
        .unwrap();
    if has_tables == 0 {
        return BTreeMap::new();
    }
    let mut statement = connection
        .prepare("SELECT recording.recording, result.content_sha256, result.checked_at FROM recording JOIN result ON result.id = recording.result")
        .unwrap();
    let found = statement
        .query_map([], |r| Ok((r.get(0)?, (r.get(1)?, r.get(2)?))))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    found
}

#[test]
fn nothing_is_lost_and_nothing_is_there_twice_through_twenty_kills() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(&folder).unwrap();
    let write = |name: u32, content: u32| std::fs::write(folder.join(format!("{name:02}.mp4")), clip(content)).unwrap();
    let count = 12;
    (0..count).for_each(|k| write(k, k));
    let mut random = ChaCha8Rng::seed_from_u64(20);
    let (mut kills, mut changes, mut progressed, mut contents) = (0, 0, 0, count);
    while kills < 20 {
        let before = made_at(&out);
        if before.len() == count as usize {
            // Everything is done: two recordings get another content, so that there is something to kill.
            for _ in 0..2 {
                write(random.random_range(0..count), contents);
                contents += 1;
                changes += 1;
            }
        }
        let mut run = program()
            .args(["screen", "--jobs", "2", "--out"])
            .arg(&out)
            .arg(&folder)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // At any moment of the start, or some moment after the first, second or third result.
        let mut lines = std::io::BufReader::new(run.stderr.take().unwrap()).lines();
        let results = random.random_range(0..4);
        for _ in 0..results {
            lines.next();
        }
        std::thread::sleep(Duration::from_millis(random.random_range(0..if results == 0 { 1500 } else { 400 })));
        let workers = children(run.id());
        if run.try_wait().unwrap().is_none() {
            run.kill().unwrap();
            kills += 1;
        }
        run.wait().unwrap();
        // The workers end with it.
        let since = Instant::now();
        while workers.iter().any(|w| alive(*w)) {
            assert!(since.elapsed() < Duration::from_secs(5), "a worker outlived its parent");
            std::thread::sleep(Duration::from_millis(10));
        }
        // What was done before is still there, and was not done again unless its content changed.
        let after = made_at(&out);
        progressed += usize::from(after != before);
        for (recording, (content, at)) in &before {
            let (content_now, at_now) = &after[recording];
            assert!(content != content_now || at == at_now, "{recording} was checked again for nothing");
        }
    }
    well(&screen(&folder, &out, &[]));
    let found = by_recording(&out);
    assert_eq!(found.len(), count as usize);
    for (recording, row) in &found {
        assert_eq!(row["row"], "not_judged", "{recording}: {}", row["explanation"]);
        let content = std::fs::read(folder.join(recording)).unwrap();
        assert_eq!(row["content_sha256"], sha256(&content), "{recording}");
        let report = out.join(&row["report"]);
        assert!(report.is_file());
        let json: serde_json::Value = serde_json::from_slice(&std::fs::read(report.with_file_name("call.json")).unwrap()).unwrap();
        assert!(json["not_judged"][0]["detail"].is_string());
    }
    assert_eq!(unfinished(&out), Vec::<PathBuf>::new());
    assert_eq!(std::fs::read_dir(out.join("reports")).unwrap().count(), count as usize);
    let twice: i64 = database(&out)
        .query_row(
            "SELECT count(*) - count(DISTINCT folder || char(0) || recording || char(0) || content_sha256) FROM result",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(twice, 0);
    println!("20 kills; {progressed} of the runs kept something new; {changes} recordings changed on the way");
    assert!(progressed >= 3, "the kills came before anything was done");
}

fn sha256(bytes: &[u8]) -> String {
    // An outside implementation: GNU coreutils.
    use std::io::Write;
    let mut child = Command::new("sha256sum")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(bytes).unwrap();
    let out = child.wait_with_output().unwrap().stdout;
    String::from_utf8_lossy(&out[..64]).into_owned()
}

#[test]
fn fifty_malformed_files_are_fifty_rows_and_the_good_ones_are_checked() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(&folder).unwrap();
    let mut random = ChaCha8Rng::seed_from_u64(50);
    let good = clip(1);
    let picture = {
        let path = scratch.path().join("p.png");
        ffmpeg(&["-f", "lavfi", "-i", "testsrc2=size=128x96", "-frames:v", "1"], &path);
        std::fs::read(path).unwrap()
    };
    for k in 0..50_usize {
        let (ending, bytes) = match k % 10 {
            0 => ("mp4", Vec::new()),
            1 => ("mp4", (0..2000).map(|_| random.random()).collect()),
            2 => ("mp4", good[..random.random_range(1..good.len() - 40)].to_vec()),
            3 => ("mov", b"this is a text".to_vec()),
            4 => ("png", picture[..random.random_range(8..picture.len() / 2)].to_vec()),
            5 => ("jpg", vec![0xff, 0xd8, 0xff, 0xe0, 0, 16]),
            6 => ("mkv", vec![0; 5000]),
            7 => ("png", {
                let mut damaged = picture.clone();
                // Width and height in the header, so that its check sum no longer holds (PNG specification, 11.2.2).
                damaged[16..24].fill(0xff);
                damaged
            }),
            8 => ("avi", b"RIFF\xff\xff\xff\xffAVI LIST".to_vec()),
            _ => ("mp4", {
                let mut damaged = good.clone();
                // The type of the second box and the sizes after it.
                damaged[36..60].fill_with(|| random.random());
                damaged
            }),
        };
        std::fs::write(folder.join(format!("bad-{k:02}.{ending}")), bytes).unwrap();
    }
    for k in 0..4 {
        std::fs::write(folder.join(format!("good-{k}.mp4")), clip(k)).unwrap();
    }
    well(&screen(&folder, &out, &[]));
    let found = by_recording(&out);
    assert_eq!(found.len(), 54);
    let mut kinds: BTreeMap<(bool, String), usize> = BTreeMap::new();
    for (name, row) in &found {
        assert!(!row["explanation"].is_empty(), "{name}");
        *kinds.entry((name.starts_with("bad"), row["row"].clone())).or_default() += 1;
        if name.starts_with("good") {
            assert_eq!(
                (row["row"].as_str(), row["not_judged_reason"].as_str()),
                ("not_judged", "no_person"),
                "{name}"
            );
        } else {
            // A damaged recording of which some frames can be read may be looked at; it is never a failure of ours.
            assert!(
                row["row"] == "refused" || row["row"] == "not_judged",
                "{name}: {} {}",
                row["row"],
                row["explanation"]
            );
        }
    }
    println!("{kinds:?}");
    assert!(kinds[&(true, "refused".to_string())] >= 40, "{kinds:?}");
    let again = well(&screen(&folder, &out, &[]));
    assert!(again.contains("0 checked now, 54 still held"), "{again}");
}

#[test]
fn hostile_names_come_through_whole() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening \"1\""), scratch.path().join("out"));
    let names: Vec<OsString> = [
        b"<script>alert(1)</script>.mp4".as_slice(),
        b"'quoted' \"twice\".mp4",
        b"two\nlines\r\n.mp4",
        b"not utf-8 \xff\xfe.mp4",
        b"not utf-8 \\xff\\xfe.mp4",
        b"-i.mp4",
        b"=1+1,\"x\";.mp4",
        b"%00 %2e%2e.mp4",
        b"file: http:x.mp4",
        "\u{6f22}\u{5b57} \u{202e}4pm.mp4".as_bytes(),
        b"$(touch pwned) `x` & | *.mp4",
    ]
    .into_iter()
    .map(|b| OsString::from_vec(b.to_vec()))
    .collect();
    let athlete = folder.join("</script><img src=x onerror=alert(1)>");
    std::fs::create_dir_all(&athlete).unwrap();
    for (k, name) in names.iter().enumerate() {
        // A closing tag has a slash in it and so makes a folder.
        let path = athlete.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, clip(k as u32)).unwrap();
    }
    well(&screen(&folder, &out, &[]));
    let found = by_recording(&out);
    assert_eq!(found.len(), names.len());
    for name in &names {
        let path = athlete.join(name);
        let relative = path.strip_prefix(&folder).unwrap();
        // Written down independently: backslash doubled, bytes that are not UTF-8 as \xNN.
        let text: String = relative
            .as_os_str()
            .as_bytes()
            .utf8_chunks()
            .flat_map(|c| {
                let mut s = c.valid().replace('\\', "\\\\");
                s.extend(c.invalid().iter().map(|b| format!("\\x{b:02x}")));
                s.chars().collect::<Vec<_>>()
            })
            .collect();
        let row = found
            .get(&text)
            .unwrap_or_else(|| panic!("{text:?} is missing: {:?}", found.keys()));
        assert_eq!(row["row"], "not_judged", "{text}");
        assert!(out.join(&row["report"]).is_file());
        assert!(
            row["report"].bytes().all(|b| b.is_ascii_alphanumeric() || b"-/.".contains(&b)),
            "{}",
            row["report"]
        );
    }
    assert!(!scratch.path().join("pwned").exists() && !Path::new("pwned").exists());
    let page = std::fs::read_to_string(out.join("index.html")).unwrap();
    assert_eq!(page.matches("<script").count(), 2, "the data and the page's own script");
    assert!(!page.contains("<img"));
    let again = well(&screen(&folder, &out, &[]));
    assert!(again.contains(&format!("0 checked now, {} still held", names.len())), "{again}");
}

#[test]
fn loops_links_hidden_files_and_own_results_are_passed_over() {
    use std::os::unix::fs::symlink;
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("evening");
    let deep = folder.join("a/b");
    std::fs::create_dir_all(&deep).unwrap();
    std::fs::write(deep.join("one.mp4"), clip(1)).unwrap();
    symlink("..", deep.join("up")).unwrap();
    symlink(&folder, folder.join("self")).unwrap();
    symlink("loop2", folder.join("loop1")).unwrap();
    symlink("loop1", folder.join("loop2")).unwrap();
    symlink("loop1", folder.join("endless.mp4")).unwrap();
    symlink(deep.join("one.mp4"), folder.join("same.mp4")).unwrap();
    symlink("nowhere.mp4", folder.join("broken.mp4")).unwrap();
    // A folder that only a link leads to is looked at; so is a recording.
    let elsewhere = scratch.path().join("elsewhere");
    std::fs::create_dir_all(&elsewhere).unwrap();
    std::fs::write(elsewhere.join("two.mp4"), clip(2)).unwrap();
    symlink(&elsewhere, folder.join("linked")).unwrap();
    std::fs::write(folder.join("._one.mp4"), b"resource fork").unwrap();
    std::fs::write(folder.join("notes.txt"), b"x").unwrap();
    let pipe = std::ffi::CString::new(folder.join("pipe.mp4").as_os_str().as_bytes()).unwrap();
    // SAFETY: a plain call of the C library with a string of our own.
    assert_eq!(unsafe { libc::mkfifo(pipe.as_ptr(), 0o600) }, 0);
    // The results lie inside the folder itself.
    let out = folder.join("results");
    let said = well(&screen(&folder, &out, &[]));
    let found = by_recording(&out);
    let names: Vec<&str> = found.keys().map(String::as_str).collect();
    assert_eq!(
        names,
        ["a/b/one.mp4", "broken.mp4", "endless.mp4", "linked/two.mp4", "pipe.mp4"],
        "{said}"
    );
    assert_eq!(found["a/b/one.mp4"]["row"], "not_judged");
    assert_eq!(found["linked/two.mp4"]["row"], "not_judged");
    assert!(found["broken.mp4"]["explanation"].contains("There is no file"));
    assert!(found["pipe.mp4"]["explanation"].contains("pipe"));
    assert!(said.contains("same.mp4 is a link to a recording"), "{said}");
    // The report's own pictures are no recordings of the next run.
    let again = well(&screen(&folder, &out, &[]));
    assert!(again.contains("5 recordings"), "{again}");
}

#[test]
fn only_what_changed_is_checked_again() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(folder.join("Lin/2026-03-01")).unwrap();
    for k in 0..4 {
        std::fs::write(folder.join(format!("Lin/2026-03-01/{k}.mp4")), clip(k)).unwrap();
    }
    well(&screen(&folder, &out, &[]));
    let first = by_recording(&out);
    assert_eq!(
        (
            first["Lin/2026-03-01/0.mp4"]["athlete"].as_str(),
            first["Lin/2026-03-01/0.mp4"]["session"].as_str()
        ),
        ("Lin", "2026-03-01")
    );
    let changed = |before: &BTreeMap<String, Row>| -> BTreeSet<String> {
        let now = by_recording(&out);
        now.iter()
            .filter(|(k, r)| before.get(*k).is_none_or(|b| b["checked_at"] != r["checked_at"]))
            .map(|(k, _)| k.clone())
            .collect()
    };
    // Touched, not changed.
    let path = folder.join("Lin/2026-03-01/1.mp4");
    std::fs::write(&path, clip(1)).unwrap();
    // Changed, one removed, one new.
    std::fs::write(folder.join("Lin/2026-03-01/2.mp4"), clip(22)).unwrap();
    std::fs::remove_file(folder.join("Lin/2026-03-01/3.mp4")).unwrap();
    std::fs::write(folder.join("Lin/2026-03-01/4.mp4"), clip(4)).unwrap();
    well(&screen(&folder, &out, &[]));
    let names = |these: &[&str]| these.iter().map(|n| format!("Lin/2026-03-01/{n}")).collect::<BTreeSet<_>>();
    assert_eq!(changed(&first), names(&["2.mp4", "4.mp4"]));
    let second = by_recording(&out);
    assert_eq!(second["Lin/2026-03-01/3.mp4"]["in_folder"], "false");
    assert_eq!(second["Lin/2026-03-01/2.mp4"]["in_folder"], "true");
    // A manifest that gives a stature to one recording, and a name to another.
    let manifest = scratch.path().join("m.csv");
    std::fs::write(
        &manifest,
        "recording,athlete,session,label,stature_m\nLin/2026-03-01/0.mp4,Lin,one,warm-up,1.66\nLin/2026-03-01/1.mp4,Mei,one,,\nLin/2026-03-01/2.mp4,,,,\nLin/2026-03-01/4.mp4,,,,\nnot-there.mp4,,,,\n",
    )
    .unwrap();
    let said = well(&screen(&folder, &out, &["--manifest", manifest.to_str().unwrap()]));
    assert!(said.contains("not-there.mp4, which is not there"), "{said}");
    assert_eq!(changed(&second), names(&["0.mp4"]));
    let third = by_recording(&out);
    assert_eq!(
        (
            third["Lin/2026-03-01/1.mp4"]["athlete"].as_str(),
            third["Lin/2026-03-01/0.mp4"]["label"].as_str()
        ),
        ("Mei", "warm-up")
    );
    // Other rules: everything.
    let rules = scratch.path().join("rules.toml");
    let shipped = program().args(["rules", "--file"]).output().unwrap().stdout;
    std::fs::write(
        &rules,
        String::from_utf8(shipped)
            .unwrap()
            .replace("tolerance_mm = 15.0", "tolerance_mm = 20.0"),
    )
    .unwrap();
    well(&screen(
        &folder,
        &out,
        &["--manifest", manifest.to_str().unwrap(), "--rules", rules.to_str().unwrap()],
    ));
    assert_eq!(changed(&third), names(&["0.mp4", "1.mp4", "2.mp4", "4.mp4"]));
    // The history has every result.
    let results: i64 = database(&out).query_row("SELECT count(*) FROM result", [], |r| r.get(0)).unwrap();
    assert_eq!(results, 4 + 2 + 1 + 4);
    // A recording under another name keeps its result; a copy is a recording of its own.
    let more = ["--manifest", manifest.to_str().unwrap(), "--rules", rules.to_str().unwrap()];
    let fourth = by_recording(&out);
    let at = |name: &str| folder.join("Lin/2026-03-01").join(name);
    std::fs::rename(at("4.mp4"), at("final.mp4")).unwrap();
    std::fs::copy(at("2.mp4"), at("2-copy.mp4")).unwrap();
    let with_names = format!(
        "{}Lin/2026-03-01/final.mp4,,,,\nLin/2026-03-01/2-copy.mp4,,,,\n",
        std::fs::read_to_string(&manifest).unwrap()
    );
    std::fs::write(&manifest, with_names).unwrap();
    let said = well(&screen(&folder, &out, &more));
    assert!(said.contains("1 checked now, 4 still held"), "{said}");
    assert!(said.contains("final.mp4 is Lin/2026-03-01/4.mp4 under a new name"), "{said}");
    let fifth = by_recording(&out);
    assert_eq!(
        fifth["Lin/2026-03-01/final.mp4"]["checked_at"],
        fourth["Lin/2026-03-01/4.mp4"]["checked_at"]
    );
    assert!(!fifth.contains_key("Lin/2026-03-01/4.mp4") && fifth.contains_key("Lin/2026-03-01/2-copy.mp4"));
    assert!(well(&screen(&folder, &out, &more)).contains("0 checked now, 5 still held"));
    std::fs::remove_file(at("2-copy.mp4")).unwrap();
    // A report that was thrown away is made again.
    let report = out.join(&by_recording(&out)["Lin/2026-03-01/0.mp4"]["report"]);
    std::fs::remove_file(&report).unwrap();
    assert!(well(&screen(&folder, &out, &more)).contains("1 checked now, 3 still held"));
    assert!(report.is_file());
}

#[test]
fn shards_run_side_by_side_and_merging_twice_changes_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out, whole) = (
        scratch.path().join("evening"),
        scratch.path().join("out"),
        scratch.path().join("whole"),
    );
    std::fs::create_dir_all(&folder).unwrap();
    for k in 0..9 {
        std::fs::write(folder.join(format!("{k}.mp4")), clip(k)).unwrap();
    }
    std::fs::write(folder.join("broken.mp4"), b"x").unwrap();
    let merge = || program().args(["screen", "--merge", "--out"]).arg(&out).output().unwrap();
    let early = merge();
    assert_eq!(early.status.code(), Some(2));
    let runs: Vec<_> = (1..=3)
        .map(|i| {
            program()
                .args(["screen", "--jobs", "1", "--shard", &format!("{i}/3"), "--out"])
                .arg(&out)
                .arg(&folder)
                .stdin(Stdio::null())
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    for run in runs {
        well(&run.wait_with_output().unwrap());
    }
    assert!(!out.join("screen.csv").exists());
    well(&merge());
    let files = ["screen.csv", "screen.parquet", "screen.schema.json", "index.html"];
    let once: Vec<Vec<u8>> = files.iter().map(|f| std::fs::read(out.join(f)).unwrap()).collect();
    let counted = |c: &rusqlite::Connection| -> (i64, i64, i64, i64) {
        let count = |table: &str| c.query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0)).unwrap();
        (count("result"), count("recording"), count("run"), count("note"))
    };
    let before = counted(&database(&out));
    well(&merge());
    for (name, bytes) in files.iter().zip(&once) {
        assert!(&std::fs::read(out.join(name)).unwrap() == bytes, "{name} changed by merging again");
    }
    assert_eq!(counted(&database(&out)), before);
    // The same rows as one run of everything.
    well(&screen(&folder, &whole, &[]));
    let strip = |out: &Path| -> Vec<Row> {
        rows(out)
            .into_iter()
            .map(|mut r| {
                r.remove("checked_at");
                r.remove("check_seconds");
                r
            })
            .collect()
    };
    assert_eq!(strip(&out), strip(&whole));
    // After merging, neither a run of everything nor one of a shard does anything again.
    assert!(well(&screen(&folder, &out, &[])).contains("0 checked now, 10 still held"));
    std::fs::remove_dir_all(out.join("shards")).unwrap();
    assert!(well(&screen(&folder, &out, &["--shard", "1/2"])).contains(" 0 checked now"));
}

#[test]
fn a_worker_that_falls_or_grows_is_a_row_and_is_tried_again() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(&folder).unwrap();
    for k in 0..3 {
        std::fs::write(folder.join(format!("{k}.mp4")), clip(k)).unwrap();
    }
    // No check fits into so little.
    let all_failed = screen(&folder, &out, &["--memory", "0.01", "--jobs", "1"]);
    assert_eq!(all_failed.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&all_failed.stderr).contains("Every check failed"));
    let found = by_recording(&out);
    assert!(
        found
            .values()
            .all(|r| r["row"] == "failed" && r["explanation"].contains("more than 0.0 GiB of memory")),
        "{found:?}"
    );
    // The only worker is killed as soon as it is seen to be at work.
    let mut run = program()
        .args(["screen", "--jobs", "1", "--out"])
        .arg(&out)
        .arg(&folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let since = Instant::now();
    'wait: loop {
        assert!(since.elapsed() < Duration::from_secs(60), "no worker was seen decoding");
        for worker in children(run.id()) {
            if !children(worker).is_empty() {
                // SAFETY: a plain call of the C library on a process that this test's own run started.
                unsafe { libc::kill(worker as libc::pid_t, libc::SIGKILL) };
                break 'wait;
            }
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(run.wait().unwrap().success());
    let found = by_recording(&out);
    let failed: Vec<&Row> = found.values().filter(|r| r["row"] == "failed").collect();
    assert_eq!(failed.len(), 1, "{found:?}");
    assert!(failed[0]["explanation"].contains("signal 9"), "{}", failed[0]["explanation"]);
    assert!(well(&screen(&folder, &out, &[])).contains("1 checked now, 2 still held"));
    assert!(by_recording(&out).values().all(|r| r["row"] == "not_judged"));
}

#[test]
fn an_interrupt_leaves_whole_tables_and_a_second_run_is_kept_out() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(&folder).unwrap();
    for k in 0..30 {
        std::fs::write(folder.join(format!("{k:02}.mp4")), clip(k)).unwrap();
    }
    let run = program()
        .args(["screen", "--jobs", "1", "--out"])
        .arg(&out)
        .arg(&folder)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let since = Instant::now();
    while !out.join("reports").is_dir() {
        assert!(since.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(5));
    }
    let second = screen(&folder, &out, &[]);
    assert_eq!(second.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&second.stderr).contains("Another screen"));
    // SAFETY: a plain call of the C library on a process that this test started.
    unsafe { libc::kill(run.id() as libc::pid_t, libc::SIGINT) };
    let output = run.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("start the same command again"), "{said}");
    let done = by_recording(&out).len();
    assert!(done < 30, "it was over before the interrupt");
    let again = well(&screen(&folder, &out, &[]));
    assert!(again.contains(&format!("{} checked now, {done} still held", 30 - done)), "{again}");
}

/// As a user who may not write there; root may write everywhere.
fn as_nobody(command: &mut Command) -> &mut Command {
    // SAFETY: a plain call of the C library without arguments.
    if unsafe { libc::geteuid() } == 0 {
        command.uid(65534).gid(65534);
    }
    command
}

#[test]
fn a_folder_of_recordings_may_be_read_only_and_a_results_folder_may_not() {
    use std::os::unix::fs::PermissionsExt;
    let scratch = tempfile::tempdir().unwrap();
    std::fs::set_permissions(scratch.path(), std::fs::Permissions::from_mode(0o777)).unwrap();
    let folder = scratch.path().join("evening");
    std::fs::create_dir_all(folder.join("closed")).unwrap();
    std::fs::write(folder.join("a.mp4"), clip(1)).unwrap();
    std::fs::write(folder.join("secret.mp4"), clip(2)).unwrap();
    std::fs::set_permissions(folder.join("secret.mp4"), std::fs::Permissions::from_mode(0o000)).unwrap();
    std::fs::set_permissions(folder.join("closed"), std::fs::Permissions::from_mode(0o000)).unwrap();
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o555)).unwrap();
    let out = scratch.path().join("out");
    let run = |out: &Path| {
        as_nobody(program().arg("screen").arg(&folder).arg("--out").arg(out).stdin(Stdio::null()))
            .output()
            .unwrap()
    };
    let said = well(&run(&out));
    assert!(said.contains("The folder closed cannot be read"), "{said}");
    let found = by_recording(&out);
    assert_eq!(found["a.mp4"]["row"], "not_judged");
    assert_eq!(found["secret.mp4"]["row"], "refused");
    assert!(
        found["secret.mp4"]["explanation"].contains("may not be read"),
        "{}",
        found["secret.mp4"]["explanation"]
    );
    let inside = run(&folder.join("out"));
    let said = String::from_utf8_lossy(&inside.stderr).into_owned();
    assert_eq!(inside.status.code(), Some(2), "{said}");
    assert!(said.contains("choose an output folder"), "{said}");
    std::fs::set_permissions(folder.join("closed"), std::fs::Permissions::from_mode(0o700)).unwrap();
    std::fs::set_permissions(&folder, std::fs::Permissions::from_mode(0o755)).unwrap();
}

/// The operating system's limit on the size of a file stands in for the full disk: it fails the same calls.
#[test]
fn a_disk_that_fills_up_ends_the_run_and_loses_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let (folder, out) = (scratch.path().join("evening"), scratch.path().join("out"));
    std::fs::create_dir_all(&folder).unwrap();
    for k in 0..2 {
        std::fs::write(folder.join(format!("{k}.mp4")), clip(k)).unwrap();
    }
    well(&screen(&folder, &out, &[]));
    let kept = |name: &str| std::fs::read(out.join(name)).unwrap();
    let before: Vec<Vec<u8>> = ["screen.csv", "screen.parquet", "index.html"].iter().map(|n| kept(n)).collect();
    for k in 2..6 {
        std::fs::write(folder.join(format!("{k}.mp4")), clip(k)).unwrap();
    }
    for limit in [0_u64, 700, 6_000, 30_000] {
        let mut command = program();
        command.arg("screen").arg(&folder).arg("--out").arg(&out).stdin(Stdio::null());
        // SAFETY: between fork and exec only async-signal-safe calls are made.
        unsafe {
            command.pre_exec(move || {
                let limit = libc::rlimit {
                    rlim_cur: limit,
                    rlim_max: limit,
                };
                libc::setrlimit(libc::RLIMIT_FSIZE, &limit);
                libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
                Ok(())
            });
        }
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "limit {limit}: {said}");
        assert!(
            said.contains("disk is full") || said.contains("free some space"),
            "limit {limit}: {said}"
        );
        for (name, bytes) in ["screen.csv", "screen.parquet", "index.html"].iter().zip(&before) {
            let now = kept(name);
            // Whole and new, or as before.
            assert!(
                now == *bytes || (*name != "index.html" && limit > 6_000),
                "limit {limit}: {name} was damaged"
            );
        }
        database(&out);
    }
    let said = well(&screen(&folder, &out, &[]));
    assert!(said.contains("0 cannot be used, 0 failed"), "{said}");
    let found = by_recording(&out);
    assert_eq!(found.len(), 6);
    assert!(found.values().all(|r| r["row"] == "not_judged"));
    assert_eq!(unfinished(&out), Vec::<PathBuf>::new());
}

#[test]
fn bad_use_gets_a_sentence() {
    let scratch = tempfile::tempdir().unwrap();
    let out = scratch.path().join("out");
    let cases: [(&[&OsStr], &str); 4] = [
        (&[OsStr::new("nowhere")], "cannot be opened"),
        (&[OsStr::new("Cargo.toml")], "is not a folder"),
        (&[OsStr::new("src"), OsStr::new("--shard"), OsStr::new("3/2")], "I/N"),
        (
            &[OsStr::new("src"), OsStr::new("--folders"), OsStr::new("club")],
            "athlete, session",
        ),
    ];
    for (arguments, word) in cases {
        let output = program()
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .args(["screen", "--out"])
            .arg(&out)
            .args(arguments)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(word), "{said}");
    }
}
