//! The config directory: `daemon.yaml`, `shared.yaml` (may be missing) and `tanks/*.yaml`, one file a tank.

use std::io;
use std::path::Path;
use std::sync::Arc;

use crate::control::ids::Name;

use super::daemon::daemon;
use super::problem::{Place, Problem, Problems, Report};
use super::read::{Item, name_problem};
use super::setup::Setup;
use super::shared::shared;
use super::tank::tank;
use super::tree::{self, LARGEST_FILE, Node};

/// The text of each file, by its path under the config directory, with slashes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Files(pub Vec<(String, Result<String, String>)>);

/// More tanks than this in one daemon are refused.
const MOST_TANKS: usize = 10_000;

/// Reads a config directory and understands it.
pub fn load(dir: &Path) -> Result<Setup, Problems> {
    let report = Report::default();
    let missing = match std::fs::metadata(dir) {
        Ok(found) if found.is_dir() => None,
        Ok(_) => Some("this is a file, and no directory".to_owned()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Some("there is no such directory".to_owned()),
        Err(error) => Some(format!("this directory cannot be read: {error}")),
    };
    if let Some(what) = missing {
        let fix = "write the directory in which `daemon.yaml` lies; `slackwater init` makes one";
        report.add(of_the_whole(&dir.display().to_string(), what, fix));
    }
    report.verdict(())?;
    understand(&Files::read(dir))
}

impl Files {
    /// Reads the files of a config directory. What cannot be read is kept as its reason.
    pub fn read(dir: &Path) -> Self {
        let mut files = Vec::new();
        for (name, needed) in [("daemon.yaml", true), ("shared.yaml", false)] {
            match read_file(&dir.join(name)) {
                Err(Failure::Missing) if !needed => {}
                read => files.push((name.to_owned(), read.map_err(|failure| failure.to_string()))),
            }
        }
        let listed = std::fs::read_dir(dir.join("tanks")).and_then(|entries| {
            let names = entries.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()));
            names.collect::<io::Result<Vec<String>>>()
        });
        match listed {
            Ok(mut names) => {
                // Editors leave copies behind: only `*.yaml` counts, and no hidden file.
                names.retain(|name| name.strip_suffix(".yaml").is_some() && !name.starts_with('.'));
                names.sort();
                for name in names {
                    let read = read_file(&dir.join("tanks").join(&name)).map_err(|failure| failure.to_string());
                    files.push((format!("tanks/{name}"), read));
                }
            }
            Err(error) => files.push(("tanks".to_owned(), Err(format!("this directory cannot be read: {error}")))),
        }
        Self(files)
    }
}

enum Failure {
    Missing,
    Other(String),
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing => f.write_str("this file is missing"),
            Self::Other(why) => f.write_str(why),
        }
    }
}

fn read_file(path: &Path) -> Result<String, Failure> {
    let too_large = std::fs::metadata(path).is_ok_and(|meta| meta.len() > LARGEST_FILE as u64);
    if too_large {
        return Err(Failure::Other(format!("this file is larger than {} KiB", LARGEST_FILE / 1024)));
    }
    match std::fs::read(path) {
        Ok(bytes) => String::from_utf8(bytes).map_err(|_| Failure::Other("this file is not UTF-8 text".to_owned())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Err(Failure::Missing),
        Err(error) => Err(Failure::Other(format!("this file cannot be read: {error}"))),
    }
}

/// Understands the files: all of them, or everything that is wrong with any of them.
pub fn understand(files: &Files) -> Result<Setup, Problems> {
    let report = Report::default();
    let common_tree = |name: &str| {
        let (_, text) = files.0.iter().find(|(file, _)| file == name)?;
        Some(parsed(name, text, &report))
    };
    let (daemon_tree, shared_tree) = (common_tree("daemon.yaml"), common_tree("shared.yaml"));
    let tanks: Vec<(Name, &str, &Result<String, String>)> = files
        .0
        .iter()
        .filter_map(|(file, text)| {
            let stem = file.strip_prefix("tanks/")?.strip_suffix(".yaml")?;
            Some((Name::new(stem), file.as_str(), text))
        })
        .collect();
    let whole = |file: &str, what: String, fix: &str| report.add(of_the_whole(file, what, fix));
    for (name, file, _) in &tanks {
        if let Err(why) = name_problem(name) {
            let (what, fix) = why.split_once('\n').unwrap_or((&why, ""));
            whole(file, format!("a tank is called as its file: {what}"), fix);
        }
    }
    if let Some((file, Err(why))) = files.0.iter().find(|(file, _)| file == "tanks") {
        whole(file, why.clone(), "make the directory and write one file a tank, such as `tanks/lagoon.yaml`");
    } else if tanks.is_empty() {
        whole("tanks", "there is no tank".to_owned(), "write one file a tank, such as `tanks/lagoon.yaml`");
    }
    if tanks.len() > MOST_TANKS {
        whole("tanks", format!("{} tanks are more than one daemon keeps", tanks.len()), "split them over several");
    }
    let names: Vec<Name> = tanks.iter().map(|(name, ..)| name.clone()).collect();
    let daemon = top(daemon_tree.as_ref(), &report).map(|item| daemon(&item, &names));
    let root = daemon.as_ref().map_or("slackwater", |daemon| &daemon.root).to_owned();
    let common = shared(top(shared_tree.as_ref(), &report).as_ref(), root);
    let setups = tanks
        .iter()
        .filter_map(|(name, file, text)| {
            // One tree at a time: a thousand of them would be ten times the plans.
            let (file, node) = parsed(file, text, &report);
            tank(name.clone(), &Item::root(&report, &file, &node?), &common)
        })
        .collect::<Vec<_>>();
    super::marks::marks(files, &report);
    let shared_supplies = super::care::shared_supplies(top(shared_tree.as_ref(), &report).as_ref(), &setups);
    let setup = daemon.map(|daemon| {
        let mut tanks = setups;
        let channels = super::proofs::channels(&daemon.notify.channels);
        for tank in &mut tanks {
            tank.plan.proofs.channels.clone_from(&channels);
        }
        Setup { daemon, tanks, shared_supplies }
    });
    if setup.is_none() && daemon_tree.is_none() {
        whole("daemon.yaml", "this file is missing".to_owned(), "write one with at least `broker:` and `data_dir:`");
    }
    report.verdict(setup).map(|setup| setup.expect("without daemon.yaml there is a problem"))
}

/// A problem of a file or directory as such, and of no line in it.
fn of_the_whole(file: &str, what: String, fix: &str) -> Problem {
    Problem { file: file.into(), place: Place::default(), key: String::new(), what, fix: Some(fix.to_owned()) }
}

type Tree = (Arc<str>, Option<Node>);

fn top<'a>(tree: Option<&'a Tree>, report: &'a Report) -> Option<Item<'a>> {
    let (file, node) = tree?;
    Some(Item::root(report, file, node.as_ref()?))
}

fn parsed(name: &str, text: &Result<String, String>, report: &Report) -> Tree {
    let file: Arc<str> = name.into();
    let problem = |place, what| report.add(Problem { file: file.clone(), place, key: String::new(), what, fix: None });
    let node = match text {
        Err(why) => {
            problem(Place::default(), why.clone());
            None
        }
        Ok(text) => tree::parse(text).map_err(|error| problem(error.place, error.what)).ok(),
    };
    (file, node)
}
