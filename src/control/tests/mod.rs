//! Stories and invariants of the core, in virtual time, on a lagoon written by hand.

mod alarm_report;
mod alarms;
mod blips;
mod bypass;
mod dosing;
mod drain_back;
mod drift;
mod frozen_meters;
mod heat;
mod holds;
mod invariants;
pub(super) mod lagoon;
mod lighting;
mod limits;
mod plugs;
mod power;
mod prove;
mod repeats;
mod restarts;
mod restored;
mod spacing;
mod standing;
mod stories;
mod top_off;
mod water_and_probes;
