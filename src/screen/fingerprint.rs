//! Telling whether a file is still the one that was checked.

use crate::hash::hex;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// What the file system says without reading the file. The change time cannot be set by hand, so equal fingerprints mean equal content as far as the file system's clock
/// can tell; whenever one differs, the content is hashed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fingerprint {
    /// Size, bytes.
    pub bytes: u64,
    /// Time of last modification, nanoseconds since 1970.
    pub modified_ns: i64,
    /// Time of last change of content or attributes, nanoseconds since 1970.
    pub changed_ns: i64,
    /// Number of the file in its file system.
    pub inode: u64,
}

impl Fingerprint {
    /// The fingerprint of a regular file; `None` where there is none.
    pub fn of(path: &Path) -> Option<Self> {
        let m = std::fs::metadata(path).ok().filter(std::fs::Metadata::is_file)?;
        Some(Self {
            bytes: m.len(),
            modified_ns: m.mtime().wrapping_mul(1_000_000_000).wrapping_add(m.mtime_nsec()),
            changed_ns: m.ctime().wrapping_mul(1_000_000_000).wrapping_add(m.ctime_nsec()),
            inode: m.ino(),
        })
    }
}

/// SHA-256 of a regular file's content, hexadecimal; empty where it cannot be read.
pub(super) fn content_sha256(path: &Path) -> String {
    // A pipe would wait for ever.
    if Fingerprint::of(path).is_none() {
        return String::new();
    }
    let Ok(mut file) = std::fs::File::open(path) else {
        return String::new();
    };
    let mut hasher = Sha256::new();
    match std::io::copy(&mut file, &mut hasher) {
        Ok(_) => hex(&hasher.finalize()),
        Err(_) => String::new(),
    }
}
