//! The maximum segment size that a TCP connection's first segment asks for, from its IP and TCP headers as a kernel keeps them.
//!
//! IPv6 extension headers are not walked: a SYN that has some tells nothing here.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

const TCP: u8 = 6;
/// Option kinds of RFC 9293 section 3.2.
const END: u8 = 0;
const NOTHING: u8 = 1;
const SEGMENT_SIZE: u8 = 2;

/// Source, and the option's value (RFC 9293 section 3.7.1); `None` when the octets are no such headers or have no such option.
pub fn segment_size(headers: &[u8]) -> Option<(IpAddr, u16)> {
    let (source, tcp) = match headers.first()? >> 4 {
        4 => {
            let fixed: &[u8; 20] = headers.first_chunk()?;
            let length = usize::from(fixed[0] & 0x0f) * 4;
            let source = Ipv4Addr::new(fixed[12], fixed[13], fixed[14], fixed[15]);
            (fixed[9] == TCP && length >= 20).then_some(())?;
            (IpAddr::V4(source), headers.get(length..)?)
        }
        6 => {
            let fixed: &[u8; 40] = headers.first_chunk()?;
            let source: [u8; 16] = fixed[8..24].try_into().ok()?;
            (fixed[6] == TCP).then_some(())?;
            (IpAddr::V6(Ipv6Addr::from(source)), headers.get(40..)?)
        }
        _ => return None,
    };
    let length = usize::from(tcp.get(12)? >> 4) * 4;
    let mut options = tcp.get(20..length)?;
    while let Some((&kind, rest)) = options.split_first() {
        match kind {
            END => return None,
            NOTHING => options = rest,
            kind => {
                let length = usize::from(*rest.first()?);
                let value = options.get(2..length)?;
                if kind == SEGMENT_SIZE {
                    return Some((source, u16::from_be_bytes(value.try_into().ok()?)));
                }
                options = options.get(length..)?;
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A SYN of 198.51.100.2 with NOP, window scale, then MSS 1452; checksums are zero, nobody looks at them here.
    fn syn() -> Vec<u8> {
        let ip = [0x45, 0, 0, 48, 0, 0, 0x40, 0, 64, 6, 0, 0, 198, 51, 100, 2, 203, 0, 113, 10];
        let tcp = [0x9c, 0x40, 0x21, 0xac, 0, 0, 0, 1, 0, 0, 0, 0, 0x70, 2, 0xff, 0xff, 0, 0, 0, 0];
        [&ip[..], &tcp, &[1, 3, 3, 7, 2, 4, 0x05, 0xac]].concat()
    }

    #[test]
    fn the_option_is_found_behind_others() {
        assert_eq!(segment_size(&syn()), Some(("198.51.100.2".parse().unwrap(), 1452)));
        let mut six = vec![0x60, 0, 0, 0, 0, 28, 6, 64];
        six.extend("2001:db8::2".parse::<Ipv6Addr>().unwrap().octets());
        six.extend([0; 16]);
        six.extend(&syn()[20..]);
        assert_eq!(segment_size(&six), Some(("2001:db8::2".parse().unwrap(), 1452)));
    }

    #[test]
    fn what_is_cut_or_has_no_such_option_tells_nothing() {
        let whole = syn();
        for end in 0..whole.len() {
            assert_eq!(segment_size(&whole[..end]), None, "{end}");
        }
        for (at, value) in [(0, 0x44), (0, 0x75), (9, 17), (32, 0x50), (44, 0), (42, 0), (42, 1), (45, 3)] {
            let mut spoilt = whole.clone();
            spoilt[at] = value;
            assert_eq!(segment_size(&spoilt), None, "octet {at} as {value}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_octets_break_the_reader(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..100)) {
            let _ = segment_size(&bytes);
        }
    }
}
