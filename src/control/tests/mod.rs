//! Stories and invariants of the core, in virtual time, on a lagoon written by hand.

mod holds;
mod invariants;
pub(super) mod lagoon;
mod power;
mod stories;
mod top_off;
