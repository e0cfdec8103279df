//! `shankline join`.

use crate::check::Eyes;
use crate::cli::arguments::JoinArguments;
use crate::cli::{check, print, says};
use crate::error::{Error, Result};
use crate::floor::marks::FloorFile;
use crate::join::outcome::{AlignedBy, JoinedOutcome};
use crate::join::{self, input, Input};
use crate::report::{self, quantity};
use std::fmt::Write as _;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Runs the command.
///
/// # Errors
/// [`Error::Input`] where an input or option cannot be used, [`Error::Ours`] where a part of the program fails.
pub fn run(arguments: &JoinArguments) -> Result<()> {
    let options = check::options(None, arguments.stature, arguments.leg, arguments.rules.as_deref(), None)?;
    let inputs = inputs(arguments)?;
    let json_to_stdout = arguments.json.as_deref() == Some(Path::new("-"));
    if let Some(target) = arguments.json.as_deref().filter(|_| !json_to_stdout) {
        report::can_write_file(target)?;
    }
    let folder = arguments.out.clone().unwrap_or_else(|| default_folder(&inputs));
    report::can_write(&folder)?;
    let mut eyes = Eyes::open(&crate::pose::models::default_folder()?)?;
    let bar = std::io::stderr().is_terminal().then(indicatif::ProgressBar::no_length);
    let joined = join::join(&inputs, &options, &mut eyes, &mut |view, done, expected| {
        if let Some(bar) = &bar {
            bar.set_message(format!("view {}", view + 1));
            check::advance(bar, done, expected);
        }
    });
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    let joined = joined?;
    let written = report::write_joined(&joined, &folder)?;
    if let Some(target) = &arguments.json {
        let text = std::fs::read_to_string(&written.call_json)
            .map_err(|e| Error::ours(format!("{} cannot be read back ({e}).", written.call_json.display())))?;
        if json_to_stdout {
            print(&text, true)?;
        } else {
            report::write_whole(target, text.as_bytes())?;
        }
    }
    let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    print(&lines(&joined.outcome, &written.report_html, colour), !json_to_stdout)
}

/// The views as asked for, with their floors.
fn inputs(arguments: &JoinArguments) -> Result<Vec<Input>> {
    let count = arguments.input.len();
    for (what, given) in [
        ("--floor", arguments.floor.len()),
        ("--athlete", arguments.athlete.len()),
        ("--slow-motion", arguments.slow_motion.len()),
    ] {
        if given != 0 && given != count {
            return Err(Error::input(format!(
                "{what} was given {given} times for {count} inputs: give it once for each, in their order{}.",
                if what == "--floor" { " (`-` for none)" } else { "" }
            )));
        }
    }
    let mut inputs = Vec::new();
    for (k, argument) in arguments.input.iter().enumerate() {
        let (path, range_s) = input::split(argument)?;
        let floor = match arguments.floor.get(k) {
            Some(given) if given == Path::new("-") => None,
            Some(given) => Some(given.clone()),
            None => Some(path.with_extension("floor.json")).filter(|p| p.is_file()),
        };
        inputs.push(Input {
            path,
            range_s,
            floor: floor.as_deref().map(FloorFile::read).transpose()?,
            athlete: arguments.athlete.get(k).copied(),
            slower: arguments.slow_motion.get(k).copied(),
        });
    }
    let twice = |k: usize| {
        inputs[..k]
            .iter()
            .any(|i: &Input| i.path == inputs[k].path && i.range_s == inputs[k].range_s)
    };
    if let Some(k) = (1..count).find(|k| twice(*k)) {
        return Err(Error::input(format!(
            "{} was given twice: two views need two recordings, or two stretches of one (FILE@FROM-TO).",
            inputs[k].path.display()
        )));
    }
    Ok(inputs)
}

fn default_folder(inputs: &[Input]) -> PathBuf {
    let names: Vec<String> = inputs
        .iter()
        .take(3)
        .map(|i| {
            i.path
                .file_stem()
                .map_or_else(|| "input".to_string(), |n| n.to_string_lossy().into_owned())
        })
        .collect();
    Path::new("reports").join(names.join("+"))
}

/// The answer in a few lines.
fn lines(answer: &JoinedOutcome, page: &Path, colour: bool) -> String {
    let mut out = String::new();
    for (k, view) in answer.views.iter().enumerate() {
        let _ = writeln!(out, "view {}: {}", k + 1, view.input.path);
        for h in &view.holds {
            let _ = writeln!(
                out,
                "  alone: {}; smallest lift it shows: {:.0} mm at the heel, {:.0} mm from knee to ankle",
                h.call.words(),
                h.view.smallest_lift_mm.heel,
                h.view.smallest_lift_mm.calf
            );
        }
        for n in &view.not_judged {
            let _ = writeln!(out, "  alone not judged: {}", n.detail);
        }
        if let Some(a) = &view.alignment {
            let by = match a.by {
                AlignedBy::Motion => "motion",
                AlignedBy::Sound => "sound",
                AlignedBy::MotionAndSound => "motion and sound",
                AlignedBy::AssumedInstant => "assumption (photographs of one instant)",
                AlignedBy::Nothing => "nothing",
            };
            let _ = match a.by {
                AlignedBy::AssumedInstant | AlignedBy::Nothing => writeln!(out, "  aligned by {by}"),
                _ => writeln!(
                    out,
                    "  aligned by {by}: its clock reads {} (95 %) when view 1's reads 0; {:.2} times slower",
                    says::plain(quantity::with_unit(a.offset_s, a.offset_sd_s, "s")),
                    a.factor
                ),
            };
            for note in &a.notes {
                let _ = writeln!(out, "  note: {note}");
            }
        }
    }
    let _ = writeln!(out, "together:");
    let text = says::lines(&answer.outcome, page, colour);
    // The first line names the first input, which stands above; its warnings and floor are that view's.
    out.extend(text.lines().skip(1).filter(|l| !l.trim_start().starts_with("camera:")).map(|l| {
        format!(
            "{}\n",
            l.replacen("this view: smallest lift it can show", "all views: smallest lift they can show", 1)
        )
    }));
    out
}
