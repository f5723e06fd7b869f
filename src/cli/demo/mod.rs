//! The demo.
pub mod broker;
pub mod gate;
