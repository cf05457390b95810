//! The closer look at a real resolver (unbound): validation, way out, cache, sizes, and encrypted lookups.

use doorstep::practice::topology::{FAR_END_V4, RESOLVERS_V4};
use doorstep::practice::{Node, PracticeLine};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;

use crate::outcome::codes;
use crate::server::Server;
use crate::support::{examine_at, line, of};

/// Starts unbound at the first resolver's address; `extra` are lines of its `server:` clause (unbound.conf(5)).
fn start(line: &PracticeLine, folder: &tempfile::TempDir, modules: &str, extra: &str) -> Server {
    let zone = line.far_end_target().zone.expect("the far end has a zone");
    let config = format!(
        "server:\n  interface: {address}\n  access-control: 0.0.0.0/0 allow\n  do-daemonize: no\n  do-ip6: no\n  chroot: \"\"\n  \
         username: \"\"\n  directory: \"{directory}\"\n  pidfile: \"\"\n  use-syslog: no\n  logfile: \"\"\n  verbosity: 1\n  \
         module-config: \"{modules}\"\n  do-not-query-localhost: no\n{extra}stub-zone:\n  name: \"{zone}\"\n  \
         stub-addr: {FAR_END_V4}\nremote-control:\n  control-enable: no\n",
        address = RESOLVERS_V4[0],
        directory = folder.path().display(),
    );
    let path = folder.path().join("unbound.conf");
    std::fs::write(&path, config).expect("a file");
    let mut command = line.namespace(Node::Resolvers).command("unbound");
    command.arg("-d").arg("-c").arg(path);
    Server::start(command, "start of service")
}

fn ds(line: &PracticeLine) -> &str {
    line.far_end_zone_ds().expect("the far end has a zone")
}

fn has(outcome: &Outcome, name: &str) -> bool {
    outcome.readings.iter().any(|reading| reading.name == name)
}

/// What is told of an answer of so many octets, asked with so many offered.
fn came(outcome: &Outcome, octets: u64, offered: u64) -> &str {
    let sizes = outcome.facts["resolver_1"]["closer"]["sizes"].as_array().expect("sizes");
    let one = sizes.iter().find(|one| one["octets"] == octets && one["offered"] == offered);
    one.and_then(|one| one["came"].as_str()).unwrap_or_else(|| panic!("{octets} with {offered} in {sizes:?}"))
}

/// Lines that have it serve TLS at port 853 and HTTPS at this one, with a certificate of its own.
fn encrypted(folder: &tempfile::TempDir, https: u16) -> String {
    let made = rcgen::generate_simple_self_signed(["resolver.example.net".to_owned()]).expect("a certificate");
    let (key, certificate) = (folder.path().join("key.pem"), folder.path().join("certificate.pem"));
    std::fs::write(&key, made.signing_key.serialize_pem()).expect("a file");
    std::fs::write(&certificate, made.cert.pem()).expect("a file");
    let address = RESOLVERS_V4[0];
    format!(
        "  interface: {address}@853\n  interface: {address}@{https}\n  tls-port: 853\n  https-port: {https}\n  \
         tls-service-key: \"{}\"\n  tls-service-pem: \"{}\"\n",
        key.display(),
        certificate.display(),
    )
}

/// A resolver says where its encrypted service is (RFC 9462 section 4; keys of RFC 9461): it is asked there and nowhere else.
#[test]
fn an_encrypted_service_at_another_port_and_path_is_found_where_the_resolver_designates_it() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let said = "_dns.resolver.arpa. 60 IN SVCB 1 resolver.example.net. alpn=h2 port=8443 key7=\"/ask{?dns}\"";
    let extra = format!(
        "{}  http-endpoint: \"/ask\"\n  local-zone: \"resolver.arpa.\" transparent\n  local-data: '{said}'\n",
        encrypted(&folder, 8443)
    );
    let _unbound = start(&line, &folder, "iterator", &extra);
    let outcome = examine_at(&line, 1, Depth::Handoff);
    let closer = &outcome.facts["resolver_1"]["closer"];
    let designated = &closer["designates"][0];
    assert_eq!((&designated["port"], &designated["path"]), (&8443.into(), &"/ask{?dns}".into()), "{closer:#}");
    assert_eq!((&closer["over_https"]["offered"], &closer["over_https"]["is_true"]), (&true.into(), &true.into()), "{closer:#}");
    assert!(of(&outcome, "dns.https_lookup_time", 1).value > 0.0);
}

#[test]
fn a_validating_resolver_is_found_so_and_asked_encrypted_and_its_way_out_is_told() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let extra = format!("  trust-anchor: \"{}\"\n{}", ds(&line), encrypted(&folder, 443));
    let _unbound = start(&line, &folder, "validator iterator", &extra);
    let outcome = examine_at(&line, 1, Depth::Handoff);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    let facts = &outcome.facts["resolver_1"];
    let closer = &facts["closer"];
    assert_eq!(of(&outcome, "dns.validates", 1).value, 1.0, "{closer:#}");
    // RFC 4035 section 3.2.3: AD for what was validated, not for what is provably not signed.
    assert_eq!(closer["validation"]["good"]["authenticated"], true, "{closer:#}");
    assert_eq!(closer["validation"]["unsigned"]["authenticated"], false, "{closer:#}");
    assert_eq!(closer["validation"]["unsigned"]["code"], "NoError", "{closer:#}");
    for name in ["connect_time", "handshake_time", "lookup_time"] {
        assert!(of(&outcome, &format!("dns.tls_{name}"), 1).value > 0.0);
        assert!(of(&outcome, &format!("dns.https_{name}"), 1).value > 0.0);
    }
    assert_eq!((&closer["over_tls"]["is_true"], &closer["over_https"]["is_true"]), (&true.into(), &true.into()), "{closer:#}");
    let address = RESOLVERS_V4[0];
    // It asks from its own address, asks for signatures to validate, and minimises names unless told not to (unbound.conf(5)).
    let asks = &closer["asks_from"];
    assert_eq!((&asks["address"], &asks["is_resolver"]), (&address.to_string().into(), &true.into()), "{asks:#}");
    assert_eq!((&asks["wants_signatures"], &asks["minimises_names"]), (&true.into(), &true.into()), "{asks:#}");
    assert_eq!(facts["cache"]["came_to_authority"], 1, "{facts:#}");
    assert_eq!(closer["ipv6_of_ipv4_name"], "nodata", "{closer:#}");
    assert_eq!((came(&outcome, 1200, 1232), came(&outcome, 3000, 1232)), ("whole over UDP", "cut, whole over TCP"));
}

#[test]
fn a_resolver_that_does_not_validate_is_told_only_where_the_parent_vouches_for_the_zone() {
    for vouched in [true, false] {
        let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
        // What the parent would publish, from the resolver's own table.
        let extra = if vouched {
            format!("  local-zone: \"example.net.\" transparent\n  local-data: \"{}\"\n", ds(&line))
        } else {
            String::new()
        };
        let _unbound = start(&line, &folder, "iterator", &extra);
        let outcome = examine_at(&line, 1, Depth::Handoff);
        let closer = &outcome.facts["resolver_1"]["closer"];
        assert_eq!(has(&outcome, "dns.validates"), vouched, "{closer:#}");
        assert_eq!(codes(&outcome).contains(&"dns-not-validating"), vouched, "{closer:#}");
        assert_eq!(closer["validation"]["bad"]["code"], "NoError", "{closer:#}");
        // Nothing listens there: a fact and no flaw.
        assert_eq!((&closer["over_tls"]["offered"], has(&outcome, "dns.tls_lookup_time")), (&false.into(), false));
        if vouched {
            assert_eq!(of(&outcome, "dns.validates", 1).value, 0.0);
        }
    }
}

#[test]
fn a_way_that_drops_fragments_is_told_by_the_sizes_that_come() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let _unbound = start(&line, &folder, "iterator", "  max-udp-size: 4096\n  edns-buffer-size: 4096\n");
    let whole = examine_at(&line, 1, Depth::Handoff);
    assert_eq!(came(&whole, 3000, 4096), "whole over UDP");
    assert!(!codes(&whole).contains(&"dns-fragments-lost"), "{:?}", whole.flaws);
    // Before reassembly, which is at priority -400 (netfilter's NF_IP_PRI_CONNTRACK_DEFRAG).
    let rules = "add table ip t; add chain ip t c { type filter hook prerouting priority -450; }; \
                 add rule ip t c ip frag-off & 0x1fff != 0 drop";
    let nft = line.namespace(Node::Laptop).command("nft").arg(rules).output().expect("nft");
    assert!(nft.status.success(), "{}", String::from_utf8_lossy(&nft.stderr));
    let outcome = examine_at(&line, 1, Depth::Handoff);
    assert_eq!(came(&outcome, 3000, 4096), "lost over UDP, whole over TCP");
    assert_eq!((came(&outcome, 1400, 4096), came(&outcome, 3000, 1232)), ("whole over UDP", "cut, whole over TCP"));
    assert!(codes(&outcome).contains(&"dns-fragments-lost"), "{:?}", outcome.flaws);
}
