//! Secrets stay in their files and are read when they are needed, so that a changed one counts.

use std::fmt;
use std::path::{Path, PathBuf};

/// Why a secret cannot be had.
#[derive(Debug)]
pub struct SecretError {
    path: PathBuf,
    why: String,
}

impl fmt::Display for SecretError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "cannot read the secret in `{}`: {}\n  its first line must be the secret, and the daemon's user must be able to read it",
            self.path.display(),
            self.why
        )
    }
}

impl std::error::Error for SecretError {}

/// The first line of a file.
pub fn first_line(path: &Path) -> Result<String, SecretError> {
    let error = |why: String| SecretError { path: path.to_owned(), why };
    let text = std::fs::read_to_string(path).map_err(|e| error(e.to_string()))?;
    match text.lines().next() {
        Some(line) if !line.trim().is_empty() => Ok(line.trim_end().to_owned()),
        _ => Err(error("its first line is empty".to_owned())),
    }
}

/// Whether two secrets are equal, in a time that does not depend on where they differ.
pub fn same(ours: &[u8], theirs: &[u8]) -> bool {
    let different = ours.len() ^ theirs.len();
    let bits = theirs
        .iter()
        .enumerate()
        .fold(0, |bits, (n, byte)| bits | (byte ^ ours.get(n % ours.len().max(1)).unwrap_or(&0)));
    different == 0 && bits == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_same_secret_is_the_same() {
        assert!(same(b"water", b"water"));
        for other in [&b"Water"[..], b"wate", b"waterwater", b""] {
            assert!(!same(b"water", other), "{other:?}");
        }
        assert!(!same(b"", b"x"));
    }
}
