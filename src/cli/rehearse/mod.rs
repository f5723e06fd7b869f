//! `slackwater rehearse`: the keeper's own config against a simulated home, in virtual time.
//!
//! Exit codes: 0 nothing violated, 1 something violated or the config is wrong, 2 misuse. The report on
//! the standard output is the same bytes for the same seed; how fast it ran goes to standard error.

mod campaign;
mod days;
mod plot;
mod verdict;
mod words;

use std::fmt::{self, Write as _};
use std::io;
use std::path::PathBuf;
use std::process::ExitCode;

use crate::config::{Problems, Setup, load};
use crate::shell::clock::Clock;
use crate::sim::physics::Room;
use crate::sim::rehearsal::{Detail, Rehearsal, Routine, Staging};
use crate::sim::{Daemon, Fault, FaultError, Model, Surroundings};
use crate::time::{Now, Span, Steady, Wall};
use crate::units::Temperature;

use super::model::model;

/// Rehearses a config against a simulated home before livestock depends on it. All water is simulated.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
A fault is a plain sentence: SUBJECT does something [at TIME] [for SPAN], in simulated time since the start:
  slackwater rehearse --config config --for \"7 d\" --fault \"heater welds at 1 d 2 h\"
  slackwater rehearse --config config --fault \"daemon is killed at 5 h for 10 s\" --plot week.svg
`--list-faults` prints everything that is possible.")]
pub struct Rehearse {
    /// The config directory.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// How much simulated time.
    #[arg(long = "for", value_name = "SPAN", default_value = "30 d")]
    pub lasts: Span,
    /// The seed of weather, noise and delays.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Something that goes wrong; may be given several times.
    #[arg(long = "fault", value_name = "SENTENCE")]
    pub faults: Vec<String>,
    /// A file of faults, one sentence a line; `#` begins a comment.
    #[arg(long, value_name = "FILE")]
    pub fault_file: Option<PathBuf>,
    /// Prints who can fail, and how.
    #[arg(long)]
    pub list_faults: bool,
    /// When it begins, by the wall clock (RFC 3339).
    #[arg(long, value_name = "TIME", default_value = "2026-06-01T06:00:00Z")]
    pub start: String,
    /// The mean temperature of the simulated room.
    #[arg(long, value_name = "TEMPERATURE", default_value = "21 °C")]
    pub room: Temperature,
    /// What the keeper does: `at-home` feeds, fills the reservoir and changes water; `answers` also comes some hours after an
    /// alarm and mends; `away` does nothing.
    #[arg(long, value_name = "WORD", default_value = "at-home", value_parser = routine)]
    pub keeper: Routine,
    /// Plays so many runs with faults at random, on all cores, from the seed on; without `--fault` and `--plot`.
    #[arg(long, value_name = "N", conflicts_with_all = ["faults", "fault_file", "plot", "plot_days", "list_faults"])]
    pub campaign: Option<u64>,
    /// In a campaign: faults come so many times as often as in the model, in every run.
    #[arg(long, value_name = "TIMES", value_parser = times, requires = "campaign")]
    pub rates: Option<f64>,
    /// Plays each unordered pair of kinds of faults in a run of its own; with a number over 1 one pair in so many, by the seed.
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u64).range(1..), conflicts_with_all = ["faults", "fault_file", "plot", "list_faults"])]
    pub pairs: Option<u64>,
    /// Of the pairs, only those with this kind (`--list-kinds`); may be given several times.
    #[arg(long, value_name = "KIND", requires = "pairs")]
    pub with: Vec<String>,
    /// For campaign and pairs: a file of harms that nobody can prevent.
    #[arg(long, value_name = "FILE.tsv")]
    pub excused: Option<PathBuf>,
    /// Prints the kinds of faults, for that file.
    #[arg(long)]
    pub list_kinds: bool,
    /// Draws temperature, level, salinity, outputs and alarms into this file.
    #[arg(long, value_name = "FILE.svg")]
    pub plot: Option<PathBuf>,
    /// Draws each day's temperature, salinity and heating into this file: small, for months and years.
    #[arg(long, value_name = "FILE.svg")]
    pub plot_days: Option<PathBuf>,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

fn routine(text: &str) -> Result<Routine, String> {
    match text {
        "at-home" => Ok(Routine::AtHome),
        "answers" => Ok(Routine::Answers),
        "away" => Ok(Routine::Away),
        _ => Err("known here: `at-home`, `answers` and `away`".to_owned()),
    }
}

fn times(text: &str) -> Result<f64, String> {
    let times = text.parse::<f64>().ok().filter(|times| (0.0..=10_000.0).contains(times));
    times.ok_or_else(|| "write a number such as `50`, up to 10000".to_owned())
}

/// Why there was no rehearsal.
#[derive(Debug)]
pub enum RehearseError {
    /// The config is wrong.
    Config(Problems),
    /// A fault that cannot be.
    Fault(FaultError),
    /// No kind of fault of this home, and the nearest one that is.
    Kind(String, Option<String>),
    /// Not a time.
    Start(String),
    /// A list of excuses with mistakes.
    Excuses(PathBuf, Vec<String>),
    /// A file that cannot be read or written.
    File(PathBuf, io::Error),
}

impl RehearseError {
    /// 2 for misuse, else 1.
    pub fn code(&self) -> u8 {
        if matches!(self, Self::Config(_) | Self::File(..)) { 1 } else { 2 }
    }
}

impl fmt::Display for RehearseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Config(problems) => problems.fmt(f),
            Self::Fault(error) => {
                write!(f, "{error}\n  `slackwater rehearse --list-faults` prints everything that is possible")
            }
            Self::Kind(kind, nearest) => {
                write!(f, "`{kind}` is no kind of fault here")?;
                nearest.iter().try_for_each(|nearest| write!(f, "; did you mean `{nearest}`?"))?;
                write!(f, "\n  `slackwater rehearse --list-kinds` prints all of them")
            }
            Self::Start(text) => {
                write!(f, "`{text}` is not a time\n  write RFC 3339 such as `2026-06-01T06:00:00Z`")
            }
            Self::Excuses(path, wrong) => write!(f, "`{}`\n{}", path.display(), wrong.join("\n")),
            Self::File(path, error) => write!(f, "`{}`: {error}", path.display()),
        }
    }
}

impl std::error::Error for RehearseError {}

impl Rehearse {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        match self.play() {
            Ok(code) => code,
            Err(error) => {
                eprintln!("{error}");
                ExitCode::from(error.code())
            }
        }
    }

    fn play(&self) -> Result<ExitCode, RehearseError> {
        let setup = load(&self.config).map_err(RehearseError::Config)?;
        if self.campaign.is_some() || self.pairs.is_some() {
            return self.play_campaign(&setup);
        }
        let mut rehearsal = self.stage(&setup, self.seed, self.lasts)?;
        if self.list_kinds {
            rehearsal.catalogue().kinds().iter().for_each(|kind| println!("{kind}"));
            return Ok(ExitCode::SUCCESS);
        }
        if self.list_faults {
            print!("{}", rehearsal.catalogue().possible());
            return Ok(ExitCode::SUCCESS);
        }
        for fault in self.read_faults(&rehearsal)? {
            rehearsal.inject(fault);
        }
        let clock = Clock::start(1.0);
        rehearsal.pass(self.lasts);
        let report = rehearsal.report();
        if self.json {
            print!("{}", words::json(self, &rehearsal, &report));
        } else {
            print!("{}", words::text(self, &setup, &rehearsal, &report));
        }
        eprintln!("{}", speed((report.messages, report.passed), setup.tanks.len(), took(clock)));
        if let Some(path) = &self.plot {
            let drawing = plot::svg(&setup, &rehearsal);
            std::fs::write(path, drawing).map_err(|error| RehearseError::File(path.clone(), error))?;
        }
        if let Some(path) = &self.plot_days {
            let drawing = days::svg(&setup, &rehearsal);
            std::fs::write(path, drawing).map_err(|error| RehearseError::File(path.clone(), error))?;
        }
        Ok(if report.violations.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
    }

    fn play_campaign(&self, setup: &Setup) -> Result<ExitCode, RehearseError> {
        let clock = Clock::start(1.0);
        let campaign = campaign::play(self, setup)?;
        let tanks = setup.tanks.len();
        print!("{}", if self.json { verdict::json(&campaign) } else { verdict::text(self, &campaign, tanks) });
        eprintln!("{}, on all cores", speed(campaign.sums(), tanks, took(clock)));
        Ok(if campaign.is_violated() { ExitCode::from(1) } else { ExitCode::SUCCESS })
    }

    /// A home and a daemon that has just started.
    pub fn stage(&self, setup: &Setup, seed: u64, lasts: Span) -> Result<Rehearsal, RehearseError> {
        let wall = Wall::from_rfc3339(&self.start).ok_or_else(|| RehearseError::Start(self.start.clone()))?;
        let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
        let surroundings = Surroundings {
            room: Room::new(self.room.celsius()),
            usual_tank: setup.daemon.usual_tank.as_ref().map(ToString::to_string),
            daemon: Daemon::Played,
            ..Surroundings::default()
        };
        let staging = Staging {
            seed,
            start: Now { steady: Steady::from_millis(0), wall },
            lasts,
            surroundings,
            root: setup.daemon.root.clone(),
            routine: self.keeper,
            detail: Detail::Story,
        };
        Ok(Rehearsal::new(&models, staging))
    }

    fn read_faults(&self, rehearsal: &Rehearsal) -> Result<Vec<Fault>, RehearseError> {
        let mut sentences = self.faults.clone();
        if let Some(path) = &self.fault_file {
            let text = std::fs::read_to_string(path).map_err(|error| RehearseError::File(path.clone(), error))?;
            let lines = text.lines().map(|line| line.split('#').next().unwrap_or("").trim());
            sentences.extend(lines.filter(|line| !line.is_empty()).map(str::to_owned));
        }
        let catalogue = rehearsal.catalogue();
        sentences.iter().map(|sentence| catalogue.read(sentence).map_err(RehearseError::Fault)).collect()
    }

    /// The command that plays a run again.
    pub fn replay(&self, seed: u64, lasts: Span, faults: &[String]) -> String {
        let mut text = format!("slackwater rehearse --config {} --for \"{}\"", self.config.display(), exact(lasts));
        let _ = write!(text, " --seed {seed} --start {}", self.start);
        let _ = write!(text, " --room \"{} °C\"", self.room.celsius());
        text.push_str(match self.keeper {
            Routine::AtHome => "",
            Routine::Answers => " --keeper answers",
            Routine::Away => " --keeper away",
        });
        for fault in faults {
            let _ = write!(text, " --fault \"{fault}\"");
        }
        text
    }
}

/// A span that is read back exactly.
fn exact(span: Span) -> String {
    let millis = span.millis();
    match [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1000)]
        .iter()
        .find(|(_, unit)| millis.is_multiple_of(*unit))
    {
        Some((unit, size)) => format!("{} {unit}", millis / size),
        None => format!("{millis} ms"),
    }
}

fn took(clock: Clock) -> Span {
    clock.now().steady.since(Steady::from_millis(0))
}

/// How fast it ran, everything that a rehearsal does included.
fn speed((messages, passed): (u64, Span), tanks: usize, took: Span) -> String {
    let seconds = took.seconds().max(0.001);
    let tank_years = passed.hours() / 8766.0 * tanks as f64;
    format!(
        "{:.0} messages a second, {:.2} tank-years a minute ({} messages, {:.1} s)",
        messages as f64 / seconds,
        tank_years / seconds * 60.0,
        messages,
        seconds
    )
}
