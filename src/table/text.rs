//! A path as text that says every byte of it.

use std::path::Path;

/// The path as text: as it is where it is UTF-8 without a backslash; else a backslash is written `\\` and a byte that is not UTF-8 `\xNN`, so that no two paths
/// give one text.
pub fn path_text(path: &Path) -> String {
    let mut out = String::new();
    for chunk in path.as_os_str().as_encoded_bytes().utf8_chunks() {
        out.push_str(&chunk.valid().replace('\\', "\\\\"));
        for byte in chunk.invalid() {
            out.push_str(&format!("\\x{byte:02x}"));
        }
    }
    out
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;

    #[test]
    fn no_two_paths_give_one_text() {
        let text = |bytes: &[u8]| path_text(Path::new(OsStr::from_bytes(bytes)));
        assert_eq!(text(b"a/b \"c\"\n.mp4"), "a/b \"c\"\n.mp4");
        assert_eq!(text(b"a\xff.mp4"), "a\\xff.mp4");
        assert_eq!(text(b"a\\xff.mp4"), "a\\\\xff.mp4");
    }
}
