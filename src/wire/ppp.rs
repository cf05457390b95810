//! PPP's control packets (RFC 1661) and those that are built alike: LCP, IPCP (RFC 1332, 1877), IPV6CP (RFC 5072), PAP
//! (RFC 1334), CHAP (RFC 1994). Bytes in, typed values out, and back.
//!
//! ```text
//! | protocol 2 |  | code 1 | identifier 1 | length 2 | data |        data of a Configure-*: [ type 1 | length 1 | value ]*
//! ```
//!
//! The frame begins behind the PPPoE header: PPPoE has neither flags, address and control octets nor a checksum (RFC 2516 section
//! 4). It knows no state of a negotiation. The one catch: a protocol number may be compressed to one octet, which is then odd
//! (RFC 1661 section 6.5); that is read, though over PPPoE nobody should (RFC 2516 section 7).

/// IPv4 (RFC 1332 section 2).
pub const IPV4: u16 = 0x0021;
/// IPv6 (RFC 5072 section 3).
pub const IPV6: u16 = 0x0057;
/// IPCP (RFC 1332).
pub const IPCP: u16 = 0x8021;
/// IPV6CP (RFC 5072).
pub const IPV6CP: u16 = 0x8057;
/// LCP (RFC 1661 section 6).
pub const LCP: u16 = 0xc021;
/// PAP (RFC 1334 section 2).
pub const PAP: u16 = 0xc023;
/// CHAP (RFC 1994 section 3).
pub const CHAP: u16 = 0xc223;
/// CHAP with MD5 (RFC 1994 section 3).
pub const CHAP_MD5: u8 = 5;
/// Octets of a control packet's header.
pub const CONTROL_LEN: usize = 4;

/// Types of LCP options (RFC 1661 section 6).
pub mod lcp_option {
    /// Largest information that the sender can take, two octets.
    pub const MRU: u8 = 1;
    /// Which protocol the peer shall prove itself with.
    pub const AUTHENTICATION: u8 = 3;
    /// Random, four octets; the same one from the peer means a loop.
    pub const MAGIC: u8 = 5;
}

/// Types of IPCP options (RFC 1332 section 3.3, RFC 1877 section 1).
pub mod ipcp_option {
    /// The sender's address, four octets; zero asks for one.
    pub const ADDRESS: u8 = 3;
    /// First resolver.
    pub const PRIMARY_DNS: u8 = 129;
    /// Second resolver.
    pub const SECONDARY_DNS: u8 = 131;
}

/// Type of the IPV6CP option with the interface identifier, eight octets (RFC 5072 section 4.1).
pub const INTERFACE_IDENTIFIER: u8 = 1;

/// A protocol's usual name, for messages.
pub fn protocol_name(protocol: u16) -> &'static str {
    match protocol {
        IPV4 => "IPv4",
        IPV6 => "IPv6",
        IPCP => "IPCP",
        IPV6CP => "IPV6CP",
        LCP => "LCP",
        PAP => "PAP",
        CHAP => "CHAP",
        _ => "unknown",
    }
}

/// What a control packet is for (RFC 1661 section 5). PAP and CHAP number their own from 1 on: see [`pap`] and [`chap`].
pub mod code {
    /// Options wanted.
    pub const CONFIGURE_REQUEST: u8 = 1;
    /// All of them are fine.
    pub const CONFIGURE_ACK: u8 = 2;
    /// These should have other values.
    pub const CONFIGURE_NAK: u8 = 3;
    /// These are not known or not negotiable.
    pub const CONFIGURE_REJECT: u8 = 4;
    /// Close.
    pub const TERMINATE_REQUEST: u8 = 5;
    /// Closed.
    pub const TERMINATE_ACK: u8 = 6;
    /// A code was not known.
    pub const CODE_REJECT: u8 = 7;
    /// A protocol was not known (LCP only).
    pub const PROTOCOL_REJECT: u8 = 8;
    /// Are you there? (LCP only)
    pub const ECHO_REQUEST: u8 = 9;
    /// I am.
    pub const ECHO_REPLY: u8 = 10;
    /// Throw it away.
    pub const DISCARD_REQUEST: u8 = 11;
}

/// Codes of PAP (RFC 1334 section 2.2).
pub mod pap {
    /// Name and password.
    pub const REQUEST: u8 = 1;
    /// Accepted.
    pub const ACK: u8 = 2;
    /// Refused.
    pub const NAK: u8 = 3;
}

/// Codes of CHAP (RFC 1994 section 4).
pub mod chap {
    /// A value to be answered.
    pub const CHALLENGE: u8 = 1;
    /// The answer.
    pub const RESPONSE: u8 = 2;
    /// Accepted.
    pub const SUCCESS: u8 = 3;
    /// Refused.
    pub const FAILURE: u8 = 4;
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends before its own length, or that is shorter than its header.
    #[error("PPP packet of {len} octets, {wanted} expected")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets that it should have.
        wanted: usize,
    },
    /// An option's length is below two or beyond the packet.
    #[error("option {kind} has an impossible length of {len}")]
    OptionLength {
        /// Its type.
        kind: u8,
        /// What it says.
        len: u8,
    },
}

/// A frame's protocol and information.
///
/// # Errors
/// When it ends inside the protocol.
pub fn frame(bytes: &[u8]) -> Result<(u16, &[u8]), Error> {
    match bytes {
        [short, rest @ ..] if short & 1 == 1 => Ok((u16::from(*short), rest)),
        [high, low, rest @ ..] => Ok((u16::from_be_bytes([*high, *low]), rest)),
        _ => Err(Error::Truncated { len: bytes.len(), wanted: 2 }),
    }
}

/// A control packet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Control {
    /// What it is for.
    pub code: u8,
    /// Which request and which answer belong together.
    pub identifier: u8,
    /// The rest.
    pub data: Vec<u8>,
}

/// Reads a control packet; what lies behind its length is padding.
///
/// # Errors
/// When it ends before its own length.
pub fn control(bytes: &[u8]) -> Result<Control, Error> {
    let short = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let [code, identifier, l0, l1, ..] = *bytes else { return Err(short(CONTROL_LEN)) };
    let len = usize::from(u16::from_be_bytes([l0, l1]));
    let data = bytes.get(CONTROL_LEN..len).ok_or_else(|| short(len.max(CONTROL_LEN)))?;
    Ok(Control { code, identifier, data: data.to_vec() })
}

impl Control {
    /// Writes a frame: the protocol and this packet. What no length field can tell is cut.
    pub fn emit(&self, protocol: u16) -> Vec<u8> {
        let data = &self.data[..self.data.len().min(usize::from(u16::MAX) - CONTROL_LEN)];
        let mut bytes = Vec::with_capacity(2 + CONTROL_LEN + data.len());
        bytes.extend(protocol.to_be_bytes());
        bytes.extend([self.code, self.identifier]);
        bytes.extend(((data.len() + CONTROL_LEN) as u16).to_be_bytes());
        bytes.extend_from_slice(data);
        bytes
    }
}

/// The answer to an LCP echo request (RFC 1661 section 5.8): its data, with the answerer's magic number in the first four octets.
pub fn echo_reply(request: &Control, magic: [u8; 4]) -> Control {
    let mut data = request.data.clone();
    if let Some(place) = data.get_mut(..magic.len()) {
        place.copy_from_slice(&magic);
    }
    Control { code: code::ECHO_REPLY, identifier: request.identifier, data }
}

/// One option of a Configure packet.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Setting {
    /// Its type.
    pub kind: u8,
    /// Its value, at most 253 octets.
    pub value: Vec<u8>,
}

impl Setting {
    /// An option.
    pub fn new(kind: u8, value: impl Into<Vec<u8>>) -> Self {
        Self { kind, value: value.into() }
    }

    /// The value as a number of two octets.
    pub fn half_word(&self) -> Option<u16> {
        Some(u16::from_be_bytes(*self.value.first_chunk::<2>()?))
    }

    /// The value as four octets.
    pub fn word(&self) -> Option<[u8; 4]> {
        <[u8; 4]>::try_from(&self.value[..]).ok()
    }
}

/// The options of a Configure packet, in order.
///
/// # Errors
/// When one's length is impossible: then nobody knows where the next begins.
pub fn settings(mut data: &[u8]) -> Result<Vec<Setting>, Error> {
    let mut settings = Vec::new();
    while let [kind, len, ..] = *data {
        let value = data.get(2..usize::from(len)).ok_or(Error::OptionLength { kind, len })?;
        settings.push(Setting::new(kind, value));
        data = &data[usize::from(len)..];
    }
    match *data {
        [] => Ok(settings),
        _ => Err(Error::Truncated { len: data.len(), wanted: 2 }),
    }
}

/// Writes options; one that is too long for its length field is left out.
pub fn emit_settings(settings: &[Setting]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for setting in settings {
        let Ok(len) = u8::try_from(setting.value.len() + 2) else { continue };
        bytes.extend([setting.kind, len]);
        bytes.extend_from_slice(&setting.value);
    }
    bytes
}

/// Value and name of a CHAP challenge or response (RFC 1994 section 4.1): `length 1 | value | name`.
///
/// # Errors
/// When it ends before its own length.
pub fn chap_value(data: &[u8]) -> Result<(&[u8], &[u8]), Error> {
    let (len, rest) = data.split_first().ok_or(Error::Truncated { len: 0, wanted: 1 })?;
    rest.split_at_checked(usize::from(*len)).ok_or_else(|| Error::Truncated { len: data.len(), wanted: 1 + usize::from(*len) })
}

/// Data of a CHAP challenge or response. What no length field can tell is cut.
pub fn emit_chap_value(value: &[u8], name: &[u8]) -> Vec<u8> {
    let value = &value[..value.len().min(255)];
    [&[value.len() as u8], value, name].concat()
}

/// Name and password of a PAP request (RFC 1334 section 2.2.1): `length 1 | name | length 1 | password`.
///
/// # Errors
/// When it ends before its own lengths.
pub fn pap_request(data: &[u8]) -> Result<(&[u8], &[u8]), Error> {
    let (name, rest) = chap_value(data)?;
    let (password, _) = chap_value(rest)?;
    Ok((name, password))
}

/// Data of a PAP request. What no length field can tell is cut.
pub fn emit_pap_request(name: &[u8], password: &[u8]) -> Vec<u8> {
    emit_chap_value(name, &emit_chap_value(password, &[]))
}

/// The words of a PAP answer (RFC 1334 section 2.2.2: `length 1 | message`) or nothing.
pub fn pap_message(data: &[u8]) -> &[u8] {
    chap_value(data).map_or(&[], |(message, _)| message)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Written by scapy 2.5 (a general-purpose packet library): PPP()/PPP_LCP_Configure(id=1, options=[PPP_LCP_MRU_Option(
    // max_recv_unit=1492), PPP_LCP_Auth_Protocol_Option(auth_protocol=0xc223, algorithm=5), PPP_LCP_Magic_Number_Option(
    // magic_number=0x01020304)]).
    const CONFIGURE: [u8; 21] = [0xc0, 0x21, 1, 1, 0, 19, 1, 4, 0x05, 0xd4, 3, 5, 0xc2, 0x23, 5, 5, 6, 1, 2, 3, 4];

    #[test]
    fn a_configure_request_is_as_a_reference_library_writes_it() {
        let (protocol, information) = frame(&CONFIGURE).unwrap();
        let packet = control(information).unwrap();
        assert_eq!((protocol, packet.code, packet.identifier), (LCP, code::CONFIGURE_REQUEST, 1));
        let read = settings(&packet.data).unwrap();
        let want = [
            Setting::new(lcp_option::MRU, 1492_u16.to_be_bytes()),
            Setting::new(lcp_option::AUTHENTICATION, [0xc2, 0x23, CHAP_MD5]),
            Setting::new(lcp_option::MAGIC, [1, 2, 3, 4]),
        ];
        assert_eq!(read, want);
        assert_eq!((read[0].half_word(), read[2].word()), (Some(1492), Some([1, 2, 3, 4])));
        assert_eq!(Control { data: emit_settings(&want), ..packet }.emit(LCP), CONFIGURE);
    }

    #[test]
    fn every_truncation_is_refused_and_padding_is_not_read() {
        for len in 0..CONFIGURE.len() {
            assert!(frame(&CONFIGURE[..len]).and_then(|(_, information)| control(information)).is_err(), "{len}");
        }
        let padded = [&CONFIGURE[2..], &[0; 30]].concat();
        assert_eq!(control(&padded), control(&CONFIGURE[2..]));
        // A length below that of the header.
        assert!(control(&[1, 1, 0, 3, 0]).is_err());
    }

    #[test]
    fn a_compressed_protocol_is_read() {
        assert_eq!(frame(&[0x21, 0x45]), Ok((IPV4, &[0x45][..])));
        assert_eq!(frame(&[0x00, 0x21, 0x45]), Ok((IPV4, &[0x45][..])));
        assert!(frame(&[0x80]).is_err() && frame(&[]).is_err());
    }

    #[test]
    fn options_of_impossible_length_are_refused() {
        assert_eq!(settings(&[1, 1]), Err(Error::OptionLength { kind: 1, len: 1 }));
        assert_eq!(settings(&[1, 4, 5]), Err(Error::OptionLength { kind: 1, len: 4 }));
        assert_eq!(settings(&[1, 4, 5, 6, 7]), Err(Error::Truncated { len: 1, wanted: 2 }));
        assert_eq!(settings(&[7, 2]), Ok(vec![Setting::new(7, [])]));
    }

    // RFC 1334 section 2.2.1, RFC 1994 section 4.1.
    #[test]
    fn names_and_values_have_their_lengths_before_them() {
        assert_eq!(emit_pap_request(b"line1", b"pw"), b"\x05line1\x02pw");
        assert_eq!(pap_request(b"\x05line1\x02pw"), Ok((&b"line1"[..], &b"pw"[..])));
        assert_eq!(emit_chap_value(&[9; 2], b"bng"), b"\x02\x09\x09bng");
        assert_eq!(chap_value(b"\x02\x09\x09bng"), Ok((&[9, 9][..], &b"bng"[..])));
        assert!(chap_value(b"\x03\x09\x09").is_err() && chap_value(b"").is_err() && pap_request(b"\x01a\x05b").is_err());
        assert_eq!((pap_message(b"\x02no"), pap_message(b"\x09no"), pap_message(b"")), (&b"no"[..], &b""[..], &b""[..]));
    }

    proptest! {
        #[test]
        fn what_is_emitted_is_read_back(
            code: u8, identifier: u8,
            options in prop::collection::vec((any::<u8>(), prop::collection::vec(any::<u8>(), 0..253)), 0..8),
        ) {
            let options: Vec<Setting> = options.into_iter().map(|(kind, value)| Setting { kind, value }).collect();
            let packet = Control { code, identifier, data: emit_settings(&options) };
            let bytes = packet.emit(IPCP);
            let (protocol, information) = frame(&bytes).unwrap();
            prop_assert_eq!((protocol, control(information)), (IPCP, Ok(packet.clone())));
            prop_assert_eq!(settings(&packet.data), Ok(options));
        }

        #[test]
        fn no_bytes_make_it_panic(bytes: Vec<u8>) {
            let _ = frame(&bytes);
            if let Ok(packet) = control(&bytes) {
                let _ = settings(&packet.data);
            }
            let _ = (settings(&bytes), chap_value(&bytes), pap_request(&bytes), pap_message(&bytes));
        }
    }
}
