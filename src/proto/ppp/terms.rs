//! What each protocol's two sides want and accept: LCP (RFC 1661 section 6), IPCP (RFC 1332, 1877), IPV6CP (RFC 5072).
//!
//! It knows no automaton and no frames. A side that asks and one that gives differ only in what they start with.

use std::net::Ipv4Addr;

use super::negotiation::{Judged, Terms};
use crate::wire::ppp::{CHAP, CHAP_MD5, INTERFACE_IDENTIFIER, PAP, Setting, ipcp_option, lcp_option};

/// Largest information where none was negotiated (RFC 1661 section 6.1).
pub const DEFAULT_MRU: u16 = 1500;

/// How a side proves who it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Proof {
    /// Name and password in clear (RFC 1334).
    Pap,
    /// A hash of secret and challenge (RFC 1994).
    ChapMd5,
}

impl Proof {
    fn of(value: &[u8]) -> Option<Self> {
        let (protocol, rest) = value.split_first_chunk::<2>()?;
        match (u16::from_be_bytes(*protocol), rest) {
            (PAP, []) => Some(Self::Pap),
            (CHAP, [CHAP_MD5]) => Some(Self::ChapMd5),
            _ => None,
        }
    }

    fn value(self) -> Vec<u8> {
        match self {
            Self::Pap => PAP.to_be_bytes().to_vec(),
            Self::ChapMd5 => [&CHAP.to_be_bytes()[..], &[CHAP_MD5]].concat(),
        }
    }

    /// Its usual name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Pap => "PAP",
            Self::ChapMd5 => "CHAP with MD5",
        }
    }
}

/// The link.
#[derive(Debug, Clone)]
pub struct Lcp {
    /// Largest information that this side takes; `None` once the peer has rejected to talk about it.
    pub mru: Option<u16>,
    /// Random; `None` once rejected.
    pub magic: Option<u32>,
    /// What this side demands of the peer.
    pub demands: Option<Proof>,
    /// Whether this side proves itself when asked.
    pub proves: bool,
    /// What the peer takes, once it has said so.
    pub peer_mru: u16,
    /// What the peer demands.
    pub peer_demands: Option<Proof>,
    /// The peer's request had our magic number: the line is a loop (RFC 1661 section 6.4), or chance.
    pub looped: bool,
}

impl Lcp {
    /// The side that has an account.
    pub fn subscriber(mru: u16, magic: u32) -> Self {
        let (mru, magic) = (Some(mru), Some(magic));
        Self { mru, magic, demands: None, proves: true, peer_mru: DEFAULT_MRU, peer_demands: None, looped: false }
    }

    /// The side that checks it.
    pub fn concentrator(mru: u16, magic: u32, demands: Proof) -> Self {
        Self { demands: Some(demands), proves: false, ..Self::subscriber(mru, magic) }
    }
}

impl Terms for Lcp {
    fn wants(&self) -> Vec<Setting> {
        let mru = self.mru.map(|mru| Setting::new(lcp_option::MRU, mru.to_be_bytes()));
        let demands = self.demands.map(|proof| Setting::new(lcp_option::AUTHENTICATION, proof.value()));
        let magic = self.magic.map(|magic| Setting::new(lcp_option::MAGIC, magic.to_be_bytes()));
        mru.into_iter().chain(demands).chain(magic).collect()
    }

    fn judge(&mut self, wanted: &Setting) -> Judged {
        match wanted.kind {
            lcp_option::MRU if wanted.value.len() == 2 => Judged::Fine,
            lcp_option::AUTHENTICATION if self.proves => match Proof::of(&wanted.value) {
                Some(_) => Judged::Fine,
                None => Judged::Rather(Proof::ChapMd5.value()),
            },
            lcp_option::MAGIC => match (wanted.word(), self.magic) {
                (Some(theirs), Some(ours)) if theirs == ours.to_be_bytes() => {
                    self.looped = true;
                    Judged::Rather((!ours).to_be_bytes().to_vec())
                }
                (Some(_), _) => Judged::Fine,
                (None, _) => Judged::No,
            },
            // RFC 2516 section 7: over PPPoE none of the others makes sense, and field compression must be refused.
            _ => Judged::No,
        }
    }

    fn on_nak(&mut self, suggested: &[Setting]) {
        for one in suggested {
            match one.kind {
                // Never more than asked for: the port may not carry it.
                lcp_option::MRU => self.mru = self.mru.zip(one.half_word()).map(|(ours, theirs)| ours.min(theirs.max(64))),
                lcp_option::MAGIC => self.magic = self.magic.map(|magic| magic.rotate_left(7) ^ 0x5bd1_e995),
                lcp_option::AUTHENTICATION if self.demands.is_some() => self.demands = Proof::of(&one.value).or(self.demands),
                _ => {}
            }
        }
    }

    fn on_reject(&mut self, rejected: &[Setting]) {
        for one in rejected {
            match one.kind {
                lcp_option::MRU => self.mru = None,
                lcp_option::MAGIC => self.magic = None,
                _ => {}
            }
        }
    }

    fn on_peer_settled(&mut self, settled: &[Setting]) {
        let find = |kind| settled.iter().find(|one| one.kind == kind);
        self.peer_mru = find(lcp_option::MRU).and_then(Setting::half_word).unwrap_or(DEFAULT_MRU);
        self.peer_demands = find(lcp_option::AUTHENTICATION).and_then(|one| Proof::of(&one.value));
        self.looped = false;
    }
}

/// IPv4 addresses.
#[derive(Debug, Clone)]
pub struct Ipcp {
    /// This side's address; unspecified asks for one.
    pub own: Ipv4Addr,
    /// What this side gives the peer; `None` takes what the peer has.
    pub gives: Option<Given>,
    /// The peer's address, once it has said so.
    pub peer: Option<Ipv4Addr>,
    /// Resolvers that were given, first and second; `None` in `asks_dns` once rejected.
    pub dns: [Ipv4Addr; 2],
    asks_dns: [bool; 2],
}

/// What a concentrator gives a subscriber.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Given {
    /// Its address.
    pub address: Ipv4Addr,
    /// Its resolvers.
    pub dns: [Ipv4Addr; 2],
}

const DNS_OPTIONS: [u8; 2] = [ipcp_option::PRIMARY_DNS, ipcp_option::SECONDARY_DNS];

impl Ipcp {
    /// The side that gets an address.
    pub fn subscriber() -> Self {
        let none = Ipv4Addr::UNSPECIFIED;
        Self { own: none, gives: None, peer: None, dns: [none; 2], asks_dns: [true; 2] }
    }

    /// The side that gives one.
    pub fn concentrator(own: Ipv4Addr, gives: Given) -> Self {
        Self { own, gives: Some(gives), asks_dns: [false; 2], ..Self::subscriber() }
    }

    fn address(setting: &Setting) -> Option<Ipv4Addr> {
        setting.word().map(Ipv4Addr::from)
    }
}

fn gives(given: Ipv4Addr, wanted: Ipv4Addr) -> Judged {
    if wanted == given { Judged::Fine } else { Judged::Rather(given.octets().to_vec()) }
}

impl Terms for Ipcp {
    fn wants(&self) -> Vec<Setting> {
        let dns = (0..2).filter(|n| self.asks_dns[*n]).map(|n| Setting::new(DNS_OPTIONS[n], self.dns[n].octets()));
        std::iter::once(Setting::new(ipcp_option::ADDRESS, self.own.octets())).chain(dns).collect()
    }

    fn judge(&mut self, wanted: &Setting) -> Judged {
        match (wanted.kind, Self::address(wanted), self.gives) {
            (ipcp_option::ADDRESS, Some(address), None) if !address.is_unspecified() => Judged::Fine,
            (ipcp_option::ADDRESS, Some(address), Some(given)) => gives(given.address, address),
            (ipcp_option::PRIMARY_DNS, Some(address), Some(given)) => gives(given.dns[0], address),
            (ipcp_option::SECONDARY_DNS, Some(address), Some(given)) => gives(given.dns[1], address),
            _ => Judged::No,
        }
    }

    fn on_nak(&mut self, suggested: &[Setting]) {
        for one in suggested {
            let Some(address) = Self::address(one) else { continue };
            match DNS_OPTIONS.iter().position(|kind| *kind == one.kind) {
                Some(n) => self.dns[n] = address,
                None if one.kind == ipcp_option::ADDRESS && self.gives.is_none() => self.own = address,
                None => {}
            }
        }
    }

    fn on_reject(&mut self, rejected: &[Setting]) {
        for (n, kind) in DNS_OPTIONS.iter().enumerate() {
            if rejected.iter().any(|one| one.kind == *kind) {
                (self.asks_dns[n], self.dns[n]) = (false, Ipv4Addr::UNSPECIFIED);
            }
        }
    }

    fn on_peer_settled(&mut self, settled: &[Setting]) {
        self.peer = settled.iter().find(|one| one.kind == ipcp_option::ADDRESS).and_then(Self::address);
    }
}

/// IPv6 interface identifiers.
#[derive(Debug, Clone)]
pub struct Ipv6cp {
    /// This side's; never zero.
    pub own: [u8; 8],
    /// The peer's, once settled.
    pub peer: Option<[u8; 8]>,
}

impl Ipv6cp {
    /// A side with this identifier.
    pub fn new(own: [u8; 8]) -> Self {
        Self { own, peer: None }
    }
}

impl Terms for Ipv6cp {
    fn wants(&self) -> Vec<Setting> {
        vec![Setting::new(INTERFACE_IDENTIFIER, self.own)]
    }

    // RFC 5072 section 4.1: zero asks for one, and both sides must differ.
    fn judge(&mut self, wanted: &Setting) -> Judged {
        match (wanted.kind, <[u8; 8]>::try_from(&wanted.value[..])) {
            (INTERFACE_IDENTIFIER, Ok(theirs)) if theirs != [0; 8] && theirs != self.own => Judged::Fine,
            (INTERFACE_IDENTIFIER, Ok(_)) => Judged::Rather(self.own.map(|octet| !octet).to_vec()),
            _ => Judged::No,
        }
    }

    fn on_nak(&mut self, suggested: &[Setting]) {
        let found = suggested.iter().find_map(|one| <[u8; 8]>::try_from(&one.value[..]).ok());
        self.own = found.filter(|id| *id != [0; 8]).unwrap_or(self.own);
    }

    fn on_reject(&mut self, _: &[Setting]) {}

    fn on_peer_settled(&mut self, settled: &[Setting]) {
        self.peer = settled.iter().find_map(|one| <[u8; 8]>::try_from(&one.value[..]).ok());
    }
}
