//! CRC-32 (ISO-HDLC, the one of Ethernet and zip): notices a state row that rotted on the disk.

/// The checksum of these bytes.
pub fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| if crc & 1 == 1 { (crc >> 1) ^ 0xEDB8_8320 } else { crc >> 1 })
    })
}

/// The checksum of a tank's saved state: a row under another tank's name is as wrong as one that rotted.
pub fn crc_of_state(tank: &str, json: &str) -> u32 {
    crc32(format!("{tank}\n{json}").as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms, and that of nothing.
    #[test]
    fn the_check_value_is_the_published_one() {
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
        assert_eq!(crc32(b""), 0);
    }
}
