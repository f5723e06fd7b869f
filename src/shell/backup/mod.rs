//! A backup in one file, and the way back.
//!
//! ```text
//!   store ── VACUUM INTO, one read transaction ──► copy ─┐
//!   config/*.yaml ───────────────────────────────────────┼─► FILE: manifest.json, store.db, config/...
//!   FILE ── each checksum ──► DIR/slackwater.db, its tanks marked as a backup's (`store::doubts`)
//! ```
//! Duty: to copy what a daemon remembers while it runs, in a process of its own, so that control waits for nothing; and
//! to put it where a daemon begins with it, over nothing that is there. Not in it: passwords, tokens and keys, which
//! stand in files of their own, and notifications that wait, which would come late and twice.
//!
//! Direction of failure: a backup that is not whole is not taken, one that is not whole is not restored, and what is
//! restored never gives budgets or doses back (`control::restored`).

pub mod archive;
mod copy;
mod place;
mod take;

use std::io::{self, Read};

use ring::digest::{Context, SHA256};

use super::hex::hex;

pub use place::{Over, Restored, restore};
pub use take::take;

/// The form of the file; a greater one is from a newer program.
const FORM: u32 = 1;
/// The manifest's name; it comes first.
const MANIFEST: &str = "manifest.json";
/// The store's name.
const STORE: &str = "store.db";
/// The bytes of a manifest, and of a file of the config, at most.
const GREATEST_TEXT: u64 = 1024 * 1024;

/// Whether a file of a config by this name is in a backup, and comes out of one. Whatever else lies there may be a secret.
fn is_config_file(name: &str) -> bool {
    name.strip_suffix(".yaml").is_some() && !name.starts_with('.')
}

/// What a backup holds.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Manifest {
    /// The form of the file.
    pub form: u32,
    /// The version of the store.
    pub schema: i64,
    /// The program that made it.
    pub version: String,
    /// When, RFC 3339 in UTC.
    pub taken: String,
    /// The same, Unix milliseconds.
    pub taken_unix_millis: i64,
    /// Tanks with a saved state.
    pub tanks: Vec<String>,
    /// Those whose saved state cannot be read.
    pub unreadable: Vec<String>,
    /// Each file in it, in order.
    pub files: Vec<Member>,
}

/// A file of a backup.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Member {
    /// Its name in the backup.
    pub name: String,
    /// Its bytes.
    pub bytes: u64,
    /// SHA-256, in hexadecimal digits.
    pub sha256: String,
}

/// A reader or writer that takes the checksum of what goes by.
struct Summed<T> {
    inner: T,
    sum: Context,
    bytes: u64,
}

impl<T> Summed<T> {
    fn new(inner: T) -> Self {
        Self { inner, sum: Context::new(&SHA256), bytes: 0 }
    }

    /// The bytes that went by, and their checksum.
    fn finish(self) -> (u64, String) {
        (self.bytes, hex(self.sum.finish().as_ref()))
    }
}

impl<T: Read> Read for Summed<T> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.sum.update(&buffer[..count]);
        self.bytes += count as u64;
        Ok(count)
    }
}

#[cfg(test)]
mod tests;
