//! Paths: what may be opened, how a path reaches a tool, and how it is shown in a sentence.

use crate::error::shown;
use crate::{Error, Result};
use std::ffi::OsString;
use std::io::Read;
use std::path::{Path, PathBuf};

/// A regular file that exists, is not empty and may be read.
#[derive(Debug, Clone)]
pub(super) struct LocalFile {
    /// Absolute, so that a tool may run in another folder.
    absolute: PathBuf,
    /// For sentences.
    pub shown: String,
    /// Bytes.
    pub size: u64,
    /// The first bytes, for telling formats by content.
    pub head: Vec<u8>,
}

/// How many bytes of the file [`LocalFile::head`] keeps.
const HEAD_BYTES: u64 = 64;

impl LocalFile {
    /// Looks at `path`.
    ///
    /// # Errors
    /// [`Error::Input`] where there is nothing, a folder, something that is not a file, an empty file, or one that may not be read.
    pub fn look(path: &Path) -> Result<Self> {
        let shown = shown(path);
        let metadata = std::fs::metadata(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Error::input(format!("There is no file {shown}: check the path.")),
            std::io::ErrorKind::PermissionDenied => {
                Error::input(format!("{shown} may not be looked at: change the permissions of its folder."))
            }
            _ => Error::input(format!("{shown} cannot be looked at ({e}).")),
        })?;
        if metadata.is_dir() {
            return Err(Error::input(format!("{shown} is a folder: give a video or photograph in it.")));
        }
        if !metadata.is_file() {
            return Err(Error::input(format!(
                "{shown} is a device or a pipe: save the recording to a file first."
            )));
        }
        if metadata.len() == 0 {
            return Err(Error::input(format!("{shown} is empty: copy the recording again.")));
        }
        let mut head = Vec::new();
        std::fs::File::open(path)
            .and_then(|file| file.take(HEAD_BYTES).read_to_end(&mut head))
            .map_err(|e| match e.kind() {
                std::io::ErrorKind::PermissionDenied => Error::input(format!("{shown} may not be read: change its permissions.")),
                _ => Error::input(format!("{shown} cannot be read ({e}): copy it again.")),
            })?;
        let absolute = std::path::absolute(path).map_err(|e| Error::input(format!("{shown} cannot be found ({e}).")))?;
        Ok(Self {
            absolute,
            shown,
            size: metadata.len(),
            head,
        })
    }

    /// The path.
    pub fn path(&self) -> &Path {
        &self.absolute
    }

    /// The argument that names this file to ffmpeg and ffprobe. The prefix keeps a leading `-` from being an option and a `:` from being a protocol.
    pub fn tool_argument(&self) -> OsString {
        let mut argument = OsString::from("file:");
        argument.push(&self.absolute);
        argument
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_leading_dash_and_a_colon_stay_part_of_the_name() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("-i http:x.mp4");
        std::fs::write(&path, b"x").unwrap();
        let argument = LocalFile::look(&path).unwrap().tool_argument();
        let mut expected = OsString::from("file:");
        expected.push(&path);
        assert_eq!(argument, expected);
    }
}
