//! The deterministic core of one tank.
pub mod ids;
pub mod plan;
