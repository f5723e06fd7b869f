//! Faults as plain sentences: one vocabulary for demo, rehearsal and drill.
//!
//! ```text
//!   SUBJECT does something [at TIME] [for SPAN]
//!   heater welds at 10 min
//!   lagoon/heater plug vanishes at 1 d 2 h for 2 min
//! ```
//! Without `at` it begins at once; without `for` it lasts. Times count from the start of the
//! simulation, in simulated time. A subject is an output, a probe, a tank or one of `room`, `drain`,
//! `reservoir`, `power`, `broker`, `keeper`, and where a daemon is played too (rehearsal, drill) `daemon` and
//! `clock`; where several tanks have one of that name it is the usual tank's,
//! and `TANK/NAME` names another's. [`Catalogue::possible`] lists everything.
//!
//! Invariant: what [`Fault`] prints, [`Catalogue::read`] reads back as the same fault.

mod catalogue;
mod draw;
mod read;
#[cfg(test)]
mod tests;
mod vocabulary;

use std::fmt;

use crate::control::plan::Switch;
use crate::time::Span;

pub use catalogue::Catalogue;
pub(super) use catalogue::Class;
pub use read::FaultError;
pub use vocabulary::Pairs;

/// Something that goes wrong, with its time.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// To whom, as it is written.
    pub subject: String,
    /// What.
    pub what: What,
    /// When, since the start; `None`: at once.
    pub at: Option<Span>,
    /// For how long; `None`: from then on.
    pub lasts: Option<Span>,
}

/// What goes wrong. The numbers are places in the world that made the catalogue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum What {
    /// With an output or its plug.
    Output(usize, OutputFault),
    /// With a probe.
    Probe(usize, ProbeFault),
    /// With a tank's water.
    Tank(usize, TankFault),
    /// The room is pulled to this, °C.
    Room(f64),
    /// No mains for plugs and probes; broker and daemon go on, as on a battery.
    PowerCut,
    /// No broker for anybody.
    BrokerVanishes,
    /// Every message takes so long.
    BrokerDelays(Span),
    /// Every message comes twice, as at least once allows.
    BrokerDoubles,
    /// The daemon is dead; when it is over it starts again with what its store remembers.
    DaemonKilled,
    /// The wall clock of the daemon's machine moves by so many milliseconds.
    ClockJumps(i64),
    /// Not a fault: a tank's keeper does something.
    Keeper(usize, KeeperAct),
}

/// What a keeper does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum KeeperAct {
    /// Asks for the hold `feeding`, and leaves it to its limit.
    Feeds,
    /// Asks for the hold `water-change`, takes so many litres and gives as many of new sea water, releases.
    ChangesWater(f64),
    /// Asks for the reset of whatever is latched.
    Resets,
}

/// With an output or its plug.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OutputFault {
    /// The relay conducts whatever it is told and whatever it reports.
    Welds,
    /// No work, no power: a burnt element, a dead motor.
    Stops,
    /// No work, and it draws its power: a blocked rotor.
    Jams,
    /// A top-off hose that runs on while the pump is off.
    Siphons,
    /// A top-off hose that lies beside the tank.
    HoseComesOff,
    /// The plug does not do as told; `None`: neither on nor off.
    PlugIgnores(Option<Switch>),
    /// The network does not reach the plug; its relay stays and its lease runs on.
    PlugVanishes,
    /// The plug restarts, into its boot state or into this one.
    PlugReboots(Option<Switch>),
    /// Somebody presses the plug's button.
    Pressed(Switch),
    /// The plug's own countdown is gone.
    ForgetsLease,
    /// The meter repeats its last number.
    MeterFreezes,
    /// It draws so many watts while current flows: another appliance, a worn motor, a fault.
    Draws(f64),
}

/// With a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ProbeFault {
    /// It repeats its last payload.
    Freezes,
    /// Nothing comes.
    Silent,
    /// It says this number whatever is true.
    Reads(ReadsAs),
    /// It is off by this, in the canonical unit of the difference.
    Shifted(f64),
    /// Its payloads mean nothing.
    Garbage,
    /// It hangs in the air.
    Lifted,
    /// A contact that says wet (`true`) or dry for ever.
    Sticks(bool),
}

/// A number that a broken probe says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ReadsAs {
    /// Written as it stands in the payload.
    Payload(f64),
    /// In the canonical unit of what the probe measures.
    Value(f64),
}

/// With a tank's water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TankFault {
    /// Onto the floor, L/h.
    Leaks(f64),
    /// The drain lets nothing through.
    DrainClogs,
    /// The reservoir is empty at once.
    ReservoirRunsEmpty,
    /// Not a fault: somebody fills it.
    ReservoirIsRefilled,
}

impl What {
    /// Whether it is over as soon as it has happened, so that `for` means nothing.
    pub fn is_momentary(self) -> bool {
        matches!(
            self,
            Self::Output(_, OutputFault::PlugReboots(_) | OutputFault::Pressed(_))
                | Self::ClockJumps(_)
                | Self::Keeper(..)
                | Self::Tank(_, TankFault::ReservoirRunsEmpty | TankFault::ReservoirIsRefilled)
        )
    }

    fn words(self, symbols: &str) -> String {
        match self {
            Self::Output(_, fault) => fault.words(),
            Self::Probe(_, fault) => fault.words(symbols),
            Self::Tank(_, TankFault::Leaks(rate)) => format!("leaks {rate} L/h"),
            Self::Tank(_, TankFault::DrainClogs) => "clogs".to_owned(),
            Self::Tank(_, TankFault::ReservoirRunsEmpty) => "runs empty".to_owned(),
            Self::Tank(_, TankFault::ReservoirIsRefilled) => "is refilled".to_owned(),
            Self::Room(celsius) => format!("goes to {celsius} °C"),
            Self::PowerCut => "cut".to_owned(),
            Self::BrokerVanishes => "vanishes".to_owned(),
            Self::BrokerDelays(by) => format!("delays messages by {}", Exact(by)),
            Self::BrokerDoubles => "doubles messages".to_owned(),
            Self::DaemonKilled => "is killed".to_owned(),
            Self::ClockJumps(by) => {
                format!(
                    "jumps {} {}",
                    if by < 0 { "back" } else { "ahead" },
                    Exact(Span::from_millis(by.unsigned_abs()))
                )
            }
            Self::Keeper(_, KeeperAct::Feeds) => "feeds".to_owned(),
            Self::Keeper(_, KeeperAct::ChangesWater(litres)) => format!("changes {litres} L"),
            Self::Keeper(_, KeeperAct::Resets) => "resets".to_owned(),
        }
    }
}

impl OutputFault {
    fn words(self) -> String {
        match self {
            Self::Welds => "welds".to_owned(),
            Self::Stops => "stops".to_owned(),
            Self::Jams => "jams".to_owned(),
            Self::Siphons => "siphons".to_owned(),
            Self::HoseComesOff => "hose comes off".to_owned(),
            Self::PlugIgnores(None) => "plug ignores commands".to_owned(),
            Self::PlugIgnores(Some(to)) => format!("plug ignores {}", to.word()),
            Self::PlugVanishes => "plug vanishes".to_owned(),
            Self::PlugReboots(None) => "plug reboots".to_owned(),
            Self::PlugReboots(Some(to)) => format!("plug reboots {}", to.word()),
            Self::Pressed(to) => format!("plug is switched {}", to.word()),
            Self::ForgetsLease => "plug forgets its lease".to_owned(),
            Self::MeterFreezes => "meter freezes".to_owned(),
            Self::Draws(watts) => format!("draws {watts} W"),
        }
    }
}

impl ProbeFault {
    /// `symbols`: the canonical units of the value and of its difference, parted by a space.
    fn words(self, symbols: &str) -> String {
        let (value, difference) = symbols.split_once(' ').unwrap_or((symbols, symbols));
        match self {
            Self::Freezes => "freezes".to_owned(),
            Self::Silent => "goes silent".to_owned(),
            Self::Reads(ReadsAs::Payload(number)) => format!("reads {number}"),
            Self::Reads(ReadsAs::Value(number)) => format!("reads {number} {value}"),
            Self::Shifted(by) if by < 0.0 => format!("reads {} {difference} low", -by),
            Self::Shifted(by) => format!("reads {by} {difference} high"),
            Self::Garbage => "sends garbage".to_owned(),
            Self::Lifted => "is lifted out".to_owned(),
            Self::Sticks(true) => "sticks wet".to_owned(),
            Self::Sticks(false) => "sticks dry".to_owned(),
        }
    }
}

/// A span that [`Span`]'s reader gives back exactly: `1 d 2 h 3 min 4 s 5 ms`, without the zeros.
struct Exact(Span);

impl fmt::Display for Exact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut rest = self.0.millis();
        let mut parts = Vec::new();
        for (unit, millis) in [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1000), ("ms", 1)] {
            if rest >= millis {
                parts.push(format!("{} {unit}", rest / millis));
                rest %= millis;
            }
        }
        f.write_str(&if parts.is_empty() { "0 s".to_owned() } else { parts.join(" ") })
    }
}

/// A fault as a sentence; made by [`Catalogue::sentence`], which knows the units.
struct Sentence<'a> {
    fault: &'a Fault,
    symbols: &'a str,
}

impl fmt::Display for Sentence<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.fault.subject, self.fault.what.words(self.symbols))?;
        if let Some(at) = self.fault.at {
            write!(f, " at {}", Exact(at))?;
        }
        if let Some(lasts) = self.fault.lasts {
            write!(f, " for {}", Exact(lasts))?;
        }
        Ok(())
    }
}
