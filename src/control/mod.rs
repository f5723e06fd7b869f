//! The deterministic core of one tank: `step(event, now) -> effects`, `next_deadline()`, `status()`.
//!
//! Pure: it owns no channel, lock, callback, logger, clock or random source. Time is an argument,
//! effects are values, and the same events give the same effects, byte for byte. `step` cannot fail.

pub mod effect;
pub mod event;
pub mod ids;
pub mod plan;
pub mod quality;
pub mod state;
pub mod status;
pub mod tank;

pub use effect::{Answer, Effect, Outcome};
pub use event::{Event, Request, RequestId};
pub use plan::TankPlan;
pub use tank::{Remembered, Tank};
