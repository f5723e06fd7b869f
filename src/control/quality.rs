//! Whether a reading may be believed, and why not. Absence is an enum with reasons.

use super::event::Unreadable;

/// Good, suspect or bad, each with its reason.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "quality", content = "reason", rename_all = "kebab-case")]
pub enum Quality {
    /// May trip and may permit.
    Good,
    /// May trip; may not permit.
    Suspect(Doubt),
    /// Is not there.
    Bad(Fault),
}

/// Why a reading is suspect.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// Changed faster than the tank can.
    ImplausibleRate,
    /// Did not move at all for too long.
    Stuck,
    /// The other probes say something else.
    Disagrees,
    /// Its care is over, and it is not yet back where it was.
    BackFromCare,
}

/// Why a reading is bad.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// Nothing came since the start.
    NeverHeard,
    /// Only a kept message of unknown age came.
    RetainedOnly,
    /// Fresh samples come, but fewer than three as yet.
    Settling,
    /// Nothing came for too long.
    Stale,
    /// Outside the possible range.
    OutOfRange,
    /// Outside the range, and inside it if the unit is the other one.
    WrongUnit,
    /// Payloads came that could not be read.
    Undecodable(Unreadable),
    /// A conductivity came, and no good temperature to make a salinity of it.
    NoTemperature,
    /// A person has it in hand.
    InCare,
}

impl Quality {
    /// Every reason, for metrics: the words of doubts and faults.
    pub const REASONS: [&'static str; 13] = [
        "never-heard",
        "retained-only",
        "settling",
        "stale",
        "out-of-range",
        "wrong-unit",
        "undecodable",
        "no-temperature",
        "implausible-rate",
        "stuck",
        "disagrees",
        "in-care",
        "back-from-care",
    ];

    /// The word of the reason; `None` while good.
    pub fn reason(self) -> Option<&'static str> {
        match self {
            Self::Good => None,
            Self::Suspect(Doubt::ImplausibleRate) => Some("implausible-rate"),
            Self::Suspect(Doubt::Stuck) => Some("stuck"),
            Self::Suspect(Doubt::Disagrees) => Some("disagrees"),
            Self::Suspect(Doubt::BackFromCare) => Some("back-from-care"),
            Self::Bad(Fault::InCare) => Some("in-care"),
            Self::Bad(Fault::NeverHeard) => Some("never-heard"),
            Self::Bad(Fault::RetainedOnly) => Some("retained-only"),
            Self::Bad(Fault::Settling) => Some("settling"),
            Self::Bad(Fault::Stale) => Some("stale"),
            Self::Bad(Fault::OutOfRange) => Some("out-of-range"),
            Self::Bad(Fault::WrongUnit) => Some("wrong-unit"),
            Self::Bad(Fault::Undecodable(_)) => Some("undecodable"),
            Self::Bad(Fault::NoTemperature) => Some("no-temperature"),
        }
    }

    /// Whether it is good.
    pub fn is_good(self) -> bool {
        self == Self::Good
    }

    /// Whether there is a value, good or suspect.
    pub fn is_usable(self) -> bool {
        !matches!(self, Self::Bad(_))
    }
}
