//! The example config, in the binary: the demo needs no file of anybody's.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use crate::config::{Problems, Setup, load};

/// The files of `config/` as they stand in the source, by their path under the directory. Invented data.
const FILES: [(&str, &str); 4] = [
    ("daemon.yaml", include_str!("../../../config/daemon.yaml")),
    ("shared.yaml", include_str!("../../../config/shared.yaml")),
    ("tanks/lagoon.yaml", include_str!("../../../config/tanks/lagoon.yaml")),
    ("tanks/quarantine.yaml", include_str!("../../../config/tanks/quarantine.yaml")),
];

/// A directory of our own under the system's temporary one; gone with the demo.
#[derive(Debug)]
pub struct Scratch(PathBuf);

impl Scratch {
    /// Makes it, for this process alone.
    pub fn new() -> io::Result<Self> {
        let at = std::env::temp_dir().join(format!("slackwater-demo-{}", std::process::id()));
        // What a killed demo with the same process id left behind.
        let _ = std::fs::remove_dir_all(&at);
        std::fs::create_dir_all(at.join("data"))?;
        Ok(Self(at))
    }

    /// Where the demo's daemon keeps its store.
    pub fn data(&self) -> PathBuf {
        self.0.join("data")
    }

    /// Writes the example there, so that it can be looked at and checked; gives its directory.
    pub fn write_example(&self) -> io::Result<PathBuf> {
        let dir = self.0.join("config");
        std::fs::create_dir_all(dir.join("tanks"))?;
        for (name, text) in FILES {
            std::fs::write(dir.join(name), text)?;
        }
        Ok(dir)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Why there is no config to show.
#[derive(Debug)]
pub enum ExampleError {
    /// The temporary directory cannot be written.
    Scratch(io::Error),
    /// The directory that was named is wrong.
    Config(Problems),
}

impl fmt::Display for ExampleError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Scratch(why) => {
                write!(f, "the temporary directory cannot be written: {why}\n  set TMPDIR to one that can")
            }
            Self::Config(problems) => problems.fmt(f),
        }
    }
}

impl std::error::Error for ExampleError {}

/// The setup of the directory that was named, or of the example; with the directory that it stands in.
pub fn setup(named: Option<&Path>, scratch: &Scratch) -> Result<(Setup, PathBuf), ExampleError> {
    let dir = match named {
        Some(dir) => dir.to_owned(),
        None => scratch.write_example().map_err(ExampleError::Scratch)?,
    };
    let setup = load(&dir).map_err(ExampleError::Config)?;
    Ok((setup, dir))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_example_is_the_whole_directory_and_is_sound() {
        let scratch = Scratch::new().unwrap();
        let (setup, dir) = setup(None, &scratch).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(setup.tanks.iter().map(|tank| &*tank.plan.name).collect::<Vec<_>>(), ["lagoon", "quarantine"]);
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        assert_eq!(load(&dir).unwrap(), load(&source).unwrap(), "a file of `config/` is not embedded");
        drop(scratch);
        assert!(!dir.exists());
    }
}
