use proptest::prelude::*;

use super::*;
use crate::unit::StampSource;

struct Table;

const KEY: &[u8] = b"0123456789abcdef0123456789abcdef";

impl Admission for Table {
    fn key(&self, ssid: u16) -> Option<Key> {
        (ssid == 7).then(|| Key::new(KEY))
    }

    fn allows(&self, source: SocketAddr) -> bool {
        source.ip() == std::net::Ipv4Addr::new(192, 0, 2, 50)
    }
}

fn from(text: &str) -> SocketAddr {
    text.parse().expect("address")
}

fn stamp(unix_ns: i64) -> Stamp {
    Stamp { unix_ns, source: StampSource::Kernel, adapter_ns: None }
}

const T2: i64 = 1_700_000_000_000_000_000;

fn request(from: SocketAddr, bytes: &[u8]) -> Request<'_> {
    Request { from, bytes, received: stamp(T2), ttl: Some(61), traffic_class: Some(46 << 2 | 1) }
}

fn sender(sequence: u32, ssid: u16) -> Sender {
    Sender {
        sequence,
        timestamp: Timestamp::ntp_from_unix_ns(T2 - 10_000_000),
        error_estimate: ErrorEstimate::from_bits(0x0c64),
        ssid,
    }
}

fn packet(sequence: u32) -> Vec<u8> {
    let mut bytes = vec![0; 44];
    sender(sequence, 0).emit(None, &mut bytes);
    bytes
}

#[test]
fn a_reply_copies_the_request_and_adds_both_times() {
    let mut reflector = Reflector::new(Config::default());
    let peer = from("192.0.2.50:40000");
    let mut reply = reflector.on_packet(Instant::now(), request(peer, &packet(5)), &Table).expect("answered");
    assert_eq!((reply.to, reply.dscp), (peer, 46));
    let bytes = reply.at(stamp(T2 + 20_000)).to_vec();
    let Parsed { repr, extra, flaws } = Reflected::parse(&bytes, None).expect("readable");
    assert!(extra.is_empty() && flaws.is_empty());
    assert_eq!(repr.sequence, 0);
    assert_eq!(repr.receive_timestamp, Timestamp::ntp_from_unix_ns(T2));
    assert_eq!(repr.timestamp, Timestamp::ntp_from_unix_ns(T2 + 20_000));
    let asked = sender(5, 0);
    assert_eq!((repr.sender_sequence, repr.sender_timestamp), (5, asked.timestamp));
    assert_eq!((repr.sender_error_estimate, repr.sender_ttl), (asked.error_estimate, 61));
}

#[test]
fn numbers_are_its_own_and_per_sender() {
    // RFC 8762 section 4.3, stateful: a request lost on the way leaves no hole in the reflector's numbers.
    let mut reflector = Reflector::new(Config::default());
    let now = Instant::now();
    let mut numbers = |peer: &str, sequence| {
        let mut reply = reflector.on_packet(now, request(from(peer), &packet(sequence)), &Table).expect("answered");
        Reflected::parse(reply.at(stamp(T2)), None).expect("readable").repr.sequence
    };
    assert_eq!(numbers("192.0.2.50:40000", 0), 0);
    assert_eq!(numbers("192.0.2.50:40000", 3), 1);
    assert_eq!(numbers("192.0.2.50:40001", 9), 0);
    assert_eq!(numbers("192.0.2.50:40000", 3), 2);
}

#[test]
fn a_twamp_sender_s_14_octets_get_44_and_a_longer_packet_keeps_its_rest() {
    let mut reflector = Reflector::new(Config::default());
    let peer = from("192.0.2.50:40000");
    let now = Instant::now();
    let mut short = reflector.on_packet(now, request(peer, &packet(0)[..14]), &Table).expect("answered");
    assert_eq!(short.at(stamp(T2)).len(), 44);
    let mut long = packet(1);
    tlv::push(&mut long, 250, b"kept");
    let mut reply = reflector.on_packet(now, request(peer, &long), &Table).expect("answered");
    let bytes = reply.at(stamp(T2));
    assert_eq!(bytes.len(), long.len());
    assert_eq!(bytes[44..], long[44..]);
}

#[test]
fn class_of_service_sets_the_reply_s_dscp_and_tells_the_request_s() {
    let mut reflector = Reflector::new(Config::default());
    let mut bytes = packet(0);
    tlv::push(&mut bytes, tlv::CLASS_OF_SERVICE, &tlv::ClassOfService { asked: 10, ..Default::default() }.value());
    let mut reply = reflector.on_packet(Instant::now(), request(from("192.0.2.50:40000"), &bytes), &Table).expect("answered");
    assert_eq!(reply.dscp, 10);
    let got = tlv::Tlvs::new(&reply.at(stamp(T2))[44..]).next().expect("one").expect("whole").value.to_vec();
    let class = tlv::ClassOfService::parse(&got).expect("class");
    assert_eq!((class.seen, class.seen_ecn), (46, 1));
}

#[test]
fn only_admitted_sources_and_right_hmacs_are_answered() {
    let mut reflector = Reflector::new(Config { own_port: 8620, ..Config::default() });
    let now = Instant::now();
    let stranger = from("198.51.100.9:40000");
    let mut refused = |from, bytes: &[u8]| reflector.on_packet(now, request(from, bytes), &Table).err();
    assert_eq!(refused(stranger, &packet(0)), Some(Refusal::NotAdmitted));
    assert_eq!(refused(stranger, &packet(0)[..13]), Some(Refusal::Short));
    for port in [862, 8620, 0] {
        assert_eq!(refused(SocketAddr::new(from("192.0.2.50:1").ip(), port), &packet(0)), Some(Refusal::ReflectorPort));
    }
    let mut signed = [0; 112];
    sender(0, 7).emit(Some(&Key::new(b"wrong")), &mut signed);
    assert_eq!(refused(stranger, &signed), Some(Refusal::Forged));
    sender(0, 8).emit(Some(&Key::new(KEY)), &mut signed);
    assert_eq!(refused(stranger, &signed), Some(Refusal::Forged), "no session has this identifier");
    sender(0, 7).emit(Some(&Key::new(KEY)), &mut signed);
    assert_eq!(refused(stranger, &signed), None, "a right HMAC is let in from anywhere");
    assert_eq!(
        reflector.counters(),
        Counters { answered: 1, short: 1, forged: 2, not_admitted: 1, reflector_port: 3, ..Counters::default() }
    );
}

#[test]
fn an_authenticated_reply_is_signed_with_the_session_s_key() {
    let mut reflector = Reflector::new(Config::default());
    let key = Key::new(KEY);
    let mut bytes = vec![0; 112];
    sender(4, 7).emit(Some(&key), &mut bytes);
    tlv::push(&mut bytes, tlv::CLASS_OF_SERVICE, &[0; 4]);
    tlv::push_hmac(&mut bytes, 112, &key);
    let mut reply = reflector.on_packet(Instant::now(), request(from("198.51.100.9:40000"), &bytes), &Table).expect("answered");
    let out = reply.at(stamp(T2 + 1000)).to_vec();
    assert_eq!(out.len(), bytes.len());
    let parsed = Reflected::parse(&out, Some(&key)).expect("genuine");
    assert_eq!((parsed.repr.sender_sequence, parsed.repr.ssid), (4, 7));
    let flags: Vec<_> = tlv::Tlvs::new(parsed.extra).map(|t| t.expect("whole").flags).collect();
    assert_eq!(flags, [0, 0]);
}

#[test]
fn the_table_is_bounded_and_forgets_the_silent() {
    let idle_timeout = Duration::from_secs(60);
    let mut reflector = Reflector::new(Config { max_senders: 2, idle_timeout, ..Config::default() });
    let start = Instant::now();
    assert_eq!(reflector.next_wake(), None, "an idle reflector sleeps");
    let send = |reflector: &mut Reflector, at, port| {
        let from = SocketAddr::new(from("192.0.2.50:1").ip(), port);
        reflector.on_packet(at, request(from, &packet(0)), &Table).map(|mut r| r.at(stamp(T2))[3])
    };
    let later = start + Duration::from_secs(30);
    assert_eq!(send(&mut reflector, start, 1001).ok(), Some(0));
    assert_eq!(send(&mut reflector, later, 1002).ok(), Some(0));
    assert_eq!(send(&mut reflector, later, 1003).err(), Some(Refusal::TableFull));
    assert_eq!(reflector.next_wake(), Some(start + idle_timeout));
    reflector.on_wake(start + idle_timeout);
    assert_eq!((reflector.senders(), reflector.next_wake()), (1, Some(later + idle_timeout)));
    assert_eq!(send(&mut reflector, start + idle_timeout, 1003).ok(), Some(0));
    assert_eq!(send(&mut reflector, start + idle_timeout, 1002).ok(), Some(1), "a sender that went on keeps its numbers");
    reflector.forget(from("192.0.2.50:1").ip());
    assert_eq!((reflector.senders(), reflector.next_wake()), (0, None));
}

#[test]
fn when_an_answer_left_is_told_with_the_next_and_with_no_later_one() {
    let mut reflector = Reflector::new(Config::default());
    let (peer, now) = (from("192.0.2.50:40000"), Instant::now());
    let mut asking = packet(0);
    tlv::push(&mut asking, tlv::FOLLOW_UP_TELEMETRY, &[0; 16]);
    let mut told = |left: Option<i64>| {
        let mut reply = reflector.on_packet(now, request(peer, &asking), &Table).expect("answered");
        let awaited = reply.awaited().expect("asked for");
        if let Some(left) = left {
            reflector.on_transmit_stamp(awaited, stamp(T2 + left));
        }
        let bytes = reply.at(stamp(T2)).to_vec();
        tlv::told(&bytes, 44, None).follow_up
    };
    let left = |sequence, ns| {
        Some(tlv::FollowUp {
            sequence,
            timestamp: Timestamp::ntp_from_unix_ns(T2 + ns),
            method: tlv::TimestampInformation::SOFTWARE,
        })
    };
    assert_eq!(told(Some(100)), None, "nothing left before the first");
    assert_eq!(told(None), left(0, 100));
    assert_eq!(told(Some(300)), None, "of the one before it is not known when it left, and an older one is not told");
    assert_eq!(told(None), left(2, 300));
    // Who does not ask is not waited for, and who was forgotten is not kept.
    let reply = reflector.on_packet(now, request(peer, &packet(0)), &Table).expect("answered");
    assert_eq!(reply.awaited(), None);
    let reply = reflector.on_packet(now, request(peer, &asking), &Table).expect("answered");
    reflector.forget(peer.ip());
    reflector.on_transmit_stamp(reply.awaited().expect("asked for"), stamp(T2));
    assert!(reflector.left.is_empty());
}

// A full table of 4096 senders takes at most a megabyte.
const _: () = assert!(Reflector::MEMORY_PER_SENDER <= 256);

#[test]
fn a_flood_is_answered_at_the_rate_only() {
    let mut reflector = Reflector::new(Config { max_rate: 3, ..Config::default() });
    let start = Instant::now();
    let mut answered = |at| reflector.on_packet(at, request(from("192.0.2.50:40000"), &packet(0)), &Table).is_ok();
    let in_first: Vec<_> = (0..5).map(|i| answered(start + Duration::from_millis(i))).collect();
    assert_eq!(in_first, [true, true, true, false, false]);
    assert!(answered(start + Duration::from_secs(1)));
}

proptest! {
    #[test]
    fn no_octets_do_harm_and_no_reply_is_larger(bytes in prop::collection::vec(any::<u8>(), 0..300), zero_reserved: bool, ssid7: bool) {
        let mut bytes = bytes;
        if zero_reserved && bytes.len() >= 16 { bytes[4..16].fill(0); }
        if ssid7 && bytes.len() >= 28 { bytes[26..28].copy_from_slice(&[0, 7]); }
        let mut reflector = Reflector::new(Config::default());
        for source in ["192.0.2.50:40000", "198.51.100.9:40000"] {
            if let Ok(mut reply) = reflector.on_packet(Instant::now(), request(from(source), &bytes), &Table) {
                prop_assert_eq!(source, "192.0.2.50:40000", "random octets have no right HMAC");
                prop_assert_eq!(reply.at(stamp(T2)).len(), bytes.len().max(44));
            }
        }
    }
}
