//! The names that bytes are known by.

use sha2::{Digest, Sha256};

/// Lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes
        .iter()
        .fold(String::with_capacity(2 * bytes.len()), |mut s, b| {
            let _ = write!(s, "{b:02x}");
            s
        })
}

/// SHA-256 of bytes, hex.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// SHA-256 of what is written through the function, hex. What cannot be written is left out of the sum.
pub(crate) fn sha256_of(
    fill: impl FnOnce(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> String {
    struct Into(Sha256);
    impl std::io::Write for Into {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.update(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let mut sum = Into(Sha256::new());
    // Writing into a sum cannot fail; what cannot be serialised, as a number that is not finite, ends it early on both sides alike.
    let _ = fill(&mut sum);
    hex(&sum.0.finalize())
}
