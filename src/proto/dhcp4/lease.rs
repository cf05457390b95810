//! A confirmed lease.

use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use crate::wire::dhcp4::Parsed;
use crate::wire::dhcp4::option::{self, ClasslessRoute, Value, code};
use crate::wire::ethernet::Mac;

/// A lease by RFC 2131, as the ACK gives it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lease {
    /// The address.
    pub address: Ipv4Addr,
    /// Prefix length of its network; by the address's class when the server gave no mask.
    pub prefix: u8,
    /// The next hop for everything else (option 121, else 3).
    pub router: Option<Ipv4Addr>,
    /// All routes, the default route among them (option 121, else 33 and 3).
    pub routes: Vec<ClasslessRoute>,
    /// Name servers in order (option 6).
    pub resolvers: Vec<Ipv4Addr>,
    /// The domain that hosts complete names by (option 15), unprintable characters replaced.
    pub domain: Option<String>,
    /// Domains that hosts complete names by, in turn (option 119, RFC 3397).
    pub search: Vec<String>,
    /// The server (option 54, else where the ACK came from).
    pub server: Ipv4Addr,
    /// The hardware address that the ACK came from: the server or the relay before it.
    pub server_mac: Mac,
    /// How long it was granted for; `None` is without end.
    pub granted: Option<Duration>,
    /// When to renew (T1), to rebind (T2), and when it ends; `None` is never.
    pub times: Option<Times>,
}

/// The moments of a lease.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// T1: ask the server.
    pub renew_at: Instant,
    /// T2: ask any server.
    pub rebind_at: Instant,
    /// The address must not be used any more.
    pub expires_at: Instant,
}

/// Taken where the server gives no lease time, which RFC 2131 table 3 doesn't let it: long enough for a visit.
const UNSTATED_LEASE: u32 = 3600;

impl Lease {
    /// The lease of an ACK to a REQUEST that was sent at `requested_at`, from when section 4.4.1 has the lease count.
    pub(super) fn new(ack: &Parsed, source: Ipv4Addr, source_mac: Mac, requested_at: Instant) -> Self {
        let address = ack.repr.yours;
        let seconds = ack.number(code::LEASE_TIME).unwrap_or(UNSTATED_LEASE);
        // 0xffffffff is without end (section 3.3).
        let granted = (seconds != u32::MAX).then(|| Duration::from_secs(u64::from(seconds)));
        let times = granted.map(|granted| {
            let given = |code| ack.number(code).map(|s| Duration::from_secs(u64::from(s)));
            // Section 4.4.5: T1 is half, T2 seven eighths of the lease where the server doesn't say. What doesn't stand in
            // order is replaced.
            let rebind = given(code::REBINDING_TIME).filter(|t| *t <= granted).unwrap_or(granted * 7 / 8);
            let renew = given(code::RENEWAL_TIME).filter(|t| *t <= rebind).unwrap_or_else(|| (granted / 2).min(rebind));
            Times { renew_at: requested_at + renew, rebind_at: requested_at + rebind, expires_at: requested_at + granted }
        });
        Self {
            address,
            prefix: ack.prefix(address),
            router: ack.default_route(),
            routes: ack.routes(),
            resolvers: ack.addresses(code::NAME_SERVERS),
            domain: domain(ack),
            search: search(ack),
            server: ack.address(code::SERVER_IDENTIFIER).unwrap_or(source),
            server_mac: source_mac,
            granted,
            times,
        }
    }
}

/// Option 15 of a message, where it is text.
fn domain(message: &Parsed) -> Option<String> {
    match option::decode(code::DOMAIN_NAME, &message.option(code::DOMAIN_NAME)?).value {
        Value::Text(text) => Some(text),
        _ => None,
    }
}

/// Option 119 of a message; empty where it is missing or broken.
fn search(message: &Parsed) -> Vec<String> {
    let octets = message.option(code::DOMAIN_SEARCH);
    match octets.map(|octets| option::decode(code::DOMAIN_SEARCH, &octets).value) {
        Some(Value::Names(names)) => names,
        _ => Vec::new(),
    }
}
