//! The option fields: code, length, data, walked strictly.
//!
//! Pad (0) has no length, end (255) ends a field (RFC 2132 section 3.1, 3.2). Option 52 says that `file`, `sname` or both
//! are option fields too (RFC 2132 section 9.3), each with an end of its own.

use super::flaw::Flaw;
use super::option::code;

/// An option: code and octets.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Tlv {
    /// 1 to 254.
    pub code: u8,
    /// Its data; in one piece at most 255 octets.
    pub data: Vec<u8>,
}

impl Tlv {
    /// An option.
    pub fn new(code: u8, data: impl Into<Vec<u8>>) -> Self {
        Self { code, data: data.into() }
    }
}

/// Where an option stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Place {
    /// In the options field.
    Options,
    /// In `file`.
    File,
    /// In `sname`.
    ServerName,
}

impl Place {
    /// The name in RFC 2131.
    pub fn name(self) -> &'static str {
        match self {
            Self::Options => "options",
            Self::File => "file",
            Self::ServerName => "sname",
        }
    }
}

/// An option as it stood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Carried {
    /// Its field.
    pub place: Place,
    /// The option.
    pub tlv: Tlv,
}

/// All options of a message in the order options, `file`, `sname`, which is that of RFC 3396 section 5.
pub(super) fn walk_all(options: &[u8], file: &[u8], server_name: &[u8], flaws: &mut Vec<Flaw>) -> Vec<Carried> {
    let mut all = walk(options, Place::Options, flaws);
    let overload = all.iter().find(|c| c.tlv.code == code::OVERLOAD).map(|c| c.tlv.data.clone());
    let (in_file, in_server_name) = match overload.as_deref() {
        None => (false, false),
        Some([value @ 1..=3]) => (value & 1 != 0, value & 2 != 0),
        // Of another length: told by the decoder of the option.
        Some([value]) => {
            flaws.push(Flaw::OverloadValue(*value));
            (false, false)
        }
        Some(_) => (false, false),
    };
    if in_file {
        all.extend(walk(file, Place::File, flaws));
    }
    if in_server_name {
        all.extend(walk(server_name, Place::ServerName, flaws));
    }
    if all.iter().any(|c| c.place != Place::Options && c.tlv.code == code::OVERLOAD) {
        flaws.push(Flaw::OverloadNested);
    }
    repeated(&all, flaws);
    all
}

/// One field.
fn walk(mut rest: &[u8], place: Place, flaws: &mut Vec<Flaw>) -> Vec<Carried> {
    let mut found = Vec::new();
    loop {
        match rest {
            [] => {
                flaws.push(Flaw::EndMissing(place));
                return found;
            }
            [code::PAD, behind @ ..] => rest = behind,
            [code::END, behind @ ..] => {
                if behind.iter().any(|octet| *octet != 0) {
                    flaws.push(Flaw::OctetsAfterEnd { place, count: behind.len() });
                }
                return found;
            }
            [code] => {
                flaws.push(Flaw::OptionTruncated { place, code: *code, claimed: None, left: 0 });
                return found;
            }
            [code, len, behind @ ..] => {
                let Some((data, behind)) = behind.split_at_checked(usize::from(*len)) else {
                    flaws.push(Flaw::OptionTruncated { place, code: *code, claimed: Some(*len), left: behind.len() });
                    return found;
                };
                found.push(Carried { place, tlv: Tlv::new(*code, data) });
                rest = behind;
            }
        }
    }
}

/// Options that stand more than once though they would fit in one piece: legal by RFC 3396, but many clients take only
/// the first or the last.
fn repeated(all: &[Carried], flaws: &mut Vec<Flaw>) {
    let mut seen = [(0_usize, 0_usize); 256];
    for carried in all {
        let (times, octets) = &mut seen[usize::from(carried.tlv.code)];
        *times += 1;
        *octets += carried.tlv.data.len();
    }
    for (code, (times, octets)) in (0_u8..=255).zip(seen) {
        if times > 1 && octets <= 255 {
            flaws.push(Flaw::OptionRepeated { code, times });
        }
    }
}

/// Writes the options and the end.
pub(super) fn emit(options: &[Tlv], bytes: &mut Vec<u8>) {
    for tlv in options {
        let mut pieces = tlv.data.chunks(255);
        // No data is one piece of none.
        let first = pieces.next().unwrap_or_default();
        for piece in std::iter::once(first).chain(pieces) {
            bytes.extend([tlv.code, piece.len() as u8]);
            bytes.extend(piece);
        }
    }
    bytes.push(code::END);
}
