//! A question to the far end over SIP whose answer tells what arrived: a gateway that rewrites SIP (an application layer gateway) is found by it.
//!
//! OPTIONS to the far end itself, no registrar. Its user part names the session and a nonce; its own address stands in Via, Contact and
//! Call-ID, which are the lines that such gateways change (RFC 2663 section 2.9 says what they are).

use std::net::SocketAddr;

use crate::proto::known::{self, differences};
use crate::wire::sip::address::Uri;
use crate::wire::sip::{Message, Method, Start, write};
use crate::wire::stamp::Key;

use super::speaker::{Request, Speaker};

/// The far end answers with at most so many octets per octet received: it is no use to whoever forges a sender.
pub const MOST_ANSWERED: usize = 4;

/// The question, from an address to the far end.
pub fn request(speaker: &mut Speaker, far_end: SocketAddr, id: &str, nonce: &str) -> Request {
    let host = match far_end.ip() {
        std::net::IpAddr::V4(address) => address.to_string(),
        std::net::IpAddr::V6(address) => format!("[{address}]"),
    };
    let (uri, to) = (format!("sip:{id}-{nonce}@{host}"), format!("sip:doorstep@{host}"));
    let contact = speaker.contact();
    speaker.ask(Method::Options, &uri, ["sip:doorstep@invalid", &to], &[("Contact", contact)])
}

/// Whom a request asks for: the session's identifier and the nonce.
pub fn asked(message: &Message) -> Option<(String, String)> {
    let Start::Request { method, uri } = &message.start else { return None };
    let user = Uri::parse(uri)?.user?;
    let (id, nonce) = user.split_once('-')?;
    let is_hex = |text: &str| text.len() == 32 && text.chars().all(|c| c.is_ascii_hexdigit());
    (method == Method::Options.word() && is_hex(id) && is_hex(nonce)).then(|| (id.to_owned(), nonce.to_owned()))
}

/// The far end's answer; `None` where it would be too large for what was asked, or for a datagram.
pub fn answer(key: &Key, nonce: &str, from: SocketAddr, message: &Message, octets: &[u8]) -> Option<Vec<u8>> {
    let body = known::tell(key, nonce, from.ip().to_canonical(), octets);
    let kind = [("Content-Type", "text/plain".to_owned())];
    let answer = write::response(message, from, (200, "OK"), "far-end", &kind, body.as_bytes());
    (answer.len() <= octets.len() * MOST_ANSWERED).then_some(answer)
}

/// What an answer shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// It arrived as it was sent.
    Untouched,
    /// It arrived otherwise: how.
    Rewritten(Vec<String>),
    /// Somebody else answers: its words.
    Foreign(String),
    /// The far end's answer was changed on the way.
    Altered,
}

/// Holds what came back against what was sent.
pub fn look(key: &Key, nonce: &str, sent: &[u8], answer: &Message) -> Finding {
    match known::told(key, nonce, &answer.body) {
        Some(told) => {
            let mut marks = Vec::new();
            let text = String::from_utf8_lossy;
            differences("request", &text(sent), &text(&told.arrived), &mut marks);
            if marks.is_empty() { Finding::Untouched } else { Finding::Rewritten(marks) }
        }
        None if known::is_claimed(&answer.body) => Finding::Altered,
        None => Finding::Foreign(answer.told()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::sip::Transport;

    const ID: &str = "00112233445566778899aabbccddeeff";
    const NONCE: &str = "ffeeddccbbaa99887766554433221100";

    fn sent() -> Vec<u8> {
        let local = "192.0.2.50:41234".parse().unwrap();
        request(&mut Speaker::new(Transport::Udp, local, u128::MAX / 3), "203.0.113.10:5060".parse().unwrap(), ID, NONCE).octets
    }

    fn came(arrived: &[u8]) -> Option<Message> {
        let message = Message::parse(arrived).unwrap();
        let (id, nonce) = asked(&message)?;
        assert_eq!((id.as_str(), nonce.as_str()), (ID, NONCE));
        let octets = answer(&Key::new(b"k"), &nonce, "198.51.100.2:1025".parse().unwrap(), &message, arrived)?;
        // One datagram of any usual path, and not many times what was asked.
        assert!(octets.len() <= 1472 && octets.len() <= MOST_ANSWERED * arrived.len(), "{} octets", octets.len());
        Some(Message::parse(&octets).unwrap())
    }

    #[test]
    fn translation_alone_leaves_it_untouched_and_a_gateway_s_own_address_in_it_is_told() {
        let (key, sent) = (Key::new(b"k"), sent());
        assert_eq!(look(&key, NONCE, &sent, &came(&sent).unwrap()), Finding::Untouched);
        let rewritten = String::from_utf8(sent.clone()).unwrap().replace("192.0.2.50", "198.51.100.2");
        let Finding::Rewritten(marks) = look(&key, NONCE, &sent, &came(rewritten.as_bytes()).unwrap()) else {
            panic!("rewritten")
        };
        assert!(
            marks.iter().any(|mark| mark.contains("arrives with 'Contact: <sip:") && mark.contains("198.51.100.2")),
            "{marks:?}"
        );
        assert!(marks.iter().any(|mark| mark.contains("arrives without 'Via: SIP/2.0/UDP 192.0.2.50:41234")), "{marks:?}");
    }

    #[test]
    fn nobody_else_can_say_that_it_was_untouched() {
        let (key, sent) = (Key::new(b"k"), sent());
        let mut answer = came(&sent).unwrap();
        assert_eq!(look(&Key::new(b"other"), NONCE, &sent, &answer), Finding::Altered);
        assert_eq!(look(&key, ID, &sent, &answer), Finding::Altered, "an old answer");
        answer.body = b"hello".to_vec();
        assert_eq!(look(&key, NONCE, &sent, &answer), Finding::Foreign("200 OK".to_owned()));
    }

    #[test]
    fn questions_of_no_session_are_none() {
        for start in [
            "INVITE sip:ID-NONCE@203.0.113.10 SIP/2.0",
            "OPTIONS sip:203.0.113.10 SIP/2.0",
            "OPTIONS sip:ID@203.0.113.10 SIP/2.0",
            "SIP/2.0 200 OK",
        ] {
            let text = format!("{}\r\n\r\n", start.replace("ID", ID).replace("NONCE", NONCE));
            assert_eq!(asked(&Message::parse(text.as_bytes()).unwrap()), None, "{start}");
        }
    }
}
