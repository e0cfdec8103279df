//! Which recordings are joined, and which stretches of them.

use crate::error::{Error, Result};
use crate::floor::marks::FloorFile;
use std::path::{Path, PathBuf};

/// One view as asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// The recording or photograph.
    pub path: PathBuf,
    /// Only this stretch of it, seconds.
    pub range_s: Option<[f64; 2]>,
    /// Marks on the carpet, if any.
    pub floor: Option<FloorFile>,
    /// Where the athlete is in the first frame, as fractions of the frame's width and height.
    pub athlete: Option<[f64; 2]>,
    /// How many times slower than real time it runs, where the user said.
    pub slower: Option<f64>,
}

/// Splits `FILE@FROM-TO` (seconds) into file and stretch. A file of exactly that name comes first; without a stretch the whole file is meant.
///
/// # Errors
/// [`Error::Input`] where the stretch ends before it begins.
pub fn split(argument: &Path) -> Result<(PathBuf, Option<[f64; 2]>)> {
    if argument.exists() {
        return Ok((argument.to_path_buf(), None));
    }
    let Some((file, stretch)) = argument.to_str().and_then(|t| t.rsplit_once('@')) else {
        return Ok((argument.to_path_buf(), None));
    };
    let numbers: Option<[f64; 2]> = stretch
        .split_once('-')
        .and_then(|(a, b)| Some([a.trim().parse().ok()?, b.trim().parse().ok()?]));
    match numbers {
        Some([from, to]) if from.is_finite() && to.is_finite() && to > from && from >= 0.0 => Ok((PathBuf::from(file), Some([from, to]))),
        Some(_) => Err(Error::input(format!(
            "The stretch {stretch} of {file} must end after it begins, in seconds, such as 12.5-16."
        ))),
        None => Ok((argument.to_path_buf(), None)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_and_names_with_an_at_sign() {
        let folder = tempfile::tempdir().unwrap();
        let odd = folder.path().join("final@2-3");
        std::fs::write(&odd, b"x").unwrap();
        assert_eq!(split(&odd).unwrap(), (odd.clone(), None));
        assert_eq!(split(&folder.path().join("final@2-3@4.5-6")).unwrap(), (odd, Some([4.5, 6.0])),);
        assert_eq!(split(Path::new("a@b.mp4")).unwrap(), (PathBuf::from("a@b.mp4"), None));
        assert!(split(Path::new("a.mp4@6-2")).is_err());
    }
}
