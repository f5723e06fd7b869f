//! One daemon a data directory: an advisory lock that the kernel lets go with the process.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Held as long as it lives.
#[derive(Debug)]
pub struct DataLock {
    _file: File,
}

/// Why the directory cannot be had.
#[derive(Debug)]
pub enum LockError {
    /// Another daemon has it.
    Taken {
        /// The lock file.
        path: PathBuf,
        /// What the other one wrote into it: its process id.
        by: String,
    },
    /// It cannot be made or opened.
    Io {
        /// The directory or file.
        path: PathBuf,
        /// Why.
        error: std::io::Error,
    },
}

impl fmt::Display for LockError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Taken { path, by } => write!(
                f,
                "another daemon (process {by}) works on this data directory; `{}` is locked\n  stop that one first, or give this one a data directory of its own",
                path.display()
            ),
            Self::Io { path, error } => write!(
                f,
                "cannot use the data directory `{}`: {error}\n  it must exist or be creatable, and be writable by this user",
                path.display()
            ),
        }
    }
}

impl std::error::Error for LockError {}

impl DataLock {
    /// Makes the directory if need be and takes it, or says who has it.
    pub fn take(data_dir: &Path) -> Result<Self, LockError> {
        let io = |path: &Path, error| LockError::Io { path: path.to_owned(), error };
        std::fs::create_dir_all(data_dir).map_err(|error| io(data_dir, error))?;
        let path = data_dir.join("slackwater.lock");
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|error| io(&path, error))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut by = String::new();
                let _ = file.read_to_string(&mut by);
                return Err(LockError::Taken { path, by: by.trim().to_owned() });
            }
            Err(TryLockError::Error(error)) => return Err(io(&path, error)),
        }
        // The process id is a courtesy to whoever finds the lock taken; a full disk must not stop the start.
        let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
        Ok(Self { _file: file })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_daemon_on_the_same_data_is_told_who_has_it() {
        let dir = tempfile::tempdir().unwrap();
        let data = dir.path().join("new");
        let first = DataLock::take(&data).unwrap();
        let error = DataLock::take(&data).unwrap_err().to_string();
        assert!(error.contains(&format!("process {}", std::process::id())), "{error}");
        drop(first);
        DataLock::take(&data).unwrap();
    }
}
