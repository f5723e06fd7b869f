//! Bytes to meaning and back: bindings, payloads, metrics text. The core knows no topic; this does.

pub mod ask;
mod ask_dose;
pub mod binding;
pub mod encode;
pub mod guess;
mod json;
pub mod metrics;
mod number;
pub mod overheard;
mod payload;
pub mod router;
pub mod said;
pub mod shown;
pub mod topics;

pub use encode::Publish;
pub use router::{Heard, Message, MessageKind, Router, Subscription, TankIndex};
pub use topics::OwnTopics;

/// With no broker for this long the daemon says so on its other channels. [F52: 60 s]
pub const BROKER_LOST_AFTER: crate::time::Span = crate::time::Span::from_minutes(1);
