//! The command line: arguments in, exit codes out.
//!
//! Duty: choose which of daemon, demo, rehearsal, request or calculation runs, and say how it went.
//! Exit codes: 0 done, 1 refused or found wanting, 2 misuse, 3 daemon not reachable.

mod alarms;
mod alarms_report;
pub mod ask;
mod backup;
pub mod bypass;
mod calc;
pub mod care;
pub mod check;
pub mod client;
pub mod demo;
pub mod dose;
pub mod drill;
pub mod explain;
pub mod export;
pub mod generate;
pub mod init;
pub mod listen;
mod log;
pub mod model;
mod notify;
pub mod prove;
pub mod rehearse;
pub mod run;
mod set_aside;
pub mod status;
mod steadiness;

use std::process::ExitCode;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{CommandFactory, Parser, Subcommand};

/// Keeps a small marine aquarium inside its limits over the home's MQTT broker.
#[derive(Debug, Parser)]
#[command(name = "slackwater", version, about, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Runs the daemon until it is told to stop.
    Run(run::Run),
    /// Shows what a tank looks like now.
    Status(status::Status),
    /// Says why an output is as it is: what each layer wants, who decided, on which readings.
    Explain(explain::Explain),
    /// Pauses outputs for maintenance: a named procedure with a deadline.
    Hold(ask::Hold),
    /// Ends a hold, if what must be true for it is true.
    Release(ask::Release),
    /// Orders one output on or off for a time; trips, starts and holds have the last word.
    Force(ask::Force),
    /// Clears latched trips whose cause is gone.
    Reset(ask::Reset),
    /// Takes what was learned of an output as right: trips are judged by it from then on.
    Confirm(ask::Confirm),
    /// Asks a dosing pump's calibration, container and plan.
    Dose(dose::Dose),
    /// Sets one interlock aside for a time, with its reason; it acts again by itself.
    Bypass(bypass::Bypass),
    /// Goes through proof tests, each seen by the daemon itself; shows what is proven and what is due.
    Prove(prove::Prove),
    /// Acknowledges alarms.
    Ack(ask::Acknowledge),
    Log(Box<care::log::Log>),
    Refill(care::supplies::Refill),
    Away(care::supplies::Away),
    Supplies(care::supplies::Supplies),
    Chores(care::chores::Chores),
    Items(Box<care::items::Items>),
    Spots(care::spots::Spots),
    Export(export::Export),
    Backup(backup::Backup),
    Restore(backup::Restore),
    Alarms(alarms::Alarms),
    Shelve(set_aside::Shelve),
    Unshelve(set_aside::Unshelve),
    OutOfService(set_aside::OutOfService),
    ReturnToService(set_aside::ReturnToService),
    Notify(notify::Notify),
    /// Reads a config directory and says what it means, or everything that is wrong with it.
    Check(check::Check),
    Listen(listen::Listen),
    Init(init::Init),
    Calc(calc::Calc),
    Rehearse(Box<rehearse::Rehearse>),
    Drill(drill::Drill),
    Demo(Box<demo::Demo>),
    #[command(hide = true)]
    Generate(generate::Generate),
}

/// The one command that lives for months: it is read without the tree of all the others, a quarter of a megabyte that
/// would stay in its memory.
#[derive(Debug, Parser)]
#[command(name = "slackwater", version, about, max_term_width = 100)]
enum Daemon {
    /// Runs the daemon until it is told to stop.
    Run(run::Run),
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    if std::env::args_os().nth(1).is_some_and(|first| first == "run") {
        let Daemon::Run(run) = Daemon::parse();
        return run.run();
    }
    let cli = Cli::try_parse().unwrap_or_else(|error| with_what_there_is(error).exit());
    match cli.command {
        Command::Run(run) => run.run(),
        Command::Status(status) => status.run(),
        Command::Explain(explain) => explain.run(),
        Command::Hold(hold) => hold.run(),
        Command::Release(release) => release.run(),
        Command::Force(force) => force.run(),
        Command::Reset(reset) => reset.run(),
        Command::Confirm(confirm) => confirm.run(),
        Command::Dose(dose) => dose.run(),
        Command::Bypass(bypass) => bypass.run(),
        Command::Prove(prove) => prove.run(),
        Command::Ack(acknowledge) => acknowledge.run(),
        Command::Log(log) => log.run(),
        Command::Refill(refill) => refill.run(),
        Command::Away(away) => away.run(),
        Command::Supplies(supplies) => supplies.run(),
        Command::Chores(chores) => chores.run(),
        Command::Items(items) => items.run(),
        Command::Spots(spots) => spots.run(),
        Command::Export(export) => export.run(),
        Command::Backup(backup) => backup.run(),
        Command::Restore(restore) => restore.run(),
        Command::Alarms(alarms) => alarms.run(),
        Command::Shelve(shelve) => shelve.run(),
        Command::Unshelve(unshelve) => unshelve.run(),
        Command::OutOfService(remove) => remove.run(),
        Command::ReturnToService(back) => back.run(),
        Command::Notify(notify) => notify.run(),
        Command::Check(check) => check.run(),
        Command::Listen(listen) => listen.run(),
        Command::Init(init) => init.run(),
        Command::Calc(calc) => calc.run(),
        Command::Rehearse(rehearse) => rehearse.run(),
        Command::Drill(drill) => drill.run(),
        Command::Demo(demo) => demo.run(),
        Command::Generate(generate) => generate.run(),
    }
}

/// An unknown command is answered with those that there are, where none is so near that it is named already.
fn with_what_there_is(mut error: clap::Error) -> clap::Error {
    if error.kind() == ErrorKind::InvalidSubcommand && error.get(ContextKind::SuggestedSubcommand).is_none() {
        let all = Cli::command();
        let mut at = &all;
        for word in std::env::args().skip(1) {
            let Some(next) = at.find_subcommand(&word) else { break };
            at = next;
        }
        let names: Vec<&str> =
            at.get_subcommands().filter(|one| !one.is_hide_set()).map(clap::Command::get_name).collect();
        let known = format!("there are {}", names.join(", "));
        error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![known.into()]));
    }
    error
}
