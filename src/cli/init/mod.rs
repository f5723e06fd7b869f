//! `slackwater init`: a few questions, and a config directory that is sound for exactly what is there.
//!
//! ```text
//! flags, file, typing ─► answers (each judged where it stands) ─► config::compose ─► understand ─► files
//! ```
//! Duty: never to overwrite anything, and to write nothing that `slackwater check` would refuse. Limits: no broker
//! is asked; `slackwater listen` does that, and its draft is taken over with `--draft`.
//! Exit codes: 0 written, 1 refused (files are there, the answers contradict each other), 2 misuse or missing answers.

mod answers;
mod home;
mod places;
mod questions;
mod sound;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::config::marks::CHECK;
use crate::config::{Files, Problems, understand};

use answers::{Answers, NoAnswer};
use home::Texts;
use questions::{QUESTIONS, Question};

/// Asks what your tank has, and writes a config with interlocks, holds and alarms for exactly that.
///
/// Each question has help (type `?`), most a usual answer (just press return). `none` means that there is none.
/// Units may be metric or US. Nothing is ever overwritten, and what is written passes `slackwater check`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
For scripts: a file of answers, one a line, with whatever it leaves out as usual:
  slackwater init --dir /etc/slackwater --answers lagoon.txt --yes
  slackwater init --yes --set display=\"18 gal\" --set target=\"77 °F\" --set heater=\"50 W\"
`--list` prints every question with its name, its help and the usual answer.")]
pub struct Init {
    /// The config directory.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub dir: PathBuf,
    /// A file of answers: `name: answer`, one a line; `#` begins a comment.
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
    /// One answer; counts more than the file's.
    #[arg(long = "set", value_name = "NAME=ANSWER")]
    pub set: Vec<String>,
    /// Asks nothing: what has no answer is as usual.
    #[arg(long)]
    pub yes: bool,
    /// Takes this draft of `slackwater listen` over as the tank's file, marks and all.
    #[arg(long, value_name = "FILE")]
    pub draft: Option<PathBuf>,
    /// Prints the questions.
    #[arg(long)]
    pub list: bool,
}

/// Why nothing was written.
#[derive(Debug)]
pub enum Refused {
    /// A flag, a file of answers, an answer that is missing.
    Misuse(String),
    /// Something is there already, or cannot be written.
    File(String),
    /// Sound answers, and no sound tank.
    Unsound(Problems),
}

impl Init {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if self.list {
            print!("{}", questions::listed());
            return ExitCode::SUCCESS;
        }
        match self.write() {
            Ok(said) => {
                print!("{said}");
                ExitCode::SUCCESS
            }
            Err(Refused::Misuse(why)) => {
                eprintln!("error: {why}\n  nothing was written");
                ExitCode::from(2)
            }
            Err(Refused::File(why)) => {
                eprintln!("error: {why}");
                ExitCode::from(1)
            }
            Err(Refused::Unsound(problems)) => {
                eprintln!("{problems}\nerror: together these answers make no sound tank; nothing was written");
                ExitCode::from(1)
            }
        }
    }

    fn write(&self) -> Result<String, Refused> {
        // Before anybody answers thirty questions in vain.
        for name in ["daemon.yaml", "shared.yaml"] {
            is_free(&self.dir.join(name))?;
        }
        let files = self.files()?;
        for (name, _) in &files {
            is_free(&self.dir.join(name))?;
        }
        std::fs::create_dir_all(self.dir.join("tanks")).map_err(|error| cannot(&self.dir, &error))?;
        for (name, text) in &files {
            let path = self.dir.join(name);
            let made = std::fs::File::create_new(&path).and_then(|mut file| file.write_all(text.as_bytes()));
            made.map_err(|error| cannot(&path, &error))?;
        }
        Ok(next_steps(&self.dir, &files))
    }

    /// Asks what is to be asked; each file with its text, understood together. Nothing is written.
    pub fn files(&self) -> Result<Texts, Refused> {
        let draft = self.draft.as_deref().map(read).transpose()?;
        let known = self.known().map_err(Refused::Misuse)?;
        let answers = self.all(known, draft.is_some())?;
        let Some(draft) = draft else {
            let files = home::files(&answers);
            let all = files.iter().map(|(name, text)| (name.clone(), Ok(text.clone()))).collect();
            return understand(&Files(all)).map(|_| files).map_err(Refused::Unsound);
        };
        // A draft has marks, which `check` asks to be answered: it is taken over as it is.
        Ok(home::with_draft(&answers, &draft))
    }

    /// What the file and the flags say, each judged.
    fn known(&self) -> Result<Answers, String> {
        let mut known = Answers::default();
        if let Some(path) = &self.answers {
            let text = std::fs::read_to_string(path).map_err(|error| format!("`{}`: {error}", path.display()))?;
            known.read(&text).map_err(|why| format!("`{}`: {why}", path.display()))?;
        }
        for set in &self.set {
            let Some((name, answer)) = set.split_once('=') else {
                return Err(format!("`--set {set}` is no answer\n  write such as `--set display=\"70 L\"`"));
            };
            known.take(name.trim(), answer).map_err(|why| format!("`--set`: {why}"))?;
        }
        Ok(known)
    }

    /// Every question that concerns this tank, with its answer.
    fn all(&self, known: Answers, is_draft: bool) -> Result<Answers, Refused> {
        let mut given = known;
        let mut answers = Answers::default();
        let mut wrong = Vec::new();
        for question in QUESTIONS.iter().filter(|question| !is_draft || question.of_daemon) {
            if !(question.applies)(&answers) {
                if given.0.remove(question.name).is_some_and(|answer| answer != "none") {
                    wrong.push(format!("`{}` is not asked here: {}", question.name, question.asks));
                }
                continue;
            }
            // As judged as what is typed: the usual `no` is `none` too.
            let usual = (question.usual)(&answers);
            let judged =
                |answer: &str| (question.sound)(answer, &answers).map_err(|why| format!("{}: {why}", question.name));
            let answer = match given.0.remove(question.name) {
                Some(answer) => judged(&answer),
                None if self.yes => usual
                    .map_or_else(|| Err(format!("{}: {}", question.name, missing(question))), |usual| judged(&usual)),
                None => Ok(ask(question, usual.as_deref(), &answers).map_err(|why| refuse(question, &why))?),
            };
            match answer {
                Ok(answer) => {
                    answers.0.insert(question.name, answer);
                }
                Err(why) => wrong.push(why),
            }
        }
        wrong.extend(given.0.keys().map(|name| format!("`{name}` is taken from the draft, not from an answer")));
        if wrong.is_empty() { Ok(answers) } else { Err(Refused::Misuse(wrong.join("\n"))) }
    }
}

fn missing(question: &Question) -> String {
    format!("nobody can guess it: {}\n  write `--set {}=...`, {}", question.asks, question.name, question.such_as)
}

fn refuse(question: &Question, why: &NoAnswer) -> Refused {
    Refused::Misuse(match why {
        NoAnswer::End => format!(
            "the input ended before `{}` was answered\n  answer every question, or give `--set {}=...`, or `--yes` for the usual",
            question.name, question.name
        ),
        NoAnswer::Lost(error) => format!("the answers cannot be read: {error}"),
    })
}

/// Asks until the answer is sound.
fn ask(question: &Question, usual: Option<&str>, answers: &Answers) -> Result<String, NoAnswer> {
    let mut out = io::stdout().lock();
    loop {
        let shown = usual.map(|usual| format!(" [{usual}]")).unwrap_or_default();
        let asked = write!(out, "{}: {}{shown} ", question.name, question.asks).and_then(|()| out.flush());
        asked.map_err(NoAnswer::Lost)?;
        let mut line = String::new();
        if io::stdin().read_line(&mut line).map_err(NoAnswer::Lost)? == 0 {
            let _ = writeln!(out);
            return Err(NoAnswer::End);
        }
        let typed = line.trim();
        let said = match (typed, usual) {
            ("?", _) => Err(format!("{}\n  such as {}", question.help, question.such_as)),
            ("", Some(usual)) => (question.sound)(usual, answers),
            ("", None) => Err(format!("there is no usual answer\n  write such as {}", question.such_as)),
            (typed, _) => (question.sound)(typed, answers),
        };
        match said {
            Ok(answer) => return Ok(answer),
            Err(why) => writeln!(out, "  {}", why.replace('\n', "\n  ")).map_err(NoAnswer::Lost)?,
        }
    }
}

fn read(path: &Path) -> Result<String, Refused> {
    std::fs::read_to_string(path).map_err(|error| Refused::Misuse(format!("`{}`: {error}", path.display())))
}

fn cannot(path: &Path, error: &io::Error) -> Refused {
    Refused::File(format!("`{}`: {error}", path.display()))
}

fn is_free(path: &Path) -> Result<(), Refused> {
    // A link that leads nowhere is something too.
    if std::fs::symlink_metadata(path).is_err() {
        return Ok(());
    }
    Err(Refused::File(format!(
        "`{}` is there already, and nothing is ever overwritten\n  choose another `--dir`, or edit what is there and ask `slackwater check`",
        path.display()
    )))
}

fn next_steps(dir: &Path, files: &[(String, String)]) -> String {
    let marks: usize = files.iter().map(|(_, text)| text.matches(CHECK).count()).sum();
    let files: String =
        files.iter().fold(String::new(), |all, (name, _)| all + &format!("  {}\n", dir.join(name).display()));
    let dir = dir.display();
    let plural = if marks == 1 { "" } else { "s" };
    let answer = if marks > 0 {
        format!("  answer the {marks} mark{plural} `{CHECK} ...` in the tank's file; `check` names each\n")
    } else {
        String::new()
    };
    format!(
        "written\n{files}\nnext\n{answer}  \
         slackwater check --config {dir}      what it means, and what it leaves unprotected\n  \
         slackwater rehearse --config {dir} --for \"7 d\"      a week of it against a simulated tank\n  \
         slackwater run --config {dir}        with every plug in view and no animal in the water\n  \
         slackwater prove --config {dir}      float, leak, cut-off, plugs, alarms: each once, before animals depend on it\n"
    )
}
