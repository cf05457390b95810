//! Messages of RFC 4475 that apply to what is read here, from memory and shortened: each has the name of its test there.

use super::address::Address;
use super::digest::Challenge;
use super::*;

fn read(start: &str, headers: &str, body: &str) -> Result<Message, Flaw> {
    Message::parse(format!("{start}\r\n{headers}\r\n{body}").as_bytes())
}

const VIA: &str = "Via: SIP/2.0/UDP host.example.com;branch=z9hG4bKkdjuw\r\nCSeq: 1 OPTIONS\r\n";

#[test]
fn valid_messages_are_read() {
    // wsinv (3.1.1.1): odd spaces, folding, compact names, several Via.
    let headers = "TO :\r\n sip:vivekg@chair-dnrc.example.com ;   tag    = 1918181833n\r\nfrom   : \"J Rosenberg \\\\\\\"\"       <sip:jdrosen@example.com>\r\n  ;\r\n  tag = 98asjd8\r\n\
        MaX-fOrWaRdS: 0068\r\nCall-ID: wsinv.ndaksdj@192.0.2.1\r\nContent-Length   : 0\r\ncseq: 0009\r\n  INVITE\r\n\
        Via  : SIP  /   2.0\r\n /UDP\r\n    192.0.2.2;branch=390skdjuw\r\ns :\r\nNewFangledHeader:   newfangled value\r\n continued newfangled value\r\n\
        UnknownHeaderWithUnusualValue: ;;,,;;,;\r\nv:  SIP  / 2.0  / TCP     spindle.example.com   ;\r\n  branch  =   z9hG4bK9ikj8  ,\r\n SIP  /    2.0   / UDP  192.168.255.111   ; branch=\r\n z9hG4bK30239\r\n\
        m:\"Quoted string \\\"\\\"\" <sip:jdrosen@example.com> ; newparam =\r\n      newvalue ;\r\n  secondparam ; q = 0.33\r\n";
    let message = read("INVITE sip:vivekg@chair-dnrc.example.com;unknownparam SIP/2.0", headers, "").expect("wsinv");
    assert_eq!(message.cseq(), Some((9, "INVITE")));
    assert_eq!(message.first("Subject"), Some(""));
    let vias: Vec<_> = message.list("Via").filter_map(via::Via::parse).map(|via| (via.transport, via.host)).collect();
    let owned = |transport: &str, host: &str| (transport.to_owned(), host.to_owned());
    assert_eq!(vias, [owned("UDP", "192.0.2.2"), owned("TCP", "spindle.example.com"), owned("UDP", "192.168.255.111")]);
    assert_eq!(message.contacts()[0].name.as_deref(), Some("Quoted string \"\""));
    let from = Address::parse(message.first("From").expect("From")).expect("read");
    assert_eq!((from.name.as_deref(), field::value(&from.parameters, "tag")), (Some("J Rosenberg \\\""), Some("98asjd8")));
    // intmeth (3.1.1.2): every character that a method may have.
    let method = "!interesting-Method0123456789_*+`.%indeed'~";
    let message = read(
        &format!(
            "{method} sip:1_unusual.URI~(to-be!sure)&isn't+it$/crazy?,/;;*:&it+has=1,weird!*pas$wo~d_too.(doesn't-it)@example.com SIP/2.0"
        ),
        VIA,
        "",
    );
    assert_eq!(message.expect("intmeth").told(), method);
    // semiuri (3.1.1.8): a semicolon in the user's part.
    let message = read("OPTIONS sip:user;par=u%40example.net@example.com SIP/2.0", VIA, "").expect("semiuri");
    let Start::Request { uri, .. } = &message.start else { panic!("a request") };
    assert_eq!(address::Uri::parse(uri).and_then(|uri| uri.user).as_deref(), Some("user;par=u%40example.net"));
    // dblreq (3.1.1.7): what follows the message in its datagram is no part of it.
    let message = read("REGISTER sip:example.com SIP/2.0", "Content-Length: 0\r\n", "INVITE sip:joe@example.com SIP/2.0\r\n\r\n");
    assert!(message.expect("dblreq").body.is_empty());
    // unreason and noreason (3.1.1.12, 3.1.1.13).
    let told = |start: &str| read(start, VIA, "").map(|message| message.told());
    assert_eq!(told("SIP/2.0 200 = 2**3 * 5**2 \u{43d}\u{43e}").expect("unreason"), "200 = 2**3 * 5**2 \u{43d}\u{43e}");
    assert_eq!(told("SIP/2.0 100 ").expect("noreason"), "100 ");
    // transports (3.1.1.10): any word is a transport.
    let via = via::Via::parse("SIP/2.0/UNKNOWN t4.example.com;branch=z9hG4bKkdjuw").expect("transports");
    assert_eq!(via.transport, "UNKNOWN");
    // zeromf and longreq are of no moment here; regaut01 (3.3.7): a scheme that nobody knows is told and not answered.
    assert!(Challenge::parse("NoOneKnowsThisScheme opaque-data=here").is_err());
}

#[test]
fn invalid_messages_are_refused() {
    let refused = |name: &str, start: &str, headers: &str, body: &str, why: Flaw| {
        assert_eq!(read(start, headers, body), Err(why), "{name}");
    };
    let options = "OPTIONS sip:user@example.com SIP/2.0";
    // clerr (3.1.2.2), ncl (3.1.2.3), multi01 (3.3.8), mcl01 (3.3.9).
    refused("clerr", options, "Content-Length: 9999\r\n", "v=0\r\n", Flaw::Cut);
    refused("ncl", options, "Content-Length: -999\r\n", "", Flaw::ContentLength);
    refused("mcl01", options, "Content-Length: 13\r\nl: 5\r\n", "There's no way to know how many octets", Flaw::ContentLength);
    // ltgtruri (3.1.2.7), lwsruri (3.1.2.8), lwsstart (3.1.2.9), trws (3.1.2.10), badvers (3.1.2.16).
    for (name, start) in [
        ("ltgtruri", "INVITE <sip:user@example.com> SIP/2.0"),
        ("lwsruri", "INVITE sip:user@example.com; lwsruri=true SIP/2.0"),
        ("lwsstart", "INVITE  sip:user@example.com  SIP/2.0"),
        ("trws", "OPTIONS sip:remote-target@example.com SIP/2.0  "),
        ("badvers", "OPTIONS sip:t.watson@example.org SIP/7.0"),
        ("bigcode", "SIP/2.0 4294967301 better not break the receiver"),
    ] {
        refused(name, start, VIA, "", Flaw::StartLine);
    }
    // scalar02 and scalarlg (3.1.2.4, 3.1.2.5): numbers that are too large are none.
    let message = read(
        "SIP/2.0 503 Service Unavailable",
        "CSeq: 9292394834772304023312 OPTIONS\r\nRetry-After: 949302838503028349304023988\r\n",
        "",
    );
    let message = message.expect("scalarlg");
    assert_eq!((message.cseq(), message.seconds("Retry-After")), (None, None));
    // quotbal (3.1.2.6): a quote that never ends.
    assert_eq!(Address::parse("\"Mr. J. User <sip:j.user@example.com>"), None);
    // baddn (3.1.2.15): a name that is no token, unquoted, is read for what is in its brackets: it is only shown.
    assert_eq!(
        Address::parse("Bell, Alexander <sip:a.g.bell@example.com>").map(|a| a.uri).as_deref(),
        Some("sip:a.g.bell@example.com")
    );
}
