use super::*;
use crate::wire::sip::digest::Credentials;
use crate::wire::sip::write;

const MS: Duration = Duration::from_millis(1);
const CHALLENGE: &str = "Digest realm=\"example.net\", nonce=\"n1\", qop=\"auth\", algorithm=SHA-256";

fn account() -> Account {
    Account::new("line1", None, "hush").unwrap()
}

fn registration(transport: Transport) -> Registration {
    let domain = Domain::parse("example.net").unwrap();
    let local = "192.0.2.50:5070".parse().unwrap();
    Registration::new(domain, account(), (transport, local), 0x0123_4567_89ab_cdef_0123_4567_89ab_cdef, Timers::STANDARD)
}

/// Answers each request by what the script says: status and headers; returns the requests.
fn play(registration: &mut Registration, script: &[(u16, &[(&str, &str)])]) -> Vec<Message> {
    let (mut now, mut requests) = (Instant::now(), Vec::new());
    let mut script = script.iter();
    while let Some(octets) = registration.transmit(now) {
        let request = Message::parse(&octets).unwrap();
        now += 20 * MS;
        let Some((status, headers)) = script.next() else { panic!("more is asked: {request:?}") };
        let own = request.contacts().first().map(|contact| format!("<{}>", contact.uri)).unwrap_or_default();
        let headers: Vec<_> = headers.iter().map(|(name, value)| (*name, value.replace("OWN", &own))).collect();
        let from = "198.51.100.2:40000".parse().unwrap();
        let answer = write::response(&request, from, (*status, "Words"), "t", &headers, b"");
        registration.on_message(now, &Message::parse(&answer).unwrap());
        requests.push(request);
    }
    assert!(registration.is_over() && script.next().is_none());
    requests
}

fn expires(request: &Message) -> Option<u32> {
    request.contacts().first().and_then(Address::expires)
}

#[test]
fn it_looks_binds_and_removes_its_own_contact_and_counts_the_others() {
    let other = "<sip:phone@192.0.2.9>;expires=3000";
    let mut registration = registration(Transport::Udp);
    let bound = format!("OWN;expires=50, {other}");
    let requests = play(
        &mut registration,
        &[
            (401, &[("WWW-Authenticate", CHALLENGE)]),
            (200, &[("Contact", other)]),
            (200, &[("Contact", bound.as_str())]),
            (200, &[("Contact", other)]),
        ],
    );
    let wanted = [None, None, Some(60), Some(0)];
    assert_eq!(requests.iter().map(expires).collect::<Vec<_>>(), wanted);
    // RFC 3261 section 22.3 lets a nonce be used on; its count grows (RFC 7616 section 3.4).
    let counts: Vec<_> = requests[1..]
        .iter()
        .map(|request| {
            let given = Credentials::parse(request.first("Authorization").unwrap()).unwrap();
            assert!(account().is_proven_by(&given, "REGISTER"));
            given.value("nc").unwrap().to_owned()
        })
        .collect();
    assert_eq!(counts, ["00000001", "00000002", "00000003"]);
    // Section 10.2.4: one Call-ID, and a CSeq that grows.
    assert!(requests.windows(2).all(|two| two[0].first("Call-ID") == two[1].first("Call-ID") && two[0].cseq() < two[1].cseq()));
    let report = registration.report();
    assert_eq!((report.others_before, report.others_after, report.is_removed), (Some(1), Some(1), Some(true)));
    assert_eq!((report.granted, report.bound_after, report.is_listed), (Some(50), Some(20 * MS), true));
    assert_eq!((report.algorithm, report.requests, &report.refusal), (Some("SHA-256"), 4, &None));
    assert_eq!(report.seen_as, Some("198.51.100.2:40000".parse().unwrap()));
}

#[test]
fn a_password_that_is_refused_is_sent_once() {
    let mut registration = registration(Transport::Tcp);
    let again: &[(&str, &str)] = &[("WWW-Authenticate", CHALLENGE)];
    let requests = play(&mut registration, &[(401, again), (401, again)]);
    assert_eq!(requests.iter().filter(|request| request.first("Authorization").is_some()).count(), 1);
    let refusal = registration.report().refusal.clone().unwrap();
    assert_eq!(refusal.code(), "sip-account-refused");
    assert!(refusal.to_string().contains("not again"), "{refusal}");
}

#[test]
fn a_stale_nonce_is_no_wrong_password_and_an_endless_registrar_is_left() {
    let stale: &[(&str, &str)] = &[("Proxy-Authenticate", "Digest realm=\"r\", nonce=\"n2\", stale=TRUE")];
    let first: &[(&str, &str)] = &[("Proxy-Authenticate", "Digest realm=\"r\", nonce=\"n1\"")];
    let mut one = registration(Transport::Udp);
    let requests = play(&mut one, &[(407, first), (407, stale), (200, &[]), (200, &[("Expires", "77")]), (200, &[])]);
    assert!(requests[2].first("Proxy-Authorization").unwrap().contains("nonce=\"n2\""));
    assert_eq!((one.report().granted, one.report().is_listed, &one.report().refusal), (Some(77), false, &None));
    let mut two = registration(Transport::Udp);
    play(&mut two, &[(407, first), (407, stale), (407, stale), (407, stale)]);
    assert_eq!(two.report().refusal, Some(Refusal::Endless));
}

#[test]
fn a_time_that_is_too_short_is_made_longer_once() {
    let mut one = registration(Transport::Udp);
    let short: &[(&str, &str)] = &[("Min-Expires", "3600")];
    let requests = play(&mut one, &[(200, &[]), (423, short), (200, &[("Contact", "OWN;expires=3600")]), (200, &[])]);
    assert_eq!(requests.iter().map(expires).collect::<Vec<_>>(), [None, Some(60), Some(3600), Some(0)]);
    let mut two = registration(Transport::Udp);
    play(&mut two, &[(200, &[]), (423, short), (423, short)]);
    assert_eq!(two.report().refusal.as_ref().map(Refusal::code), Some("sip-expiry-refused"));
}

#[test]
fn each_refusal_has_its_own_words() {
    for (status, headers, code, words) in [
        (403, vec![], "sip-forbidden", "403 Words"),
        (404, vec![], "sip-account-unknown", "no such account"),
        (503, vec![("Retry-After", "120 (maintenance)")], "sip-unavailable", "after 120 s"),
        (302, vec![("Contact", "<sip:other.example.net>")], "sip-moved", "sip:other.example.net"),
        (401, vec![("WWW-Authenticate", "Basic realm=\"r\"")], "sip-challenge-unknown", "`Basic`"),
        (480, vec![], "sip-refused", "480 Words"),
    ] {
        let mut registration = registration(Transport::Udp);
        play(&mut registration, &[(status, &headers)]);
        let refusal = registration.report().refusal.clone().expect("refused");
        assert!(refusal.code() == code && refusal.to_string().contains(words), "{status}: {refusal}");
    }
}

#[test]
fn a_silent_registrar_is_told_and_what_may_have_been_bound_is_removed() {
    let mut registration = registration(Transport::Udp);
    let now = Instant::now();
    let look = registration.transmit(now).unwrap();
    let from = "198.51.100.2:40000".parse().unwrap();
    let answer = write::response(&Message::parse(&look).unwrap(), from, (200, "OK"), "t", &[], b"");
    registration.on_message(now, &Message::parse(&answer).unwrap());
    let mut removing = false;
    let mut now = now;
    while !registration.is_over() {
        while let Some(octets) = registration.transmit(now) {
            removing |= expires(&Message::parse(&octets).unwrap()) == Some(0);
        }
        now = registration.next_wake().unwrap();
        registration.on_wake(now);
    }
    assert!(removing);
    assert_eq!((&registration.report().refusal, registration.report().is_removed), (&Some(Refusal::Silent), Some(false)));
}

#[test]
fn hurry_removes_what_was_bound_and_asks_nothing_else() {
    let mut registration = registration(Transport::Udp);
    registration.transmit(Instant::now()).unwrap();
    registration.hurry();
    assert!(registration.is_over() && registration.transmit(Instant::now()).is_none());
}
