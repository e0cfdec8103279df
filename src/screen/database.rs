//! The results database (SQLite): what every recording's check said, now and before. A result is in it whole or not at all, and stays through a crash.

use super::fingerprint::Fingerprint;
use super::manifest::Who;
use crate::error::{Error, Result};
use crate::hash::hex;
use crate::outcome::Outcome;
use rusqlite::{params, Connection, OptionalExtension};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// Names one recording: the given folder's name and the path under it, as text.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Key {
    /// Name of the folder that was given.
    pub folder: String,
    /// Path under it.
    pub recording: String,
}

/// How a check ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// With an answer.
    Checked,
    /// The recording cannot be used, for a reason that lies in the recording.
    Refused,
    /// Something of ours failed; it is tried again in the next run.
    Failed,
}

impl State {
    /// The word used in files.
    pub const fn key(self) -> &'static str {
        match self {
            State::Checked => "checked",
            State::Refused => "refused",
            State::Failed => "failed",
        }
    }

    fn from_key(key: &str) -> Self {
        match key {
            "checked" => State::Checked,
            "refused" => State::Refused,
            _ => State::Failed,
        }
    }
}

/// A result as it goes into the database.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Whose it is.
    pub key: Key,
    /// SHA-256 of the file's content; empty where it could not be read.
    pub content_sha256: String,
    /// What made the result: program, networks, rules and options, hashed.
    pub version: String,
    /// How it ended.
    pub state: State,
    /// Why there is no answer; empty where there is one.
    pub reason: String,
    /// The answer, without its frames.
    pub outcome: Option<Outcome>,
    /// Program, networks and rules in words.
    pub made_by: String,
    /// How long the check took, seconds.
    pub seconds: f64,
    /// Folder of the report under the results folder; empty where there is none.
    pub report: String,
}

/// A current result as it comes out of the database.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// The result.
    pub entry: Entry,
    /// Athlete, session, label.
    pub who: Who,
    /// When it was checked (UTC, RFC 3339).
    pub checked_at: String,
    /// Whether the last run that looked at its folder found the recording there.
    pub in_folder: bool,
}

/// What is known of a recording before it is checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Known {
    /// The file as it was then.
    pub fingerprint: Option<Fingerprint>,
    /// Its content.
    pub content_sha256: String,
    /// What made the result.
    pub version: String,
    /// How the check ended.
    pub state: State,
    /// Folder of the report under the results folder; empty where there is none.
    pub report: String,
}

/// The database file, open.
pub struct Database {
    connection: Connection,
    path: PathBuf,
}

/// Layout of the tables; a number is added where it changes.
const LAYOUT: i64 = 1;

const TABLES: &str = "
CREATE TABLE IF NOT EXISTS run (
  id TEXT PRIMARY KEY, started_at TEXT NOT NULL, ended_at TEXT, shard TEXT NOT NULL, made_by TEXT NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS note (
  run TEXT NOT NULL REFERENCES run(id), position INTEGER NOT NULL, sentence TEXT NOT NULL, PRIMARY KEY (run, position)
) STRICT;
CREATE TABLE IF NOT EXISTS result (
  id TEXT PRIMARY KEY, folder TEXT NOT NULL, recording TEXT NOT NULL, content_sha256 TEXT NOT NULL, version TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('checked', 'refused', 'failed')), reason TEXT NOT NULL, outcome TEXT, made_by TEXT NOT NULL,
  seconds REAL NOT NULL, report TEXT NOT NULL, checked_at TEXT NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS result_recording ON result (folder, recording);
CREATE TABLE IF NOT EXISTS recording (
  folder TEXT NOT NULL, recording TEXT NOT NULL, athlete TEXT NOT NULL, session TEXT NOT NULL, label TEXT NOT NULL,
  fingerprint TEXT, result TEXT NOT NULL REFERENCES result(id), in_folder INTEGER NOT NULL, seen_at TEXT NOT NULL,
  PRIMARY KEY (folder, recording)
) STRICT;
CREATE VIEW IF NOT EXISTS hold AS
  SELECT result.id AS result, result.folder, result.recording, result.checked_at, item.key + 1 AS hold,
         item.value ->> '$.start_s' AS start_s, item.value ->> '$.end_s' AS end_s, item.value ->> '$.kneeling_leg' AS kneeling_leg,
         item.value ->> '$.call' AS call, item.value -> '$.gaps' AS gaps, item.value -> '$.findings' AS findings
  FROM result, json_each(result.outcome, '$.holds') AS item;
";

const NOW: &str = "strftime('%Y-%m-%dT%H:%M:%fZ', 'now')";

impl Database {
    /// Opens the database, made where it is missing.
    ///
    /// # Errors
    /// A sentence on why it cannot be opened.
    pub fn open(path: &Path) -> Result<Self> {
        let connection = Connection::open(path).map_err(|e| refused(path, &e))?;
        let database = Self {
            connection,
            path: path.to_path_buf(),
        };
        database.set_up().map_err(|e| refused(path, &e))?;
        let layout: i64 = database
            .connection
            .query_row("PRAGMA user_version", [], |r| r.get(0))
            .map_err(|e| refused(path, &e))?;
        if layout > LAYOUT {
            return Err(Error::input(format!(
                "{} was written by a newer version of this program: use that, or choose another output folder.",
                path.display()
            )));
        }
        if layout < LAYOUT {
            database
                .connection
                .pragma_update(None, "user_version", LAYOUT)
                .map_err(|e| refused(path, &e))?;
        }
        Ok(database)
    }

    fn set_up(&self) -> rusqlite::Result<()> {
        self.connection.busy_timeout(std::time::Duration::from_secs(20))?;
        // A rollback journal works on every file system; FULL flushes each result to the disk before the next.
        self.connection.pragma_update(None, "synchronous", "FULL")?;
        self.connection.execute_batch(TABLES)
    }

    fn refused(&self, error: &rusqlite::Error) -> Error {
        refused(&self.path, error)
    }

    /// Notes the start of a run.
    ///
    /// # Errors
    /// A sentence on why the database cannot be written; so for every method that writes.
    pub fn start_run(&self, run: &str, shard: &str, made_by: &str, notes: &[String]) -> Result<()> {
        self.transaction(|c| {
            c.execute(
                &format!("INSERT INTO run (id, started_at, shard, made_by) VALUES (?1, {NOW}, ?2, ?3)"),
                params![run, shard, made_by],
            )?;
            for (k, sentence) in notes.iter().enumerate() {
                c.execute("INSERT INTO note VALUES (?1, ?2, ?3)", params![run, k as i64, sentence])?;
            }
            Ok(())
        })
    }

    /// Notes the end of a run.
    ///
    /// # Errors
    /// As above.
    pub fn end_run(&self, run: &str) -> Result<()> {
        self.connection
            .execute(&format!("UPDATE run SET ended_at = {NOW} WHERE id = ?1"), [run])
            .map(|_| ())
            .map_err(|e| self.refused(&e))
    }

    /// What is known of a recording.
    ///
    /// # Errors
    /// A sentence on why the database cannot be read.
    pub fn known(&self, key: &Key) -> Result<Option<Known>> {
        self.connection
            .prepare_cached(
                "SELECT recording.fingerprint, result.content_sha256, result.version, result.state, result.report
                 FROM recording JOIN result ON result.id = recording.result WHERE recording.folder = ?1 AND recording.recording = ?2",
            )
            .and_then(|mut s| {
                s.query_row(params![key.folder, key.recording], |r| {
                    Ok(Known {
                        fingerprint: r.get::<_, Option<String>>(0)?.and_then(|t| serde_json::from_str(&t).ok()),
                        content_sha256: r.get(1)?,
                        version: r.get(2)?,
                        state: State::from_key(&r.get::<_, String>(3)?),
                        report: r.get(4)?,
                    })
                })
                .optional()
            })
            .map_err(|e| self.refused(&e))
    }

    /// Keeps a result as the recording's current one. The same recording, content and version a second time replaces the first: nothing is there twice.
    ///
    /// # Errors
    /// As above.
    pub fn keep(&self, entry: &Entry, who: &Who, fingerprint: Option<Fingerprint>) -> Result<()> {
        let id = entry.id();
        let outcome = entry
            .outcome
            .as_ref()
            .map(serde_json::to_string)
            .transpose()
            .map_err(|e| Error::ours(format!("A result cannot be written as JSON ({e}).")))?;
        let fingerprint = fingerprint.and_then(|f| serde_json::to_string(&f).ok());
        self.transaction(|c| {
            c.execute(
                &format!(
                    "INSERT INTO result VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, {NOW})
                     ON CONFLICT (id) DO UPDATE SET state = excluded.state, reason = excluded.reason, outcome = excluded.outcome, made_by = excluded.made_by,
                       seconds = excluded.seconds, report = excluded.report, checked_at = excluded.checked_at"
                ),
                params![
                    id,
                    entry.key.folder,
                    entry.key.recording,
                    entry.content_sha256,
                    entry.version,
                    entry.state.key(),
                    entry.reason,
                    outcome,
                    entry.made_by,
                    entry.seconds,
                    entry.report
                ],
            )?;
            c.execute(
                &format!(
                    "INSERT INTO recording VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 1, {NOW})
                     ON CONFLICT (folder, recording) DO UPDATE SET athlete = excluded.athlete, session = excluded.session, label = excluded.label,
                       fingerprint = excluded.fingerprint, result = excluded.result, in_folder = 1, seen_at = excluded.seen_at"
                ),
                params![entry.key.folder, entry.key.recording, who.athlete, who.session, who.label, fingerprint, id],
            )?;
            Ok(())
        })
    }

    /// A recording is there and its result still holds: keeps whose it is and what the file looks like now.
    ///
    /// # Errors
    /// As above.
    pub fn still_holds(&self, these: &[(Key, Who, Option<Fingerprint>)]) -> Result<()> {
        self.transaction(|c| {
            let mut statement = c.prepare_cached(&format!(
                "UPDATE recording SET athlete = ?3, session = ?4, label = ?5, fingerprint = ?6, in_folder = 1, seen_at = {NOW}
                 WHERE folder = ?1 AND recording = ?2 AND (athlete, session, label, fingerprint, in_folder) IS NOT (?3, ?4, ?5, ?6, 1)"
            ))?;
            for (key, who, fingerprint) in these {
                let fingerprint = fingerprint.and_then(|f| serde_json::to_string(&f).ok());
                statement.execute(params![key.folder, key.recording, who.athlete, who.session, who.label, fingerprint])?;
            }
            Ok(())
        })
    }

    /// A recording has another name in its folder now: its results go on under that one.
    ///
    /// # Errors
    /// As above.
    pub fn renamed(&self, from: &Key, to: &str) -> Result<()> {
        self.transaction(|c| {
            c.execute(
                "UPDATE recording SET recording = ?3 WHERE folder = ?1 AND recording = ?2",
                params![from.folder, from.recording, to],
            )?;
            Ok(())
        })
    }

    /// Every recording of `folder` that the database knows.
    ///
    /// # Errors
    /// A sentence on why the database cannot be read.
    pub fn recordings_of(&self, folder: &str) -> Result<Vec<String>> {
        self.connection
            .prepare("SELECT recording FROM recording WHERE folder = ?1")
            .and_then(|mut s| s.query_map([folder], |r| r.get(0))?.collect())
            .map_err(|e| self.refused(&e))
    }

    /// Recordings that are in their folder no longer. Their results stay.
    ///
    /// # Errors
    /// As above.
    pub fn gone(&self, keys: &[Key]) -> Result<()> {
        self.transaction(|c| {
            for key in keys {
                c.execute(
                    &format!("UPDATE recording SET in_folder = 0, seen_at = {NOW} WHERE folder = ?1 AND recording = ?2 AND in_folder = 1"),
                    params![key.folder, key.recording],
                )?;
            }
            Ok(())
        })
    }

    /// Hands every current result to `take`, in the order of folder and recording.
    ///
    /// # Errors
    /// A sentence on why the database cannot be read, or `take`'s error.
    pub fn each_current(&self, take: &mut dyn FnMut(Stored) -> Result<()>) -> Result<()> {
        let mut statement = self
            .connection
            .prepare(
                "SELECT recording.folder, recording.recording, content_sha256, version, state, reason, outcome, made_by, seconds, report, athlete, session, label,
                        checked_at, in_folder
                 FROM recording JOIN result ON result.id = recording.result ORDER BY recording.folder, recording.recording",
            )
            .map_err(|e| self.refused(&e))?;
        let mut rows = statement.query([]).map_err(|e| self.refused(&e))?;
        while let Some(r) = rows.next().map_err(|e| self.refused(&e))? {
            let stored = stored(r).map_err(|e| self.refused(&e))?;
            take(stored)?;
        }
        Ok(())
    }

    /// The notes of the last run of every shard.
    ///
    /// # Errors
    /// A sentence on why the database cannot be read.
    pub fn last_notes(&self) -> Result<Vec<String>> {
        self.connection
            .prepare(
                "SELECT DISTINCT note.sentence FROM note JOIN run ON run.id = note.run
                 WHERE run.id IN (SELECT id FROM run AS r WHERE r.started_at = (SELECT max(started_at) FROM run AS s WHERE s.shard = r.shard))
                 ORDER BY run.shard, note.position",
            )
            .and_then(|mut s| s.query_map([], |r| r.get(0))?.collect())
            .map_err(|e| self.refused(&e))
    }

    /// Joins another database's results into this one: what this one lacks is added, and of two current results of a recording the later stays. Joining a second time changes
    /// nothing.
    ///
    /// # Errors
    /// A sentence on why either cannot be read or written.
    pub fn join(&self, other: &Path) -> Result<()> {
        // Opened once by itself, so that a journal left by a crash is rolled back and the tables are there.
        drop(Database::open(other)?);
        let shown = other
            .to_str()
            .ok_or_else(|| Error::input(format!("{} cannot be joined: its path is not UTF-8.", other.display())))?;
        self.connection
            .execute("ATTACH DATABASE ?1 AS other", [shown])
            .map_err(|e| refused(other, &e))?;
        let joined = self.transaction(|c| {
            c.execute_batch(
                "INSERT OR IGNORE INTO run SELECT * FROM other.run;
                 UPDATE run SET ended_at = (SELECT ended_at FROM other.run AS o WHERE o.id = run.id) WHERE ended_at IS NULL AND id IN (SELECT id FROM other.run);
                 INSERT OR IGNORE INTO note SELECT * FROM other.note;
                 INSERT INTO result SELECT * FROM other.result WHERE true
                   ON CONFLICT (id) DO UPDATE SET state = excluded.state, reason = excluded.reason, outcome = excluded.outcome, made_by = excluded.made_by,
                     seconds = excluded.seconds, report = excluded.report, checked_at = excluded.checked_at
                   WHERE excluded.checked_at > result.checked_at;
                 INSERT INTO recording SELECT * FROM other.recording WHERE true
                   ON CONFLICT (folder, recording) DO UPDATE SET athlete = excluded.athlete, session = excluded.session, label = excluded.label,
                     fingerprint = excluded.fingerprint, result = excluded.result, in_folder = excluded.in_folder, seen_at = excluded.seen_at
                   WHERE excluded.seen_at > recording.seen_at;",
            )
        });
        let detached = self.connection.execute("DETACH DATABASE other", []).map_err(|e| self.refused(&e));
        joined?;
        detached.map(|_| ())
    }

    fn transaction(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<()>) -> Result<()> {
        let run = || {
            let transaction = self.connection.unchecked_transaction()?;
            work(&transaction)?;
            transaction.commit()
        };
        run().map_err(|e| self.refused(&e))
    }
}

impl Entry {
    /// Names the result: recording, content and version, hashed.
    pub fn id(&self) -> String {
        let mut hasher = Sha256::new();
        for part in [&self.key.folder, &self.key.recording, &self.content_sha256, &self.version] {
            hasher.update((part.len() as u64).to_be_bytes());
            hasher.update(part.as_bytes());
        }
        // A failed check takes the place of no answer.
        if self.state == State::Failed {
            hasher.update(b"failed");
        }
        hex(&hasher.finalize())[..32].to_string()
    }
}

fn stored(r: &rusqlite::Row) -> rusqlite::Result<Stored> {
    let outcome: Option<String> = r.get(6)?;
    Ok(Stored {
        entry: Entry {
            key: Key {
                folder: r.get(0)?,
                recording: r.get(1)?,
            },
            content_sha256: r.get(2)?,
            version: r.get(3)?,
            state: State::from_key(&r.get::<_, String>(4)?),
            reason: r.get(5)?,
            outcome: outcome
                .map(|t| serde_json::from_str(&t))
                .transpose()
                .map_err(|e| rusqlite::Error::FromSqlConversionFailure(6, rusqlite::types::Type::Text, e.into()))?,
            made_by: r.get(7)?,
            seconds: r.get(8)?,
            report: r.get(9)?,
        },
        who: Who {
            athlete: r.get(10)?,
            session: r.get(11)?,
            label: r.get(12)?,
            ..Who::default()
        },
        checked_at: r.get(13)?,
        in_folder: r.get(14)?,
    })
}

fn refused(path: &Path, error: &rusqlite::Error) -> Error {
    use rusqlite::ErrorCode;
    let shown = path.display();
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => Error::ours(format!(
            "{shown} could not be written because the disk is full ({error}): free some space and start again; what was done is kept."
        )),
        Some(ErrorCode::SystemIoFailure) => Error::ours(format!(
            "{shown} could not be read or written ({error}): the disk is full or faulty; free some space and start again; what was done is kept."
        )),
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => Error::input(format!(
            "{shown} may not be written ({error}): choose an output folder that you may write to with --out."
        )),
        Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => Error::input(format!(
            "{shown} is damaged or no results database ({error}): move it away or choose another output folder with --out."
        )),
        _ => Error::ours(format!("The results database {shown} failed ({error}).")),
    }
}
