//! What judges said: a CSV table.

use crate::error::{Error, Result};
use crate::outcome::Call;
use crate::table::spreadsheet;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What a rater, a judge or the tool, says of a stance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Down.
    Clear,
    /// Cannot be told.
    CannotTell,
    /// A fault, seen or suspected.
    Fault,
}

impl Verdict {
    /// All of them, in order.
    pub const ALL: [Verdict; 3] = [Verdict::Clear, Verdict::CannotTell, Verdict::Fault];

    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            Verdict::Clear => "clear",
            Verdict::CannotTell => "cannot tell",
            Verdict::Fault => "fault",
        }
    }

    /// From a word of a table.
    pub fn from_word(word: &str) -> Option<Self> {
        match word.trim().to_lowercase().replace([' ', '-'], "_").as_str() {
            "clear" | "no_fault" => Some(Verdict::Clear),
            "cannot_tell" => Some(Verdict::CannotTell),
            "fault" | "suspected" => Some(Verdict::Fault),
            _ => None,
        }
    }
}

impl From<Call> for Verdict {
    fn from(call: Call) -> Self {
        match call {
            Call::Clear => Verdict::Clear,
            Call::CannotTell => Verdict::CannotTell,
            Call::Suspected => Verdict::Fault,
        }
    }
}

/// One label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// The recording, as the results name it.
    pub recording: String,
    /// The hold's number; `None` for the recording as a whole.
    pub hold: Option<usize>,
    /// The check of the rule profile; `None` for the stance as a whole.
    pub check: Option<String>,
    /// Who said it.
    pub rater: String,
    /// What.
    pub verdict: Verdict,
}

/// A table of labels.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Labels {
    /// The labels.
    pub labels: Vec<Label>,
    /// Rows without a label.
    pub empty: usize,
}

/// Columns that a table of labels may have.
const COLUMNS: [&str; 5] = ["recording", "hold", "check", "rater", "label"];

impl Labels {
    /// Reads a CSV table with the columns recording and label and any of hold, check, rater; further columns are ignored. `rater` names whoever has no column for it.
    ///
    /// # Errors
    /// [`Error::Input`] with the line and what is wrong there.
    pub fn read(path: &Path, rater: &str) -> Result<Self> {
        let shown = path.display();
        let text = std::fs::read_to_string(path)
            .map_err(|e| Error::input(format!("The labels {shown} cannot be read ({e}): give a CSV file in UTF-8.")))?;
        let mut reader = spreadsheet::reader(&text);
        let damaged = |e: csv::Error| Error::input(format!("The labels {shown} cannot be read as CSV ({e})."));
        let columns: Vec<String> = reader.headers().map_err(damaged)?.iter().map(|c| c.trim().to_string()).collect();
        for needed in ["recording", "label"] {
            if !columns.iter().any(|c| c == needed) {
                return Err(Error::input(format!(
                    "The labels {shown} have no column “{needed}”: a header line names the columns, {}.",
                    COLUMNS.join(", ")
                )));
            }
        }
        let mut out = Self::default();
        let mut seen = std::collections::HashSet::new();
        for record in reader.records() {
            let record = record.map_err(damaged)?;
            let line = record.position().map_or(0, csv::Position::line);
            let refuse = |why: String| Error::input(format!("The labels {shown} are refused at line {line}: {why}."));
            let cell = |name: &str| {
                columns
                    .iter()
                    .position(|c| c == name)
                    .and_then(|k| record.get(k))
                    .filter(|v| !v.trim().is_empty())
            };
            let Some(word) = cell("label") else {
                out.empty += 1;
                continue;
            };
            let verdict =
                Verdict::from_word(word).ok_or_else(|| refuse(format!("{word:?} is no label; give clear, fault or cannot_tell")))?;
            let hold = match cell("hold") {
                None => None,
                Some(text) => Some(
                    text.trim()
                        .parse()
                        .ok()
                        .filter(|h| *h >= 1)
                        .ok_or_else(|| refuse(format!("{text:?} is no number of a hold, which count from 1")))?,
                ),
            };
            let label = Label {
                recording: cell("recording").ok_or_else(|| refuse("it names no recording".into()))?.to_string(),
                hold,
                check: cell("check").map(str::trim).filter(|c| *c != "stance").map(str::to_string),
                rater: cell("rater").map_or(rater, str::trim).to_string(),
                verdict,
            };
            if !seen.insert((label.recording.clone(), label.hold, label.check.clone(), label.rater.clone())) {
                return Err(refuse(format!("{} labels the same twice", label.rater)));
            }
            out.labels.push(label);
        }
        if out.labels.is_empty() {
            return Err(Error::input(format!("The labels {shown} hold no label.")));
        }
        Ok(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_read_and_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("l.csv");
        std::fs::write(
            &path,
            "recording,hold,check,rater,label\na.mp4,2,inner_heel,Mo,Fault\na.mp4,,stance,Mo,no fault\nb.mp4,,,,cannot tell\nc.mp4,,,,\n",
        )
        .unwrap();
        let read = Labels::read(&path, "judge").unwrap();
        assert_eq!((read.labels.len(), read.empty), (3, 1));
        assert_eq!(read.labels[0].check.as_deref(), Some("inner_heel"));
        assert_eq!((read.labels[1].check.as_deref(), read.labels[1].verdict), (None, Verdict::Clear));
        assert_eq!(read.labels[2].rater, "judge");
        for (text, word) in [
            ("recording\na.mp4\n", "label"),
            ("recording,label\na.mp4,maybe\n", "line 2"),
            ("recording,hold,label\na.mp4,0,fault\n", "hold"),
            ("recording,label\na.mp4,fault\na.mp4,clear\n", "twice"),
            ("recording,label\na.mp4,\n", "no label"),
        ] {
            std::fs::write(&path, text).unwrap();
            let said = Labels::read(&path, "judge").unwrap_err().to_string();
            assert!(said.contains(word), "{said}");
        }
    }
}
