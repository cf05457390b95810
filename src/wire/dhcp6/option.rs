//! The options (RFC 8415 section 21, RFC 3646, 6334, 8415 appendix): octets to meaning and back.

use std::net::Ipv6Addr;

use super::{Duid, Flaw};
use crate::wire::names;

/// Option numbers.
pub mod code {
    #![expect(missing_docs, reason = "the names are the standard's")]
    pub const CLIENT_ID: u16 = 1;
    pub const SERVER_ID: u16 = 2;
    pub const ADDRESSES: u16 = 3;
    pub const TEMPORARY: u16 = 4;
    pub const ADDRESS: u16 = 5;
    pub const REQUEST: u16 = 6;
    pub const PREFERENCE: u16 = 7;
    pub const ELAPSED: u16 = 8;
    pub const RELAYED: u16 = 9;
    pub const STATUS: u16 = 13;
    pub const RAPID_COMMIT: u16 = 14;
    pub const USER_CLASS: u16 = 15;
    pub const VENDOR_CLASS: u16 = 16;
    pub const VENDOR_OPTIONS: u16 = 17;
    pub const INTERFACE: u16 = 18;
    pub const RESOLVERS: u16 = 23;
    pub const SEARCH: u16 = 24;
    pub const PREFIXES: u16 = 25;
    pub const PREFIX: u16 = 26;
    pub const REFRESH: u16 = 32;
    pub const AFTR: u16 = 64;
    pub const SOL_MAX_RT: u16 = 82;
    pub const INF_MAX_RT: u16 = 83;
}

/// How deep options may stand in one another: association, address, status; one more for good measure. Deeper ones stay octets.
const DEEPEST: u8 = 4;

/// An identity association (sections 21.4 and 21.21): what belongs to one interface of a client. Times in seconds; zero
/// leaves them to the client.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Association {
    /// Its number, the client's choice.
    pub id: u32,
    /// T1: ask the same server for more time.
    pub renew_s: u32,
    /// T2: ask any server.
    pub rebind_s: u32,
    /// What is in it.
    pub items: Vec<Item>,
}

impl Association {
    /// One with nothing in it and no wishes.
    pub fn new(id: u32) -> Self {
        Self { id, renew_s: 0, rebind_s: 0, items: Vec::new() }
    }

    /// Code and words of its status.
    pub fn status(&self) -> Option<(u16, &str)> {
        status_of(&self.items)
    }

    /// Whether a client must discard it for its times (T1 behind T2, both given).
    pub fn has_wrong_times(&self) -> bool {
        self.renew_s > self.rebind_s && self.rebind_s > 0
    }
}

/// One option. Lifetimes in seconds; [`super::FOREVER`] has no end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Item {
    /// The client.
    ClientId(Duid),
    /// The server.
    ServerId(Duid),
    /// IA_NA: addresses.
    Addresses(Association),
    /// IA_TA: temporary addresses.
    Temporary {
        /// Number of the association.
        id: u32,
        /// What is in it.
        items: Vec<Self>,
    },
    /// An address, inside of an association.
    Address {
        /// The address.
        address: Ipv6Addr,
        /// Preferred lifetime.
        preferred_s: u32,
        /// Valid lifetime; zero takes it back.
        valid_s: u32,
        /// Its status.
        items: Vec<Self>,
    },
    /// IA_PD: prefixes.
    Prefixes(Association),
    /// A delegated prefix, inside of an association.
    Prefix {
        /// Network address.
        prefix: Ipv6Addr,
        /// Prefix length.
        len: u8,
        /// Preferred lifetime.
        preferred_s: u32,
        /// Valid lifetime; zero takes it back.
        valid_s: u32,
        /// Its status.
        items: Vec<Self>,
    },
    /// Options that the client asks for.
    Request(Vec<u16>),
    /// How much a server wants to be chosen; 255 at once.
    Preference(u8),
    /// Time since the client began, in hundredths of a second; 0xffff is that or longer.
    Elapsed(u16),
    /// The message in a relay's envelope.
    Relayed(Vec<u8>),
    /// What became of it: code (see [`super::status`]) and words.
    Status(u16, String),
    /// Two messages instead of four.
    RapidCommit,
    /// What kinds of user.
    UserClass(Vec<Vec<u8>>),
    /// What kinds of equipment: enterprise number and data.
    VendorClass(u32, Vec<Vec<u8>>),
    /// A vendor's own: enterprise number, then code and data.
    VendorOptions(u32, Vec<(u16, Vec<u8>)>),
    /// The relay's name for the client's port.
    Interface(Vec<u8>),
    /// Resolvers in order (RFC 3646 section 3).
    Resolvers(Vec<Ipv6Addr>),
    /// Domains to search (RFC 3646 section 4).
    Search(Vec<String>),
    /// Seconds until settings are to be asked for again (section 21.23).
    Refresh(u32),
    /// Name of the far end of an IPv4 tunnel over IPv6 (RFC 6334).
    Aftr(String),
    /// Longest wait between SOLICITs, in seconds (section 21.24).
    SolMaxRt(u32),
    /// Longest wait between INFORMATION-REQUESTs, in seconds (section 21.25).
    InfMaxRt(u32),
    /// Any other, or one that is not of its kind's form: code and value.
    Other(u16, Vec<u8>),
}

/// Where a list of options stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Message,
    /// In an association, this deep.
    Addresses(u8),
    Prefixes(u8),
    /// In an address or prefix.
    Leaf(u8),
}

impl Place {
    fn depth(self) -> u8 {
        match self {
            Self::Message => 0,
            Self::Addresses(depth) | Self::Prefixes(depth) | Self::Leaf(depth) => depth,
        }
    }

    /// Whether an option of this code belongs here.
    fn takes(self, code: u16) -> bool {
        match code {
            code::ADDRESS => matches!(self, Self::Addresses(_)),
            code::PREFIX => matches!(self, Self::Prefixes(_)),
            code::ADDRESSES | code::TEMPORARY | code::PREFIXES => self == Self::Message,
            _ => true,
        }
    }
}

/// Whether an option may stand several times in one list.
fn may_repeat(code: u16) -> bool {
    use code::{ADDRESS, ADDRESSES, PREFIX, PREFIXES, TEMPORARY, VENDOR_CLASS, VENDOR_OPTIONS};
    let is_known = (1..=32).contains(&code) || matches!(code, code::AFTR | code::SOL_MAX_RT | code::INF_MAX_RT);
    !is_known || matches!(code, ADDRESS | ADDRESSES | PREFIX | PREFIXES | TEMPORARY | VENDOR_CLASS | VENDOR_OPTIONS)
}

/// Reads a list of options.
pub(super) fn parse_all(mut bytes: &[u8], place: Place, flaws: &mut Vec<Flaw>) -> Vec<Item> {
    let mut items = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    while let Some((&[a, b, c, d], rest)) = bytes.split_first_chunk::<4>() {
        let (code, claimed) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
        let Some((value, behind)) = rest.split_at_checked(claimed.into()) else {
            flaws.push(Flaw::Cut { code, claimed, left: rest.len() });
            return items;
        };
        if !seen.insert(code) && !may_repeat(code) {
            flaws.push(Flaw::Repeated(code));
        }
        if !place.takes(code) {
            flaws.push(Flaw::Misplaced(code));
        }
        items.push(item(code, value, place.depth(), flaws).unwrap_or_else(|| {
            flaws.push(Flaw::Form(code));
            Item::Other(code, value.to_vec())
        }));
        bytes = behind;
    }
    if !bytes.is_empty() {
        flaws.push(Flaw::LeftOver(bytes.len()));
    }
    items
}

/// `None` when it is not of its kind's form.
fn item(code: u16, value: &[u8], depth: u8, flaws: &mut Vec<Flaw>) -> Option<Item> {
    let word = |at: usize| Some(u32::from_be_bytes(value.get(at..at + 4)?.try_into().ok()?));
    let short = |at: usize| Some(u16::from_be_bytes(value.get(at..at + 2)?.try_into().ok()?));
    let address = |at: usize| Some(Ipv6Addr::from(<[u8; 16]>::try_from(value.get(at..at + 16)?).ok()?));
    let duid = || Some(Duid(value.to_vec())).filter(Duid::has_sound_length);
    let is_container = matches!(code, code::ADDRESSES | code::TEMPORARY | code::ADDRESS | code::PREFIXES | code::PREFIX);
    if is_container && depth >= DEEPEST {
        return None;
    }
    let mut lifetimes = |preferred: u32, valid: u32| {
        if preferred > valid {
            flaws.push(Flaw::Lifetimes);
        }
    };
    Some(match code {
        code::CLIENT_ID => Item::ClientId(duid()?),
        code::SERVER_ID => Item::ServerId(duid()?),
        code::ADDRESSES => Item::Addresses(association(value, Place::Addresses(depth + 1), flaws)?),
        code::PREFIXES => Item::Prefixes(association(value, Place::Prefixes(depth + 1), flaws)?),
        code::TEMPORARY => {
            Item::Temporary { id: word(0)?, items: parse_all(value.get(4..)?, Place::Addresses(depth + 1), flaws) }
        }
        code::ADDRESS => {
            let (address, preferred_s, valid_s, inside) = (address(0)?, word(16)?, word(20)?, value.get(24..)?);
            lifetimes(preferred_s, valid_s);
            Item::Address { address, preferred_s, valid_s, items: parse_all(inside, Place::Leaf(depth + 1), flaws) }
        }
        code::PREFIX => {
            let (preferred_s, valid_s, len) = (word(0)?, word(4)?, *value.get(8).filter(|len| **len <= 128)?);
            let (prefix, inside) = (address(9)?, value.get(25..)?);
            lifetimes(preferred_s, valid_s);
            if u128::from(prefix).checked_shl(len.into()).is_some_and(|behind| behind != 0) {
                flaws.push(Flaw::PrefixBits(len));
            }
            Item::Prefix { prefix, len, preferred_s, valid_s, items: parse_all(inside, Place::Leaf(depth + 1), flaws) }
        }
        code::REQUEST if value.len().is_multiple_of(2) => {
            Item::Request(value.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect())
        }
        code::PREFERENCE if value.len() == 1 => Item::Preference(value[0]),
        code::ELAPSED if value.len() == 2 => Item::Elapsed(short(0)?),
        code::RELAYED => Item::Relayed(value.to_vec()),
        code::STATUS => Item::Status(short(0)?, String::from_utf8_lossy(&value[2..]).into_owned()),
        code::RAPID_COMMIT if value.is_empty() => Item::RapidCommit,
        code::USER_CLASS if !value.is_empty() => Item::UserClass(pieces(value)?),
        code::VENDOR_CLASS => Item::VendorClass(word(0)?, pieces(value.get(4..)?)?),
        code::VENDOR_OPTIONS => Item::VendorOptions(word(0)?, coded_pieces(value.get(4..)?)?),
        code::INTERFACE => Item::Interface(value.to_vec()),
        code::RESOLVERS if !value.is_empty() && value.len().is_multiple_of(16) => {
            Item::Resolvers((0..value.len()).step_by(16).filter_map(address).collect())
        }
        code::SEARCH if !value.is_empty() => Item::Search(names::parse(value, false)?),
        code::REFRESH if value.len() == 4 => Item::Refresh(word(0)?),
        code::AFTR => match names::parse(value, false)?.as_slice() {
            [name] => Item::Aftr(name.clone()),
            _ => return None,
        },
        code::SOL_MAX_RT if value.len() == 4 => Item::SolMaxRt(word(0)?),
        code::INF_MAX_RT if value.len() == 4 => Item::InfMaxRt(word(0)?),
        code::REQUEST
        | code::PREFERENCE
        | code::ELAPSED
        | code::RAPID_COMMIT
        | code::USER_CLASS
        | code::RESOLVERS
        | code::SEARCH
        | code::REFRESH
        | code::SOL_MAX_RT
        | code::INF_MAX_RT => return None,
        other => Item::Other(other, value.to_vec()),
    })
}

fn association(value: &[u8], place: Place, flaws: &mut Vec<Flaw>) -> Option<Association> {
    let (head, inside) = value.split_first_chunk::<12>()?;
    let word = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    let mut all = Association { id: word(0), renew_s: word(4), rebind_s: word(8), items: Vec::new() };
    if all.has_wrong_times() {
        flaws.push(Flaw::Times(all.id));
    }
    all.items = parse_all(inside, place, flaws);
    Some(all)
}

/// Pieces with their lengths before them (sections 21.15 and 21.16).
fn pieces(mut bytes: &[u8]) -> Option<Vec<Vec<u8>>> {
    let mut all = Vec::new();
    while !bytes.is_empty() {
        let (&[high, low], rest) = bytes.split_first_chunk::<2>()?;
        let (piece, behind) = rest.split_at_checked(u16::from_be_bytes([high, low]).into())?;
        all.push(piece.to_vec());
        bytes = behind;
    }
    Some(all)
}

/// Pieces with code and length before them (section 21.17).
fn coded_pieces(mut bytes: &[u8]) -> Option<Vec<(u16, Vec<u8>)>> {
    let mut all = Vec::new();
    while !bytes.is_empty() {
        let (&[a, b, c, d], rest) = bytes.split_first_chunk::<4>()?;
        let (piece, behind) = rest.split_at_checked(u16::from_be_bytes([c, d]).into())?;
        all.push((u16::from_be_bytes([a, b]), piece.to_vec()));
        bytes = behind;
    }
    Some(all)
}

/// The status among options.
pub(super) fn status_of(items: &[Item]) -> Option<(u16, &str)> {
    items.iter().find_map(|item| if let Item::Status(code, words) = item { Some((*code, words.as_str())) } else { None })
}

/// Writes options one behind the other.
pub(super) fn emit_all(items: &[Item], bytes: &mut Vec<u8>) {
    for item in items {
        let (code, value) = item.emit();
        if let Ok(len) = u16::try_from(value.len()) {
            bytes.extend(code.to_be_bytes());
            bytes.extend(len.to_be_bytes());
            bytes.extend(value);
        }
    }
}

impl Item {
    /// Code and value. Pieces of class options beyond 65 535 octets are cut.
    fn emit(&self) -> (u16, Vec<u8>) {
        let with_inside = |head: Vec<u8>, items: &[Self]| {
            let mut value = head;
            emit_all(items, &mut value);
            value
        };
        let association = |all: &Association| {
            let head = [all.id, all.renew_s, all.rebind_s].iter().flat_map(|word| word.to_be_bytes()).collect();
            with_inside(head, &all.items)
        };
        let piece = |piece: &Vec<u8>| {
            let len = u16::try_from(piece.len()).unwrap_or(u16::MAX);
            [&len.to_be_bytes()[..], &piece[..len.into()]].concat()
        };
        match self {
            Self::ClientId(duid) => (code::CLIENT_ID, duid.0.clone()),
            Self::ServerId(duid) => (code::SERVER_ID, duid.0.clone()),
            Self::Addresses(all) => (code::ADDRESSES, association(all)),
            Self::Temporary { id, items } => (code::TEMPORARY, with_inside(id.to_be_bytes().to_vec(), items)),
            Self::Address { address, preferred_s, valid_s, items } => {
                let head = [&address.octets()[..], &preferred_s.to_be_bytes(), &valid_s.to_be_bytes()].concat();
                (code::ADDRESS, with_inside(head, items))
            }
            Self::Prefixes(all) => (code::PREFIXES, association(all)),
            Self::Prefix { prefix, len, preferred_s, valid_s, items } => {
                let head = [&preferred_s.to_be_bytes()[..], &valid_s.to_be_bytes(), &[*len], &prefix.octets()].concat();
                (code::PREFIX, with_inside(head, items))
            }
            Self::Request(codes) => (code::REQUEST, codes.iter().flat_map(|code| code.to_be_bytes()).collect()),
            Self::Preference(value) => (code::PREFERENCE, vec![*value]),
            Self::Elapsed(hundredths) => (code::ELAPSED, hundredths.to_be_bytes().to_vec()),
            Self::Relayed(message) => (code::RELAYED, message.clone()),
            Self::Status(number, words) => (code::STATUS, [&number.to_be_bytes()[..], words.as_bytes()].concat()),
            Self::RapidCommit => (code::RAPID_COMMIT, Vec::new()),
            Self::UserClass(all) => (code::USER_CLASS, all.iter().flat_map(piece).collect()),
            Self::VendorClass(enterprise, all) => {
                (code::VENDOR_CLASS, enterprise.to_be_bytes().into_iter().chain(all.iter().flat_map(piece)).collect())
            }
            Self::VendorOptions(enterprise, all) => {
                let coded = all.iter().flat_map(|(code, data)| code.to_be_bytes().into_iter().chain(piece(data)));
                (code::VENDOR_OPTIONS, enterprise.to_be_bytes().into_iter().chain(coded).collect())
            }
            Self::Interface(name) => (code::INTERFACE, name.clone()),
            Self::Resolvers(all) => (code::RESOLVERS, all.iter().flat_map(|address| address.octets()).collect()),
            Self::Search(all) => (code::SEARCH, names::emit(all)),
            Self::Refresh(seconds) => (code::REFRESH, seconds.to_be_bytes().to_vec()),
            Self::Aftr(name) => (code::AFTR, names::emit(std::slice::from_ref(name))),
            Self::SolMaxRt(seconds) => (code::SOL_MAX_RT, seconds.to_be_bytes().to_vec()),
            Self::InfMaxRt(seconds) => (code::INF_MAX_RT, seconds.to_be_bytes().to_vec()),
            Self::Other(code, value) => (*code, value.clone()),
        }
    }
}
