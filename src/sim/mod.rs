//! The simulated tank: physics, probes, plugs and faults, driven by messages and by time.
//!
//! Duty: stand in for everything beyond the broker. A [`World`] takes the messages that a daemon
//! publishes to plugs and gives the messages that probes and plugs publish, encoded by the very
//! bindings of the tank (`wire::binding`), so that demo, rehearsal and drill exercise the same
//! codecs as a real home. It knows the truth ([`Truth`]); the daemon sees only messages.
//!
//! Limits: no clock (time is an argument), no I/O, one seeded random source ([`Chance`]), ordered
//! maps only: the same seed, the same calls and the same times give the same bytes.
//!
//! The model is a lumped one (two well mixed bodies of water a tank) and its figures are common
//! practice and rules of thumb, not measurements of the keeper's own tank. **A tank that is safe
//! here is not proven safe in life**: a simulated plug cannot burn, and nobody is in the water.
//!
//! ```text
//!            faults ──► plugs ──► duty of each output ──► physics ──► truth
//! messages in ──────────┘ └► reports, watts, alive            │
//! messages out ◄──────────────────────── probes (lag, noise, resolution, faults)
//! ```

mod chance;
pub mod fault;
mod fitting;
#[cfg(test)]
mod fixture;
pub mod keeper;
mod payload;
pub mod physics;
mod plug;
mod probe;
pub mod rehearsal;
mod world;

pub use chance::Chance;
pub use fault::{Catalogue, Fault, FaultError};
pub use fitting::{Fitting, Spot};
pub use payload::Message;
pub use physics::Facts;
pub use world::{Broker, Daemon, Model, Sent, Surroundings, Truth, World};
