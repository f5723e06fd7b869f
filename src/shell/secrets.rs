//! Secrets stay in their files and are read when they are needed, so that a changed one counts.
//!
//! A path that begins with `$CREDENTIALS_DIRECTORY/` is in the directory where the service manager
//! puts what the unit loads (systemd's `LoadCredential=`): only the daemon can read it there, and it
//! is read anew only when the service starts. No other variable is understood in a path.

use std::ffi::OsString;
use std::fmt;
use std::path::{Path, PathBuf};

/// The service manager's word for that directory, at the head of a path.
const CREDENTIALS: &str = "$CREDENTIALS_DIRECTORY";

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

/// Where a path of the config leads.
pub fn place(path: &Path) -> Result<PathBuf, SecretError> {
    let directory = || std::env::var_os("CREDENTIALS_DIRECTORY").filter(|directory| !directory.is_empty());
    within(path, directory)
}

fn within(path: &Path, directory: impl FnOnce() -> Option<OsString>) -> Result<PathBuf, SecretError> {
    let Ok(rest) = path.strip_prefix(CREDENTIALS) else { return Ok(path.to_owned()) };
    let why = || "`CREDENTIALS_DIRECTORY` is not set: that directory is there for the service alone, by `LoadCredential=` in its unit";
    let directory = directory().ok_or_else(|| SecretError { path: path.to_owned(), why: why().to_owned() })?;
    Ok(PathBuf::from(directory).join(rest))
}

/// The first line of a file.
pub fn first_line(path: &Path) -> Result<String, SecretError> {
    let error = |why: String| SecretError { path: path.to_owned(), why };
    let text = std::fs::read_to_string(place(path)?).map_err(|e| error(e.to_string()))?;
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
    fn only_the_head_of_a_path_can_be_the_service_manager_s_directory() {
        let given = || Some(OsString::from("/run/credentials/slackwater.service"));
        let leads_to = |path: &str| within(Path::new(path), given).unwrap();
        let there = Path::new("/run/credentials/slackwater.service/secrets_broker");
        assert_eq!(leads_to("$CREDENTIALS_DIRECTORY/secrets_broker"), there);
        for path in ["/etc/slackwater/x", "$HOME/x", "/etc/$CREDENTIALS_DIRECTORY/x", "$CREDENTIALS_DIRECTORYx/y"] {
            assert_eq!(leads_to(path), Path::new(path));
        }
        let outside = within(Path::new("$CREDENTIALS_DIRECTORY/secrets_broker"), || None).unwrap_err().to_string();
        assert!(
            outside.contains("$CREDENTIALS_DIRECTORY/secrets_broker") && outside.contains("LoadCredential="),
            "{outside}"
        );
    }

    #[test]
    fn only_the_same_secret_is_the_same() {
        assert!(same(b"water", b"water"));
        for other in [&b"Water"[..], b"wate", b"waterwater", b""] {
            assert!(!same(b"water", other), "{other:?}");
        }
        assert!(!same(b"", b"x"));
    }
}
