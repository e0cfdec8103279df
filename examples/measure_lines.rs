//! Puts rendered pictures of carpets with and without their boundary line through the whole program with each floor (lines, marks, body) and prints the tables of
//! `docs/bench-lines.md`.
//!
//!     cargo run --release --example measure_lines -- FOLDER... > tables.md
//!
//! A FOLDER holds NAME.jpg, NAME.truth.json and NAME.floor.json (`scripts/bench/make_line_pictures.py`).

mod known;

use known::number;
use serde_json::Value;
use shankline::check::{check_recording, CarpetUse, Eyes, SheetUse};
use shankline::floor::camera::FloorCamera;
use shankline::floor::lines::CarpetSize;
use shankline::outcome::LinesReport;
use shankline::pose::models::default_folder;
use shankline::statistics::wilson::Count;
use shankline::types::{CarpetPoint, ImagePoint};
use std::path::PathBuf;

/// What one floor gave for one picture.
struct Row {
    floor: &'static str,
    class: usize,
    /// Whether the lines were used in this picture, with so many sides.
    sides: usize,
    /// See [`known::errors`].
    errors: [(f64, f64); 4],
}

/// One picture, as the lines took it.
struct Taken {
    other: bool,
    class: usize,
    /// Sides of which more than a tenth of the picture's width shows.
    in_view: usize,
    judged: bool,
    sides: usize,
    false_side: bool,
    camera_off: bool,
}

const CLASSES: [(&str, f64); 3] = [("under 10°", 10.0), ("10–22°", 22.0), ("22° and over", 91.0)];
/// A line taken for a side must lie this near to a true one, px.
const SIDE_PX: f64 = 4.0;
/// A camera is off where an error exceeds this many stated standard deviations.
const OFF_SD: f64 = 3.0;

/// Middles of the true rectangle's line, each side as image points in the picture.
fn true_sides(truth: &Value, camera: &FloorCamera) -> Vec<Vec<ImagePoint>> {
    let r = &truth["rectangle_m"];
    if r.is_null() {
        return Vec::new();
    }
    let half = 0.5 * number(&truth["line_m"]);
    let [x0, y0, x1, y1] = [0, 1, 2, 3].map(|k| number(&r[k]) + if k < 2 { half } else { -half });
    let corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)];
    let [w, h] = camera.image_size.map(|s| s as f64);
    (0..4)
        .map(|k| {
            let (a, b) = (corners[k], corners[(k + 1) % 4]);
            (0..=400)
                .filter_map(|i| {
                    let t = f64::from(i) / 400.0;
                    camera.project(CarpetPoint::new(a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1), 0.0))
                })
                .filter(|p| p.u > 0.0 && p.v > 0.0 && p.u < w && p.v < h)
                .collect()
        })
        .collect()
}

fn length(line: &[ImagePoint]) -> f64 {
    line.windows(2).map(|w| w[0].distance_px(w[1])).sum()
}

/// Distance of a point from a polyline taken as a straight line.
fn off_line(line: &[ImagePoint], p: ImagePoint) -> f64 {
    let (Some(a), Some(b)) = (line.first(), line.last()) else {
        return f64::INFINITY;
    };
    let d = a.distance_px(*b);
    if d < 1.0 {
        return f64::INFINITY;
    }
    ((b.u - a.u) * (p.v - a.v) - (b.v - a.v) * (p.u - a.u)).abs() / d
}

fn false_side(report: &LinesReport, sides: &[Vec<ImagePoint>]) -> bool {
    report
        .found
        .iter()
        .any(|found| !sides.iter().any(|s| found.iter().all(|p| off_line(s, *p) < SIDE_PX)))
}

fn rate(part: usize, of: usize) -> String {
    let [low, high] = Count {
        of: part as u64,
        total: of as u64,
    }
    .wilson(0.95);
    format!("{part} of {of} ({:.1}–{:.1} %)", 100.0 * low, 100.0 * high)
}

fn main() -> shankline::Result<()> {
    let mut eyes = Eyes::open(&default_folder()?)?;
    let (mut rows, mut all) = (Vec::new(), Vec::new());
    let mut refusals: std::collections::BTreeMap<(bool, String), usize> = std::collections::BTreeMap::new();
    for folder in std::env::args_os().skip(1) {
        for picture in known::pictures(&PathBuf::from(folder))? {
            let truth = known::truth_of(&picture);
            let exact = known::true_camera(&truth);
            let sides = true_sides(&truth, &exact);
            let elevation = number(&truth["elevation_deg"]);
            let class = CLASSES.iter().position(|c| elevation < c.1).unwrap_or(2);
            let other = truth["kind"] != "boundary";
            let mut taken = Taken {
                other,
                class,
                in_view: sides.iter().filter(|s| length(s) > 0.1 * exact.image_size[0] as f64).count(),
                judged: false,
                sides: 0,
                false_side: false,
                camera_off: false,
            };
            for floor in ["lines", "marks", "body"] {
                // Of the pictures without the carpet only the guesses count; and what was not used needs no comparison.
                if floor != "lines" && (other || taken.sides == 0) {
                    continue;
                }
                let carpet = if floor == "lines" {
                    CarpetUse::Find(CarpetSize::default())
                } else {
                    CarpetUse::Ignore
                };
                let Some(options) = known::options(&picture, &truth, floor == "marks", SheetUse::Ignore, carpet) else {
                    continue;
                };
                let Ok(checked) = check_recording(&picture, &options, &mut eyes, &mut |_, _| {}) else {
                    continue;
                };
                let report = &checked.outcome.floor;
                let Some(errors) = known::errors(&checked, &truth) else {
                    continue;
                };
                if floor == "lines" {
                    taken.judged = true;
                    if let Some(lines) = &report.lines {
                        taken.sides = lines.sides;
                        taken.false_side = false_side(lines, &sides);
                        taken.camera_off = errors[..3].iter().any(|e| e.0.abs() > OFF_SD * e.1);
                    }
                    let said = report.notes.iter().find(|n| n.starts_with("The carpet's lines were looked for"));
                    if let Some(said) = said {
                        let why: String = said
                            .split(": ")
                            .nth(1)
                            .unwrap_or("")
                            .chars()
                            .filter(|c| !c.is_ascii_digit() && *c != '.')
                            .collect();
                        *refusals.entry((other, why)).or_default() += 1;
                    }
                    eprintln!(
                        "{}: {elevation:.0}°, {} sides in view, {} taken, confidence {:.4}{}{}; elevation {:+.2} ± {:.2}, ln height {:+.3} ± {:.3}, ln focal {:+.3} ± {:.3}",
                        picture.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
                        taken.in_view,
                        taken.sides,
                        report.lines.as_ref().map_or(0.0, |l| l.confidence),
                        if taken.false_side { ", FALSE SIDE" } else { "" },
                        if taken.camera_off { ", CAMERA OFF" } else { "" },
                        errors[0].0,
                        errors[0].1,
                        errors[1].0,
                        errors[1].1,
                        errors[2].0,
                        errors[2].1
                    );
                    if taken.sides == 0 {
                        continue;
                    }
                }
                if !other {
                    rows.push(Row {
                        floor,
                        class,
                        sides: taken.sides,
                        errors,
                    });
                }
            }
            all.push(taken);
        }
    }
    tables(&all, &rows, &refusals);
    Ok(())
}

fn tables(all: &[Taken], rows: &[Row], refusals: &std::collections::BTreeMap<(bool, String), usize>) {
    println!("| pictures | camera | pictures with a stance found | two sides or more over a tenth of the width in view | lines used | a line taken for a side that is none | camera off by over 3 standard deviations |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for other in [true, false] {
        for class in 0..4 {
            let here: Vec<&Taken> = all
                .iter()
                .filter(|t| t.other == other && (class == 3 || t.class == class) && t.judged)
                .collect();
            let used: Vec<&&Taken> = here.iter().filter(|t| t.sides > 0).collect();
            println!(
                "| {} | {} | {} | {} | {} | {} | {} |",
                if other { "no such carpet" } else { "carpet with its line" },
                CLASSES.get(class).map_or("all", |c| c.0),
                here.len(),
                if other {
                    "–".to_string()
                } else {
                    here.iter().filter(|t| t.in_view >= 2).count().to_string()
                },
                rate(used.len(), here.len()),
                rate(used.iter().filter(|t| t.false_side).count(), here.len()),
                rate(used.iter().filter(|t| t.camera_off).count(), here.len()),
            );
        }
    }
    println!("\nErrors in the pictures of the carpet in which the lines were used: median of absolute, then how many of the 95 % intervals hold the truth.\n");
    println!("| sides found | camera over the carpet | floor | pictures | elevation, ° | | camera height, % | | focal length, % | | heel gap, mm | |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (name, sides) in [("2", 2..3), ("3 or 4", 3..5)] {
        for class in 0..4 {
            for floor in ["lines", "marks", "body"] {
                let here: Vec<&Row> = rows
                    .iter()
                    .filter(|r| r.floor == floor && sides.contains(&r.sides) && (class == 3 || r.class == class))
                    .collect();
                if here.is_empty() {
                    continue;
                }
                let errors: Vec<_> = here.iter().map(|r| r.errors).collect();
                println!(
                    "| {name} | {} | {floor} | {} |{}",
                    CLASSES.get(class).map_or("all", |c| c.0),
                    here.len(),
                    known::cells(&errors)
                );
            }
        }
    }
    println!("\n| pictures | why the lines were not used | how often |\n| --- | --- | --- |");
    for ((other, why), n) in refusals {
        println!(
            "| {} | {why} | {n} |",
            if *other { "no such carpet" } else { "carpet with its line" }
        );
    }
}
