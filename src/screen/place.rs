//! Where a recording's report lies in the results folder.

use crate::hash::hex;
use sha2::{Digest, Sha256};
use std::path::Path;

/// Longest readable part of a report folder's name, bytes.
const READABLE: usize = 48;

/// Name of the report's folder: letters, digits and hyphens of the recording's path, for a person, and twelve hexadecimal digits of a hash of the whole path, so that no two
/// recordings meet and the name is harmless whatever the recording is called.
pub fn report_name(folder: &str, relative: &Path) -> String {
    let mut hasher = Sha256::new();
    hasher.update(folder.as_bytes());
    hasher.update([0]);
    hasher.update(relative.as_os_str().as_encoded_bytes());
    let hash = &hex(&hasher.finalize())[..12];
    let stem = relative.with_extension("");
    let mut readable = String::new();
    for c in stem.to_string_lossy().chars() {
        if c.is_ascii_alphanumeric() {
            readable.push(c);
        } else if !readable.ends_with('-') && !readable.is_empty() {
            readable.push('-');
        }
        if readable.len() == READABLE {
            break;
        }
    }
    let readable = readable.trim_matches('-');
    if readable.is_empty() {
        hash.to_string()
    } else {
        format!("{readable}-{hash}")
    }
}

/// The shard, from 0, that a recording belongs to among `count`: by a hash of its path, so that it does not depend on what else lies in the folder.
pub(super) fn shard_of(folder: &str, relative: &Path, count: u32) -> u32 {
    let mut hasher = Sha256::new();
    hasher.update(folder.as_bytes());
    hasher.update([0]);
    hasher.update(relative.as_os_str().as_encoded_bytes());
    let hash = hasher.finalize();
    (u64::from_be_bytes(std::array::from_fn(|k| hash[k])) % u64::from(count)) as u32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_harmless_and_apart() {
        let name = report_name("evening", Path::new("a/<script>alert(1)</script>\"'&\n.mp4"));
        assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'), "{name}");
        assert!(name.starts_with("a-script-alert-1-script-"), "{name}");
        assert_ne!(report_name("e", Path::new("a.mp4")), report_name("e", Path::new("a.mov")));
        assert_ne!(report_name("e", Path::new("a.mp4")), report_name("f", Path::new("a.mp4")));
        assert_eq!(report_name("e", Path::new("漢.mp4")).len(), 12);
    }
}
