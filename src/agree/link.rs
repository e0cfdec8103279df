//! Links from one folder into another, for a page.

use std::path::{Component, Path, PathBuf};

/// The address of `target` seen from a page in the folder `from`; both must exist. Every byte that is not plain in an address is written `%NN` (RFC 3986, 2.1).
pub(super) fn relative(from: &Path, target: &Path) -> Option<String> {
    let (from, target) = (from.canonicalize().ok()?, target.canonicalize().ok()?);
    let (a, b): (Vec<Component>, Vec<Component>) = (from.components().collect(), target.components().collect());
    let common = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let mut path = PathBuf::new();
    for _ in common..a.len() {
        path.push("..");
    }
    path.extend(&b[common..]);
    let mut out = String::new();
    for byte in path.as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(byte) {
            out.push(char::from(*byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_leads_from_folder_to_file() {
        let scratch = tempfile::tempdir().unwrap();
        let (page, target) = (scratch.path().join("a b/out"), scratch.path().join("c"));
        std::fs::create_dir_all(&page).unwrap();
        std::fs::create_dir_all(&target).unwrap();
        std::fs::write(target.join("x #1.html"), b"").unwrap();
        assert_eq!(relative(&page, &target.join("x #1.html")).unwrap(), "../../c/x%20%231.html");
        assert_eq!(relative(&page, &target.join("none")), None);
    }
}
