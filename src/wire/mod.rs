//! Bytes to meaning and back: bindings, payloads, metrics text. The core knows no topic; this does.
pub mod binding;
