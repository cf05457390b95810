//! Getting on to a practice line that is tagged, or wants a PPPoE login: sessions opened, used and ended, VLANs entered and
//! found. Needs root.
//!
//! The expected values are the line's own configuration; what the standards want is named beside each test.

#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/run.rs"]
mod run;

use std::net::{IpAddr, Ipv4Addr};
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

use doorstep::check::pppoe::PppoeCheck;
use doorstep::check::vlan::VlanCheck;
use doorstep::check::{Access, Check, Context, Finished, Known, Learned};
use doorstep::practice::topology::{EDGE_V4, RESOLVERS_V4, SUBSCRIBER_V4};
use doorstep::practice::{Concentrator, Handoff, LineConfig, Node, PracticeLine, Services, account};
use doorstep::proto::ppp::Login;
use doorstep::reading::{Outcome, Status, Target};
use doorstep::unit::Depth;
use doorstep::wire::vlan::TagStack;
use serde_json::Value;

use crate::outcome::{codes, reading, readings};
use crate::run::program;

/// A line that wants a login, in this VLAN; the concentrator and nothing else.
fn session_line(vlan: TagStack, full_size_sessions: bool) -> PracticeLine {
    line_with(Concentrator::Serving, vlan, full_size_sessions)
}

fn line_with(concentrator: Concentrator, vlan: TagStack, full_size_sessions: bool) -> PracticeLine {
    let handoff = Handoff::Pppoe(concentrator);
    let services = Services { ipv6: LineConfig::default().services.ipv6, ..Services::NONE };
    let config = LineConfig { full_size_sessions, services, ..LineConfig::default() }.handed_over(handoff, vlan);
    PracticeLine::build(config).expect("this test needs root and a kernel with veth, bridge, tun and nf_tables")
}

fn login_context(line: &PracticeLine, vlan: TagStack, account: Login) -> Context {
    let mut context = lab::context(line, Known::default(), Depth::Quick);
    (context.vlan, context.access) = (vlan, Access::Pppoe(account));
    context
}

/// Logs in, looks at the port of the session while it is there, and gives it back in order.
fn log_in(line: &PracticeLine, vlan: TagStack, account: Login) -> (Outcome, Vec<Learned>, Vec<String>, Vec<Outcome>) {
    let context = login_context(line, vlan, account);
    lab::on_laptop(line, move || async move {
        let Finished { mut outcome, learned, mut holdings } = PppoeCheck { logs_in: true }.run(context).await;
        let ports = doorstep::net::build::interfaces().expect("list");
        let mut closing = Vec::new();
        for holding in &mut holdings {
            closing.extend(holding.closing_outcome().await);
        }
        for holding in holdings {
            holding.release().await;
        }
        outcome.facts.insert("ports_after".to_owned(), doorstep::net::build::interfaces().expect("list").into());
        (outcome, learned, ports, closing)
    })
}

/// Sessions that were opened and that a PADT ended, once the concentrator has read what is on the cable.
fn ended_sessions(line: &PracticeLine) -> (u32, u32) {
    for _ in 0..100 {
        let counts = line.concentrator().expect("there").counts();
        if counts.opened == counts.terminated {
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let counts = line.concentrator().expect("there").counts();
    (counts.opened, counts.terminated)
}

fn is_ours(port: &str) -> bool {
    port.starts_with("doorstep")
}

#[test]
fn a_login_gives_address_peer_resolvers_and_both_families_and_ends_with_padt() {
    for vlan in [TagStack::NONE, TagStack::single(35), TagStack::double(100, 35).with_priority(3)] {
        let line = session_line(vlan, false);
        let (outcome, learned, ports, closing) = log_in(&line, vlan, account());
        assert_eq!(outcome.status, Status::Done, "{vlan}: {outcome:#?}");
        assert!(codes(&outcome).is_empty() && closing.iter().all(|o| o.flaws.is_empty()), "{vlan}: {:?}", codes(&outcome));
        assert!(learned.iter().any(|l| matches!(l, Learned::Ipv4(SUBSCRIBER_V4, 32))));
        assert!(learned.iter().any(|l| matches!(l, Learned::Gateway4(EDGE_V4))));
        let wanted: Vec<IpAddr> = RESOLVERS_V4.iter().copied().map(IpAddr::V4).collect();
        assert!(learned.iter().any(|l| matches!(l, Learned::Resolvers(list) if *list == wanted)));
        assert_eq!((reading(&outcome, "pppoe.concentrators").value, reading(&outcome, "pppoe.address_held").value), (1.0, 1.0));
        // RFC 2516 section 7: 1492; with two tags eight octets less find room in the port's MTU of 1500 (packet(7)).
        let mru = if vlan.tags().len() == 2 { 1484.0 } else { 1492.0 };
        assert_eq!(reading(&outcome, "pppoe.mru").value, mru, "{vlan}");
        for name in ["pppoe.link_time", "pppoe.login_time", "pppoe.address_time", "pppoe.setup_time", "pppoe.echo_time_p50"] {
            assert!(reading(&outcome, name).value > 0.0, "{name}");
        }
        assert_eq!((&outcome.facts["proof"], &outcome.facts["ipv6"]), (&Value::from("CHAP with MD5"), &Value::from(true)));
        assert!(ports.iter().any(|port| is_ours(port)), "{ports:?}");
        let after = outcome.facts["ports_after"].as_array().expect("a list");
        assert!(!after.iter().any(|port| port.as_str().is_some_and(is_ours)), "{after:?}");
        assert_eq!(ended_sessions(&line), (1, 1), "{vlan}: RFC 2516 section 5.5");
    }
}

// RFC 4638 section 3 and 5: larger only where both sides have said so, and proven by echoes of that size.
#[test]
fn sessions_of_full_size_are_proven_where_both_sides_can() {
    let line = session_line(TagStack::single(35), true);
    let (outcome, ..) = log_in(&line, TagStack::single(35), account());
    assert_eq!(reading(&outcome, "pppoe.mru").value, 1500.0, "{outcome:#?}");
    assert_eq!(outcome.facts["mtu"], 1500);
}

// RFC 1994 section 4.2: a failure's message is for people.
#[test]
fn a_refused_login_tells_the_concentrators_words_and_leaves_nothing_open() {
    let line = session_line(TagStack::NONE, false);
    let (outcome, learned, ports, _) = log_in(&line, TagStack::NONE, Login::new("line1@example.net", "wrong"));
    assert_eq!((outcome.status, codes(&outcome)), (Status::Failed, vec!["pppoe-login-refused"]), "{outcome:#?}");
    assert!(outcome.reason.as_deref().is_some_and(|reason| reason.contains("Authentication failed")), "{:?}", outcome.reason);
    assert_eq!(reading(&outcome, "pppoe.address_held").value, 0.0);
    assert!(learned.is_empty() && !ports.iter().any(|port| is_ours(port)));
    let counts = line.concentrator().expect("there").counts();
    assert_eq!((counts.opened, counts.up), (1, 0));
}

/// The session's end when nobody asks for it in order: the task is dropped, as in a second Ctrl-C or a panic; and the visit is
/// cancelled while the login goes on.
/// It ends while this side's own echoes are still under way: that is told, and not only what ends later.
#[test]
fn a_session_that_the_concentrator_ends_at_once_is_told_as_lost() {
    let line = line_with(Concentrator::Dropping, TagStack::NONE, false);
    let (_, _, _, closing) = log_in(&line, TagStack::NONE, account());
    assert!(closing.iter().any(|outcome| codes(outcome).contains(&"pppoe-session-lost")), "{closing:?}");
    let (opened, ended) = ended_sessions(&line);
    assert_eq!((opened, ended), (1, 1), "both sides end it in order");
}

#[test]
fn padt_is_sent_however_the_visit_ends() {
    let line = session_line(TagStack::NONE, false);
    let dropped = login_context(&line, TagStack::NONE, account());
    lab::on_laptop(&line, move || async move {
        let finished = PppoeCheck { logs_in: true }.run(dropped).await;
        assert_eq!(finished.outcome.status, Status::Done);
        drop(finished);
        // The aborted task is dropped by the runtime at its next turn.
        tokio::time::sleep(Duration::from_millis(50)).await;
    });
    assert_eq!(ended_sessions(&line), (1, 1));
    for (n, after_ms) in [0_u64, 2, 10, 60].into_iter().enumerate() {
        let context = login_context(&line, TagStack::NONE, account());
        lab::on_laptop(&line, move || async move {
            let cancel = context.cancel.clone();
            let ending = async {
                tokio::time::sleep(Duration::from_millis(after_ms)).await;
                cancel.cancel();
            };
            let (finished, ()) = tokio::join!(PppoeCheck { logs_in: true }.run(context), ending);
            for holding in finished.holdings {
                holding.release().await;
            }
        });
        let (opened, terminated) = ended_sessions(&line);
        assert_eq!(opened, terminated, "cancelled after {after_ms} ms, run {n}");
    }
}

/// Two signals end the program without waiting for anything; the session is ended all the same.
#[test]
fn padt_is_sent_when_the_program_is_told_twice_to_end() {
    let line = session_line(TagStack::NONE, false);
    let folder = tempfile::tempdir().expect("a folder");
    let login = folder.path().join("login.toml");
    std::fs::write(&login, "name = \"line1@example.net\"\npassword = \"not-for-records\"\n").expect("a file");
    std::fs::set_permissions(&login, std::fs::Permissions::from_mode(0o600)).expect("a mode");
    let mut command = line.namespace(Node::Laptop).command(run::PROGRAM);
    command.args(["check", "ipv6", "--interface", "lan0", "--access", "pppoe", "--depth", "handoff", "--login"]).arg(&login);
    let mut program = run::Run::start(command.arg("--record").arg(folder.path().join("visit.json")));
    program.wait_for_note("pppoe");
    for _ in 0..500 {
        if line.concentrator().expect("there").counts().up == 1 {
            break;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    program.signal(nix::sys::signal::Signal::SIGINT);
    program.signal(nix::sys::signal::Signal::SIGTERM);
    let ended = program.end();
    assert_eq!(ended_sessions(&line), (1, 1), "{ended:?}");
}

/// At a terminal the account is asked for, and what is typed as password is not shown.
#[test]
fn an_account_that_is_typed_opens_a_session_and_its_password_is_not_shown() {
    use std::io::{Read, Write};
    use std::process::Stdio;
    let line = session_line(TagStack::NONE, false);
    let folder = tempfile::tempdir().expect("a folder");
    let record = folder.path().join("visit.json");
    let check = format!("{} check pppoe --interface lan0 --access pppoe --record {}", run::PROGRAM, record.display());
    // script(1) of the bsdutils package gives the program a terminal.
    let mut command = line.namespace(Node::Laptop).command("timeout");
    command.args(["60", "script", "-qec", &check, "/dev/null"]).stdin(Stdio::piped()).stdout(Stdio::piped());
    let mut child = command.spawn().expect("bsdutils and coreutils are installed");
    let (mut typed, mut shown) = (child.stdin.take().expect("piped"), child.stdout.take().expect("piped"));
    let mut said = String::new();
    // Each answer only after its question: before, the terminal itself would show it.
    let mut until = |wanted: &str| {
        let mut octets = [0; 256];
        while !said.contains(wanted) {
            let len = shown.read(&mut octets).expect("it goes on");
            assert!(len > 0, "ended before `{wanted}`: {said}");
            said.push_str(&String::from_utf8_lossy(&octets[..len]));
        }
    };
    until("account: ");
    typed.write_all(b"line1@example.net\n").expect("it reads");
    until("not shown): ");
    typed.write_all(b"not-for-records\n").expect("it reads");
    let mut rest = String::new();
    shown.read_to_string(&mut rest).expect("it ends");
    child.wait().expect("it ends");
    said.push_str(&rest);
    assert!(said.contains("logged in after") && !said.contains("not-for-records"), "{said}");
    assert!(!std::fs::read_to_string(&record).expect("the record").contains("not-for-records"));
    assert_eq!(ended_sessions(&line), (1, 1));
}

fn demo(arguments: &[&str]) -> (i32, Value, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let ended = program(&[&["demo", "--json", "--record", path.to_str().expect("text")], arguments].concat());
    let record = ended.record();
    let text = format!("{}{}", ended.stderr, std::fs::read_to_string(&path).expect("the record is there"));
    (ended.status.expect("an exit status"), record, text)
}

#[test]
fn a_whole_visit_passes_in_a_tagged_session_and_its_record_has_no_secret() {
    let (status, record, text) = demo(&["--access", "pppoe", "--vlan", "35"]);
    assert_eq!((status, &record["verdict"]), (0, &Value::from("pass")), "{:#}", record["judgements"]);
    assert_eq!((&record["place"]["access"], &record["place"]["vlan"]), (&Value::from("pppoe"), &Value::from("35")));
    assert_eq!(record["isolation"]["fault"], "none-found");
    assert!(!text.contains("not-for-records") && !text.contains("line1@example.net"), "account or secret is in the record");
    // Both IP versions were measured over the session.
    for family in ["ipv4", "ipv6"] {
        let has = record["checks"].as_array().into_iter().flatten().any(|check| {
            check["readings"]
                .as_array()
                .into_iter()
                .flatten()
                .any(|r| r["name"] == "twoway.round_trip_p50" && r["family"] == family)
        });
        assert!(has, "no two-way figure over {family}");
    }
}

#[test]
fn a_whole_visit_passes_in_two_tags() {
    let (status, record, _) = demo(&["--vlan", "100.35"]);
    assert_eq!((status, &record["verdict"]), (0, &Value::from("pass")), "{:#}", record["judgements"]);
    assert_eq!(record["place"]["vlan"], "100.35");
}

/// Looks for VLANs on a line that is handed over in one.
fn search(handoff: Handoff, vlan: TagStack, stacks: Vec<TagStack>) -> Outcome {
    let services = Services { dhcp: true, ipv6: LineConfig::default().services.ipv6, ..Services::NONE };
    let line = PracticeLine::build(LineConfig { services, ..LineConfig::default() }.handed_over(handoff, vlan)).expect("root");
    let context = lab::context(&line, Known::default(), Depth::Quick);
    lab::check(&line, VlanCheck { stacks }, context).outcome
}

fn found(outcome: &Outcome, name: &str) -> Vec<Target> {
    readings(outcome, name).iter().filter_map(|r| r.target.clone()).collect()
}

#[test]
fn the_vlan_of_a_handoff_is_found_with_what_answers_there() {
    let outcome = search(Handoff::Gateway, TagStack::single(35), Vec::new());
    assert_eq!(found(&outcome, "vlan.dhcp_time"), [Target::Vlan(35, 0)], "{outcome:#?}");
    assert_eq!(found(&outcome, "vlan.router_time"), [Target::Vlan(35, 0)]);
    assert!(found(&outcome, "vlan.pppoe_time").is_empty());
    assert_eq!(reading(&outcome, "vlan.answering").value, 1.0);

    let session = Handoff::Pppoe(Concentrator::Serving);
    let stacks = vec![TagStack::NONE, TagStack::single(7), TagStack::double(100, 35), TagStack::single(100)];
    let outcome = search(session, TagStack::double(100, 35), stacks);
    assert_eq!(found(&outcome, "vlan.pppoe_time"), [Target::Vlan(100, 35)], "{outcome:#?}");
    assert_eq!(reading(&outcome, "vlan.answering").value, 1.0);

    let outcome = search(Handoff::Gateway, TagStack::NONE, Vec::new());
    assert_eq!(found(&outcome, "vlan.dhcp_time"), [Target::Vlan(0, 0)], "without a tag: {outcome:#?}");

    let outcome = search(Handoff::Gateway, TagStack::single(3000), Vec::new());
    assert_eq!((reading(&outcome, "vlan.answering").value, outcome.readings.len()), (0.0, 1));
}

#[test]
fn what_is_typed_wrongly_says_what_to_type() {
    let refused = |arguments: &[&str]| {
        let ended = program(arguments);
        assert_eq!(ended.status, Some(2), "{arguments:?}");
        ended.stderr
    };
    assert!(refused(&["demo", "--vlan", "4095"]).contains("1 to 4094"));
    assert!(refused(&["check", "vlan", "--vlans", "5-3"]).contains("backwards"));
    assert!(refused(&["verify", "--profile", "vdsl-100-40", "--vlan-priority", "3"]).contains("--vlan"));
    let no_login = program(&["verify", "--profile", "vdsl-100-40", "--interface", "lo", "--access", "pppoe"]);
    assert!(no_login.stderr.contains("--login FILE"), "{}", no_login.stderr);
}

/// Keeps the address of the concentrator honest: it is the one that the session's peer has.
#[test]
fn the_peer_of_a_session_answers() {
    let vlan = TagStack::single(35);
    let line = session_line(vlan, false);
    let context = login_context(&line, vlan, account());
    let answered = lab::on_laptop(&line, move || async move {
        let finished = PppoeCheck { logs_in: true }.run(context).await;
        let to: Ipv4Addr = EDGE_V4;
        // Port 9 of the edge is closed: its refusal comes back through the session (RFC 792).
        let asked = tokio::time::timeout(Duration::from_secs(5), tokio::net::TcpStream::connect((to, 9))).await;
        for holding in finished.holdings {
            holding.release().await;
        }
        asked
    });
    let refusal = answered.expect("an answer in time").expect_err("nobody listens");
    assert_eq!(refusal.kind(), std::io::ErrorKind::ConnectionRefused);
    assert_eq!(line.namespace(Node::Laptop).label(), "laptop");
}
