//! SIP messages, over datagrams and streams, as a server and a client read them; and an account's registrar that means harm.

use std::time::Instant;

use doorstep::proto::sip::Conversation;
use doorstep::proto::sip::account::Account;
use doorstep::proto::sip::question::{answer, asked};
use doorstep::proto::sip::registration::{MOST_REQUESTS, Registration};
use doorstep::proto::sip::service::Domain;
use doorstep::proto::sip::speaker::Speaker;
use doorstep::proto::sip::transaction::Timers;
use doorstep::wire::sip::address::{Address, Uri};
use doorstep::wire::sip::digest::{Challenge, Credentials};
use doorstep::wire::sip::frame::Framer;
use doorstep::wire::sip::via::Via;
use doorstep::wire::sip::{LONGEST_HEAD, MOST_HEADERS, Message, Method, Start, Transport, write};
use doorstep::wire::stamp::Key;

const LOCAL: ([u8; 4], u16) = ([192, 0, 2, 50], 5070);
const ID: &str = "00112233445566778899aabbccddeeff";

/// Reads octets as a datagram and as a stream, and hands them to a registration.
pub fn sip(data: &[u8]) {
    let mut framer = Framer::default();
    for piece in data.chunks(data.len() / 16 + 1) {
        framer.push(piece);
        while let Ok(Some(framed)) = framer.next_message() {
            assert_eq!(Message::parse(&framed.octets).as_ref(), Ok(&framed.message), "a stream and a datagram say the same");
        }
    }
    let text = String::from_utf8_lossy(data);
    let _ = (Via::parse(&text), Address::parse(&text), Uri::parse(&text), Challenge::parse(&text), Domain::parse(&text));
    if let Ok(given) = Credentials::parse(&text) {
        given.prove("line1", "hush", "REGISTER");
    }
    let Ok(message) = Message::parse(data) else { return };
    let (vias, contacts) = (message.list("Via").filter_map(Via::parse).count(), message.contacts().len());
    std::hint::black_box((vias, contacts, message.cseq(), message.told(), message.seconds("Expires")));
    if let Some((_, nonce)) = asked(&message) {
        answer(&Key::new(b"k"), &nonce, LOCAL.into(), &message, data);
    }
    if let Start::Request { .. } = message.start {
        let octets = write::response(&message, LOCAL.into(), (200, "OK"), "t", &[], b"");
        // What is read is bounded, and an answer has a little more than its request.
        let is_bounded = octets.len() < LONGEST_HEAD && vias < MOST_HEADERS / 2 && message.headers.len() < MOST_HEADERS / 2;
        let told = Message::parse(&octets).ok().and_then(|told| told.status());
        assert!(told == Some(200) || !is_bounded, "what is written can be read");
    }
    register_against(&message);
}

/// A registration whose every answer is this one, made to fit: it ends, and soon.
fn register_against(message: &Message) {
    let domain = Domain::parse("example.net").expect("a domain");
    let account = Account::new("line1", None, "hush").expect("a name");
    let mut registration = Registration::new(domain, account, (Transport::Udp, LOCAL.into()), 7, Timers::STANDARD);
    let (now, mut requests) = (Instant::now(), 0);
    while let Some(octets) = registration.transmit(now) {
        requests += 1;
        assert!(requests <= MOST_REQUESTS && !octets.windows(4).any(|four| four == b"hush"));
        let request = Message::parse(&octets).expect("our own");
        let mut fitted = message.clone();
        fitted.headers.retain(|(name, _)| name != "Via" && name != "CSeq");
        for name in ["Via", "CSeq"] {
            fitted.headers.push((name.to_owned(), request.first(name).unwrap_or_default().to_owned()));
        }
        registration.on_message(now, &fitted);
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let mut speaker = Speaker::new(Transport::Tcp, LOCAL.into(), u128::MAX / 3);
    let uri = format!("sip:{ID}-{ID}@203.0.113.10");
    let contact = speaker.contact();
    let options = speaker.ask(Method::Options, &uri, ["sip:a@example.net"; 2], &[("Contact", contact)]).octets;
    let asked = Message::parse(&options).expect("our own");
    let answer =
        |status, headers: &[(&str, String)]| write::response(&asked, LOCAL.into(), (status, "Words"), "t", headers, b"body");
    let challenge =
        "Digest realm=\"r, \\\"x\\\"\", nonce=\"n\", qop=\"auth,auth-int\", algorithm=SHA-512-256, stale=true, userhash=true";
    vec![
        options.clone(),
        answer(401, &[("WWW-Authenticate", challenge.to_owned())]),
        answer(200, &[("Contact", "\"A\" <sip:a@[2001:db8::1]:5060;x>;expires=60, <sip:b@192.0.2.9>".to_owned())]),
        answer(423, &[("Min-Expires", "3600".to_owned())]),
        challenge.as_bytes().to_vec(),
        b"SIP / 2.0 / UDP [2001:db8::9]:5070 ; branch=z9hG4bK2;received=192.0.2.1;rport=9".to_vec(),
    ]
}

pub(super) fn worst() -> Vec<Vec<u8>> {
    let head = b"SIP/2.0 200 OK\r\n".to_vec();
    vec![
        [head.as_slice(), &b"v: a,b;c=\"d\r\n".repeat(1_200), b"\r\n"].concat(),
        [head.as_slice(), b"m: ", &b"<,\"".repeat(5_000), b"\r\n\r\n"].concat(),
        [head.as_slice(), b"s: x", &b"\r\n ".repeat(5_000), b"\r\n\r\n"].concat(),
        b"\r\n".repeat(30_000),
        b"SIP/2.0 200 OK\r\nl: 0\r\n\r\n".repeat(2_500),
    ]
}
