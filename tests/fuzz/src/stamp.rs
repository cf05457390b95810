//! STAMP: both forms of both packets, the TLVs behind them, and what a reflector makes of them.

use doorstep::wire::stamp::tlv::{self, ClassOfService, FollowUp, Ingress, Tlvs};
use doorstep::wire::stamp::{ErrorEstimate, Flaw, Key, Mode, Reflected, Sender, Timestamp, TimestampFormat};

use super::{show, take};

/// As read with and without a key; then octets as the TLVs of a genuine packet of either form.
pub fn stamp(data: &[u8]) {
    let key = Key::new(b"key of the hostile bytes, invented");
    std::hint::black_box(Mode::guess(data));
    for key in [None, Some(&key)] {
        sender(data, key);
        reflected(data, key);
        genuine(data, key);
    }
}

fn sender(data: &[u8], key: Option<&Key>) {
    let parsed = match Sender::parse(data, key) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    times(parsed.repr.timestamp, parsed.repr.error_estimate);
    chain(parsed.extra);
    let mode = if key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
    let mut bytes = vec![0; mode.base_len()];
    parsed.repr.emit(key, &mut bytes);
    let again = Sender::parse(&bytes, key).expect("what was written is readable");
    assert_eq!(again.repr, parsed.repr);
    assert!(again.flaws.iter().all(|flaw| *flaw == Flaw::ErrorMultiplierZero), "{:?}", again.flaws);
}

fn reflected(data: &[u8], key: Option<&Key>) {
    let parsed = match Reflected::parse(data, key) {
        Ok(parsed) => parsed,
        Err(error) => return show(&error),
    };
    times(parsed.repr.timestamp, parsed.repr.error_estimate);
    times(parsed.repr.receive_timestamp, parsed.repr.error_estimate);
    times(parsed.repr.sender_timestamp, parsed.repr.sender_error_estimate);
    chain(parsed.extra);
    let mode = if key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
    let mut bytes = vec![0; mode.base_len()];
    parsed.repr.emit(key, &mut bytes);
    assert_eq!(Reflected::parse(&bytes, key).expect("what was written is readable").repr, parsed.repr);
}

fn times(stamp: Timestamp, estimate: ErrorEstimate) {
    // 2026 and the two ends of the clock that a test set may have.
    for near in [0, 1_795_000_000_000_000_000, i64::from(u32::MAX) * 1_000_000_000] {
        std::hint::black_box((stamp.unix_ns(TimestampFormat::Ntp, near), stamp.unix_ns(TimestampFormat::Ptp, near)));
    }
    assert_eq!(ErrorEstimate::from_bits(estimate.to_bits()), estimate);
    assert!(estimate.seconds() >= 0.0);
}

/// Walks the chain; tells kinds and lengths, and whether it was whole.
fn chain(extra: &[u8]) -> (Vec<(u8, usize)>, bool) {
    let (mut found, mut whole, mut octets) = (Vec::new(), true, 0);
    for tlv in Tlvs::new(extra) {
        match tlv {
            Ok(tlv) => {
                octets += 4 + tlv.value.len();
                if let Some(class) = ClassOfService::parse(tlv.value) {
                    assert_eq!(ClassOfService::parse(&class.value()), Some(class));
                }
                found.push((tlv.kind, tlv.value.len()));
            }
            Err(broken) => {
                show(&broken);
                assert_eq!(broken.offset, octets, "it breaks where the sound part ends");
                whole = false;
            }
        }
    }
    assert!(!whole || octets == extra.len());
    (found, whole)
}

/// A packet whose base is our own, so that hostile TLVs get past the HMAC: read, reflected, and read as an answer.
fn genuine(data: &[u8], key: Option<&Key>) {
    let mut extra = data;
    let [ssid_high, ssid_low, class, how] = take(&mut extra);
    let mode = if key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
    let base_len = mode.base_len();
    let repr = Sender {
        sequence: u32::from_be_bytes(take(&mut extra)),
        timestamp: Timestamp(u64::from_be_bytes(take(&mut extra))),
        error_estimate: ErrorEstimate::from_bits(u16::from_be_bytes(take(&mut extra))),
        ssid: u16::from_be_bytes([ssid_high, ssid_low]),
    };
    let mut packet = vec![0; base_len];
    repr.emit(key, &mut packet);
    packet.extend(extra);
    let parsed = Sender::parse(&packet, key).expect("our own packet");
    assert_eq!((parsed.repr, parsed.extra), (repr, extra));
    let (asked_for, whole) = chain(extra);

    if let Some(key) = key.filter(|_| how & 1 != 0 && packet.len() < 60_000) {
        tlv::push_hmac(&mut packet, base_len, key);
    }
    let sent = packet.clone();
    let ingress = Ingress {
        traffic_class: (how & 2 != 0).then_some(class),
        received: 8,
        sent: 9,
        from: Some(([192, 0, 2, class], 40_000).into()),
        own_port: 862,
        follow_up: Some(FollowUp { sequence: 7, timestamp: Timestamp(u64::MAX), method: 2 }),
    };
    let asked = tlv::reflect(&mut packet, base_len, ingress, key);
    assert!(asked.dscp.is_none_or(|dscp| dscp < 64));
    assert_eq!((packet.len(), &packet[..base_len]), (sent.len(), &sent[..base_len]), "as long, and the base untouched");
    // Whatever comes back is read without a panic.
    let _ = tlv::told(&packet, base_len, key);
    let (came_back, still_whole) = chain(&packet[base_len..]);
    assert!(came_back.starts_with(&asked_for), "kinds and lengths stand (RFC 8972 section 4)");
    assert!(still_whole || !whole || packet.len() > base_len + extra.len());
    if let Some(key) = key {
        tlv::renew_hmac(&mut packet, base_len, key);
        assert_eq!(chain(&packet[base_len..]).0, came_back);
        // Renewed, it is the HMAC of these TLVs: a second reflection finds nothing wrong with them.
        let mut second = packet.clone();
        tlv::reflect(&mut second, base_len, ingress, Some(key));
        let failed = |packet: &[u8]| Tlvs::new(&packet[base_len..]).flatten().any(|tlv| tlv.flags & tlv::INTEGRITY_FAILED != 0);
        assert!(!failed(&second) || failed(&packet));
    }
}
