//! `slackwater prove`: goes through proof tests with a person, step by step.
//!
//! Duty: to show what the daemon says and to pass on what the person says. It judges nothing and knows no step: whoever
//! asks by topic or API goes through the same. Broken off, by Ctrl-C or a closed terminal too, it leaves the step: the
//! daemon gives back what it changed, and `slackwater prove` goes on later.

use std::fmt::Write as _;
use std::io::{BufRead, IsTerminal, Write};
use std::process::ExitCode;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use serde_json::{Value, json};

use super::client::{Client, Daemon, Failed, escaped};

/// Goes through proof tests: each probe, plug, float, cut-off and the way of alarms, seen by the daemon itself.
#[derive(Debug, clap::Args)]
pub struct Prove {
    /// Only this: a probe, an output, a cut-off, `alarm-path`, a check such as `boots`, one of both such as "heater boots",
    /// or `all`; what is due or was never done, if not given.
    pub what: Option<String>,
    /// Shows what is proven, when, by whom, and what is due; changes nothing.
    #[arg(long, conflicts_with = "say")]
    pub list: bool,
    /// Says one thing to the session that goes on and leaves: for buttons and scripts.
    #[arg(long, value_enum, value_name = "WORD")]
    pub say: Option<Say>,
    /// With `--say yes`: the digits of the test message.
    #[arg(long, requires = "say")]
    pub code: Option<u32>,
    /// Who signs.
    #[arg(long = "by", value_name = "NAME")]
    pub signed: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// What can be said to a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Say {
    /// Begins one, or goes on with it.
    Begin,
    /// Is where the step wants you: it begins.
    Ready,
    /// To what is asked.
    Yes,
    /// To what is asked.
    No,
    /// Leaves the step out.
    Skip,
    /// Goes away: what the step changed goes back, and `begin` goes on with it later.
    Leave,
    /// Ends the session.
    Stop,
    /// Only shows it.
    Show,
}

impl Say {
    fn word(self) -> &'static str {
        match self {
            Self::Begin => "begin",
            Self::Ready => "ready",
            Self::Yes => "yes",
            Self::No => "no",
            Self::Skip => "skip",
            Self::Leave => "leave",
            Self::Stop => "stop",
            Self::Show => "show",
        }
    }
}

impl Prove {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if let Some(say) = self.say {
            return super::ask::ask(&self.daemon, &self.request(say, self.code));
        }
        let done = if self.list { self.show_list() } else { self.go_through() };
        done.unwrap_or_else(|failed| failed.report())
    }

    fn request(&self, say: Say, code: Option<u32>) -> Value {
        let what = self.what.as_deref().filter(|_| say == Say::Begin);
        json!({ "do": "prove", "act": say.word(), "what": what, "code": code, "signed": self.signed })
    }

    fn show_list(&self) -> Result<ExitCode, Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        let proofs = proofs(&client, &tank)?;
        if self.daemon.json {
            println!("{:#}", json!({ "tank": tank, "proofs": proofs["proofs"], "session": proofs["session"] }));
        } else {
            print!("{}", listed(&tank, &proofs));
        }
        let sound = proofs["overdue"] == 0 && proofs["never"] == 0 && proofs["failed"] == 0;
        Ok(ExitCode::from(u8::from(!sound)))
    }

    fn go_through(&self) -> Result<ExitCode, Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        let answer = client.ask(&tank, &self.request(Say::Begin, None))?;
        println!("{tank}: {}", answer["summary"].as_str().unwrap_or_default());
        if answer["outcome"] != "done" || !std::io::stdin().is_terminal() {
            details(&answer);
            return Ok(ExitCode::from(u8::from(answer["outcome"] != "done")));
        }
        let talk = Arc::new(Talk { client, tank, speaking: Mutex::new(()) });
        leave_when_told(Arc::clone(&talk), self.request(Say::Leave, None))
            .map_err(|error| Failed::Refused(format!("Ctrl-C could not be heard, so nothing is begun: {error}")))?;
        println!(
            "Enter begins a step, s skips it, q leaves, and so does Ctrl-C; nothing is switched before you say so."
        );
        let mut shown = 0;
        let mut lines = std::io::stdin().lock().lines();
        let mut failed = false;
        loop {
            let session = talk.session()?;
            for one in done_since(&session, &mut shown) {
                failed |= one.contains("failed");
                println!("{one}");
            }
            if session.is_null() {
                break;
            }
            println!("\n{}", step(&session));
            let say = match session["stage"].as_str() {
                Some("ready") => ask_line(&mut lines, "Enter, s or q: ", &[("", Say::Ready), ("s", Say::Skip)]),
                Some("asking") if asks_for_code(&session) => match number(&mut lines) {
                    Some(code) => {
                        talk.say(&self.request(Say::Yes, Some(code)))?;
                        continue;
                    }
                    None => Some(Say::Skip),
                },
                Some("asking") => {
                    ask_line(&mut lines, "y or n, s or q: ", &[("y", Say::Yes), ("n", Say::No), ("s", Say::Skip)])
                }
                _ => {
                    watch(&talk, &session)?;
                    continue;
                }
            };
            let Some(say) = say else {
                println!("{LEFT}");
                return Ok(ExitCode::from(1));
            };
            talk.say(&self.request(say, None))?;
        }
        println!("{}: that was the last one", talk.tank);
        Ok(ExitCode::from(u8::from(failed)))
    }
}

const LEFT: &str = "left; `slackwater prove` goes on with it, `slackwater prove --say stop` ends it";

/// The way to one tank's session.
struct Talk {
    client: Client,
    tank: String,
    /// Held while something is said, so that nothing is said after a good-bye.
    speaking: Mutex<()>,
}

impl Talk {
    fn session(&self) -> Result<Value, Failed> {
        Ok(proofs(&self.client, &self.tank)?["session"].clone())
    }

    fn say(&self, request: &Value) -> Result<(), Failed> {
        let _turn = self.speaking.lock().unwrap_or_else(PoisonError::into_inner);
        let answer = self.client.ask(&self.tank, request)?;
        if answer["outcome"] != "done" {
            println!("{}", answer["summary"].as_str().unwrap_or_default());
            details(&answer);
        }
        Ok(())
    }
}

/// On Ctrl-C, SIGTERM or a closed terminal the step is left, so that what it changed goes back at once, and the program
/// ends with 130, as shells have it. A program that is killed says nothing: then the step's own limit ends it.
fn leave_when_told(talk: Arc<Talk>, leave: Value) -> std::io::Result<()> {
    let around = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
    let wait = move || {
        around.block_on(super::run::told_to_end());
        let _last_turn = talk.speaking.lock().unwrap_or_else(PoisonError::into_inner);
        let left = talk.client.ask(&talk.tank, &leave);
        // The terminal may be gone, and that must not keep anything from ending.
        let _ = match left {
            Ok(_) => writeln!(std::io::stdout(), "\n{LEFT}"),
            Err(Failed::NotReachable(why) | Failed::Refused(why)) => {
                writeln!(std::io::stderr(), "\nerror: {why}\n  the step ends by itself when its time is over")
            }
        };
        std::process::exit(130);
    };
    std::thread::Builder::new().name("leave".to_owned()).spawn(wait).map(drop)
}

/// Follows a step until it is over, saying what was seen as it is seen.
#[expect(clippy::disallowed_methods, reason = "a person waits in front of it; no tank depends on it")]
fn watch(talk: &Talk, begun: &Value) -> Result<(), Failed> {
    let mut instruction = begun["instruction"].clone();
    let mut seen = 0;
    loop {
        std::thread::sleep(Duration::from_millis(500));
        let session = talk.session()?;
        let same = session["of"] == begun["of"] && session["check"] == begun["check"] && session["stage"] == "watching";
        if !same {
            return Ok(());
        }
        let list = session["seen"].as_array().cloned().unwrap_or_default();
        for one in list.iter().skip(seen).filter_map(Value::as_str) {
            println!("  seen: {one}");
        }
        seen = seen.max(list.len());
        if session["instruction"] != instruction {
            instruction = session["instruction"].clone();
            println!("  {}", instruction.as_str().unwrap_or_default());
        }
    }
}

fn proofs(client: &Client, tank: &str) -> Result<Value, Failed> {
    Ok(client.get(&format!("/api/v1/tanks/{}/status", escaped(tank)))?["proofs"].clone())
}

fn details(answer: &Value) {
    for detail in answer["details"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        println!("  {detail}");
    }
}

fn done_since(session: &Value, shown: &mut usize) -> Vec<String> {
    let done = session["done"].as_array().cloned().unwrap_or_default();
    let new = done.iter().skip(*shown).map(|one| {
        let word = |at: usize| one[at].as_str().unwrap_or_default();
        format!("{}: {}: {}", word(0), word(1), word(2))
    });
    let new: Vec<String> = new.collect();
    *shown = (*shown).max(done.len());
    new
}

fn step(session: &Value) -> String {
    let word = |key: &str| session[key].as_str().unwrap_or_default();
    let said = session["said"].as_str().map(|said| format!("  before: {said}\n")).unwrap_or_default();
    format!("{} {} ({} left)\n{said}  {}", word("of"), word("check"), session["left"], word("instruction"))
}

fn asks_for_code(session: &Value) -> bool {
    session["check"] == "arrives"
}

type Lines<'a> = std::io::Lines<std::io::StdinLock<'a>>;

fn prompt(lines: &mut Lines<'_>, text: &str) -> Option<String> {
    print!("{text}");
    let _ = std::io::stdout().flush();
    lines.next()?.ok().map(|line| line.trim().to_lowercase())
}

/// `None`: the person leaves.
fn ask_line(lines: &mut Lines<'_>, text: &str, words: &[(&str, Say)]) -> Option<Say> {
    loop {
        let line = prompt(lines, text)?;
        if line == "q" {
            return None;
        }
        if let Some((_, say)) = words.iter().find(|(word, _)| *word == line) {
            return Some(*say);
        }
    }
}

fn number(lines: &mut Lines<'_>) -> Option<u32> {
    loop {
        let line = prompt(lines, "the digits, or s: ")?;
        if line == "s" {
            return None;
        }
        if let Ok(code) = line.parse() {
            return Some(code);
        }
    }
}

/// What is proven and what is not, as a person reads it.
fn listed(tank: &str, proofs: &Value) -> String {
    let list: Vec<&Value> = proofs["proofs"].as_array().into_iter().flatten().collect();
    let word = |one: &Value, key: &str| one[key].as_str().unwrap_or_default().to_owned();
    let mut out = String::new();
    let count = |key: &str| proofs[key].as_u64().unwrap_or(0);
    let _ = writeln!(
        out,
        "{tank}: {} proofs; {} never done, {} overdue, {} failed",
        list.len(),
        count("never"),
        count("overdue"),
        count("failed")
    );
    let names: Vec<String> = list.iter().map(|one| format!("{} {}", word(one, "of"), word(one, "check"))).collect();
    let width = names.iter().map(|name| name.chars().count()).max().unwrap_or(0);
    for (name, one) in names.iter().zip(&list) {
        let day = |key: &str| one[key].as_i64().map(day);
        let (state, by) = (word(one, "state"), word(one, "by"));
        let text = match state.as_str() {
            "never" => "never done".to_owned(),
            "void" => "done for another binding, which is not this one".to_owned(),
            "failed" => format!("FAILED {} by {by}: {}", day("failed").unwrap_or_default(), word(one, "text")),
            _ => format!("{} by {by}, due {}", day("proven").unwrap_or_default(), day("due").unwrap_or_default()),
        };
        let mark = if state == "due" { "OVERDUE: " } else { "" };
        let _ = writeln!(out, "  {name:width$}  {mark}{text}");
    }
    out
}

/// The day of a wall time, UTC.
fn day(millis: i64) -> String {
    let text = crate::time::Zone::UTC.rfc3339(crate::time::Wall::from_unix_millis(millis));
    text.chars().take(10).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_says_what_is_proven_and_what_is_not() {
        let proofs = json!({
            "never": 1, "overdue": 1, "failed": 1,
            "proofs": [
                { "of": "sump-temp", "check": "moves", "state": "proven", "proven": 1_780_308_000_000_i64,
                  "due": 1_811_844_000_000_i64, "by": "Ana (command line)", "text": "it went far" },
                { "of": "high-float", "check": "wet-and-dry", "state": "due", "proven": 1_770_308_000_000_i64,
                  "due": 1_773_332_000_000_i64, "by": "Ana", "text": "" },
                { "of": "heater", "check": "boots", "state": "failed", "failed": 1_780_308_000_000_i64, "by": "Ana",
                  "text": "it was on, and came back on" },
                { "of": "alarm-path", "check": "arrives", "state": "never" },
            ],
        });
        assert_eq!(
            listed("lagoon", &proofs),
            "lagoon: 4 proofs; 1 never done, 1 overdue, 1 failed\n  \
             sump-temp moves         2026-06-01 by Ana (command line), due 2027-06-01\n  \
             high-float wet-and-dry  OVERDUE: 2026-02-05 by Ana, due 2026-03-12\n  \
             heater boots            FAILED 2026-06-01 by Ana: it was on, and came back on\n  \
             alarm-path arrives      never done\n"
        );
    }
}
