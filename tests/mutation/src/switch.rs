//! Writes all mutants into the crate, each behind a question, and builds it once.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::find::{Change, Mutant, Source};

/// Which mutant is on, and, in a run without one, which of them were reached.
const QUESTION: &str = r#"
//! Which mutant is on.
use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{LazyLock, Mutex};

static ON: LazyLock<Option<usize>> = LazyLock::new(|| std::env::var("MUTANT").ok().and_then(|id| id.parse().ok()));
static REACHED: LazyLock<Option<(Vec<AtomicBool>, Mutex<std::fs::File>)>> = LazyLock::new(|| {
    let file = std::fs::File::create(std::env::var("MUTANTS_REACHED").ok()?).unwrap();
    Some(((0..COUNT).map(|_| AtomicBool::new(false)).collect(), Mutex::new(file)))
});

pub fn on(id: usize) -> bool {
    if let Some(on) = *ON {
        return on == id;
    }
    if let Some((reached, file)) = &*REACHED && !reached[id].swap(true, Ordering::Relaxed) {
        writeln!(file.lock().unwrap(), "{id}").unwrap();
    }
    false
}
"#;

/// Builds the crate's test program with all mutants in it, and takes those out that do not compile.
pub fn build(folder: &Path, sources: &[Source], mutants: &mut Vec<Mutant>) -> Result<PathBuf, String> {
    let count = mutants.len();
    fs::write(folder.join("src/mutant.rs"), format!("{QUESTION}\nconst COUNT: usize = {count};\n"))
        .map_err(|error| error.to_string())?;
    loop {
        for (file, source) in sources.iter().enumerate() {
            let text = with_mutants(&source.text, mutants.iter().filter(|mutant| mutant.file == file));
            fs::write(&source.path, text).map_err(|error| format!("{}: {error}", source.path.display()))?;
        }
        let output = Command::new("cargo")
            .args(["test", "--no-run", "--lib", "--quiet", "--message-format=json"])
            .env("RUSTFLAGS", "-Awarnings")
            .current_dir(folder)
            .output()
            .map_err(|error| format!("cargo: {error}"))?;
        let messages: Vec<Value> =
            output.stdout.split(|byte| *byte == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect();
        if output.status.success() {
            let program = messages.iter().rev().find_map(|message| message["executable"].as_str());
            return program.map(PathBuf::from).ok_or_else(|| "cargo named no test program".to_owned());
        }
        let unfit = unfit(folder, &messages);
        if unfit.is_empty() {
            return Err(format!("the crate does not build: {}", String::from_utf8_lossy(&output.stderr)));
        }
        mutants.retain(|mutant| !unfit.contains(&mutant.id));
    }
}

/// The mutants nearest to the compiler's errors: the last question asked at or before each.
fn unfit(folder: &Path, messages: &[Value]) -> Vec<usize> {
    let mut unfit = Vec::new();
    let errors = messages.iter().map(|message| &message["message"]).filter(|message| message["level"] == "error");
    for span in errors.flat_map(|error| error["spans"].as_array().into_iter().flatten()) {
        let (Some(file), Some(line)) = (span["file_name"].as_str(), span["line_end"].as_u64()) else { continue };
        if span["is_primary"] != true {
            continue;
        }
        let text = fs::read_to_string(folder.join(file)).unwrap_or_default();
        let before: Vec<&str> = text.lines().take(usize::try_from(line).unwrap_or(0)).collect();
        let asked = before.iter().rev().find_map(|line| line.rsplit_once("mutant::on("));
        let id: Option<usize> = asked.and_then(|(_, rest)| rest.split(')').next()?.parse().ok());
        unfit.extend(id);
    }
    unfit
}

fn with_mutants<'a>(text: &str, mutants: impl Iterator<Item = &'a Mutant>) -> String {
    // (place, order at that place, what is put there): what ends there comes before what begins there, the inner
    // ends before the outer, and the outer begins before the inner.
    let mut put: Vec<(usize, (u8, usize, usize), String)> = Vec::new();
    for mutant in mutants {
        let (id, range) = (mutant.id, &mutant.range);
        let wide = range.len();
        match &mutant.change {
            Change::Instead(other) => {
                put.push((
                    range.start,
                    (1, usize::MAX - wide, id),
                    format!("(\nif crate::mutant::on({id}) {{ {other}\n}} else {{\n"),
                ));
                put.push((range.end, (0, wide, usize::MAX - id), "})".to_owned()));
            }
            Change::Return(result) => {
                put.push((range.start, (1, 0, id), format!("\nif crate::mutant::on({id}) {{ return {result}; }}\n")));
            }
            Change::NoArm { guarded } => {
                let (before, after) = if *guarded { ("", " && (") } else { (" if ", "") };
                put.push((range.start, (1, 0, id), format!("{before}\n!crate::mutant::on({id}){after}\n")));
                if *guarded {
                    put.push((range.end, (0, usize::MAX, id), ")".to_owned()));
                }
            }
        }
    }
    put.sort_by(|one, other| (one.0, one.1).cmp(&(other.0, other.1)));
    let (mut written, mut from) = (String::with_capacity(text.len() * 4), 0);
    for (place, _, what) in put {
        written.push_str(&text[from..place]);
        written.push_str(&what);
        from = place;
    }
    written.push_str(&text[from..]);
    written
}
