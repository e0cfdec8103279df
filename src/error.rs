//! One error type for the library: what is wrong, in a sentence a person can act on.

use std::path::Path;

/// What went wrong, and whose it is to mend.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The input or an option cannot be used; the sentence says what is wrong and what to do. Exit code 2.
    #[error("{0}")]
    Input(String),
    /// Something of ours failed (a missing network, a full disk, a broken installation). Exit code 1.
    #[error("{0}")]
    Ours(String),
}

impl Error {
    /// An [`Error::Input`] from a sentence.
    pub fn input(sentence: impl Into<String>) -> Self {
        Self::Input(sentence.into())
    }

    /// An [`Error::Ours`] from a sentence.
    pub fn ours(sentence: impl Into<String>) -> Self {
        Self::Ours(sentence.into())
    }

    /// The process's exit code: 2 for bad use or bad input, 1 for our failure.
    pub fn exit_code(&self) -> i32 {
        match self {
            Error::Input(_) => 2,
            Error::Ours(_) => 1,
        }
    }
}

/// The library's result type.
pub type Result<T> = std::result::Result<T, Error>;

/// The path for a sentence, in quotation marks, on one line.
pub(crate) fn shown(path: &Path) -> String {
    let mut text = String::from("“");
    for c in path.to_string_lossy().chars() {
        if c.is_control() {
            text.extend(c.escape_default());
        } else {
            text.push(c);
        }
    }
    text.push('”');
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_is_shown_on_one_line() {
        assert_eq!(shown(Path::new("a\nb\x1b[31m.mp4")), "“a\\nb\\u{1b}[31m.mp4”");
    }
}
