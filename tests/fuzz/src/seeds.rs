//! Input to start from: valid packets and texts by our own writers, and large ones that are made to be slow or deep.
//!
//! Packets of others are golden octets in the unit tests of `src/wire`, with their sources; here validity is all that
//! counts, so that changes of single octets reach deep into a parser.

use std::net::{Ipv4Addr, Ipv6Addr};

use doorstep::farend::api::{
    CallGrant, CallStream, CallsGrant, CallsRequest, KnownGrant, LoadGrant, LoadReport, LoadRequest, Refusal, RefusalCode,
    Secret, SessionGrant, SessionRequest, StampGrant, StreamReceived, StreamSent, ViewGrant, WayBackAddress, WayBackGrant,
    WayBackHop, WayBackReport,
};
use doorstep::farend::client::FarEndTarget;
use doorstep::unit::{Direction, Family};
use doorstep::wire::dhcp4::option::code;
use doorstep::wire::dhcp4::{self, MessageType, Operation, Tlv};
use doorstep::wire::ethernet::{self, Mac, Tag};
use doorstep::wire::icmp::extension::{Extensions, MplsEntry, Object};
use doorstep::wire::icmp::{self, Echo};
use doorstep::wire::stamp::tlv::{self as stamp_tlv, ClassOfService};
use doorstep::wire::stamp::{ErrorEstimate, Key, Reflected, Sender, Timestamp};
use doorstep::wire::{arp, dns as dns_message, ipv4, nd, udp};
use serde_json::json;

/// The token of the invitations below; no message may show it. Invented.
pub(super) const TOKEN: &str = "7f3a-token-of-the-hostile-bytes";

/// Octets of the large inputs: the largest UDP datagram over IPv4.
const LARGE: usize = 65_507;

const HERE: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);
const THERE: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 7);

fn discover() -> dhcp4::Repr {
    dhcp4::Repr::request(MessageType::Discover, 0x1234_5678, [2, 0, 0x5e, 0, 0, 1])
        .with(code::CLIENT_IDENTIFIER, [1, 2, 0, 0x5e, 0, 0, 1])
        .with(code::PARAMETER_LIST, [1, 121, 3, 6, 15, 26, 119])
}

fn offer() -> dhcp4::Repr {
    let mut offer = dhcp4::Repr::request(MessageType::Offer, 0x1234_5678, [2, 0, 0x5e, 0, 0, 1])
        .with(code::SERVER_IDENTIFIER, [192, 0, 2, 1])
        .with(code::LEASE_TIME, 3600_u32.to_be_bytes())
        .with(code::SUBNET_MASK, [255, 255, 255, 0])
        .with(code::ROUTERS, [192, 0, 2, 1])
        .with(code::NAME_SERVERS, [203, 0, 113, 53, 203, 0, 113, 54])
        .with(code::INTERFACE_MTU, [5, 0xd4])
        // Two names with a pointer (RFC 3397 section 2).
        .with(code::DOMAIN_SEARCH, *b"\x03lab\x07example\x03net\x00\x04home\xc0\x04")
        // A default route and one on the link (RFC 3442).
        .with(code::CLASSLESS_ROUTES, [0, 192, 0, 2, 1, 25, 198, 51, 100, 128, 0, 0, 0, 0])
        // Relay information with two sub-options (RFC 3046), vendor parts (RFC 3925), SIP servers (RFC 3361).
        .with(82, [1, 2, 0xaa, 0xbb, 2, 1, 7])
        .with(125, [0, 0, 0x0d, 0xe9, 3, 1, 1, 9])
        .with(120, [1, 203, 0, 113, 60]);
    offer.operation = Operation::Reply;
    offer.yours = HERE;
    offer
}

pub(super) fn dhcp4() -> Vec<Vec<u8>> {
    let mut overloaded = offer().with(code::OVERLOAD, [3]);
    overloaded.boot_file[..8].copy_from_slice(&[code::DOMAIN_NAME, 3, b'n', b'e', b't', code::END, 0, 0]);
    overloaded.server_name[..7].copy_from_slice(&[42, 4, 192, 0, 2, 9, code::END]);
    let mut nak = dhcp4::Repr::request(MessageType::Nak, 9, [2; 6]).with(54, [192, 0, 2, 1]).with(56, *b"no such network");
    nak.operation = Operation::Reply;
    // More than one piece holds (RFC 3396).
    let long = offer().with(43, [1; 300]);
    [discover(), offer(), overloaded, nak, long].iter().map(dhcp4::Repr::emit).collect()
}

pub(super) fn worst_dhcp4() -> Vec<Vec<u8>> {
    let with = |options: &[Tlv]| {
        let mut repr = offer();
        repr.options.extend_from_slice(options);
        repr.emit()
    };
    // A name, then pointers each to the one before: every name is a longer walk than the last.
    let mut chain = b"\x3faaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\x00".to_vec();
    let mut before = 0_usize;
    while chain.len() < 16_000 {
        let at = chain.len();
        chain.extend([0xc0 | (before >> 8) as u8, before as u8]);
        before = at;
    }
    let far = chain.len() - 2;
    while chain.len() < LARGE - 2_000 {
        chain.extend([0xc0 | (far >> 8) as u8, far as u8]);
    }
    let many: Vec<Tlv> = (0..30_000_u32).map(|n| Tlv::new((n % 254 + 1) as u8, [])).collect();
    let mut endless = dhcp4()[1].clone();
    endless.truncate(dhcp4::FIXED_LEN);
    endless.resize(LARGE, 0);
    vec![
        with(&[Tlv::new(code::DOMAIN_SEARCH, chain)]),
        with(&many),
        with(&[Tlv::new(code::CLASSLESS_ROUTES, vec![0; 60_000])]),
        endless,
    ]
}

/// An answer to a query: its own octets with QR set and records behind the question.
fn answer(name: &str, records: &[&[u8]]) -> Vec<u8> {
    let mut bytes = dns_message::query(7, name).expect("a name");
    // The query's own EDNS record is of eleven octets (RFC 6891 section 6.1.2).
    bytes.truncate(bytes.len() - 11);
    (bytes[2], bytes[3], bytes[11]) = (0x84, 0x80, 0);
    bytes[6..8].copy_from_slice(&(records.len() as u16).to_be_bytes());
    records.iter().for_each(|record| bytes.extend(*record));
    bytes
}

pub(super) fn dns() -> Vec<Vec<u8>> {
    // A record: name, type, class, time to live, length, data (RFC 1035 section 4.1.3). The name points to the question.
    let a = b"\xc0\x0c\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc6\x12\x00\x01";
    let aaaa =
        b"\xc0\x0c\x00\x1c\x00\x01\x00\x00\x00\x3c\x00\x10\x20\x01\x0d\xb8\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01";
    let cname = b"\xc0\x0c\x00\x05\x00\x01\x00\x00\x00\x3c\x00\x04\x01b\xc0\x0e";
    let txt = b"\xc0\x0c\x00\x10\x00\x01\x00\x00\x00\x3c\x00\x06\x05hello";
    let soa = b"\xc0\x0c\x00\x06\x00\x01\x00\x00\x00\x3c\x00\x1a\x01n\xc0\x0c\xc0\x0c\
        \x00\x00\x00\x01\x00\x00\x00\x02\x00\x00\x00\x03\x00\x00\x00\x04\x00\x00\x00\x05";
    vec![
        dns_message::query(7, "a.example.net").expect("a name"),
        answer("a.example.net", &[a, aaaa]),
        answer("a.example.net", &[cname, txt]),
        answer("x.example.net", &[soa]),
        answer("x.example.net", &[]),
        b"a.example.net. _dmarc.example.net xn--bcher-kva.example \\065b.example".to_vec(),
    ]
}

pub(super) fn worst_dns() -> Vec<Vec<u8>> {
    // Pointers to pointers, and as many records as fit, each of them a long name by pointer.
    let mut pointers = answer("a.example.net", &[]);
    pointers[6..8].copy_from_slice(&u16::MAX.to_be_bytes());
    let record = |to: usize| {
        let mut bytes = vec![0xc0 | (to >> 8) as u8 & 0x3f, to as u8];
        bytes.extend(*b"\x00\x05\x00\x01\x00\x00\x00\x3c\x00\x02");
        bytes.extend([0xc0 | (to >> 8) as u8 & 0x3f, to as u8]);
        bytes
    };
    let mut to = 12;
    while pointers.len() < LARGE - 20 {
        let at = pointers.len();
        pointers.extend(record(to));
        if at < 16_000 {
            to = at + 12;
        }
    }
    let long = [&b"\x3f"[..], &[b'a'; 63]].concat().repeat(3);
    let mut names = answer("a.example.net", &[]);
    names[6..8].copy_from_slice(&u16::MAX.to_be_bytes());
    let at = names.len();
    names.extend(long);
    names.extend(*b"\x00\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc6\x12\x00\x01");
    while names.len() < LARGE - 20 {
        names.extend([0xc0 | (at >> 8) as u8, at as u8]);
        names.extend(*b"\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc6\x12\x00\x01");
    }
    vec![pointers, names, vec![b'a'; LARGE], b"a. ".repeat(20_000)]
}

fn quoted_v4() -> Vec<u8> {
    let datagram = udp::Repr { source_port: 40_000, destination_port: 33_434 }.emit(&[0xab; 24], HERE, THERE);
    ipv4::Repr { ttl: 1, identification: 77, ..ipv4::Repr::plain(HERE, THERE, ipv4::UDP) }.emit(&datagram)
}

/// An IPv6 packet (RFC 8200 section 3) with a hop-by-hop header before its UDP.
fn quoted_v6() -> Vec<u8> {
    let mut bytes = vec![0x60, 0, 0, 0, 0, 24, 0, 1];
    bytes.extend(Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 2).octets());
    bytes.extend(Ipv6Addr::new(0x2001, 0xdb8, 1, 0, 0, 0, 0, 1).octets());
    bytes.extend([17, 0, 1, 4, 0, 0, 0, 0]);
    bytes.extend([0x9c, 0x40, 0x82, 0x9a, 0, 16, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8]);
    bytes
}

fn labels() -> Extensions {
    let entry = |label, bottom| MplsEntry { label, traffic_class: 0, bottom, ttl: 1 };
    let stack = Object::MplsStack(vec![entry(100_048, false), entry(16, true)]);
    Extensions { objects: vec![stack, Object::Unknown { class: 2, kind: 5, payload: vec![0, 1, 0, 0] }] }
}

pub(super) fn icmp() -> Vec<Vec<u8>> {
    let echo = Echo { identifier: 0xbeef, sequence: 3, payload: b"octets that come back" };
    let none = Extensions::default();
    let mut v6 = icmp::emit_request(Family::Ipv6, echo);
    icmp::fill_checksum_v6(Ipv6Addr::LOCALHOST, Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1), &mut v6);
    // Types and codes: RFC 792 and RFC 4443.
    vec![
        icmp::emit_request(Family::Ipv4, echo),
        icmp::emit_reply(Family::Ipv4, echo),
        v6,
        icmp::emit_reply(Family::Ipv6, echo),
        icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &quoted_v4(), &none),
        icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &quoted_v4(), &labels()),
        icmp::emit_error(Family::Ipv4, 3, 4, [0, 0, 5, 0xd4], &quoted_v4(), &none),
        icmp::emit_error(Family::Ipv6, 3, 0, [0; 4], &quoted_v6(), &labels()),
        icmp::emit_error(Family::Ipv6, 2, 0, [0, 0, 5, 0], &quoted_v6(), &none),
        icmp::emit_error(Family::Ipv6, 1, 4, [0; 4], &quoted_v6(), &none),
    ]
}

pub(super) fn worst_icmp() -> Vec<Vec<u8>> {
    let object = Object::Unknown { class: 9, kind: 9, payload: Vec::new() };
    let many = Extensions { objects: vec![object; 16_000] };
    let stack = Extensions { objects: vec![Object::MplsStack(vec![labels().mpls().next().expect("one"); 16_000])] };
    // IPv6 headers that name each other without end.
    let mut headers = quoted_v6()[..40].to_vec();
    headers[6] = 60;
    headers.extend([60, 0, 0, 0, 0, 0, 0, 0].repeat(8_000));
    vec![
        icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &quoted_v4(), &many),
        icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &quoted_v4(), &stack),
        icmp::emit_error(Family::Ipv6, 3, 0, [0; 4], &headers, &Extensions::default()),
    ]
}

pub(super) fn stamp() -> Vec<Vec<u8>> {
    let key = Key::new(b"key of the hostile bytes, invented");
    let error_estimate = ErrorEstimate::of_seconds(1e-6, true);
    let now = Timestamp::ntp_from_unix_ns(1_795_000_000_000_000_000);
    let sender = Sender { sequence: 5, timestamp: now, error_estimate, ssid: 0xbeef };
    let reflected = Reflected {
        sequence: 4,
        timestamp: now,
        error_estimate,
        ssid: 0xbeef,
        receive_timestamp: now,
        sender_sequence: 5,
        sender_timestamp: now,
        sender_error_estimate: error_estimate,
        sender_ttl: 61,
    };
    let class = ClassOfService { asked: 46, ..ClassOfService::default() };
    let mut seeds = Vec::new();
    for (key, base_len) in [(None, 44), (Some(&key), 112)] {
        let mut plain = vec![0; base_len];
        sender.emit(key, &mut plain);
        let mut dressed = plain.clone();
        stamp_tlv::push(&mut dressed, stamp_tlv::CLASS_OF_SERVICE, &class.value());
        stamp_tlv::push(&mut dressed, stamp_tlv::DIRECT_MEASUREMENT, &[0; 12]);
        stamp_tlv::push(&mut dressed, 77, b"unknown");
        if let Some(key) = key {
            stamp_tlv::push_hmac(&mut dressed, base_len, key);
        }
        stamp_tlv::push(&mut dressed, stamp_tlv::EXTRA_PADDING, &[0; 6]);
        let mut back = vec![0; base_len];
        reflected.emit(key, &mut back);
        back.extend_from_slice(&dressed[base_len..]);
        // Behind 18 octets of parameters, a chain alone: see `genuine`.
        let chain = [&[0xbe, 0xef, 0xb8, 3][..], &[0; 14], &dressed[base_len..]].concat();
        // A peer of RFC 5357: 14 and 41 octets.
        seeds.extend([plain[..14].to_vec(), back[..41].to_vec(), plain, dressed, back, chain]);
    }
    seeds
}

pub(super) fn worst_stamp() -> Vec<Vec<u8>> {
    let mut empty = vec![0, 0, 0, 3];
    empty.extend([0; 14]);
    let mut tags = empty.clone();
    empty.extend([0x80, 77, 0, 0].repeat(15_000));
    while tags.len() < 60_000 {
        stamp_tlv::push(&mut tags, stamp_tlv::HMAC, &[7; 16]);
    }
    vec![empty, tags]
}

pub(super) fn link() -> Vec<Vec<u8>> {
    let (ours, theirs) = (Mac([2, 0, 0x5e, 0, 0, 1]), Mac([2, 0, 0x5e, 0, 0, 2]));
    let frame = |ethertype, tags: &[Tag], payload: &[u8]| {
        ethernet::Repr { destination: theirs, source: ours, tags: tags.to_vec(), ethertype }.emit(payload)
    };
    let datagram = |from, to, payload: &[u8]| {
        let datagram = udp::Repr { source_port: from, destination_port: to }.emit(payload, HERE, THERE);
        ipv4::Repr::plain(HERE, THERE, ipv4::UDP).emit(&datagram)
    };
    let optional = ipv4::Repr { options: vec![7, 7, 4, 0, 0, 0, 0, 0], ..ipv4::Repr::plain(HERE, THERE, 1) };
    let piece = ipv4::Repr { more_fragments: true, fragment_offset: 185, ..ipv4::Repr::plain(HERE, THERE, ipv4::UDP) };
    let (inner, outer) = (Tag { kind: ethernet::TAG, control: 0xa007 }, Tag { kind: ethernet::PROVIDER_TAG, control: 35 });
    vec![
        frame(ethernet::ARP, &[], &arp::Repr::probe(ours, HERE).emit()),
        frame(ethernet::IPV4, &[], &datagram(67, 68, &offer().emit())),
        frame(ethernet::IPV4, &[outer, inner], &datagram(53, 40_000, &dns()[1])),
        frame(ethernet::IPV4, &[inner], &optional.emit(&icmp()[0])),
        frame(ethernet::IPV4, &[], &piece.emit(&[1; 64])),
        // IPv6 is not read from frames, only where an error quotes it.
        frame(0x86dd, &[], &quoted_v6()),
        datagram(1, 2, b"a packet without a frame"),
        arp::Repr::probe(ours, HERE).emit().to_vec(),
    ]
}

pub(super) fn worst_link() -> Vec<Vec<u8>> {
    let mut tags = vec![2; 12];
    tags.extend([0x81, 0, 0, 1].repeat(16_000));
    let mut dhcp = worst_dhcp4().swap_remove(0);
    dhcp.truncate(65_000);
    let datagram = udp::Repr { source_port: 67, destination_port: 68 }.emit(&dhcp, HERE, THERE);
    vec![tags, ipv4::Repr::plain(HERE, THERE, ipv4::UDP).emit(&datagram)]
}

pub(super) fn invitation() -> Vec<Vec<u8>> {
    let target = |zone: Option<&str>| FarEndTarget {
        host: "far.example.net".to_owned(),
        port: 8620,
        token: TOKEN.to_owned(),
        fingerprint: [0xab; 32],
        zone: zone.map(str::to_owned),
    };
    let text = |target| doorstep::farend::invitation::text(&target).expect("writable").into_bytes();
    vec![text(target(None)), text(target(Some("probe.example.net")))]
}

pub(super) fn api() -> Vec<Vec<u8>> {
    let word = Secret::from_octets(&[0x5a; 32]);
    let grant = SessionGrant {
        protocol: 1,
        session: word.clone(),
        seen_as: HERE.into(),
        idle_s: 900,
        data_port: 8621,
        stamp: Some(StampGrant { port: 862, ssid: 7, key: word.clone() }),
        view: Some(ViewGrant { ports: [8622, 8623], session: 7, key: word.clone() }),
        segment_size: Some(1460),
        capacity: true,
        trains: true,
        way_back: true,
        calls: true,
        objects: true,
        known: Some(KnownGrant { port: 80, id: "5a".repeat(16), key: word.clone() }),
        sip: Some(KnownGrant { port: 5060, id: "5d".repeat(16), key: Secret::from_octets(&[5; 32]) }),
        zone: Some("probe.example.net".to_owned()),
        also_at: vec!["2001:db8:203::10".parse().expect("an address")],
        version: "0.1.0".to_owned(),
    };
    let request =
        LoadRequest { direction: Direction::Down, streams: 4, time_ms: 3000, max_octets: 1 << 30, expected_mbit: 940.5 };
    let report = LoadReport {
        sent: vec![StreamSent { octets: 9, min_round_trip_ms: Some(4.25), ..StreamSent::default() }],
        received: vec![StreamReceived { octets: 9, buckets: vec![4, 5], ..StreamReceived::default() }],
        cpu_busy: Some(0.25),
    };
    let by = WayBackAddress { address: HERE.into(), answers: 2 };
    let hop = WayBackHop { hop: 1, sent: 3, answered: 2, addresses: vec![by], round_trips_ms: vec![4.25, 4.5] };
    let way_back = WayBackReport { opened: true, hops: vec![hop], length: Some(2), refused_by: None, unplaced: 1 };
    let stream = CallStream { ssrc: 7, first_sequence: 65_535, first_timestamp: 9 };
    let leg = CallGrant { port: 40_000, secret: word.clone(), from_far_end: stream, from_agent: stream };
    let refusal = Refusal { code: RefusalCode::Busy, message: "another load".to_owned(), retry_after_s: Some(9) };
    [
        json!(SessionRequest { protocol: 1, oldest: 1 }),
        json!(grant),
        json!(request),
        json!(WayBackGrant { port: 40_000, secret: word.clone() }),
        json!(way_back),
        json!(CallsRequest { payload_type: 0, packets: 300, dscps: vec![46, 0] }),
        json!(CallsGrant { calls: "1".to_owned(), legs: vec![leg] }),
        json!(LoadGrant { load: "1".to_owned(), secrets: vec![word.clone(), word] }),
        json!(report),
        json!(refusal),
    ]
    .iter()
    .map(|value| value.to_string().into_bytes())
    .collect()
}

pub(super) fn profile() -> Vec<Vec<u8>> {
    let small = "name = \"a-1\"\ntitle = \"A\"\n[sold]\ndown = 100\nup = 4e1\nlayer = \"ip\"\nbasis = \"b\"\n\
        [line]\ntechnology = \"vdsl2\"\nport = 1000\nvlan_tags = 1\npppoe = true\nmtu = 1492\n\
        [effort]\nstreams = 4\nload_seconds = 3\nconfidence = 0.95\ndscp = 46\n\
        [dhcp4]\nvendor_class = \"a\"\nclient_identifier = \"0x00:6c\"\nuser_class = [\"d\"]\nparameter_list = [1, 121, 3]\n\
        [[dhcp4.vendor]]\nenterprise = 32473\nclass = [\"c\"]\n[[dhcp4.vendor.option]]\ncode = 1\ndata = \"0xff\"\n\
        [[twoway.stream]]\nname = \"s\"\ndscp = 46\noctets = 200\ninterval_ms = 20\n\
        [voice]\ncalls = 2\ncodec = \"g729a\"\nbuffer = \"fixed\"\nbuffer_ms = 60\n\
        [[criterion]]\nname = \"c\"\nreading = \"throughput.tcp_payload_rate\"\ndirection = \"down\"\n\
        share_of_budget = 0.9\nseverity = \"must\"\nbasis = \"b\"\nfrom_depth = \"handoff\"\nposition = [\"ont\", \"modem\"]\n\
        [statement]\nmeasurements = 30\ndays = 3\nper_day = 5\nminutes_apart = 5\nfrom_hour = 6\nnormal_share = 0.9\nbasis = \"b\"\n\
        [statement.down]\nminimum = 1\nnormal = 2\nmaximum = 3\n[statement.up]\nminimum = 1\nnormal = 2\nmaximum = 3\n";
    [small, include_str!("../../../profiles/adsl-16-1.toml"), include_str!("../../../profiles/fibre-1000-500.toml")]
        .map(|text| text.as_bytes().to_vec())
        .to_vec()
}

pub(super) fn record() -> Vec<Vec<u8>> {
    let reading = json!({
        "name": "twoway.loss_ratio", "value": 0.01, "unit": "1", "direction": "up", "family": "ipv4", "samples": 1000,
        "low": 0.005, "high": 0.018, "confidence": 0.95, "limited_by": [{ "side": "far-end", "what": "busy" }]
    });
    let series =
        json!({ "name": "echo.round_trip", "unit": "ms", "target": { "hop": 3 }, "at_ms": [0, 20.5], "values": [4.5, null] });
    let small = json!({
        "schema": "doorstep-record/1", "id": "019a0000-0000-7000-8000-000000000001", "started": "2026-11-25T10:00:00Z",
        "complete": true, "agent": { "version": "0", "host": "h", "kernel": "k" },
        "place": { "position": "ont", "interface": "eth0" },
        "checks": [{
            "check": "twoway", "took_ms": 10.5, "status": "done", "readings": [reading], "series": [series], "facts": { "sent": 1000 },
            "flaws": [{ "code": "echo-duplicates", "what": "replies came more than once" }]
        }],
        "verdict": "not-proven"
    });
    vec![
        small.to_string().into_bytes(),
        include_bytes!("../../golden/fail.json").to_vec(),
        include_bytes!("../../golden/dead-line.json").to_vec(),
    ]
}

pub(super) fn worst_json() -> Vec<Vec<u8>> {
    let deep = |open: &str, close: &str| [open.repeat(100_000), close.repeat(100_000)].concat().into_bytes();
    let digits = format!("{{\"octets\":{},\"schema\":\"doorstep-record/1\"}}", "9".repeat(300_000));
    vec![deep("[", "]"), deep("{\"schema\":", "}"), digits.into_bytes(), vec![b' '; 1 << 20]]
}

pub(super) fn worst_toml() -> Vec<Vec<u8>> {
    let deep = format!("a = {}{}", "[".repeat(100_000), "]".repeat(100_000));
    let dotted = format!("a{} = 1", ".a".repeat(100_000));
    let tables = format!("a = {}1{}", "{a=".repeat(50_000), "}".repeat(50_000));
    // A megabyte is the most that is read of a profile: many wrong keys, one long wrong word, one long line of them.
    let keys: String = (0..30_000).map(|n| format!("k{n} = 1\n")).collect();
    let word = format!("name = \"a\"\n{} = 1\n[sold]\nlayer = \"{}\"\n", "k".repeat(400_000), "w".repeat(400_000));
    let line = format!("sold = {{ {} }}", (0..20_000).map(|n| format!("k{n}=1")).collect::<Vec<_>>().join(","));
    [deep, dotted, tables, keys, word, line].map(String::into_bytes).to_vec()
}

pub(super) fn oui() -> Vec<Vec<u8>> {
    // Three octets of the block that is looked for, then the list.
    let text = b"\x00\x00\x5e00-00-5E   (hex)\t\tExample\n00005E     (base 16)\t\tExample\n".to_vec();
    vec![text, b"\x00\x00\x5eMA-L,00005E,\"Example, \"\"Limited\"\"\",Street\n".to_vec()]
}

pub(super) fn worst_oui() -> Vec<Vec<u8>> {
    vec![b"MA-L,000000,\"".repeat(80_000), [&b"   MA-L,00005E,\""[..], &b"\"".repeat(900_000)].concat(), b"\n".repeat(1_000_000)]
}

pub(super) fn pppoe() -> Vec<Vec<u8>> {
    use doorstep::wire::pppoe::{Code, Repr, Tag, tag};
    let tags = |list: &[(u16, &[u8])]| list.iter().map(|(n, value)| Tag::new(*n, value.to_vec())).collect();
    let write = |code, session, list: &[(u16, &[u8])]| Repr { code, session, tags: tags(list) }.emit().expect("it fits");
    let asked: [(u16, &[u8]); 3] = [(tag::SERVICE_NAME, b""), (tag::HOST_UNIQ, b"12345678"), (tag::MAX_PAYLOAD, &[5, 0xdc])];
    let offered: [(u16, &[u8]); 4] =
        [(tag::SERVICE_NAME, b"internet"), (tag::AC_NAME, b"edge-1"), (tag::AC_COOKIE, &[7; 16]), (tag::RELAY_SESSION_ID, b"r")];
    vec![
        write(Code::Initiation, 0, &asked),
        write(Code::Offer, 0, &offered),
        write(Code::Request, 0, &[(tag::SERVICE_NAME, b"internet"), (tag::AC_COOKIE, &[7; 16])]),
        write(Code::Confirmation, 0x1234, &asked),
        write(Code::Confirmation, 0, &[(tag::AC_SYSTEM_ERROR, b"full"), (tag::GENERIC_ERROR, b"")]),
        write(Code::Terminate, 0x1234, &[]),
    ]
}

pub(super) fn worst_pppoe() -> Vec<Vec<u8>> {
    let empty_tags = [[0x11, 0x07, 0, 0, 0xff, 0xfc].as_slice(), &[1, 1, 0, 0].repeat(16_383)].concat();
    let one_tag = [[0x11, 0x07, 0, 0, 0xff, 0xff, 1, 2, 0xff, 0xfb].as_slice(), &[b'a'; 65_531]].concat();
    vec![empty_tags, one_tag]
}

/// Session frames with one packet of each protocol.
pub(super) fn ppp() -> Vec<Vec<u8>> {
    use doorstep::wire::ppp::{self, Control, Setting, code};
    let options = ppp::emit_settings(&[
        Setting::new(ppp::lcp_option::MRU, [5, 0xd4]),
        Setting::new(ppp::lcp_option::AUTHENTICATION, [0xc2, 0x23, 5]),
        Setting::new(ppp::lcp_option::MAGIC, [1, 2, 3, 4]),
    ]);
    let packets = [
        (ppp::LCP, code::CONFIGURE_REQUEST, options),
        (ppp::LCP, code::ECHO_REQUEST, vec![1, 2, 3, 4]),
        (ppp::PAP, 1, ppp::emit_pap_request(b"line1", b"secret")),
        (ppp::CHAP, 1, ppp::emit_chap_value(&[9; 16], b"edge-1")),
        (ppp::IPCP, code::CONFIGURE_NAK, ppp::emit_settings(&[Setting::new(3, [198, 51, 100, 50])])),
    ];
    packets
        .into_iter()
        .map(|(protocol, code, data)| {
            let frame = Control { code, identifier: 1, data }.emit(protocol);
            [&doorstep::wire::pppoe::session_header(0x1234, frame.len() as u16)[..], &frame].concat()
        })
        .collect()
}

/// As many options as fit, and lengths that lie.
pub(super) fn worst_ppp() -> Vec<Vec<u8>> {
    let options = [&[0x11, 0, 0, 1, 0xff, 0xff, 0xc0, 0x21, 1, 1, 0xff, 0xfd][..], &[7, 2].repeat(32_764)].concat();
    vec![options, vec![0x11, 0, 0, 1, 0, 8, 0xc0, 0x21, 1, 1, 0, 6, 1, 0]]
}

/// Frames behind the numbers of two tags.
pub(super) fn vlan() -> Vec<Vec<u8>> {
    let frame = [&[0, 100, 0, 35][..], &[2; 12], &[0x88, 0x63], &[0; 46]].concat();
    let tagged = [&[0, 100, 0, 35][..], &[2; 12], &[0x81, 0, 0, 35, 0x08, 0], &[0; 46]].concat();
    vec![frame, tagged]
}

/// Nothing but tags.
pub(super) fn worst_vlan() -> Vec<Vec<u8>> {
    vec![[&[0, 1, 0, 1][..], &[2; 12], &[0x81, 0, 0, 1].repeat(16_000)].concat()]
}

/// An advertisement with one option of each kind, and each kind alone.
pub(super) fn ra() -> Vec<Vec<u8>> {
    let prefix = [&[3, 4, 64, 0xc0, 0, 1, 0x51, 0x80, 0, 0, 0x38, 0x40, 0, 0, 0, 0, 0x20, 1, 0xd, 0xb8][..], &[0; 12]].concat();
    let resolvers = [&[25, 3, 0, 0, 0, 0, 0xe, 0x10, 0x20, 1, 0xd, 0xb8][..], &[0; 12]].concat();
    let search = b"\x1f\x03\0\0\0\0\x0e\x10\x07example\x03net\0\0\0\0".to_vec();
    let options: [Vec<u8>; 7] = [
        vec![1, 1, 2, 0, 0x5e, 0, 0, 1],
        vec![5, 1, 0, 0, 0, 0, 5, 0xd4],
        prefix,
        resolvers,
        search,
        vec![24, 2, 48, 0x18, 0, 0, 2, 0x58, 0x20, 1, 0xd, 0xb8, 1, 0, 0, 0],
        vec![38, 2, 0, 0x40, 0, 0x64, 0xff, 0x9b, 0, 0, 0, 0, 0, 0, 0, 0],
    ];
    let all = options.concat();
    let advertised = options.into_iter().chain([all, Vec::new()]).map(|options| advertised(&options));
    let (here, there) = (Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 1), Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 9));
    let mac = Some(Mac([2, 0, 0x5e, 0, 0, 1]));
    let neighbours = [
        nd::Message::Solicitation { target: here, mac },
        nd::Message::Advertisement { target: here, mac, is_router: true, is_solicited: true },
    ];
    advertised.chain(neighbours.map(|message| message.emit(here, there))).collect()
}

pub(super) fn worst_ra() -> Vec<Vec<u8>> {
    let many = [9, 1, 0, 0, 0, 0, 0, 0].repeat(8_000);
    let labels = [&[31, 255, 0, 0, 0, 0, 0, 9][..], &b"\x01a".repeat(1_016)].concat().repeat(30);
    vec![advertised(&many), advertised(&labels)]
}

fn advertised(options: &[u8]) -> Vec<u8> {
    let payload = [&[134, 0, 0, 0, 64, 0, 7, 8, 0, 0, 0, 0, 0, 0, 0, 0][..], options].concat();
    let header = doorstep::wire::ipv6::Repr {
        source: Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 1),
        destination: Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 1),
        next_header: 58,
        hop_limit: 255,
        traffic_class: 0,
        flow_label: 0,
    };
    header.emit(&payload).expect("it fits")
}

/// A frame of each kind that is written, and of some that are not.
pub(super) fn mask() -> Vec<Vec<u8>> {
    let frame = |ethertype: u16, tags: Vec<Tag>, payload: &[u8]| {
        let (destination, source) = (Mac([2, 0, 0x5e, 0, 0, 2]), Mac([2, 0, 0x5e, 0, 0, 1]));
        ethernet::Repr { destination, source, tags, ethertype }.emit(payload)
    };
    let in_session = |protocol: [u8; 2], packet: &[u8]| {
        let len = (packet.len() as u16 + 2).to_be_bytes();
        frame(0x8864, vec![], &[&[0x11, 0, 0, 9][..], &len, &protocol, packet].concat())
    };
    let datagram = |message: &[u8], from, to| {
        let datagram = udp::Repr { source_port: from, destination_port: to }.emit(message, HERE, THERE);
        ipv4::Repr::plain(HERE, THERE, ipv4::UDP).emit(&datagram)
    };
    let proof = discover().with(90, [7; 40]).emit();
    let reply = [&[7, 1, 2, 3][..], &[0, 11, 0, 28], &[3; 28], &[0, 1, 0, 2, 9, 9]].concat();
    let relayed = [&[13, 0][..], &[0; 32], &[0, 9, 0, reply.len() as u8], &reply].concat();
    let six = |message: &[u8]| {
        let header = [&[0x60, 0, 0, 0, 0, message.len() as u8 + 8, 17, 64][..], &[0xfe; 32]].concat();
        [&header[..], &[2, 0x22, 2, 0x23, 0, message.len() as u8 + 8, 1, 2], message].concat()
    };
    let echo = ipv4::Repr::plain(HERE, THERE, 1).emit(&[8, 0, 0x10, 0x20, 0, 1, 0, 2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);
    let control = [1, 1, 0, 12, 3, b'a', b'n', b'n', 3, b'p', b'w', b'd'];
    vec![
        frame(0x0806, vec![Tag { kind: 0x88a8, control: 5 }, Tag { kind: 0x8100, control: 7 }], &[0, 1, 8, 0, 6, 4, 0, 1]),
        frame(0x0800, vec![], &datagram(&proof, 68, 67)),
        frame(0x0800, vec![], &datagram(&proof, 40_000, 53)),
        frame(0x0800, vec![], &echo),
        frame(0x86dd, vec![], &six(&reply)),
        frame(0x86dd, vec![], &six(&relayed)),
        frame(0x8863, vec![], &pppoe()[0]),
        in_session([0xc0, 0x23], &control),
        in_session([0xc2, 0x23], &control),
        in_session([0xc2, 0x27], &control),
        in_session([0xc0, 0x21], &control),
        in_session([0x80, 0x21], &control),
        in_session([0, 0x21], &echo),
    ]
}

pub(super) fn worst_mask() -> Vec<Vec<u8>> {
    let frame = |ethertype: u16, payload: &[u8]| [&[0; 12][..], &ethertype.to_be_bytes(), payload].concat();
    let options = [&[&[0; 236][..], &[99, 130, 83, 99]].concat()[..], &[90, 0].repeat(32_000)].concat();
    let datagram = udp::Repr { source_port: 68, destination_port: 67 }.emit(&options, HERE, THERE);
    let mut relays = Vec::new();
    for _ in 0..1500 {
        relays = [&[12, 0][..], &[0; 32], &[0, 9], &(relays.len() as u16).to_be_bytes(), &relays].concat();
    }
    let header = [&[0x60, 0, 0, 0][..], &(relays.len() as u16 + 8).to_be_bytes(), &[17, 64], &[0; 32]].concat();
    let relayed = [&header[..], &[2, 0x22, 2, 0x23], &(relays.len() as u16 + 8).to_be_bytes(), &[0, 0], &relays].concat();
    vec![
        frame(0x0800, &ipv4::Repr::plain(HERE, THERE, ipv4::UDP).emit(&datagram)),
        frame(0x86dd, &relayed),
        frame(0x8100, &[0x81, 0].repeat(30_000)),
        frame(0x0806, &[0xff; 60_000]),
    ]
}

pub(super) fn line_facts() -> Vec<Vec<u8>> {
    let optical = "technology = \"gpon\"\n[optical]\nreceived = -19.5\nsent = 2.1\n[down]\nrate = 2488.32\n";
    let cells = "technology = \"adsl2+\"\natm = \"ppp-vc\"\n[down]\nrate = 16.2\nmargin = -0.5\n";
    vec![include_bytes!("../../../docs/line-example.toml").to_vec(), optical.into(), cells.into()]
}

pub(super) fn stun() -> Vec<Vec<u8>> {
    use doorstep::wire::stun::{Attribute, Class, Message};
    let key = Key::new(b"a key of the seeds");
    let written = |class, attributes: Vec<Attribute>, size| {
        Message { class, transaction: [7; 12], attributes }.emit(&key, size).expect("it fits")
    };
    let address = |text: &str| Attribute::MappedAddress(text.parse().expect("an address"));
    let wishes = vec![Attribute::Username(9), Attribute::Nonce([3; 16]), Attribute::ChangePort, Attribute::ReplySize(1472)];
    vec![
        written(Class::Request, vec![Attribute::Username(9)], Some(121)),
        written(Class::Request, wishes, None),
        written(Class::Request, vec![Attribute::Username(9), Attribute::Delay(30)], Some(240)),
        written(Class::Success, vec![address("198.51.100.2:4000"), Attribute::Nonce([3; 16])], None),
        written(Class::Success, vec![address("[2001:db8::2]:4000"), Attribute::TooBig(1400)], None),
        written(Class::Error, vec![Attribute::Other { kind: 0x8022, value: b"x".to_vec() }], None),
    ]
}

pub(super) fn worst_stun() -> Vec<Vec<u8>> {
    let header = |length: u16| [&[0, 1][..], &length.to_be_bytes(), &[0x21, 0x12, 0xa4, 0x42], &[7; 12]].concat();
    let many = [header(65_532), [0x80, 1, 0, 0].repeat(16_383)].concat();
    let one = [header(65_532), vec![0x80, 1, 0xff, 0xf8], vec![0; 65_528]].concat();
    vec![many, one]
}

/// SYNs of both IP versions, the option first and last.
pub(super) fn syn() -> Vec<Vec<u8>> {
    let ip = [0x45, 0, 0, 48, 0, 0, 0x40, 0, 64, 6, 0, 0, 198, 51, 100, 2, 203, 0, 113, 10];
    let six = [&[0x60, 0, 0, 0, 0, 28, 6, 64][..], &[0x20; 32]].concat();
    let tcp = [0x9c, 0x40, 0x21, 0xac, 0, 0, 0, 1, 0, 0, 0, 0, 0x70, 2, 0xff, 0xff, 0, 0, 0, 0];
    let options = [[2, 4, 5, 0xac, 1, 3, 3, 7], [1, 3, 3, 7, 2, 4, 5, 0xac]];
    options.iter().flat_map(|options| [[&ip[..], &tcp, options].concat(), [&six[..], &tcp, options].concat()]).collect()
}

pub(super) fn worst_syn() -> Vec<Vec<u8>> {
    let mut longest = syn().remove(0);
    longest[32] = 0xf0;
    longest.resize(40, 0);
    longest.extend([1; 65_000]);
    vec![longest]
}
