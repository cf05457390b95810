//! Second servers and relays, named.

use std::net::Ipv4Addr;

use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, Segment};

use crate::cable::{Line, SERVER};
use crate::outcome::{codes, reading};

/// From the block for documentation (RFC 9542 section 2.1.2), so assigned and no station's.
const ASSIGNED: [u8; 6] = [0, 0, 0x5e, 0, 0x53, 9];

fn other(server: Ipv4Addr) -> DhcpRoleConfig {
    DhcpRoleConfig {
        range: Ipv4Addr::new(192, 0, 2, 200)..=Ipv4Addr::new(192, 0, 2, 210),
        resolvers: vec![server],
        mac: Some(ASSIGNED),
        delay: std::time::Duration::from_millis(50),
        ..DhcpRoleConfig::for_network(server)
    }
}

fn with_second(config: DhcpRoleConfig) -> Outcome {
    let line = Line::new();
    let own = DhcpRoleConfig { resolvers: vec![SERVER], ..DhcpRoleConfig::for_network(SERVER) };
    let _first = DhcpRole::start(line.server.namespace(), "lan", own).expect("a server");
    let _second = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = finished.outcome.clone();
    line.release(finished);
    outcome
}

#[test]
fn a_second_server_is_named_with_its_station_and_what_its_address_tells_of_the_maker() {
    let outcome = with_second(other(Ipv4Addr::new(192, 0, 2, 2)));
    assert_eq!((outcome.status, reading(&outcome, "dhcp4.servers").value), (Status::Done, 2.0));
    let flaw = outcome.flaws.iter().find(|f| f.code == "dhcp4-second-server").expect("told");
    assert!(flaw.what.contains("192.0.2.1 (02:00:5e:00:01:02, locally administered"), "{flaw:?}");
    // The name stands there where the machine has the list of assignments.
    assert!(flaw.what.contains("192.0.2.2 (00:00:5e:00:53:09, ") && flaw.what.contains("block 00-00-5e"), "{flaw:?}");
    assert_eq!(flaw.segment, Some(Segment::Home));
    let servers = outcome.facts["servers"].as_array().expect("a list");
    assert_eq!((servers.len(), &servers[1]["from_mac"]), (2, &"00:00:5e:00:53:09".into()));
    assert_eq!(servers[1]["answered_by"], "the server itself, on this segment");
}

#[test]
fn two_gateways_with_one_factory_setting_are_two_servers() {
    let outcome = with_second(other(SERVER));
    assert_eq!(reading(&outcome, "dhcp4.servers").value, 2.0);
    assert!(codes(&outcome).contains(&"dhcp4-server-id-shared"), "{:?}", outcome.flaws);
}

#[test]
fn a_server_behind_a_relay_is_told_from_one_on_the_segment() {
    // dnsmasq as a relay on the near side, Kea's place behind it played by the practice server.
    let line = Line::new();
    let relay = Ipv4Addr::new(192, 0, 2, 1);
    let server = Ipv4Addr::new(198, 51, 100, 2);
    let ip = |arguments: &[&str]| {
        assert!(line.server.namespace().command("ip").args(arguments).status().expect("iproute2").success(), "{arguments:?}");
    };
    ip(&["link", "set", "lo", "up"]);
    let behind = doorstep::net::netns::Namespace::new("behind").expect("root");
    let mut there = doorstep::net::build::Site::open(&behind).expect("netlink");
    let mut here = doorstep::net::build::Site::open(line.server.namespace()).expect("netlink");
    let near = doorstep::net::build::End { site: line.server.namespace(), name: "up0", mac: [2, 0, 0x5e, 0, 2, 1] };
    here.cable(&near, &doorstep::net::build::End { site: &behind, name: "net0", mac: [2, 0, 0x5e, 0, 2, 2] }).expect("veth");
    let (up, net) = (here.index("up0").expect("made"), there.index("net0").expect("made"));
    here.raise("up0", up).expect("up");
    there.raise("net0", net).expect("up");
    here.address(up, Ipv4Addr::new(198, 51, 100, 1).into(), 24).expect("address");
    there.address(net, server.into(), 24).expect("address");
    there.route(Ipv4Addr::new(192, 0, 2, 0).into(), 24, Ipv4Addr::new(198, 51, 100, 1).into(), net).expect("route");
    let directory = tempfile::tempdir().expect("a directory");
    let config = directory.path().join("kea.json");
    let text = r#"{ "Dhcp4": {
        "interfaces-config": { "interfaces": [ "net0" ], "dhcp-socket-type": "udp" },
        "lease-database": { "type": "memfile", "persist": false }, "valid-lifetime": 600,
        "subnet4": [ { "subnet": "192.0.2.0/24", "pools": [ { "pool": "192.0.2.100-192.0.2.120" } ],
            "option-data": [ { "name": "routers", "data": "192.0.2.1" }, { "name": "domain-name-servers", "data": "203.0.113.53" } ] } ],
        "loggers": [ { "name": "kea-dhcp4", "severity": "INFO", "output_options": [ { "output": "stdout", "flush": true } ] } ] } }"#;
    std::fs::write(&config, text).expect("writable");
    let mut command = behind.command("kea-dhcp4");
    command.env("KEA_PIDFILE_DIR", directory.path()).env("KEA_LOCKFILE_DIR", directory.path()).arg("-c").arg(&config);
    let _kea = crate::server::Server::start(command, "DHCP4_STARTED");
    let mut command = line.server.namespace().command("dnsmasq");
    command.args(["--keep-in-foreground", "--conf-file=/dev/null", "--port=0", "--no-hosts", "--no-resolv", "--log-facility=-"]);
    command
        .args(["--user=root", "--dhcp-relay=192.0.2.1,198.51.100.2"])
        .arg(format!("--pid-file={}", directory.path().join("pid").display()));
    let _relay = crate::server::Server::start(command, "DHCP relay from");
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = &finished.outcome;
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);
    let told = &outcome.facts["servers"][0];
    assert_eq!((&told["server"], &told["from"]), (&server.to_string().into(), &relay.to_string().into()), "{told:#}");
    assert_eq!(told["answered_by"], "relay 192.0.2.1", "{told:#}");
    line.release(finished);
}
