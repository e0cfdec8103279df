//! A run: what is there, what is known of it, what must be checked, and what came of it.

use super::database::{Database, Entry, Key, Known, State};
use super::fingerprint::{content_sha256, Fingerprint};
use super::lock::Lock;
use super::manifest::{Manifest, Who};
use super::memory;
use super::place::{report_name, shard_of};
use super::pool::{self, Came, Peak, PoolOptions};
use super::table::write_tables;
use super::walk::{walk, Found, DATABASE_NAME};
use super::worker::{remove_unfinished, Job, PathBytes, Setup, Word};
use crate::check::run::made_by;
use crate::error::{Error, Result};
use crate::hash::hex;
use crate::pose::models::{default_folder, ModelFolder};
use crate::rules::RuleProfile;
use crate::table::{make_folder, path_text};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Memory that a worker and its decoder are expected to need, bytes: measured 0.5 to 0.6 GiB on 1280 × 720 clips, more for larger ones.
const WORKER_BYTES: u64 = 1 << 30;

/// Table and page are written anew at least this often.
const REWRITE: Duration = Duration::from_secs(60);

/// One of several parts of a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which, from 1.
    pub number: u32,
    /// Of how many.
    pub count: u32,
}

impl Shard {
    /// From `2/5`.
    ///
    /// # Errors
    /// A sentence on what is wrong.
    pub fn parse(text: &str) -> std::result::Result<Self, String> {
        text.split_once('/')
            .and_then(|(i, n)| Some((i.trim().parse().ok()?, n.trim().parse().ok()?)))
            .filter(|(i, n): &(u32, u32)| *i >= 1 && i <= n)
            .map(|(number, count)| Self { number, count })
            .ok_or_else(|| "give I/N with I from 1 to N, such as 2/5".to_string())
    }

    /// Its folder in the results folder.
    pub(super) fn folder(self, out: &Path) -> PathBuf {
        out.join("shards").join(format!("{}-of-{}", self.number, self.count))
    }
}

/// What a run is told.
#[derive(Debug, Clone)]
pub struct ScreenOptions {
    /// Folders to screen.
    pub folders: Vec<PathBuf>,
    /// Results folder.
    pub out: PathBuf,
    /// Whose recordings they are.
    pub manifest: Manifest,
    /// Worker processes; as many as cores where not given.
    pub jobs: Option<usize>,
    /// Memory that all workers together may hold, bytes; three quarters of what is free where not given.
    pub memory_bytes: Option<u64>,
    /// Only this part of the recordings.
    pub shard: Option<Shard>,
    /// Rule profile.
    pub rules: Option<PathBuf>,
    /// Check everything again.
    pub again: bool,
}

/// How far a run is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Progress {
    /// Recordings done in this run.
    pub done: usize,
    /// Recordings to do in this run.
    pub total: usize,
    /// Bytes of the recordings done.
    pub bytes_done: u64,
    /// Bytes to do.
    pub bytes_total: u64,
    /// The recording just done and how it ended.
    pub last: Option<(String, String)>,
}

/// What came of a run.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Screened {
    /// Recordings found.
    pub found: usize,
    /// Results that still held.
    pub kept: usize,
    /// Checked with an answer.
    pub checked: usize,
    /// Recordings that cannot be used.
    pub refused: usize,
    /// Checks that failed.
    pub failed: usize,
    /// Why the first of them failed.
    pub first_failure: Option<String>,
    /// Recordings left undone because the run was stopped.
    pub left: usize,
    /// Rows of the table; `None` for a shard.
    pub rows: Option<u64>,
    /// What was passed over.
    pub notes: Vec<String>,
    /// Worker processes.
    pub workers: usize,
    /// Largest memory held by all workers together, bytes.
    pub peak_bytes: u64,
}

struct Task {
    key: Key,
    who: Who,
    version: String,
    made_by: String,
    report: String,
    bytes: u64,
}

/// Screens folders. `stop` may be set at any time, from a signal handler too; what is done is kept.
///
/// # Errors
/// The folders', the manifest's or the rules' error; a results folder that cannot be written. A broken recording is a row, not an error.
pub fn screen(options: &ScreenOptions, stop: &AtomicBool, progress: &mut dyn FnMut(&Progress)) -> Result<Screened> {
    let rules = RuleProfile::of(options.rules.as_deref())?;
    let (version, made_by) = version(&rules)?;
    let walked = walk(&options.folders, &options.out)?;
    let home = options.shard.map_or_else(|| options.out.clone(), |s| s.folder(&options.out));
    make_folder(&home)?;
    let _lock = Lock::take(&home.join(".screen.lock"))?;
    remove_unfinished(&home);
    let database = Database::open(&home.join(DATABASE_NAME))?;
    let whole = options.out.join(DATABASE_NAME);
    let earlier = (options.shard.is_some() && whole.is_file())
        .then(|| Database::open(&whole))
        .transpose()?;

    let mine: Vec<&Found> = walked
        .found
        .iter()
        .filter(|f| {
            options
                .shard
                .is_none_or(|s| shard_of(&f.folder, &f.relative, s.count) == s.number - 1)
        })
        .collect();
    let mut screened = Screened {
        found: mine.len(),
        notes: walked.notes.clone(),
        ..Screened::default()
    };
    for missing in options.manifest.missing(&walked.found) {
        screened.notes.push(format!("The manifest names {missing}, which is not there."));
    }

    let mut lost = gone(&database, &walked.found)?;
    // A shard does not see which recordings of the whole are there no longer.
    if options.shard.is_none() && !options.again {
        screened
            .notes
            .extend(follow_renamed(&database, &walked.found, &mut lost, &options.out)?);
    }
    let mut tasks = Vec::new();
    let mut jobs = Vec::new();
    let mut holding = Vec::new();
    for found in &mine {
        let key = Key {
            folder: found.folder.clone(),
            recording: path_text(&found.relative),
        };
        let who = options.manifest.who(&found.relative, &found.path).unwrap_or_else(|| {
            screened
                .notes
                .push(format!("The manifest does not name {}; it is checked as nobody's.", key.recording));
            Who::default()
        });
        let version = version_of(&version, &who);
        let report = format!("reports/{}", report_name(&found.folder, &found.relative));
        let fingerprint = Fingerprint::of(&found.path);
        let mut known_sha256 = String::new();
        let own = database.known(&key)?;
        let joined = match &earlier {
            Some(whole) if own.is_none() => whole.known(&key)?,
            _ => None,
        };
        if let Some(known) = own.as_ref().or(joined.as_ref()).filter(|k| !options.again && k.version == version) {
            let there = match known.state {
                State::Checked => has_report(&options.out, known),
                State::Refused => true,
                State::Failed => false,
            };
            if there && fingerprint.is_some() && known.fingerprint == fingerprint {
                screened.kept += 1;
                if own.is_some() {
                    holding.push((key, who, fingerprint));
                }
                continue;
            }
            if there && own.is_some() {
                known_sha256.clone_from(&known.content_sha256);
            }
        }
        jobs.push(Job {
            path: PathBytes::of(&std::path::absolute(&found.path).unwrap_or_else(|_| found.path.clone())),
            report: PathBytes::of(&std::path::absolute(options.out.join(&report)).unwrap_or_else(|_| options.out.join(&report))),
            known_sha256,
            stature_m: who.stature_m,
            leg: who.leg,
            floor: who.floor.as_deref().map(PathBytes::of),
        });
        tasks.push(Task {
            key,
            who,
            version,
            made_by: made_by.clone(),
            report,
            bytes: found.bytes,
        });
    }

    let run = run_name(options.shard);
    let shard = options.shard.map_or(String::new(), |s| format!("{}/{}", s.number, s.count));
    database.start_run(&run, &shard, &made_by, &screened.notes)?;
    database.still_holds(&holding)?;
    database.gone(&lost)?;

    let (workers, share_bytes) = workers(options, jobs.len());
    screened.workers = workers;
    let mut state = Progress {
        done: 0,
        total: tasks.len(),
        bytes_done: 0,
        bytes_total: tasks.iter().map(|t| t.bytes).sum(),
        last: None,
    };
    progress(&state);
    let peak = Peak::default();
    let setup = Setup {
        rules: options
            .rules
            .as_deref()
            .map(|p| PathBytes::of(&std::path::absolute(p).unwrap_or_else(|_| p.to_path_buf()))),
    };
    let pool_options = PoolOptions {
        workers,
        share_bytes,
        setup,
    };
    let mut rewrite = Rewrite::new();
    let ran = pool::run(jobs, &pool_options, stop, &peak, &mut |at, came| {
        let task = &tasks[at];
        let said = keep(&database, task, came, &mut screened)?;
        state.done += 1;
        state.bytes_done += task.bytes;
        state.last = Some((task.key.recording.clone(), said));
        progress(&state);
        if options.shard.is_none() && rewrite.is_due() {
            rewrite.run(|| write_tables(&database, &options.out))?;
        }
        Ok(())
    });
    screened.peak_bytes = peak.bytes();
    screened.left = state.total - state.done;
    ran?;
    if options.shard.is_none() {
        screened.rows = Some(write_tables(&database, &options.out)?);
    }
    if !stop.load(Ordering::Relaxed) {
        database.end_run(&run)?;
    }
    Ok(screened)
}

/// Keeps what came of a job; in a few words how it ended.
fn keep(database: &Database, task: &Task, came: Came, screened: &mut Screened) -> Result<String> {
    let mut entry = Entry {
        key: task.key.clone(),
        content_sha256: String::new(),
        version: task.version.clone(),
        state: State::Failed,
        reason: String::new(),
        outcome: None,
        made_by: task.made_by.clone(),
        seconds: 0.0,
        report: String::new(),
    };
    let mut looks_like = None;
    let said = match came {
        Came::Word(Word::Unchanged { fingerprint }) => {
            screened.kept += 1;
            database.still_holds(&[(task.key.clone(), task.who.clone(), fingerprint)])?;
            return Ok("unchanged".into());
        }
        Came::Word(Word::Checked {
            content_sha256,
            fingerprint,
            outcome,
            seconds,
        }) => {
            screened.checked += 1;
            let said = match outcome.holds.len() {
                0 => "not judged".to_string(),
                _ => outcome.holds.iter().map(|h| h.call.words()).collect::<Vec<_>>().join(", "),
            };
            entry.content_sha256 = content_sha256;
            entry.state = State::Checked;
            entry.made_by = outcome.made_by.line();
            entry.outcome = Some(*outcome);
            entry.seconds = seconds;
            entry.report.clone_from(&task.report);
            looks_like = fingerprint;
            said
        }
        Came::Word(Word::NoAnswer {
            content_sha256,
            fingerprint,
            reason,
            ours,
            seconds,
        }) => {
            if ours {
                screened.failed += 1;
            } else {
                screened.refused += 1;
                entry.state = State::Refused;
            }
            entry.content_sha256 = content_sha256;
            entry.seconds = seconds;
            entry.reason = reason;
            looks_like = fingerprint;
            format!("no answer: {}", entry.reason)
        }
        Came::Word(_) => return Err(Error::ours("A worker said something out of turn; this is a fault of the program.")),
        Came::Fell(reason) => {
            screened.failed += 1;
            entry.reason = reason;
            format!("failed: {}", entry.reason)
        }
    };
    if entry.state == State::Failed {
        screened.first_failure.get_or_insert_with(|| entry.reason.clone());
    }
    database.keep(&entry, &task.who, looks_like)?;
    Ok(said)
}

/// Whether a checked recording's report lies where it was written.
fn has_report(out: &Path, known: &Known) -> bool {
    !known.report.is_empty() && out.join(&known.report).join("report.html").is_file()
}

/// Lets results go on under a new name where a recording that is there no longer (taken out of `lost` then) and one never seen before have the same content; what to say of them.
fn follow_renamed(database: &Database, found: &[Found], lost: &mut Vec<Key>, out: &Path) -> Result<Vec<String>> {
    let mut candidates = Vec::new();
    for key in lost.iter() {
        if let Some(known) = database.known(key)? {
            candidates.push((key.clone(), known));
        }
    }
    let mut notes = Vec::new();
    for f in found {
        let key = Key {
            folder: f.folder.clone(),
            recording: path_text(&f.relative),
        };
        let could_be = |(old, known): &(Key, Known)| old.folder == key.folder && known.fingerprint.is_some_and(|p| p.bytes == f.bytes);
        // Only what may be one of them is read.
        if !candidates.iter().any(could_be) || database.known(&key)?.is_some() {
            continue;
        }
        let content = content_sha256(&f.path);
        let same = |c: &(Key, Known)| could_be(c) && !content.is_empty() && c.1.content_sha256 == content;
        if let Some(k) = candidates.iter().position(same) {
            let (old, known) = candidates.swap_remove(k);
            database.renamed(&old, &key.recording)?;
            lost.retain(|l| *l != old);
            if known.state == State::Checked && has_report(out, &known) {
                notes.push(format!(
                    "{} is {} under a new name; its result stays, and its report still says the old one.",
                    key.recording, old.recording
                ));
            }
        }
    }
    Ok(notes)
}

/// Recordings that the database knows in a folder that was walked now and that are there no longer.
fn gone(database: &Database, found: &[Found]) -> Result<Vec<Key>> {
    let there: std::collections::HashSet<(String, String)> = found.iter().map(|f| (f.folder.clone(), path_text(&f.relative))).collect();
    let folders: std::collections::BTreeSet<&String> = found.iter().map(|f| &f.folder).collect();
    let mut gone = Vec::new();
    for folder in folders {
        for recording in database.recordings_of(folder)? {
            let pair = (folder.clone(), recording);
            if !there.contains(&pair) {
                gone.push(Key {
                    folder: pair.0,
                    recording: pair.1,
                });
            }
        }
    }
    Ok(gone)
}

/// How many workers, and the memory each may hold.
fn workers(options: &ScreenOptions, jobs: usize) -> (usize, u64) {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let memory = options
        .memory_bytes
        .or_else(|| memory::available_bytes().map(|b| b / 4 * 3))
        .unwrap_or(u64::MAX);
    let fit = usize::try_from(memory / WORKER_BYTES).unwrap_or(usize::MAX);
    let workers = options.jobs.unwrap_or(cores).min(fit).min(jobs).max(1);
    (workers, memory / workers as u64)
}

/// Everything that decides an answer beside the recording and what is said of it: program, networks with their settings, rules. Hashed, and in words.
fn version(rules: &RuleProfile) -> Result<(Sha256, String)> {
    let folder = default_folder()?;
    let networks = ModelFolder::open(&folder)?.short_hashes();
    let line = made_by(&networks, rules).line();
    let mut hasher = Sha256::new();
    hasher.update(line.as_bytes());
    hasher.update(rules.sha256.as_bytes());
    let mut settings: Vec<PathBuf> = std::fs::read_dir(&folder)
        .map_err(|e| Error::ours(format!("The networks' folder {} cannot be read ({e}).", folder.display())))?
        .flatten()
        .map(|e| e.path())
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    settings.sort();
    for path in settings {
        hasher.update(content_sha256(&path).as_bytes());
    }
    Ok((hasher, line))
}

fn version_of(base: &Sha256, who: &Who) -> String {
    let mut hasher = base.clone();
    hasher.update(format!("stature {:?} leg {:?}", who.stature_m, who.leg).as_bytes());
    if let Some(floor) = &who.floor {
        hasher.update(format!("floor {}", content_sha256(floor)).as_bytes());
    }
    hex(&hasher.finalize())[..16].to_string()
}

fn run_name(shard: Option<Shard>) -> String {
    let since = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |d| d.as_nanos());
    let part = shard.map_or(String::new(), |s| format!("-{}-of-{}", s.number, s.count));
    format!("{since}-{}{part}", std::process::id())
}

/// When table and page are due: a minute after the last time, and later where writing them takes long, so that it never takes more than a twentieth of the time.
struct Rewrite {
    last: Instant,
    took: Duration,
}

impl Rewrite {
    fn new() -> Self {
        Self {
            last: Instant::now(),
            took: Duration::ZERO,
        }
    }

    fn is_due(&self) -> bool {
        self.last.elapsed() > REWRITE.max(20 * self.took)
    }

    fn run(&mut self, write: impl FnOnce() -> Result<u64>) -> Result<()> {
        let started = Instant::now();
        write()?;
        self.took = started.elapsed();
        self.last = Instant::now();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_are_read_and_refused() {
        assert_eq!(Shard::parse("2/5"), Ok(Shard { number: 2, count: 5 }));
        for bad in ["0/5", "6/5", "2", "a/b", "1/0", ""] {
            assert!(Shard::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn what_is_said_of_a_recording_is_part_of_the_version() {
        let base = Sha256::new();
        let who = |stature_m, leg| Who {
            stature_m,
            leg,
            ..Who::default()
        };
        let plain = version_of(&base, &who(None, None));
        assert_ne!(plain, version_of(&base, &who(Some(1.68), None)));
        assert_ne!(plain, version_of(&base, &who(None, Some(crate::types::Leg::Left))));
        // Athlete, session and label decide nothing.
        let named = Who {
            athlete: "Lin".into(),
            ..Who::default()
        };
        assert_eq!(plain, version_of(&base, &named));
    }
}
