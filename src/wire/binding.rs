//! Bindings: which topic and payload mean what. Valid by construction, made by `config`.
//!
//! One probe, one topic; a topic may serve several probes and several tanks (a shared leak probe).

use crate::control::ids::{Name, OutputId, ProbeId};
use crate::control::plan::Switch;
use crate::time::Span;
use crate::units::Unit;

/// An RFC 6901 pointer into a JSON payload, kept as its unescaped tokens. Empty: the whole document.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Pointer(pub Vec<String>);

/// All bindings of one tank.
#[derive(Clone, Debug, PartialEq)]
pub struct TankBindings {
    /// The tank's name, for its own topics.
    pub tank: Name,
    /// Each probe's binding, in the order of the plan.
    pub probes: Vec<ProbeBinding>,
    /// Each output's plug, in the order of the plan.
    pub plugs: Vec<PlugBinding>,
}

impl TankBindings {
    /// The binding of a probe.
    pub fn probe(&self, id: ProbeId) -> &ProbeBinding {
        &self.probes[id.index()]
    }

    /// The binding of an output's plug.
    pub fn plug(&self, id: OutputId) -> &PlugBinding {
        &self.plugs[id.index()]
    }
}

/// Where a probe speaks and how.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbeBinding {
    /// Its topic, without wildcards.
    pub topic: String,
    /// Where in a JSON payload; `None`: the payload is the bare scalar.
    pub pointer: Option<Pointer>,
    /// How the payload's value is to be understood.
    pub form: ProbeForm,
    /// Where in a JSON payload the sample's own time stands (Unix seconds or RFC 3339), if it does.
    pub stamped: Option<Pointer>,
}

/// How a probe's scalar is to be understood.
#[derive(Clone, Debug, PartialEq)]
pub enum ProbeForm {
    /// A number in this unit.
    Number(&'static Unit),
    /// A switch: the words for wet and for dry.
    Contact {
        /// Payloads that mean wet.
        wet: Vec<String>,
        /// Payloads that mean dry.
        dry: Vec<String>,
    },
}

/// How an output's plug is commanded and proven.
#[derive(Clone, Debug, PartialEq)]
pub struct PlugBinding {
    /// Where it is commanded.
    pub command: CommandBinding,
    /// Where it reports its relay.
    pub report: Option<WordBinding>,
    /// Where it reports its power.
    pub meter: Option<MeterBinding>,
    /// Where it, or its will, says that it is alive. `on` means alive.
    pub alive: Option<WordBinding>,
    /// Where it says how long it has been up.
    pub uptime: Option<UptimeBinding>,
    /// The payload that switches it on for so many seconds.
    pub lease: Option<LeaseBinding>,
    /// How its level is told and said.
    pub dimmer: Option<DimmerBinding>,
}

/// A dimmer.
#[derive(Clone, Debug, PartialEq)]
pub struct DimmerBinding {
    /// The topic.
    pub topic: String,
    /// The payload, with `{percent}` (0 to 100) or `{part}` (0 to 1) where the level stands.
    pub payload: String,
    /// Where it says its level.
    pub report: Option<MeterBinding>,
}

impl DimmerBinding {
    /// The payload of a level.
    pub fn filled(&self, percent: u8) -> String {
        let part = format!("{}.{:02}", percent / 100, percent % 100);
        self.payload.replace("{percent}", &percent.to_string()).replace("{part}", &part)
    }
}

/// Where and how to command a plug.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommandBinding {
    /// The topic.
    pub topic: String,
    /// The payload for on.
    pub on: String,
    /// The payload for off.
    pub off: String,
    /// 0 or 1.
    pub qos: u8,
    /// A command older than this is worthless: the broker must drop it.
    pub expiry: Span,
}

/// A topic with two words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WordBinding {
    /// The topic.
    pub topic: String,
    /// Where in a JSON payload.
    pub pointer: Option<Pointer>,
    /// The words for on (alive).
    pub on: Vec<String>,
    /// The words for off (not alive).
    pub off: Vec<String>,
}

/// A topic with a number.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterBinding {
    /// The topic.
    pub topic: String,
    /// Where in a JSON payload.
    pub pointer: Option<Pointer>,
    /// The unit of the number.
    pub unit: &'static Unit,
}

/// A topic with a count that begins anew when the plug restarts; in whatever unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UptimeBinding {
    /// The topic.
    pub topic: String,
    /// Where in a JSON payload.
    pub pointer: Option<Pointer>,
}

/// The plug's own auto-off countdown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeaseBinding {
    /// The payload, with `{seconds}` where the countdown stands.
    pub payload: String,
    /// How long it lasts.
    pub lasts: Span,
    /// Where it is sent; the command topic if not given.
    pub topic: Option<String>,
}

impl PlugBinding {
    /// Topic and payload of a command; on is a lease where the plug has one.
    pub fn command(&self, to: Switch) -> (&str, String) {
        match (to, &self.lease) {
            (Switch::On, Some(lease)) => self.filled(lease, lease.lasts),
            (Switch::On, None) => (&self.command.topic, self.command.on.clone()),
            (Switch::Off, _) => (&self.command.topic, self.command.off.clone()),
        }
    }

    /// Topic and payload of an on for so long, whole seconds rounded up; `None` where it has no countdown.
    pub fn leased(&self, span: Span) -> Option<(&str, String)> {
        self.lease.as_ref().map(|lease| self.filled(lease, span))
    }

    fn filled<'a>(&'a self, lease: &'a LeaseBinding, span: Span) -> (&'a str, String) {
        (
            lease.topic.as_deref().unwrap_or(&self.command.topic),
            lease.payload.replace("{seconds}", &span.millis().div_ceil(1000).to_string()),
        )
    }
}
