//! A real resolver, as a provider runs one: unbound, with the far end's zone as the only world that it asks.

use doorstep::practice::topology::LAPTOP_PORT;
use doorstep::practice::topology::{FAR_END_V4, RESOLVERS_V4};
use doorstep::practice::{Node, PracticeLine};
use doorstep::reading::Status;
use nix::sys::signal::Signal;

use crate::capture::Capture;
use crate::outcome::codes;
use crate::server::Server;
use crate::support::{examine, line, of};

/// Starts it at the first resolver's address; `extra` are lines of its `server:` clause (unbound.conf(5)).
fn start(line: &PracticeLine, folder: &tempfile::TempDir, extra: &str) -> Server {
    let zone = line.far_end_target().zone.expect("the far end has a zone");
    let config = format!(
        "server:\n  interface: {address}\n  access-control: 0.0.0.0/0 allow\n  do-daemonize: no\n  do-ip6: no\n  chroot: \"\"\n  \
         username: \"\"\n  directory: \"{directory}\"\n  pidfile: \"\"\n  use-syslog: no\n  logfile: \"\"\n  verbosity: 1\n  module-config: \"iterator\"\n  \
         domain-insecure: \"{zone}\"\n  do-not-query-localhost: no\n{extra}stub-zone:\n  name: \"{zone}\"\n  stub-addr: {FAR_END_V4}\n\
         remote-control:\n  control-enable: no\n",
        address = RESOLVERS_V4[0],
        directory = folder.path().display(),
    );
    let path = folder.path().join("unbound.conf");
    std::fs::write(&path, config).expect("a file");
    let mut command = line.namespace(Node::Resolvers).command("unbound");
    command.arg("-d").arg("-c").arg(path);
    Server::start(command, "start of service")
}

#[test]
fn a_real_resolver_is_fast_whole_and_true_and_tshark_counts_the_same() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let _unbound = start(&line, &folder, "");
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "udp port 53");
    let outcome = examine(&line, 1);
    let rows =
        capture.end(["dns.flags.response", "dns.flags.rcode", "dns.flags.truncated", "dns.qry.name", "udp.checksum.status"]);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 0.0);
    assert_eq!(of(&outcome, "dns.false_answers", 1).value, 0.0);
    let facts = &outcome.facts["resolver_1"];
    assert_eq!(facts["truncated_then_whole_over_tcp"], true, "{facts:#}");
    let answers: Vec<_> = rows.iter().filter(|row| row[0] == "1" || row[0] == "True").collect();
    let timed = answers.iter().filter(|row| !row[3].contains(".big.")).count();
    assert_eq!(facts["asked"], timed, "tshark sees as many answers as the check");
    // RFC 1035 section 4.1.1: code 3 is that of a name that does not exist; quick depth asks for 8.
    assert_eq!(answers.iter().filter(|row| row[1] == "3").count(), 8);
    assert_eq!(answers.iter().filter(|row| row[2] == "1" || row[2] == "True").count(), 1, "one answer was cut");
}

#[test]
fn a_real_resolver_that_redirects_missing_names_is_caught() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let lie = "  local-zone: \"invalid.\" redirect\n  local-data: \"invalid. 60 A 192.0.2.80\"\n";
    let _unbound = start(&line, &folder, lie);
    let outcome = examine(&line, 1);
    // Half of the 8 missing names lie below `invalid`, half in the zone, about which it is true.
    assert_eq!(of(&outcome, "dns.false_answers", 1).value, 4.0, "{outcome:#?}");
    assert_eq!(codes(&outcome), ["dns-false-answer"]);
}

#[test]
fn a_real_resolver_without_tcp_loses_what_it_cuts() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    // It speaks TCP to the authority, but not to us.
    let _unbound = start(&line, &folder, "  do-tcp: yes\n  incoming-num-tcp: 0\n");
    let outcome = examine(&line, 1);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    assert!(codes(&outcome).contains(&"dns-no-tcp-fallback"), "{outcome:#?}");
    let facts = &outcome.facts["resolver_1"];
    assert_eq!(facts["truncated_then_whole_over_tcp"], false, "{facts:#}");
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 0.0, "over UDP it is whole");
}

#[test]
fn a_real_resolver_that_hangs_is_silent_and_not_false() {
    let (line, folder) = (line(None), tempfile::tempdir().expect("a folder"));
    let unbound = start(&line, &folder, "");
    unbound.signal(Signal::SIGSTOP);
    let outcome = examine(&line, 1);
    unbound.signal(Signal::SIGCONT);
    assert_eq!(outcome.status, Status::Failed, "{outcome:#?}");
    assert_eq!(of(&outcome, "dns.failure_ratio", 1).value, 1.0);
    assert_eq!(of(&outcome, "dns.false_answers", 1).value, 0.0);
}
