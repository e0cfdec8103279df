//! Only one run at a time may write a results folder. The operating system drops the lock with the process, however that ends.

use crate::error::{Error, Result};
use crate::report::cannot_write;
use std::fs::File;
use std::os::fd::AsRawFd;
use std::path::Path;

pub(super) struct Lock {
    _file: File,
}

impl Lock {
    pub(super) fn take(path: &Path) -> Result<Self> {
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(path)
            .map_err(|e| cannot_write(path, &e))?;
        // SAFETY: a plain call of the C library on a descriptor that lives as long as the lock.
        let taken = unsafe { libc::flock(file.as_raw_fd(), libc::LOCK_EX | libc::LOCK_NB) };
        if taken != 0 && std::io::Error::last_os_error().kind() == std::io::ErrorKind::WouldBlock {
            return Err(Error::input(format!(
                "Another screen is writing {} just now: wait for it, or choose another output folder with --out.",
                path.parent().unwrap_or(path).display()
            )));
        }
        // Any other failure is a file system without locks (some network ones): go on without.
        Ok(Self { _file: file })
    }
}
