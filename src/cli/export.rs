//! `shankline export`: measurements for research.

use crate::check::{check_recording, CheckOptions, Eyes};
use crate::cli::arguments::{ExportArguments, LegArgument};
use crate::cli::check::options;
use crate::cli::print;
use crate::error::{Error, Result};
use crate::export::{ExportOptions, Exported, Exporter, Source};
use crate::outcome::{Outcome, SCHEMA_VERSION};
use crate::table::path_text;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Runs the command.
///
/// # Errors
/// The options' error, a folder that cannot be written, or that some inputs could not be exported (each is named on standard error).
pub fn run(arguments: &ExportArguments) -> Result<()> {
    let options = options(
        arguments.floor.as_deref(),
        arguments.stature,
        arguments.leg.unwrap_or(LegArgument::Auto),
        arguments.rules.as_deref(),
        arguments.athlete,
    )?;
    let mut exporter = Exporter::create(
        &arguments.out,
        ExportOptions {
            covariance: arguments.covariance,
            keypoints: arguments.keypoints,
            markers: arguments.markers,
        },
    )?;
    let mut eyes = None;
    let (mut exported, mut failed) = (0, None);
    for input in &arguments.input {
        match source(input, &options, &mut eyes).and_then(|s| exporter.add(&s)) {
            Ok(()) => exported += 1,
            Err(e) if arguments.input.len() > 1 && matches!(e, Error::Input(_)) => {
                eprintln!("shankline: {e}");
                failed.get_or_insert(());
            }
            Err(e) => return Err(e),
        }
    }
    if exported == 0 {
        return Err(Error::input("None of the inputs could be exported; each is named above."));
    }
    print(&lines(&exporter.finish()?), true)?;
    match failed {
        Some(()) => Err(Error::input("Some inputs could not be exported; each is named above.")),
        None => Ok(()),
    }
}

fn source(input: &Path, options: &CheckOptions, eyes: &mut Option<Eyes>) -> Result<Source> {
    let recording = path_text(input);
    if let Some(report) = earlier_report(input) {
        let unreadable = |why: String| {
            Error::input(format!(
                "The report {} cannot be read ({why}): check the recording anew.",
                report.display()
            ))
        };
        let text = std::fs::read_to_string(&report).map_err(|e| unreadable(e.to_string()))?;
        let outcome: Outcome = serde_json::from_str(&text).map_err(|e| unreadable(e.to_string()))?;
        if outcome.schema_version != SCHEMA_VERSION {
            return Err(unreadable(format!(
                "its layout has version {}, known is {SCHEMA_VERSION}",
                outcome.schema_version
            )));
        }
        return Ok(Source {
            recording: outcome.input.path.clone(),
            outcome,
            track: None,
            cameras: Vec::new(),
            stature_m: None,
        });
    }
    let eyes = match eyes {
        Some(eyes) => eyes,
        None => eyes.insert(Eyes::open(&crate::pose::models::default_folder()?)?),
    };
    let checked = check_recording(input, options, eyes, &mut |_, _| {})?;
    Ok(Source {
        recording,
        outcome: checked.outcome,
        cameras: checked.parts.into_iter().map(|p| p.camera).collect(),
        track: Some(checked.track),
        stature_m: options.stature_m,
    })
}

/// The `call.json` that `input` names or holds, if it is a report and not a recording.
fn earlier_report(input: &Path) -> Option<PathBuf> {
    let inside = input.join("call.json");
    if inside.is_file() {
        Some(inside)
    } else {
        (input.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"))).then(|| input.to_path_buf())
    }
}

fn lines(exported: &Exported) -> String {
    let mut out = String::new();
    for note in &exported.notes {
        let _ = writeln!(out, "note: {note}");
    }
    for (name, rows) in &exported.tables {
        let _ = writeln!(out, "{name}.csv, {name}.parquet: {rows} rows");
    }
    for path in &exported.markers {
        let _ = writeln!(out, "{}", path.display());
    }
    let _ = writeln!(out, "data dictionary: {}", exported.dictionary.display());
    out
}
