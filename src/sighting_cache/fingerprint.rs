//! Fingerprint: a short number that identifies contents, the same on every machine.

/// A running FNV-1a hash of 64 bits (G. Fowler, L. C. Noll, K.-P. Vo, 1991; offset and prime as
/// published). Not meant to withstand forgery.
#[derive(Debug, Clone, Copy)]
pub struct Fingerprint(u64);

impl Fingerprint {
    /// Of nothing.
    pub fn new() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }

    /// With more bytes appended.
    #[must_use]
    pub fn and(self, bytes: &[u8]) -> Self {
        Self(bytes.iter().fold(self.0, |hash, &byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
        }))
    }

    /// The number.
    pub fn value(self) -> u64 {
        self.0
    }
}
