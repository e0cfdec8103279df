//! Files that are either whole or not there.
//!
//! Every file is written and flushed under a temporary name in the folder it belongs to; only when all of them are on the disk are they renamed, the page that a
//! person opens last. A full disk or an interruption before that leaves an older report untouched, and no folder that was not there before.

use crate::error::{shown, Error, Result};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Files waiting under temporary names; dropped, they vanish, and so do the folders made for them.
pub(crate) struct Staged {
    out_dir: PathBuf,
    waiting: Vec<(tempfile::NamedTempFile, PathBuf)>,
    made: MadeFolders,
}

/// Folders made on the way, outermost first; dropped, those that are empty are removed.
#[derive(Default)]
struct MadeFolders(Vec<PathBuf>);

impl MadeFolders {
    /// Makes `folder` and whatever is missing above it.
    fn make(&mut self, folder: &Path) -> std::io::Result<()> {
        let mut missing: Vec<&Path> = folder
            .ancestors()
            .take_while(|f| !f.as_os_str().is_empty() && !f.exists())
            .collect();
        std::fs::create_dir_all(folder)?;
        missing.reverse();
        self.0.extend(missing.into_iter().map(Path::to_path_buf));
        Ok(())
    }
}

impl Drop for MadeFolders {
    fn drop(&mut self) {
        for folder in self.0.iter().rev() {
            // Refused where something is in it, which is as it should be.
            let _ = std::fs::remove_dir(folder);
        }
    }
}

impl Staged {
    /// Makes `out_dir` where it is missing.
    pub(crate) fn new(out_dir: &Path) -> Result<Self> {
        let mut made = MadeFolders::default();
        made.make(out_dir).map_err(|e| cannot_write(out_dir, &e))?;
        Ok(Self {
            out_dir: out_dir.to_owned(),
            waiting: Vec::new(),
            made,
        })
    }

    /// Writes `bytes` under a temporary name beside `relative`, a path inside the folder, and returns the final path.
    pub(crate) fn add(&mut self, relative: impl AsRef<Path>, bytes: &[u8]) -> Result<PathBuf> {
        let target = self.out_dir.join(relative.as_ref());
        let folder = target.parent().unwrap_or(&self.out_dir).to_owned();
        let failed = |e: &std::io::Error| cannot_write(&target, e);
        self.made.make(&folder).map_err(|e| failed(&e))?;
        if target.is_dir() {
            return Err(is_a_folder(&target));
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".unfinished-");
        #[cfg(unix)]
        {
            // The temporary file's usual 0600 would hide the report from others who may read the folder; the umask still applies.
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let mut file = builder.tempfile_in(&folder).map_err(|e| failed(&e))?;
        file.write_all(bytes).map_err(|e| failed(&e))?;
        file.as_file().sync_all().map_err(|e| failed(&e))?;
        self.waiting.push((file, target.clone()));
        Ok(target)
    }

    /// Gives every file its name, in the order they were added.
    pub(crate) fn finish(self) -> Result<()> {
        // From here on the folders hold something and stay.
        for (file, target) in self.waiting {
            file.persist(&target).map_err(|e| cannot_write(&target, &e.error))?;
        }
        Ok(())
    }
}

/// Why `path` cannot be written, in a sentence.
pub(crate) fn cannot_write(path: &Path, error: &std::io::Error) -> Error {
    // The kind alone: the error itself names a temporary file that nobody knows.
    let (shown, error) = (shown(path), error.kind());
    match error {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => Error::ours(format!(
            "{shown} could not be written because the disk is full or its quota is used up ({error}), and what was there before is unchanged: free some space or \
             choose another output folder."
        )),
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => Error::input(format!(
            "{shown} may not be written ({error}): choose an output folder that you may write to."
        )),
        ErrorKind::NotADirectory | ErrorKind::AlreadyExists => Error::input(format!(
            "{shown} cannot be written because part of that path is a file and not a folder: choose another output folder."
        )),
        _ => Error::ours(format!("{shown} could not be written ({error}): check the disk or choose another output folder.")),
    }
}

/// Whether files can be put into `folder`, tried out before the long work begins; nothing is left behind.
pub(crate) fn can_write(folder: &Path) -> Result<()> {
    let failed = |e: std::io::Error| cannot_write(folder, &e);
    let mut made = MadeFolders::default();
    made.make(folder).map_err(failed)?;
    tempfile::Builder::new()
        .prefix(".unfinished-")
        .tempfile_in(folder)
        .map_err(failed)?;
    Ok(())
}

/// Whether [`write_whole`] can put a file at `target`; nothing is left behind.
pub(crate) fn can_write_file(target: &Path) -> Result<()> {
    if is_pipe_or_device(target) {
        return Ok(());
    }
    if target.is_dir() {
        return Err(is_a_folder(target));
    }
    can_write(folder_of(target)?)
}

/// Whether something is there that must be written to as it is.
fn is_pipe_or_device(target: &Path) -> bool {
    std::fs::metadata(target).is_ok_and(|m| !m.is_file() && !m.is_dir())
}

fn is_a_folder(target: &Path) -> Error {
    Error::input(format!(
        "{} is a folder, so the file of that name cannot be written: move it away or choose another name or output folder.",
        shown(target)
    ))
}

/// The folder that a single file goes into, which must be there.
fn folder_of(target: &Path) -> Result<&Path> {
    let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if folder.is_dir() {
        return Ok(folder);
    }
    Err(Error::input(format!(
        "{} cannot be written because there is no folder {}: make it first or name another file.",
        shown(target),
        shown(folder)
    )))
}

/// Writes one file whole: under a temporary name beside `target`, then renamed. A pipe or a device is written to as it is: a file must not take its place.
pub(crate) fn write_whole(target: &Path, bytes: &[u8]) -> Result<()> {
    if is_pipe_or_device(target) {
        return std::fs::OpenOptions::new()
            .write(true)
            .open(target)
            .and_then(|mut open| open.write_all(bytes))
            .map_err(|e| cannot_write(target, &e));
    }
    let name = target
        .file_name()
        .ok_or_else(|| Error::input(format!("{} is no file's name: name a file to write.", shown(target))))?;
    let mut staged = Staged::new(folder_of(target)?)?;
    staged.add(Path::new(name), bytes)?;
    staged.finish()
}

/// Removes from `folder` the pictures that an older report of more holds left there: names of our own making that are not in `current`. That they stay where they
/// cannot be removed harms nothing but tidiness.
pub(crate) fn remove_older_stills(folder: &Path, current: &[PathBuf]) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        let ours = entry.file_name().to_str().is_some_and(is_still_name);
        if ours && !current.contains(&path) {
            let _ = std::fs::remove_file(&path);
        }
    }
}

/// Whether `name` is `hold-N.png`, `hold-N-leg.png`, `hold-N-leg-plain.png`, `hold-N-view-K.png`, `hold-N-view-K-leg.png` or `repetition-N-M.png`.
fn is_still_name(name: &str) -> bool {
    let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
    let of_moment = name
        .strip_prefix("repetition-")
        .and_then(|n| n.strip_suffix(".png")?.split_once('-'));
    if of_moment.is_some_and(|(n, m)| digits(n) && digits(m)) {
        return true;
    }
    let Some(middle) = name.strip_prefix("hold-").and_then(|n| n.strip_suffix(".png")) else {
        return false;
    };
    let number = middle.trim_end_matches("-plain").trim_end_matches("-leg");
    digits(number) || number.split_once("-view-").is_some_and(|(n, k)| digits(n) && digits(k))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_names_are_removed() {
        for ours in ["hold-1.png", "hold-12-leg.png", "hold-3-leg-plain.png", "hold-1-view-2-leg.png"] {
            assert!(is_still_name(ours), "{ours}");
        }
        for other in [
            "hold-.png",
            "hold-1.jpg",
            "household-1.png",
            "hold-a.png",
            "hold-1-foot.png",
            "notes.txt",
        ] {
            assert!(!is_still_name(other), "{other}");
        }
    }
}
