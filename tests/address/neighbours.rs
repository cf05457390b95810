//! Another station with the address: before it is used, while it is used, and where somebody else manages it.

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::practice::roles::neighbour::NeighbourRole;
use doorstep::reading::Status;
use doorstep::unit::Depth;

use crate::cable::{Line, SERVER};
use crate::kea;
use crate::outcome::{codes, reading};

const HOLDER: [u8; 6] = [2, 0, 0x5e, 0, 0x70, 2];
const FIRST: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 100);

fn holder(line: &Line, address: Ipv4Addr) -> NeighbourRole {
    NeighbourRole::start(line.server.namespace(), "lan", HOLDER, vec![address]).expect("a station")
}

#[test]
fn kea_is_told_that_another_has_its_address_and_gives_the_next() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let mut server = kea::start(&line, directory.path(), "", "");
    let _holder = holder(&line, FIRST);
    // Twelve seconds of patience: after a DECLINE ten are waited (RFC 2131 section 3.1 step 5).
    let finished = line.check(&Dhcp4, Depth::Handoff);
    let outcome = &finished.outcome;
    assert_eq!((outcome.status, reading(outcome, "dhcp4.conflicts").value), (Status::Done, 1.0), "{:?}", outcome.reason);
    let flaw = outcome.flaws.iter().find(|f| f.code == "dhcp4-address-in-use").expect("told");
    assert!(flaw.what.starts_with("192.0.2.100 was handed out, but 02:00:5e:00:70:02 (locally administered"), "{flaw:?}");
    server.wait_for_line("DHCP4_DECLINE_LEASE");
    let addresses: Vec<IpAddr> = line.configured().0.iter().map(|a| a.address).collect();
    assert_eq!(addresses, [IpAddr::from(Ipv4Addr::new(192, 0, 2, 101))]);
    line.release(finished);
}

#[test]
fn a_station_that_takes_the_address_during_the_visit_is_named_at_its_end() {
    let line = Line::new();
    let _role = DhcpRole::start(line.server.namespace(), "lan", DhcpRoleConfig::for_network(SERVER)).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(reading(&finished.outcome, "dhcp4.conflicts").value, 0.0);
    let address = line.configured().0[0].address.to_string();
    // A second station behind the server's port, whose kernel announces its addresses when its port comes up (arp_notify in
    // Documentation/networking/ip-sysctl.rst).
    let mut command = line.server.namespace().command("ip");
    command.args(["link", "add", "twin", "link", "lan", "address", "02:00:5e:00:70:02", "type", "macvlan", "mode", "bridge"]);
    assert!(command.status().expect("iproute2").success());
    line.server.sysctls(&[("net/ipv4/conf/twin/arp_notify", "1")]).expect("writable");
    for arguments in [vec!["address", "add", &format!("{address}/24"), "dev", "twin"], vec!["link", "set", "twin", "up"]] {
        assert!(line.server.namespace().command("ip").args(arguments).status().expect("iproute2").success());
    }
    std::thread::sleep(Duration::from_millis(1500));
    let (closing, finished) = line.close(finished);
    let flaw = closing.iter().flat_map(|o| &o.flaws).find(|f| f.code == "dhcp4-address-contested").expect("told");
    assert!(flaw.what.contains("02:00:5e:00:70:02") && flaw.what.contains(&address), "{flaw:?}");
    assert_eq!(reading(&closing[0], "dhcp4.conflicts").value, 1.0);
    line.release(finished);
}

#[test]
fn an_address_that_was_there_is_looked_for_at_other_stations_too() {
    for twin in [false, true] {
        let mut line = Line::new();
        line.laptop.address(line.laptop_index, FIRST.into(), 24).expect("address");
        line.laptop.default_route(SERVER.into(), line.laptop_index).expect("route");
        let _holder = twin.then(|| holder(&line, FIRST));
        let outcome = line.check(&Dhcp4, Depth::Quick).outcome;
        assert_eq!((outcome.status, &outcome.facts["mode"]), (Status::Done, &"observed".into()));
        let told = if twin { vec!["dhcp4-address-contested"] } else { vec![] };
        assert_eq!((codes(&outcome), reading(&outcome, "dhcp4.conflicts").value), (told, f64::from(u8::from(twin))));
    }
}
