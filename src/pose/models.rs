//! The folder of network files: its manifest, their hashes, and sessions opened from them.

use super::runtime;
use crate::{Error, Result};
use ort::session::Session;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// One row of `manifest.json`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct NetworkFile {
    /// File name inside the folder.
    pub file: String,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// What the network does, such as `person_detector`.
    pub role: String,
    /// Size of the file, bytes.
    pub bytes: u64,
}

#[derive(Deserialize)]
struct Manifest {
    networks: Vec<NetworkFile>,
}

/// A folder with `manifest.json` and the files that it names.
#[derive(Debug, Clone)]
pub struct ModelFolder {
    folder: PathBuf,
    networks: Vec<NetworkFile>,
}

/// Environment variable that names the models folder and goes before every other place.
pub const FOLDER_VARIABLE: &str = "SHANKLINE_MODELS";

/// The models folder: [`FOLDER_VARIABLE`] if set, else `models` in a folder above the executable, or an installation's `share/shankline/models`.
///
/// # Errors
/// [`Error::Ours`] where no such folder holds a manifest.
pub fn default_folder() -> Result<std::path::PathBuf> {
    if let Some(named) = std::env::var_os(FOLDER_VARIABLE) {
        return Ok(named.into());
    }
    let executable = std::env::current_exe().map_err(|e| {
        Error::ours(format!(
            "The program cannot tell where it lies itself ({e}); set {FOLDER_VARIABLE} to the models folder."
        ))
    })?;
    executable
        .ancestors()
        .skip(1)
        .flat_map(|f| [f.join("models"), f.join("share/shankline/models")])
        .find(|f| f.join("manifest.json").is_file())
        .ok_or_else(|| {
            Error::ours(format!(
                "The networks were not found: no folder above {} holds models/manifest.json; install the folder models or set {FOLDER_VARIABLE} to it.",
                executable.display()
            ))
        })
}

impl ModelFolder {
    /// Reads `manifest.json` in `folder`.
    ///
    /// # Errors
    /// [`Error::Ours`] where it is missing, is no manifest, or names a file outside the folder.
    pub fn open(folder: &Path) -> Result<Self> {
        let path = folder.join("manifest.json");
        let text = std::fs::read_to_string(&path).map_err(|e| {
            Error::ours(format!(
                "The list of networks {} cannot be read ({e}); install the folder models anew or name it rightly.",
                path.display()
            ))
        })?;
        let manifest: Manifest = serde_json::from_str(&text).map_err(|e| {
            Error::ours(format!(
                "The list of networks {} is damaged ({e}); install the folder models anew.",
                path.display()
            ))
        })?;
        for network in &manifest.networks {
            // A name with a folder in it could point anywhere.
            if Path::new(&network.file).file_name() != Some(network.file.as_ref()) {
                return Err(Error::ours(format!(
                    "The list of networks {} names {:?}, which is not a plain file name; install the folder models anew.",
                    path.display(),
                    network.file
                )));
            }
        }
        Ok(Self {
            folder: folder.to_path_buf(),
            networks: manifest.networks,
        })
    }

    /// The network with this role, if the folder has one.
    pub fn find(&self, role: &str) -> Option<&NetworkFile> {
        self.networks.iter().find(|n| n.role == role)
    }

    /// The folder's path.
    pub fn path(&self) -> &Path {
        &self.folder
    }

    /// Name and first 12 hex digits of the SHA-256 of every network, for naming what made an answer.
    pub fn short_hashes(&self) -> Vec<(String, String)> {
        self.networks
            .iter()
            .map(|n| (n.file.clone(), n.sha256.chars().take(12).collect()))
            .collect()
    }

    /// The bytes of a network, checked against the manifest.
    ///
    /// # Errors
    /// [`Error::Ours`] where the file is missing or is not the one the manifest names.
    pub fn read(&self, network: &NetworkFile) -> Result<Vec<u8>> {
        let path = self.folder.join(&network.file);
        let bytes = std::fs::read(&path).map_err(|e| {
            Error::ours(format!(
                "The network {} cannot be read ({e}); install the folder models anew.",
                path.display()
            ))
        })?;
        let found = crate::hash::sha256_hex(&bytes);
        if found != network.sha256 {
            return Err(Error::ours(format!(
                "The network {} is not the one listed in manifest.json ({} bytes and SHA-256 {}…, expected {} bytes and {}…); install the folder models anew.",
                path.display(),
                bytes.len(),
                &found[..12],
                network.bytes,
                network.sha256.chars().take(12).collect::<String>()
            )));
        }
        Ok(bytes)
    }

    /// A session on the network with this role: one thread, no spinning (callers run several frames side by side instead).
    ///
    /// # Errors
    /// [`Error::Ours`] where the folder lacks the role, the file is not the listed one, or ONNX Runtime refuses it.
    pub fn session(&self, role: &str) -> Result<Session> {
        let network = self.find(role).ok_or_else(|| {
            Error::ours(format!(
                "{} has no network for {role}; install the folder models anew.",
                self.folder.join("manifest.json").display()
            ))
        })?;
        let bytes = self.read(network)?;
        open_session(&bytes).map_err(|e| match e {
            OpenError::Runtime(error) => error,
            OpenError::Network(message) => Error::ours(format!(
                "ONNX Runtime cannot open the network {}: {message}; install the folder models anew.",
                network.file
            )),
        })
    }
}

enum OpenError {
    Runtime(Error),
    Network(String),
}

impl<T> From<ort::Error<T>> for OpenError {
    fn from(error: ort::Error<T>) -> Self {
        Self::Network(error.to_string())
    }
}

fn open_session(bytes: &[u8]) -> std::result::Result<Session, OpenError> {
    let environment = runtime::environment().map_err(OpenError::Runtime)?;
    Ok(Session::builder(environment)?
        .with_intra_threads(1)?
        .with_inter_threads(1)?
        .with_intra_op_spinning(false)?
        .with_inter_op_spinning(false)?
        .commit_from_memory(bytes)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder_with(manifest: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("manifest.json"), manifest).unwrap();
        folder
    }

    // The SHA-256 of "abc": FIPS 180-4, worked example of SHA-256.
    const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn a_changed_file_is_refused_by_its_hash() {
        let folder = folder_with(&format!(
            r#"{{"networks":[{{"file":"n.onnx","sha256":"{ABC}","role":"r","bytes":3}}]}}"#
        ));
        let models = ModelFolder::open(folder.path()).unwrap();
        let row = models.find("r").unwrap().clone();
        std::fs::write(folder.path().join("n.onnx"), b"abc").unwrap();
        assert_eq!(models.read(&row).unwrap(), b"abc");
        std::fs::write(folder.path().join("n.onnx"), b"abd").unwrap();
        let error = models.read(&row).unwrap_err();
        assert_eq!(error.exit_code(), 1);
        assert!(error.to_string().contains("is not the one listed in manifest.json"));
        std::fs::remove_file(folder.path().join("n.onnx")).unwrap();
        assert!(models.read(&row).unwrap_err().to_string().contains("cannot be read"));
    }

    #[test]
    fn a_manifest_cannot_point_outside_its_folder() {
        for file in ["../n.onnx", "a/b.onnx", "/n.onnx", ""] {
            let folder = folder_with(&format!(
                r#"{{"networks":[{{"file":"{file}","sha256":"{ABC}","role":"r","bytes":3}}]}}"#
            ));
            assert!(ModelFolder::open(folder.path()).is_err(), "{file:?}");
        }
    }

    #[test]
    fn missing_or_damaged_manifests_give_a_sentence() {
        let empty = tempfile::tempdir().unwrap();
        assert!(ModelFolder::open(empty.path()).unwrap_err().to_string().contains("cannot be read"));
        let damaged = folder_with("{");
        assert!(ModelFolder::open(damaged.path()).unwrap_err().to_string().contains("is damaged"));
    }
}
