//! YAML files to a valid setup, collecting every problem on the way.
pub mod setup;

pub use setup::{DaemonSettings, Setup, TankSetup};
