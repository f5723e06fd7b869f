//! The only I/O: broker, HTTP, store, notifications, the clock, the service manager.
//!
//! ```text
//!   control thread: broker ⇄ Desk (all tanks, one step at a time)      the only one that decides
//!   http thread:    health, metrics, API        ─ jobs, bounded ─►     asks control, never delays it
//!   store thread:   SQLite                      ◄─ bounded ─           awaited at most 300 ms
//!   care thread:    the keeper's log            ─ jobs, bounded ─►     asks control and the store, never delays them
//!   notify threads: one a channel               ◄─ bounded ─           never awaited
//! ```
//! [`run`] is the whole daemon: the command line, the demo and the tests call the same.
#![allow(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "here is the outside world: time-outs, sockets, and maps that no effect depends on"
)]

pub mod alarm_lines;
mod asks;
pub mod background;
pub mod backup;
mod care;
pub mod clock;
mod control_loop;
mod daemon_alarms;
mod desk;
mod hex;
mod http;
mod job;
mod lock;
mod look;
pub mod mqtt;
mod notify;
mod pulse;
mod run;
mod secrets;
mod service_manager;
pub mod store;

pub use clock::unix_nanos;
pub use http::{Calculated, Calculations, Loader};
pub use lock::LockError;
pub use run::{Options, RunError, run};
pub use secrets::first_line;
pub use store::OpenError;
