//! One worker process: takes recordings one by one, checks them, writes their reports, and tells how each ended. It speaks JSON, a line at a time, on its standard input and
//! output; a recording that brings it down brings down nothing else.

use super::fingerprint::{content_sha256, Fingerprint};
use crate::check::{check_recording, CarpetUse, CheckOptions, Eyes, LegChoice, SheetUse};
use crate::error::{Error, Result};
use crate::floor::marks::FloorFile;
use crate::outcome::Outcome;
use crate::report;
use crate::rules::RuleProfile;
use crate::types::Leg;
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::io::{BufRead, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

/// A path as its bytes, since JSON knows only UTF-8.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct PathBytes(Vec<u8>);

impl PathBytes {
    pub(super) fn of(path: &Path) -> Self {
        Self(path.as_os_str().as_bytes().to_vec())
    }

    pub(super) fn path(&self) -> PathBuf {
        OsString::from_vec(self.0.clone()).into()
    }
}

/// What a worker is told once.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Setup {
    pub rules: Option<PathBytes>,
}

/// One recording to check.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Job {
    pub path: PathBytes,
    pub report: PathBytes,
    /// Content whose result by the same version is kept already.
    pub known_sha256: String,
    pub stature_m: Option<f64>,
    pub leg: Option<Leg>,
    pub floor: Option<PathBytes>,
}

/// What a worker says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) enum Word {
    /// The networks are open.
    Ready,
    /// The networks cannot be opened, or a report cannot be written: nothing more will come.
    Stopped { sentence: String, ours: bool },
    /// Frames done.
    Progress(u64),
    /// The content is the known one.
    Unchanged { fingerprint: Option<Fingerprint> },
    /// An answer; its report lies in its folder.
    Checked {
        content_sha256: String,
        fingerprint: Option<Fingerprint>,
        outcome: Box<Outcome>,
        seconds: f64,
    },
    /// No answer.
    NoAnswer {
        content_sha256: String,
        fingerprint: Option<Fingerprint>,
        reason: String,
        ours: bool,
        seconds: f64,
    },
}

fn say(word: &Word) {
    if let Ok(line) = serde_json::to_string(word) {
        let mut out = std::io::stdout().lock();
        // A closed pipe means that nobody listens any more.
        if writeln!(out, "{line}").and_then(|()| out.flush()).is_err() {
            std::process::exit(0);
        }
    }
}

/// Runs a worker until its standard input ends.
///
/// # Errors
/// [`Error::Ours`] where it is not spoken to as agreed.
pub fn work() -> Result<()> {
    let mut lines = std::io::stdin().lock().lines();
    let mut next = || -> Result<Option<String>> {
        lines
            .next()
            .transpose()
            .map_err(|e| Error::ours(format!("A worker cannot read what to do ({e}).")))
    };
    let misunderstood = |e: serde_json::Error| {
        Error::ours(format!(
            "A worker was told something that it does not understand ({e}); it is started by `shankline screen`, not by hand."
        ))
    };
    let Some(first) = next()? else { return Ok(()) };
    let setup: Setup = serde_json::from_str(&first).map_err(misunderstood)?;
    let opened = open(&setup);
    let (mut eyes, rules) = match opened {
        Ok(opened) => opened,
        Err(e) => {
            stopped(&e);
            return Ok(());
        }
    };
    say(&Word::Ready);
    while let Some(line) = next()? {
        let job: Job = serde_json::from_str(&line).map_err(misunderstood)?;
        match one(&job, &mut eyes, &rules) {
            Ok(word) => say(&word),
            Err(e) => {
                stopped(&e);
                return Ok(());
            }
        }
    }
    Ok(())
}

fn stopped(e: &Error) {
    say(&Word::Stopped {
        sentence: e.to_string(),
        ours: matches!(e, Error::Ours(_)),
    });
}

fn open(setup: &Setup) -> Result<(Eyes, RuleProfile)> {
    let rules = setup.rules.as_ref().map(PathBytes::path);
    let rules = RuleProfile::of(rules.as_deref())?;
    Ok((Eyes::open(&crate::pose::models::default_folder()?)?, rules))
}

/// Checks one recording. An error is one of the results folder, not of the recording.
fn one(job: &Job, eyes: &mut Eyes, rules: &RuleProfile) -> Result<Word> {
    let path = job.path.path();
    let started = std::time::Instant::now();
    let fingerprint = Fingerprint::of(&path);
    let content = content_sha256(&path);
    if !content.is_empty() && content == job.known_sha256 {
        return Ok(Word::Unchanged { fingerprint });
    }
    let no_answer = |e: Error| Word::NoAnswer {
        content_sha256: content.clone(),
        fingerprint,
        reason: short(&e.to_string(), &path),
        ours: matches!(e, Error::Ours(_)),
        seconds: started.elapsed().as_secs_f64(),
    };
    let floor = match job.floor.as_ref().map(|f| FloorFile::read(&f.path())).transpose() {
        Ok(floor) => floor,
        Err(e) => return Ok(no_answer(e)),
    };
    let options = CheckOptions {
        floor,
        stature_m: job.stature_m,
        leg: job.leg.map_or(LegChoice::Auto, LegChoice::Given),
        rules: rules.clone(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    let mut told = std::time::Instant::now();
    let checked = check_recording(&path, &options, eyes, &mut |done, _| {
        if told.elapsed().as_secs_f64() > 1.0 {
            told = std::time::Instant::now();
            say(&Word::Progress(done));
        }
    });
    let checked = match checked {
        Ok(checked) => checked,
        Err(e) => return Ok(no_answer(e)),
    };
    if Fingerprint::of(&path) != fingerprint {
        return Ok(no_answer(Error::ours(
            "The file changed while it was checked; it is checked again in the next run.",
        )));
    }
    let folder = job.report.path();
    remove_unfinished(&folder);
    remove_unfinished(&folder.join("stills"));
    report::write(&checked.outcome, &checked.pictures, &folder)?;
    let mut outcome = checked.outcome;
    for hold in &mut outcome.holds {
        hold.frames.clear();
    }
    outcome.floor.grid.clear();
    Ok(Word::Checked {
        content_sha256: content,
        fingerprint,
        outcome: Box::new(outcome),
        seconds: started.elapsed().as_secs_f64(),
    })
}

/// The reason with the recording's own name in place of its path, which the table has already and which says where on this machine it lies.
fn short(reason: &str, path: &Path) -> String {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    reason.replace(&*path.to_string_lossy(), &name)
}

/// Removes what a killed run left under temporary names.
pub(super) fn remove_unfinished(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        if entry.file_name().as_bytes().starts_with(b".unfinished-") {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}
