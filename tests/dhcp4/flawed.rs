//! A server that lies: mangled answers are told by name, none makes the client panic, and a sound one is still taken.

use std::net::Ipv4Addr;

use doorstep::check::dhcp4::Dhcp4;
use doorstep::net::packet::{Filter, PacketEvent, PacketSocket};
use doorstep::reading::Status;
use doorstep::unit::Depth;
use doorstep::wire::dhcp4::option::code;
use doorstep::wire::dhcp4::{self, MessageType, Operation, Repr};
use doorstep::wire::ethernet::{self, Mac};
use doorstep::wire::{ipv4, udp};
use tokio_util::sync::CancellationToken;

use crate::support::{LAPTOP_MAC, Line, SERVER, SERVER_MAC, codes, known, reading};

/// Answers each message of the client with what `answers` makes of it, as whole UDP payloads.
struct Liar {
    stop: CancellationToken,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Liar {
    fn start(line: &Line, answers: impl Fn(&dhcp4::Parsed) -> Vec<Vec<u8>> + Send + 'static) -> Self {
        let stop = CancellationToken::new();
        let (until, index) = (stop.clone(), line.server_index);
        let (ready, is_ready) = std::sync::mpsc::channel();
        let thread = line.server.namespace().spawn("liar", move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async {
                let socket = PacketSocket::open(index, Filter::Udp { port: 67, with_arp: false }, false).expect("root");
                ready.send(()).expect("the test waits");
                let mut buffer = [0; 2048];
                loop {
                    let event = tokio::select! {
                        event = socket.next_event(&mut buffer) => event.expect("receive"),
                        () = until.cancelled() => return,
                    };
                    let PacketEvent::Received { len, .. } = event else { continue };
                    for payload in answers(&open(&buffer[..len])) {
                        socket.try_send(&seal(&payload)).expect("send");
                    }
                }
            });
        });
        is_ready.recv().expect("the liar is ready");
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Liar {
    fn drop(&mut self) {
        self.stop.cancel();
        let _ = self.thread.take().map(std::thread::JoinHandle::join);
    }
}

fn open(frame: &[u8]) -> dhcp4::Parsed {
    let frame = ethernet::parse(frame).expect("a frame");
    let packet = ipv4::parse(frame.payload).expect("a packet");
    let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).expect("a datagram");
    dhcp4::parse(datagram.payload).expect("a message")
}

fn seal(payload: &[u8]) -> Vec<u8> {
    let (ports, to) = (udp::Repr { source_port: 67, destination_port: 68 }, Ipv4Addr::BROADCAST);
    let packet = ipv4::Repr::plain(SERVER, to, ipv4::UDP).emit(&ports.emit(payload, SERVER, to));
    let header =
        ethernet::Repr { destination: Mac(LAPTOP_MAC), source: Mac(SERVER_MAC), tags: Vec::new(), ethertype: ethernet::IPV4 };
    header.emit(&packet)
}

fn sound(question: &dhcp4::Parsed, kind: MessageType) -> Repr {
    let mut repr = Repr::request(kind, question.repr.transaction, LAPTOP_MAC)
        .with(code::SERVER_IDENTIFIER, SERVER.octets())
        .with(code::LEASE_TIME, 600_u32.to_be_bytes())
        .with(code::SUBNET_MASK, [255, 255, 255, 0])
        .with(code::ROUTERS, SERVER.octets())
        .with(code::NAME_SERVERS, [203, 0, 113, 53]);
    repr.operation = Operation::Reply;
    repr.yours = Ipv4Addr::new(192, 0, 2, 60);
    repr
}

fn without(mut repr: Repr, code: u8) -> Repr {
    repr.options.retain(|o| o.code != code);
    repr
}

/// OFFERs with one thing wrong each, and the flaw that it is.
fn mangled(question: &dhcp4::Parsed) -> Vec<(Vec<u8>, &'static str)> {
    let offer = || sound(question, MessageType::Offer);
    let emit = |repr: Repr| repr.emit();
    let cut_in_option = |repr: Repr| {
        let mut bytes = repr.emit();
        let end = bytes.iter().rposition(|octet| *octet == 255).expect("an end");
        bytes.truncate(end);
        bytes.extend([15, 40, b'x']);
        bytes
    };
    vec![
        (emit(without(offer(), 54)), "dhcp4-server-id-missing"),
        (emit(without(offer(), 54).with(54, [192, 0, 2])), "dhcp4-option-length"),
        (emit(without(offer(), 54).with(54, [255; 4])), "dhcp4-server-id-invalid"),
        (emit(Repr { yours: Ipv4Addr::UNSPECIFIED, ..offer() }), "dhcp4-address-missing"),
        (emit(Repr { yours: Ipv4Addr::new(192, 0, 2, 255), ..offer() }), "dhcp4-address-invalid"),
        (emit(Repr { client_hardware_address: [9; 16], ..offer() }), "dhcp4-hardware-address-altered"),
        (cut_in_option(without(offer(), 54)), "dhcp4-option-truncated"),
        (emit(without(offer(), 54).with(code::OVERLOAD, [9])), "dhcp4-overload-invalid"),
        (emit(without(offer(), 54).with(121, [40, 1, 2, 3, 4])), "dhcp4-option-content"),
        (emit(without(without(offer(), 54), 51)), "dhcp4-lease-time-missing"),
        (emit(without(without(offer(), 54), 1).with(1, [255, 0, 255, 0])), "dhcp4-mask-invalid"),
    ]
}

#[test]
fn mangled_offers_are_told_and_the_sound_one_behind_them_is_taken() {
    let line = Line::new();
    let _liar = Liar::start(&line, |question| match question.message_type() {
        Some(MessageType::Discover) => {
            let mut all: Vec<Vec<u8>> = mangled(question).into_iter().map(|(bytes, _)| bytes).collect();
            all.push(sound(question, MessageType::Offer).emit());
            all
        }
        Some(MessageType::Request) => vec![sound(question, MessageType::Ack).emit()],
        _ => Vec::new(),
    });
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = &finished.outcome;
    assert_eq!(outcome.status, Status::Done, "{:?} {:?}", outcome.reason, outcome.facts);
    assert_eq!(known(finished.learned.clone()).ipv4, Some((Ipv4Addr::new(192, 0, 2, 60), 24)));
    let told = codes(outcome);
    let question = dhcp4::parse(&Repr::request(MessageType::Discover, 1, LAPTOP_MAC).emit()).expect("readable");
    for (_, flaw) in mangled(&question) {
        assert!(told.contains(&flaw), "{flaw} is not in {told:?}");
    }
    // All came from one address; where the identifier is unreadable that address names the server.
    assert_eq!(outcome.facts["answers"].as_array().expect("a list").len(), 13);
    line.release(finished);
}

#[test]
fn a_server_with_nothing_but_mangled_offers_fails_the_check_with_what_is_wrong() {
    let line = Line::new();
    let _liar = Liar::start(&line, |question| mangled(question).into_iter().map(|(bytes, _)| bytes).collect());
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Failed);
    let reason = finished.outcome.reason.as_deref().expect("a reason");
    assert!(reason.contains("no OFFER that a client can take"), "{reason}");
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn every_truncation_and_random_octets_are_survived_on_the_wire() {
    let line = Line::new();
    let _liar = Liar::start(&line, |question| match question.message_type() {
        Some(MessageType::Discover) => {
            let whole = sound(question, MessageType::Offer).emit();
            let mut all: Vec<Vec<u8>> = (0..whole.len()).map(|len| whole[..len].to_vec()).collect();
            let mut seed = 1_u64;
            for _ in 0..200 {
                // Random options behind a sound head.
                let mut bytes = whole[..240].to_vec();
                for _ in 0..60 {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    bytes.push((seed >> 56) as u8);
                }
                all.push(bytes);
            }
            all.push(whole);
            all
        }
        Some(MessageType::Request) => vec![sound(question, MessageType::Ack).emit()],
        _ => Vec::new(),
    });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Done, "{:?}", finished.outcome.reason);
    let read = finished.outcome.facts["answers_in_all"].as_u64().expect("counted");
    assert!(finished.outcome.facts["answers"].as_array().expect("a list").len() <= 32 && finished.outcome.flaws.len() < 70);
    assert!(finished.outcome.facts["passed_over"].get("own_drops").is_none(), "the burst fits the socket's buffer");
    let passed_over = finished.outcome.facts["passed_over"]["unreadable"].as_u64().expect("some are no messages");
    // 240 octets and more are a message, whatever stands behind.
    assert_eq!(passed_over, 240);
    assert!(read > 200, "{read}");
    line.release(finished);
}

#[test]
fn a_refusal_is_told_with_the_server_s_words() {
    let line = Line::new();
    let _liar = Liar::start(&line, |question| match question.message_type() {
        Some(MessageType::Discover) => vec![sound(question, MessageType::Offer).emit()],
        Some(MessageType::Request) => {
            let mut nak = Repr::request(MessageType::Nak, question.repr.transaction, LAPTOP_MAC)
                .with(code::SERVER_IDENTIFIER, SERVER.octets())
                .with(code::MESSAGE, *b"no more \x1b[31mleases");
            nak.operation = Operation::Reply;
            vec![nak.emit()]
        }
        _ => Vec::new(),
    });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Failed);
    assert_eq!(finished.outcome.reason.as_deref(), Some("the DHCP server (192.0.2.1) refused (NAK) what it had offered"));
    let flaw = finished.outcome.flaws.iter().find(|f| f.code == "dhcp4-refused").expect("told");
    let told = "192.0.2.1 refused (NAK) the address that it had offered, saying \"no more \u{fffd}[31mleases\": ";
    assert!(flaw.what.starts_with(told), "no control characters reach a terminal: {}", flaw.what);
    assert!(reading(&finished.outcome, "dhcp4.servers").value > 0.0);
}
