//! `ipv6` against DHCPv6 servers and routers that others wrote (Kea, dnsmasq, radvd), with what tcpdump and tshark saw beside it.
//!
//! Needs root and the packages kea-dhcp6-server, dnsmasq-base, radvd, tcpdump and tshark; fails loudly without. All traffic
//! stays on a cable between two namespaces that the test makes.

#[path = "common/cable.rs"]
mod cable;
#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;

use std::net::{IpAddr, Ipv6Addr};
use std::path::Path;

use doorstep::check::ipv6::Ipv6Check;
use doorstep::check::{Check, Context, Finished, Learned};
use doorstep::net::facts::{self, Address, DefaultRoute};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, Family, Position};
use nix::sys::signal::Signal;

use cable::Line;
use capture::Capture;
use outcome::{codes, reading, readings};
use server::{Server, wait_for};

/// What the laptop's kernel makes of 2001:db8:77::/64 and its hardware address 02:00:5e:00:01:01 (RFC 4291 appendix A).
const MADE: &str = "2001:db8:77::5eff:fe00:101";

/// A host behind the router, which the router itself is here.
const BEYOND: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0x53, 0, 0, 0, 0, 0x53);

fn at(text: &str) -> Ipv6Addr {
    text.parse().expect("an address")
}

/// A cable whose server end routes, has 2001:db8:77::1 and [`BEYOND`], and whose ends are sure of their link-local addresses.
fn routed() -> Line {
    let mut line = Line::new();
    line.server.sysctls(&[("net/ipv6/conf/all/forwarding", "1")]).expect("sysctl");
    let index = line.server_index;
    line.server.address(index, at("2001:db8:77::1").into(), 64).expect("address");
    line.server.address(index, BEYOND.into(), 128).expect("address");
    for site in [&line.laptop, &line.server] {
        wait_for("link-local addresses", || {
            let out = site.namespace().command("ip").args(["-6", "-o", "address", "show", "scope", "link"]).output();
            let text = String::from_utf8_lossy(&out.expect("iproute2 is installed").stdout).into_owned();
            (text.contains("fe80::") && !text.contains("tentative")).then_some(())
        });
    }
    line
}

/// Whether the laptop's kernel takes advertisements itself.
fn kernel_listens(line: &Line, does: bool) {
    line.laptop.sysctls(&[("net/ipv6/conf/lan0/accept_ra", if does { "1" } else { "0" })]).expect("sysctl");
}

/// radvd with these lines for its port.
fn radvd(line: &Line, folder: &Path, lines: &str) -> Server {
    let path = folder.join("radvd.conf");
    let text = format!("interface lan {{ AdvSendAdvert on; MinRtrAdvInterval 3; MaxRtrAdvInterval 4; {lines} }};\n");
    std::fs::write(&path, text).expect("writable");
    let mut command = line.server.namespace().command("radvd");
    command.args(["-n", "-m", "stderr", "-d", "1", "-C"]).arg(&path).arg("-p").arg(folder.join("radvd.pid"));
    Server::spawn(command)
}

/// Kea with what its subnet has beside a pool of addresses.
fn kea(line: &Line, folder: &Path, subnet: &str) -> Server {
    let path = folder.join("kea.json");
    let text = format!(
        r#"{{ "Dhcp6": {{ "interfaces-config": {{ "interfaces": [ "lan" ] }}, "server-id": {{ "type": "LL", "persist": false }},
        "lease-database": {{ "type": "memfile", "persist": false }}, "preferred-lifetime": 600, "valid-lifetime": 1200,
        "subnet6": [ {{ "subnet": "2001:db8:77::/64", "interface": "lan", {subnet}
            "pools": [ {{ "pool": "2001:db8:77::100-2001:db8:77::1ff" }} ],
            "option-data": [ {{ "name": "dns-servers", "data": "{BEYOND}" }} ] }} ],
        "loggers": [ {{ "name": "kea-dhcp6", "severity": "INFO", "output_options": [ {{ "output": "stdout", "flush": true }} ] }} ] }} }}"#
    );
    std::fs::write(&path, text).expect("writable");
    let mut command = line.server.namespace().command("kea-dhcp6");
    command.env("KEA_PIDFILE_DIR", folder).env("KEA_LOCKFILE_DIR", folder).arg("-c").arg(path);
    Server::start(command, "DHCP6_STARTED")
}

const PREFIXES: &str = r#""pd-pools": [ { "prefix": "2001:db8:d000::", "prefix-len": 40, "delegated-len": 56 } ],"#;
const MANAGED: &str = "AdvManagedFlag on; prefix 2001:db8:77::/64 { AdvOnLink on; AdvAutonomous off; };";

fn examine(line: &Line, position: Position) -> Finished {
    let context = Context { position, ..line.context(Depth::Quick) };
    line.block_on(Ipv6Check::default().run(context))
}

/// IPv6 addresses beyond the link and default routes of the laptop's port.
fn configured(line: &Line) -> (Vec<Address>, Vec<DefaultRoute>) {
    let index = line.laptop_index;
    line.block_on(async move {
        let mut addresses = facts::addresses(index).await.expect("netlink");
        addresses.retain(|a| a.address.is_ipv6() && a.is_global);
        (addresses, facts::default_routes(index, Family::Ipv6).await.expect("netlink"))
    })
}

/// The laptop's IPv6 routes, as `ip` tells them.
fn on_link(line: &Line) -> String {
    let out = line.laptop.namespace().command("ip").args(["-6", "route", "show"]).output().expect("iproute2 is installed");
    String::from_utf8_lossy(&out.stdout).into_owned()
}

fn learned_address(finished: &Finished) -> Option<Ipv6Addr> {
    finished.learned.iter().find_map(|one| if let Learned::Ipv6(address) = one { Some(*address) } else { None })
}

fn is_good(outcome: &Outcome) {
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{outcome:#?}");
    for name in ["ipv6.routers", "ipv6.address_held", "ipv6.leads_out"] {
        assert_eq!(reading(outcome, name).value, 1.0, "{name}: {outcome:#?}");
    }
    assert!(reading(outcome, "ipv6.router_answer_time").value < 1000.0);
}

/// tshark finds all of it readable, and the checksums of ours right; the server's kernel leaves its own to an adapter that is not there.
fn are_good<const N: usize>(rows: &[[String; N]]) {
    for row in rows {
        let is_ours = !matches!(row[0].as_str(), "2" | "7");
        assert!(row[2].is_empty() && (!is_ours || row[1] == "1"), "{row:?}");
    }
}

#[test]
fn kea_lends_an_address_and_delegates_a_prefix_and_gets_both_back() {
    let line = routed();
    kernel_listens(&line, false);
    let folder = tempfile::tempdir().expect("a folder");
    let (_router, _kea) = (radvd(&line, folder.path(), MANAGED), kea(&line, folder.path(), PREFIXES));
    let capture = Capture::start(line.laptop.namespace(), "lan0", "udp port 546 or udp port 547");
    let finished = examine(&line, Position::Ont);
    is_good(&finished.outcome);
    let outcome = &finished.outcome;
    assert_eq!(reading(outcome, "ipv6.prefix_delegated").value, 1.0);
    assert_eq!(reading(outcome, "ipv6.delegated_prefix_length").value, 56.0);
    assert_eq!(reading(outcome, "ipv6.dhcp_servers").value, 1.0);
    assert_eq!((readings(outcome, "ipv6.solicit_time").len(), readings(outcome, "ipv6.reply_time").len()), (1, 1));
    let lease = &outcome.facts["dhcp6"]["lease"];
    assert!(lease["prefixes"][0]["prefix"].as_str().is_some_and(|prefix| prefix.starts_with("2001:db8:d0")), "{lease:#}");
    let lent = learned_address(&finished).expect("an address");
    assert_eq!(lease["addresses"][0]["address"], lent.to_string());
    assert!(finished.learned.iter().any(|one| matches!(one, Learned::Resolvers(all) if *all == [IpAddr::V6(BEYOND)])));
    let (addresses, routes) = configured(&line);
    assert_eq!(addresses.iter().map(|a| (a.address, a.prefix)).collect::<Vec<_>>(), [(IpAddr::V6(lent), 128)]);
    assert!(addresses[0].valid_for.is_some_and(|time| time.as_secs() <= 1200 && time.as_secs() > 1100), "{addresses:?}");
    assert_eq!(routes.len(), 1, "a default route of ours");
    assert!(
        on_link(&line).contains("2001:db8:77::/64 "),
        "the prefix of which no address is made is on the link: {}",
        on_link(&line)
    );

    line.release(finished);
    assert_eq!(configured(&line), (vec![], vec![]), "all is taken away again");
    assert!(!on_link(&line).contains("2001:db8:77::/64 "), "{}", on_link(&line));
    let rows = capture.end(["dhcpv6.msgtype", "udp.checksum.status", "_ws.malformed", "dhcpv6.iaprefix.pref_len"]);
    let kinds: Vec<&str> = rows.iter().map(|row| row[0].as_str()).collect();
    assert_eq!(kinds, ["1", "2", "3", "7", "8", "7"], "SOLICIT, ADVERTISE, REQUEST, REPLY, RELEASE, REPLY");
    are_good(&rows);
    assert_eq!([&rows[2][3], &rows[4][3]], ["56", "56"], "the prefix is asked for by name and given back");
}

#[test]
fn kea_with_rapid_commit_needs_two_messages() {
    let line = routed();
    kernel_listens(&line, false);
    let folder = tempfile::tempdir().expect("a folder");
    let subnet = format!("\"rapid-commit\": true, {PREFIXES}");
    let (_router, _kea) = (radvd(&line, folder.path(), MANAGED), kea(&line, folder.path(), &subnet));
    let finished = examine(&line, Position::Ont);
    is_good(&finished.outcome);
    let fact = &finished.outcome.facts["dhcp6"];
    assert_eq!((&fact["sent"], &fact["lease"]["rapid_commit"]), (&1.into(), &true.into()), "{fact:#}");
    assert_eq!(reading(&finished.outcome, "ipv6.delegated_prefix_length").value, 56.0);
    line.release(finished);
    assert_eq!(configured(&line), (vec![], vec![]));
}

#[test]
fn kea_without_prefixes_is_told_at_the_terminal_with_its_own_word() {
    let line = routed();
    kernel_listens(&line, false);
    let folder = tempfile::tempdir().expect("a folder");
    let (_router, _kea) = (radvd(&line, folder.path(), MANAGED), kea(&line, folder.path(), ""));
    let finished = examine(&line, Position::Ont);
    assert_eq!(codes(&finished.outcome), ["ipv6-no-prefix"], "{:#?}", finished.outcome);
    assert!(finished.outcome.flaws[0].what.contains("NoPrefixAvail"), "{:?}", finished.outcome.flaws);
    assert_eq!(reading(&finished.outcome, "ipv6.prefix_delegated").value, 0.0);
    assert_eq!(reading(&finished.outcome, "ipv6.address_held").value, 1.0, "half a success");
    line.release(finished);
    // Behind a gateway, which need not pass a prefix on, it is none of the line's faults.
    let finished = examine(&line, Position::Gateway);
    assert_eq!((codes(&finished.outcome), readings(&finished.outcome, "ipv6.prefix_delegated").len()), (vec![], 0));
    line.release(finished);
}

/// dnsmasq as router and DHCPv6 server.
fn dnsmasq(line: &Line, folder: &Path, range: &str) -> Server {
    let mut command = line.server.namespace().command("dnsmasq");
    command.args(["--keep-in-foreground", "--conf-file=/dev/null", "--port=0", "--interface=lan", "--except-interface=lo"]);
    command.args([
        "--bind-interfaces",
        "--no-hosts",
        "--no-resolv",
        "--log-dhcp",
        "--log-facility=-",
        "--user=root",
        "--enable-ra",
    ]);
    command.arg(format!("--dhcp-range={range}")).arg(format!("--dhcp-option=option6:dns-server,[{BEYOND}]"));
    command.arg(format!("--pid-file={}", folder.join("pid").display()));
    command.arg(format!("--dhcp-leasefile={}", folder.join("leases").display()));
    Server::start(command, "router advertisement on")
}

#[test]
fn dnsmasq_that_gives_settings_only_is_asked_for_those_and_the_address_is_made() {
    for kernel in [true, false] {
        let line = routed();
        kernel_listens(&line, kernel);
        let folder = tempfile::tempdir().expect("a folder");
        let _dnsmasq = dnsmasq(&line, folder.path(), "2001:db8:77::,ra-stateless,64,1h");
        let capture = Capture::start(line.laptop.namespace(), "lan0", "udp port 546 or udp port 547");
        let finished = examine(&line, Position::Gateway);
        is_good(&finished.outcome);
        assert_eq!(learned_address(&finished), Some(at(MADE)));
        assert!(finished.learned.iter().any(|one| matches!(one, Learned::Resolvers(all) if *all == [IpAddr::V6(BEYOND)])));
        let by = if kernel { "kernel" } else { "slaac" };
        assert_eq!(finished.outcome.facts["addresses"][0]["by"], by, "{:#?}", finished.outcome.facts);
        assert_eq!(readings(&finished.outcome, "ipv6.address_time").len(), usize::from(!kernel));
        line.release(finished);
        assert_eq!(configured(&line).0.len(), usize::from(kernel), "the kernel's own stays");
        let rows = capture.end(["dhcpv6.msgtype", "udp.checksum.status", "_ws.malformed"]);
        let question = rows.iter().position(|row| row[0] == "11").expect("an INFORMATION-REQUEST");
        assert!(rows[question..].iter().any(|row| row[0] == "7"), "and its REPLY: {rows:?}");
        are_good(&rows);
    }
}

#[test]
fn dnsmasq_that_lends_addresses_lends_one_beside_the_one_that_is_made() {
    let line = routed();
    kernel_listens(&line, false);
    let folder = tempfile::tempdir().expect("a folder");
    let _dnsmasq = dnsmasq(&line, folder.path(), "2001:db8:77::100,2001:db8:77::1ff,slaac,64,1h");
    let finished = examine(&line, Position::Gateway);
    is_good(&finished.outcome);
    let (addresses, _) = configured(&line);
    let mut prefixes: Vec<u8> = addresses.iter().map(|a| a.prefix).collect();
    prefixes.sort_unstable();
    assert_eq!(prefixes, [64, 128], "{addresses:?}");
    line.release(finished);
    assert_eq!(configured(&line), (vec![], vec![]));
}

#[test]
fn an_address_that_somebody_has_already_is_found_and_not_used() {
    let mut line = routed();
    kernel_listens(&line, false);
    line.laptop.sysctls(&[("net/ipv6/conf/lan0/accept_dad", "1"), ("net/ipv6/conf/lan0/dad_transmits", "1")]).expect("sysctl");
    let index = line.server_index;
    line.server.address(index, at(MADE).into(), 64).expect("address");
    let folder = tempfile::tempdir().expect("a folder");
    let _router = radvd(&line, folder.path(), "prefix 2001:db8:77::/64 { AdvOnLink on; AdvAutonomous on; };");
    let finished = examine(&line, Position::Gateway);
    let outcome = &finished.outcome;
    assert_eq!(codes(outcome), ["ipv6-address-in-use", "ipv6-no-address"], "{outcome:#?}");
    assert_eq!(reading(outcome, "ipv6.address_held").value, 0.0);
    assert_eq!(learned_address(&finished), None);
    line.release(finished);
    assert_eq!(configured(&line), (vec![], vec![]));
}

#[test]
fn servers_that_are_not_there_are_waited_for_no_longer_than_they_deserve() {
    let line = routed();
    kernel_listens(&line, false);
    let folder = tempfile::tempdir().expect("a folder");
    let router = radvd(&line, folder.path(), MANAGED);
    let began = std::time::Instant::now();
    let finished = examine(&line, Position::Ont);
    assert!(began.elapsed().as_secs() < 10, "{:?}", began.elapsed());
    let outcome = &finished.outcome;
    assert_eq!(codes(outcome), ["ipv6-no-prefix", "ipv6-no-address"], "{outcome:#?}");
    assert_eq!(reading(outcome, "ipv6.dhcp_servers").value, 0.0);
    assert_eq!(outcome.facts["dhcp6"]["ended"], "no server answered the SOLICIT");
    line.release(finished);
    router.end(Signal::SIGTERM);
}
