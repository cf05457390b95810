//! How addresses are written: found in a word, and every way in which one could still be recognised.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// An address of a port: six octets.
pub(super) type Mac = [u8; 6];

/// Addresses that belong to no line: loopback, unspecified, broadcast, netmasks, groups that every link has.
pub(super) fn is_everybodys(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(address) => {
            let bits = u32::from(address);
            let is_mask = bits >= 0xff00_0000 && bits.leading_ones() + bits.trailing_zeros() >= 32;
            address.is_loopback() || address.is_unspecified() || is_mask || address.octets()[..3] == [224, 0, 0]
        }
        // ff0X:: with a well-known group (RFC 4291 section 2.7.1) of one octet pair.
        IpAddr::V6(address) => {
            let parts = address.segments();
            let is_known_group = parts[0] & 0xfff0 == 0xff00 && parts[1..7].iter().all(|part| *part == 0);
            address.is_loopback() || address.is_unspecified() || is_known_group
        }
    }
}

/// Kind of an address, which stays: whether it is private or shared decides what a finding means.
pub(super) fn kind_of(address: IpAddr) -> &'static str {
    match address {
        IpAddr::V4(address) => match address.octets() {
            // RFC 6598.
            [100, second, ..] if second & 0xc0 == 64 => "ipv4-shared",
            _ if address.is_private() => "ipv4-private",
            _ if address.is_link_local() => "ipv4-link-local",
            _ if address.is_multicast() => "ipv4-multicast",
            _ => "ipv4-public",
        },
        IpAddr::V6(address) => match address.segments()[0] {
            first if first & 0xff00 == 0xff00 => "ipv6-multicast",
            first if first & 0xffc0 == 0xfe80 => "ipv6-link-local",
            first if first & 0xfe00 == 0xfc00 => "ipv6-unique-local",
            _ => "ipv6-global",
        },
    }
}

/// Kind of a port's address: made by the maker, made up locally (IEEE 802 section 8.4), or of a group.
pub(super) fn kind_of_mac(mac: Mac) -> &'static str {
    match mac[0] & 3 {
        0 => "mac",
        2 => "mac-local",
        _ => "mac-group",
    }
}

/// A port's address in one of the ways that people write it: `00:11:..`, `00-11-..`, `0011.2233.4455`.
pub(super) fn mac(word: &str) -> Option<Mac> {
    let separator = word.chars().find(|c| !c.is_ascii_hexdigit())?;
    let groups: Vec<&str> = word.split(separator).collect();
    let width = match (separator, groups.len()) {
        (':' | '-', 6) => 2,
        ('.', 3) => 4,
        _ => return None,
    };
    let is_hex = |group: &str| group.len() == width && group.bytes().all(|b| b.is_ascii_hexdigit());
    groups.iter().copied().all(is_hex).then(|| hex(&groups.concat()))?
}

/// Pairs of hexadecimal digits of any length, separated or not; `None` below seven octets, which may be a plain number or a word.
pub(super) fn is_long_hex(word: &str) -> bool {
    let digits = word.bytes().filter(u8::is_ascii_hexdigit).count();
    let others = word.bytes().filter(|b| matches!(b, b':' | b'-' | b' ')).count();
    digits >= 14 && digits + others == word.len() && word.bytes().any(|b| b.is_ascii_digit())
}

fn hex(digits: &str) -> Option<Mac> {
    let mut octets = [0; 6];
    for (index, octet) in octets.iter_mut().enumerate() {
        *octet = u8::from_str_radix(digits.get(2 * index..2 * index + 2)?, 16).ok()?;
    }
    Some(octets)
}

/// Every spelling of an IP address that this program, a resolver or a person could have used, in small letters.
pub(super) fn spellings(address: IpAddr) -> Vec<String> {
    match address {
        IpAddr::V4(address) => {
            let [a, b, c, d] = address.octets();
            vec![
                address.to_string(),
                format!("{d}.{c}.{b}.{a}"),
                format!("{a}-{b}-{c}-{d}"),
                format!("{a:02x}{b:02x}{c:02x}{d:02x}"),
            ]
        }
        IpAddr::V6(address) => spellings_v6(address),
    }
}

fn spellings_v6(address: Ipv6Addr) -> Vec<String> {
    let parts = address.segments();
    let joined = |format: fn(&u16) -> String, with: &str| parts.iter().map(format).collect::<Vec<_>>().join(with);
    let bare = joined(|part| format!("{part:04x}"), "");
    let nibbles: Vec<String> = bare.chars().rev().map(String::from).collect();
    let mut all = vec![
        address.to_string(),
        joined(|part| format!("{part:04x}"), ":"),
        joined(|part| format!("{part:x}"), ":"),
        nibbles.join("."),
        bare,
    ];
    if let Some(inner) = address.to_ipv4_mapped() {
        all.extend(spellings(IpAddr::V4(inner)));
    }
    all
}

/// Every spelling of a port's address, in small letters; also the one inside an IPv6 address (RFC 4291 appendix A).
pub(super) fn mac_spellings(mac: Mac) -> Vec<String> {
    let pairs = mac.map(|octet| format!("{octet:02x}"));
    let [a, b, c, d, e, f] = &pairs;
    vec![
        pairs.join(":"),
        pairs.join("-"),
        pairs.concat(),
        format!("{a}{b}.{c}{d}.{e}{f}"),
        format!("{:02x}{b}:{c}ff:fe{d}:{e}{f}", mac[0] ^ 2),
    ]
}

/// The address of a name below `in-addr.arpa` or `ip6.arpa`, as many labels as it takes.
pub(super) fn of_reverse_name(name: &str) -> Option<IpAddr> {
    let name = name.trim_end_matches('.').to_ascii_lowercase();
    if let Some(labels) = name.strip_suffix(".in-addr.arpa") {
        let mut octets: Vec<u8> = labels.split('.').map(str::parse).collect::<Result<_, _>>().ok()?;
        octets.reverse();
        return Some(IpAddr::V4(Ipv4Addr::from(<[u8; 4]>::try_from(octets).ok()?)));
    }
    let labels: Vec<&str> = name.strip_suffix(".ip6.arpa")?.split('.').collect();
    let digits: String = labels.iter().rev().copied().collect();
    (labels.len() == 32).then(|| u128::from_str_radix(&digits, 16).ok().map(|bits| IpAddr::V6(Ipv6Addr::from(bits))))?
}
