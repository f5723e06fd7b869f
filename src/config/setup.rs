//! What the files mean: a valid setup of the daemon and of each tank. Only this reaches the rest.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use crate::care::{Plans, SupplyPlan, TankCare};
use crate::control::TankPlan;
use crate::control::ids::{InterlockId, Name, OutputId, ProbeId, SignalId};
use crate::time::Span;
use crate::units::{Flow, Temperature, Volume};
use crate::wire::binding::TankBindings;

use super::channel::NotifySettings;
use super::stability::Stability;

/// Everything that a config directory says.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// `daemon.yaml`.
    pub daemon: DaemonSettings,
    /// `tanks/*.yaml`, in the order of their file names.
    pub tanks: Vec<TankSetup>,
    /// Supplies that several tanks share.
    pub shared_supplies: Vec<SupplyPlan>,
}

impl Setup {
    /// The keeper's side of all tanks.
    pub fn care(&self) -> Plans {
        let tanks = self.tanks.iter().map(|tank| (tank.plan.name.to_string(), tank.care.clone()));
        Plans { tanks: tanks.collect(), shared: self.shared_supplies.clone() }
    }
}

/// One tank: what to do, and over which topics.
#[derive(Clone, Debug, PartialEq)]
pub struct TankSetup {
    /// For the core.
    pub plan: TankPlan,
    /// For the wire.
    pub bindings: TankBindings,
    /// For whoever wants to understand it: `check`, the simulator.
    pub facts: TankFacts,
    /// The keeper's side.
    pub care: TankCare,
}

/// What a tank file says that neither the core nor the wire needs today.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TankFacts {
    /// Water in the display, if it is written apart.
    pub display: Option<Volume>,
    /// Water in the sump, if it is written apart.
    pub sump: Option<Volume>,
    /// What each top-off can empty into the tank.
    pub reservoirs: Vec<(OutputId, Volume)>,
    /// What each top-off or doser delivers while it runs.
    pub delivers: Vec<(OutputId, Flow)>,
    /// Probes that come from `shared.yaml`.
    pub shared: Vec<ProbeId>,
    /// Floats that are wet when there is too much water.
    pub high_floats: Vec<SignalId>,
    /// Floats that are dry when there is too little water.
    pub low_floats: Vec<SignalId>,
    /// Leak probes.
    pub leaks: Vec<SignalId>,
    /// The level that starts are judged by.
    pub level: Option<SignalId>,
    /// The flow that starts are judged by.
    pub flow: Option<SignalId>,
    /// Outputs with the plug upstream of theirs.
    pub isolators: Vec<(OutputId, OutputId)>,
    /// Each heater's cut-offs.
    pub cutoffs: Vec<Cutoff>,
    /// Inside which limits signals are called steady.
    pub stability: Vec<Stability>,
}

/// An interlock that turns a heater off when the water is too warm, whatever else is true.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cutoff {
    /// The heater.
    pub heater: OutputId,
    /// Which interlock.
    pub interlock: InterlockId,
    /// The temperature signal.
    pub signal: SignalId,
    /// Where it acts.
    pub limit: Temperature,
    /// After how long.
    pub lasting: Span,
}

/// What concerns the daemon and not one tank.
#[derive(Clone, Debug, PartialEq)]
pub struct DaemonSettings {
    /// Where the broker is and who we are to it.
    pub broker: BrokerSettings,
    /// The first level of our own topics, without slash.
    pub root: String,
    /// Where the HTTP service listens.
    pub http: HttpSettings,
    /// Where the store lives.
    pub data_dir: PathBuf,
    /// The tank that a command without `--tank` means, if there are several.
    pub usual_tank: Option<Name>,
    /// Where alarms are sent besides the MQTT topic, and how it is known that they would be.
    pub notify: NotifySettings,
    /// How often each signal's value is written to the store; `None`: not at all.
    pub sample_every: Option<Span>,
}

/// Where the broker is and who we are to it. Secrets stay in their files.
#[derive(Clone, Debug, PartialEq)]
pub struct BrokerSettings {
    /// Host name or address.
    pub host: String,
    /// 1883, or 8883 with TLS.
    pub port: u16,
    /// Encryption; `None`: plain.
    pub tls: Option<TlsSettings>,
    /// Our client id; two daemons with one id throw each other out.
    pub client_id: String,
    /// The user name.
    pub user: Option<String>,
    /// A file whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// A frozen broker is noticed after about twice this.
    pub keep_alive: Span,
}

/// TLS by files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsSettings {
    /// The authority that signed the broker's certificate, PEM; `None`: the system's.
    pub ca_file: Option<PathBuf>,
    /// Our certificate and key, PEM.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// Where the HTTP service listens, and who may do what there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HttpSettings {
    /// Loopback unless there is a token.
    pub listen: SocketAddr,
    /// Who is let in; none: whoever is at this machine.
    pub tokens: Vec<TokenSettings>,
    /// Names by which it is called, besides the loopback's and the address that it listens on.
    pub names: Vec<String>,
    /// The reverse proxy that says for whom it asks.
    pub proxy: Option<IpAddr>,
}

/// A token: who it is, and what it may.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenSettings {
    /// Its name, for the journal.
    pub name: Name,
    /// What it may.
    pub role: Role,
    /// A file whose first line is the secret.
    pub file: PathBuf,
}

/// What a token may. A greater one may what a lesser one may.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// See everything, change nothing.
    Look,
    /// Ask for whatever a keeper may ask for.
    Keeper,
}
