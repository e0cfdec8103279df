//! Puts rendered pictures with a printed sheet, true camera and gaps known, through the whole program with each floor (sheet, marks, body) and prints the tables of
//! `docs/bench-sheet.md`.
//!
//!     cargo run --release --example measure_sheet -- FOLDER > tables.md
//!
//! FOLDER holds NAME.jpg, NAME.truth.json and NAME.floor.json (`scripts/bench/make_sheet_pictures.py`).

mod known;

use known::{median, number};
use shankline::check::{check_recording, CarpetUse, Eyes, SheetUse};
use shankline::outcome::FloorSource;
use shankline::pose::models::default_folder;
use std::path::PathBuf;

/// What one floor gave for one picture.
struct Row {
    floor: &'static str,
    elevation_deg: f64,
    /// See [`known::errors`].
    errors: [(f64, f64); 4],
    heel_sd_of_geometry_mm: f64,
    markers: usize,
}

fn main() -> shankline::Result<()> {
    let folder = PathBuf::from(std::env::args_os().nth(1).unwrap_or_default());
    let pictures = known::pictures(&folder)?;
    let mut eyes = Eyes::open(&default_folder()?)?;
    let mut rows = Vec::new();
    let mut seen = Vec::new();
    for picture in &pictures {
        let truth = known::truth_of(picture);
        for floor in ["sheet", "marks", "body"] {
            let sheet = if floor == "sheet" { SheetUse::Find(None) } else { SheetUse::Ignore };
            let Some(options) = known::options(picture, &truth, floor == "marks", sheet, CarpetUse::Ignore) else {
                continue;
            };
            let Ok(checked) = check_recording(picture, &options, &mut eyes, &mut |_, _| {}) else {
                continue;
            };
            let report = &checked.outcome.floor;
            let elevation = number(&truth["elevation_deg"]);
            if floor == "sheet" {
                let markers = report.sheet.as_ref().map_or(0, |s| s.markers);
                seen.push((elevation, markers));
                eprintln!(
                    "{}: {elevation:.0}°, {markers} markers, floor {:?}, {}",
                    picture.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
                    report.source,
                    report.notes.first().map_or("", |n| n.as_str())
                );
                if report.source != FloorSource::Sheet {
                    continue;
                }
            }
            let Some(errors) = known::errors(&checked, &truth) else {
                continue;
            };
            rows.push(Row {
                floor,
                elevation_deg: elevation,
                errors,
                heel_sd_of_geometry_mm: checked.parts[0]
                    .geometry
                    .as_ref()
                    .map_or(f64::NAN, |g| g.sd_mm(shankline::types::Station::Heel)),
                markers: report.sheet.as_ref().map_or(0, |s| s.markers),
            });
        }
    }
    let classes = [("under 14°", 0.0, 14.0), ("14–22°", 14.0, 22.0), ("22° and over", 22.0, 91.0)];
    println!("| camera over the carpet | pictures | sheet used | markers measured (median of used) |\n| --- | --- | --- | --- |");
    for (name, low, high) in classes {
        let here: Vec<usize> = seen.iter().filter(|s| s.0 >= low && s.0 < high).map(|s| s.1).collect();
        let used: Vec<f64> = here.iter().filter(|m| **m > 0).map(|m| *m as f64).collect();
        println!("| {name} | {} | {} | {:.0} |", here.len(), used.len(), median(used.clone()));
    }
    println!("\nErrors: median of absolute, then how many of the 95 % intervals hold the truth.\n");
    println!("| camera over the carpet | floor | pictures | elevation, ° | | camera height, % | | focal length, % | | heel gap, mm | | heel sd of the geometry, mm | heel sd, mm |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (name, low, high) in classes {
        for floor in ["sheet", "marks", "body"] {
            let here: Vec<&Row> = rows
                .iter()
                .filter(|r| r.floor == floor && r.elevation_deg >= low && r.elevation_deg < high)
                .collect();
            let mut line = format!("| {name} | {floor} | {} |", here.len());
            line += &known::cells(&here.iter().map(|r| r.errors).collect::<Vec<_>>());
            line += &format!(
                " {:.0} | {:.1} |",
                median(here.iter().map(|r| r.heel_sd_of_geometry_mm).collect()),
                median(here.iter().map(|r| r.errors[3].1).collect())
            );
            println!("{line}");
        }
    }
    let few = rows.iter().filter(|r| r.floor == "sheet" && r.markers < 4).count();
    println!("\nWith fewer than four markers: {few} pictures.");
    Ok(())
}
