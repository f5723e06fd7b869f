//! What follows from what a thing is: the usual numbers by kind of output and by kind of probe.
//!
//! Each number has its tag: [CP] common practice, [PICK] a choice of ours, [CALC] arithmetic. All can be
//! written otherwise in a tank file, inside the ranges that the readers give.

use crate::control::plan::{OutputKind, Priority};
use crate::time::Span;
use crate::units::Quantity;

/// What a probe measures, as a keeper says it. A float and a leak probe are both contacts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Measures {
    /// A number.
    Number(Quantity),
    /// Wet means too much water.
    HighFloat,
    /// Dry means too little water.
    LowFloat,
    /// Wet means water where none belongs.
    Leak,
    /// Some other switch.
    Contact,
}

impl Measures {
    /// The words of `measures`.
    pub const WORDS: [(Self, &'static str); 12] = [
        (Self::Number(Quantity::Temperature), "temperature"),
        (Self::Number(Quantity::Level), "level"),
        (Self::Number(Quantity::Salinity), "salinity"),
        (Self::Number(Quantity::Conductivity), "conductivity"),
        (Self::Number(Quantity::Flow), "flow"),
        (Self::Number(Quantity::Ph), "ph"),
        (Self::Number(Quantity::Redox), "redox"),
        (Self::Number(Quantity::Humidity), "humidity"),
        (Self::HighFloat, "high-float"),
        (Self::LowFloat, "low-float"),
        (Self::Leak, "leak"),
        (Self::Contact, "contact"),
    ];

    pub(super) fn quantity(self) -> Quantity {
        match self {
            Self::Number(quantity) => quantity,
            Self::HighFloat | Self::LowFloat | Self::Leak | Self::Contact => Quantity::Contact,
        }
    }
}

/// Outside is a broken probe, in canonical units [PICK]. Temperature 10 to 40 °C, salinity above what a
/// bubble or air reads.
pub(super) fn usual_range(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Temperature => (10.0, 40.0),
        Quantity::Salinity => (20.0, 45.0),
        Quantity::Conductivity => (30.0, 65.0),
        Quantity::Level => (-300.0, 300.0),
        Quantity::Flow => (0.0, 500.0),
        Quantity::Ph => (6.5, 9.5),
        Quantity::Redox => (0.0, 0.6),
        Quantity::Humidity | Quantity::Contact => (0.0, 1.0),
        _ => (-1e6, 1e6),
    }
}

/// What a probe could ever say, in canonical units: the widest range that a keeper may write.
pub(super) fn widest_range(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Temperature => (-60.0, 150.0),
        Quantity::Salinity => (0.0, 120.0),
        Quantity::Conductivity => (0.0, 200.0),
        Quantity::Level => (-5000.0, 5000.0),
        Quantity::Flow => (0.0, 10_000.0),
        Quantity::Ph => (0.0, 14.0),
        Quantity::Redox => (-2.0, 2.0),
        Quantity::Humidity | Quantity::Contact => (0.0, 1.0),
        _ => (-1e9, 1e9),
    }
}

/// How far back a value must come before a comparison is false again [PICK], in canonical units: a few
/// times the noise of an ordinary probe.
pub(super) fn usual_deadband(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Temperature | Quantity::Salinity | Quantity::Conductivity => 0.1,
        Quantity::Level => 2.0,
        Quantity::Flow => 0.5,
        Quantity::Ph | Quantity::Humidity => 0.02,
        Quantity::Redox => 0.005,
        _ => 0.0,
    }
}

/// Faster than this, in canonical units a minute, is doubtful [PICK]. Temperature is derived from the
/// tank's own watts and litres in `heat`.
pub(super) fn usual_fastest(quantity: Quantity) -> Option<f64> {
    match quantity {
        // A step of more than 1 psu in a minute is a bubble or a lifted probe.
        Quantity::Salinity => Some(1.0),
        Quantity::Conductivity => Some(1.5),
        _ => None,
    }
}

/// Minimum times on and off [PICK; compressor CP].
pub(super) fn least_times(kind: OutputKind) -> (Span, Span) {
    let seconds = Span::from_seconds;
    match kind {
        OutputKind::Heater => (seconds(30), seconds(60)),
        OutputKind::Chiller => (seconds(180), seconds(300)),
        OutputKind::ReturnPump => (Span::ZERO, seconds(15)),
        OutputKind::TopOff => (Span::ZERO, Span::from_minutes(10)),
        OutputKind::Skimmer => (Span::ZERO, Span::from_minutes(5)),
        OutputKind::Fan | OutputKind::Powerhead | OutputKind::Doser | OutputKind::Light | OutputKind::Other => {
            (Span::ZERO, Span::ZERO)
        }
    }
}

/// The longest force to on [PICK]: what can hurt quickly, 10 minutes; the rest 4 hours.
pub(super) fn longest_force(kind: OutputKind) -> Span {
    match kind {
        OutputKind::Heater | OutputKind::TopOff | OutputKind::Doser => Span::from_minutes(10),
        _ => Span::from_hours(4),
    }
}

/// How long a plug stays on without refresh where the config does not say [PICK]. `None`: no timer, since
/// stopping it would be the hazard (pumps) or would help nobody.
pub(super) fn usual_lease(kind: OutputKind) -> Option<Span> {
    match kind {
        OutputKind::Heater => Some(Span::from_seconds(180)),
        OutputKind::Chiller => Some(Span::from_minutes(15)),
        OutputKind::Fan => Some(Span::from_hours(1)),
        OutputKind::TopOff | OutputKind::Doser => Some(Span::from_seconds(30)),
        OutputKind::Light => Some(Span::from_hours(2)),
        OutputKind::ReturnPump | OutputKind::Powerhead | OutputKind::Skimmer | OutputKind::Other => None,
    }
}

/// How soon somebody must act when the output does not follow [PICK].
pub(super) fn not_proven_priority(kind: OutputKind) -> Priority {
    match kind {
        OutputKind::Heater | OutputKind::TopOff | OutputKind::Doser => Priority::Urgent,
        OutputKind::ReturnPump | OutputKind::Powerhead => Priority::High,
        _ => Priority::Medium,
    }
}
