//! A tar file in the plain form of POSIX.1-1988 (ustar): what any system can open, should this program be gone.
//!
//! Regular files only, short names, nothing else: what this reader does not expect it refuses, so that no name of an
//! archive is ever a path that somebody else chose.

use std::io::{self, Read, Write};

/// A head and its padding come in such blocks, bytes.
const BLOCK: usize = 512;
/// Bytes of a name, at most.
pub const LONGEST_NAME: usize = 99;
/// Where the sum of a head stands.
const SUM: std::ops::Range<usize> = 148..156;

/// What stands before a member's bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    /// Its name, with slashes.
    pub name: String,
    /// Its bytes.
    pub bytes: u64,
}

/// Writes a member's head.
pub fn write_head(out: &mut impl Write, head: &Head, unix_seconds: u64) -> io::Result<()> {
    if head.name.len() > LONGEST_NAME {
        let text = format!("the name `{}` is longer than {LONGEST_NAME} bytes", head.name);
        return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
    }
    let mut block = [0; BLOCK];
    let mut put = |at: usize, text: &str| block[at..at + text.len()].copy_from_slice(text.as_bytes());
    put(0, &head.name);
    put(100, "0000600\0");
    put(108, "0000000\0");
    put(116, "0000000\0");
    put(124, &format!("{:011o}\0", head.bytes.min(0o77_777_777_777)));
    put(136, &format!("{:011o}\0", unix_seconds.min(0o77_777_777_777)));
    put(156, "0");
    put(257, "ustar\x0000");
    let sum = sum_of(&block);
    block[SUM].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    out.write_all(&block)
}

/// Writes what makes a member's bytes whole blocks.
pub fn write_padding(out: &mut impl Write, bytes: u64) -> io::Result<()> {
    out.write_all(&[0; BLOCK][..padding(bytes)])
}

/// Writes the end.
pub fn write_end(out: &mut impl Write) -> io::Result<()> {
    out.write_all(&[0; 2 * BLOCK])
}

/// The next member's head; `None`: the end.
pub fn read_head(from: &mut impl Read) -> io::Result<Option<Head>> {
    let mut block = [0; BLOCK];
    from.read_exact(&mut block)?;
    if block.iter().all(|byte| *byte == 0) {
        return Ok(None);
    }
    if octal(&block[SUM]) != Some(sum_of(&block)) {
        return Err(damaged("a head of it is not whole"));
    }
    let ends = block.iter().take(100).position(|byte| *byte == 0).unwrap_or(100);
    let name = std::str::from_utf8(&block[..ends]).map_err(|_| damaged("a name in it is not text"))?;
    let bytes = octal(&block[124..136]).ok_or_else(|| damaged("a size in it is no number"))?;
    if ![b'0', 0].contains(&block[156]) {
        return Err(damaged("there is something in it besides plain files"));
    }
    Ok(Some(Head { name: name.to_owned(), bytes }))
}

/// Leaves out what makes a member's bytes whole blocks.
pub fn skip_padding(from: &mut impl Read, bytes: u64) -> io::Result<()> {
    from.read_exact(&mut [0; BLOCK][..padding(bytes)])
}

fn padding(bytes: u64) -> usize {
    let over = usize::try_from(bytes % BLOCK as u64).unwrap_or(0);
    (BLOCK - over) % BLOCK
}

/// All bytes of a head, those of its sum as blanks.
fn sum_of(block: &[u8; BLOCK]) -> u64 {
    block.iter().enumerate().map(|(at, byte)| if SUM.contains(&at) { 32 } else { u64::from(*byte) }).sum()
}

fn octal(field: &[u8]) -> Option<u64> {
    let text = std::str::from_utf8(field).ok()?;
    u64::from_str_radix(text.trim_matches(['\0', ' ']), 8).ok()
}

/// It is not what was written.
pub(super) fn damaged(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, what)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again_and_any_flipped_bit_of_a_head_is_noticed() {
        let head = Head { name: "config/tanks/lagoon.yaml".to_owned(), bytes: 700 };
        let mut bytes = Vec::new();
        write_head(&mut bytes, &head, 1_780_308_000).unwrap();
        bytes.extend([7; 700]);
        write_padding(&mut bytes, 700).unwrap();
        write_end(&mut bytes).unwrap();
        assert_eq!(bytes.len(), 512 + 1024 + 1024);
        let mut from = &bytes[..];
        assert_eq!(read_head(&mut from).unwrap(), Some(head.clone()));
        from = &from[700..];
        skip_padding(&mut from, 700).unwrap();
        assert_eq!(read_head(&mut from).unwrap(), None);
        for bit in 0..512 * 8 {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            let read = read_head(&mut &flipped[..]);
            assert!(!matches!(&read, Ok(Some(other)) if *other != head), "bit {bit}: {read:?}");
        }
    }

    #[test]
    fn a_long_name_is_refused() {
        let head = Head { name: "x".repeat(100), bytes: 0 };
        assert!(write_head(&mut Vec::new(), &head, 0).is_err());
    }
}
