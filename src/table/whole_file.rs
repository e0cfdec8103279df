//! One file that is whole under its name or not there: written under a temporary name beside it, flushed to the disk, renamed, the folder flushed.

use crate::error::Result;
use crate::report::cannot_write;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file on its way.
pub struct WholeFile {
    file: BufWriter<tempfile::NamedTempFile>,
    target: PathBuf,
}

/// Makes a folder and those above it.
///
/// # Errors
/// A sentence on why it cannot be made.
pub(crate) fn make_folder(folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder).map_err(|e| cannot_write(folder, &e))
}

impl WholeFile {
    /// Starts the file that will be called `target`; its folder is made where it is missing.
    ///
    /// # Errors
    /// A sentence on why nothing can be written there.
    pub fn create(target: &Path) -> Result<Self> {
        let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        make_folder(folder)?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(".unfinished-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let file = builder.tempfile_in(folder).map_err(|e| cannot_write(target, &e))?;
        Ok(Self {
            file: BufWriter::new(file),
            target: target.to_path_buf(),
        })
    }

    /// Writes the whole of `bytes` as the file `target`.
    ///
    /// # Errors
    /// As for [`WholeFile::create`] and [`WholeFile::finish`].
    pub fn write(target: &Path, bytes: &[u8]) -> Result<()> {
        let mut file = Self::create(target)?;
        file.file.write_all(bytes).map_err(|e| cannot_write(target, &e))?;
        file.finish()
    }

    /// Where the file will lie.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Gives the file its name.
    ///
    /// # Errors
    /// A sentence on why it could not be written; then whatever had that name before is unchanged.
    pub fn finish(mut self) -> Result<()> {
        let failed = |e: &std::io::Error| cannot_write(&self.target, e);
        self.file.flush().map_err(|e| failed(&e))?;
        let file = self.file.into_inner().map_err(|e| cannot_write(&self.target, e.error()))?;
        file.as_file().sync_all().map_err(|e| cannot_write(&self.target, &e))?;
        file.persist(&self.target).map_err(|e| cannot_write(&self.target, &e.error))?;
        // A rename is on the disk only once its folder is. Not every file system can do that; then the file is whole all the same.
        let folder = self.target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        if let Ok(folder) = std::fs::File::open(folder) {
            let _ = folder.sync_all();
        }
        Ok(())
    }
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}
