//! The shared key of an authenticated session: HMAC-SHA-256 cut to its first 128 bits (RFC 8762 section 4.4).

use ring::hmac;

/// Octets that the base packet's HMAC covers: six blocks of 16.
pub(super) const SIGNED: usize = 96;
/// Octets of the HMAC in a packet.
pub(super) const HMAC_LEN: usize = 16;

/// A session's key. It never shows in debug output.
#[derive(Clone)]
pub struct Key(hmac::Key);

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key(..)")
    }
}

impl Key {
    /// A key of any length; 32 octets are a good one (RFC 2104 section 3).
    pub fn new(secret: &[u8]) -> Self {
        Self(hmac::Key::new(hmac::HMAC_SHA256, secret))
    }

    /// The first 16 octets of the HMAC over all parts.
    pub fn tag(&self, parts: &[&[u8]]) -> [u8; HMAC_LEN] {
        let mut context = hmac::Context::with_key(&self.0);
        for part in parts {
            context.update(part);
        }
        let full = context.sign();
        let mut cut = [0; HMAC_LEN];
        cut.copy_from_slice(&full.as_ref()[..HMAC_LEN]);
        cut
    }

    /// True when `tag` is the HMAC over all parts; takes the same time wherever they differ.
    pub(in crate::wire) fn verifies(&self, parts: &[&[u8]], tag: &[u8]) -> bool {
        let want = self.tag(parts);
        tag.len() == want.len() && want.iter().zip(tag).fold(0u8, |sum, (a, b)| sum | (a ^ b)) == 0
    }

    pub(super) fn sign_base(&self, base: &mut [u8]) {
        let tag = self.tag(&[&base[..SIGNED]]);
        base[SIGNED..SIGNED + HMAC_LEN].copy_from_slice(&tag);
    }

    pub(super) fn verifies_base(&self, base: &[u8]) -> bool {
        match (base.get(..SIGNED), base.get(SIGNED..SIGNED + HMAC_LEN)) {
            (Some(signed), Some(tag)) => self.verifies(&[signed], tag),
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hmac_sha_256_is_that_of_rfc_4231() {
        // Test cases 1 and 2, cut to 128 bits.
        let one = Key::new(&[0x0b; 20]);
        assert_eq!(u128::from_be_bytes(one.tag(&[b"Hi There"])), 0xb034_4c61_d8db_3853_5ca8_afce_af0b_f12b);
        let two = Key::new(b"Jefe");
        let tag = two.tag(&[b"what do ya want ", b"for nothing?"]);
        assert_eq!(u128::from_be_bytes(tag), 0x5bdc_c146_bf60_754e_6a04_2426_0895_75c7);
        assert!(two.verifies(&[b"what do ya want for nothing?"], &tag));
        assert!(!one.verifies(&[b"what do ya want for nothing?"], &tag));
        assert!(!two.verifies(&[b"what do ya want for nothing?"], &tag[..15]));
    }

    #[test]
    fn a_key_does_not_show_itself() {
        assert_eq!(format!("{:?}", Key::new(b"secret")), "Key(..)");
    }
}
