//! Slackwater keeps a small marine aquarium inside its limits over the home's MQTT broker.
//!
//! The data path, and who has which duty in it:
//!
//! ```text
//! broker ─► wire::decode ─► control::Event ─► Tank::step ─► control::Effect ─► wire::encode ─► broker
//!                                                │
//!   inside the step:  readings ─► votes ─► loops, rules, schedules (wishes) ─► arbiter ─► outputs
//!                        └► interlocks, each probe itself ──────────────────────┘  ▲        │
//!                        └► alarms ◄───────────── proofs (report) ◄── permissives, holds, forces
//! ```
//!
//! [`control`] is pure: time is an argument and effects are values, so that the daemon (`shell`),
//! the simulator (`sim`) and a property test drive the very same code and it cannot tell.
//! `tests/layering.rs` holds the table of who may import what (see DEVELOPERS.md).

pub mod care;
pub mod cli;
pub mod config;
pub mod control;
pub mod shell;
pub mod sim;
pub mod time;
pub mod units;
pub mod water;
pub mod wire;
