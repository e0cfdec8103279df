//! Files that are either whole or not there.
//!
//! Every file is written and flushed under a temporary name in the folder it belongs to; only when all of them are on the disk are they renamed, the page that a
//! person opens last. A full disk or an interruption before that leaves an older report untouched.

use crate::error::{Error, Result};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Files waiting under temporary names; dropped, they vanish.
pub(crate) struct Staged {
    out_dir: PathBuf,
    waiting: Vec<(tempfile::NamedTempFile, PathBuf)>,
}

impl Staged {
    /// Makes `out_dir` where it is missing.
    pub(crate) fn new(out_dir: &Path) -> Result<Self> {
        std::fs::create_dir_all(out_dir).map_err(|e| cannot_write(out_dir, &e))?;
        Ok(Self {
            out_dir: out_dir.to_owned(),
            waiting: Vec::new(),
        })
    }

    /// Writes `bytes` under a temporary name beside `relative`, a path inside the folder, and returns the final path.
    pub(crate) fn add(&mut self, relative: &str, bytes: &[u8]) -> Result<PathBuf> {
        let target = self.out_dir.join(relative);
        let folder = target.parent().unwrap_or(&self.out_dir).to_owned();
        let failed = |e: &std::io::Error| cannot_write(&target, e);
        std::fs::create_dir_all(&folder).map_err(|e| failed(&e))?;
        if target.is_dir() {
            return Err(Error::input(format!(
                "{} is a folder, so the report's file of that name cannot be written: move it away or choose another output folder.",
                target.display()
            )));
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
        for (file, target) in self.waiting {
            file.persist(&target).map_err(|e| cannot_write(&target, &e.error))?;
        }
        Ok(())
    }
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Error {
    let shown = path.display();
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => Error::ours(format!(
            "{shown} could not be written because the disk is full or its quota is used up ({error}): free some space or choose another output folder. An \
             older report there is unchanged."
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

/// Whether `name` is `hold-N.png`, `hold-N-leg.png`, `hold-N-leg-plain.png` or `repetition-N-M.png`.
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
    digits(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_names_are_removed() {
        for ours in ["hold-1.png", "hold-12-leg.png", "hold-3-leg-plain.png"] {
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
