//! `slackwater demo`: a simulated home, a broker and the real daemon in one process, over real MQTT.
//!
//! ```text
//!   world (probes, plugs, water) ⇄ broker ⇄ gate ⇄ the daemon, the very one of `slackwater run`
//! ```
//! Duty: put them together, say where to look, and end cleanly. Nothing of the demo is in the
//! daemon; only its clock runs faster if that is asked.

#[cfg(feature = "embedded-broker")]
pub mod broker;
#[cfg(feature = "embedded-broker")]
mod example;
#[cfg(feature = "embedded-broker")]
pub mod gate;
#[cfg(feature = "embedded-broker")]
pub mod home;
#[cfg(feature = "embedded-broker")]
mod narrate;
#[cfg(feature = "embedded-broker")]
pub mod stage;
#[cfg(feature = "embedded-broker")]
mod words;

use std::path::PathBuf;
use std::process::ExitCode;

use crate::time::Span;

/// Runs the daemon on a simulated lagoon, with a broker built in. All data is invented.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
A fault is a plain sentence: SUBJECT does something [at TIME] [for SPAN], in simulated time since the start:
  slackwater demo --speed 60 --fault \"heater welds at 10 min\"
  slackwater demo --fault \"display-temp reads 27 °C at 20 s\" --fault \"broker vanishes at 2 min for 1 min\"
`--list-faults` prints everything that is possible.")]
pub struct Demo {
    /// How much faster than life, 0.1 to 1000; above 120 the network is slow beside it.
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed)]
    pub speed: f64,
    /// Something that goes wrong; may be given several times.
    #[arg(long = "fault", value_name = "SENTENCE")]
    pub faults: Vec<String>,
    /// Prints who can fail, and how.
    #[arg(long)]
    pub list_faults: bool,
    /// The seed of the weather and of the probes' noise.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// The mean temperature of the simulated room.
    #[arg(long, value_name = "TEMPERATURE", default_value = "21 °C")]
    pub room: crate::units::Temperature,
    /// A config directory of your own instead of the example; its broker, address, data directory and channels of
    /// alarms are not used.
    #[arg(long, value_name = "DIR")]
    pub config: Option<PathBuf>,
    /// The broker's port on the loopback interface; 0 is any free one.
    #[arg(long, value_name = "PORT", default_value_t = 0)]
    pub port: u16,
    /// The port of page, metrics and API on the loopback interface; 0 is any free one [default: the config's if it is free]
    #[arg(long, value_name = "PORT")]
    pub http: Option<u16>,
    /// Ends by itself after this much real time, such as `30 s`.
    #[arg(long = "for", value_name = "SPAN")]
    pub lasts: Option<Span>,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=1000.0).contains(&speed) => Ok(speed),
        _ => Err("it is a number from 0.1 to 1000".to_owned()),
    }
}

impl Demo {
    /// Runs the command.
    #[cfg(feature = "embedded-broker")]
    pub fn run(&self) -> ExitCode {
        match stage::play(self) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("{error}");
                ExitCode::from(error.code())
            }
        }
    }

    /// Says why it cannot run.
    #[cfg(not(feature = "embedded-broker"))]
    pub fn run(&self) -> ExitCode {
        eprintln!("this build has no broker for a demo\n  build it with `--features embedded-broker`");
        ExitCode::from(1)
    }
}
