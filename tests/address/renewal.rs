//! A renewal before its time, at the depth that has time for it.

use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::Status;
use doorstep::unit::{Depth, StampSource};

use crate::cable::{Line, SERVER};
use crate::capture::Capture;
use crate::kea;
use crate::outcome::{codes, reading, readings};

#[test]
fn kea_answers_a_renewal_that_goes_straight_to_it_as_tshark_sees() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let _server = kea::start(&line, directory.path(), r#""renew-timer": 150, "rebind-timer": 400,"#, "");
    let capture = Capture::start(line.laptop.namespace(), "lan0", "udp port 67 or arp");
    let finished = line.check(&Dhcp4, Depth::Soak);
    let outcome = &finished.outcome;
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);
    let time = reading(outcome, "dhcp4.renewal_time");
    assert!(time.value > 0.0 && time.value < 4000.0 && time.stamped_by == Some(StampSource::Kernel), "{time:?}");
    assert_eq!(outcome.facts["renewal"], "answered");
    for (name, value) in [("dhcp4.lease_time", 600.0), ("dhcp4.renew_after", 150.0), ("dhcp4.rebind_after", 400.0)] {
        assert_eq!(reading(outcome, name).value, value, "{name}");
    }
    line.release(finished);
    let rows = capture.end([
        "frame.time_epoch",
        "dhcp.option.dhcp",
        "ip.src",
        "ip.dst",
        "dhcp.ip.client",
        "dhcp.option.type",
        "arp.src.proto_ipv4",
        "arp.isannouncement",
        "arp.isprobe",
    ]);
    let requests: Vec<_> = rows.iter().filter(|row| row[1] == "3").collect();
    let [_, renewal] = &requests[..] else { panic!("{rows:#?}") };
    // RFC 2131 section 4.3.2, RENEWING: unicast, `ciaddr` filled, neither option 50 nor 54.
    let numbers: Vec<&str> = renewal[5].split(',').collect();
    assert_eq!((renewal[2].as_str(), renewal[3].as_str()), (renewal[4].as_str(), "192.0.2.1"), "{renewal:?}");
    assert!(!numbers.contains(&"50") && !numbers.contains(&"54"), "{renewal:?}");
    // RFC 5227 section 1.1: three probes, one to two seconds apart; then, two seconds later, an announcement.
    let at = |row: &[String; 9]| row[0].parse::<f64>().expect("a time");
    let probes: Vec<f64> = rows.iter().filter(|row| ["1", "True"].contains(&row[8].as_str())).map(at).collect();
    assert_eq!(probes.len(), 3, "{rows:#?}");
    assert!(probes.windows(2).all(|pair| (0.99..2.2).contains(&(pair[1] - pair[0]))), "{probes:?}");
    let announced = rows.iter().find(|row| ["1", "True"].contains(&row[7].as_str())).map(at).expect("an announcement");
    assert!((1.99..2.3).contains(&(announced - probes[2])), "{probes:?} {announced}");
}

#[test]
fn a_server_that_does_not_answer_renewals_is_told_and_the_lease_kept() {
    let line = Line::new();
    let config = DhcpRoleConfig { is_deaf_to_renewals: true, ..DhcpRoleConfig::for_network(SERVER) };
    let role = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Handoff);
    let outcome = &finished.outcome;
    assert_eq!(outcome.status, Status::Done, "{:?}", outcome.reason);
    assert!(readings(outcome, "dhcp4.renewal_time").is_empty());
    let flaw = outcome.flaws.iter().find(|f| f.code == "dhcp4-renewal-unanswered").expect("told");
    assert!(flaw.what.starts_with("2 REQUESTs to renew, straight to the server, were not answered within 4 s"), "{flaw:?}");
    assert_eq!(role.counts().requests, 3);
    assert_eq!(line.configured().0.len(), 1);
    line.release(finished);
}

#[test]
fn a_server_that_withdraws_the_lease_is_quoted_and_the_address_taken_off() {
    let line = Line::new();
    let config = DhcpRoleConfig { refuses_renewals: Some("moved to another pool".into()), ..DhcpRoleConfig::for_network(SERVER) };
    let _role = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Handoff);
    let outcome = &finished.outcome;
    assert_eq!(outcome.status, Status::Failed);
    assert_eq!(outcome.reason.as_deref(), Some("the DHCP server (192.0.2.1) withdrew the lease (NAK) when it was to be renewed"));
    let flaw = outcome.flaws.iter().find(|f| f.code == "dhcp4-lease-withdrawn").expect("told");
    assert!(flaw.what.contains("saying \"moved to another pool\""), "{flaw:?}");
    assert!(finished.holdings.is_empty() && finished.learned.is_empty());
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn a_quick_visit_tries_none() {
    let line = Line::new();
    let role = DhcpRole::start(line.server.namespace(), "lan", DhcpRoleConfig::for_network(SERVER)).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!((role.counts().requests, finished.outcome.facts.get("renewal")), (1, None));
    line.release(finished);
}
