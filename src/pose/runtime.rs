//! Where ONNX Runtime's shared library lies, and the one environment of the process.
//!
//! The library is loaded while the program runs, so the path is resolved here, in code: cargo's `[env]` does not reach a binary that is run by itself.

use crate::{Error, Result};
use ort::environment::Environment;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// File name of the shared library.
pub const LIBRARY_NAME: &str = "libonnxruntime.so.1.24.4";

/// Environment variable that names the shared library's path and goes before every other place.
pub const LIBRARY_VARIABLE: &str = "SHANKLINE_ONNXRUNTIME";

/// Where the library is looked for beside the running executable: its own folder, an installation's `lib/shankline`, and `.tools/onnxruntime` (where
/// `scripts/setup` puts it) of a folder above it.
fn places(executable: &Path) -> Vec<PathBuf> {
    let folders: Vec<&Path> = executable.ancestors().skip(1).collect();
    let mut places = Vec::new();
    if let Some(own) = folders.first() {
        places.push(own.join(LIBRARY_NAME));
        places.push(own.join("../lib/shankline").join(LIBRARY_NAME));
    }
    places.extend(folders.iter().map(|f| f.join(".tools/onnxruntime").join(LIBRARY_NAME)));
    places
}

/// The path of ONNX Runtime's shared library: [`LIBRARY_VARIABLE`] if set, else beside the executable, in `../lib/shankline`, or in a `.tools/onnxruntime`
/// folder above it.
///
/// # Errors
/// [`Error::Ours`] where no such file exists.
pub fn library_path() -> Result<PathBuf> {
    if let Some(named) = std::env::var_os(LIBRARY_VARIABLE) {
        let path = PathBuf::from(named);
        if path.is_file() {
            return Ok(path);
        }
        return Err(Error::ours(format!(
            "{LIBRARY_VARIABLE} names {}, which is not a file; set it to the path of {LIBRARY_NAME} or unset it.",
            path.display()
        )));
    }
    let executable = std::env::current_exe().map_err(|e| {
        Error::ours(format!(
            "The program cannot tell where it lies itself ({e}); set {LIBRARY_VARIABLE} to the path of {LIBRARY_NAME}."
        ))
    })?;
    places(&executable)
        .into_iter()
        .find(|p| p.is_file())
        .ok_or_else(|| {
            Error::ours(format!(
                "ONNX Runtime's library {LIBRARY_NAME} was not found beside {} nor in a folder .tools/onnxruntime above it; run scripts/setup or set {LIBRARY_VARIABLE} to its path.",
                executable.display()
            ))
        })
}

/// The process's only environment, opened on first use and kept (a second one is refused by the library).
pub(crate) fn environment() -> Result<&'static Environment> {
    static ENVIRONMENT: OnceLock<std::result::Result<Environment, String>> = OnceLock::new();
    ENVIRONMENT
        .get_or_init(|| {
            let path = library_path().map_err(|e| e.to_string())?;
            let builder = ort::init_from(&path).map_err(|e| {
                format!(
                    "ONNX Runtime's library {} cannot be loaded: {e}; install {LIBRARY_NAME} anew.",
                    path.display()
                )
            })?;
            builder
                .with_name("shankline")
                .build()
                .map_err(|e| format!("ONNX Runtime does not start: {e}; install the folder models anew."))
        })
        .as_ref()
        .map_err(Error::ours)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn library_is_looked_for_beside_the_executable_and_above_it() {
        let places = places(Path::new("/a/b/bin/program"));
        assert_eq!(places[0], Path::new("/a/b/bin").join(LIBRARY_NAME));
        assert!(places.contains(&Path::new("/a/.tools/onnxruntime").join(LIBRARY_NAME)));
    }
}
