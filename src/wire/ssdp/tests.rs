use proptest::prelude::*;

use super::*;

/// The fields of UDA 1.1 section 1.3.3 with two more, as gateways have; all values are invented.
const ANSWER: &[u8] =
    b"HTTP/1.1 200 OK\r\nCACHE-CONTROL: max-age=120\r\nST: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n\
USN: uuid:00000000-0000-0000-0000-000000000001::urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\nEXT:\r\n\
SERVER: Linux/6.1 UPnP/1.1 gateway/1.0\r\nLOCATION: http://192.0.2.1:5555/rootDesc.xml\r\n\
OPT: \"http://schemas.upnp.org/upnp/1/0/\"; ns=01\r\n01-NLS: 1\r\nBOOTID.UPNP.ORG: 1\r\n\r\n";

#[test]
fn an_answer_is_read() {
    let found = Found::parse(ANSWER).expect("valid");
    assert_eq!(found.location, "http://192.0.2.1:5555/rootDesc.xml");
    assert_eq!((found.target.as_str(), found.server.as_str()), (GATEWAY, "Linux/6.1 UPnP/1.1 gateway/1.0"));
    assert!(found.name.starts_with("uuid:00000000"));
}

#[test]
fn names_of_fields_know_no_case_and_lines_may_end_without_carriage_return() {
    let found =
        Found::parse(b"HTTP/1.0 200 ok\nlocation:http://192.0.2.1/d.xml\nSt:  upnp:rootdevice \n\nST: later").expect("valid");
    assert_eq!((found.location.as_str(), found.target.as_str()), ("http://192.0.2.1/d.xml", "upnp:rootdevice"));
    assert!(found.name.is_empty() && found.server.is_empty());
}

#[test]
fn what_is_no_answer_is_told() {
    let notify = b"NOTIFY * HTTP/1.1\r\nLOCATION: http://192.0.2.1/\r\nNT: upnp:rootdevice\r\n\r\n";
    assert_eq!(Found::parse(notify), Err(Error::FirstLine("NOTIFY * HTTP/1.1".to_owned())));
    assert_eq!(Found::parse(b"HTTP/1.1 200 OK\r\nST: x\r\n\r\n"), Err(Error::Missing("LOCATION")));
    assert_eq!(Found::parse(b"HTTP/1.1 404 Not Found\r\n\r\n"), Err(Error::FirstLine("HTTP/1.1 404 Not Found".to_owned())));
    assert_eq!(Found::parse(&[0xff]), Err(Error::NotText));
    assert_eq!(Found::parse(&[b'a'; MOST_OCTETS + 1]), Err(Error::TooLong(MOST_OCTETS + 1)));
    assert_eq!(Found::parse(b""), Err(Error::FirstLine(String::new())));
}

#[test]
fn every_truncation_is_refused_or_lacks_only_what_was_cut() {
    for end in 0..ANSWER.len() {
        if let Ok(found) = Found::parse(&ANSWER[..end]) {
            assert!("http://192.0.2.1:5555/rootDesc.xml".starts_with(&found.location), "{end}");
        }
    }
}

#[test]
fn a_search_is_written_as_the_architecture_says() {
    let search = Search { host: GROUP, target: GATEWAY.to_owned(), spread_s: Some(1) };
    let text = String::from_utf8(search.emit().expect("writable")).expect("text");
    // UDA 1.1 section 1.3.2, the example with its fields.
    assert_eq!(
        text,
        "M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nMAN: \"ssdp:discover\"\r\nMX: 1\r\n\
         ST: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n\r\n"
    );
    assert_eq!(Search::parse(text.as_bytes()), Ok(search));
}

#[test]
fn no_text_can_add_a_field() {
    let target = "x\r\nMX: 99".to_owned();
    assert_eq!(Search { host: GROUP, target: target.clone(), spread_s: None }.emit(), None);
    let found = Found { location: "http://192.0.2.1/".to_owned(), target: "x".to_owned(), name: target, server: String::new() };
    assert_eq!(found.emit(), None);
}

fn value() -> impl Strategy<Value = String> {
    "[!-~]([ -~]{0,40}[!-~])?"
}

proptest! {
    #[test]
    fn an_answer_written_is_read_back(location in value(), target in value(), name in value(), server in value()) {
        let found = Found { location, target, name, server };
        prop_assert_eq!(Found::parse(&found.emit().expect("writable")), Ok(found));
    }

    #[test]
    fn a_search_written_is_read_back(target in value(), spread_s in any::<Option<u8>>(), port in any::<u16>()) {
        let search = Search { host: SocketAddrV4::new(Ipv4Addr::new(192, 0, 2, 1), port), target, spread_s };
        prop_assert_eq!(Search::parse(&search.emit().expect("writable")), Ok(search));
    }

    #[test]
    fn any_octets_are_read_or_refused(octets in prop::collection::vec(any::<u8>(), 0..600)) {
        let _ = (Found::parse(&octets), Search::parse(&octets));
    }
}
