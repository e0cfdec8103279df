//! `shankline check`.

use crate::check::{CarpetUse, CheckOptions, Eyes, LegChoice, Opened, SheetUse};
use crate::cli::arguments::{CheckArguments, LegArgument};
use crate::cli::{print, says};
use crate::error::{Error, Result};
use crate::floor::marks::FloorFile;
use crate::outcome::Outcome;
use crate::report;
use crate::rules::RuleProfile;
use crate::types::Leg;
use std::collections::HashSet;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Runs the command.
///
/// # Errors
/// The first input's or option's error; inputs before it are checked and their reports kept.
pub fn run(arguments: &CheckArguments) -> Result<()> {
    let mut options = options(
        arguments.floor.as_deref(),
        arguments.stature,
        arguments.leg,
        arguments.rules.as_deref(),
        arguments.athlete,
    )?;
    options.sheet = if arguments.ignore_sheet {
        SheetUse::Ignore
    } else {
        SheetUse::Find(arguments.sheet_line_mm)
    };
    options.carpet = arguments.carpet_lines.map_or(CarpetUse::Ignore, CarpetUse::Find);
    options.rules.movement.required_turn_deg = arguments.turn.or(options.rules.movement.required_turn_deg);
    options.rules.movement.slow_motion_factor = arguments.slow_motion.or(options.rules.movement.slow_motion_factor);
    let json_to_stdout = arguments.json.as_deref() == Some(Path::new("-"));
    if let Some(target) = arguments.json.as_deref().filter(|_| !json_to_stdout) {
        report::can_write_file(target)?;
    }
    // Opened with the first input that can be read: a wrong path should not wait for the networks.
    let mut eyes = None;
    let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let mut answers = Vec::new();
    let mut taken = HashSet::new();
    let mut failed = None;
    for input in &arguments.input {
        match one(input, arguments, &options, &mut eyes, &mut taken) {
            Ok((outcome, page)) => {
                print(&says::lines(&outcome, &page, colour), !json_to_stdout)?;
                answers.push(outcome);
            }
            Err(e) if arguments.input.len() > 1 => {
                eprintln!("shankline: {}: {e}", input.display());
                failed.get_or_insert(e);
            }
            Err(e) => return Err(e),
        }
    }
    if let Some(target) = arguments.json.as_ref().filter(|_| !answers.is_empty()) {
        write_json(&answers, arguments.input.len() == 1, target)?;
    }
    match failed {
        Some(e) => Err(match e {
            Error::Input(_) => Error::input("Some inputs could not be checked; each is named above."),
            Error::Ours(_) => Error::ours("Some inputs could not be checked; each is named above."),
        }),
        None => Ok(()),
    }
}

/// What a check is told, from the command line's words.
///
/// # Errors
/// [`Error::Input`] where the floor file or the rule file cannot be used.
pub(crate) fn options(
    floor: Option<&Path>,
    stature_m: Option<f64>,
    leg: LegArgument,
    rules: Option<&Path>,
    athlete: Option<[f64; 2]>,
) -> Result<CheckOptions> {
    Ok(CheckOptions {
        floor: floor.map(FloorFile::read).transpose()?,
        stature_m,
        leg: match leg {
            LegArgument::Auto => LegChoice::Auto,
            LegArgument::Left => LegChoice::Given(Leg::Left),
            LegArgument::Right => LegChoice::Given(Leg::Right),
        },
        rules: RuleProfile::of(rules)?,
        athlete,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    })
}

fn one(
    input: &Path,
    arguments: &CheckArguments,
    options: &CheckOptions,
    eyes: &mut Option<Eyes>,
    taken: &mut HashSet<PathBuf>,
) -> Result<(Outcome, PathBuf)> {
    let opened = Opened::new(input, options)?;
    let folder = folder_for(input, arguments, taken);
    report::can_write(&folder)?;
    let eyes = match eyes {
        Some(eyes) => eyes,
        None => eyes.insert(Eyes::open(&crate::pose::models::default_folder()?)?),
    };
    let bar = std::io::stderr().is_terminal().then(|| {
        let bar = indicatif::ProgressBar::no_length();
        if let Ok(style) = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len} frames, {eta} left") {
            bar.set_style(style);
        }
        bar.set_message(input.file_name().map_or(String::new(), |n| n.to_string_lossy().into_owned()));
        bar
    });
    let checked = opened.check(options, eyes, &mut |done, expected| {
        if let Some(bar) = &bar {
            advance(bar, done, expected);
        }
    });
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    let checked = checked?;
    let written = report::write(&checked.outcome, &checked.pictures, &folder)?;
    Ok((checked.outcome, written.report_html))
}

/// Moves a progress bar.
pub(crate) fn advance(bar: &indicatif::ProgressBar, done: u64, expected: Option<u64>) {
    if let Some(expected) = expected {
        bar.set_length(expected);
    }
    bar.set_position(done);
}

/// The report's folder: as told, else `reports/` and the input's name; several inputs of one name get a number.
fn folder_for(input: &Path, arguments: &CheckArguments, taken: &mut HashSet<PathBuf>) -> PathBuf {
    let name = input.file_stem().map_or_else(|| "input".into(), |n| n.to_os_string());
    let base = match (&arguments.out, arguments.input.len()) {
        (Some(out), 1) => out.clone(),
        (Some(out), _) => out.join(&name),
        (None, _) => Path::new("reports").join(&name),
    };
    let mut folder = base.clone();
    let mut k = 2;
    while !taken.insert(folder.clone()) {
        let mut numbered = base.clone().into_os_string();
        numbered.push(format!("-{k}"));
        folder = numbered.into();
        k += 1;
    }
    folder
}

/// `alone`: one input was given, and its JSON may take several lines.
fn write_json(answers: &[Outcome], alone: bool, target: &Path) -> Result<()> {
    let mut text = String::new();
    for a in answers {
        let json = if alone {
            serde_json::to_string_pretty(a)
        } else {
            serde_json::to_string(a)
        };
        text.push_str(&json.map_err(|e| Error::ours(format!("The answer cannot be written as JSON ({e}).")))?);
        text.push('\n');
    }
    if target == Path::new("-") {
        return print(&text, true);
    }
    report::write_whole(target, text.as_bytes())
}
