//! Stability statistics for alarms and graphs: how steady a tank is, and whether it drifts.
//!
//! Duty: pure functions over series of time and value. Limits: nothing here knows what is measured,
//! or decides what is an alarm. Times are `f64` in any one unit; slopes and times in band come out
//! in it. Every function says which convention it follows where libraries differ.

pub mod charts;
pub mod days;
pub mod gathered;
pub mod robust;
pub mod stress;
pub mod weighted;
