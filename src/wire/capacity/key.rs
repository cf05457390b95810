//! Keys: two are derived from the shared one, one for what each side sends, and sign whole packets.

use ring::hmac;

use super::TRAILER;

/// The key that both sides were given.
#[derive(Clone)]
pub struct SharedKey(hmac::Key);

impl std::fmt::Debug for SharedKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SharedKey(..)")
    }
}

impl SharedKey {
    /// A key of any length; 32 octets are a good one (RFC 2104 section 3).
    pub fn new(secret: &[u8]) -> Self {
        Self(hmac::Key::new(hmac::HMAC_SHA256, secret))
    }

    /// The two keys of a test that was set up at this time: counter mode of NIST SP 800-108r1 section 4.1 with HMAC-SHA-256, a counter
    /// of 32 bits in front, label "UDPSTP", the time as context, 512 bits (label, context and order from memory of RFC 9946).
    pub fn derive(&self, unix_time: u32) -> CapacityKeys {
        let block = |counter: u32| {
            let mut context = hmac::Context::with_key(&self.0);
            for part in [&counter.to_be_bytes()[..], b"UDPSTP", &[0], &unix_time.to_be_bytes(), &512_u32.to_be_bytes()] {
                context.update(part);
            }
            hmac::Key::new(hmac::HMAC_SHA256, context.sign().as_ref())
        };
        CapacityKeys { client: block(1), server: block(2) }
    }
}

/// The derived keys of one test.
#[derive(Clone)]
pub struct CapacityKeys {
    client: hmac::Key,
    server: hmac::Key,
}

impl std::fmt::Debug for CapacityKeys {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("CapacityKeys(..)")
    }
}

impl CapacityKeys {
    /// Signs a packet of the client's, or with `by_server` of the server's: HMAC-SHA-256 over all of it with digest and checksum zero.
    pub fn sign(&self, by_server: bool, packet: &mut [u8]) {
        let Some(at) = digest_at(packet) else { return };
        let tag = hmac::sign(self.of(by_server), packet);
        packet[at..at + 32].copy_from_slice(tag.as_ref());
    }

    /// Whether a packet carries the signature of that side. Takes the same time wherever they differ.
    pub fn verifies(&self, by_server: bool, packet: &[u8]) -> bool {
        let Some(at) = digest_at(packet) else { return false };
        let mut plain = packet.to_vec();
        let end = plain.len();
        plain[at..at + 32].fill(0);
        plain[end - 2..].fill(0);
        hmac::verify(self.of(by_server), &plain, &packet[at..at + 32]).is_ok()
    }

    fn of(&self, by_server: bool) -> &hmac::Key {
        if by_server { &self.server } else { &self.client }
    }
}

/// Where the digest of a packet of exactly this length begins.
fn digest_at(packet: &[u8]) -> Option<usize> {
    packet.len().checked_sub(TRAILER).map(|at| at + 5)
}
