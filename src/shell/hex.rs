//! Bytes as hexadecimal digits, two a byte, in lower case.

use std::fmt::Write as _;

/// The digits.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}
