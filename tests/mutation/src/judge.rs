//! Which tests reach a mutant, and whether one of them fails with it.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use crate::find::{Mutant, Source};

/// Mutants are judged by as many at once.
const WORKERS: usize = 2;
/// The slowest tests that take this share of the time are not asked: a mutant that only they notice counts as one that
/// survived. `MUTANTS_SLOW` says another share.
const SLOW: f64 = 0.8;
/// Random lives that look for the invariants are asked however long they take, by this part of their names.
const ALWAYS: &str = "invariant";
/// A test that takes this many times as long as without a mutant goes round for ever.
const PATIENCE: u32 = 4;
/// And this long in any case, on a busy machine.
const AT_LEAST: Duration = Duration::from_secs(3);
/// Between two looks at a test that runs.
const LOOK_AGAIN: Duration = Duration::from_millis(3);

/// A test, and what it reaches.
pub struct Test {
    name: String,
    took: Duration,
    reaches: Vec<usize>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    Killed(String),
    Unreached,
    Survived(usize),
}

impl std::fmt::Display for Verdict {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Killed(test) => write!(f, "killed by {test}"),
            Self::Unreached => f.write_str("not reached"),
            Self::Survived(tests) => write!(f, "SURVIVED {tests} tests"),
        }
    }
}

/// Runs each test alone without a mutant; the shortest comes first.
pub fn tests(program: &Path, mutants: &[Mutant]) -> Result<Vec<Test>, String> {
    let listed =
        Command::new(program).args(["--list", "--format=terse"]).output().map_err(|error| error.to_string())?;
    let names: Vec<String> = String::from_utf8_lossy(&listed.stdout)
        .lines()
        .filter_map(|line| line.strip_suffix(": test"))
        .map(str::to_owned)
        .collect();
    let fit: std::collections::HashSet<usize> = mutants.iter().map(|mutant| mutant.id).collect();
    let results = in_parallel(names.len(), |index| {
        let name = &names[index];
        let file: PathBuf = std::env::temp_dir().join(format!("reached-{}-{index}", std::process::id()));
        let began = Instant::now();
        let mut child = start(program, name, |command| command.env("MUTANTS_REACHED", &file));
        let sound = child.wait().is_ok_and(|status| status.success());
        let took = began.elapsed();
        let text = fs::read_to_string(&file).unwrap_or_default();
        let _ = fs::remove_file(&file);
        let reaches = text.lines().filter_map(|line| line.parse().ok()).filter(|id| fit.contains(id)).collect();
        (sound, Test { name: name.clone(), took, reaches })
    });
    if let Some((_, test)) = results.iter().find(|(sound, _)| !sound) {
        return Err(format!("{} fails without a mutant", test.name));
    }
    let mut tests: Vec<Test> = results.into_iter().map(|(_, test)| test).collect();
    tests.sort_by_key(|test| test.took);
    let total: Duration = tests.iter().map(|test| test.took).sum();
    println!("{} tests, {:.0} s one after the other", tests.len(), total.as_secs_f64());
    let (mut slow, mut always) = (Duration::ZERO, Vec::new());
    let share = std::env::var("MUTANTS_SLOW").map_or(Ok(SLOW), |share| share.parse());
    let share: f64 =
        share.map_err(|_| "MUTANTS_SLOW is a share: write a number from 0 to 1, such as 0.5".to_owned())?;
    while let Some(test) = tests.pop_if(|test| slow + test.took < total.mul_f64(share)) {
        slow += test.took;
        if test.name.contains(ALWAYS) {
            always.push(test);
        } else {
            println!("judges nothing, for it took {:.1} s: {}", test.took.as_secs_f64(), test.name);
        }
    }
    always.reverse();
    tests.append(&mut always);
    Ok(tests)
}

/// Where a mutant stands, and what it does: the same in each run on the same sources.
pub fn place(sources: &[Source], mutant: &Mutant) -> String {
    format!("{}:{}: {}", sources[mutant.file].path.display(), mutant.line, mutant.what)
}

pub fn all(program: &Path, sources: &[Source], tests: &[Test], mutants: &[&Mutant]) -> Vec<Verdict> {
    let mut reached_by: HashMap<usize, Vec<&Test>> = HashMap::new();
    for test in tests {
        for id in &test.reaches {
            reached_by.entry(*id).or_default().push(test);
        }
    }
    let kills: Mutex<HashMap<(usize, &str), u32>> = Mutex::new(HashMap::new());
    in_parallel(mutants.len(), |index| {
        let mutant = mutants[index];
        let mut tests = reached_by.get(&mutant.id).cloned().unwrap_or_default();
        {
            let kills = kills.lock().expect("no worker panics with the lock");
            let cost = |test: &&Test| test.took / (1 + kills.get(&(mutant.file, test.name.as_str())).unwrap_or(&0));
            tests.sort_by_cached_key(cost);
        }
        let killer = tests.iter().find(|test| fails(program, test, mutant.id));
        let verdict = match killer {
            Some(test) => {
                *kills.lock().expect("no worker panics with the lock").entry((mutant.file, &test.name)).or_default() +=
                    1;
                Verdict::Killed(test.name.clone())
            }
            None if tests.is_empty() => Verdict::Unreached,
            None => Verdict::Survived(tests.len()),
        };
        // Hours of work are not lost by a Ctrl-C.
        println!("{}: {verdict}", place(sources, mutant));
        verdict
    })
}

fn fails(program: &Path, test: &Test, mutant: usize) -> bool {
    let mut child = start(program, &test.name, |command| command.env("MUTANT", mutant.to_string()));
    let give_up = Instant::now() + test.took * PATIENCE + AT_LEAST;
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return !status.success(),
            Ok(None) if Instant::now() < give_up => thread::sleep(LOOK_AGAIN),
            _ => {
                let _ = child.kill();
                let _ = child.wait();
                return true;
            }
        }
    }
}

fn start(program: &Path, test: &str, set: impl FnOnce(&mut Command) -> &mut Command) -> Child {
    let mut command = Command::new(program);
    command.args(["--exact", test, "--test-threads=1"]).stdout(Stdio::null()).stderr(Stdio::null());
    // Failures of property tests are not kept: they are those of a mutant.
    command.env("PROPTEST_FAILURE_PERSISTENCE", "off").env("PROPTEST_MAX_SHRINK_ITERS", "0");
    set(&mut command).spawn().expect("the test program was just built")
}

fn in_parallel<T: Send>(count: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(count));
    thread::scope(|scope| {
        for _ in 0..WORKERS {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= count {
                        break;
                    }
                    let result = work(index);
                    done.lock().expect("no worker panics with the lock").push((index, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no worker panics with the lock");
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}

/// A line for each file and the whole.
pub fn print(sources: &[Source], mutants: &[&Mutant], verdicts: &[Verdict]) {
    let mut files: Vec<(usize, [usize; 3])> = Vec::new();
    for (mutant, verdict) in mutants.iter().zip(verdicts) {
        if files.last().is_none_or(|(file, _)| *file != mutant.file) {
            files.push((mutant.file, [0; 3]));
        }
        let column = match verdict {
            Verdict::Killed(_) => 0,
            Verdict::Survived(_) => 1,
            Verdict::Unreached => 2,
        };
        files.last_mut().expect("one was just pushed").1[column] += 1;
    }
    println!("| file | mutants | killed | survived | not reached |\n| --- | --- | --- | --- | --- |");
    for (file, [killed, survived, unreached]) in &files {
        let (name, all) = (sources[*file].path.display(), killed + survived + unreached);
        println!("| {name} | {all} | {killed} | {survived} | {unreached} |");
    }
    let sum = |column: usize| files.iter().map(|(_, counts)| counts[column]).sum::<usize>();
    let share = 100.0 * sum(0) as f64 / mutants.len().max(1) as f64;
    println!("{} of {} killed ({share:.1} %), {} survived, {} not reached", sum(0), mutants.len(), sum(1), sum(2));
}
