//! The deterministic core of one tank: `step(event, now) -> effects`, `next_deadline()`, `status()`.
//!
//! Pure: it owns no channel, lock, callback, logger, clock or random source. Time is an argument,
//! effects are values, and the same events give the same effects, byte for byte. `step` cannot fail.
//!
//! In the order of a step: `probe` (may a reading be believed), `vote` (several probes to one
//! signal), `conditions` (three-valued), `thermostat` and `top_off` (wishes), `interlock` (trips),
//! `hold`s, `arbiter` (who decides), `plug` (command and proof), `alarm`s, and in
//! `requests` what people ask. `tank` strings them together; `memory` is what survives a kill, `replan` a reload.

mod alarm;
pub mod alarm_act;
mod alarm_follow;
mod alarm_links;
pub mod alarm_load;
mod alarm_memory;
mod alarm_notice;
pub mod alarm_report;
mod alarm_requests;
mod alarms;
mod arbiter;
mod bypass;
mod conditions;
mod conflict;
mod deadlines;
pub mod dosing;
mod drain_back;
mod drift;
pub mod effect;
pub mod event;
mod futile;
mod hold;
mod holding;
pub mod ids;
mod interlock;
pub mod lighting;
mod long_term;
mod memory;
mod new_water;
mod often;
mod past;
pub mod plan;
mod plug;
mod power;
mod probe;
mod probe_care;
pub mod proof_times;
pub mod prove;
pub mod quality;
mod ramp;
mod replan;
mod report;
mod requests;
mod restart;
mod restored;
pub mod sentence;
mod spacing;
pub mod state;
pub mod status;
mod stillness;
mod tank;
#[cfg(test)]
mod tests;
mod thermostat;
mod top_off;
mod truth;
mod values;
mod vote;

pub use alarm::{AlarmInput, AlarmState};
pub use arbiter::Layer;
pub use effect::{Answer, Effect, Outcome};
pub use event::{Event, Request, RequestId};
pub use hold::NOT_ISOLATION;
pub use plan::TankPlan;
pub use tank::{Remembered, Tank};
pub use truth::Truth;
