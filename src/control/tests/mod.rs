//! Stories and invariants of the core, in virtual time, on a lagoon written by hand.

mod heat;
mod holds;
mod invariants;
mod lagoon;
mod plugs;
mod stories;
mod top_off;
