use super::*;

const ID: &str = "00112233445566778899aabbccddeeff";
const NONCE: &str = "ffeeddccbbaa99887766554433221100";
const HERE: &str = "198.51.100.2";

fn key() -> Key {
    Key::new(&[7; 32])
}

/// What is found when the request arrives as this, and the answer comes back through a change.
fn found(arrived: &[u8], change: impl Fn(String) -> String) -> Finding {
    let (key, sent) = (key(), request("203.0.113.10", ID, NONCE));
    let answered = String::from_utf8(answer(&key, NONCE, HERE.parse().unwrap(), arrived)).unwrap();
    let question = Question { sent: &sent, nonce: NONCE, key: &key, seen_elsewhere: HERE.parse().unwrap() };
    question.look(change(answered).as_bytes())
}

fn sent() -> Vec<u8> {
    request("203.0.113.10", ID, NONCE)
}

#[test]
fn what_arrives_as_it_was_sent_is_untouched() {
    assert_eq!(asked(head(&sent()).unwrap()), Some((ID, NONCE)));
    assert_eq!(found(&sent(), |answer| answer), Finding::Untouched);
}

/// Headers as RFC 9110 section 7.6.3 (Via) and RFC 7239 (X-Forwarded-For before it) have them.
#[test]
fn a_proxy_shows_in_either_head_and_by_its_address() {
    let with = |more: &str| String::from_utf8(sent()).unwrap().replace("Connection: close\r\n", more).into_bytes();
    let Finding::Proxy(marks) = found(&with("Connection: close\r\nVia: 1.1 gw.test\r\n"), |a| a) else { panic!("a proxy") };
    assert_eq!(marks, ["the request arrives with 'Via: 1.1 gw.test'"]);
    let Finding::Proxy(marks) = found(&with(""), |a| a) else { panic!("a proxy") };
    assert_eq!(marks, ["the request arrives without 'Connection: close'"]);
    let Finding::Proxy(marks) = found(&sent(), |a| a.replace("\r\n\r\n", "\r\nX-Cache: MISS\r\n\r\n")) else { panic!("a proxy") };
    assert_eq!(marks, ["the answer arrives with 'X-Cache: MISS'"]);
    let (key, sent) = (key(), sent());
    let answered = answer(&key, NONCE, "192.0.2.99".parse().unwrap(), &sent);
    let question = Question { sent: &sent, nonce: NONCE, key: &key, seen_elsewhere: HERE.parse().unwrap() };
    assert!(matches!(question.look(&answered), Finding::Proxy(marks) if marks[0].contains("192.0.2.99")));
    let gateway_timeout = b"HTTP/1.1 504 Gateway Timeout\r\n\r\n";
    assert!(matches!(question.look(gateway_timeout), Finding::Proxy(marks) if marks[0].contains("504")));
}

#[test]
fn a_portal_answers_in_the_far_end_s_place() {
    let redirect = "HTTP/1.1 302 Found\r\nLocation: http://portal.test/login?to=known\r\n\r\n";
    let location = Some("http://portal.test/login?to=known".to_owned());
    assert_eq!(found(&sent(), |_| redirect.to_owned()), Finding::Portal { status: 302, location });
    let page = "HTTP/1.0 200 OK\r\nContent-Type: text/html\r\n\r\n<html>Welcome</html>";
    assert_eq!(found(&sent(), |_| page.to_owned()), Finding::Portal { status: 200, location: None });
    // RFC 6585 section 6.
    let required = "HTTP/1.1 511 Network Authentication Required\r\n\r\n";
    assert_eq!(found(&sent(), |_| required.to_owned()), Finding::Portal { status: 511, location: None });
}

#[test]
fn a_changed_body_and_an_old_answer_are_not_the_far_end_s_word() {
    assert_eq!(found(&sent(), |a| a.replace("seen 198", "seen 199")), Finding::Altered);
    assert_eq!(found(&sent(), |a| a.replace("mac ", "<script></script>mac ")), Finding::Altered);
    let injected = |a: String| a.replace("\r\n\r\n", "\r\n\r\n<script></script>");
    assert_eq!(found(&sent(), injected), Finding::Altered, "before the far end's words");
    assert_eq!(found(&sent(), |a| a + "<script></script>"), Finding::Altered, "and behind them");
    let bare = |a: String| a.replacen("\r\nCache", "\nCache", 1);
    assert!(matches!(found(&sent(), bare), Finding::Proxy(marks) if marks == ["the answer arrives in another form or order"]));
    let (key, sent) = (key(), sent());
    let other = answer(&key, ID, HERE.parse().unwrap(), &sent);
    let question = Question { sent: &sent, nonce: NONCE, key: &key, seen_elsewhere: HERE.parse().unwrap() };
    assert_eq!(question.look(&other), Finding::Altered, "an answer to another question, from a store");
    assert_eq!(question.look(b""), Finding::NoAnswer);
    assert_eq!(question.look(b"SSH-2.0-x\r\n\r\n"), Finding::NoAnswer);
}

#[test]
fn a_stranger_that_is_sent_to_another_host_met_a_portal() {
    let at = "203.0.113.10";
    let to = |location: &str| format!("HTTP/1.1 302 Found\r\nLocation: {location}\r\n\r\n");
    assert_eq!(sends_elsewhere(to("http://portal.test/").as_bytes(), at), Some("http://portal.test/".to_owned()));
    assert_eq!(sends_elsewhere(to("https://203.0.113.10/").as_bytes(), at), None, "a web server of the far end's host");
    assert_eq!(sends_elsewhere(to("/index.html").as_bytes(), at), None);
    assert!(sends_elsewhere(b"HTTP/1.1 511 x\r\n\r\n", at).is_some());
    assert_eq!(sends_elsewhere(b"HTTP/1.1 200 OK\r\n\r\nhello", at), None);
}

#[test]
fn requests_of_strangers_ask_for_nobody() {
    let long = format!("GET /known/{ID}/{NONCE}0 HTTP/1.1\r\n\r\n");
    for line in
        ["", "GET / HTTP/1.1\r\n\r\n", "POST /known/a/b HTTP/1.1\r\n\r\n", "GET /known/é/ü HTTP/1.1\r\n\r\n", long.as_str()]
    {
        assert_eq!(asked(line.as_bytes()), None, "{line}");
    }
    let whole = format!("GET http://203.0.113.10/known/{ID}/{NONCE} HTTP/1.1\r\n\r\n");
    assert_eq!(asked(whole.as_bytes()), Some((ID, NONCE)), "as a proxy writes it");
}

/// Whatever comes back, cut anywhere or with any octet changed: a finding, and never that nobody touched it.
#[test]
fn every_cut_and_change_is_a_finding() {
    let (key, sent) = (key(), sent());
    let answered = answer(&key, NONCE, HERE.parse().unwrap(), &sent);
    let question = Question { sent: &sent, nonce: NONCE, key: &key, seen_elsewhere: HERE.parse().unwrap() };
    for at in 0..answered.len() {
        if at + 1 < answered.len() {
            assert_ne!(question.look(&answered[..at]), Finding::Untouched, "cut at {at}");
        }
        let mut changed = answered.clone();
        changed[at] ^= 0x80;
        let is_last = at + 1 == answered.len();
        assert!(is_last || question.look(&changed) != Finding::Untouched, "octet {at}");
        sends_elsewhere(&changed, "x");
        asked(&changed);
    }
}
