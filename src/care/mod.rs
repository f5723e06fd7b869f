//! The keeper's side: what was done and measured, what runs out, what falls due, and what lives where.
//!
//! ```text
//! a request ─► Care::ask ─► entries, not yet true ─► the store, on the disk ─► Care::fold ─► answer
//!                 ▲                                                              │
//!                 └─ plan (config), facts (control's counts, probes), now        └─► views: log, supplies, chores, items, spots
//! ```
//!
//! [`Care`] is folded from one append-only log of all tanks. Nothing in the log is ever overwritten: a correction and a
//! deletion are entries too, and all views are made anew from what is in force. Duty: decide which entries a request
//! makes, and say what they come to. Limits: no clock, no files; it commands nothing, and no run waits for it.
//!
//! Words: a **supply** runs out, a **chore** falls due, an **item** has a place, dates and notes, a **spot** is a named
//! place in a tank, a **count** is what control says an output has run in all.

mod ask;
pub mod audit;
pub mod chores;
mod correct;
pub mod csv;
mod entry;
mod facts;
pub mod items;
pub mod log;
pub mod measure;
mod moving;
mod noting;
mod plan;
pub mod probes;
mod request;
pub mod sheet;
pub mod spots;
mod state;
mod stocking;
pub mod supplies;
mod usage;

pub use ask::{Decided, Refusal, trip};
pub use entry::{Entry, EntryId, ItemChange, Measured, ProbeSaid, Stuff, What};
pub use facts::{Facts, OutputFact, SignalFact, TankFacts};
pub use plan::{
    ChorePlan, Compare, Limit, Plans, Price, QuietTime, RunSource, SitterPlan, SupplyPlan, SupplySource, TankCare,
};
pub use request::{Asked, Request};
pub use state::{Care, Standing};

#[cfg(test)]
mod tests;
