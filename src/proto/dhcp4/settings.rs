//! What a client is told before it begins.

use std::net::Ipv4Addr;
use std::time::Duration;

use crate::wire::dhcp4::Introduction;
use crate::wire::ethernet::Mac;

/// What the client is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Purpose {
    /// Get a lease.
    Acquire,
    /// Ask for settings only, on behalf of an address that is held already (RFC 2131 section 3.4). It disturbs nothing: a
    /// server that answers "MUST NOT" look at leases or change any (section 4.3.5), while an OFFER that is not taken
    /// may hold an address back and make the server probe it (section 3.1, step 2).
    Inform(Ipv4Addr),
}

/// How the client goes about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// The port's hardware address.
    pub mac: Mac,
    /// What it is for.
    pub purpose: Purpose,
    /// When to give up without a lease or an answer. Two messages are sent and waited for however short it is.
    pub patience: Duration,
    /// How long to collect answers of other servers after the first one (section 4.4.1: the client "collects DHCPOFFER
    /// messages over a period of time").
    pub window: Duration,
    /// How long to listen for another station with the address after each ARP probe for it; as many probes as waits, none
    /// doesn't look. RFC 5227 section 1.1: three probes, 1 to 2 s apart, and 2 s after the last.
    pub probe_waits: Vec<Duration>,
    /// Hardware addresses of this machine's other ports, which may answer for its addresses and are no strangers.
    pub own: Vec<Mac>,
    /// What the client says of itself.
    pub introduction: Introduction,
    /// First transaction number; the next ones follow. Draw it at random.
    pub transaction: u32,
    /// Random parts of the retransmission times in milliseconds, -1000 to 1000, drawn uniformly (section 4.1); used in
    /// turn, from the start again when they run out. None is no random part.
    pub jitter_ms: Vec<i32>,
}
