//! Finding the recordings and photographs in folders.

use crate::error::{Error, Result};
use crate::table::path_text;
use std::collections::{HashSet, VecDeque};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// File name endings that are looked at, without regard to case.
const ENDINGS: [&str; 9] = ["mp4", "mov", "m4v", "mkv", "avi", "webm", "jpg", "jpeg", "png"];

/// Name of the database in a results folder; a folder that holds one is no folder of recordings.
pub(super) const DATABASE_NAME: &str = "screen.sqlite";

/// One recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Name of the folder that was given.
    pub folder: String,
    /// Path under it.
    pub relative: PathBuf,
    /// Path to open.
    pub path: PathBuf,
    /// Size, bytes; 0 where it cannot be told.
    pub bytes: u64,
}

/// What a walk found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Walked {
    /// Recordings in the order of folder and path.
    pub found: Vec<Found>,
    /// What was passed over and why, in sentences.
    pub notes: Vec<String>,
}

struct Link {
    found: Found,
    identity: (u64, u64),
}

/// Walks `folders`. Links to folders are followed, each folder is entered once however many ways lead there (a loop ends so), and a link to a recording that the walk finds
/// under its own name is passed over. Hidden names and results folders (`out` and any other) are passed over.
///
/// # Errors
/// [`Error::Input`] where a given folder cannot be read or two of them have the same name.
pub fn walk(folders: &[PathBuf], out: &Path) -> Result<Walked> {
    let mut walked = Walked::default();
    let mut entered = HashSet::new();
    let mut files = HashSet::new();
    let mut links: Vec<Link> = Vec::new();
    let mut names = HashSet::new();
    let out = out.canonicalize().ok();
    let mut others = 0_usize;
    for given in folders {
        let root = given
            .canonicalize()
            .map_err(|e| Error::input(format!("The folder {} cannot be opened ({e}): check the path.", path_text(given))))?;
        if !root.is_dir() {
            return Err(Error::input(format!(
                "{} is not a folder: give the folder that holds the recordings, or use `shankline check` for one recording.",
                path_text(given)
            )));
        }
        std::fs::read_dir(&root).map_err(|e| {
            Error::input(format!(
                "The folder {} may not be read ({e}): change its permissions.",
                path_text(given)
            ))
        })?;
        let folder = root.file_name().map_or_else(|| "/".into(), |n| path_text(Path::new(n)));
        if !names.insert(folder.clone()) {
            return Err(Error::input(format!(
                "Two of the folders are called {folder}, and results are told apart by that name: give the folder above them, or screen them one by one into folders of their own."
            )));
        }
        // Folders under their own names first; those that only a link leads to afterwards.
        let mut own: VecDeque<PathBuf> = VecDeque::from([PathBuf::new()]);
        let mut linked: VecDeque<PathBuf> = VecDeque::new();
        while let Some(relative) = own.pop_front().or_else(|| linked.pop_front()) {
            let here = root.join(&relative);
            let Ok(metadata) = std::fs::metadata(&here) else { continue };
            if !entered.insert((metadata.dev(), metadata.ino())) {
                if !relative.as_os_str().is_empty() {
                    walked.notes.push(format!(
                        "{} leads to a folder that is looked at under another name; passed over.",
                        path_text(&relative)
                    ));
                }
                continue;
            }
            let is_out = out.is_some() && here.canonicalize().ok() == out;
            if is_out || here.join(DATABASE_NAME).is_file() {
                continue;
            }
            let mut entries: Vec<_> = match std::fs::read_dir(&here) {
                Ok(entries) => entries.flatten().collect(),
                Err(e) => {
                    walked.notes.push(format!(
                        "The folder {} cannot be read ({e}); what is in it was not checked.",
                        path_text(&relative)
                    ));
                    continue;
                }
            };
            entries.sort_by_key(std::fs::DirEntry::file_name);
            for entry in entries {
                let name = entry.file_name();
                if name.as_encoded_bytes().starts_with(b".") {
                    continue;
                }
                let Ok(kind) = entry.file_type() else { continue };
                let at = relative.join(&name);
                let target = std::fs::metadata(entry.path());
                if target.as_ref().is_ok_and(std::fs::Metadata::is_dir) {
                    if kind.is_symlink() {
                        linked.push_back(at);
                    } else {
                        own.push_back(at);
                    }
                    continue;
                }
                let wanted = Path::new(&name)
                    .extension()
                    .is_some_and(|e| ENDINGS.iter().any(|known| e.eq_ignore_ascii_case(known)));
                if !wanted {
                    others += 1;
                    continue;
                }
                let found = Found {
                    folder: folder.clone(),
                    relative: at,
                    path: entry.path(),
                    bytes: target.as_ref().map_or(0, std::fs::Metadata::len),
                };
                match (kind.is_symlink(), target) {
                    (true, Ok(target)) => links.push(Link {
                        found,
                        identity: (target.dev(), target.ino()),
                    }),
                    (false, Ok(target)) => {
                        files.insert((target.dev(), target.ino()));
                        walked.found.push(found);
                    }
                    // A link to nothing: a row with that reason.
                    (_, Err(_)) => walked.found.push(found),
                }
            }
        }
    }
    for link in links {
        if files.insert(link.identity) {
            walked.found.push(link.found);
        } else {
            walked.notes.push(format!(
                "{} is a link to a recording that is checked under its own name; passed over.",
                path_text(&link.found.relative)
            ));
        }
    }
    if others > 0 {
        walked
            .notes
            .push(format!("{others} other files are no recordings by their names; passed over."));
    }
    walked.found.sort_by(|a, b| (&a.folder, &a.relative).cmp(&(&b.folder, &b.relative)));
    Ok(walked)
}
