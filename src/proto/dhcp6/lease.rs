//! What a server gave: addresses, prefixes, settings, and what it refused.

use std::net::Ipv6Addr;

use super::Answer;
use crate::wire::dhcp6::{Association, Duid, Item, Message, status};
use crate::wire::ethernet::Mac;

/// An address that is lent. Lifetimes in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lent {
    /// The address.
    pub address: Ipv6Addr,
    /// Preferred lifetime.
    pub preferred_s: u32,
    /// Valid lifetime.
    pub valid_s: u32,
}

impl Lent {
    pub(super) fn item(self) -> Item {
        let Self { address, preferred_s, valid_s } = self;
        Item::Address { address, preferred_s, valid_s, items: Vec::new() }
    }
}

/// A prefix that is delegated. Lifetimes in seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Delegated {
    /// Network address.
    pub prefix: Ipv6Addr,
    /// Prefix length.
    pub len: u8,
    /// Preferred lifetime.
    pub preferred_s: u32,
    /// Valid lifetime.
    pub valid_s: u32,
}

impl Delegated {
    fn item(self) -> Item {
        let Self { prefix, len, preferred_s, valid_s } = self;
        Item::Prefix { prefix, len, preferred_s, valid_s, items: Vec::new() }
    }
}

/// An association that a server left empty, and its word for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Whether it is about prefixes, else about addresses.
    pub is_prefix: bool,
    /// The status (RFC 8415 section 21.13).
    pub code: u16,
    /// In the server's words.
    pub words: String,
}

impl Refusal {
    /// All in a message.
    pub fn all(message: &Message) -> Vec<Self> {
        let of = |is_prefix: bool, all: &Association| {
            let (code, words) = all.status().filter(|(code, _)| *code != status::SUCCESS)?;
            Some(Self { is_prefix, code, words: words.to_owned() })
        };
        let addresses = message.addresses().filter_map(|all| of(false, all));
        addresses.chain(message.prefixes().filter_map(|all| of(true, all))).collect()
    }

    /// The status by its name in the standard, and the server's words.
    pub fn told(&self) -> String {
        let name = status::name(self.code).map_or_else(|| format!("status {}", self.code), str::to_owned);
        if self.words.is_empty() { name } else { format!("{name} ({})", self.words) }
    }
}

/// A lease.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lease {
    /// Whose it is.
    pub server: Duid,
    /// Address that the answer came from.
    pub from: Ipv6Addr,
    /// Hardware address that the answer came from.
    pub mac: Mac,
    /// Addresses.
    pub addresses: Vec<Lent>,
    /// Prefixes.
    pub prefixes: Vec<Delegated>,
    /// What it did not give.
    pub refusals: Vec<Refusal>,
    /// Resolvers in order.
    pub resolvers: Vec<Ipv6Addr>,
    /// Which of the client's answers gave it.
    pub answer: usize,
    /// It came in two messages instead of four.
    pub is_rapid: bool,
}

impl Lease {
    /// What a REPLY gives for the associations of this number; `None` without a server identifier.
    pub(super) fn of(answer: &Answer, index: usize, association: u32) -> Option<Self> {
        let message = &answer.message;
        let ours =
            Message { items: message.items.iter().filter(|item| is_of(item, association)).cloned().collect(), ..message.clone() };
        Some(Self {
            server: message.server()?.clone(),
            from: answer.from,
            mac: answer.mac,
            addresses: lent(&ours).collect(),
            prefixes: delegated(&ours).collect(),
            refusals: Refusal::all(&ours),
            resolvers: message.resolvers(),
            answer: index,
            is_rapid: message.is_rapid(),
        })
    }

    /// Whether there is nothing to give back.
    pub fn is_empty(&self) -> bool {
        self.addresses.is_empty() && self.prefixes.is_empty()
    }

    /// As associations, for giving it back.
    pub(super) fn items(&self, association: u32) -> Vec<Item> {
        let of = |items: Vec<Item>| Association { items, ..Association::new(association) };
        let addresses: Vec<Item> = self.addresses.iter().map(|lent| lent.item()).collect();
        let prefixes: Vec<Item> = self.prefixes.iter().map(|delegated| delegated.item()).collect();
        let addresses = (!addresses.is_empty()).then(|| Item::Addresses(of(addresses)));
        addresses.into_iter().chain((!prefixes.is_empty()).then(|| Item::Prefixes(of(prefixes)))).collect()
    }
}

fn is_of(item: &Item, association: u32) -> bool {
    !matches!(item, Item::Addresses(all) | Item::Prefixes(all) if all.id != association)
}

/// The associations of an ADVERTISE that hold something, for the REQUEST: only addresses and prefixes, without a status.
pub(super) fn offered(message: &Message, association: u32) -> Vec<Item> {
    let with = |items: Vec<Item>| Association { items, ..Association::new(association) };
    let addresses: Vec<Item> = lent(message).map(Lent::item).collect();
    let prefixes: Vec<Item> = delegated(message).map(Delegated::item).collect();
    let addresses = (!addresses.is_empty()).then(|| Item::Addresses(with(addresses)));
    addresses.into_iter().chain((!prefixes.is_empty()).then(|| Item::Prefixes(with(prefixes)))).collect()
}

/// Addresses that can be used: neither taken back nor of lifetimes or times that a client must discard (sections 21.4, 21.6).
pub(super) fn lent(message: &Message) -> impl Iterator<Item = Lent> {
    let sound = message.addresses().filter(|all| !all.has_wrong_times());
    sound.flat_map(|all| &all.items).filter_map(|item| match *item {
        Item::Address { address, preferred_s, valid_s, ref items } if preferred_s <= valid_s && valid_s > 0 => {
            is_fine(items).then_some(Lent { address, preferred_s, valid_s })
        }
        _ => None,
    })
}

/// The same of prefixes (sections 21.21, 21.22).
pub(super) fn delegated(message: &Message) -> impl Iterator<Item = Delegated> {
    let sound = message.prefixes().filter(|all| !all.has_wrong_times());
    sound.flat_map(|all| &all.items).filter_map(|item| match *item {
        Item::Prefix { prefix, len, preferred_s, valid_s, ref items } if preferred_s <= valid_s && valid_s > 0 => {
            is_fine(items).then_some(Delegated { prefix, len, preferred_s, valid_s })
        }
        _ => None,
    })
}

fn is_fine(items: &[Item]) -> bool {
    !items.iter().any(|item| matches!(item, Item::Status(code, _) if *code != status::SUCCESS))
}
