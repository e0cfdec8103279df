//! Tables for other programs, read back: export and screen as CSV (crate `csv`, RFC 4180) and Parquet (the Apache project's own reader), and the page of ten thousand rows.
//! More outside readers (pandas, polars, DuckDB, frictionless, ezc3d, c3d): `scripts/tables/check.py`, run by `scripts/test` where their environment is.

use crate::examples;

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field as Value;
use scraper::{Html, Selector};
use shankline::export::{ExportOptions, Exporter, MarkerFile, Source};
use shankline::outcome::Outcome;
use shankline::screen::{write_tables, Database, Entry, Key, State, Who};
use std::collections::BTreeMap;
use std::path::Path;

fn source(recording: &str, outcome: Outcome) -> Source {
    Source {
        recording: recording.to_string(),
        outcome,
        track: None,
        cameras: Vec::new(),
        stature_m: None,
    }
}

type Cells = Vec<BTreeMap<String, Option<String>>>;

fn csv_rows(path: &Path) -> Cells {
    let bytes = std::fs::read(path).unwrap();
    // RFC 4180, 2.1: lines end in CRLF.
    assert!(bytes.ends_with(b"\r\n"));
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_string).collect();
    reader
        .records()
        .map(|r| {
            let r = r.unwrap();
            names
                .iter()
                .cloned()
                .zip(r.iter().map(|v| (!v.is_empty()).then(|| v.to_string())))
                .collect()
        })
        .collect()
}

/// The same rows by the Parquet reader, numbers in the shortest form that reads back.
fn parquet_rows(path: &Path) -> Cells {
    let reader = SerializedFileReader::new(std::fs::File::open(path).unwrap()).unwrap();
    reader
        .get_row_iter(None)
        .unwrap()
        .map(|row| {
            row.unwrap()
                .get_column_iter()
                .map(|(name, value)| {
                    let text = match value {
                        Value::Null => None,
                        Value::Str(s) => Some(s.clone()),
                        Value::Double(v) => Some(v.to_string()),
                        Value::Long(v) => Some(v.to_string()),
                        Value::Bool(v) => Some(v.to_string()),
                        other => panic!("{name} is {other:?}"),
                    };
                    (name.clone(), text)
                })
                .collect()
        })
        .collect()
}

#[test]
fn an_export_reads_back_alike_from_csv_and_parquet() {
    let folder = tempfile::tempdir().unwrap();
    let hostile = "a \"b\", c\n\u{6f22}\\xff.mp4";
    let options = ExportOptions {
        covariance: true,
        ..ExportOptions::default()
    };
    let mut exporter = Exporter::create(folder.path(), options).unwrap();
    let outcomes = [
        examples::suspected(),
        examples::no_hold(),
        examples::several(),
        examples::photograph(),
    ];
    for (k, outcome) in outcomes.iter().enumerate() {
        let name = if k == 2 { hostile.to_string() } else { format!("{k}.mp4") };
        exporter.add(&source(&name, outcome.clone())).unwrap();
    }
    let exported = exporter.finish().unwrap();
    assert!(
        exported.notes.iter().all(|n| n.contains("keeps no covariance frame by frame")),
        "{:?}",
        exported.notes
    );
    let frames: usize = outcomes.iter().flat_map(|o| &o.holds).map(|h| h.frames.len()).sum();
    let holds: usize = outcomes.iter().map(|o| o.holds.len()).sum();
    for (name, rows) in [
        ("holds", 6 * holds),
        ("frames", 6 * frames),
        ("hold_covariance", 36 * holds),
        ("frame_covariance", 0),
    ] {
        let csv = csv_rows(&folder.path().join(format!("{name}.csv")));
        assert_eq!(csv.len(), rows, "{name}");
        assert!(exported
            .tables
            .contains(&(exported.tables.iter().find(|t| t.0 == name).unwrap().0, rows as u64)));
        assert!(
            csv == parquet_rows(&folder.path().join(format!("{name}.parquet"))),
            "{name} differs"
        );
    }
    let table = csv_rows(&folder.path().join("frames.csv"));
    let expected = &outcomes[2].holds[1].frames[4];
    let row = table
        .iter()
        .find(|r| {
            r["recording"].as_deref() == Some(hostile)
                && r["hold"].as_deref() == Some("2")
                && r["frame"] == Some(expected.index.to_string())
                && r["station"].as_deref() == Some("heel")
        })
        .unwrap();
    // Exactly: nothing is rounded on the way.
    assert_eq!(row["gap_mm"].as_ref().unwrap().parse::<f64>().unwrap(), expected.gap_mm[5]);
    assert_eq!(row["gap_sd_mm"].as_ref().unwrap().parse::<f64>().unwrap(), expected.sd_mm[5]);
    // The dictionary names the columns of every table in order.
    let package: serde_json::Value = serde_json::from_slice(&std::fs::read(&exported.dictionary).unwrap()).unwrap();
    for resource in package["resources"].as_array().unwrap() {
        let mut reader = csv::Reader::from_path(folder.path().join(resource["path"].as_str().unwrap())).unwrap();
        let named: Vec<&str> = resource["schema"]["fields"]
            .as_array()
            .unwrap()
            .iter()
            .map(|f| f["name"].as_str().unwrap())
            .collect();
        assert_eq!(reader.headers().unwrap().iter().collect::<Vec<_>>(), named);
    }
}

#[test]
fn an_earlier_report_has_no_keypoints_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let options = ExportOptions {
        keypoints: true,
        ..ExportOptions::default()
    };
    let mut exporter = Exporter::create(folder.path(), options).unwrap();
    let said = exporter.add(&source("a.mp4", examples::clear())).unwrap_err().to_string();
    assert!(said.contains("keeps no keypoints"), "{said}");
    drop(exporter);
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        0,
        "files of a table that was never finished"
    );
}

/// Source: The C3D File Format User Guide (c3d.org, from memory): key 0x50 in byte 2, parameters from block 2, data start in word 9, a negative scale for floating point, a
/// residual of −1 for a point that is not known.
#[test]
fn a_marker_file_is_laid_out_as_the_standard_says() {
    let file = MarkerFile {
        labels: vec!["A".into(), "LONGER".into()],
        rate_hz: 29.97,
        start_s: 1.5,
        frames: vec![
            vec![Some([1.0, 2.0, 3.0]), None],
            vec![Some([4.0, 5.0, 6.0]), Some([7.0, 8.0, 9.0])],
        ],
    };
    let bytes = file.bytes().unwrap();
    let word = |n: usize| u16::from_le_bytes([bytes[2 * n - 2], bytes[2 * n - 1]]);
    let float = |at: usize| f32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
    assert_eq!((bytes[0], bytes[1], word(2), word(4), word(5)), (2, 0x50, 2, 1, 2));
    assert!(float(12) < 0.0);
    assert_eq!(float(20), 29.97);
    assert_eq!((bytes.len() % 512, bytes[513], bytes[515]), (0, 0x50, 84));
    let data = 512 * (usize::from(word(9)) - 1);
    assert_eq!(usize::from(bytes[514]), usize::from(word(9)) - 2);
    let values: Vec<f32> = (0..16).map(|k| float(data + 4 * k)).collect();
    assert_eq!(values, [1., 2., 3., 0., 0., 0., 0., -1., 4., 5., 6., 0., 7., 8., 9., 0.]);
    let long = MarkerFile {
        frames: vec![vec![None, None]; 40_000],
        ..file
    };
    assert!(long.bytes().unwrap_err().contains("32767"));
}

fn stored(database: &Database, number: usize, outcome: Option<Outcome>, who: &Who, name: &str) {
    let entry = Entry {
        key: Key {
            folder: "evening".into(),
            recording: name.to_string(),
        },
        content_sha256: format!("{number:064x}"),
        version: "v".into(),
        state: if outcome.is_some() { State::Checked } else { State::Refused },
        reason: if outcome.is_some() {
            String::new()
        } else {
            format!("{name} is not a video this program can read.")
        },
        made_by: "shankline of a test".into(),
        seconds: 1.0,
        report: if outcome.is_some() {
            format!("reports/r-{number}")
        } else {
            String::new()
        },
        outcome,
    };
    database.keep(&entry, who, None).unwrap();
}

/// Results of many sessions. With SHANKLINE_REPORT_DIR set they stay there, to be looked at.
fn evening(folder: &Path, count: usize) -> u64 {
    let database = Database::open(&folder.join("screen.sqlite")).unwrap();
    let strip = |mut o: Outcome| {
        o.holds.iter_mut().for_each(|h| h.frames.clear());
        o.floor.grid.clear();
        o
    };
    let kinds = [
        examples::suspected(),
        examples::clear(),
        examples::high_camera(),
        examples::no_hold(),
        examples::several(),
    ]
    .map(strip);
    for k in 0..count {
        let athlete = format!("Athlete {:03}", k / 40);
        let who = Who {
            athlete: if k % 40 == 39 {
                "<img src=x onerror=alert(1)>".into()
            } else {
                athlete
            },
            session: format!("2026-{:02}-{:02}", 1 + (k % 40) / 10, 1 + (k % 10)),
            label: if k % 3 == 0 { "final".into() } else { String::new() },
            ..Who::default()
        };
        let mut outcome = kinds[k % 5].clone();
        for hold in &mut outcome.holds {
            for gap in &mut hold.gaps {
                gap.gap_mm += ((k * 7919) % 97) as f64 / 8.0 - 6.0;
            }
        }
        let name = if k % 11 == 3 {
            format!("{k}/</script><script>alert(1)</script>\"'&.mp4")
        } else {
            format!("{k}/stance.mp4")
        };
        stored(&database, k, (k % 50 != 17).then_some(outcome), &who, &name);
    }
    write_tables(&database, folder).unwrap()
}

#[test]
fn ten_thousand_recordings_make_one_table_and_one_page() {
    // Ten thousand results are flushed one by one; in memory that costs nothing.
    let scratch = ["/dev/shm", "/tmp"].iter().find_map(|d| tempfile::tempdir_in(d).ok()).unwrap();
    let kept = std::env::var_os("SHANKLINE_REPORT_DIR").map(|d| Path::new(&d).join("screen"));
    let folder = kept.as_deref().unwrap_or(scratch.path());
    std::fs::create_dir_all(folder).unwrap();
    let started = std::time::Instant::now();
    let rows = evening(folder, 10_000);
    println!("10 000 results kept and written in {:.1} s", started.elapsed().as_secs_f64());
    // Every fifth has two holds, less those that cannot be used.
    let refused = (0..10_000).filter(|k| k % 50 == 17).count();
    let two = (0..10_000).filter(|k| k % 5 == 4 && k % 50 != 17).count();
    assert_eq!(rows as usize, 10_000 + two);
    let table = csv_rows(&folder.join("screen.csv"));
    assert_eq!(table.len(), rows as usize);
    assert!(table == parquet_rows(&folder.join("screen.parquet")), "CSV and Parquet differ");
    assert_eq!(table.iter().filter(|r| r["row"].as_deref() == Some("refused")).count(), refused);
    assert!(table
        .iter()
        .all(|r| r["row"].as_deref() == Some("hold") || r["explanation"].is_some()));
    let text = std::fs::read_to_string(folder.join("index.html")).unwrap();
    println!("index.html has {:.1} MB", text.len() as f64 / 1e6);
    assert!(text.len() < 12_000_000);
    // The WHATWG parser sees two scripts, the data and the page's own, and nothing that a name brought along.
    let page = Html::parse_document(&text);
    let select = |css: &str| page.select(&Selector::parse(css).unwrap()).count();
    assert_eq!((select("script"), select("img"), select("#data")), (2, 0, 1));
    let data: serde_json::Value = serde_json::from_str(
        &page
            .select(&Selector::parse("#data").unwrap())
            .next()
            .unwrap()
            .text()
            .collect::<String>(),
    )
    .unwrap();
    assert_eq!(data["rows"].as_array().unwrap().len(), rows as usize);
    // Nothing is fetched: no address leads out of the folder.
    assert!(!text.contains("src=\"http") && !text.contains("href=\"http"));
    assert!(text.match_indices("url(").all(|(at, _)| text[at..].starts_with("url(#")));
    // One athlete by hand: the mean of the gaps at the heel in one session.
    let trend = data["trends"]
        .as_array()
        .unwrap()
        .iter()
        .find(|t| t["athlete"] == "Athlete 000")
        .unwrap();
    for session in trend["sessions"].as_array().unwrap() {
        let heels: Vec<f64> = table
            .iter()
            .filter(|r| r["athlete"].as_deref() == Some("Athlete 000") && r["session"].as_deref() == session["session"].as_str())
            .filter_map(|r| r["gap_heel_mm"].as_ref().map(|g| g.parse().unwrap()))
            .collect();
        assert_eq!(session["holds"].as_u64().unwrap() as usize, heels.len());
        if let Some(mean) = session["heel"]["gap_mm"].as_f64() {
            assert!((mean - heels.iter().sum::<f64>() / heels.len() as f64).abs() < 1e-3);
        }
    }
}
