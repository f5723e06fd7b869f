//! YAML files to a valid setup, collecting every problem on the way.
//!
//! ```text
//! files ─► tree (what the file says, each value with line and column)
//!            └► readers, one a section ─► Setup (plans, bindings, facts; only this reaches the rest)
//!                 └► Report: every problem of every file ─► Problems, if there is any
//! ```
//!
//! Two stages: the tree mirrors the file; [`Setup`] is valid by construction, and [`understand`] is the one
//! way from the first to the second. Duty: a config that is wrong in one place is refused as a whole, with
//! everything that is wrong. Limits: nothing here looks at a broker, and no file but the config is opened.

pub mod advice;
mod alarm;
mod care;
pub mod channel;
pub mod compose;
mod condition;
mod conductivity;
mod daemon;
mod dosing;
mod drift;
pub mod drill;
mod files;
mod flow;
mod heat;
mod hold;
mod http;
mod interlock;
mod kinds;
mod lights;
pub mod marks;
mod notify;
mod notify_advice;
mod output;
mod plug;
mod power;
mod probe;
pub mod problem;
mod proofs;
mod read;
mod rules;
mod scope;
pub mod setup;
mod shared;
mod sound;
mod stability;
mod starts;
mod tank;
mod thermostat;
mod top_off;
mod topic;
mod tree;
pub mod understood;
mod words;

pub use files::{Files, load, understand};
pub use kinds::Measures;
pub use problem::{Place, Problem, Problems};
pub use setup::{DaemonSettings, Setup, TankSetup};
pub use stability::Stability;
