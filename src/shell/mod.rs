//! The only I/O.
pub mod clock;
pub mod daemon_alarms;
pub mod lock;
pub mod mqtt;
pub mod notify;
pub mod secrets;
pub mod store;
