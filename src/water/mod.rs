//! The science of the tank: what a keeper works out on paper, right to published precision.
//!
//! Duty: pure functions from quantities to quantities, each with its formula, source and range.
//! Limits: no clock, no files, no text for people beyond errors; imports only `units` and `time`.
//! Outside its range a formula refuses ([`WaterError`]) or marks its value ([`Marked`]); it never
//! gives a silent number.
//!
//! Words: practical salinity is on PSS-78; a specific gravity always has its two temperatures;
//! temperatures are ITS-90 outside and IPTS-68 where a formula was fitted on it.

pub mod chemistry;
pub mod compensation;
pub mod consumption;
pub mod density;
pub mod dilution;
pub mod dosing;
pub mod evaporation;
pub mod gravity;
pub mod heat;
pub mod heat_capacity;
pub mod light;
pub mod lux;
pub mod mixing;
pub mod pss78;
pub mod raise;
pub mod refraction;
pub mod salinity_probe;
pub mod salinity_reading;
mod solve;
pub mod stats;
pub mod stock;
#[cfg(test)]
mod testing;
mod validity;

pub use validity::{Marked, Range, WaterError};
