//! Room on the disk that nobody else can take: a file that is given up when there is no other.
//!
//! `SQLite` cannot write to a full disk at all, not even to delete: a change goes into the log first, and from there into
//! the file, and both may want to grow. So a full disk is met once, by `Database::go_lean`: this file goes, in
//! its place log and file grow as far as states need, and then the file may not grow any more, so that states can be
//! written over and over, and nothing else is. When the room can be had again, all is as before.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::database::beside;

/// Bytes: twice what log and file grow by when it is given up, since others write to the disk at the same moment.
const ROOM: usize = 4 * 1024 * 1024;

/// Between two tries to have it again.
const AGAIN: Duration = Duration::from_secs(5);

/// The room of one store.
#[derive(Debug)]
pub struct Room {
    file: PathBuf,
    /// Since when it is given up.
    given_up: Option<Instant>,
}

impl Room {
    /// For this store; nothing is taken yet.
    pub fn beside(store: &Path) -> Self {
        Self { file: beside(store, ".room"), given_up: None }
    }

    /// Takes it, where it is not taken.
    pub fn take(&mut self) -> io::Result<()> {
        if fs::metadata(&self.file).is_ok_and(|meta| meta.len() == ROOM as u64) {
            self.given_up = None;
            return Ok(());
        }
        let taken = self.write();
        if taken.is_err() {
            // Half of it would only keep the disk full.
            let _ = fs::remove_file(&self.file);
        } else {
            self.given_up = None;
        }
        taken
    }

    fn write(&self) -> io::Result<()> {
        let mut file = File::create(&self.file)?;
        // A disk that packs its files would make nothing of the same bytes again and again.
        let mut state: u32 = 1;
        let mut block = vec![0; 64 * 1024];
        for _ in 0..ROOM / block.len() {
            for byte in &mut block {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                *byte = state.to_be_bytes()[0];
            }
            file.write_all(&block)?;
        }
        Ok(())
    }

    /// Gives it up.
    pub fn give_up(&mut self) {
        self.given_up = Some(Instant::now());
        let _ = fs::remove_file(&self.file);
    }

    /// Whether it is given up.
    pub fn is_given_up(&self) -> bool {
        self.given_up.is_some()
    }

    /// Whether it is given up and could be had again: asked now and then only.
    pub fn comes_back(&mut self) -> bool {
        if self.given_up.is_none_or(|since| since.elapsed() < AGAIN) {
            return false;
        }
        let back = self.take().is_ok();
        if !back {
            self.given_up = Some(Instant::now());
        }
        back
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_taken_once_given_up_and_had_again() {
        let dir = tempfile::tempdir().unwrap();
        let mut room = Room::beside(&dir.path().join("slackwater.db"));
        room.take().unwrap();
        let file = dir.path().join("slackwater.db.room");
        assert_eq!(fs::metadata(&file).unwrap().len(), ROOM as u64);
        assert!(!room.is_given_up() && !room.comes_back());
        room.give_up();
        assert!(room.is_given_up() && !file.exists());
        assert!(!room.comes_back(), "not at once");
        room.given_up = Instant::now().checked_sub(AGAIN);
        assert!(room.comes_back() && !room.is_given_up() && file.exists());
    }
}
