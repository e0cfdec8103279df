//! Whose recording it is: from a CSV manifest or from folder names.

use crate::error::{Error, Result};
use crate::floor::marks::FloorFile;
use crate::table::path_text;
use crate::table::spreadsheet;
use crate::types::Leg;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Athlete, session and label of a recording, and what a check of it is told.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Who {
    /// Athlete; empty where not known.
    pub athlete: String,
    /// Session; empty where not known.
    pub session: String,
    /// Label; empty where not known.
    pub label: String,
    /// Stature, metres.
    pub stature_m: Option<f64>,
    /// Which leg kneels.
    pub leg: Option<Leg>,
    /// Floor file.
    pub floor: Option<PathBuf>,
}

/// What the folders between the given folder and the recording stand for, from the top.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FolderNames(Vec<Part>);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Athlete,
    Session,
    Label,
    Nothing,
}

impl FolderNames {
    /// From words such as `athlete/session/label`; `-` stands for a folder that says nothing.
    ///
    /// # Errors
    /// A sentence on the word that is not known.
    pub fn parse(text: &str) -> std::result::Result<Self, String> {
        text.split('/')
            .map(|word| match word {
                "athlete" => Ok(Part::Athlete),
                "session" => Ok(Part::Session),
                "label" => Ok(Part::Label),
                "-" => Ok(Part::Nothing),
                other => Err(format!(
                    "{other:?} is not known: give athlete, session, label or - between slashes, such as athlete/session"
                )),
            })
            .collect::<std::result::Result<_, _>>()
            .map(Self)
    }

    fn who(&self, relative: &Path) -> Who {
        let mut who = Who::default();
        let folders = relative.parent().unwrap_or(Path::new("")).components();
        for (part, name) in self.0.iter().zip(folders) {
            let name = path_text(Path::new(name.as_os_str()));
            match part {
                Part::Athlete => who.athlete = name,
                Part::Session => who.session = name,
                Part::Label => who.label = name,
                Part::Nothing => {}
            }
        }
        who
    }
}

/// Where the words come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Manifest {
    /// From folder names.
    Folders(FolderNames),
    /// From a table, by the path under the folder (as [`path_text`] writes it).
    Table(HashMap<String, Who>),
}

/// Columns that a manifest may have.
const COLUMNS: [&str; 7] = ["recording", "athlete", "session", "label", "stature_m", "leg", "floor"];

impl Manifest {
    /// Reads a CSV manifest: a header line with `recording` and any of athlete, session, label, stature_m, leg (left, right), floor (a floor file, relative to the
    /// manifest).
    ///
    /// # Errors
    /// [`Error::Input`] with the line and what is wrong there.
    pub fn read(path: &Path) -> Result<Self> {
        let shown = path.display();
        let text = std::fs::read(path).map_err(|e| Error::input(format!("The manifest {shown} cannot be read ({e}): check the path.")))?;
        let text = String::from_utf8(text).map_err(|_| {
            Error::input(format!(
                "The manifest {shown} is not UTF-8 text: save it as “CSV UTF-8” from the spreadsheet."
            ))
        })?;
        let mut reader = spreadsheet::reader(&text);
        let damaged = |e: csv::Error| Error::input(format!("The manifest {shown} cannot be read as CSV ({e})."));
        let columns: Vec<String> = reader.headers().map_err(damaged)?.iter().map(|c| c.trim().to_string()).collect();
        if let Some(unknown) = columns.iter().find(|c| !COLUMNS.contains(&c.as_str())) {
            return Err(Error::input(format!(
                "The manifest {shown} has a column {unknown:?}; known are {}.",
                COLUMNS.join(", ")
            )));
        }
        if !columns.iter().any(|c| c == "recording") {
            return Err(Error::input(format!(
                "The manifest {shown} has no column “recording” with the paths under the folder."
            )));
        }
        let mut rows = HashMap::new();
        for record in reader.records() {
            let record = record.map_err(damaged)?;
            let line = record.position().map_or(0, csv::Position::line);
            let refuse = |why: String| Error::input(format!("The manifest {shown} is refused at line {line}: {why}."));
            let mut who = Who::default();
            let mut recording = String::new();
            for (column, value) in columns.iter().zip(record.iter()) {
                let trimmed = value.trim();
                match column.as_str() {
                    "recording" => recording = value.to_string(),
                    "athlete" => who.athlete = trimmed.to_string(),
                    "session" => who.session = trimmed.to_string(),
                    "label" => who.label = trimmed.to_string(),
                    _ if trimmed.is_empty() => {}
                    "stature_m" => {
                        let stature = trimmed.replace(',', ".").parse().ok().filter(|m| (0.9..=2.4).contains(m));
                        who.stature_m =
                            Some(stature.ok_or_else(|| refuse(format!("{trimmed:?} is no stature; give metres between 0.9 and 2.4")))?);
                    }
                    "leg" => {
                        who.leg = Some(match trimmed {
                            "left" => Leg::Left,
                            "right" => Leg::Right,
                            other => return Err(refuse(format!("{other:?} is no leg; give left or right"))),
                        });
                    }
                    _ => {
                        let file = path.parent().unwrap_or(Path::new("")).join(trimmed);
                        FloorFile::read(&file).map_err(|e| refuse(e.to_string().trim_end_matches('.').to_string()))?;
                        who.floor = Some(file);
                    }
                }
            }
            if recording.is_empty() {
                return Err(refuse("it names no recording".into()));
            }
            if rows.insert(recording.clone(), who).is_some() {
                return Err(refuse(format!("{recording} is named twice")));
            }
        }
        Ok(Manifest::Table(rows))
    }

    /// What is known of the recording at `relative`; `None` where a manifest does not name it. A floor file of the recording's own name beside it (`NAME.floor.json`) is
    /// taken where nothing else is said.
    pub fn who(&self, relative: &Path, path: &Path) -> Option<Who> {
        let mut who = match self {
            Manifest::Folders(names) => names.who(relative),
            Manifest::Table(rows) => rows.get(&path_text(relative))?.clone(),
        };
        if who.floor.is_none() {
            let beside = path.with_extension("floor.json");
            who.floor = beside.is_file().then_some(beside);
        }
        Some(who)
    }

    /// Recordings that the manifest names and `found` lacks.
    pub fn missing(&self, found: &[super::Found]) -> Vec<String> {
        let Manifest::Table(rows) = self else { return Vec::new() };
        let there: std::collections::HashSet<String> = found.iter().map(|f| path_text(&f.relative)).collect();
        let mut missing: Vec<String> = rows.keys().filter(|r| !there.contains(*r)).cloned().collect();
        missing.sort();
        missing
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folder_names_say_who() {
        let names = FolderNames::parse("athlete/-/session").unwrap();
        let who = names.who(Path::new("Lin/films/2026-03-01/deep/clip.mp4"));
        assert_eq!(
            (who.athlete.as_str(), who.session.as_str(), who.label.as_str()),
            ("Lin", "2026-03-01", "")
        );
        assert_eq!(names.who(Path::new("clip.mp4")), Who::default());
        assert!(FolderNames::parse("athlete/club").unwrap_err().contains("club"));
    }

    #[test]
    fn a_manifest_is_refused_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("m.csv");
        for (text, word) in [
            ("clip;athlete\n", "clip"),
            ("athlete\nLin\n", "recording"),
            ("recording,stature_m\na.mp4,17\n", "line 2"),
            ("recording,leg\na.mp4,both\n", "line 2"),
            ("recording\na.mp4\na.mp4\n", "named twice"),
            ("recording,floor\na.mp4,nothing.json\n", "line 2"),
        ] {
            std::fs::write(&path, text).unwrap();
            let said = Manifest::read(&path).unwrap_err().to_string();
            assert!(said.contains(word), "{said}");
        }
        std::fs::write(&path, "\u{feff}recording;athlete;stature_m\r\n\"a\nb.mp4\";Lin;1,68\r\n").unwrap();
        let manifest = Manifest::read(&path).unwrap();
        let who = manifest.who(Path::new("a\nb.mp4"), Path::new("/nowhere/a\nb.mp4")).unwrap();
        assert_eq!((who.athlete.as_str(), who.stature_m), ("Lin", Some(1.68)));
        assert_eq!(manifest.who(Path::new("c.mp4"), Path::new("c.mp4")), None);
    }
}
