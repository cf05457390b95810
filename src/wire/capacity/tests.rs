//! Sizes, identifiers and positions as RFC 9946 has them; keys against values that were computed apart.

use proptest::prelude::*;

use super::*;

fn setup() -> Setup {
    Setup {
        version: VERSION,
        connection: (0, 1, 0xabcd),
        is_response: false,
        response: SetupResponse::None,
        max_mbit: 1200,
        is_upstream: true,
        test_port: 40_000,
        jumbo: true,
        traditional_mtu: true,
        trailer: Trailer { mode: 1, unix_time: 0x6650_0001, key: 7 },
    }
}

fn rate() -> SendingRate {
    SendingRate { interval_1: 1, payload_1: 2, burst_1: 3, interval_2: 4, payload_2: 5, burst_2: 6, addon_2: 7 }
}

fn activation() -> Activation {
    Activation {
        version: VERSION,
        is_upstream: false,
        response: ActivationResponse::Accepted,
        low_ms: 30,
        high_ms: 90,
        feedback_ms: 50,
        test_s: 10,
        class: 0xb8,
        row: 0xffff,
        one_way: true,
        fast_rows: 10,
        bad_reports: 3,
        sequence_errors: 11,
        ignores_order: true,
        modifiers: 1,
        algorithm: 0,
        rate: rate(),
        sub_interval_ms: 1000,
        trailer: Trailer { mode: 1, unix_time: 5, key: 7 },
    }
}

fn status() -> Status {
    let delays = Delays { min: 1, max: 9, sum: 40, count: 8 };
    let saved = SubInterval {
        datagrams: 10_000,
        octets: 12_220_000,
        span_us: 1_000_123,
        lost: 3,
        out_of_order: 2,
        duplicates: 1,
        one_way: delays,
        round_trip: (4, 17),
        ended_ms: 2000,
    };
    Status {
        stop: Stop::Wanted,
        hears_nothing: true,
        sequence: 77,
        rate: rate(),
        sub_interval: 2,
        saved,
        lost: 5,
        out_of_order: 4,
        duplicates: 3,
        clock_delta_min: 12,
        one_way: delays,
        round_trip_min: 20,
        round_trip_variation: Status::NONE,
        minimum_changed: true,
        span_us: 50_004,
        datagrams: 500,
        octets: 611_000,
        sent: WireTime { seconds: 9, nanos: 8 },
        trailer: Trailer { mode: 2, unix_time: 6, key: 7 },
    }
}

fn load() -> Load {
    Load {
        stop: Stop::Agreed,
        hears_nothing: true,
        sequence: 0x0102_0304,
        payload: 1222,
        status_errors: 1,
        status_sent: WireTime { seconds: 1, nanos: 2 },
        sent: WireTime { seconds: 3, nanos: 999_999_999 },
        held_ms: 49,
    }
}

#[test]
fn sizes_and_identifiers_are_those_of_the_standard() {
    let null = Null { version: VERSION, trailer: Trailer::default() };
    let packets = [setup().emit(), activation().emit(), load().emit().to_vec(), status().emit(), null.emit()];
    assert_eq!(packets.each_ref().map(Vec::len), [56, 104, 32, 204, 48]);
    let identifiers = packets.each_ref().map(|octets| u16::from_be_bytes([octets[0], octets[1]]));
    assert_eq!(identifiers, [0xace1, 0xace2, 0xbeef, 0xfeed, 0xdead]);
}

#[test]
fn fields_stand_where_the_standard_draws_them() {
    let octets = setup().emit();
    // pduId protocolVer mcIndex mcCount mcIdent cmdRequest cmdResponse maxBandwidth testPort modifierBitmap authMode time
    let front = [0xac, 0xe1, 0, 20, 0, 1, 0xab, 0xcd, 1, 0, 0x84, 0xb0, 0x9c, 0x40, 3, 1, 0x66, 0x50, 0, 1];
    assert_eq!(octets[..20], front);
    assert_eq!((octets[52], &octets[53..]), (7, &[0, 0, 0][..]), "key number, reserved, checksum");
    let octets = activation().emit();
    // cmdRequest 2 is downstream; thresholds, feedback interval and test time follow.
    assert_eq!(octets[..14], [0xac, 0xe2, 0, 20, 2, 1, 0, 30, 0, 90, 0, 50, 0, 10]);
    assert_eq!(octets[28..32], [0, 0, 0, 1], "the sending rate begins at 28");
    assert_eq!((octets[56..58].to_vec(), octets[63], octets[100]), (vec![3, 232], 1, 7));
    let octets = load().emit();
    assert_eq!(octets[..12], [0xbe, 0xef, 2, 1, 1, 2, 3, 4, 4, 198, 0, 1]);
    let octets = status().emit();
    assert_eq!((octets[36..40].to_vec(), octets[163], octets[200]), (vec![0, 0, 0, 2], 2, 7));
}

#[test]
fn what_is_written_reads_back() {
    assert_eq!(Setup::parse(&setup().emit()), Ok(setup()));
    assert_eq!(Activation::parse(&activation().emit()), Ok(activation()));
    assert_eq!(Load::parse(&load().emit()), Ok(load()));
    assert_eq!(Status::parse(&status().emit()), Ok(status()));
    for octet in 0..=255 {
        let mut octets = setup().emit();
        octets[9] = octet;
        assert_eq!(Setup::parse(&octets).unwrap().emit(), octets, "response {octet}");
    }
}

#[test]
fn every_cut_and_every_other_kind_is_refused() {
    let kinds: [Vec<u8>; 4] = [setup().emit(), activation().emit(), load().emit().to_vec(), status().emit()];
    for (at, octets) in kinds.iter().enumerate() {
        let refused = |octets: &[u8]| {
            [Setup::parse(octets).err(), Activation::parse(octets).err(), Load::parse(octets).err(), Status::parse(octets).err()]
        };
        for end in 0..octets.len() {
            assert_eq!(refused(&octets[..end])[at], Some(CapacityError::Short));
        }
        assert_eq!(refused(octets).iter().filter(|error| error.is_none()).count(), 1);
    }
}

#[test]
fn a_checksum_is_held_against_the_octets_where_there_is_one() {
    let mut octets = setup().emit();
    let sum = crate::wire::checksum::internet(&octets);
    octets[54..].copy_from_slice(&sum.to_be_bytes());
    assert!(Setup::parse(&octets).is_ok());
    octets[10] ^= 1;
    assert_eq!(Setup::parse(&octets), Err(CapacityError::Checksum));
}

/// Computed with the hmac module of Python 3: key 32 octets 0 to 31, time 1750000000.
#[test]
fn keys_are_derived_and_sign_as_an_independent_program_does() {
    let keys = SharedKey::new(&(0..32).collect::<Vec<u8>>()).derive(1_750_000_000);
    let mut packet = setup().emit();
    keys.sign(false, &mut packet);
    let hex = |octets: &[u8]| octets.iter().map(|octet| format!("{octet:02x}")).collect::<String>();
    assert_eq!(hex(&packet[20..52]), CLIENT);
    assert!(keys.verifies(false, &packet) && !keys.verifies(true, &packet));
    // A checksum that is computed last is not signed.
    packet[54] = 1;
    assert!(keys.verifies(false, &packet));
    packet[8] ^= 1;
    assert!(!keys.verifies(false, &packet));
    let mut packet = setup().emit();
    keys.sign(true, &mut packet);
    assert_eq!(hex(&packet[20..52]), SERVER);
}

const CLIENT: &str = "0a802fc71a746069c3838971e0412f9b0bf1b4c9342c28cdacf9e041c5a37166";
const SERVER: &str = "574459ece99b0de33b18a996f03e002a21689284b4c9fa656a64d36ef7c4172f";

#[test]
fn keys_do_not_show_themselves() {
    let key = SharedKey::new(b"secret");
    assert_eq!(format!("{key:?} {:?}", key.derive(1)), "SharedKey(..) CapacityKeys(..)");
}

#[test]
fn times_survive_and_nonsense_is_bounded() {
    assert_eq!(WireTime::from_unix_ns(1_700_000_000_123_456_789).unix_ns(), 1_700_000_000_123_456_789);
    assert_eq!(WireTime { seconds: 1, nanos: u32::MAX }.unix_ns(), 1_999_999_999);
    assert_eq!(WireTime::from_unix_ns(-1), WireTime::default());
}

proptest! {
    #[test]
    fn no_octets_make_it_panic(octets in proptest::collection::vec(any::<u8>(), 0..260), kind in 0..5_usize) {
        let mut octets = octets;
        if octets.len() > 2 {
            let identifier = [0xace1_u16, 0xace2, 0xbeef, 0xfeed, 0xdead][kind];
            octets[..2].copy_from_slice(&identifier.to_be_bytes());
        }
        let _ = (Setup::parse(&octets), Activation::parse(&octets), Load::parse(&octets), Status::parse(&octets), Null::parse(&octets));
        let keys = SharedKey::new(b"k").derive(1);
        let _ = keys.verifies(false, &octets);
        keys.sign(true, &mut octets);
    }
}
