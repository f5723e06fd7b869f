//! Taking a backup.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use crate::shell::background;
use crate::shell::clock::unix_millis;
use crate::shell::store::{beside, is_there};
use crate::time::{Wall, Zone};

use super::archive::{self, Head};
use super::{FORM, GREATEST_TEXT, MANIFEST, Manifest, Member, STORE, Summed, copy, is_config_file};

/// What is made on the way, and goes whatever happens.
struct Scrap(PathBuf);

impl Drop for Scrap {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

/// Takes a backup of a data directory and of the config into `file`, readable by its owner alone. A file that is there
/// is left alone.
pub fn take(config: &Path, data: &Path, file: &Path) -> Result<Manifest, String> {
    // A copy must not take the processor from control, nor an answer from its threads.
    background::yield_to_control();
    let store = data.join("slackwater.db");
    if !store.exists() {
        return Err(format!(
            "there is no store `{}`\n  name the config of the daemon with `--config`, or its data directory with `--data`",
            store.display()
        ));
    }
    if is_there(file) {
        return Err(format!("`{}` is there already and was left alone\n  give another name", file.display()));
    }
    let part = Scrap(beside(file, ".part"));
    let copied = Scrap(beside(file, ".store-part"));
    for scrap in [&part.0, &copied.0] {
        let _ = fs::remove_file(scrap);
    }
    let cannot = |error: io::Error| format!("`{}` cannot be written: {error}", file.display());
    // Before the copy begins, so that nobody else reads it meanwhile.
    drop(private(&copied.0).map_err(cannot)?);
    let taken = unix_millis();
    let found = copy::copy(&store, &copied.0)?;
    let mut files = vec![(STORE.to_owned(), copied.0.clone())];
    files.extend(config_files(config).map_err(|error| format!("`{}` cannot be read: {error}", config.display()))?);
    let members = files.iter().map(|(name, path)| member(name, path)).collect::<Result<Vec<_>, _>>()?;
    let named = |readable: bool| found.tanks.iter().filter(move |tank| tank.1 == readable).map(|tank| tank.0.clone());
    let manifest = Manifest {
        form: FORM,
        schema: found.schema,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        taken: Zone::UTC.rfc3339(Wall::from_unix_millis(taken)),
        taken_unix_millis: taken,
        tanks: named(true).collect(),
        unreadable: named(false).collect(),
        files: members,
    };
    write(&part.0, &manifest, &files).map_err(cannot)?;
    fs::rename(&part.0, file).map_err(cannot)?;
    if let Some(dir) = file.parent().map(|dir| if dir.as_os_str().is_empty() { Path::new(".") } else { dir }) {
        // Its name is on the disk too.
        let _ = File::open(dir).and_then(|dir| dir.sync_all());
    }
    Ok(manifest)
}

fn private(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

/// The YAML files of the config by their names in the backup.
fn config_files(dir: &Path) -> io::Result<Vec<(String, PathBuf)>> {
    let mut found = Vec::new();
    for part in ["", "tanks", "drills"] {
        let entries = match fs::read_dir(dir.join(part)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error),
        };
        for entry in entries {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if is_config_file(&name)
                && fs::metadata(entry.path()).is_ok_and(|meta| meta.is_file() && meta.len() <= GREATEST_TEXT)
            {
                let slash = if part.is_empty() { "" } else { "/" };
                found.push((format!("config/{part}{slash}{name}"), entry.path()));
            }
        }
    }
    found.sort();
    Ok(found)
}

fn member(name: &str, path: &Path) -> Result<Member, String> {
    let sum = || {
        let mut summed = Summed::new(BufReader::new(File::open(path)?));
        io::copy(&mut summed, &mut io::sink())?;
        Ok(summed.finish())
    };
    let (bytes, sha256) = sum().map_err(|error: io::Error| format!("`{}` cannot be read: {error}", path.display()))?;
    Ok(Member { name: name.to_owned(), bytes, sha256 })
}

fn write(part: &Path, manifest: &Manifest, files: &[(String, PathBuf)]) -> io::Result<()> {
    let mut out = BufWriter::new(private(part)?);
    let seconds = u64::try_from(manifest.taken_unix_millis / 1000).unwrap_or(0);
    let text = serde_json::to_string_pretty(manifest)? + "\n";
    let head = Head { name: MANIFEST.to_owned(), bytes: text.len() as u64 };
    archive::write_head(&mut out, &head, seconds)?;
    out.write_all(text.as_bytes())?;
    archive::write_padding(&mut out, head.bytes)?;
    for ((name, path), member) in files.iter().zip(&manifest.files) {
        archive::write_head(&mut out, &Head { name: name.clone(), bytes: member.bytes }, seconds)?;
        let written = io::copy(&mut BufReader::new(File::open(path)?).take(member.bytes), &mut out)?;
        if written != member.bytes {
            return Err(io::Error::other(format!("`{}` changed meanwhile; take the backup again", path.display())));
        }
        archive::write_padding(&mut out, member.bytes)?;
    }
    archive::write_end(&mut out)?;
    out.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()
}
