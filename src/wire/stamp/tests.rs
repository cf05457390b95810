use proptest::prelude::*;

use super::*;

const SENDER: Sender = Sender {
    sequence: 0x0102_0304,
    timestamp: Timestamp(0xe8fe_6f80_8000_0000),
    error_estimate: ErrorEstimate { synchronised: true, format: TimestampFormat::Ntp, scale: 12, multiplier: 100 },
    ssid: 0xbeef,
};

const REFLECTED: Reflected = Reflected {
    sequence: 0x1112_1314,
    timestamp: Timestamp(0xe8fe_6f80_c000_0000),
    error_estimate: ErrorEstimate { synchronised: false, format: TimestampFormat::Ntp, scale: 3, multiplier: 7 },
    ssid: 0xbeef,
    receive_timestamp: Timestamp(0xe8fe_6f80_b000_0000),
    sender_sequence: SENDER.sequence,
    sender_timestamp: SENDER.timestamp,
    sender_error_estimate: SENDER.error_estimate,
    sender_ttl: 57,
};

fn key() -> Key {
    Key::new(b"0123456789abcdef0123456789abcdef")
}

fn at(packet: &[u8], fields: &[(usize, &[u8])]) {
    for (offset, octets) in fields {
        assert_eq!(&packet[*offset..offset + octets.len()], *octets, "at octet {offset}");
    }
}

#[test]
fn unauthenticated_sender_packet_has_the_octets_of_rfc_8762_figure_2() {
    let mut packet = [0xaa; 46];
    SENDER.emit(None, &mut packet);
    let mut golden = [0; 46];
    golden[..16].copy_from_slice(&[1, 2, 3, 4, 0xe8, 0xfe, 0x6f, 0x80, 0x80, 0, 0, 0, 0x8c, 0x64, 0xbe, 0xef]);
    golden[44..].fill(0xaa);
    assert_eq!(packet, golden, "30 octets after the error estimate are the SSID and zeros; what follows is not touched");
    let parsed = Sender::parse(&golden, None).expect("readable");
    assert_eq!(parsed, Parsed { repr: SENDER, extra: &[0xaa, 0xaa], flaws: vec![] });
}

#[test]
fn unauthenticated_reflected_packet_has_the_octets_of_rfc_8762_figure_5() {
    let mut packet = [0xaa; 44];
    REFLECTED.emit(None, &mut packet);
    let golden: [u8; 44] = [
        0x11, 0x12, 0x13, 0x14, // sequence
        0xe8, 0xfe, 0x6f, 0x80, 0xc0, 0, 0, 0, // T3
        0x03, 0x07, 0xbe, 0xef, // error estimate, SSID
        0xe8, 0xfe, 0x6f, 0x80, 0xb0, 0, 0, 0, // T2
        1, 2, 3, 4, // sender sequence
        0xe8, 0xfe, 0x6f, 0x80, 0x80, 0, 0, 0, // T1
        0x8c, 0x64, 0, 0, // sender error estimate, zero
        57, 0, 0, 0, // TTL, zero
    ];
    assert_eq!(packet, golden);
    assert_eq!(Reflected::parse(&golden, None).expect("readable"), Parsed { repr: REFLECTED, extra: &[], flaws: vec![] });
}

#[test]
fn authenticated_packets_have_the_offsets_of_rfc_8762_figures_3_and_6() {
    let key = key();
    let mut packet = [0xaa; 112];
    SENDER.emit(Some(&key), &mut packet);
    at(
        &packet,
        &[
            (0, &[1, 2, 3, 4]),
            (4, &[0; 12]),
            (16, &SENDER.timestamp.0.to_be_bytes()),
            (24, &[0x8c, 0x64, 0xbe, 0xef]),
            (28, &[0; 68]),
        ],
    );
    assert_eq!(packet[96..], key.tag(&[&packet[..96]]));
    assert_eq!(Sender::parse(&packet, Some(&key)).expect("genuine").repr, SENDER);

    let mut packet = [0xaa; 112];
    REFLECTED.emit(Some(&key), &mut packet);
    at(
        &packet,
        &[
            (0, &[0x11, 0x12, 0x13, 0x14]),
            (4, &[0; 12]),
            (16, &REFLECTED.timestamp.0.to_be_bytes()),
            (24, &[3, 7, 0xbe, 0xef, 0, 0, 0, 0]),
            (32, &REFLECTED.receive_timestamp.0.to_be_bytes()),
            (40, &[0; 8]),
            (48, &[1, 2, 3, 4]),
            (52, &[0; 12]),
            (64, &SENDER.timestamp.0.to_be_bytes()),
            (72, &[0x8c, 0x64, 0, 0, 0, 0, 0, 0]),
            (80, &[57]),
            (81, &[0; 15]),
        ],
    );
    let parsed = Reflected::parse(&packet, Some(&key)).expect("genuine");
    assert_eq!(parsed, Parsed { repr: REFLECTED, extra: &[], flaws: vec![] });
}

#[test]
fn one_changed_bit_of_an_authenticated_packet_is_a_forgery() {
    let key = key();
    let mut packet = [0; 112];
    SENDER.emit(Some(&key), &mut packet);
    for bit in 0..112 * 8 {
        let mut forged = packet;
        forged[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(Sender::parse(&forged, Some(&key)).err(), Some(Error::Forged), "bit {bit}");
    }
    assert_eq!(Sender::parse(&packet, Some(&Key::new(b"another"))).err(), Some(Error::Forged));
}

#[test]
fn every_truncation_is_refused_below_the_shortest_form() {
    let key = key();
    let (mut open, mut signed) = ([0x55; 44], [0; 112]);
    SENDER.emit(Some(&key), &mut signed);
    for len in 0..112 {
        assert_eq!(Sender::parse(&signed[..len], Some(&key)).err(), Some(Error::Short { needed: 112, found: len }));
    }
    SENDER.emit(None, &mut open);
    for len in 0..44 {
        // RFC 5357: 14 octets are a TWAMP sender's packet, 41 a TWAMP reflector's.
        assert_eq!(Sender::parse(&open[..len], None).is_ok(), len >= 14, "sender, {len} octets");
        assert_eq!(Reflected::parse(&open[..len], None).is_ok(), len >= 41, "reflector, {len} octets");
    }
    let short = Sender::parse(&open[..14], None).expect("TWAMP");
    assert_eq!((short.repr, short.extra.len()), (Sender { ssid: 0, ..SENDER }, 0));
    assert_eq!(short.flaws, [Flaw::ShorterThanStamp(14)]);
}

#[test]
fn a_twamp_reflector_s_41_octets_are_a_valid_reflection() {
    let mut packet = [0; 44];
    REFLECTED.emit(None, &mut packet);
    let parsed = Reflected::parse(&packet[..41], None).expect("TWAMP");
    assert_eq!(parsed.repr, REFLECTED);
    assert_eq!(parsed.flaws, [Flaw::ShorterThanStamp(41)]);
}

#[test]
fn oddities_are_told_with_their_place() {
    let mut packet = [0; 44];
    Sender { error_estimate: ErrorEstimate::from_bits(0x0500), ..SENDER }.emit(None, &mut packet);
    packet[20] = 1;
    assert_eq!(Sender::parse(&packet, None).expect("readable").flaws, [Flaw::ReservedNotZero(20), Flaw::ErrorMultiplierZero]);
    REFLECTED.emit(None, &mut packet);
    packet[43] = 9;
    assert_eq!(Reflected::parse(&packet, None).expect("readable").flaws, [Flaw::ReservedNotZero(43)]);
}

#[test]
fn the_form_is_told_by_the_octets_that_must_be_zero() {
    let mut open = [0; 200];
    SENDER.emit(None, &mut open);
    let mut signed = [0; 112];
    SENDER.emit(Some(&key()), &mut signed);
    assert_eq!(Mode::guess(&open), Mode::Unauthenticated);
    assert_eq!(Mode::guess(&signed), Mode::Authenticated);
    assert_eq!(Mode::guess(&signed[..111]), Mode::Unauthenticated);
    assert_eq!(Mode::guess(&[]), Mode::Unauthenticated);
}

fn any_sender() -> impl Strategy<Value = Sender> {
    (any::<u32>(), any::<u64>(), any::<u16>(), any::<u16>()).prop_map(|(sequence, time, error, ssid)| Sender {
        sequence,
        timestamp: Timestamp(time),
        error_estimate: ErrorEstimate::from_bits(error),
        ssid,
    })
}

fn any_reflected() -> impl Strategy<Value = Reflected> {
    (any_sender(), any_sender(), any::<u64>(), any::<u8>()).prop_map(|(own, sender, receive, sender_ttl)| Reflected {
        sequence: own.sequence,
        timestamp: own.timestamp,
        error_estimate: own.error_estimate,
        ssid: own.ssid,
        receive_timestamp: Timestamp(receive),
        sender_sequence: sender.sequence,
        sender_timestamp: sender.timestamp,
        sender_error_estimate: sender.error_estimate,
        sender_ttl,
    })
}

proptest! {
    #[test]
    fn what_is_emitted_is_parsed(sender in any_sender(), reflected in any_reflected(), authenticated: bool, extra in prop::collection::vec(any::<u8>(), 0..20)) {
        let key = authenticated.then(key);
        let mut packet = vec![0xff; mode_of(key.as_ref()).base_len()];
        sender.emit(key.as_ref(), &mut packet);
        packet.extend(&extra);
        let parsed = Sender::parse(&packet, key.as_ref()).expect("readable");
        prop_assert_eq!(parsed.repr, sender);
        prop_assert_eq!(parsed.extra, &extra[..]);
        reflected.emit(key.as_ref(), &mut packet);
        let parsed = Reflected::parse(&packet, key.as_ref()).expect("readable");
        prop_assert_eq!(parsed.repr, reflected);
        prop_assert_eq!(parsed.extra, &extra[..]);
    }

    #[test]
    fn any_octets_are_read_or_refused_without_panic(bytes in prop::collection::vec(any::<u8>(), 0..160)) {
        for key in [None, Some(key())] {
            let _ = Sender::parse(&bytes, key.as_ref());
            let _ = Reflected::parse(&bytes, key.as_ref());
        }
        Mode::guess(&bytes);
    }
}
