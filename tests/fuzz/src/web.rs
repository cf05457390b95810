//! Requests and answers over plain HTTP, which anybody on the way may have made.

use doorstep::proto::web::{Finding, Question, answer, asked, head, request, sends_elsewhere};
use doorstep::wire::stamp::Key;

const ID: &str = "00112233445566778899aabbccddeeff";
const NONCE: &str = "ffeeddccbbaa99887766554433221100";
const HERE: [u8; 4] = [198, 51, 100, 2];

fn key() -> Key {
    Key::new(&[7; 32])
}

/// Reads octets as a request and as an answer.
pub fn web(data: &[u8]) {
    if let Some((id, nonce)) = head(data).and_then(asked) {
        assert_eq!((id.len(), nonce.len()), (32, 32));
    }
    sends_elsewhere(data, "203.0.113.10");
    let (key, sent) = (key(), request("203.0.113.10", ID, NONCE));
    let question = Question { sent: &sent, nonce: NONCE, key: &key, seen_elsewhere: HERE.into() };
    if question.look(data) == Finding::Untouched {
        let whole = answer(&key, NONCE, HERE.into(), &sent);
        assert!(data == whole, "only the far end's own answer is untouched");
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let sent = request("203.0.113.10", ID, NONCE);
    let answered = answer(&key(), NONCE, HERE.into(), &sent);
    let redirect = b"HTTP/1.1 302 Found\r\nLocation: http://portal.test/login\r\n\r\n".to_vec();
    vec![sent, answered, redirect]
}

pub(super) fn worst() -> Vec<Vec<u8>> {
    let mut lines = b"HTTP/1.1 200 OK\r\n".to_vec();
    lines.extend(b"a: b\r\n".repeat(10_000));
    lines.extend(b"\r\ndoorstep known answer 1\n".repeat(1_000));
    vec![lines, b"\r\n\r".repeat(10_000)]
}
