//! Against servers that others wrote, with what tcpdump and tshark saw beside it.

use std::net::Ipv4Addr;
use std::path::Path;
use std::process::Command;

use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, StampSource};

use crate::capture::{self, Seen};
use crate::common_capture::Capture;
use crate::support::{Line, SERVER, Server, codes, known, option, reading};

const DISCOVER: u8 = 1;
const OFFER: u8 = 2;
const REQUEST: u8 = 3;
const ACK: u8 = 5;
const RELEASE: u8 = 7;

/// dnsmasq as a DHCP server only; `no_ping` answers at once, else it probes the address for three seconds first.
fn dnsmasq(line: &Line, directory: &Path, address: Ipv4Addr, no_ping: bool) -> Server {
    let mut command = line.server.namespace().command("dnsmasq");
    command.args(["--keep-in-foreground", "--conf-file=/dev/null", "--port=0", "--interface=lan", "--except-interface=lo"]);
    command.args(["--bind-interfaces", "--dhcp-authoritative", "--no-hosts", "--no-resolv", "--log-dhcp", "--log-facility=-"]);
    command.args([
        "--user=root",
        "--dhcp-option=option:dns-server,203.0.113.53",
        "--dhcp-option=option:ntp-server,203.0.113.123",
    ]);
    command.args(["--domain=example.net", "--dhcp-range=192.0.2.100,192.0.2.120,255.255.255.0,1h"]);
    command.arg(format!("--listen-address={address}"));
    command.arg(format!("--pid-file={}", directory.join("pid").display()));
    command.arg(format!("--dhcp-leasefile={}", directory.join("leases").display()));
    if no_ping {
        command.arg("--no-ping");
    }
    Server::start(command, "DHCP, IP range")
}

/// Kea, raw sockets, two minutes' leases, times of its own.
fn kea(line: &Line, directory: &Path) -> Server {
    let config = directory.join("kea.json");
    let text = r#"{ "Dhcp4": {
        "interfaces-config": { "interfaces": [ "lan" ], "dhcp-socket-type": "raw" },
        "lease-database": { "type": "memfile", "persist": false },
        "valid-lifetime": 120, "renew-timer": 30, "rebind-timer": 90,
        "subnet4": [ { "subnet": "192.0.2.0/24", "pools": [ { "pool": "192.0.2.100-192.0.2.120" } ],
            "option-data": [
                { "name": "routers", "data": "192.0.2.1" },
                { "name": "domain-name-servers", "data": "203.0.113.53, 203.0.113.54" },
                { "name": "domain-search", "data": "eng.example.net, example.net" } ] } ],
        "loggers": [ { "name": "kea-dhcp4", "severity": "INFO", "output_options": [ { "output": "stdout", "flush": true } ] } ] } }"#;
    std::fs::write(&config, text).expect("writable");
    let mut command: Command = line.server.namespace().command("kea-dhcp4");
    command.env("KEA_PIDFILE_DIR", directory).env("KEA_LOCKFILE_DIR", directory).arg("-c").arg(config);
    Server::start(command, "DHCP4_STARTED")
}

/// The whole exchange as an independent reader sees it on the wire.
fn the_wire_is_right(seen: &[Seen], address: Ipv4Addr) {
    let kinds: Vec<u8> = seen.iter().map(|s| s.kind).collect();
    assert_eq!(kinds, [DISCOVER, OFFER, REQUEST, ACK, RELEASE]);
    for ours in seen.iter().filter(|s| [DISCOVER, REQUEST, RELEASE].contains(&s.kind)) {
        assert!(ours.checksums_are_right, "{ours:?}");
        assert_eq!(ours.complaints, "", "{ours:?}");
    }
    let [discover, offer, request, ack, release] = seen else { unreachable!() };
    // RFC 2131 table 5 by another's eyes.
    assert!(discover.source.is_unspecified() && !discover.options.contains(&50) && !discover.options.contains(&54));
    assert!(request.source.is_unspecified() && request.options.contains(&50) && request.options.contains(&54));
    assert!(request.transaction == offer.transaction && ack.transaction == request.transaction);
    assert_eq!((offer.yours, ack.yours), (address, address));
    assert_eq!((release.client, release.source), (address, address));
    assert!(release.options.contains(&54) && !release.options.contains(&50));
}

/// Our times against those of a capture on the same port.
///
/// Frames that come in bear one stamp for both readers. Of frames that go out, tcpdump gets its copy before the driver
/// stamps ours, within one system call of one thread: so its span is longer, by microseconds, or by what that thread was
/// held up for. A tenth of a second is more than a busy machine holds a thread up and less than any wrong pairing of
/// messages (retransmissions are seconds apart).
fn the_times_are_right(outcome: &Outcome, seen: &[Seen]) {
    for (name, sent, came) in [("dhcp4.offer_time", 0, 1), ("dhcp4.ack_time", 2, 3)] {
        let ours = reading(outcome, name);
        assert_eq!(ours.stamped_by, Some(StampSource::Kernel));
        let theirs = (seen[came].at - seen[sent].at) * 1e3;
        // Nanoseconds since the epoch don't fit a double: half a microsecond of rounding.
        assert!(theirs - ours.value > -0.001 && theirs - ours.value < 100.0, "{name}: {} against {theirs}", ours.value);
    }
}

fn leased(line: &Line, capture: Capture, server: &mut Server, acknowledged: &str, released: &str) -> (Outcome, Ipv4Addr) {
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = finished.outcome.clone();
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);
    let (address, prefix) = known(finished.learned.clone()).ipv4.expect("learned");
    assert!((100..=120).contains(&address.octets()[3]) && prefix == 24, "{address}");
    server.wait_for_line(acknowledged);
    line.release(finished);
    server.wait_for_line(released);
    let seen = capture::end(capture);
    the_wire_is_right(&seen, address);
    the_times_are_right(&outcome, &seen);
    (outcome, address)
}

#[test]
fn dnsmasq_leases_and_takes_back_and_an_independent_reader_finds_nothing_wrong() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let mut server = dnsmasq(&line, directory.path(), SERVER, true);
    let capture = capture::start(line.laptop.namespace(), "lan0");
    let (outcome, address) = leased(&line, capture, &mut server, "DHCPACK(lan)", "DHCPRELEASE(lan)");
    assert_eq!(option(&outcome, 0, 6).as_deref(), Some("203.0.113.53"));
    assert_eq!(option(&outcome, 0, 42).as_deref(), Some("203.0.113.123"));
    assert_eq!(option(&outcome, 0, 15).as_deref(), Some("example.net"));
    assert_eq!(option(&outcome, 0, 3).as_deref(), Some("192.0.2.1"), "its own address, unasked");
    assert_eq!(reading(&outcome, "dhcp4.lease_time").value, 3600.0);
    let leases = std::fs::read_to_string(directory.path().join("leases")).expect("its file");
    assert!(!leases.contains(&address.to_string()), "still leased: {leases}");
}

#[test]
fn kea_leases_and_takes_back_and_an_independent_reader_finds_nothing_wrong() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    let mut server = kea(&line, directory.path());
    let capture = capture::start(line.laptop.namespace(), "lan0");
    let (outcome, _) = leased(&line, capture, &mut server, "DHCP4_LEASE_ALLOC", "DHCP4_RELEASE ");
    assert_eq!(option(&outcome, 0, 6).as_deref(), Some("203.0.113.53, 203.0.113.54"));
    assert_eq!(option(&outcome, 0, 119).as_deref(), Some("eng.example.net, example.net"));
    assert_eq!((option(&outcome, 0, 58).as_deref(), option(&outcome, 0, 59).as_deref()), (Some("30 s"), Some("90 s")));
    assert_eq!(outcome.facts["lease"]["renewed_before_end_s"], 90);
}

#[test]
fn an_inform_is_answered_by_dnsmasq_without_a_lease() {
    let mut line = Line::new();
    let own = Ipv4Addr::new(192, 0, 2, 77);
    line.laptop.address(line.laptop_index, own.into(), 24).expect("address");
    line.laptop.default_route(SERVER.into(), line.laptop_index).expect("route");
    let directory = tempfile::tempdir().expect("a directory");
    let mut server = dnsmasq(&line, directory.path(), SERVER, true);
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!((finished.outcome.status, codes(&finished.outcome)), (Status::Done, vec![]));
    assert_eq!(option(&finished.outcome, 0, 6).as_deref(), Some("203.0.113.53"));
    assert_eq!(known(finished.learned).resolvers, ["203.0.113.53".parse::<std::net::IpAddr>().expect("address")]);
    server.wait_for_line("DHCPINFORM(lan) 192.0.2.77");
    let leases = std::fs::read_to_string(directory.path().join("leases")).unwrap_or_default();
    assert_eq!(leases, "", "no lease was made");
}

#[test]
fn a_second_server_that_thinks_for_three_seconds_is_told_at_the_end_of_the_visit() {
    let mut line = Line::new();
    let slow = Ipv4Addr::new(192, 0, 2, 2);
    line.server.address(line.server_index, slow.into(), 24).expect("address");
    let directory = tempfile::tempdir().expect("a directory");
    // It probes an address before it offers it, and names the port's first address; so the fast one takes another.
    let _slow = dnsmasq(&line, directory.path(), SERVER, false);
    let mut command = line.laptop.namespace().command("tcpdump");
    command.args(["-l", "-n", "-i", "lan0", "--immediate-mode", "-Z", "root", "udp", "port", "68"]);
    let mut tcpdump = Server::start(command, "listening on");
    let fast = Ipv4Addr::new(192, 0, 2, 3);
    let config = DhcpRoleConfig { resolvers: vec![Ipv4Addr::new(203, 0, 113, 53)], ..DhcpRoleConfig::for_network(fast) };
    let _role = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!((finished.outcome.status, reading(&finished.outcome, "dhcp4.servers").value), (Status::Done, 1.0));
    assert_eq!(codes(&finished.outcome), Vec::<&str>::new());
    // Its OFFER is on the port when another reader of the port has shown it.
    tcpdump.wait_for_line("192.0.2.1.67 > ");
    let (closing, finished) = line.close(finished);
    line.release(finished);
    let told: Vec<_> = closing.into_iter().flat_map(|o| o.flaws).collect();
    assert!(told.iter().any(|f| f.code == "dhcp4-second-server-late" && f.what.contains("192.0.2.1")), "{told:?}");
}
