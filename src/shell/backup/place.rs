//! Putting a backup where a daemon begins with it.
//!
//! All of it is looked at before anything that is there is touched; the store is moved into its place last, whole.

use std::fs::{self, File};
use std::io::{self, BufReader, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, params};

use crate::shell::clock::unix_millis;
use crate::shell::lock::DataLock;
use crate::shell::store::doubts::{self, Doubt};
use crate::shell::store::{SCHEMA, beside, is_there, states_of};

use super::archive::{self, Head, damaged};
use super::{FORM, GREATEST_TEXT, MANIFEST, Manifest, Member, STORE, Summed, copy, is_config_file};

/// What was done.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Restored {
    /// What the backup holds.
    pub manifest: Manifest,
    /// Where the data are now.
    pub data: PathBuf,
    /// Files of the config that were written.
    pub config: Vec<PathBuf>,
    /// What was there before, and is called otherwise now.
    pub moved: Vec<PathBuf>,
}

/// Whether what is there already is moved out of the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Over {
    /// Existing data refuse it.
    Nothing,
    /// Existing data are kept under another name.
    Existing,
}

/// Puts a backup into a data directory on which no daemon works, and its config into another directory where that is
/// asked for.
pub fn restore(file: &Path, data: &Path, config: Option<&Path>, over: Over) -> Result<Restored, String> {
    let bad = |error: io::Error| {
        let why =
            if error.kind() == io::ErrorKind::UnexpectedEof { "it is cut short".to_owned() } else { error.to_string() };
        format!("`{}` is no whole backup: {why}\n  nothing was changed; take another one", file.display())
    };
    let opened = File::open(file).map_err(|error| format!("`{}` cannot be read: {error}", file.display()))?;
    let mut from = BufReader::new(opened);
    let manifest = manifest(&mut from).map_err(bad)??;
    let _lock = DataLock::take(data).map_err(|error| error.to_string())?;
    let store = data.join("slackwater.db");
    let there: Vec<PathBuf> =
        ["slackwater.db", "notices.db"].iter().map(|name| data.join(name)).filter(|path| is_there(path)).collect();
    if !there.is_empty() && over == Over::Nothing {
        return Err(format!(
            "there are data in `{}` already, and nothing was changed\n  name an empty directory, or move them aside with `--over-existing`",
            data.display()
        ));
    }
    let fresh = data.join("slackwater.db.restoring");
    let texts = extract(&mut from, &manifest, &fresh).map_err(bad).and_then(|texts| {
        mark(&fresh, &manifest).map_err(|why| format!("the store in `{}` cannot be used: {why}", file.display()))?;
        Ok(texts)
    });
    let texts = texts.inspect_err(|_| drop(fs::remove_file(&fresh)))?;
    let placed = place(&texts, config, over, &there, &fresh, &store);
    let (written, moved) = placed.inspect_err(|_| drop(fs::remove_file(&fresh)))?;
    Ok(Restored { manifest, data: data.to_owned(), config: written, moved })
}

/// What any manifest says, of whatever form.
#[derive(serde::Deserialize)]
struct Versions {
    form: u32,
    schema: i64,
    version: String,
}

/// The manifest, or why this program cannot take it.
fn manifest(from: &mut impl Read) -> io::Result<Result<Manifest, String>> {
    let head = archive::read_head(from)?.filter(|head| head.name == MANIFEST && head.bytes <= GREATEST_TEXT);
    let head = head.ok_or_else(|| damaged("it does not begin with its manifest"))?;
    let text = read_text(from, &head)?;
    let of: Versions = serde_json::from_slice(&text).map_err(|_| damaged("its manifest cannot be read"))?;
    if of.form > FORM || of.schema > SCHEMA {
        return Ok(Err(format!(
            "the backup is of a newer program ({}): its form is {} and its store has version {}; this one knows up to {FORM} and {SCHEMA}\n  use that program or a newer one; nothing was changed",
            of.version, of.form, of.schema
        )));
    }
    let manifest: Manifest = serde_json::from_slice(&text).map_err(|_| damaged("its manifest cannot be read"))?;
    if manifest.files.first().is_none_or(|first| first.name != STORE) {
        return Err(damaged("it has no store"));
    }
    Ok(Ok(manifest))
}

/// The store into a file of its own, and the config's texts by their paths below it; each as the manifest says.
fn extract(from: &mut impl Read, manifest: &Manifest, store: &Path) -> io::Result<Vec<(PathBuf, Vec<u8>)>> {
    let mut texts = Vec::new();
    for member in &manifest.files {
        let head = archive::read_head(from)?.ok_or_else(|| damaged("a file of it is missing"))?;
        if (&head.name, head.bytes) != (&member.name, member.bytes) {
            return Err(damaged(&format!("`{}` stands where `{}` should", head.name, member.name)));
        }
        if member.name == STORE {
            let mut summed = Summed::new(Read::take(&mut *from, member.bytes));
            let mut out = File::create(store)?;
            io::copy(&mut summed, &mut out)?;
            out.sync_all()?;
            check(member, summed)?;
            archive::skip_padding(from, member.bytes)?;
        } else {
            let path = config_path(&member.name).filter(|_| member.bytes <= GREATEST_TEXT);
            let path = path.ok_or_else(|| damaged(&format!("`{}` is no file of a config", member.name)))?;
            let text = read_text(from, &head)?;
            let mut summed = Summed::new(&text[..]);
            io::copy(&mut summed, &mut io::sink())?;
            check(member, summed)?;
            texts.push((path, text));
        }
    }
    match archive::read_head(from)? {
        None => Ok(texts),
        Some(head) => Err(damaged(&format!("its manifest knows nothing of `{}`", head.name))),
    }
}

fn check<T>(member: &Member, summed: Summed<T>) -> io::Result<()> {
    let (bytes, sha256) = summed.finish();
    match () {
        () if bytes < member.bytes => Err(io::ErrorKind::UnexpectedEof.into()),
        () if sha256 != member.sha256 => Err(damaged(&format!("the checksum of `{}` is wrong", member.name))),
        () => Ok(()),
    }
}

fn read_text(from: &mut impl Read, head: &Head) -> io::Result<Vec<u8>> {
    let mut text = Vec::new();
    if Read::take(&mut *from, head.bytes).read_to_end(&mut text)? as u64 != head.bytes {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    archive::skip_padding(from, head.bytes)?;
    Ok(text)
}

/// The path of a config file below the config directory; only those that a backup writes.
fn config_path(name: &str) -> Option<PathBuf> {
    let path = name.strip_prefix("config/")?;
    let leaf = path.strip_prefix("tanks/").or_else(|| path.strip_prefix("drills/")).unwrap_or(path);
    (is_config_file(leaf) && !leaf.contains(['/', '\\', '\0'])).then(|| PathBuf::from(path))
}

/// Each tank's state is a backup's, and of any other tank nothing is known. The daemon that begins with it has a name of
/// its own, so that the one that it was taken from is seen where both run.
fn mark(store: &Path, manifest: &Manifest) -> Result<(), String> {
    let text = |error: rusqlite::Error| error.to_string();
    let found = copy::look(store)?;
    if found.schema != manifest.schema {
        return Err(format!("its version is {}, and the manifest says {}", found.schema, manifest.schema));
    }
    let connection = Connection::open(store).map_err(text)?;
    let marks = || {
        connection.pragma_update(None, "journal_mode", "DELETE")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.execute_batch("BEGIN")?;
        doubts::prepare(&connection)?;
        let why = format!("it was restored from a backup of {}", manifest.taken);
        for tank in states_of(&connection)?.into_keys() {
            let doubt = Doubt { why: why.clone(), taken: Some(manifest.taken_unix_millis) };
            doubts::note(&connection, &tank, &doubt)?;
        }
        let why = format!("the backup of {} knows nothing of it", manifest.taken);
        doubts::note(&connection, doubts::ANY, &Doubt { why, taken: None })?;
        connection.execute("DELETE FROM daemon WHERE key = 'instance'", [])?;
        let told = format!("restored from a backup of {}", manifest.taken);
        connection.execute(
            "INSERT INTO journal (at, tank, kind, subject, text) VALUES (?1, 'daemon', 'system', 'restore', ?2)",
            params![unix_millis(), told],
        )?;
        connection.execute_batch("COMMIT")
    };
    marks().map_err(text)
}

/// Everything into its place: what is there out of the way, the config, the store last.
fn place(
    texts: &[(PathBuf, Vec<u8>)],
    config: Option<&Path>,
    over: Over,
    there: &[PathBuf],
    fresh: &Path,
    store: &Path,
) -> Result<(Vec<PathBuf>, Vec<PathBuf>), String> {
    let mut written = Vec::new();
    let wanted: Vec<(PathBuf, &Vec<u8>)> =
        config.into_iter().flat_map(|dir| texts.iter().map(|(path, text)| (dir.join(path), text))).collect();
    let same = |path: &Path, text: &[u8]| fs::read(path).is_ok_and(|there| there == text);
    let other: Vec<&PathBuf> =
        wanted.iter().filter(|(path, text)| is_there(path) && !same(path, text)).map(|(path, _)| path).collect();
    if let (Some(first), Over::Nothing) = (other.first(), over) {
        return Err(format!(
            "`{}` is there already and says something else; nothing was changed\n  name an empty directory, or move such files aside with `--over-existing`",
            first.display()
        ));
    }
    let suffix = format!(".replaced-{}", unix_millis() / 1000);
    let mut moved = Vec::new();
    for path in there.iter().chain(other) {
        let aside = beside(path, &suffix);
        fs::rename(path, &aside).map_err(|error| format!("`{}` cannot be moved aside: {error}", path.display()))?;
        for log in ["-wal", "-shm"] {
            let _ = fs::rename(beside(path, log), beside(&aside, log));
        }
        moved.push(aside);
    }
    for (path, text) in wanted.iter().filter(|(path, text)| !same(path, text)) {
        let write = || {
            path.parent().map_or(Ok(()), fs::create_dir_all)?;
            fs::write(path, text)
        };
        write().map_err(|error| format!("`{}` cannot be written: {error}", path.display()))?;
        written.push(path.clone());
    }
    let finish = || {
        let dir = store.parent().unwrap_or(Path::new("."));
        // Whoever owns the directory is who the daemon runs as.
        let owner = fs::metadata(dir)?;
        let _ = std::os::unix::fs::chown(fresh, Some(owner.uid()), Some(owner.gid()));
        let _ = std::os::unix::fs::chown(dir.join("slackwater.lock"), Some(owner.uid()), Some(owner.gid()));
        File::open(fresh)?.sync_all()?;
        fs::rename(fresh, store)?;
        File::open(dir)?.sync_all()
    };
    finish().map_err(|error| format!("`{}` cannot be put in its place: {error}", store.display()))?;
    Ok((written, moved))
}
