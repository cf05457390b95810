//! The forms that options come in, and how each is read.

use std::net::Ipv4Addr;

use super::{ClasslessRoute, Value, code};

/// A form.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// No octets.
    Present,
    /// One address.
    Address,
    /// One or more addresses.
    Addresses,
    /// One or more pairs of addresses.
    Pairs,
    /// One octet.
    U8,
    /// Two octets.
    U16,
    /// One or more pairs of octets.
    U16s,
    /// Four octets.
    Seconds,
    /// Four octets with a sign.
    Offset,
    /// One octet, 0 or 1.
    Flag,
    /// One or more characters.
    Text,
    /// One or more option numbers.
    Codes,
    /// Type octet and at least one more.
    Identifier,
    /// Sub-options: code, length, data.
    Parts,
    /// Domain names with compression (RFC 1035 section 4.1.4).
    Names,
    /// RFC 3361: 0 and names, or 1 and addresses.
    SipServers,
    /// RFC 3442.
    Routes,
    /// RFC 3004: classes, each behind its length.
    Classes,
    /// RFC 3925 section 3: classes by enterprise number.
    VendorClasses,
    /// RFC 3925 section 4: sub-options by enterprise number.
    VendorOptions,
    /// RFC 2132 section 8.4: sub-options where a vendor keeps to the advice, else any octets.
    VendorInformation,
    /// Any octets, at least one.
    Octets,
}

/// How a definition is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// Another length than this.
    Length(&'static str),
    /// Contents that can't be.
    Content(&'static str),
}

impl Form {
    /// Reads an option's octets.
    pub(super) fn read(self, data: &[u8]) -> Result<Value, Fault> {
        match self {
            Self::Present => {
                if data.is_empty() {
                    Ok(Value::Present)
                } else {
                    Err(Fault::Length("none"))
                }
            }
            Self::Address => Ok(Value::Address(Ipv4Addr::from(exactly::<4>(data, "4")?))),
            Self::Addresses => addresses(data).map(Value::Addresses),
            Self::Pairs => {
                let (pairs, rest) = data.as_chunks::<8>();
                if pairs.is_empty() || !rest.is_empty() {
                    return Err(Fault::Length("a multiple of 8, at least 8"));
                }
                let address = |octets: &[u8]| Ipv4Addr::new(octets[0], octets[1], octets[2], octets[3]);
                Ok(Value::Pairs(pairs.iter().map(|pair| (address(&pair[..4]), address(&pair[4..]))).collect()))
            }
            Self::U8 => Ok(Value::Number(u32::from(exactly::<1>(data, "1")?[0]))),
            Self::U16 => Ok(Value::Number(u32::from(u16::from_be_bytes(exactly(data, "2")?)))),
            Self::U16s => {
                let (numbers, rest) = data.as_chunks::<2>();
                if numbers.is_empty() || !rest.is_empty() {
                    return Err(Fault::Length("a multiple of 2, at least 2"));
                }
                Ok(Value::Numbers(numbers.iter().map(|n| u16::from_be_bytes(*n)).collect()))
            }
            Self::Seconds => Ok(Value::Seconds(u32::from_be_bytes(exactly(data, "4")?))),
            Self::Offset => Ok(Value::Offset(i32::from_be_bytes(exactly(data, "4")?))),
            Self::Flag => match exactly::<1>(data, "1")? {
                [0] => Ok(Value::Flag(false)),
                [1] => Ok(Value::Flag(true)),
                _ => Err(Fault::Content("neither 0 nor 1")),
            },
            Self::Text => text(data),
            Self::Codes => at_least(data, 1, "at least 1").map(|d| Value::Numbers(d.iter().map(|c| u16::from(*c)).collect())),
            Self::Identifier => {
                let data = at_least(data, 2, "at least 2")?;
                Ok(Value::Identifier(data[0], data[1..].to_vec()))
            }
            Self::Parts => parts(at_least(data, 2, "at least 2")?).map(Value::Parts),
            Self::Names => names(at_least(data, 1, "at least 1")?).map(Value::Names),
            Self::SipServers => match at_least(data, 5, "at least 5")? {
                [0, rest @ ..] => names(rest).map(Value::Names),
                [1, rest @ ..] => addresses(rest).map(Value::Addresses).map_err(|_| Fault::Length("1 and a multiple of 4")),
                _ => Err(Fault::Content("the encoding is neither 0 nor 1")),
            },
            Self::Routes => routes(at_least(data, 5, "at least 5")?).map(Value::Routes),
            Self::Classes => classes(at_least(data, 2, "at least 2")?).map(Value::Classes),
            Self::VendorClasses => {
                let vendors = vendors(at_least(data, 5, "at least 5")?)?;
                let read = vendors.into_iter().map(|(number, data)| Ok((number, classes(data)?)));
                read.collect::<Result<_, Fault>>().map(Value::VendorClasses)
            }
            Self::VendorOptions => {
                let vendors = vendors(at_least(data, 5, "at least 5")?)?;
                let read = vendors.into_iter().map(|(number, data)| Ok((number, parts(data)?)));
                read.collect::<Result<_, Fault>>().map(Value::VendorOptions)
            }
            Self::VendorInformation => {
                let data = at_least(data, 1, "at least 1")?;
                Ok(encapsulated(data).map_or_else(|| Value::Octets(data.to_vec()), Value::Parts))
            }
            Self::Octets => at_least(data, 1, "at least 1").map(|d| Value::Octets(d.to_vec())),
        }
    }
}

fn exactly<const N: usize>(data: &[u8], rule: &'static str) -> Result<[u8; N], Fault> {
    data.try_into().map_err(|_| Fault::Length(rule))
}

fn at_least<'a>(data: &'a [u8], least: usize, rule: &'static str) -> Result<&'a [u8], Fault> {
    if data.len() >= least { Ok(data) } else { Err(Fault::Length(rule)) }
}

fn addresses(data: &[u8]) -> Result<Vec<Ipv4Addr>, Fault> {
    let (all, rest) = data.as_chunks::<4>();
    if all.is_empty() || !rest.is_empty() {
        return Err(Fault::Length("a multiple of 4, at least 4"));
    }
    Ok(all.iter().map(|octets| Ipv4Addr::from(*octets)).collect())
}

/// NVT ASCII (RFC 2132 section 2). Trailing zeroes are to be taken off silently; what can't be shown is replaced.
fn text(data: &[u8]) -> Result<Value, Fault> {
    let end = data.iter().rposition(|octet| *octet != 0).map_or(0, |at| at + 1);
    let text = String::from_utf8(at_least(&data[..end], 1, "at least 1")?.to_vec());
    let text = text.map_err(|_| Fault::Content("not readable as text"))?;
    // Not a flaw, since vendors put UTF-8 there; but no control characters may reach a terminal.
    Ok(Value::Text(text.chars().map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect()))
}

fn parts(mut rest: &[u8]) -> Result<Vec<(u8, Vec<u8>)>, Fault> {
    let mut all = Vec::new();
    while let [code, len, behind @ ..] = rest {
        let (data, behind) =
            behind.split_at_checked(usize::from(*len)).ok_or(Fault::Content("a sub-option ends outside of the option"))?;
        all.push((*code, data.to_vec()));
        rest = behind;
    }
    if rest.is_empty() { Ok(all) } else { Err(Fault::Content("one octet is left behind the sub-options")) }
}

/// Sub-options laid out like the options field: pads without a length, an end that may be left out (RFC 2132 section 8.4).
/// `None` when the octets are something else.
fn encapsulated(mut rest: &[u8]) -> Option<Vec<(u8, Vec<u8>)>> {
    let mut all = Vec::new();
    loop {
        match rest {
            [] => break,
            [code::END, behind @ ..] => {
                if behind.iter().any(|octet| *octet != code::PAD) {
                    return None;
                }
                break;
            }
            [code::PAD, behind @ ..] => rest = behind,
            [number, len, behind @ ..] => {
                let (data, behind) = behind.split_at_checked(usize::from(*len))?;
                all.push((*number, data.to_vec()));
                rest = behind;
            }
            [_] => return None,
        }
    }
    (!all.is_empty()).then_some(all)
}

/// Octets behind their length, one after the other.
fn classes(mut rest: &[u8]) -> Result<Vec<Vec<u8>>, Fault> {
    let mut all = Vec::new();
    while let [len, behind @ ..] = rest {
        let (data, behind) =
            behind.split_at_checked(usize::from(*len)).ok_or(Fault::Content("a class ends outside of the option"))?;
        all.push(data.to_vec());
        rest = behind;
    }
    Ok(all)
}

/// Width, significant octets of the destination, router (RFC 3442).
fn routes(mut rest: &[u8]) -> Result<Vec<ClasslessRoute>, Fault> {
    let mut all = Vec::new();
    while let [width, behind @ ..] = rest {
        if *width > 32 {
            return Err(Fault::Content("a route is wider than 32 bits"));
        }
        let significant = usize::from(*width).div_ceil(8);
        let (destination, behind) = behind.split_at_checked(significant).ok_or(Fault::Content("a route is cut off"))?;
        let (router, behind) = behind.split_first_chunk::<4>().ok_or(Fault::Content("a route is cut off"))?;
        let mut octets = [0; 4];
        octets[..significant].copy_from_slice(destination);
        // "the extra bits are to be masked": 129.210.177.132/25 is 129.210.177.128.
        let mask = u32::MAX.checked_shl(32 - u32::from(*width)).unwrap_or(0);
        let network = Ipv4Addr::from(u32::from_be_bytes(octets) & mask);
        all.push(ClasslessRoute { network, width: *width, router: Ipv4Addr::from(*router) });
        rest = behind;
    }
    Ok(all)
}

/// Enterprise number, length, data (RFC 3925).
fn vendors(mut rest: &[u8]) -> Result<Vec<(u32, &[u8])>, Fault> {
    let mut all = Vec::new();
    while let Some((number, behind)) = rest.split_first_chunk::<4>() {
        let (len, behind) = behind.split_first().ok_or(Fault::Content("a vendor's part has no length"))?;
        let (data, behind) =
            behind.split_at_checked(usize::from(*len)).ok_or(Fault::Content("a vendor's part ends outside of the option"))?;
        all.push((u32::from_be_bytes(*number), data));
        rest = behind;
    }
    if rest.is_empty() { Ok(all) } else { Err(Fault::Content("octets are left behind the vendors' parts")) }
}

/// Domain names, one behind the other, with pointers into the option itself (RFC 3397 section 2, RFC 1035 section 4.1.4).
fn names(data: &[u8]) -> Result<Vec<String>, Fault> {
    let mut all = Vec::new();
    let mut at = 0;
    while at < data.len() {
        let (name, behind) = one_name(data, at)?;
        all.push(name);
        at = behind;
    }
    Ok(all)
}

/// The name that begins at `start`, and where the next one begins.
fn one_name(data: &[u8], start: usize) -> Result<(String, usize), Fault> {
    let cut_off = Fault::Content("a domain name is cut off");
    let mut name = String::new();
    let mut at = start;
    let mut behind = None;
    // Pointers must go back, so each jump lands before the last: this ends.
    let mut lowest = start;
    loop {
        let len = *data.get(at).ok_or(cut_off)?;
        match len {
            0 => {
                let end = behind.unwrap_or(at + 1);
                return if name.is_empty() { Err(Fault::Content("a domain name is empty")) } else { Ok((name, end)) };
            }
            1..=63 => {
                let label = data.get(at + 1..at + 1 + usize::from(len)).ok_or(cut_off)?;
                if !name.is_empty() {
                    name.push('.');
                }
                name.extend(
                    label.iter().map(|o| if o.is_ascii_graphic() { char::from(*o) } else { char::REPLACEMENT_CHARACTER }),
                );
                at += 1 + usize::from(len);
            }
            0xc0.. => {
                let low = *data.get(at + 1).ok_or(cut_off)?;
                let target = usize::from(len & 0x3f) << 8 | usize::from(low);
                if target >= lowest {
                    return Err(Fault::Content("a domain name points forward"));
                }
                behind.get_or_insert(at + 2);
                lowest = target;
                at = target;
            }
            64..0xc0 => return Err(Fault::Content("a domain name has a label of unknown kind")),
        }
        // RFC 1035 section 3.1: 255 octets with length octets.
        if name.chars().count() > 253 {
            return Err(Fault::Content("a domain name is longer than 253 characters"));
        }
    }
}
