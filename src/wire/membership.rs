//! What routers and hosts tell one another about the groups that a host listens to: the same in IGMP ([`super::igmp`]) and in MLD
//! ([`super::mld`]), which is IGMP for IPv6 (RFC 3810 section 1).
//!
//! It knows no octets of either but the floating form of times and the records, which both share. It knows no state.

use std::fmt;
use std::net::IpAddr;
use std::time::Duration;

use crate::unit::Family;

/// Which of the five protocols.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Version {
    /// RFC 1112 appendix I.
    Igmp1,
    /// RFC 2236.
    Igmp2,
    /// RFC 3376: with sources.
    Igmp3,
    /// RFC 2710: IGMPv2 for IPv6.
    Mld1,
    /// RFC 3810: IGMPv3 for IPv6.
    Mld2,
}

impl Version {
    /// The newest of an IP version.
    pub fn newest(family: Family) -> Self {
        match family {
            Family::Ipv4 => Self::Igmp3,
            Family::Ipv6 => Self::Mld2,
        }
    }

    /// The number in its name.
    pub fn number(self) -> u8 {
        match self {
            Self::Igmp1 | Self::Mld1 => 1,
            Self::Igmp2 | Self::Mld2 => 2,
            Self::Igmp3 => 3,
        }
    }

    /// Whose groups it tells of.
    pub fn family(self) -> Family {
        match self {
            Self::Igmp1 | Self::Igmp2 | Self::Igmp3 => Family::Ipv4,
            Self::Mld1 | Self::Mld2 => Family::Ipv6,
        }
    }

    /// True for those that can name sources.
    pub fn has_sources(self) -> bool {
        matches!(self, Self::Igmp3 | Self::Mld2)
    }
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Igmp1 => "IGMPv1",
            Self::Igmp2 => "IGMPv2",
            Self::Igmp3 => "IGMPv3",
            Self::Mld1 => "MLDv1",
            Self::Mld2 => "MLDv2",
        })
    }
}

/// A message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message {
    /// A router asks.
    Query(Query),
    /// A host tells of one group; of another version than the newest.
    Report {
        /// IGMPv1, IGMPv2 or MLDv1.
        version: Version,
        /// The group.
        group: IpAddr,
    },
    /// A host leaves a group: "Leave Group" of IGMPv2, "Done" of MLDv1.
    Leave(IpAddr),
    /// A host tells of several groups and their sources: IGMPv3 or MLDv2.
    Records(Vec<Record>),
    /// Another kind, by its type.
    Other(u8),
}

/// A router's question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Query {
    /// By the form of the message (RFC 3376 section 7.1, RFC 3810 section 8.1).
    pub version: Version,
    /// The group that it asks for; `None` asks for all ("general query").
    pub group: Option<IpAddr>,
    /// Answers are to come within this; zero in IGMPv1, which has none.
    pub max_response: Duration,
    /// S: other routers leave their timers alone.
    pub suppress: bool,
    /// QRV, 0 to 7; zero leaves it open.
    pub robustness: u8,
    /// QQIC: how often the router asks; `None` where the version can't say.
    pub interval: Option<Duration>,
    /// The sources that it asks for.
    pub sources: Vec<IpAddr>,
}

impl Query {
    /// One of a version that says no more: an unspecified group asks for all.
    pub(super) fn short(version: Version, group: IpAddr, max_response: Duration) -> Self {
        Self {
            version,
            group: (!group.is_unspecified()).then_some(group),
            max_response,
            suppress: false,
            robustness: 0,
            interval: None,
            sources: Vec::new(),
        }
    }

    /// Reads what the newest version says behind the group, and returns what is left over:
    ///
    /// ```text
    /// | S and QRV 1 | QQIC 1 | sources 2 | [ source ]* |
    /// ```
    ///
    /// `at` is where that begins in the message.
    pub(super) fn read_more<'a>(&mut self, family: Family, message: &'a [u8], at: usize) -> Result<&'a [u8], Error> {
        let more = message.get(at..).and_then(|more| more.split_first_chunk::<4>());
        let ([flags, interval, high, low], behind) = more.ok_or(Error::QueryLength(message.len()))?;
        let count = usize::from(u16::from_be_bytes([*high, *low]));
        let octets = match family {
            Family::Ipv4 => 4,
            Family::Ipv6 => 16,
        };
        let truncated = Error::Truncated { len: message.len(), wanted: at + 4 + octets * count };
        let (sources, rest) = addresses(family, count, behind).ok_or(truncated)?;
        (self.suppress, self.robustness) = (flags & 8 != 0, flags & 7);
        self.interval = Some(Duration::from_secs(from_code((*interval).into(), INTERVAL_MANTISSA).into()));
        self.sources = sources;
        Ok(rest)
    }

    /// Writes it.
    pub(super) fn put_more(&self, family: Family, into: &mut Vec<u8>) {
        let seconds = self.interval.map_or(0, |interval| u32::try_from(interval.as_secs()).unwrap_or(u32::MAX));
        let sources = &self.sources[..self.sources.len().min(usize::from(u16::MAX))];
        into.extend([u8::from(self.suppress) << 3 | self.robustness & 7, to_code(seconds, INTERVAL_MANTISSA) as u8]);
        into.extend((sources.len() as u16).to_be_bytes());
        sources.iter().for_each(|source| put(family, *source, into));
    }
}

/// Where a message goes (RFC 3376 sections 4.1.12 and 4.2.14; RFC 3810 sections 5.1.15 and 5.2.14).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum To {
    /// To everybody on the link.
    All,
    /// To routers.
    Routers,
    /// To the routers of the newest version.
    Reports,
    /// To the group that it is about.
    Group(IpAddr),
}

impl Message {
    /// Where it goes.
    pub(super) fn to(&self) -> To {
        match self {
            Self::Query(query) => query.group.map_or(To::All, To::Group),
            Self::Report { group, .. } => To::Group(*group),
            Self::Leave(_) => To::Routers,
            Self::Records(_) | Self::Other(_) => To::Reports,
        }
    }
}

/// What a host tells of one group.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// What it tells.
    pub kind: RecordKind,
    /// The group.
    pub group: IpAddr,
    /// The sources, by the kind: those it listens to, or does not.
    pub sources: Vec<IpAddr>,
}

/// Kinds of records (RFC 3376 section 4.2.12, RFC 3810 section 5.2.12).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RecordKind {
    /// 1: listens to these sources alone.
    IsInclude,
    /// 2: listens to all but these.
    IsExclude,
    /// 3: now listens to these alone; to none of them: left the group.
    ToInclude,
    /// 4: now listens to all but these.
    ToExclude,
    /// 5: listens to these too.
    Allow,
    /// 6: listens to these no more.
    Block,
    /// Unknown; a router ignores it.
    Other(u8),
}

impl RecordKind {
    const KNOWN: [(u8, Self); 6] = [
        (1, Self::IsInclude),
        (2, Self::IsExclude),
        (3, Self::ToInclude),
        (4, Self::ToExclude),
        (5, Self::Allow),
        (6, Self::Block),
    ];

    fn of(code: u8) -> Self {
        Self::KNOWN.iter().find(|(known, _)| *known == code).map_or(Self::Other(code), |(_, kind)| *kind)
    }

    fn code(self) -> u8 {
        match self {
            Self::Other(code) => code,
            known => Self::KNOWN.iter().find(|(_, kind)| *kind == known).map_or(0, |(code, _)| *code),
        }
    }
}

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Flaw {
    /// The checksum is wrong; a receiver drops the message.
    #[error("the checksum is wrong")]
    Checksum,
    /// Sent with another TTL or hop limit than 1 (RFC 3376 section 4, RFC 3810 section 5).
    #[error("TTL {0}, not 1")]
    HopLimit(u8),
    /// Without the router alert option, so that routers that are no members may not see it (RFC 2113, RFC 2711).
    #[error("no router alert option")]
    NoRouterAlert,
    /// MLD from another than a link-local address: a receiver drops it (RFC 3810 sections 5.1.14 and 5.2.13).
    #[error("not from a link-local address")]
    Source,
    /// Octets behind the message's end.
    #[error("{0} octets behind the end")]
    LeftOver(usize),
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends too early.
    #[error("message of {len} octets, {wanted} expected")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets that it should have.
        wanted: usize,
    },
    /// A query of a length that no version has, which hosts ignore (RFC 3376 section 7.1).
    #[error("a query of {0} octets is of no version")]
    QueryLength(usize),
    /// The packet carries something else.
    #[error("no membership message")]
    Another,
}

/// A packet with a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Who sent it.
    pub source: IpAddr,
    /// Whom it is for.
    pub destination: IpAddr,
    /// The message.
    pub message: Message,
    /// What is odd about packet or message.
    pub flaws: Vec<Flaw>,
}

impl Heard {
    /// True where a receiver drops it: a wrong checksum, an MLD message from elsewhere than this link.
    pub fn is_dropped(&self) -> bool {
        self.flaws.iter().any(|flaw| matches!(flaw, Flaw::Checksum | Flaw::Source))
    }
}

/// Bits of mantissa of QQIC, in both protocols (RFC 3376 section 4.1.7, RFC 3810 section 5.1.9).
const INTERVAL_MANTISSA: u32 = 4;

/// Reads a time in the floating form: below `1 << (mantissa + 3)` directly, else `(mant | 1 << mantissa) << (exp + 3)`. IGMPv3's codes
/// have 4 bits of mantissa (RFC 3376 sections 4.1.1 and 4.1.7; QQIC of MLDv2 likewise), MLDv2's response code 12 (RFC 3810 section
/// 5.1.3).
pub(super) fn from_code(code: u16, mantissa: u32) -> u32 {
    let code = u32::from(code);
    if code < 1 << (mantissa + 3) {
        return code;
    }
    let (mant, exp) = (code & ((1 << mantissa) - 1), code >> mantissa & 7);
    (mant | 1 << mantissa) << (exp + 3)
}

/// Writes it: exactly, or the next smaller that can be said.
pub(super) fn to_code(value: u32, mantissa: u32) -> u16 {
    if value < 1 << (mantissa + 3) {
        return value as u16;
    }
    let top = value.ilog2() - mantissa;
    let exp = (top - 3).min(7);
    let mant = (value >> (exp + 3)).min((2 << mantissa) - 1) & ((1 << mantissa) - 1);
    (1 << (mantissa + 3) | exp << mantissa | mant) as u16
}

/// Reads an address of a family's length.
pub(super) fn address(family: Family, octets: &[u8]) -> Option<(IpAddr, &[u8])> {
    match family {
        Family::Ipv4 => octets.split_first_chunk::<4>().map(|(four, rest)| (IpAddr::from(*four), rest)),
        Family::Ipv6 => octets.split_first_chunk::<16>().map(|(six, rest)| (IpAddr::from(*six), rest)),
    }
}

/// Reads so many addresses.
pub(super) fn addresses(family: Family, count: usize, mut octets: &[u8]) -> Option<(Vec<IpAddr>, &[u8])> {
    let mut found = Vec::with_capacity(count.min(octets.len() / 4));
    for _ in 0..count {
        let (one, rest) = address(family, octets)?;
        found.push(one);
        octets = rest;
    }
    Some((found, octets))
}

/// Writes an address of the right family; another is left out, a caller's mistake.
pub(super) fn put(family: Family, address: IpAddr, into: &mut Vec<u8>) {
    match address {
        IpAddr::V4(four) if family == Family::Ipv4 => into.extend(four.octets()),
        IpAddr::V6(six) if family == Family::Ipv6 => into.extend(six.octets()),
        _ => {}
    }
}

/// Reads the records of a report:
///
/// ```text
/// | kind 1 | auxiliary words 1 | sources 2 | group | [ source ]* | auxiliary data |   repeated
/// ```
pub(super) fn records(family: Family, count: usize, mut octets: &[u8]) -> Option<(Vec<Record>, &[u8])> {
    let mut found = Vec::with_capacity(count.min(octets.len() / 8));
    for _ in 0..count {
        let ([kind, auxiliary, high, low], rest) = octets.split_first_chunk::<4>()?;
        let (group, rest) = address(family, rest)?;
        let (sources, rest) = addresses(family, usize::from(u16::from_be_bytes([*high, *low])), rest)?;
        found.push(Record { kind: RecordKind::of(*kind), group, sources });
        // A receiver ignores auxiliary data (RFC 3376 section 4.2.11).
        octets = rest.get(usize::from(*auxiliary) * 4..)?;
    }
    Some((found, octets))
}

/// Writes records without auxiliary data. What goes beyond 65,535 of either count is left out.
pub(super) fn put_records(family: Family, records: &[Record], into: &mut Vec<u8>) {
    let records = &records[..records.len().min(usize::from(u16::MAX))];
    into.extend((records.len() as u16).to_be_bytes());
    for record in records {
        let sources = &record.sources[..record.sources.len().min(usize::from(u16::MAX))];
        into.extend([record.kind.code(), 0]);
        into.extend((sources.len() as u16).to_be_bytes());
        put(family, record.group, into);
        sources.iter().for_each(|source| put(family, *source, into));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// RFC 3376 section 4.1.1 and RFC 3810 section 5.1.3, worked out by hand.
    #[test]
    fn codes_of_times_are_those_of_the_standards() {
        for (code, value) in
            [(0x0a, 10), (0x64, 100), (0x7f, 127), (0x80, 128), (0x8f, 248), (0x90, 256), (0xb4, 1280), (0xff, 31_744)]
        {
            assert_eq!((from_code(code, 4), to_code(value, 4)), (value, code));
        }
        for (code, value) in
            [(10_000, 10_000), (0x7fff, 32_767), (0x8000, 32_768), (0x8001, 32_776), (0x9000, 65_536), (0xffff, 8_387_584)]
        {
            assert_eq!((from_code(code, 12), to_code(value, 12)), (value, code));
        }
        // What can't be said is the next smaller; what is too large is the largest.
        assert_eq!(
            [(129, 4), (u32::MAX, 4), (32_769, 12), (u32::MAX, 12)].map(|(v, m)| to_code(v, m)),
            [0x80, 0xff, 0x8000, 0xffff]
        );
    }

    proptest! {
        #[test]
        fn every_code_is_read_and_written_and_none_says_more_than_was_meant(code: u8, long: u16, value in 0_u32..10_000_000) {
            prop_assert_eq!(to_code(from_code(code.into(), 4), 4), u16::from(code));
            prop_assert_eq!(to_code(from_code(long, 12), 12), long);
            for mantissa in [4, 12] {
                prop_assert!(from_code(to_code(value, mantissa), mantissa) <= value);
            }
        }
    }
}
