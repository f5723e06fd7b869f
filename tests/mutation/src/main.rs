//! Mutation testing of a crate whose build takes longer than its tests.
//!
//! Run by `tests/mutants`, which makes the crate: `mutation CRATE SHARD PART...`. All mutants are built at once, each behind a
//! question that an environment variable answers ([`switch`]), so that one build serves all. Each test runs once
//! without a mutant and says which of them it reached; a mutant is then judged by just those tests, the shortest first
//! and what killed most in its file before, until one fails. Reached by none, it survives without a run. With
//! `MUTANTS_AGAIN=OUTPUT` only those are judged that this output of an earlier run on the same sources does not call
//! killed: what survived, and what it did not come to.
//!
//! Limits: nothing inside `const` items, `const fn` and macros is changed; what does not compile is left out.

mod find;
mod judge;
mod switch;

use std::path::Path;
use std::process::ExitCode;

use find::Mutant;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [folder, shard, parts @ ..] = arguments.as_slice() else {
        eprintln!("write: mutation CRATE SHARD PART...   (mutation target/mutants 0/4 src/control)");
        return ExitCode::from(2);
    };
    let Some((index, of)) = shard.split_once('/').and_then(|(index, of)| Some((index.parse().ok()?, of.parse().ok()?)))
    else {
        eprintln!("`{shard}` is not a shard; write 0/4 for the first of four, 0/1 for all");
        return ExitCode::from(2);
    };
    match measure(Path::new(folder), index, of, parts) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

fn measure(folder: &Path, index: usize, of: usize, parts: &[String]) -> Result<(), String> {
    let sources = find::sources(folder, parts)?;
    let mut mutants: Vec<Mutant> = find::mutants(&sources);
    println!("{} mutants in {} files", mutants.len(), sources.len());
    let program = switch::build(folder, &sources, &mut mutants)?;
    println!("{} of them build", mutants.len());
    let tests = judge::tests(&program, &mutants)?;
    let earlier = std::env::var("MUTANTS_AGAIN").ok().map(std::fs::read_to_string).transpose();
    let earlier = earlier.map_err(|why| format!("MUTANTS_AGAIN cannot be read: {why}"))?;
    let survived = |mutant: &Mutant| {
        let begin = format!("{}: ", judge::place(&sources, mutant));
        let of = |text: &String| {
            let mut lines = text.lines().filter(|line| line.starts_with(&begin)).peekable();
            lines.peek().is_none() || lines.any(|line| !line.contains(": killed by "))
        };
        earlier.as_ref().is_none_or(of)
    };
    let chosen: Vec<&Mutant> = mutants.iter().filter(|mutant| mutant.id % of == index && survived(mutant)).collect();
    let verdicts = judge::all(&program, &sources, &tests, &chosen);
    judge::print(&sources, &chosen, &verdicts);
    Ok(())
}
