//! What devices of a home say of themselves: SSDP, and a gateway's description and answers (UPnP).

use std::net::{Ipv4Addr, SocketAddrV4};

use doorstep::wire::igd::action::{Action, Answer, Call, gained};
use doorstep::wire::igd::{Description, Endpoint, Kind, Service, ServiceType};
use doorstep::wire::ssdp::{Found, GATEWAY, GROUP, Search};

use super::show;

const HOME: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

/// SSDP: an answer and a search, each written again; what an answer leads to stays on the gateway.
pub fn ssdp(data: &[u8]) {
    match Found::parse(data) {
        Ok(found) => {
            std::hint::black_box((found.to_string(), format!("{found:?}")));
            if let Some(written) = found.emit() {
                assert_eq!(Found::parse(&written), Ok(found.clone()));
            }
            stays(&found.location);
        }
        Err(error) => show(&error),
    }
    if let Ok(search) = Search::parse(data)
        && let Some(written) = search.emit()
    {
        assert_eq!(Search::parse(&written), Ok(search));
    }
}

/// A gateway's description, and the answer to every action that it may be asked for.
pub fn igd(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Description::parse(text) {
        Ok(described) => {
            assert_eq!(Description::parse(&described.emit()), Ok(described.clone()));
            described.base.iter().for_each(|base| stays(base));
            described.services.iter().for_each(|service| stays(&service.control));
        }
        Err(error) => show(&error),
    }
    for call in calls() {
        match call.parse_answer(text) {
            Ok(answer) => {
                if let Answer::Octets(octets) = answer {
                    assert_eq!(gained(octets, octets), Some(0));
                }
                let written = call.emit_answer(&answer).expect("its own answer");
                assert_eq!(call.parse_answer(&written), Ok(answer));
            }
            Err(error) => show(&error),
        }
    }
    if let Some(call) = Call::parse_field(text) {
        assert!(call.action().name().starts_with("Get"), "only reading: {call:?}");
    }
    stays(text);
}

/// No URL and no reference leads away from the gateway.
fn stays(url: &str) {
    let from = Endpoint::on(HOME, "http://192.0.2.1:5000/a/description.xml").expect("its own");
    for endpoint in [Endpoint::on(HOME, url), from.join(url)] {
        match endpoint {
            Ok(endpoint) => {
                assert_eq!(endpoint.address(), HOME);
                assert!(endpoint.port() > 0 && endpoint.path().bytes().all(|octet| octet.is_ascii_graphic()));
            }
            Err(error) => show(&error),
        }
    }
}

fn calls() -> Vec<Call> {
    let types = Kind::ALL.map(|kind| ServiceType { kind, version: 1 });
    types.into_iter().flat_map(|of| Action::ALL.into_iter().filter_map(move |action| Call::new(of, action))).collect()
}

pub(super) fn ssdp_seeds() -> Vec<Vec<u8>> {
    let found = Found {
        location: "http://192.0.2.1:5000/rootDesc.xml".to_owned(),
        target: GATEWAY.to_owned(),
        name: format!("uuid:00000000-0000-0000-0000-000000000001::{GATEWAY}"),
        server: "Linux/6.1 UPnP/1.1 gateway/1.0".to_owned(),
    };
    let search = |host, spread_s| Search { host, target: GATEWAY.to_owned(), spread_s };
    let searches = [search(GROUP, Some(1)), search(SocketAddrV4::new(HOME, 1900), None)];
    searches.iter().filter_map(Search::emit).chain(found.emit()).collect()
}

pub(super) fn worst_ssdp() -> Vec<Vec<u8>> {
    let head = b"HTTP/1.1 200 OK\r\n".to_vec();
    let with = |piece: &[u8], times| [head.clone(), piece.repeat(times)].concat();
    vec![with(b"a:\r\n", 1000), with(b"ST:", 1300), with(b"LOCATION: x\r\nST: y\r\n", 180), vec![b'\n'; 60_000]]
}

pub(super) fn igd_seeds() -> Vec<Vec<u8>> {
    let service = |kind, control: &str| Service { of: ServiceType { kind, version: 1 }, control: control.to_owned() };
    let described = Description {
        device: GATEWAY.to_owned(),
        maker: "Example & Sons".to_owned(),
        model: "Box <1>".to_owned(),
        base: Some("http://192.0.2.1:5000/".to_owned()),
        services: vec![service(Kind::CommonInterface, "/ctl/common"), service(Kind::PppConnection, "ctl?ppp")],
    };
    let answer = |call: &Call| {
        let answer = match call.action() {
            Action::CommonLinkProperties => {
                Answer::Link { access: "DSL".to_owned(), up_bit_s: 40_000_000, down_bit_s: 100_000_000, state: "Up".to_owned() }
            }
            Action::OctetsSent | Action::OctetsReceived => Answer::Octets(u64::from(u32::MAX)),
            Action::Status => Answer::Status { state: "Connected".to_owned(), last_error: "ERROR_NONE".to_owned(), uptime_s: 9 },
            Action::ExternalAddress => Answer::Address(Some(Ipv4Addr::new(198, 51, 100, 2))),
            Action::ConnectionType => Answer::Connection("IP_Routed".to_owned()),
            Action::LinkRates => Answer::Rates { up_bit_s: 1, down_bit_s: 2 },
        };
        call.emit_answer(&answer).expect("its own answer")
    };
    let calls = calls();
    let written = calls.iter().flat_map(|call| [answer(call), call.field()]);
    written.chain([described.emit()]).map(String::into_bytes).collect()
}

pub(super) fn worst_igd() -> Vec<Vec<u8>> {
    let nested = [b"<a>".repeat(20_000), b"</a>".repeat(20_000)].concat();
    let entities = b"<!DOCTYPE a [<!ENTITY b \"cccccccc\"><!ENTITY d \"&b;&b;&b;&b;\">]><a>&d;&d;</a>".to_vec();
    let attributes =
        [b"<a ".to_vec(), (0..12_000).flat_map(|n| format!("b{n}='' ").into_bytes()).collect(), b"/>".to_vec()].concat();
    let spaces =
        [b"<a ".to_vec(), (0..8_000).flat_map(|n| format!("xmlns:b{n}='c' ").into_bytes()).collect(), b"/>".to_vec()].concat();
    let deep = [(0..2_000).flat_map(|n| format!("<a xmlns:b{n}='c'>").into_bytes()).collect(), b"</a>".repeat(2_000)].concat();
    let open = b"<service>".repeat(14_000);
    vec![nested, entities, attributes, spaces, deep, open, vec![b'<'; 130_000], vec![b'&'; 131_000]]
}
