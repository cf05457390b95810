use proptest::prelude::*;

use super::action::{Action, Answer, Call, gained};
use super::*;

const GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

/// Shape and names from the standard's template (InternetGatewayDevice:1 section 3); maker and model are invented.
const DESCRIPTION: &str = r#"<?xml version="1.0"?>
<root xmlns="urn:schemas-upnp-org:device-1-0">
<specVersion><major>1</major><minor>0</minor></specVersion>
<device><deviceType>urn:schemas-upnp-org:device:InternetGatewayDevice:1</deviceType>
<friendlyName>The Example family's box</friendlyName><manufacturer>Example &amp; Sons</manufacturer>
<modelName>Box 1</modelName><serialNumber>12345678</serialNumber>
<serviceList><service><serviceType>urn:schemas-upnp-org:service:Layer3Forwarding:1</serviceType>
<controlURL>/ctl/L3F</controlURL></service></serviceList>
<deviceList><device><deviceType>urn:schemas-upnp-org:device:WANDevice:1</deviceType>
<serviceList><service><serviceType>urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1</serviceType>
<serviceId>urn:upnp-org:serviceId:WANCommonIFC1</serviceId><controlURL>/ctl/CmnIfCfg</controlURL></service></serviceList>
<deviceList><device><deviceType>urn:schemas-upnp-org:device:WANConnectionDevice:1</deviceType>
<serviceList><service><serviceType>urn:schemas-upnp-org:service:WANIPConnection:2</serviceType>
<controlURL>ctl/IPConn</controlURL></service></serviceList></device></deviceList></device></deviceList>
</device></root>"#;

#[test]
fn the_services_of_inner_devices_are_found_and_names_of_people_are_not_kept() {
    let read = Description::parse(DESCRIPTION).expect("valid");
    assert_eq!((read.maker.as_str(), read.model.as_str(), read.base.as_deref()), ("Example & Sons", "Box 1", None));
    let kinds: Vec<String> = read.services.iter().map(|service| service.of.to_string()).collect();
    assert_eq!(
        kinds,
        ["urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1", "urn:schemas-upnp-org:service:WANIPConnection:2"]
    );
    assert_eq!(read.service(Kind::IpConnection).expect("there").control, "ctl/IPConn");
    let shown = format!("{read:?}");
    assert!(!shown.contains("family") && !shown.contains("12345678"), "{shown}");
}

#[test]
fn entities_declarations_and_oversize_are_refused() {
    let declared = "<!DOCTYPE a [<!ENTITY x \"yy\">]><root><device><deviceType>&x;</deviceType></device></root>";
    assert!(matches!(Description::parse(declared), Err(Error::NotXml(_))), "{:?}", Description::parse(declared));
    let long = format!("<root>{}</root>", " ".repeat(MOST_OCTETS));
    assert_eq!(Description::parse(&long), Err(Error::TooLong(MOST_OCTETS + 13)));
    let many = format!("<root>{}</root>", "<a/>".repeat(MOST_NODES as usize));
    assert!(matches!(Description::parse(&many), Err(Error::NotXml(_))));
    let wide = format!("<root {}/>", (0..400).map(|n| format!("a{n}='' ")).collect::<String>());
    assert!(Description::parse(&wide).is_err_and(|error| error.to_string().contains("a tag of more")), "{} octets", wide.len());
    let named = format!("<root>{}</root>", "<a xmlns:b='c'/>".repeat(MOST_NAMESPACES + 1));
    assert!(Description::parse(&named).is_err_and(|error| error.to_string().contains("namespaces")));
    assert_eq!(Description::parse("<root/>"), Err(Error::Missing("device")));
}

#[test]
fn every_truncation_of_a_description_is_refused() {
    for end in (0..DESCRIPTION.len()).filter(|end| DESCRIPTION.is_char_boundary(*end)) {
        assert!(Description::parse(&DESCRIPTION[..end]).is_err(), "{end}");
    }
}

#[test]
fn a_url_that_leaves_the_gateway_is_not_followed() {
    let at = |url| Endpoint::on(GATEWAY, url);
    let here = at("http://192.0.2.1:5555/rootDesc.xml").expect("its own");
    assert_eq!((here.address(), here.port(), here.path()), (GATEWAY, 5555, "/rootDesc.xml".to_owned()));
    assert_eq!(at("http://192.0.2.1").expect("its own").port(), 80);
    for url in
        ["http://192.0.2.2/d.xml", "http://gateway.example.net/", "http://192.0.2.1@198.51.100.7/", "http://[2001:db8::1]/"]
    {
        assert!(matches!(at(url), Err(NotFollowed::Elsewhere(_) | NotFollowed::NotHttp(_))), "{url}");
    }
    for url in ["https://192.0.2.1/", "ftp://192.0.2.1/", "d.xml", "", "http://192.0.2.1:0/", "http://x@192.0.2.1/"] {
        assert!(matches!(at(url), Err(NotFollowed::NotHttp(_))), "{url}");
    }
    for reference in ["http://192.0.2.9/ctl", "//192.0.2.9/ctl", "\\\\192.0.2.9\\ctl"] {
        assert!(here.join(reference).is_err(), "{reference}");
    }
    assert_eq!(here.join("/ctl/IPConn?a=1").expect("its own").path(), "/ctl/IPConn?a=1");
    let deep = at("http://192.0.2.1/a/b.xml").expect("its own");
    assert_eq!(deep.join("ctl").expect("its own").path(), "/a/ctl");
    // Nothing in a reference can end the request line.
    let odd = deep.join("/x y\r\nGET /z").map(|endpoint| endpoint.path());
    assert!(odd.as_ref().is_ok_and(|path| !path.contains([' ', '\r', '\n'])), "{odd:?}");
}

#[test]
fn no_action_can_be_written_that_is_not_on_the_list_of_reading_ones() {
    const READING: [&str; 7] = [
        "GetCommonLinkProperties",
        "GetTotalBytesSent",
        "GetTotalBytesReceived",
        "GetStatusInfo",
        "GetExternalIPAddress",
        "GetConnectionTypeInfo",
        "GetLinkLayerMaxBitRates",
    ];
    assert_eq!(Action::ALL.map(Action::name), READING);
    let mut written = 0;
    for kind in Kind::ALL {
        for (action, version) in Action::ALL.into_iter().flat_map(|action| [1, 2, u8::MAX].map(|version| (action, version))) {
            let Some(call) = Call::new(ServiceType { kind, version }, action) else { continue };
            written += 1;
            let body = call.body();
            let document = Document::parse(&body).expect("well formed");
            let elements: Vec<&str> =
                document.descendants().filter(Node::is_element).map(|node| node.tag_name().name()).collect();
            // The envelope, its body, the action, and no argument.
            assert_eq!(elements, ["Envelope", "Body", action.name()]);
            assert!(READING.contains(&elements[2]) && elements[2].starts_with("Get"));
            assert_eq!(call.field(), format!("\"{}#{}\"", ServiceType { kind, version }, elements[2]));
        }
    }
    assert_eq!(written, 3 * (3 + 3 + 4));
    for changing in ["AddPortMapping", "DeletePortMapping", "SetConnectionType", "ForceTermination", "RequestConnection"] {
        assert_eq!(Call::parse_field(&format!("\"urn:schemas-upnp-org:service:WANIPConnection:1#{changing}\"")), None);
    }
}

fn call(kind: Kind, action: Action) -> Call {
    Call::new(ServiceType { kind, version: 1 }, action).expect("it has it")
}

#[test]
fn an_answer_and_a_refusal_are_read() {
    // The form of the standard's examples (UDA 1.1 sections 3.2.1 and 3.2.2).
    let text = "<?xml version=\"1.0\"?>\n<s:Envelope xmlns:s=\"http://schemas.xmlsoap.org/soap/envelope/\"><s:Body>\
        <u:GetStatusInfoResponse xmlns:u=\"urn:schemas-upnp-org:service:WANIPConnection:1\">\
        <NewConnectionStatus>Connected</NewConnectionStatus><NewLastConnectionError>ERROR_NONE</NewLastConnectionError>\
        <NewUptime>86400</NewUptime></u:GetStatusInfoResponse></s:Body></s:Envelope>";
    let status = call(Kind::IpConnection, Action::Status);
    let read = status.parse_answer(text);
    assert_eq!(read, Ok(Answer::Status { state: "Connected".to_owned(), last_error: "ERROR_NONE".to_owned(), uptime_s: 86_400 }));
    assert_eq!(
        status.parse_answer(&text.replace("86400", "-1")),
        Err(Error::NotANumber { argument: "NewUptime", text: "-1".to_owned() })
    );
    assert_eq!(
        call(Kind::IpConnection, Action::ExternalAddress).parse_answer(text),
        Err(Error::Missing("answer to what was asked"))
    );
    let refused = "<s:Envelope xmlns:s=\"x\"><s:Body><s:Fault><faultcode>s:Client</faultcode><faultstring>UPnPError</faultstring>\
        <detail><UPnPError xmlns=\"urn:schemas-upnp-org:control-1-0\"><errorCode>401</errorCode>\
        <errorDescription>Invalid Action</errorDescription></UPnPError></detail></s:Fault></s:Body></s:Envelope>";
    assert_eq!(status.parse_answer(refused), Err(Error::Refused { code: 401, what: "Invalid Action".to_owned() }));
}

#[test]
fn counters_wrap_at_32_bits_and_longer_ones_do_not() {
    assert_eq!(gained(10, 25), Some(15));
    assert_eq!(gained(u64::from(u32::MAX), 0), Some(1), "4294967295 is followed by 0");
    assert_eq!(gained(4_000_000_000, 100), Some(294_967_396));
    assert_eq!(gained(5_000_000_000, 6_000_000_000), Some(1_000_000_000), "a gateway that counts further than the standard");
    assert_eq!(gained(5_000_000_000, 100), None);
}

fn words() -> impl Strategy<Value = String> {
    "[!-~]([ -~]{0,30}[!-~])?"
}

fn answer() -> impl Strategy<Value = (Call, Answer)> {
    let at = |kind, action| move |answer| (call(kind, action), answer);
    let common = Kind::CommonInterface;
    prop_oneof![
        (words(), any::<u64>(), any::<u64>(), words())
            .prop_map(|(access, up_bit_s, down_bit_s, state)| Answer::Link { access, up_bit_s, down_bit_s, state })
            .prop_map(at(common, Action::CommonLinkProperties)),
        any::<u64>().prop_map(Answer::Octets).prop_map(at(common, Action::OctetsSent)),
        any::<u64>().prop_map(Answer::Octets).prop_map(at(common, Action::OctetsReceived)),
        (words(), words(), any::<u64>())
            .prop_map(|(state, last_error, uptime_s)| Answer::Status { state, last_error, uptime_s })
            .prop_map(at(Kind::PppConnection, Action::Status)),
        any::<[u8; 4]>()
            .prop_map(|octets| Answer::Address(Some(octets.into()).filter(|a: &Ipv4Addr| !a.is_unspecified())))
            .prop_map(at(Kind::IpConnection, Action::ExternalAddress)),
        words().prop_map(Answer::Connection).prop_map(at(Kind::IpConnection, Action::ConnectionType)),
        any::<(u64, u64)>()
            .prop_map(|(up_bit_s, down_bit_s)| Answer::Rates { up_bit_s, down_bit_s })
            .prop_map(at(Kind::PppConnection, Action::LinkRates)),
    ]
}

proptest! {
    #[test]
    fn an_answer_written_is_read_back((call, answer) in answer()) {
        prop_assert_eq!(call.parse_answer(&call.emit_answer(&answer).expect("its own")), Ok(answer));
        prop_assert_eq!(Call::parse_field(&call.field()), Some(call));
    }

    #[test]
    fn a_description_written_is_read_back(
        device in words(), maker in words(), model in words(), base in prop::option::of(words()),
        services in prop::collection::vec((0..3_usize, 1..=u8::MAX, words()), 0..5),
    ) {
        let service = |(kind, version, control)| Service { of: ServiceType { kind: Kind::ALL[kind], version }, control };
        let services = services.into_iter().map(service).collect();
        let described = Description { device, maker, model, base, services };
        prop_assert_eq!(Description::parse(&described.emit()), Ok(described));
    }

    #[test]
    fn any_text_is_read_or_refused(text in ".{0,300}", (call, _) in answer()) {
        let _ = (Description::parse(&text), call.parse_answer(&text), Endpoint::on(GATEWAY, &text), Call::parse_field(&text));
    }

    #[test]
    fn whatever_a_reference_says_it_stays_on_the_gateway(reference in ".{0,60}") {
        let here = Endpoint::on(GATEWAY, "http://192.0.2.1:49000/igd/desc.xml").expect("its own");
        if let Ok(there) = here.join(&reference) {
            prop_assert_eq!(there.address(), GATEWAY);
            prop_assert!(there.path().starts_with('/') && there.path().bytes().all(|octet| octet.is_ascii_graphic()));
        }
    }
}
